"""The course of a run: frequency and phase of the drive against time, and the level of the table."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
G = 9.80665


@dataclass(frozen=True)
class Stretch:
    """A piece of the run: a sweep (oct/min or Hz/s) or, with equal ends, a hold of ``seconds``."""

    from_hz: float
    to_hz: float
    rate: float = 0.0
    unit: str = "oct/min"
    seconds: float = 0.0

    @property
    def duration_s(self) -> float:
        if self.from_hz == self.to_hz:
            return self.seconds
        if self.unit == "oct/min":
            return abs(np.log2(self.to_hz / self.from_hz)) / self.rate * 60.0
        return abs(self.to_hz - self.from_hz) / self.rate

    def frequency(self, t: Floats) -> Floats:
        """Frequency, Hz, ``t`` seconds after the beginning of the stretch."""
        if self.from_hz == self.to_hz:
            return np.full_like(t, self.from_hz)
        if self.unit == "oct/min":
            return self.from_hz * np.exp(self._growth() * t)
        return self.from_hz + np.sign(self.to_hz - self.from_hz) * self.rate * t

    def cycles(self, t: Floats) -> Floats:
        """Cycles since the beginning of the stretch: the integral of the frequency."""
        if self.from_hz == self.to_hz:
            return self.from_hz * t
        if self.unit == "oct/min":
            return self.from_hz * np.expm1(self._growth() * t) / self._growth()
        return self.from_hz * t + 0.5 * np.sign(self.to_hz - self.from_hz) * self.rate * t**2

    def _growth(self) -> float:
        return float(np.sign(self.to_hz - self.from_hz) * self.rate * np.log(2.0) / 60.0)


@dataclass(frozen=True)
class Course:
    """Stretches one after another."""

    stretches: tuple[Stretch, ...]

    @property
    def starts_s(self) -> Floats:
        return np.concatenate([[0.0], np.cumsum([each.duration_s for each in self.stretches])])

    @property
    def duration_s(self) -> float:
        return float(self.starts_s[-1])

    def frequency(self, t: Floats) -> Floats:
        return self._piecewise(t, lambda stretch, local: stretch.frequency(local), np.zeros(len(self.stretches)))

    def cycles(self, t: Floats) -> Floats:
        ends = [float(each.cycles(np.array([each.duration_s]))[0]) for each in self.stretches]
        return self._piecewise(
            t, lambda stretch, local: stretch.cycles(local), np.concatenate([[0.0], np.cumsum(ends)])[:-1]
        )

    def _piecewise(self, t: Floats, value: Callable[[Stretch, Floats], Floats], offset: Floats) -> Floats:
        starts = self.starts_s
        which = np.clip(np.searchsorted(starts, t, side="right") - 1, 0, len(self.stretches) - 1)
        first, last = int(which.min()), int(which.max())
        if first == last:
            return np.asarray(offset[first] + value(self.stretches[first], t - starts[first]))
        out = np.empty_like(t)
        for k in range(first, last + 1):
            inside = which == k
            out[inside] = offset[k] + value(self.stretches[k], t[inside] - starts[k])
        return out


def sweep(from_hz: float, to_hz: float, rate: float, unit: str = "oct/min") -> Course:
    """One sweep, up or down."""
    return Course((Stretch(from_hz, to_hz, rate, unit),))


def sweep_with_hold(
    from_hz: float, to_hz: float, rate: float, at_hz: float, seconds: float, unit: str = "oct/min"
) -> Course:
    """A sweep that stands still at ``at_hz`` for a while."""
    return Course(
        (
            Stretch(from_hz, at_hz, rate, unit),
            Stretch(at_hz, at_hz, seconds=seconds),
            Stretch(at_hz, to_hz, rate, unit),
        )
    )


def dwell(at_hz: float, seconds: float) -> Course:
    """A dwell at one frequency."""
    return Course((Stretch(at_hz, at_hz, seconds=seconds),))


def profile_level(breakpoints: Sequence[tuple[float, float, str]]) -> Callable[[Floats], Floats]:
    """Acceleration, m/s² peak, against frequency from corners (Hz, amplitude, ``mm`` or ``g``), constant in the unit
    of the corner or straight in double logarithm between two corners of one unit."""

    corners = np.array([each[0] for each in breakpoints[1:-1]])

    def level(f: Floats) -> Floats:
        low, high = np.searchsorted(corners, (f.min(), f.max()), side="right")
        if low == high:  # between two corners
            return _between(breakpoints[low], breakpoints[low + 1], f)
        out = np.empty_like(f)
        out[:] = _between(breakpoints[0], breakpoints[1], f)
        for left, right in pairwise(breakpoints):
            inside = f >= left[0]
            if right[0] > left[0]:
                out[inside] = _between(left, right, f[inside])
        return out

    return level


def _between(left: tuple[float, float, str], right: tuple[float, float, str], f: Floats) -> Floats:
    slope = 0.0
    if left[2] == right[2] and left[1] != right[1]:
        slope = np.log(right[1] / left[1]) / np.log(right[0] / left[0])
    amplitude = left[1] * (f / left[0]) ** slope if slope else np.full_like(f, left[1])
    return amplitude * 1e-3 * (2 * np.pi * f) ** 2 if left[2] == "mm" else amplitude * G


@dataclass(frozen=True)
class HandStep:
    """The level turned by ``db`` when the drive first passes ``at_hz``, within ``seconds``."""

    at_hz: float
    db: float
    seconds: float = 0.4


@dataclass(frozen=True)
class Dip:
    """The controller lags behind a resonance: the table falls by ``db`` around ``at_hz``, ``width`` as a fraction."""

    at_hz: float
    db: float
    width: float = 0.02


@dataclass(frozen=True)
class Table:
    """Motion of the table: demand, what the controller makes of it, and the hand on the level."""

    demand: Callable[[Floats], Floats]
    """Acceleration, m/s² peak, against frequency."""
    ripple: float = 0.0
    """Standard deviation of the controller's error, as a fraction."""
    ripple_s: float = 1.5
    """How slowly that error wanders."""
    steps: tuple[HandStep, ...] = ()
    dips: tuple[Dip, ...] = ()
    seed: int = 0

    def level(self, course: Course) -> Callable[[Floats, Floats], Floats]:
        """Function of time and frequency giving the table's acceleration, m/s² peak."""
        wander = self._wander(course.duration_s)
        step_times = [(_passage(course, step.at_hz), step) for step in self.steps]

        def at(t: Floats, f: Floats) -> Floats:
            db = np.zeros_like(t)
            for when, step in step_times:
                db += step.db * _smooth_step((t - when) / step.seconds)
            for dip in self.dips:
                db += dip.db * np.exp(-0.5 * (np.log(f / dip.at_hz) / dip.width) ** 2)
            return self.demand(f) * 10.0 ** (db / 20.0) * (1.0 + wander(t))

        return at

    def _wander(self, duration_s: float) -> Callable[[Floats], Floats]:
        from scipy.interpolate import CubicSpline

        if self.ripple == 0.0:
            return np.zeros_like
        n = max(8, int(duration_s / self.ripple_s) + 6)
        knots = np.random.default_rng(self.seed).normal(0.0, self.ripple, n)
        return CubicSpline((np.arange(n) - 2) * self.ripple_s, np.clip(knots, -2.5 * self.ripple, 2.5 * self.ripple))


def _smooth_step(x: Floats) -> Floats:
    x = np.clip(x, 0.0, 1.0)
    return x**3 * (10.0 - 15.0 * x + 6.0 * x**2)


def _passage(course: Course, at_hz: float) -> float:
    t = np.linspace(0.0, course.duration_s, 200_001)
    above = course.frequency(t) >= at_hz
    change = np.flatnonzero(above[1:] != above[:-1])
    if len(change) == 0:
        raise ValueError(f"the course never passes {at_hz} Hz")
    return float(t[change[0] + 1])
