"""Where one sweep ends and the next begins: in the rows of a log, and in a demodulated record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise

import numpy as np

from reportgen.records.log import Floats

_REVERSAL_SHARE = 0.25
"""Of the whole range in octaves: a smaller way back is jitter, or a look at a resonance, and splits nothing."""

SMALLEST_RANGE_OCT = 0.1
"""A course that stays within this is a dwell."""

_RETURN_SHARE = 0.02
"""Of the rows of the longest stretch: a way back in fewer rows is a return to the start, not a sweep."""

AGAIN_SHARE = 0.1
"""Of the first part's octaves: what begins anew within this of its start is a sweep of its own, not a resumption."""


class Direction(StrEnum):
    """Which way a sweep runs."""

    UP = "up"
    DOWN = "down"
    HOLD = "hold"
    MIXED = "mixed"
    """Both ways, as an interrupted sweep or one there and back."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """Rows ``start`` up to ``stop`` of one sweep."""

    start: int
    stop: int
    first_hz: float
    last_hz: float

    @property
    def direction(self) -> Direction:
        """``UP``, ``DOWN`` or ``HOLD``."""
        if abs(np.log2(self.last_hz / self.first_hz)) < SMALLEST_RANGE_OCT:
            return Direction.HOLD
        return Direction.UP if self.last_hz > self.first_hz else Direction.DOWN


def stretches(frequency_hz: Floats, whole_oct: float | None = None) -> tuple[Stretch, ...]:
    """Sweeps of a log, in the order of its rows; one where the frequency never turns back for good.

    A turn counts where the frequency then goes back by a quarter of ``whole_oct``, octaves, or of the rows' own range;
    a return within a few rows belongs to no sweep. A sweep that was stopped and resumed is one, its return included.
    """
    n = len(frequency_hz)
    if n == 0:
        return ()
    octaves = np.log2(frequency_hz)
    own = float(octaves.max() - octaves.min())
    if n < 4 or own < SMALLEST_RANGE_OCT:
        return (_stretch(frequency_hz, 0, n),)
    turns = [0, *_turns(octaves, _REVERSAL_SHARE * (whole_oct or own)), n - 1]
    longest = max(after - before for before, after in pairwise(turns))
    shortest = max(2, int(_RETURN_SHARE * longest))
    found: list[Stretch] = []
    previous_was_sweep = False
    for before, after in pairwise(turns):
        is_sweep = after - before > shortest or after - before == longest
        if is_sweep:
            found.append(_stretch(frequency_hz, before + previous_was_sweep, after + 1))
        previous_was_sweep = is_sweep
    return joined(found)


def joined(found: Sequence[Stretch]) -> tuple[Stretch, ...]:
    """Stretches of which the second takes up the first on its way and goes on beyond its end made one."""
    whole: list[Stretch] = []
    for each in found:
        if whole and _takes_up(whole[-1], each):
            whole[-1] = replace(whole[-1], stop=each.stop, last_hz=each.last_hz)
        else:
            whole.append(each)
    return tuple(whole)


def _takes_up(first: Stretch, second: Stretch) -> bool:
    if first.direction != second.direction or first.direction is Direction.HOLD:
        return False
    way = float(np.log2(first.last_hz / first.first_hz))
    begins = float(np.log2(second.first_hz / first.first_hz)) / way
    ends = float(np.log2(second.last_hz / first.first_hz)) / way
    return AGAIN_SHARE < begins <= 1.0 + AGAIN_SHARE and (ends - 1.0) * abs(way) > SMALLEST_RANGE_OCT


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
