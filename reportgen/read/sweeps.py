"""Where one sweep ends and the next begins, in a log that may hold several."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reportgen.records.log import Floats

_REVERSAL_SHARE = 0.25
"""Of the log's whole range in octaves: a smaller way back is jitter, or a look at a resonance, and splits nothing."""

_SMALLEST_RANGE_OCT = 0.1
"""A log that stays within this is a dwell."""

_RETURN_SHARE = 0.02
"""Of the rows of the longest stretch: a way back in fewer rows is a return to the start, not a sweep."""

_LEAP_OCT = 0.5
_LEAP_STEPS = 4.0
"""A single row is a leap where it lies this far off, in octaves and in steps of the log itself."""

_NEIGHBOURS_OCT = 0.15


@dataclass(frozen=True, slots=True)
class Stretch:
    """Rows ``start`` up to ``stop`` of one sweep."""

    start: int
    stop: int
    first_hz: float
    last_hz: float

    @property
    def direction(self) -> str:
        """``up``, ``down`` or ``hold``."""
        if abs(np.log2(self.last_hz / self.first_hz)) < _SMALLEST_RANGE_OCT:
            return "hold"
        return "up" if self.last_hz > self.first_hz else "down"


def leaps(frequency_hz: Floats) -> NDArray[np.int64]:
    """Rows whose frequency leaps away from both neighbours, which agree with each other."""
    if len(frequency_hz) < 3:
        return np.empty(0, dtype=np.int64)
    octaves = np.log2(frequency_hz)
    before, here, after = octaves[:-2], octaves[1:-1], octaves[2:]
    step = float(np.median(np.abs(np.diff(octaves))))
    away = np.minimum(np.abs(here - before), np.abs(here - after)) > max(_LEAP_OCT, _LEAP_STEPS * step)
    return np.flatnonzero(away & (np.abs(after - before) < max(_NEIGHBOURS_OCT, 3.0 * step))) + 1


def stretches(frequency_hz: Floats) -> tuple[Stretch, ...]:
    """Sweeps of a log, in the order of its rows; one where the frequency never turns back for good.

    A turn counts where the frequency then goes back by a quarter of the log's range in octaves; a return within a few
    rows belongs to no sweep.
    """
    n = len(frequency_hz)
    if n == 0:
        return ()
    octaves = np.log2(frequency_hz)
    whole = float(octaves.max() - octaves.min())
    if n < 4 or whole < _SMALLEST_RANGE_OCT:
        return (_stretch(frequency_hz, 0, n),)
    turns = [0, *_turns(octaves, _REVERSAL_SHARE * whole), n - 1]
    longest = max(after - before for before, after in itertools.pairwise(turns))
    shortest = max(2, int(_RETURN_SHARE * longest))
    found: list[Stretch] = []
    previous_was_sweep = False
    for before, after in itertools.pairwise(turns):
        is_sweep = after - before > shortest or after - before == longest
        if is_sweep:
            found.append(_stretch(frequency_hz, before + previous_was_sweep, after + 1))
        previous_was_sweep = is_sweep
    return tuple(found)


def _stretch(frequency_hz: Floats, start: int, stop: int) -> Stretch:
    return Stretch(start, stop, float(frequency_hz[start]), float(frequency_hz[stop - 1]))


def _turns(octaves: Floats, threshold: float) -> list[int]:
    """Rows where the course turns and then goes back by more than ``threshold``."""
    steps = np.sign(np.diff(octaves))
    moving = np.flatnonzero(steps)
    corners = moving[1:][steps[moving[1:]] != steps[moving[:-1]]]
    turns: list[int] = []
    low = high = 0
    rising: bool | None = None
    for at in (*corners.tolist(), len(octaves) - 1):
        value = octaves[at]
        high = at if value > octaves[high] else high
        low = at if value < octaves[low] else low
        if rising is not False and octaves[high] - value > threshold:
            if rising or high > 0:
                turns.append(high)
            rising, low = False, at
            high = at
        elif rising is not True and value - octaves[low] > threshold:
            if rising is False or low > 0:
                turns.append(low)
            rising, high = True, at
            low = at
    return turns
