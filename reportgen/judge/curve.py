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
    channel: ChannelResult,
    *,
    below_hz: float = np.inf,
    above: float = SMALLEST_PEAK,
    in_band: Callable[[float], bool] = lambda _: True,
) -> list[tuple[float, float]]:
    """(frequency Hz, magnitude) of peaks of the recorded |response/control| that no resonance of the channel explains.

    Rejected resonances explain theirs: the engineer has looked. Only ratios have a height that means something.
    """
    if channel.dimension != "ratio":
        return []
    floor = max(above, SMALLEST_PEAK, 3.0 * (channel.noise_floor or 0.0))
    order = np.argsort(channel.frequency_hz, kind="stable")
    f, magnitude = channel.frequency_hz[order], channel.magnitude[order]
    known = np.isfinite(magnitude)
    return [
        (float(f[known][row]), float(magnitude[known][row]))
        for row in peaks(magnitude[known], floor)
        if f[known][row] < below_hz
        and in_band(float(f[known][row]))
        and not _explained(channel, float(f[known][row]), float(magnitude[known][row]))
    ]


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
