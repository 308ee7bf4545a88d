"""Modes fitted to a band of the transform of a free decay, amplitudes eliminated.

The transform of a truncated decaying sinusoid is known exactly, so a band of it can be fitted by itself, whatever the
record's length; white noise stays white. Variable projection (Golub and Pereyra, SIAM J. Numer. Anal. 10 (1973) 413)
with Kaufman's Jacobian (BIT 15 (1975) 49) and Levenberg's damping.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reportgen.compute.decay.decay_course import EXPONENTS, Complex, Course, Lines, transform
from reportgen.records.log import Floats

STEPS = 25
PROGRESS = 0.01
"""Fall of the criterion in one step below which a fit is done: a tenth of a standard deviation, and what follows is far
less, as each step squares the error."""
PROGRESS_DAMPED = 1e-4
"""The same where the step was held short, and what follows may be more."""
_UNDAMPED = 1e-4
"""Levenberg's damping below which a step is a whole one."""
_DIFFERENCE = 1e-6
"""Relative step of numerical derivatives: about the cube root of the rounding."""


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """Lines of the transform of the beginning of a record."""

    lines: Lines
    low: float
    high: float
    """Its ends, rad/s."""
    values: Complex
    """Over the noise's standard deviation of each channel, shape (b, c)."""
    noise: Floats
    """That standard deviation, in the record's unit, shape (c,)."""
    drift: Floats
    """Columns of a drift that was taken out and may have taken some of a mode along, shape (2b, d); d may be 0."""

    @property
    def turn(self) -> Complex:
        """e^{−2πik/n} of each line, shape (b,)."""
        return self.lines.turn

    @property
    def samples(self) -> int:
        """Samples that were transformed."""
        return self.lines.samples

    @property
    def rate(self) -> float:
        """Samples a second."""
        return self.lines.rate

    @property
    def size(self) -> int:
        """Real numbers in it, less those that a drift takes."""
        return int(2 * self.values.size - self.drift.shape[1] * self.values.shape[1])


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Courses fitted together to a band."""

    courses: tuple[Course, ...]
    residues: Complex
    """Amplitudes at the first sample, in the record's unit, shape (m, c)."""
    chi2: float
    normal: Floats
    """Normal matrix of all parameters for noise of standard deviation 1."""
    residual: Complex
    """What is left of the band, over the noise, shape (b, c)."""
    factor: Floats
    """Standard uncertainty of the size of each mode's residue for noise of 1, shape (m,)."""
    size: int

    @property
    def unknowns(self) -> int:
        """Parameters and amplitudes."""
        return sum(each.law.unknowns for each in self.courses) + 2 * self.residues.size

    @property
    def criterion(self) -> float:
        """Schwarz's information criterion (Ann. Statist. 6 (1978) 461)."""
        return misfit(self.chi2, self.size) + self.unknowns * float(np.log(self.size))

    def covariance(self, mode: int) -> Floats:
        """Of the parameters of one mode, with the noise as the band's residual shows it."""
        whole = np.linalg.pinv(self.normal, hermitian=True) * self.scatter
        at = sum(each.law.unknowns for each in self.courses[:mode])
        own = slice(at, at + self.courses[mode].law.unknowns)
        return np.asarray(whole[own, own])

    @property
    def scatter(self) -> float:
        """Variance of the residual over that of the noise; the smaller of few lines is not believed."""
        return max(self.chi2 / max(self.size - self.unknowns, 1), 0.5)


def misfit(chi2: float, size: int) -> float:
    """−2 ln of the likelihood: χ² where noise of known size is all that is left, n ln χ²/n + n where more is."""
    return chi2 if chi2 <= size else size * (math.log(chi2 / size) + 1.0)


def _columns(band: Band, course: Course) -> tuple[Floats, Floats]:
    """Basis of one mode, shape (2b, 2), and its derivatives by the parameters, shape (p, 2b, 2)."""
    found = _linear(band, course) if course.law.is_linear else _numerical(band, course)
    ahead, behind, by_ahead, by_behind = found
    pairs = _pair(ahead, behind)
    return pairs, np.array([_pair(a, b) for a, b in zip(by_ahead, by_behind, strict=True)])


def _linear(band: Band, course: Course) -> tuple[Complex, Complex, Complex, Complex]:
    n, scale = band.samples, 1.0 / np.sqrt(band.samples)
    found = []
    for sign in (1.0, -1.0):
        z = np.exp(complex(-course.theta[0], sign * course.theta[1]) / band.rate)
        below = 1.0 - z * band.turn
        below = np.where(np.abs(below) < 1e-14, 1e-14, below)
        last = z**n
        value = (1.0 - last) / below
        slope = -n * last / below + z * band.turn * (1.0 - last) / below**2
        by_sigma, by_omega = -slope / band.rate, sign * 1j * slope / band.rate
        found.append((value * scale, np.array([by_sigma, by_omega]) * scale))
    return found[0][0], found[1][0], found[0][1], found[1][1]


