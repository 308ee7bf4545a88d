"""Date and time of a note."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import date, datetime, time
from typing import TypeVar

from reportgen.read.notes.note_segments import Reading
from reportgen.read.notes.note_words import Phrase, Word
from reportgen.records.message import message

_T = TypeVar("_T")


def read_time(words: Iterable[Phrase], reading: Reading) -> tuple[datetime | time | None, date | None]:
    """The first date and time of day of a line: together, or a time alone, or a date alone."""
    stamps = {kind: _first(words, kind) for kind in ("DATE_TIME", "DATE", "TIME")}
    if stamps["DATE_TIME"]:
        text = stamps["DATE_TIME"].text
        return _refused(_date_time(text[:10], text[10:].lstrip("tT ")), text, reading), None
    clock = _clock(stamps["TIME"].text) if stamps["TIME"] else None
    if stamps["TIME"] and clock is None:
        _refused(None, stamps["TIME"].text, reading)
    if not stamps["DATE"]:
        return clock, None
    day = _refused(_day(stamps["DATE"].text), stamps["DATE"].text, reading)
    if day is not None and clock is not None:
        return datetime.combine(day, clock), None
    return clock, day


def _first(words: Iterable[Phrase], kind: str) -> Word | None:
    return next((each for each in words if isinstance(each, Word) and each.kind == kind), None)


def _refused(value: _T | None, text: str, reading: Reading) -> _T | None:
    if value is None:
        reading.refuse(text, message("note.not-a-time"), message("note.write-time"))
    return value


def _date_time(day: str, clock: str) -> datetime | None:
    on, at = _day(day), _clock(clock)
    return datetime.combine(on, at) if on and at else None


def _day(text: str) -> date | None:
    """ISO date, ``12.3.2026``, or ``25/03/2026`` where only one order of day and month is possible."""
    try:
        if re.fullmatch(r"\d{4}-\d\d-\d\d", text):
            return date.fromisoformat(text)
        first, second, year = (int(part) for part in re.split(r"[./]", text))
        year += 2000 if year < 100 else 0
        if "/" in text and first <= 12 and second <= 12 and first != second:
            return None
        return date(year, first, second) if "/" in text and second > 12 else date(year, second, first)
    except (ValueError, OverflowError):  # no such day; a year of many digits
        return None


def _clock(text: str) -> time | None:
    text = re.sub(r"^(\d?\d)\s*[^\W\d]{3,}\s*(\d\d)?$", lambda told: f"{told[1]}:{told[2] or '00'}", text.strip())
    match = re.match(r"(\d?\d)[:.h](\d\d)(?:[:.](\d\d)(\.\d+)?)?\s*(?:([ap])\.?m)?", text.strip().lower())
    if not match:
        return None
    hour, minute, second = int(match[1]), int(match[2]), int(match[3] or 0)
    if match[5]:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if match[5] == "p" else 0)
    if hour > 23 or minute > 59 or second > 59:
        return None
    return time(hour, minute, second, min(round(float(match[4] or 0) * 1e6), 999_999))
