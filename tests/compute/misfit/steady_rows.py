"""Measured steady-state responses as a band."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from reportgen.compute.identification.misfit.band import Band

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


def steady_band(frequency_hz: Floats, values: Complexes, powers: tuple[int, ...] = (0, 2, 4, -2)) -> Band:
    """A band of steady-state responses (n, c), sorted by frequency; gaps are NaN."""
    order = np.argsort(frequency_hz, kind="stable")
    omega = 2.0 * np.pi * frequency_hz[order]
    sorted_values = values[order]
    valid = np.isfinite(sorted_values) & (sorted_values != 0)

    def shape(pole: complex, rows: slice) -> tuple[Complexes, Complexes]:
        inverse = 1.0 / (1j * omega[rows] - pole)
        return np.asarray(inverse, complex), np.asarray(inverse * inverse, complex)

    return Band(omega, np.where(valid, sorted_values, 0.0), valid, shape, powers)
