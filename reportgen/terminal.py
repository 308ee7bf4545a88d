"""Terminal: text as it can safely be printed, whatever a file or a note brought along."""

from __future__ import annotations

import re
from typing import TextIO

_STEERING = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069\ud800-\udfff]")
"""Controls, which move a cursor, colour a terminal or turn the direction of writing, and halves of characters."""


def printable(text: object, stream: TextIO) -> str:
    r"""The text with controls, and what the stream's encoding lacks, as their codes; line ends and tabs stay.

    >>> import sys
    >>> printable("\x1b[2Jcleared", sys.stdout)
    '\\x1b[2Jcleared'
    """
    plain = _STEERING.sub(lambda found: ascii(found.group())[1:-1], str(text))
    encoding = stream.encoding or "utf-8"
    return plain.encode(encoding, "backslashreplace").decode(encoding)
