"""What a recorded curve shows by itself: peaks that nobody has named."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from reportgen.records.log import Floats
from reportgen.records.result import ChannelResult, IssueKind, Resonance, RunResult

SMALLEST_PEAK = 2.0
"""Twice the input: what DO-160 and type approval rules of ships call a resonance at all (from memory: verify)."""
PROMINENCE = 2.0
"""A peak stands out by 6 dB from what surrounds it on both sides."""
_OF_ITSELF = (IssueKind.LOOSE_SENSOR, IssueKind.DEAD_CHANNEL)
"""Faults of a sensor under which its readings are not those of the place that it is on."""
_HALF_POWER = 2.0**0.5
"""Ratio of amplitudes at half the power: less is the scatter of the first readings."""
NEAR = 0.1
"""A resonance explains peaks within 10 % of its frequency,"""
NEAR_LOBES = 0.5
"""and lower peaks, such as the beats after a fast passage, up to half its frequency away."""


def unexplained_peaks(
    channel: ChannelResult, *, below_hz: float = np.inf, in_band: Callable[[float], bool] = lambda _: True
) -> list[tuple[float, float]]:
    """(frequency Hz, magnitude) of peaks of the recorded |response/control| that nothing explains.

    As the audit of the identification lists them; where a channel was not audited, of its curve. A rejected
    resonance explains its peak: the engineer has looked.
    """
    if channel.peaks is not None:
        listed = [(each.frequency_hz, each.magnitude or 0.0) for each in channel.unexplained]
    else:
        listed = _of_curve(channel, channel.resonances)
    return [(f, height) for f, height in listed if f < below_hz and in_band(f)]


def unexplained_on_lost(
    channel: ChannelResult, run: RunResult, *, below_hz: float = np.inf, in_band: Callable[[float], bool]
) -> list[tuple[float, float]]:
    """The same of a channel that carries no evidence, whose readings the identification looked at in part, or not.

    Besides its audit, its curve counts, on which resonances of every channel of the run explain a peak: a sensor that
    clips or has a wrong unit shows a peak all the same. One that is loose or dead shows what it does itself.
    """
    found = unexplained_peaks(channel, below_hz=below_hz, in_band=in_band)
    if any(each.spoils and each.channel == channel.id and each.kind in _OF_ITSELF for each in run.quality):
        return found
    every = [each for other in run.channels for each in other.resonances]
    more = [(f, height) for f, height in _of_curve(channel, every) if f < below_hz and in_band(f)]
    return sorted({*found, *more})


def starts_within_a_peak(channel: ChannelResult) -> tuple[float, float] | None:
    """(frequency Hz, magnitude) of the lowest row read, where a ratio falls from there as beyond a resonance below.

    A specimen that rests on its table follows it far below its first resonance: there the ratio is one. Twice that, and
    falling by 6 dB before it rises by half of its power, is the upper side of a peak whose top was not swept.
    """
    order = np.argsort(channel.frequency_hz, kind="stable")
    magnitude = channel.magnitude[order]
    read = np.flatnonzero(np.isfinite(magnitude))
    if not channel.pure_ratio or not len(read):
        return None
    own = magnitude[read]
    higher = np.flatnonzero(own > _HALF_POWER * own[0])
    before = own[: int(higher[0])] if len(higher) else own
    if own[0] < SMALLEST_PEAK or before.min() > own[0] / PROMINENCE:
        return None
    return float(channel.frequency_hz[order][read[0]]), float(own[0])


def highest_beside(
    channel: ChannelResult, resonances: Sequence[Resonance], in_band: Callable[[float], bool]
) -> tuple[float, float] | None:
    """(frequency Hz, magnitude) of the highest reading in the band that no resonance is near; None without one."""
    f = channel.frequency_hz
    beside = np.isfinite(channel.magnitude) & np.array([in_band(each) for each in f], dtype=bool)
    for each in resonances:
        beside &= np.abs(f / each.frequency_hz - 1.0) > NEAR
    if not beside.any():
        return None
    row = int(np.argmax(np.where(beside, channel.magnitude, -np.inf)))
    return float(f[row]), float(channel.magnitude[row])


def _of_curve(channel: ChannelResult, resonances: Sequence[Resonance]) -> list[tuple[float, float]]:
    """Of a curve that was not audited."""
    floor = _floor(channel)
    if floor is None:
        return []
    order = np.argsort(channel.frequency_hz, kind="stable")
    f, magnitude = channel.frequency_hz[order], channel.magnitude[order]
    known = np.isfinite(magnitude) & channel.used[order]
    tops = [(float(f[known][row]), float(magnitude[known][row])) for row in peaks(magnitude[known], floor)]
    return [(place, height) for place, height in tops if not _explained(resonances, place, height)]


def _floor(channel: ChannelResult) -> float | None:
    """Height below which a maximum is no peak; None where the curve has no reading.

    Twice the input for a ratio of motions; what has a unit has no such height, so there it is the noise or, where that
    is not known, the middle of the curve.
    """
    noise = 3.0 * (channel.noise_floor or 0.0)
    if channel.pure_ratio:
        return max(SMALLEST_PEAK, noise)
    read = channel.magnitude[np.isfinite(channel.magnitude) & (channel.magnitude > 0.0) & channel.used]
    return noise or (float(np.median(read)) if read.size else None)


def _explained(resonances: Sequence[Resonance], frequency_hz: float, height: float) -> bool:
    for each in resonances:
        distance = abs(frequency_hz / each.frequency_hz - 1.0)
        larger = each.rejected is not None or (each.amplification is not None and each.amplification >= height)
        if distance <= NEAR or (larger and distance <= NEAR_LOBES):
            return True
    return False


def peaks(magnitude: Floats, floor: float) -> list[int]:
    """Rows of local maxima above ``floor`` whose prominence, as a ratio, is at least ``PROMINENCE``; shape (n,) in.

    A maximum at the first or last row is no peak: the other side is not known.
    """
    from scipy.signal import find_peaks

    with np.errstate(divide="ignore"):
        level = np.log(np.maximum(magnitude, np.finfo(float).tiny))
    rows, _ = find_peaks(level, height=np.log(floor), prominence=np.log(PROMINENCE))
    return [int(row) for row in rows]
