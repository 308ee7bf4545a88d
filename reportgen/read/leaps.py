"""Rows of a log whose frequency leaps away and comes back: not of the sweep."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from reportgen.records.log import Floats

_LEAP_OCT = 0.5
_LEAP_STEPS = 4.0
"""A single row is a leap where it lies this far off, in octaves and in steps of the log itself."""

_NEIGHBOURS_OCT = 0.15


def leaps(frequency_hz: Floats) -> NDArray[np.int64]:
    """Rows whose frequency leaps away from both neighbours, which agree with each other."""
    if len(frequency_hz) < 3:
        return np.empty(0, dtype=np.int64)
    octaves = np.log2(frequency_hz)
    before, here, after = octaves[:-2], octaves[1:-1], octaves[2:]
    step = float(np.median(np.abs(np.diff(octaves))))
    away = np.minimum(np.abs(here - before), np.abs(here - after)) > max(_LEAP_OCT, _LEAP_STEPS * step)
    return np.flatnonzero(away & (np.abs(after - before) < max(_NEIGHBOURS_OCT, 3.0 * step))) + 1
