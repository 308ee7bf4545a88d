"""Strobe rates, and the slow motion seen under them."""

from __future__ import annotations

from reportgen.read.notes.note_segments import Reading, Segment, drive_of
from reportgen.read.notes.note_words import Frequency, Level, Slow, Strobe, Word
from reportgen.records.message import Message, message
from reportgen.records.note import StrobeSeen


def read_strobe(segments: list[Segment], reading: Reading) -> None:
    """Strobe rates with the slow motion and the drive frequency that stand on the line, in their order."""
    flashes: list[tuple[Strobe, int]] = []
    slows: list[tuple[Slow, int]] = []
    for index, segment in enumerate(segments):
        for each in segment.phrases:
            if isinstance(each, Strobe) and each.flash:
                why = segment.doubt or each.flash.problem or _relative(segment, each)
                if why:
                    reading.refuse(each.text, why, message("note.write-strobe"))
                else:
                    flashes.append((each, index))
            elif isinstance(each, Slow) and each.apparent:
                if segment.doubt:
                    reading.refuse(each.text, segment.doubt, message("note.write-apparent"))
                else:
                    slows.append((each, index))
    for number, (strobe, index) in enumerate(flashes):
        _tell_strobe(strobe, slows[number][0] if number < len(slows) else None, segments, index, reading)
    for slow, _ in slows[len(flashes) :]:
        reading.refuse(slow.text, message("note.no-strobe-rate"), message("note.write-strobe-and-apparent"))


_RELATIONS = frozenset({
    "below", "above", "higher", "lower", "off", "less", "more", "faster", "slower", "away", "under", "over",
})  # fmt: skip
"""Words behind a frequency that make it a difference from another one."""


def _relative(segment: Segment, strobe: Strobe) -> Message | None:
    """Why "strobe 5 Hz below the drive" is no strobe rate."""
    after = segment.phrases[segment.phrases.index(strobe) + 1 :]
    said = after[0].key.split()[:1] if after and isinstance(after[0], Level | Word) else []
    if said and said[0] in _RELATIONS:
        return message("note.strobe-difference")
    return None


def _tell_strobe(strobe: Strobe, slow: Slow | None, segments: list[Segment], index: int, reading: Reading) -> None:
    assert strobe.flash is not None
    drive: Frequency | Message | None = strobe.drive or (slow.drive if slow else None)
    drive = drive or drive_of(segments, index, strobe)
    apparent = strobe.apparent or (slow.apparent if slow else None)
    reading.facts.append(
        StrobeSeen(
            flash_hz=strobe.flash.hz,
            drive_hz=drive.hz if isinstance(drive, Frequency) else None,
            apparent_hz=apparent.hz if apparent else None,
        )
    )
