"""How a quantity drifts over a dwell: a straight line against time, with its uncertainty."""

from __future__ import annotations

import numpy as np

from reportgen.records.log import Floats
from reportgen.records.result import Trend

STRETCHES = 20
"""Equal lengths of time, each with one mean: what follows row on row, as the noise of a filter does, counts once."""
_MINUTE = 60.0


def trend(time_s: Floats, values: Floats) -> Trend | None:
    """Least squares through the means of the stretches (JCGM 100:2008, H.3); None with fewer than four of them.

    Shapes (n,), seconds; what is not finite is left out.
    """
    known = np.isfinite(time_s) & np.isfinite(values)
    if known.sum() < STRETCHES or not np.ptp(time_s[known]) > 0:
        return None
    x, y = _means(time_s[known] / _MINUTE, values[known])
    freedom = len(x) - 2
    if freedom < 2:
        return None
    off = x - x.mean()
    rise = float(off @ y / (off @ off))
    left = y - y.mean() - rise * off
    std = float(np.sqrt(left @ left / freedom / (off @ off)))
    return Trend(per_minute=rise, std=std, freedom=freedom)


def _means(minutes: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Mean time and value of each stretch that holds a row."""
    stretch = np.minimum((STRETCHES * (minutes - minutes.min()) / np.ptp(minutes)).astype(int), STRETCHES - 1)
    count = np.bincount(stretch, minlength=STRETCHES)
    full = count > 0
    x, y = (np.bincount(stretch, each, STRETCHES)[full] / count[full] for each in (minutes, values))
    return x, y


def trend_db(time_s: Floats | None, values: Floats | None) -> Trend | None:
    """Of the level of positive values, in dB."""
    if time_s is None or values is None:
        return None
    positive = values > 0
    return trend(time_s[positive], 20.0 * np.log10(values[positive]))


def trend_deg(time_s: Floats | None, phase_deg: Floats | None) -> Trend | None:
    """Of a phase, over its turns."""
    if time_s is None or phase_deg is None:
        return None
    known = np.isfinite(phase_deg)
    return trend(time_s[known], np.degrees(np.unwrap(np.radians(phase_deg[known]))))
