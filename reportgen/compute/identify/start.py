"""Where modes may be: a matched filter of swept resonances run over what the model leaves unexplained.

The filter's shapes are the closed form of the response to a locally linear sweep, E = (√π/2c) w(−ip/2c) with
c² = −iφ″/2 and w the Faddeeva function (Lewis 1932; Abramowitz and Stegun 7.1), so a resonance that the sweep had no
time to build up is looked for at its own frequency and not where the log shows its peak.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.special import wofz

from reportgen.compute.identify.drive import Drive
from reportgen.compute.identify.envelope import Complexes
from reportgen.compute.identify.fit import Problem, Weights
from reportgen.records.log import Floats

_Q_STEPS = (4.0, 8.0, 16.0, 32.0, 64.0, 128.0, 256.0, 512.0)
_SPACING = 0.4
"""Distance of neighbouring shapes in widths."""
_REACH = 6.0
"""Half length of a shape in widths."""


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """One swept resonance of the bank."""

    frequency_hz: float
    q: float
    width: float
    """Of the swept resonance, as a fraction of frequency: half-power band or the band the sweep smears it to."""
    rows: slice | np.ndarray
    conjugate: Complexes
    """Of the envelope on those rows, peak of the steady response 1."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """Where the bank answers above chance."""

    shape: Shape
    strength: float
    """Largest over the channels: how much χ² one such mode would explain."""

    @property
    def frequency_hz(self) -> float:
        """Of the shape."""
        return self.shape.frequency_hz

    @property
    def q(self) -> float:
        """Of the shape."""
        return self.shape.q

    @property
    def width(self) -> float:
        """Of the shape, as a fraction of frequency."""
        return self.shape.width


def bank_of_shapes(drive: Drive) -> Bank:
    """Swept resonances at all frequencies and Q that the rows can tell apart."""
    frequency = drive.omega / (2 * np.pi)
    order = np.argsort(frequency, kind="stable")
    rising = frequency[order]
    shapes = []
    for q in _Q_STEPS:
        f = rising[0] * 0.8
        while f < rising[-1] * 1.25:
            near = int(np.clip(np.searchsorted(rising, f), 1, len(rising) - 1))
            rate = abs(float(drive.omega_dot[order[near]])) / (2 * np.pi)
            width = max(1.0 / q, np.sqrt(rate) / f)
            rows = order[
                np.searchsorted(rising, f * (1 - _REACH * width)) : np.searchsorted(rising, f * (1 + _REACH * width))
            ]
            resolved = np.searchsorted(rising, f * (1 + width)) - np.searchsorted(rising, f * (1 - width)) >= 4
            if len(rows) >= 6 and (resolved or q <= 32):
                shapes.append(_shape(drive, float(f), q, width, np.sort(rows)))
            f *= 1 + _SPACING * width
    return Bank(shapes)


def _shape(drive: Drive, f: float, q: float, width: float, rows: np.ndarray) -> Shape:
    pole = 2 * np.pi * f * (-0.5 / q + 1j * np.sqrt(1 - 0.25 / q**2))
    p = 1j * drive.omega[rows] - pole
    rate = drive.omega_dot[rows]
    moving = np.abs(rate) > 1e-6 * abs(pole.real) ** 2
    c = np.sqrt(np.abs(np.where(moving, rate, 1.0)) / 2) * np.exp(-0.25j * np.pi * np.sign(np.where(moving, rate, 1.0)))
    value = np.where(moving, np.sqrt(np.pi) / (2 * c) * wofz(1j * p / (2 * c)), 1.0 / p)
    together: slice | np.ndarray = rows
    if rows[-1] - rows[0] + 1 == len(rows):
        together = slice(int(rows[0]), int(rows[-1]) + 1)
    return Shape(f, q, width, together, np.conj(value) * (abs(pole.real) * drive.amplitude[rows]))


def explained(shape: Shape, residual: Complexes, problem: Problem) -> Floats:
    """χ² that one mode of this shape would explain beside a constant transfer, per channel, shape (c,)."""
    return np.asarray(Bank([shape]).explained(residual, problem)[0])


@dataclass(slots=True, eq=False)
class Bank:
    """Shapes to be held against what is left, again and again under the same weights."""

    shapes: list[Shape]
    _weights: Weights | None = None
    _sums: list[_Sums] = field(default_factory=list)

    def explained(self, residual: Complexes, problem: Problem) -> Floats:
        """χ² that one mode of each shape would explain beside a constant transfer, per channel, shape (shapes, c)."""
        drive, phase = problem.drive.amplitude, problem.readings.with_phase
        w = _weight(problem)
        if problem.weights is not self._weights:
            self._sums = [_sums(each, drive, w, phase) for each in self.shapes]
            self._weights = problem.weights
        left = w * np.where(phase, residual, residual.real)
        gain = np.empty((len(self.shapes), len(phase)))
        up_to = np.concatenate([np.zeros((1, len(phase))), np.cumsum(drive[:, None] * left, axis=0)])
        for k, (shape, sums) in enumerate(zip(self.shapes, self._sums, strict=True)):
            rows = left[shape.rows]
            along = shape.conjugate @ rows
            if not phase.all():
                along = np.where(phase, along, np.abs(shape.conjugate) @ rows)
            if isinstance(shape.rows, slice):
                constant = up_to[shape.rows.stop] - up_to[shape.rows.start]
            else:
                constant = drive[shape.rows] @ rows
            top = np.abs(along - sums.mean * constant) ** 2
            gain[k] = np.where(sums.alone, top / sums.own, 0.0)
        return gain


@dataclass(frozen=True, slots=True, eq=False)
class _Sums:
    """What of a shape depends on the weights alone, per channel, each (c,)."""

    mean: Complexes
    """The constant transfer that imitates the shape best."""
    own: Floats
    """Weighted square of the shape without that constant."""
    alone: np.ndarray
    """Bool: whether the shape is more than a constant on the rows read."""


def _weight(problem: Problem) -> Floats:
    """Weight of every reading: harmonic mean of both directions, along the reading where there is no phase; (n, c)."""
    along, across = problem.weights.along, problem.weights.across
    both = 2.0 * (along * across) ** 2 / np.maximum(along**2 + across**2, 1e-300)
    return np.where(problem.readings.with_phase, both, along**2)


def _sums(shape: Shape, drive: Floats, weight: Floats, phase: np.ndarray) -> _Sums:
    w, level = weight[shape.rows], drive[shape.rows]
    value = shape.conjugate
    ea = _times(value * level, w)
    if not phase.all():
        ea = np.where(phase, ea, (np.abs(value) * level) @ w)
    ee = (value.real**2 + value.imag**2) @ w
    aa = (level**2) @ w + 1e-300
    own = ee - np.abs(ea) ** 2 / aa
    return _Sums(ea / aa, np.maximum(own, 1e-300), own > 0.02 * ee)


def _times(complex_row: Complexes, real: Floats) -> Complexes:
    """Complex (n,) times real (n, c)."""
    return np.asarray(complex_row.real @ real + 1j * (complex_row.imag @ real))


def separate(found: list[Candidate], most: int) -> list[Candidate]:
    """The strongest candidates that lie clear of each other's flanks and beats."""
    kept: list[Candidate] = []
    for each in found:
        clear = all(
            abs(np.log(each.frequency_hz / k.frequency_hz)) > 2.0 * max(each.width, k.width)
            and each.strength
            > 1e-3 * k.strength * min(1.0, (6 * k.width / abs(np.log(each.frequency_hz / k.frequency_hz))) ** 2)
            for k in kept
        )
        if clear:
            kept.append(each)
            if len(kept) == most:
                break
    return kept
