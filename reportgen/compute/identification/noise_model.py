"""The noise of a log, estimated from the log itself: a floor, and a part in proportion to the response."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reportgen.compute.identification.envelope import Complexes
from reportgen.compute.identification.readings import Readings, Weights
from reportgen.records.log import Floats

_CLIP = 4.0
"""Residuals beyond so many σ do not inform the noise."""
_MOST_AT_FIRST = 0.03
"""Relative noise that is believed before a model says what is noise; more than instruments have as a rule."""
_CLIPPED_SHARE = 0.9989
"""Mean of x² of a normal variate cut off at ±4σ (closed form)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseModel:
    """Standard deviations: of the floor in the channel's unit, and in proportion along and across the reading."""

    floor: float
    along: float
    across: float

    def sigma(self, size: Floats) -> tuple[Floats, Floats]:
        """Standard deviations along and across a reading of that size, each of its shape."""
        return np.hypot(self.floor, self.along * size), np.hypot(self.floor, self.across * size)


def noise_from_scatter(readings: Readings) -> tuple[NoiseModel, ...]:
    """NoiseModel of every channel from fourth differences row to row, before anything is fitted."""
    return tuple(_scatter(readings, c) for c in range(len(readings.kinds)))


def _scatter(readings: Readings, c: int) -> NoiseModel:
    rows = np.flatnonzero(readings.valid[:, c])
    value = readings.complex_value[rows, c]
    if len(value) < 12:
        size = float(np.median(np.abs(value))) if len(value) else 1.0
        return NoiseModel(floor=0.02 * size + 1e-300, along=0.02, across=0.02)
    difference = value[:-4] - 4 * value[1:-3] + 6 * value[2:-2] - 4 * value[3:-1] + value[4:]
    centre = value[2:-2]
    turned = difference / np.sqrt(70.0) * np.exp(-1j * np.angle(centre))
    # Where rows are few to a resonance, differences show the resonance: the quiet quarter of the rows is asked, and
    # no more than a few per cent believed until a model says what is noise.
    size = np.abs(centre)
    along = min(_quiet(turned.real / size), _MOST_AT_FIRST)
    across = min(_quiet(turned.imag / size), _MOST_AT_FIRST) if readings.with_phase[c] else along
    floor = _quiet(turned.real[size <= np.quantile(size, 0.2)])
    floor = max(min(floor, along * float(np.median(size))), 1e-7 * float(np.max(size)))
    return NoiseModel(floor=floor, along=max(along, 1e-6), across=max(across, 1e-6))


def _quiet(values: Floats) -> float:
    """Standard deviation of a normal variate from the lower quartile of its size: q(|x|, 1/4) = 0.3186 σ."""
    return float(np.quantile(np.abs(values), 0.25) / 0.3186)


def noise_of(residual: Complexes, size: Floats, with_phase: bool) -> NoiseModel:
    """Floor and proportional parts of residuals turned into the reading's own direction, by Fisher scoring.

    The variance of each residual is floor² + (share · size)²; outliers beyond 4σ are held at 4σ.
    """
    if len(residual) == 0:
        return NoiseModel(floor=1.0, along=0.0, across=0.0)
    least = max(1e-7 * float(np.max(size, initial=0.0)), 1e-300)
    a, b = _two_parts(residual.real, size, least)
    if not with_phase:
        return NoiseModel(floor=a, along=b, across=b)
    a2, b2 = _two_parts(residual.imag, size, least)
    floor = max(min(a, a2), least)
    along = b if a <= a2 else _share(residual.real, size, floor, b)
    across = b2 if a2 <= a else _share(residual.imag, size, floor, b2)
    return NoiseModel(floor=floor, along=along, across=across)


def _share(residual: Floats, size: Floats, floor: float, share: float) -> float:
    """The proportional part that goes with a given floor."""
    for _ in range(8):
        variance = floor**2 + (share * size) ** 2
        square = np.minimum(residual**2, _CLIP**2 * variance) / _CLIPPED_SHARE
        weight = size**2 / variance**2
        share = float(np.sqrt(max(np.sum(weight * (square - floor**2)) / max(np.sum(weight * size**2), 1e-300), 1e-16)))
    return share


def _two_parts(residual: Floats, size: Floats, least: float) -> tuple[float, float]:
    """(floor, share) with variance floor² + (share·size)²; both non-negative."""
    typical = 1.4826 * float(np.median(np.abs(residual))) + least
    relative = 1.4826 * float(np.median(np.abs(residual) / np.maximum(size, least))) + 1e-8
    a, b = 0.5 * typical**2, 0.5 * relative**2
    for _ in range(25):
        variance = a + b * size**2
        square = np.minimum(residual**2, _CLIP**2 * variance) / _CLIPPED_SHARE
        weight = 1.0 / variance**2
        m = size**2
        s0, s1, s2 = np.sum(weight), np.sum(weight * m), np.sum(weight * m * m)
        t0, t1 = np.sum(weight * square), np.sum(weight * m * square)
        determinant = s0 * s2 - s1 * s1
        if determinant <= 1e-12 * s0 * s2:
            a, b = float(t0 / s0), 1e-16
            break
        na, nb = (t0 * s2 - t1 * s1) / determinant, (t1 * s0 - t0 * s1) / determinant
        if na < least**2:
            na, nb = np.float64(least**2), np.float64(max((t1 - least**2 * s1) / s2, 1e-16))
        elif nb < 1e-16:
            na, nb = t0 / s0, np.float64(1e-16)
        a, b = float(0.5 * (a + na)), float(0.5 * (b + nb))
    return float(np.sqrt(a)), float(np.sqrt(b))


def weights_of(noise: tuple[NoiseModel, ...], sizes: Floats, valid: np.ndarray) -> Weights:
    """1/σ of every reading at the sizes of the model, zero where there is no reading; all of shape (n, c)."""
    along, across = np.empty_like(sizes), np.empty_like(sizes)
    for c, channel in enumerate(noise):
        sa, st = channel.sigma(sizes[:, c])
        along[:, c], across[:, c] = valid[:, c] / sa, valid[:, c] / st
    return Weights(along=along, across=across)
