"""Where rows are missing in a sweep: bands of frequency in which nothing was read."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from reportgen.records.log import Floats

WIDE_SHARE = 0.01
"""Rows are missing where neighbours are over 1 % apart (the half-power band of Q = 100)"""
WIDE_STEPS = 4.0
"""and over four of the usual steps around; a way back is one between sweeps where it is as much faster than they."""
AROUND = 10
"""Steps on either side that tell what is usual there."""


def holes(frequency_hz: Floats) -> tuple[tuple[float, float], ...]:
    """Bands, Hz, between the lowest and the highest frequency (n,) in which no row of the log lies."""
    f = np.unique(frequency_hz)
    return tuple((float(f[i]), float(f[i + 1])) for i in np.flatnonzero(wide_steps(f)))


def inside_any(bands: Sequence[tuple[float, float]], frequency_hz: Floats) -> NDArray[np.bool_]:
    """Which rows (n,) lie in one of some bands, Hz, their ends included; shape (n,)."""
    inside = np.zeros(len(frequency_hz), dtype=bool)
    for low, high in bands:
        inside |= (frequency_hz >= low) & (frequency_hz <= high)
    return inside


def wide_steps(f: Floats) -> NDArray[np.bool_]:
    """Which steps from row to row are too wide, by octaves and by hertz alike, f of shape (n,); shape (n−1,)."""
    octaves = np.abs(np.diff(np.log(f)))
    return _far(octaves, octaves > WIDE_SHARE) & _far(np.abs(np.diff(f)), octaves > WIDE_SHARE)


def _far(steps: Floats, asked: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which of the steps ``asked`` about are over ``WIDE_STEPS`` of the usual ones around; both of shape (n,)."""
    moved = np.flatnonzero(steps > 0)
    own = steps[moved]
    far = np.zeros(len(steps), dtype=bool)
    for k in np.flatnonzero(asked[moved]):
        beside = [own[max(0, k - AROUND) : k], own[k + 1 : k + 1 + AROUND]]
        usual = max((float(np.median(side)) for side in beside if side.size), default=np.inf)
        far[moved[k]] = own[k] > WIDE_STEPS * usual
    return far
