"""What a recorded curve shows by itself: peaks that nobody has named."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from reportgen.records.log import Floats
from reportgen.records.result import ChannelResult

SMALLEST_PEAK = 2.0
"""Twice the input: what DO-160 and type approval rules of ships call a resonance at all (from memory: verify)."""
PROMINENCE = 2.0
"""A peak stands out by 6 dB from what surrounds it on both sides."""
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
        listed = _of_curve(channel)
    return [(f, height) for f, height in listed if f < below_hz and in_band(f)]


def _of_curve(channel: ChannelResult) -> list[tuple[float, float]]:
    """Of a curve that was not audited."""
    floor = _floor(channel)
    if floor is None:
        return []
    order = np.argsort(channel.frequency_hz, kind="stable")
    f, magnitude = channel.frequency_hz[order], channel.magnitude[order]
    known = np.isfinite(magnitude) & channel.used[order]
    tops = [(float(f[known][row]), float(magnitude[known][row])) for row in peaks(magnitude[known], floor)]
    return [(place, height) for place, height in tops if not _explained(channel, place, height)]


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


def _explained(channel: ChannelResult, frequency_hz: float, height: float) -> bool:
    for each in channel.resonances:
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
