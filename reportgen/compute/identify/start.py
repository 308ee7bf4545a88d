"""Where modes may be: a matched filter of swept resonances run over what the model leaves unexplained.

The filter's shapes are the closed form of the response to a locally linear sweep, E = (√π/2c) w(−ip/2c) with
c² = −iφ″/2 and w the Faddeeva function (Lewis 1932; Abramowitz and Stegun 7.1), so a resonance that the sweep had no
time to build up is looked for at its own frequency and not where the log shows its peak.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import wofz

from reportgen.compute.identify.drive import Drive
from reportgen.compute.identify.envelope import Complexes
from reportgen.compute.identify.fit import Problem
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
    rows: np.ndarray
    envelope: Complexes
    """On those rows, peak of the steady response 1."""


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


def bank_of_shapes(drive: Drive) -> list[Shape]:
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
    return shapes


def _shape(drive: Drive, f: float, q: float, width: float, rows: np.ndarray) -> Shape:
    pole = 2 * np.pi * f * (-0.5 / q + 1j * np.sqrt(1 - 0.25 / q**2))
    p = 1j * drive.omega[rows] - pole
    rate = drive.omega_dot[rows]
    moving = np.abs(rate) > 1e-6 * abs(pole.real) ** 2
    c = np.sqrt(np.abs(np.where(moving, rate, 1.0)) / 2) * np.exp(-0.25j * np.pi * np.sign(np.where(moving, rate, 1.0)))
    value = np.where(moving, np.sqrt(np.pi) / (2 * c) * wofz(1j * p / (2 * c)), 1.0 / p)
    return Shape(f, q, width, rows, value * abs(pole.real) * drive.amplitude[rows])


def explained(shape: Shape, residual: Complexes, problem: Problem) -> Floats:
    """χ² that one mode of this shape would explain beside a constant transfer, per channel, shape (c,)."""
    rows = shape.rows
    along, across = problem.weights.along[rows], problem.weights.across[rows]
    w = 2.0 * (along * across) ** 2 / np.maximum(along**2 + across**2, 1e-300)
    level = problem.drive.amplitude[rows]
    with_phase = problem.readings.with_phase
    gain = np.zeros(len(with_phase))
    if with_phase.any():
        gain = np.where(with_phase, _explained(shape.envelope, level, residual[rows], w), 0.0)
    if not with_phase.all():
        magnitude = _explained(np.abs(shape.envelope), level, residual[rows].real, along**2)
        gain = np.where(with_phase, gain, magnitude)
    return gain


def _explained(shape: Complexes | Floats, level: Floats, residual: Complexes | Floats, w: Floats) -> Floats:
    """χ² that the shape explains beside a constant transfer, per channel; shape (c,)."""
    se = np.conj(shape) @ (w * residual)
    sa = level @ (w * residual)
    ea = (np.conj(shape) * level) @ w
    ee = (np.abs(shape) ** 2) @ w
    aa = (level**2) @ w + 1e-300
    top = np.abs(se - ea * sa / aa) ** 2
    bottom = ee - np.abs(ea) ** 2 / aa
    return np.where(bottom > 0.02 * ee, top / np.maximum(bottom, 1e-300), 0.0)


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
