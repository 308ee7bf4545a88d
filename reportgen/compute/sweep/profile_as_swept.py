"""The profile that a control followed: straight lines between corners, read off a log of which no profile is known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from reportgen.records.log import Floats

PER_OCTAVE = 24
"""Points on which the level is looked at: medians of the rows around each, which leave out single strays."""
STRAY_DB = 1.2
"""A control within ±15 % of its profile (IEC 60068-2-6, from memory: the tolerance at the reference point) strays by so
much; what is farther off a line is a corner."""
SAME_DB = 0.6
"""Half of it over a whole stretch: nearer than this to a constant motion, the stretch is one."""
MOST_CORNERS = 12
"""A profile of test specifications has fewer; with more, the control followed something else."""
SLOPES = {"displacement": 2, "velocity": 1, "acceleration": 0}
"""Power of frequency with which the acceleration rises at a constant motion."""


@dataclass(frozen=True, slots=True)
class Corner:
    """One breakpoint: a frequency and the peak amplitude there, SI of its dimension."""

    frequency_hz: float
    amplitude: float
    dimension: str


@dataclass(frozen=True, slots=True)
class _Stretch:
    """A straight piece: octaves of both ends, its levels there in dB of m/s², and the constant motion, if it is one."""

    from_oct: float
    to_oct: float
    from_db: float
    to_db: float
    dimension: str | None
    constant_db: float = 0.0
    """Level in dB of SI of the dimension, where it is a constant motion."""


def profile_as_swept(frequency_hz: Floats, level: Floats) -> tuple[Corner, ...]:
    """Corners of the profile that a control level followed, in rising frequency; none where it followed no such lines.

    ``frequency_hz`` and ``level`` (m/s² peak) have shape (n,). A level that was turned by hand shows as corners, too.
    """
    good = np.isfinite(level) & (level > 0) & (frequency_hz > 0)
    if np.sum(good) < PER_OCTAVE:
        return ()
    x = np.log2(frequency_hz[good])
    y = 20.0 * np.log10(level[good])
    places, heights = _medians(x, y)
    if len(places) < 3:
        return ()
    kept = _corners(places, heights, 0, len(places) - 1)
    if len(kept) > MOST_CORNERS:
        return ()
    stretches = [_stretch(places[a : b + 1], heights[a : b + 1]) for a, b in pairwise(kept)]
    return _breakpoints(_joined(stretches))


def _medians(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Median level on each place that has rows; the ends are those of the rows. Both shape (m,)."""
    bins = np.round((x - x.min()) * PER_OCTAVE).astype(np.int64)
    order = np.argsort(bins, kind="stable")
    cuts = np.flatnonzero(np.diff(bins[order])) + 1
    groups = np.split(order, cuts)
    places = np.array([np.median(x[each]) for each in groups])
    places[0], places[-1] = x.min(), x.max()
    return places, np.array([np.median(y[each]) for each in groups])


def _corners(x: Floats, y: Floats, first: int, last: int) -> list[int]:
    """Places of corners by halving: the point farthest from the straight line, while one is too far."""
    off = np.abs(y[first : last + 1] - np.interp(x[first : last + 1], x[[first, last]], y[[first, last]]))
    worst = first + int(np.argmax(off))
    if off.max() <= STRAY_DB or last - first < 2:
        return [first, last]
    return [*_corners(x, y, first, worst)[:-1], *_corners(x, y, worst, last)]


def _stretch(x: Floats, y: Floats) -> _Stretch:
    """The line through a stretch, and whether it is a constant displacement, velocity or acceleration."""
    slope, offset = np.polyfit(x - x[0], y, 1) if len(x) > 2 else ((y[-1] - y[0]) / (x[-1] - x[0]), y[0])
    width = float(x[-1] - x[0])
    ends = float(offset), float(offset + slope * width)
    for dimension, power in SLOPES.items():
        if abs(slope - power * _DB_PER_OCTAVE) * width <= SAME_DB and width > _NARROW_OCT:
            constant = float(np.median(y - power * (_DB_PER_OCTAVE * x + _DB_OF_TWO_PI)))
            return _Stretch(float(x[0]), float(x[-1]), *ends, dimension, constant)
    return _Stretch(float(x[0]), float(x[-1]), *ends, None)


_DB_PER_OCTAVE = 20.0 * math.log10(2.0)
_DB_OF_TWO_PI = 20.0 * math.log10(2.0 * math.pi)
_NARROW_OCT = 3.0 / PER_OCTAVE
"""Three points: on fewer any slope can be seen."""


def _joined(stretches: Sequence[_Stretch]) -> list[_Stretch]:
    """Neighbours of one constant motion as one stretch, and narrow ones between two constant motions left out."""
    found: list[_Stretch] = []
    for number, each in enumerate(stretches):
        narrow = each.to_oct - each.from_oct <= _NARROW_OCT and each.dimension is None
        inner = 0 < number < len(stretches) - 1
        before = found[-1] if found else None
        if narrow and inner and before is not None and before.dimension is not None:
            continue
        if (
            before is not None
            and before.dimension is not None
            and before.dimension == each.dimension
            and abs(before.constant_db - each.constant_db) <= STRAY_DB
        ):
            widths = before.to_oct - before.from_oct, each.to_oct - each.from_oct
            level = (before.constant_db * widths[0] + each.constant_db * widths[1]) / sum(widths)
            found[-1] = _Stretch(before.from_oct, each.to_oct, before.from_db, each.to_db, each.dimension, level)
        else:
            found.append(each)
    return found


def _breakpoints(stretches: Sequence[_Stretch]) -> tuple[Corner, ...]:
    """Both ends of each stretch; where two constant motions meet, at the frequency at which they are one."""
    cuts = [stretches[0].from_oct, *(_cut(a, b) for a, b in pairwise(stretches)), stretches[-1].to_oct]
    corners: list[Corner] = []
    beside = [None, *stretches, None]
    for number, (each, (low, high)) in enumerate(zip(stretches, pairwise(cuts), strict=True)):
        before, after = beside[number], beside[number + 2]
        for place, level, other in ((low, each.from_db, before), (high, each.to_db, after)):
            corner = _corner(each, place, _meeting(level, other, place))
            if not corners or corner != corners[-1]:
                corners.append(corner)
    return tuple(corners)


def _meeting(level_db: float, other: _Stretch | None, place: float) -> float:
    """Level of the end of a slope: that of the constant motion beside it, where they meet."""
    if other is None or other.dimension is None:
        return level_db
    met = other.constant_db + SLOPES[other.dimension] * (_DB_PER_OCTAVE * place + _DB_OF_TWO_PI)
    return met if abs(met - level_db) <= STRAY_DB else level_db


def _cut(before: _Stretch, after: _Stretch) -> float:
    """Octave at which two stretches meet."""
    middle = 0.5 * (before.to_oct + after.from_oct)
    if before.dimension is None or after.dimension is None or before.dimension == after.dimension:
        return middle
    powers = SLOPES[before.dimension] - SLOPES[after.dimension]
    place = ((after.constant_db - before.constant_db) / powers - _DB_OF_TWO_PI) / _DB_PER_OCTAVE
    return place if before.from_oct < place < after.to_oct else middle


def _corner(stretch: _Stretch, place: float, level_db: float) -> Corner:
    if stretch.dimension is None:
        return Corner(2.0**place, 10.0 ** (level_db / 20.0), "acceleration")
    return Corner(2.0**place, 10.0 ** (stretch.constant_db / 20.0), stretch.dimension)
