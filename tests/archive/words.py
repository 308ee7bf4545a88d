"""What errors and verifications say, in the words of the terminal."""

from __future__ import annotations

import re
from contextlib import contextmanager

import pytest

from reportgen.render.catalogue import english, said


@contextmanager
def telling(kind, match):
    """As ``pytest.raises``, but the words are those of the catalogue, which rooms do not know."""
    with pytest.raises(kind) as caught:
        yield caught
    assert re.search(match, said(caught.value.said)), said(caught.value.said)


def lines(verified):
    """All lines of a verification; the last is the upshot."""
    return english().all(verified.said)


def words(line):
    """What one line of a verification says."""
    return said(line.what)
