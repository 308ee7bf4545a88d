"""Levels of the drive that were changed by hand."""

from __future__ import annotations

import re

from reportgen.read.notes.note_segments import Reading, Segment, drive_of
from reportgen.read.notes.note_vocabulary import vocabulary
from reportgen.read.notes.note_words import Frequency, Level, NodePlaces, Word
from reportgen.records.message import Message, message
from reportgen.records.note import LevelChanged

_MAY_BE_THE_DRIVE = {"control", "regelung", "regler"}
"""Of the words of responses those whose level is that of the drive."""
_CHANNEL = re.compile(r"[A-Za-z]{1,3}\d{1,2}")
_WRITE_LEVEL = message("note.write-level")


def read_level(segments: list[Segment], reading: Reading) -> None:
    """Changes by decibels and levels in acceleration; a bare figure without the word level is taken with care."""
    for index, segment in enumerate(segments):
        levels = segment.of(Level)
        valued = [each for each in levels if each.by_db is not None or each.to_mps2 is not None or each.problem]
        called = any(each.named for each in levels)
        told = [each for each in valued if called or each.named or each.by_db is not None]
        for each in told:
            why = each.problem or segment.doubt or _level_of_another(segment, each, called)
            why = why or (message("note.several-levels") if len(told) > 1 else None)
            if why:
                reading.refuse(each.text, why, _WRITE_LEVEL)
            else:
                reading.facts.append(_level_fact(each, drive_of(segments, index, each)))
        if called and not valued and segment.of(NodePlaces):
            reading.refuse(segment.of(NodePlaces)[0].text, message("note.displacement-level"), _WRITE_LEVEL)


def _level_of_another(segment: Segment, level: Level, called: bool) -> Message | None:
    """Whether it is the level of a response, of noise or of a channel, rather than that of the drive."""
    words = [each for each in segment.phrases if isinstance(each, Word)]
    responses = vocabulary().words["responses"]
    before = segment.phrases[: segment.phrases.index(level)]
    last = before[-1].text.lower() if before else ""
    others = [each.text for each in words if each.text.lower() in responses or _CHANNEL.fullmatch(each.text)]
    if last in responses - _MAY_BE_THE_DRIVE or (others and not (called and level.named)):
        return message("note.other-level")
    return None


def _level_fact(level: Level, drive: Frequency | Message) -> LevelChanged:
    frequency_hz = drive.hz if isinstance(drive, Frequency) else None
    return LevelChanged(by_db=level.by_db, to_mps2=level.to_mps2, frequency_hz=frequency_hz)
