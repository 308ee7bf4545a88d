"""Stretches in which a channel reads noise and not the specimen: drop-outs, rattling sensors, lost cables."""

from __future__ import annotations

import numpy as np

from reportgen.compute.identification.envelope import Complexes
from reportgen.records.log import Floats

_STRETCH = 15
"""Rows over which the scatter is judged."""
_NOISE_ALONE = 0.15
"""Relative scatter from row to row from which a reading says nothing."""
_ABOVE_TYPICAL = 8.0
"""… and times the typical scatter of the channel, so that a channel that is noisy throughout is kept."""


def noise_only(value: Complexes | Floats, valid: np.ndarray) -> np.ndarray:
    """Rows in stretches whose scatter from row to row is out of all proportion to the rest's; (n,) bool."""
    rows = np.flatnonzero(valid)
    found = np.zeros(len(valid), bool)
    if len(rows) < 4 * _STRETCH:
        return found
    scatter = _scatter(value[rows])
    local = running_median(scatter)
    typical = 1.4826 * float(np.quantile(local, 0.1))
    bad = local > max(_NOISE_ALONE, _ABOVE_TYPICAL * typical)
    found[rows] = np.convolve(bad, np.ones(5), mode="same") > 0
    return found


def running_median(values: Floats) -> Floats:
    """Median of as many rows around each as the scatter is judged over; (n,)."""
    windows = np.lib.stride_tricks.sliding_window_view(np.pad(values, _STRETCH // 2, mode="edge"), _STRETCH)
    return np.asarray(np.median(windows, axis=1))


def _scatter(value: Complexes | Floats) -> Floats:
    """Size of the fourth difference about each row over the readings there, as a standard deviation; (n,)."""
    fourth = np.abs(value[:-4] - 4 * value[1:-3] + 6 * value[2:-2] - 4 * value[3:-1] + value[4:]) / np.sqrt(70.0)
    size = np.median(np.lib.stride_tricks.sliding_window_view(np.abs(value), 5), axis=1)
    return np.asarray(np.pad(fourth / np.maximum(size, 1e-300), 2, mode="edge"))


_COURSE = 101
"""Rows over which a noise that changes along a log is taken as one: a quarter of them are away from any peak."""
_QUIET = float(np.sqrt(2.0 * np.log(4.0 / 3.0)))
"""Lower quartile of a Rayleigh variate of unit σ."""


def local_noise(value: Complexes, valid: np.ndarray) -> Floats:
    """Standard deviation of each part of a reading as the rows around it scatter, (n,); 0 where too few were read.

    The quiet quarter of the fourth differences is asked, as of the whole log: a peak shows in fewer of them.
    """
    found, rows = np.zeros(len(valid)), np.flatnonzero(valid)
    if len(rows) < _COURSE:
        return found
    y = value[rows]
    fourth = np.abs(y[:-4] - 4 * y[1:-3] + 6 * y[2:-2] - 4 * y[3:-1] + y[4:]) / np.sqrt(70.0)
    padded = np.pad(fourth, (2 + _COURSE // 2, 2 + _COURSE // 2), mode="reflect")
    windows = np.lib.stride_tricks.sliding_window_view(padded, _COURSE)
    found[rows] = np.quantile(windows, 0.25, axis=1) / _QUIET
    return found
