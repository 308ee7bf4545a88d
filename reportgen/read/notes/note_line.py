"""One line of the operator's notes: which facts stand in it, and which words only look like facts.

The rules are cautious: a fact that is denied, doubted, asked, given as a range or without its frequency is not a fact.
It is handed back as unread, with what to write instead, and the line stays a note as it was written.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Sequence
from dataclasses import replace

from reportgen.read.notes.note_level import read_level
from reportgen.read.notes.note_nodes import gather_places, read_nodes_and_motion
from reportgen.read.notes.note_segments import Reading, Segment, segments_of, spread_doubt
from reportgen.read.notes.note_strobe import read_strobe
from reportgen.read.notes.note_time import read_time
from reportgen.read.notes.note_vocabulary import vocabulary
from reportgen.read.notes.note_words import Counted, Phrase, Word, phrases
from reportgen.records.message import message
from reportgen.records.note import Note, Remark

LONGEST_READ = 2000
"""Characters of a line that are searched for facts; the line itself is kept whole."""

_SAME_LENGTH = str.maketrans({"−": "-", "\u00a0": " ", "\u202f": " ", "\u2009": " ", "‐": "-", "‑": "-"})


def parse_line(
    text: str,
    *,
    runs: Sequence[str] = (),
    source: str = "notes.txt",
    line: int = 1,
    length_m: float | None = None,
) -> Note:
    """Read one line; never fails.

    ``runs``: ids known to the job; ``length_m``: of the beam, for positions given from its far end.

    >>> parse_line("09:14 X-PRE 312 Hz: two nodes", runs=("X-PRE",)).facts
    (NodesSeen(frequency_hz=312.0, count=2, positions=(), position_unit='L', motion=None, resolution_hz=1.0),)
    """
    reading = Reading()
    folded = _fold(text[:LONGEST_READ])
    folded, run = _take_run(folded, runs, reading)
    words = _with_headings(phrases(folded, text))
    when, day = read_time(words, reading)
    segments = segments_of(words)
    spread_doubt(segments)
    gather_places(segments)
    read_nodes_and_motion(segments, reading, length_m)
    read_strobe(segments, reading)
    read_level(segments, reading)
    _read_remark(words, text, reading)
    _look_for_misspelling(segments, reading)
    if len(text) > LONGEST_READ:
        reading.refuse(
            text[LONGEST_READ : LONGEST_READ + 20] + "…",
            message("note.too-long", most=LONGEST_READ),
            message("note.write-one-a-line"),
        )
    return Note(
        source=source, line=line, text=text, when=when, day=day, run=run,
        facts=tuple(reading.facts), unread=tuple(reading.unread),
    )  # fmt: skip


def _fold(text: str) -> str:
    """Lower case of the same length, so that places in it are places in the text."""
    lowered = "".join(each.lower() if len(each.lower()) == 1 else each for each in text)
    return lowered.translate(_SAME_LENGTH)


def _take_run(folded: str, runs: Sequence[str], reading: Reading) -> tuple[str, str | None]:
    """Find run ids and blank them out, so that figures inside them are not read."""
    found: dict[str, None] = {}
    for each in sorted(runs, key=len, reverse=True):
        pattern = _run_pattern(each)
        for match in re.finditer(pattern, folded):
            found[each] = None
            folded = folded[: match.start()] + " " * (match.end() - match.start()) + folded[match.end() :]
    if not found:
        _near_run(folded, runs, reading)
    if len(found) > 1:
        reading.refuse(", ".join(found), message("note.several-runs"), message("note.write-line-each-run"))
        return folded, None
    return folded, next(iter(found), None)


def _run_pattern(run: str) -> str:
    word, called = re.escape(_fold(run)), vocabulary().patterns["RUN_WORD"]
    if re.search("[a-z]", _fold(run)) and len(run) >= 3:
        return rf"(?<![\w-])(?:{called}\s+)?{word}(?![\w-])"
    # An id as short as "X" or "3" is a run only where it is called one, or where it opens the line.
    return rf"(?<![\w-]){called}\s+#?{word}(?![\w-])|^\s*{word}\s*:(?!\d)"


def _near_run(folded: str, runs: Sequence[str], reading: Reading) -> None:
    known = {_fold(run): run for run in runs if re.search(r"(?m)^[^a-z\n]*[a-z].*[-_\d]", _fold(run)) and len(run) >= 4}
    for word in re.findall(r"(?<![\w-])[a-z]\w*(?:[-_]\w+)+", folded):
        near = difflib.get_close_matches(word, list(known), n=1, cutoff=0.8)
        if near:
            reading.refuse(
                word.upper(), message("note.no-such-run"), message("note.write-if-meant", words=known[near[0]])
            )


def _read_remark(words: Sequence[Phrase], text: str, reading: Reading) -> None:
    marks = [each for each in words if isinstance(each, Word) and each.kind == "REMARK"]
    ends = [mark.start for mark in marks[1:]] + [len(text)]
    for mark, end in zip(marks, ends, strict=False):
        body = text[mark.end : end].strip()
        heading = "deviation" if mark.key == "deviation" else "observation"
        if body:
            reading.facts.append(Remark(heading=heading, text=body))
        else:
            reading.refuse(
                mark.text, message("note.nothing-behind"), message("note.write-what-happened", heading=heading)
            )
    first = _first_word(words)
    if isinstance(first, Word) and first.kind == "REMARK_WORD" and not marks:
        reading.refuse(first.text, message("note.colon-missing"), message("note.write-with-colon", word=first.text))


_STAMPS = ("DATE", "TIME", "DATE_TIME", "LINK", "SEPARATOR")
"""Kinds of words that may stand before the first that says something."""


def _first_word(words: Sequence[Phrase]) -> Phrase | None:
    return next((each for each in words if not (isinstance(each, Word) and each.kind in _STAMPS)), None)


def _with_headings(words: list[Phrase]) -> list[Phrase]:
    """Phrases in which "dev." or "Abw." that opens a line is the heading of what follows, and elsewhere a word."""
    first = _first_word(words)
    return [
        replace(each, kind="REMARK" if each is first else "WORD")
        if isinstance(each, Word) and each.kind == "REMARK_SHORT"
        else each
        for each in words
    ]


def _look_for_misspelling(segments: list[Segment], reading: Reading) -> None:
    for segment in segments:
        for before, each in zip([None, *segment.phrases], segment.phrases, strict=False):
            if not isinstance(each, Word) or each.kind != "WORD":
                continue
            meant = _meant(each.text.lower(), after_number=isinstance(before, Counted))
            if meant:
                said = f"{before.text} " if isinstance(before, Counted) else ""
                write = message("note.write-if-meant", words=f"{said}{meant}")
                reading.refuse(said + each.text, message("note.unknown-word"), write)


def _meant(word: str, after_number: bool) -> str | None:
    known = vocabulary().words
    if word in known["everyday"] or not 3 <= len(word) <= 20:
        return None
    if after_number and word in known["like_nodes"]:
        return "nodes"
    if after_number and (near := _nearest(word, known["node_words"], 0.75)):
        return "nodes" if near == "node" else near
    return _nearest(word, known["keywords"], 0.85)


def _nearest(word: str, keywords: Iterable[str], share: float) -> str | None:
    """The keyword that a word is like, if any; of several the first in the order of the alphabet."""
    return next((keyword for keyword in sorted(keywords) if _like(word, keyword, share)), None)


def _like(word: str, keyword: str, share: float) -> bool:
    if word[0] != keyword[0] or word == keyword or len(word) < len(keyword) - 2:
        return False
    return sorted(word) == sorted(keyword) or difflib.SequenceMatcher(None, word, keyword).ratio() >= share
