"""The level that really drove the specimen, from a control reading that has noise of its own.

Scatter of the control from row to row is either real, and then every response follows it, or it is noise of the
reading, and then none does. The share that the responses follow is kept; the rest is smoothed away: at each row by the
quadratic through the widest stretch whose answer agrees with those of all narrower stretches within their noise
(intersection of confidence intervals: Goldenshluger and Nemirovski 1997; Katkovnik 1999), so never across a step or
a notch. What noise is left is known, and goes into the uncertainties.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from reportgen.records.log import Floats

Complexes = NDArray[np.complex128]

_HALF_WIDTHS = (3, 4, 6, 8, 11, 15, 21, 29, 40, 56)
"""Stretches tried: so many rows on either side."""
_AGREE = 2.0
"""Standard deviations within which a wider stretch must agree with the narrower ones."""
_LEAST_SCATTER = 2e-4
"""Relative scatter of the control from row to row below which it is taken as it is."""
_ALL_FOLLOWED = 0.9
"""Share of the scatter followed by the responses from which the control is taken as it is: it is known to a tenth."""


@dataclass(frozen=True, slots=True, eq=False)
class DriveLevel:
    """DriveLevel of the drive at the rows, and what is left of the noise it was read with."""

    amplitude: Floats
    """Shape (n,)."""
    noise: Floats
    """Standard deviation of the control's own noise at each row before smoothing, shape (n,)."""
    half: np.ndarray
    """Half width of the stretch each row was smoothed over, int, shape (n,); 0: as read."""
    followed: float
    """Share of the scatter that is real."""

    @classmethod
    def as_read(cls, amplitude: Floats) -> DriveLevel:
        """A control without noise to speak of, shape (n,)."""
        return cls(amplitude, np.zeros(len(amplitude)), np.zeros(len(amplitude), int), 1.0)

    def left(self, own: Floats) -> Floats:
        """What smoothing leaves of courses of noise of the control's reading, each a column, both of shape (n, k)."""
        smooth = own.copy()
        for half in np.unique(self.half[self.half > 0]):
            rows = np.flatnonzero(self.half == half)
            smooth[rows] = _smoother(len(own), int(half), rows) @ own
        return np.asarray(smooth + self.followed * (own - smooth))


def drive_level(control: Floats, responses: Complexes | Floats) -> DriveLevel:
    """DriveLevel of the drive from the control's amplitude (n,); responses (n, c), NaN where none."""
    if len(control) < 2 * _HALF_WIDTHS[0] + 6:
        return DriveLevel.as_read(control)
    own = _fourth(np.log(control))
    scatter = 1.4826 * float(np.median(np.abs(own)))
    if scatter < _LEAST_SCATTER:
        return DriveLevel.as_read(control)
    followed = _share_followed(own, np.abs(responses), scatter)
    if followed > _ALL_FOLLOWED:
        return DriveLevel.as_read(control)
    smooth, half = _smooth(control, scatter)
    noise = scatter * np.sqrt(1.0 - followed) * smooth
    return DriveLevel(np.asarray(smooth + followed * (control - smooth)), noise, half, followed)


def _fourth(values: Floats) -> Floats:
    """Fourth differences scaled to the standard deviation of white noise."""
    fourth = values[:-4] - 4 * values[1:-3] + 6 * values[2:-2] - 4 * values[3:-1] + values[4:]
    return np.asarray(fourth / np.sqrt(70.0))


def _share_followed(own: Floats, responses: Floats, scatter: float) -> float:
    """Share of the control's scatter that the responses follow: the largest regression slope, within 0 … 1."""
    slopes = [0.0]
    typical = np.abs(own) < 4.0 * scatter
    for c in range(responses.shape[1]):
        reading = np.where(responses[:, c] > 0, responses[:, c], np.nan)
        theirs = _fourth(np.log(reading))
        quiet = 1.4826 * np.nanmedian(np.abs(theirs)) if np.isfinite(theirs).any() else np.nan
        use = typical & (np.abs(theirs) < 4.0 * quiet)
        if use.sum() >= 30:
            slopes.append(float(theirs[use] @ own[use] / (own[use] @ own[use])))
    return float(np.clip(np.median(slopes[1:] or [0.0]), 0.0, 1.0))


def _smooth(control: Floats, scatter: float) -> tuple[Floats, np.ndarray]:
    """Smoothed level and the half width used at each row (0: as read)."""
    smooth, half_used = control.copy(), np.zeros(len(control), int)
    low, high = control * (1.0 - _AGREE * scatter), control * (1.0 + _AGREE * scatter)
    growing = np.ones(len(control), bool)
    for half in _HALF_WIDTHS:
        if 2 * half + 1 >= len(control):
            break
        value, spread, share = _local_quadratic(control, half)
        std = _AGREE * scatter * np.sqrt(share) * np.abs(value)
        low, high = np.maximum(low, value - std), np.minimum(high, value + std)
        fits = spread < scatter * control * (1.0 + 3.0 / np.sqrt(2.0 * (2 * half - 2)))
        growing &= (low <= high) & fits
        smooth[growing], half_used[growing] = value[growing], half
    return smooth, half_used


def _smoother(n: int, half: int, rows: np.ndarray) -> csr_array:
    """The matrix (rows, n) that takes n values to the quadratic through the neighbours of each of some rows."""
    basis, at, place = _windows(n, half)
    weights = basis[place[rows]] @ basis.T
    columns = at[rows, None] + np.arange(2 * half + 1)
    starts = np.arange(0, weights.size + 1, 2 * half + 1)
    return csr_array((weights.ravel(), columns.ravel(), starts), shape=(len(rows), n))


def _windows(n: int, half: int) -> tuple[Floats, np.ndarray, np.ndarray]:
    """Orthonormal quadratics on 2·half+1 neighbours (2·half+1, 3); of each of n rows the first neighbour and its place
    among them, int, each (n,)."""
    size = 2 * half + 1
    t = np.linspace(-1.0, 1.0, size)
    basis = np.linalg.qr(np.stack([np.ones(size), t, t * t], axis=1))[0]
    at = np.clip(np.arange(n) - half, 0, n - size)
    return basis, at, np.clip(np.arange(n) - at, 0, size - 1)


def _local_quadratic(values: Floats, half: int) -> tuple[Floats, Floats, Floats]:
    """Quadratic through the 2·half+1 neighbours of each row: value there, rms misfit, variance per unit noise."""
    size = 2 * half + 1
    basis, at, place = _windows(len(values), half)
    windows = np.lib.stride_tricks.sliding_window_view(values, size)
    weights = windows @ basis
    spread = np.sqrt(np.maximum(np.sum(windows**2, axis=1) - np.sum(weights**2, axis=1), 0.0) / (size - 3))
    return np.sum(weights[at] * basis[place], axis=1), spread[at], np.sum(basis[place] ** 2, axis=1)
