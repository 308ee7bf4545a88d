"""No pattern of the package is more than linear: each is held for a moment against the words that keep it longest."""

from __future__ import annotations

import re

import pytest

from reportgen.read.notes.note_line import LONGEST_READ
from reportgen.read.notes.note_vocabulary import vocabulary
from reportgen.read.notes.note_words import _grammar
from tests.once import once
from tests.patterns import Use, attacks, seconds, uses

EXTRA = [Use(pattern, "fullmatch", f"heading {role}") for role, pattern in vocabulary().headings]
"""Patterns that stand in no call and no constant."""
NOT_TRIED = {
    "note_vocabulary.py: pattern", "note_vocabulary.py: text", "note_words.py: words.patterns", "words.py: ''.join",
}  # fmt: skip
"""Words of the notes: headings stand in EXTRA, the rest is sought in words that the grammar found, in a line of bounded
length (below). The last reads back sentences of the program's own, with ids of the job in them."""

SHORT, LONG = 8_000, 100_000
MOST_S = 0.05
"""For the short text. One step a character takes 0.4 ms there, a step for each pair of characters 0.2 s or more."""
LINE_S = 0.25
"""For one word sought in the longest line of notes that is read."""


@pytest.fixture(scope="session")
def found(shared_folder):
    """The package's patterns and what is unclear, as ``uses`` gives them."""
    return once(shared_folder, "patterns", uses)


def test_every_pattern_is_found(found):
    patterns, unclear = found
    assert len(patterns) > 120
    assert [each for each in unclear if not any(known in each for known in NOT_TRIED)] == []


@pytest.mark.parametrize("part", range(4))
def test_no_pattern_is_more_than_linear(part, found):
    """A pattern over its time on the short text is given the long one: it fails where that takes more than 3 s."""
    late = []
    for use in [*found[0].values(), *EXTRA][part::4]:
        suspects = (text for text in attacks(use.pattern, SHORT) if seconds(use, text, MOST_S) == float("inf"))
        if (text := next(suspects, None)) is not None and seconds(use, text[:-2] * (LONG // SHORT), 3.0) > 3.0:
            late.append(f"{use.where}: {use.method} of {use.pattern.pattern!r} over {text[:20]!r}…")
    assert late == []


def test_no_word_of_the_notes_is_sought_for_long():
    """A line of notes is read up to a length; there each word of its grammar is quick, be it linear or not."""
    for terminal in _grammar().terminals:
        use = Use(re.compile(terminal.pattern.to_regexp()), "match", terminal.name)
        late = [text for text in attacks(use.pattern, LONGEST_READ) if seconds(use, text, LINE_S) == float("inf")]
        assert late == [], terminal.name


def test_a_pattern_that_is_more_than_linear_would_be_found():
    for text, method in ((r"\s+$", "search"), (r"(?:a|a)*b", "match"), (r"^.+?\s+x$", "match"), (r"\d+,", "sub")):
        use = Use(re.compile(text), method, "")
        assert any(seconds(use, attack, MOST_S) == float("inf") for attack in attacks(use.pattern, SHORT)), text
