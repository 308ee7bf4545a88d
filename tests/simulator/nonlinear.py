"""One mode whose spring or joint is not linear, integrated in time from its equation of motion (Runge-Kutta).

    ẍ + ω₀/Q ẋ + r(x, ẋ) = −A cos φ(t),    r the restoring force per modal mass.

Its frequency and damping at an amplitude follow from the force of one cycle (describing function): averaging, Krylov
and Bogoliubov; Nayfeh and Mook, Nonlinear Oscillations (1979), ch. 2-4, from memory. No envelope equation is used.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from tests.simulator.course import Course

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

PER_CYCLE = 40
"""Steps to a cycle of the highest drive frequency: Runge-Kutta keeps frequency to 1e-5 and damping to 0.1 % there."""


class Joint(Protocol):
    """Restoring force per modal mass, m/s², of a displacement (m) and velocity (m/s)."""

    def force(self, x: float, v: float) -> float:
        """The force now, from what has been settled before."""

    def settle(self, x: float) -> None:
        """Take ``x`` for reached: what slips has slipped."""


@dataclass
class Cubic:
    """ω² x + α x³: stiffens with α > 0, softens with α < 0."""

    omega: float
    alpha: float

    def force(self, x: float, v: float) -> float:
        return self.omega**2 * x + self.alpha * x**3

    def settle(self, x: float) -> None:
        pass


@dataclass
class Friction:
    """A spring with dry friction ``slip`` (m/s²) beside it; below ``creep`` m/s it is a damper."""

    omega: float
    slip: float
    creep: float = 1e-4

    def force(self, x: float, v: float) -> float:
        return self.omega**2 * x + self.slip * float(np.tanh(v / self.creep))

    def settle(self, x: float) -> None:
        pass


class MicroSlip:
    """A spring beside elastic elements that slip one after another (Iwan 1966, from memory).

    ``share`` of the stiffness is theirs.

    The element k slips at ``reach`` · (k / n)^1.5 of displacement, so that the joint softens and damps gradually.
    """

    def __init__(self, omega: float, share: float, reach: float, elements: int = 8) -> None:
        self.spring = omega**2 * (1.0 - share)
        self.each = omega**2 * share / elements
        self.most = [self.each * reach * ((k + 1) / elements) ** 1.5 for k in range(elements)]
        self.held = [0.0] * elements
        self.at = 0.0

    def force(self, x: float, v: float) -> float:
        more = self.each * (x - self.at)
        return self.spring * x + sum(max(-m, min(m, h + more)) for h, m in zip(self.held, self.most, strict=True))

    def settle(self, x: float) -> None:
        more = self.each * (x - self.at)
        self.held = [max(-m, min(m, h + more)) for h, m in zip(self.held, self.most, strict=True)]
        self.at = x


@dataclass(frozen=True)
class Moving:
    """A mode with a joint: small-amplitude damping as Q at ``omega``, rad/s."""

    omega: float
    q: float
    joint: Callable[[], Joint]

    def backbone(self, acceleration: float) -> tuple[float, float]:
        """(Hz, Q) at an amplitude of the relative acceleration, m/s² peak."""
        omega = self.omega
        for _ in range(12):
            stiffness, loss = self._cycle(acceleration / omega**2, omega)
            omega = float(np.sqrt(stiffness))
        damping = self.omega / self.q + loss / omega
        return omega / (2 * np.pi), omega / damping

    def _cycle(self, x0: float, omega: float, steps: int = 800) -> tuple[float, float]:
        """(force over displacement in phase, and in quadrature) per modal mass over a settled cycle, 1/s²."""
        joint, turn = self.joint(), 2 * np.pi * np.arange(steps) / steps
        for angle in turn:
            joint.settle(x0 * float(np.cos(angle)))
        force = np.empty(steps)
        for k, angle in enumerate(turn):
            x, v = x0 * float(np.cos(angle)), -omega * x0 * float(np.sin(angle))
            force[k] = joint.force(x, v)
            joint.settle(x)
        return float(2 * np.mean(force * np.cos(turn)) / x0), float(-2 * np.mean(force * np.sin(turn)) / x0)


def relative_acceleration(mode: Moving, course: Course, level: float, rows_s: Floats) -> Complexes:
    """Envelope of ẍ against the drive at the rows, m/s² peak, driven from rest by ``level`` m/s² peak.

    A row is a least-squares fit of the fundamental over four cycles under a Hann window, its envelope a parabola, so
    that neither harmonics nor the window's length show in it.
    """
    most = float(np.max(course.frequency(np.linspace(0.0, course.duration_s, 101))))
    steps = int(course.duration_s * most * PER_CYCLE)
    t = np.linspace(0.0, course.duration_s, steps + 1)
    drive = (level * np.cos(2 * np.pi * course.cycles(t))).tolist()
    middle = (level * np.cos(2 * np.pi * course.cycles(t[:-1] + t[1] / 2))).tolist()
    signal = _integrated(mode, float(t[1]), drive, middle)
    return np.array([_envelope_at(t, signal, course, float(at)) for at in rows_s])


def _integrated(mode: Moving, h: float, drive: list[float], middle: list[float]) -> Floats:
    joint, c = mode.joint(), mode.omega / mode.q
    force = joint.force
    x = v = 0.0
    out = np.zeros(len(drive))
    for i, between in enumerate(middle):
        a1 = -c * v - force(x, v) - drive[i]
        out[i] = a1
        x2, v2 = x + h / 2 * v, v + h / 2 * a1
        a2 = -c * v2 - force(x2, v2) - between
        x3, v3 = x + h / 2 * v2, v + h / 2 * a2
        a3 = -c * v3 - force(x3, v3) - between
        x4, v4 = x + h * v3, v + h * a3
        a4 = -c * v4 - force(x4, v4) - drive[i + 1]
        x, v = x + h / 6 * (v + 2 * v2 + 2 * v3 + v4), v + h / 6 * (a1 + 2 * a2 + 2 * a3 + a4)
        joint.settle(x)
    return out


def _envelope_at(t: Floats, signal: Floats, course: Course, at: float) -> complex:
    half = 2.0 / float(course.frequency(np.array([at]))[0])
    middle = min(max(at, half), course.duration_s - half)
    first, last = np.searchsorted(t, (middle - half, middle + half))
    turn, x = 2 * np.pi * course.cycles(t[first:last]), (t[first:last] - at) / half
    window = np.hanning(last - first + 2)[1:-1]
    cos, sin = np.cos(turn), -np.sin(turn)
    basis = np.stack([cos, sin, x * cos, x * sin, x * x * cos, x * x * sin, np.ones_like(x)], axis=1)
    found = np.linalg.lstsq(basis * window[:, None], signal[first:last] * window, rcond=None)[0]
    return complex(found[0], found[1])
