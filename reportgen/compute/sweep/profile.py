"""The required amplitude against frequency: segments, crossovers, jumps and tolerance limits.

Every segment is a power law in acceleration, a = a₀ (f/f₀)ⁿ: constant displacement has n = 2, constant velocity
n = 1, constant acceleration n = 0, and s dB per octave n = s / (20 lg 2).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from reportgen.errors import ComputeError
from reportgen.records.job import Breakpoint, Profile, ToleranceBand
from reportgen.records.log import Floats
from reportgen.records.message import message
from reportgen.units import acceleration_amplitude

DB_PER_OCTAVE = 20.0 * math.log10(2.0)
"""Slope of a ∝ f, 6.0206 dB/oct."""
SMALLEST_JUMP_DB = 0.1
"""A crossover printed to three digits misses the true one by up to 0.5 %, twice 12 dB/oct of which is 0.09 dB: what
is smaller is rounding and no jump."""
POWER = {"displacement": 2.0, "velocity": 1.0, "acceleration": 0.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """A stretch of a profile, a = level · (f / from_hz) ** power in m/s² peak."""

    from_hz: float
    to_hz: float
    level: float
    power: float

    def at(self, frequency_hz: Floats | float) -> Floats:
        """Acceleration, m/s² peak, same shape as the frequency."""
        return np.asarray(self.level * (np.asarray(frequency_hz, dtype=float) / self.from_hz) ** self.power)


def segments(profile: Profile) -> tuple[Segment, ...]:
    """Stretches of the profile in rising frequency.

    Raises ComputeError where frequencies fall or an amplitude is not positive.
    """
    if len(profile.breakpoints) < 2:
        raise ComputeError(message("profile.one-breakpoint", profile=profile.id))
    found: list[Segment] = []
    for low, high in pairwise(profile.breakpoints):
        if high.frequency_hz < low.frequency_hz:
            falls = message("profile.falls", profile=profile.id, breakpoint=high.text[0], before=low.text[0])
            raise ComputeError(falls)
        if not (low.amplitude > 0 and high.amplitude > 0 and low.frequency_hz > 0):
            raise ComputeError(message("profile.not-positive", profile=profile.id))
        if high.frequency_hz > low.frequency_hz:
            found += _between(low, high)
    return tuple(found)


def _between(low: Breakpoint, high: Breakpoint) -> list[Segment]:
    """One stretch, or two that meet at a crossover where the quantity changes on the way."""
    level = _acceleration(low)
    if low.slope_to_next_db_per_oct is not None:
        power = low.slope_to_next_db_per_oct / DB_PER_OCTAVE
        return [_segment(low.frequency_hz, high.frequency_hz, level, power)]
    if low.dimension != high.dimension:
        crossover = crossover_hz(low, high)
        if crossover is not None and low.frequency_hz < crossover < high.frequency_hz:
            first = _segment(low.frequency_hz, crossover, level, POWER[low.dimension])
            return [first, _segment(crossover, high.frequency_hz, float(first.at(crossover)), POWER[high.dimension])]
    octaves = math.log(high.frequency_hz / low.frequency_hz)
    return [
        _segment(low.frequency_hz, high.frequency_hz, level, math.log(_acceleration(high) / level) / octaves)
        if low.dimension != high.dimension or low.amplitude != high.amplitude
        else _segment(low.frequency_hz, high.frequency_hz, level, POWER[low.dimension])
    ]


def _segment(from_hz: float, to_hz: float, level: float, power: float) -> Segment:
    return Segment(from_hz=from_hz, to_hz=to_hz, level=level, power=power)


def _acceleration(point: Breakpoint) -> float:
    return acceleration_amplitude(point.amplitude, point.frequency_hz, point.dimension)


def crossover_hz(low: Breakpoint, high: Breakpoint) -> float | None:
    """Frequency at which the quantity of ``low`` held constant meets that of ``high``; None for equal quantities.

    2πf = (b/a)^(1/(m−n)) for amplitudes a, b of quantities with acceleration ∝ fⁿ and fᵐ; displacement and
    acceleration give f = √(a/d)/2π (closed form).
    """
    powers = POWER[low.dimension] - POWER[high.dimension]
    if powers == 0:
        return None
    return float((high.amplitude / low.amplitude) ** (1.0 / powers) / (2.0 * math.pi))


def profile_range(profile: Profile) -> tuple[float, float]:
    """Lowest and highest frequency, Hz."""
    return profile.breakpoints[0].frequency_hz, profile.breakpoints[-1].frequency_hz


def jumps(profile: Profile) -> tuple[float, ...]:
    """Frequencies, Hz, of steps in level larger than what rounding of a printed crossover explains."""
    found = []
    for left, right in pairwise(segments(profile)):
        step_db = 20.0 * math.log10(right.level / float(left.at(left.to_hz)))
        if abs(step_db) > SMALLEST_JUMP_DB:
            found.append(right.from_hz)
    return tuple(found)


def profile_level(profile: Profile, frequency_hz: Floats) -> Floats:
    """Required acceleration, m/s² peak, shape of ``frequency_hz``; NaN outside the profile and exactly at a jump.

    Between breakpoints of one quantity the profile is straight in log-log; between different quantities each stays
    constant up to their crossover. Raises ComputeError for a profile that cannot be.
    """
    frequency_hz = np.asarray(frequency_hz, dtype=float)
    level = np.full(frequency_hz.shape, np.nan)
    edge = 1e-9
    for segment in segments(profile):
        inside = (frequency_hz >= segment.from_hz * (1 - edge)) & (frequency_hz <= segment.to_hz * (1 + edge))
        level[inside] = segment.at(frequency_hz[inside])
    for jump_hz in jumps(profile):
        level[np.isclose(frequency_hz, jump_hz, rtol=edge, atol=0.0)] = np.nan
    return level


def tolerance_limits(
    bands: Sequence[ToleranceBand], required: Floats, frequency_hz: Floats
) -> tuple[Floats | None, Floats | None]:
    """Lower and upper limit, m/s² peak, shape of ``required``; NaN where no band holds, None where there is none.

    Where bands meet, the first named holds at the common frequency.
    """
    if not bands:
        return None, None
    lower, upper = np.full(required.shape, np.nan), np.full(required.shape, np.nan)
    for band in reversed(bands):
        inside = (frequency_hz >= band.from_hz) & (frequency_hz <= band.to_hz)
        lower[inside] = required[inside] * 10.0 ** (band.lower_db / 20.0)
        upper[inside] = required[inside] * 10.0 ** (band.upper_db / 20.0)
    return lower, upper