def _numerical(band: Band, course: Course) -> tuple[Complex, Complex, Complex, Complex]:
    rates = np.arange(course.law.unknowns) < course.law.coefficients
    step = _DIFFERENCE * np.where(rates, course.sigma, 1.0)
    a, b = transform(course, band.lines, step)
    return a[0], b[0], a[1:], b[1:]


def _pair(ahead: Complex, behind: Complex) -> Floats:
    """Columns of the real and the imaginary part of an amplitude, real parts of the lines above imaginary ones."""
    first, second = (ahead + behind) / 2.0, 1j * (ahead - behind) / 2.0
    return np.column_stack([np.concatenate([x.real, x.imag]) for x in (first, second)])


def _stacked(values: Complex) -> Floats:
    return np.concatenate([values.real, values.imag])


@dataclass(frozen=True, slots=True, eq=False)
class _State:
    """Amplitudes for given courses and the equations of the next step."""

    coefficients: Floats
    left: Floats
    chi2: float
    normal: Floats
    gradient: Floats
    triangle: Floats


def _solve(band: Band, courses: Sequence[Course]) -> _State:
    y = _stacked(band.values)
    parts = [_columns(band, each) for each in courses]
    basis = np.hstack([np.empty((len(y), 0)), *(columns for columns, _ in parts), band.drift])
    q, triangle = np.linalg.qr(basis)
    along = q.T @ y
    coefficients = np.linalg.lstsq(triangle, along, rcond=1e-13)[0]
    left = y - q @ along
    turned = []
    for m, (_, by) in enumerate(parts):
        for slope in by:
            moved = slope @ coefficients[2 * m : 2 * m + 2]
            turned.append((moved - q @ (q.T @ moved)).ravel())
    jacobian = np.array(turned) if turned else np.empty((0, y.size))
    return _State(
        coefficients, left, float(np.sum(left**2)), jacobian @ jacobian.T, jacobian @ left.ravel(), triangle
    )  # fmt: skip


def fit_band(band: Band, courses: Sequence[Course], *, steps: int = STEPS) -> Fit:
    """Courses refined until χ² no longer falls."""
    held = list(courses)
    state, damping = _solve(band, held), 1e-3
    for _ in range(steps if held else 0):
        trial_courses = _stepped(held, state, damping, band)
        trial = _solve(band, trial_courses)
        if trial.chi2 < state.chi2:
            fall = misfit(state.chi2, band.size) - misfit(trial.chi2, band.size)
            done = fall < (PROGRESS if damping < _UNDAMPED else PROGRESS_DAMPED)
            held, state, damping = trial_courses, trial, max(damping / 8.0, 1e-9)
            if done:
                break
        elif damping > 1e5:
            break
        else:
            damping *= 10.0
    return _fit(band, held, state)


def predicted_chi2(band: Band, courses: Sequence[Course], choices: Sequence[Sequence[int]]) -> list[float]:
    """χ² that one unrestrained step of some of the parameters promises, for each choice of them (score test)."""
    state = _solve(band, courses)
    found = []
    for each in choices:
        normal, gradient = state.normal[np.ix_(each, each)], state.gradient[list(each)]
        found.append(state.chi2 - float(gradient @ np.linalg.pinv(normal, hermitian=True) @ gradient))
    return found


def _stepped(courses: Sequence[Course], state: _State, damping: float, band: Band) -> list[Course]:
    diagonal = np.diag(state.normal)
    raised = state.normal + damping * np.diag(np.maximum(diagonal, 1e-12 * max(float(diagonal.max()), 1e-300)))
    step = np.linalg.lstsq(raised, state.gradient, rcond=None)[0]
    found, at = [], 0
    for each in courses:
        own = step[at : at + each.law.unknowns]
        at += each.law.unknowns
        found.append(each.with_theta(_kept_in(each.theta + own, each, band)))
    return found


def _kept_in(theta: Floats, course: Course, band: Band) -> Floats:
    """Parameters that mean something: no growth, a frequency within the band, exponents that are not absurd."""
    law = course.law
    theta[1] = np.clip(theta[1], band.low, band.high)
    if law.is_linear:
        theta[0] = np.clip(theta[0], 0.0, band.high)
    elif law.free:
        powers = theta[law.coefficients :]
        powers[:] = np.clip(powers, *EXPONENTS)
        powers[:] = np.where(np.abs(powers) < 0.15, np.where(powers < 0, -0.15, 0.15), powers)
    return theta


def _fit(band: Band, courses: Sequence[Course], state: _State) -> Fit:
    own = 2 * len(courses)
    pairs = state.coefficients[:own].reshape(len(courses), 2, band.values.shape[1])
    inverse = np.linalg.pinv(state.triangle) if courses else np.empty((0, 0))
    spread = (
        np.sqrt(np.sum(inverse[:own] ** 2, axis=1)).reshape(len(courses), 2).max(axis=1) if courses else np.empty(0)
    )
    half = len(state.left) // 2
    return Fit(
        courses=tuple(courses),
        residues=np.asarray((pairs[:, 0] + 1j * pairs[:, 1]) * band.noise),
        chi2=state.chi2,
        normal=state.normal,
        residual=state.left[:half] + 1j * state.left[half:],
        factor=spread,
        size=band.size,
    )
