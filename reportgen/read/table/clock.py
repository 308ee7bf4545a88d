"""Times written as on a clock or a calendar, as seconds from the first."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import numpy as np

from reportgen.records.log import Floats

_CLOCK = re.compile(
    r"(?:(?P<h>\d{1,6}):)?(?P<m>\d{1,2}):(?P<s>\d{1,2})(?:[.,:](?P<f>\d+))?\s*(?P<half>[ap]\.?\s?m\.?)?", re.IGNORECASE
)
_HOURS_AND_MINUTES = re.compile(r"(?P<h>\d{1,2}):(?P<m>\d{2})\s*(?P<half>[ap]\.?\s?m\.?)?", re.IGNORECASE)
"""After a date; without one ``14:02`` is minutes and seconds."""
_DATE = re.compile(
    r"(?P<a>\d{1,4})(?P<sign>[./-])(?P<b>\d{1,2}|[A-Za-zä]{3,9})(?P=sign)(?P<c>\d{1,4})(?:[T,;\s]+(?P<clock>.+))?"
)
_MONTHS = {
    name: number
    for number, names in enumerate(
        ("jan", "feb", "mar mär mrz", "apr", "may mai", "jun", "jul", "aug", "sep", "oct okt", "nov", "dec dez"), 1
    )
    for name in names.split()
}
_ZONE_APART = re.compile(r"(?<!\s)\s++(?:(?=[+\-−]\d{2}:?\d{2}$|Z$)|(?:UTC|GMT)$)")
"""A blank before the zone; where there is only one zone it does not matter which."""
_DAY = 86_400.0
_HALF_DAY = 43_200.0
_HOUR = 3600.0
_NEAR_S = 90.0
"""A clock of twelve hours that falls back by half a day has gone on by less than this."""
_STEPS = 10.0
"""Usual intervals by which a clock that was set by an hour may miss it."""


@dataclass(frozen=True, slots=True, eq=False)
class Clock:
    """Times of a column of words."""

    seconds: Floats
    """From the first time on, shape (n,); NaN where a word is no time."""
    set_by_an_hour: tuple[int, ...] = ()
    """Rows at which the clock was set forward or back by an hour, as in spring and autumn; taken out."""


def read_clock(words: Sequence[str]) -> Clock | None:
    """Times of a column of words; None where most words are none.

    Read are ``09:14:02.5``, ``14:02``, ``9:14:02 PM``, ``2026-03-12T09:14:02.5+01:00``, ``12.03.2026 09:14:02``,
    ``3/12/2026 9:14:02 AM`` and ``12-Mar-2026 09:14:02``. A clock without a date that falls back by more than half a
    day has passed midnight; one that leaps by an hour was set.

    >>> read_clock(["23:59:59", "00:00:01"]).seconds.tolist(), read_clock(["OK", "OK"])
    ([0.0, 2.0], None)
    >>> read_clock(["3/12/2026 11:59:59 PM", "3/13/2026 12:00:01 AM"]).seconds.tolist()
    [0.0, 2.0]
    """
    day_first = _day_first(words)
    read = [_seconds(_ZONE_APART.sub("", word.strip()), day_first) for word in words]
    seconds = np.array([np.nan if each is None else each for each in read], dtype=np.float64)
    good = np.flatnonzero(np.isfinite(seconds))
    if len(good) * 2 < len(seconds) or not len(good):
        return None
    own, rows = _without_hours(_past_midnight(seconds[good]))
    seconds[good] = own - own[0]
    if not any(word.count(":") > 1 for word in words):
        rows = []  # minutes and seconds alone begin anew at every full hour
    return Clock(seconds, tuple(int(good[row]) for row in rows))


def _past_midnight(seconds: Floats) -> Floats:
    step = np.diff(seconds)
    days = np.cumsum(_DAY * (step < -_HALF_DAY))
    halves = np.cumsum(_HALF_DAY * ((step >= -_HALF_DAY) & (step < -_HALF_DAY + _NEAR_S)))
    return np.asarray(seconds + np.concatenate([[0.0], days + halves]))


def _without_hours(seconds: Floats) -> tuple[Floats, list[int]]:
    """Leaps of an hour from full hour to full hour taken out, and the rows below them."""
    step = np.diff(seconds)
    onward = step[np.abs(step) < _HOUR / 2]
    usual = float(np.median(onward)) if len(onward) else 0.0
    near = max(_STEPS * abs(usual), 2.0)
    back = np.flatnonzero(np.abs(step + _HOUR - usual) < near)
    to_full_hour = (-seconds[:-1]) % _HOUR
    forward = np.flatnonzero((np.abs(step - _HOUR - usual) < near) & (to_full_hour <= near))
    mended = seconds.copy()
    for row in (*back, *forward):
        mended[row + 1 :] += _HOUR if step[row] < 0 else -_HOUR
    return mended, sorted(int(row) + 1 for row in (*back, *forward))


def _seconds(word: str, day_first: bool) -> float | None:
    parts = _DATE.fullmatch(word)
    if parts is None:
        return _time_of_day(word)
    zoned = _iso(word)
    if zoned is not None:
        return zoned
    day = _day(parts, day_first)
    clock = 0.0 if parts["clock"] is None else _time_of_day(parts["clock"], dated=True)
    return None if day is None or clock is None else (day - date(1970, 1, 1)).days * _DAY + clock


def _time_of_day(word: str, *, dated: bool = False) -> float | None:
    clock = (_HOURS_AND_MINUTES.fullmatch(word) if dated else None) or _CLOCK.fullmatch(word.strip())
    if clock is None:
        return None
    parts = clock.groupdict()
    hours = int(parts["h"] or 0)
    if parts["half"]:
        hours = hours % 12 + (12 if parts["half"][0] in "pP" else 0)
    fraction = float(f"0.{parts['f']}") if parts.get("f") else 0.0
    return _HOUR * hours + 60.0 * int(parts["m"]) + float(parts.get("s") or 0) + fraction


def _iso(word: str) -> float | None:
    """A moment in the form of ISO 8601, with its zone where it has one."""
    try:
        moment = datetime.fromisoformat(word.replace(",", "."))
    except ValueError:
        return None
    whole = moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment
    return (whole - datetime(1970, 1, 1, tzinfo=UTC)) / timedelta(seconds=1)


def _day(parts: re.Match[str], day_first: bool) -> date | None:
    a, b, c = parts["a"], parts["b"], parts["c"]
    month = _MONTHS.get(b[:3].casefold()) if not b.isdigit() else int(b)
    if month is None:
        return None
    if len(a) == 4:
        year, first, second = int(a), month, int(c)
    elif day_first or not b.isdigit() or parts["sign"] == ".":
        year, first, second = int(c), month, int(a)
    else:
        year, first, second = int(c), int(a), month
    try:
        return date(year + 2000 if year < 100 else year, first, second)
    except ValueError:
        return None


def _day_first(words: Iterable[str]) -> bool:
    """Whether dates with strokes begin with the day: where one begins with more than 12, or its first part goes on.

    An English date with AM or PM begins with the month, unless it says otherwise.
    """
    dates = [found for found in (_DATE.fullmatch(word.strip()) for word in words) if found and found["b"].isdigit()]
    firsts, seconds = {int(each["a"]) for each in dates}, {int(each["b"]) for each in dates}
    if any(each > 12 for each in firsts) or any(each > 12 for each in seconds):
        return any(each > 12 for each in firsts)
    return len(firsts) > 1 and len(seconds) == 1
