"""Times written as on a clock or a calendar, as seconds from the first."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime

import numpy as np

from reportgen.records.log import Floats

_CLOCK = re.compile(r"(?:(\d+):)?(\d{1,2}):(\d{1,2}(?:[.,]\d+)?)")
_DAYS_FIRST = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})[ T]+(.*)")
_DAY = 86_400.0


def seconds_of(words: Sequence[str]) -> Floats | None:
    """Seconds from the first time on, shape (n,), NaN where a word is no time; None where most words are none.

    Read are ``09:14:02.5``, ``14:02``, ``2026-03-12T09:14:02.5`` and ``12.03.2026 09:14:02``. A clock without a date
    that falls back by more than half a day has passed midnight.

    >>> seconds_of(["23:59:59", "00:00:01"]).tolist(), seconds_of(["OK", "OK"])
    ([0.0, 2.0], None)
    """
    read = [_seconds(word.strip()) for word in words]
    seconds = np.array([np.nan if each is None else each for each in read], dtype=np.float64)
    good = np.flatnonzero(np.isfinite(seconds))
    if len(good) * 2 < len(seconds) or not len(good):
        return None
    falls = np.diff(seconds[good]) < -_DAY / 2
    seconds[good[1:]] += _DAY * np.cumsum(falls)
    return np.asarray(seconds - seconds[good[0]])


def _seconds(word: str) -> float | None:
    clock = _CLOCK.fullmatch(word)
    if clock:
        hours, minutes, rest = clock.groups()
        return 3600.0 * int(hours or 0) + 60.0 * int(minutes) + float(rest.replace(",", "."))
    german = _DAYS_FIRST.fullmatch(word)
    if german:
        day, month, year, clock_text = german.groups()
        word = f"{year}-{int(month):02}-{int(day):02}T{clock_text}"
    try:
        moment = datetime.fromisoformat(word.replace(",", "."))
    except ValueError:
        return None
    return (moment.replace(tzinfo=None) - datetime(1970, 1, 1)).total_seconds()
