"""Integration of the modal equations of motion in the time domain.

Each mode obeys q″ + 2ζω q′ + ω² q = −a(t) with the table's acceleration a(t) = A(t)·e^{iφ(t)}; the real motion is the
real part, because the equation is linear with real coefficients. With z = q′ − s̄ q it becomes z′ = s z − a(t), whose
solution over one step is

    z(t + h) = e^{sh} z(t) − ∫₀ʰ e^{s(h − τ)} a(t + τ) dτ.

The integral is taken with the exact exponential and a cubic through four Gauss points of a(t) inside each step of at
most 1/16 cycle of the drive (product integration). That is not linear interpolation between samples, which at 20
points a cycle would cost 0.8 %.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from tests.simulator.course import Course
from tests.simulator.structure import Structure

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

STEPS_PER_CYCLE = 16
GAUSS, _ = np.polynomial.legendre.leggauss(4)
GAUSS = 0.5 * (GAUSS + 1.0)
_FINE, _FINE_WEIGHTS = np.polynomial.legendre.leggauss(24)
_FINE, _FINE_WEIGHTS = 0.5 * (_FINE + 1.0), 0.5 * _FINE_WEIGHTS
LAGRANGE = np.linalg.inv(np.vander(GAUSS, increasing=True))
"""Column j holds the power coefficients of the polynomial that is 1 at Gauss point j and 0 at the others."""


@dataclass(frozen=True)
class Block:
    """Rows of equal spacing with equally many steps in each."""

    start_s: float
    step_s: float
    steps_per_row: int
    rows: int


def blocks(course: Course, rows_s: Floats, most_steps: int = 60_000, narrow: float = 0.02) -> Iterator[Block]:
    """Cut the time between the rows into steps fine enough for the drive; rows fall on steps."""
    spacing = np.diff(rows_s)
    f = course.frequency(rows_s)
    wanted = np.maximum(f[1:], f[:-1]) * spacing * STEPS_PER_CYCLE
    steps = np.ceil(2.0 ** (np.ceil(np.log2(np.maximum(wanted, 1.0)) * 4) / 4)).astype(int)
    k = 0
    while k < len(spacing):
        last = k + 1
        while (
            last < len(spacing)
            and steps[last] == steps[k]
            and abs(spacing[last] - spacing[k]) < 1e-9 * spacing[k]
            and (last - k) * steps[k] < most_steps
            and abs(f[last] / f[k] - 1.0) < narrow
        ):
            last += 1
        yield Block(float(rows_s[k]), float(spacing[k] / steps[k]), int(steps[k]), last - k)
        k = last


def _weights(poles: Complexes, h: float) -> Complexes:
    """∫₀ʰ e^{s(h−τ)} L_j(τ/h) dτ for each pole and Gauss point, shape (poles, 4)."""
    pieces = max(1, int(np.ceil(np.max(np.abs(poles)) * h / 20.0)))
    tau = (np.arange(pieces)[:, None] + _FINE[None, :]).ravel() / pieces
    weight = np.tile(_FINE_WEIGHTS, pieces) * h / pieces
    kernel = np.exp(np.outer(poles, h * (1.0 - tau))) * weight
    return np.asarray(kernel @ (np.vander(tau, 4, increasing=True) @ LAGRANGE))


@dataclass
class Motion:
    """Steps of the motion, block by block."""

    structure: Structure
    course: Course
    level: Callable[[Floats, Floats], Floats]
    from_rest: bool = False

    def drive(self, t: Floats) -> tuple[Complexes, Floats]:
        """Table acceleration (analytic) and drive phase in cycles."""
        cycles = self.course.cycles(t)
        a = self.level(t, self.course.frequency(t))
        return (a * np.exp(2j * np.pi * np.mod(cycles, 1.0))).astype(complex, copy=False), cycles

    def __post_init__(self) -> None:
        wk = 2 * np.pi * np.array([m.frequency_hz for m in self.structure.modes])
        zeta = np.array([m.damping_ratio for m in self.structure.modes])
        s = wk * (-zeta + 1j * np.sqrt(1 - zeta**2))
        self.poles = np.concatenate([s, s.conj()])
        # q = (z1 − z2)/(2iω_d); q″ + a = −2ζω q′ − ω² q, with q′ from z1 and z2 likewise
        restoring = -(2 * zeta * wk * s + wk**2) / (2j * s.imag)
        mirrored = (2 * zeta * wk * s.conj() + wk**2) / (2j * s.imag)
        shares = self.structure.shares()
        self.output = np.concatenate([shares * restoring, shares * mirrored], axis=1)
        self.direct = np.array([each.rigid for each in self.structure.sensors]) - shares.sum(axis=1)
        self.state = np.zeros(len(self.poles), dtype=complex)
        if not self.from_rest and len(self.poles):
            a, _ = self.drive(np.zeros(1))
            w = 2 * np.pi * self.course.frequency(np.zeros(1))[0]
            self.state = -a[0] / (1j * w - self.poles)

    def start(self) -> tuple[Complexes, Floats, Complexes]:
        """Table, cycles and sensors at the first row."""
        a, cycles = self.drive(np.zeros(1))
        return a, cycles, (self.output @ self.state + self.direct * a[0])[:, None]

    def advance(self, block: Block, every: int = 1) -> tuple[Floats, Complexes, Floats, Complexes]:
        """Times, table, cycles and sensors (sensors, steps) at the end of ``every`` so many steps of the block."""
        steps = block.steps_per_row * block.rows
        begin = block.start_s + block.step_s * np.arange(steps)
        nodes = (begin[:, None] + block.step_s * GAUSS).ravel()
        a = -self.drive(nodes)[0].reshape(steps, 4)
        ends = (begin + block.step_s).astype(float)[every - 1 :: every]
        table, cycles = self.drive(ends)
        sensors = self.direct[:, None] * table
        if len(self.poles):
            forced = a @ _weights(self.poles, block.step_s).T
            for k, pole in enumerate(self.poles):
                decay = np.exp(pole * block.step_s)
                z, _ = lfilter([1.0], [1.0, -decay], forced[:, k], zi=np.array([decay * self.state[k]]))
                self.state[k] = z[-1]
                moved = np.flatnonzero(self.output[:, k])
                sensors[moved] += self.output[moved, k, None] * z[every - 1 :: every]
        return ends, table, cycles, sensors
