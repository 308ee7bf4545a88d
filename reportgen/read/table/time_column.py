"""Seconds from the numbers of a time column: what they count, and clocks that are coarser than the rows."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from reportgen.records.log import Floats


class Epoch(StrEnum):
    """What numbers of a time column without a unit count."""

    SECONDS = "seconds since 1970"
    MILLISECONDS = "milliseconds since 1970"
    MICROSECONDS = "microseconds since 1970"
    NANOSECONDS = "nanoseconds since 1970"
    DAYS = "days since 1899-12-30"


_EPOCHS = (
    (1e8, 1e10, 1.0, Epoch.SECONDS),
    (1e11, 1e13, 1e-3, Epoch.MILLISECONDS),
    (1e14, 1e16, 1e-6, Epoch.MICROSECONDS),
    (1e17, 1e19, 1e-9, Epoch.NANOSECONDS),
)
"""From, to, seconds for a 1: the years 1973 to 2286; no run lasts 3 years, so these numbers count from an epoch."""
_SERIAL_DAYS = (20_000.0, 80_000.0)
"""Days since the end of 1899, as spreadsheets count: the years 1954 to 2119."""
_LONGEST_SWEEP_DAYS = 2.0
_DAY = 86_400.0
_ROWS_A_DAY = 8640.0
"""Rows of a log are less than 10 s apart, so serial days grow by less than 1/8640 from row to row."""
_SHARED = 0.2
"""Share of rows with the time of the row above, from which the clock is coarser than the rows."""
_WITHIN = 0.6
"""Of the clock's step: how far evenly spaced rows may lie from the stamps that were cut from them."""
_FEWEST_STAMPS = 20
"""Of a coarse clock: with fewer, the rate of the sweep is known worse than to one in twenty."""


def counted_in(values: Floats) -> tuple[float, Epoch] | None:
    """Seconds for a stored 1 of times without a unit, and what they count; None where they may be any time.

    >>> counted_in(np.array([1773306842.0, 1773306842.5])), counted_in(np.array([0.0, 0.5]))
    ((1.0, <Epoch.SECONDS: 'seconds since 1970'>), None)
    >>> counted_in(46093.3846 + np.arange(5) / 172800.0)
    (86400.0, <Epoch.DAYS: 'days since 1899-12-30'>)
    """
    known = values[np.isfinite(values)]
    if not len(known):
        return None
    low, high = float(known.min()), float(known.max())
    for start, stop, factor, name in _EPOCHS:
        if start <= low and high < stop:
            return factor, name
    steps = np.abs(np.diff(known))
    slow = len(steps) > 0 and float(np.median(steps)) < 1.0 / _ROWS_A_DAY and high - low < _LONGEST_SWEEP_DAYS
    if _SERIAL_DAYS[0] <= low and high < _SERIAL_DAYS[1] and slow and high - low < len(known) / _ROWS_A_DAY:
        return _DAY, Epoch.DAYS
    return None


@dataclass(frozen=True, slots=True, eq=False)
class Spread:
    """Times of rows between the stamps of a coarse clock."""

    time_s: Floats
    step_s: float
    """Of the clock."""
    known: bool
    """Whether there are stamps enough; else the times are worth nothing."""
    evenly: bool
    """Whether evenly spaced rows explain every stamp; else rows are spread between the stamps they share."""


def spread(time_s: Floats) -> Spread | None:
    """Times of rows that share the stamps of a clock coarser than they are; None where the clock is fine enough.

    Stamps are cut or rounded, so every time is late or early by the same half step on the average, which no result
    depends on.

    >>> np.round(np.diff(spread(np.floor(np.arange(800) * 0.25)).time_s[:5]), 3)
    array([0.25, 0.25, 0.25, 0.25])
    """
    stamps, first = np.unique(time_s, return_index=True)
    step = np.diff(time_s)
    if len(stamps) < 2 or (step < 0).any() or np.mean(step == 0) < _SHARED:
        return None
    clock = float(np.median(np.diff(stamps)))
    if len(stamps) < _FEWEST_STAMPS:
        return Spread(time_s, clock, known=False, evenly=False)
    rows = np.arange(len(time_s), dtype=np.float64)
    slope, start = np.polyfit(rows, time_s, 1)
    even = start + slope * rows
    if float(np.max(np.abs(even - time_s))) <= _WITHIN * clock:
        return Spread(np.asarray(np.round(even, 9)), clock, known=True, evenly=True)
    last = np.append(first[1:], len(rows)) - 1
    middle = 0.5 * (first + last)[1:-1]  # the first and the last stamp may have been cut short
    inner = np.interp(rows, middle, stamps[1:-1])
    return Spread(np.asarray(_beyond(rows, middle, stamps[1:-1], inner)), clock, known=True, evenly=False)


def _beyond(rows: Floats, middle: Floats, stamps: Floats, inner: Floats) -> Floats:
    """The first and the last rows, which lie beyond the middles, at the pace of those beside them."""
    pace = [(stamps[k + 1] - stamps[k]) / (middle[k + 1] - middle[k]) for k in (0, len(stamps) - 2)]
    before, after = rows < middle[0], rows > middle[-1]
    inner[before] = stamps[0] + pace[0] * (rows[before] - middle[0])
    inner[after] = stamps[-1] + pace[1] * (rows[after] - middle[-1])
    return inner


@dataclass(frozen=True, slots=True, eq=False)
class Joined:
    """Times of a clock that started anew, piece after piece."""

    time_s: Floats
    starts: tuple[int, ...]
    """First row of each further piece."""


_MOST_PIECES = 4
_FEWEST_ROWS_OF_A_PIECE = 3


def joined(time_s: Floats) -> Joined | None:
    """Pieces of a clock that starts anew put one after another, a usual interval apart; None where it is no such clock.

    How long the pause was is not known. Every piece runs forward by itself and has three rows at least.

    >>> joined(np.array([0.0, 0.5, 1.0, 0.0, 0.5, 1.0])).time_s
    array([0. , 0.5, 1. , 1.5, 2. , 2.5])
    """
    starts = np.flatnonzero(np.diff(time_s) < 0) + 1
    bounds = [0, *starts.tolist(), len(time_s)]
    if not len(starts) or len(starts) >= _MOST_PIECES or min(np.diff(bounds)) < _FEWEST_ROWS_OF_A_PIECE:
        return None
    usual = float(np.median(np.diff(time_s)))
    if not usual > 0:
        return None
    whole = time_s.copy()
    for row in starts:
        whole[row:] += whole[row - 1] + usual - whole[row]
    return Joined(np.asarray(np.round(whole, 9)), tuple(int(row) for row in starts))
