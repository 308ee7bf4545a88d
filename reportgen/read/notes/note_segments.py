"""A note line between its separators: what is in doubt, and which drive frequency words belong to."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TypeVar

from reportgen.read.notes.note_words import Frequency, Level, MotionWord, Nodes, Phrase, Slow, Strobe, Word
from reportgen.records.message import Message, message
from reportgen.records.note import Fact

_P = TypeVar("_P", bound=Phrase)
_NOT_AT = frozenset({
    "above", "below", "after", "before", "past", "beyond", "until", "till", "between", "over", "under", "from",
})  # fmt: skip
DENIED = message("note.denied")
_ASKED = message("note.asked")
_DOUBTED = message("note.doubted")


@dataclass(slots=True)
class Segment:
    """Phrases between two separators."""

    phrases: list[Phrase] = field(default_factory=list)
    joined_by: str = ""
    doubt: Message | None = None
    inexact: bool = False
    """True where a range or an "above" takes the place of a frequency."""

    def of(self, kind: type[_P]) -> list[_P]:
        """Phrases of one kind, in their order."""
        return [each for each in self.phrases if isinstance(each, kind)]

    @property
    def drives(self) -> list[Frequency]:
        """Frequencies that are neither strobe rate nor slow motion."""
        return [each for each in self.phrases if isinstance(each, Frequency) and each.problem is None]

    @property
    def tells(self) -> bool:
        """True where there is something that could be a fact."""
        kinds = (Nodes, MotionWord, Strobe, Slow, Level)
        return any(isinstance(each, kinds) for each in self.phrases)


@dataclass(slots=True)
class Reading:
    """Facts and unread words of a line as they gather."""

    facts: list[Fact] = field(default_factory=list)
    unread: list[Message] = field(default_factory=list)

    def refuse(self, words: str, why: Message, write: Message) -> None:
        """Note words that look like a fact, why they are none, and what to write instead."""
        entry = message("note.unread", words=words, why=why, write=write)
        if entry not in self.unread:
            self.unread.append(entry)


def segments_of(words: Iterable[Phrase]) -> list[Segment]:
    """Split at separators; a question mark ends its segment and puts it in doubt."""
    found = [Segment()]
    for each in words:
        if isinstance(each, Word) and each.kind in ("SEPARATOR", "QUESTION", "REMARK"):
            if each.kind == "QUESTION":
                (found[-1] if found[-1].phrases else _last_said(found)).doubt = _ASKED
            found.append(Segment(joined_by=each.key))
        else:
            found[-1].phrases.append(each)
    return found


def _last_said(segments: list[Segment]) -> Segment:
    return next((each for each in reversed(segments) if each.phrases), segments[-1])


def spread_doubt(segments: list[Segment]) -> None:
    """Mark segments that are denied, doubted or asked, and those that an aside takes back."""
    for index, segment in enumerate(segments):
        segment.inexact = _is_inexact(segment)
        segment.doubt = segment.doubt or _doubt_in(segment)
        if index and _is_aside(segment):
            _last_said(segments[:index]).doubt = segment.doubt


def _is_aside(segment: Segment) -> bool:
    """True for "(maybe 3)" or ", not sure", which take back what stands before them."""
    if segment.doubt is None or segment.tells or segment.drives:
        return False
    words = any(isinstance(each, Word) and each.kind == "WORD" for each in segment.phrases)
    return has_word(segment, "UNSURE") or (bool(segment.phrases) and not words and not has_word(segment, "NOT"))


def has_word(segment: Segment, kind: str) -> bool:
    """Whether a word of that kind stands in the segment."""
    return any(isinstance(each, Word) and each.kind == kind for each in segment.phrases)


def _doubt_in(segment: Segment) -> Message | None:
    if has_word(segment, "NOT"):
        return DENIED
    if has_word(segment, "HEDGE") or has_word(segment, "UNSURE"):
        return _DOUBTED
    if has_word(segment, "OR") and segment.tells:
        return message("note.several-offered")
    return None


_INEXACT = _NOT_AT | {"more than", "less than", "up to", "<", ">", "≤", "≥"}
"""Words before a frequency that make it a bound, not a value."""


def _is_inexact(segment: Segment) -> bool:
    if has_word(segment, "RANGE"):
        return True
    before = ""
    for each in segment.phrases:
        if isinstance(each, Frequency) and before in _INEXACT:
            return True
        if not (isinstance(each, Word) and each.kind == "LINK"):
            before = each.key if isinstance(each, Word | Level) else ""
    return False


def drive_of(segments: list[Segment], index: int, each: Phrase) -> Frequency | Message:
    """The one drive frequency that words belong to, or why there is none."""
    segment = segments[index]
    if segment.inexact:
        return message("note.range")
    drives = _distinct(segment.drives)
    if len(drives) == 1:
        return drives[0] if not _lists_frequencies(segments, index) else message("note.several-frequencies")
    if len(drives) > 1:
        return _paired(segment, each) or message("note.several-frequencies")
    for earlier in reversed(segments[:index]):
        if earlier.inexact:
            return message("note.range")
        if earlier.drives:
            open_question = earlier.doubt and not earlier.tells
            several = len(_distinct(earlier.drives)) > 1
            if open_question:
                return message("note.frequency-but", doubt=earlier.doubt)
            return message("note.several-frequencies") if several else earlier.drives[0]
    return _only_drive(segments)


def _only_drive(segments: list[Segment]) -> Frequency | Message:
    everywhere = _distinct([drive for each in segments for drive in each.drives if not each.inexact])
    if len(everywhere) == 1 and not any(each.inexact for each in segments):
        return everywhere[0]
    if everywhere:
        return message("note.several-frequencies")
    strobe = any(segment.of(Strobe) for segment in segments)
    return message("note.strobe-but-no-drive") if strobe else message("note.no-drive")


def _distinct(drives: Iterable[Frequency]) -> list[Frequency]:
    return list({drive.hz: drive for drive in drives}.values())


def _lists_frequencies(segments: list[Segment], index: int) -> bool:
    """True for "312 Hz, 540 Hz: 2 nodes", where the count may belong to either."""
    if index == 0 or segments[index].joined_by not in (",", "and", "&", "/"):
        return False
    before = segments[index - 1].phrases
    opens = segments[index].phrases and isinstance(segments[index].phrases[0], Frequency)
    return bool(opens and before and isinstance(before[-1], Frequency) and not segments[index - 1].tells)


def _paired(segment: Segment, each: Phrase) -> Frequency | None:
    """Frequency and count in turn: "312 Hz 2 nodes 540 Hz 3 nodes"."""
    kind = type(each)
    turn = [p for p in segment.phrases if isinstance(p, kind) or (isinstance(p, Frequency) and p.problem is None)]
    pairs = list(zip(turn[::2], turn[1::2], strict=False))
    if len(turn) % 2 or any(isinstance(a, Frequency) == isinstance(b, Frequency) for a, b in pairs):
        return None
    if len({isinstance(a, Frequency) for a, _ in pairs}) > 1:
        return None
    pair = next(pair for pair in pairs if each in pair)
    return next(part for part in pair if isinstance(part, Frequency))
