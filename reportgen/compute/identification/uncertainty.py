"""Standard uncertainties of what was identified (JCGM 100:2008, 5.1 and 5.2).

The covariance is that of the weighted least-squares fit: poles, steps of the level and coefficients together. It
counts every reading as independent; where the residuals pull together from row to row or from channel to channel, what
they really pull counts instead (the sandwich of White 1980, with neighbours by Newey and West 1987). The noise that
smoothing leaves in the level of the drive moves all channels; it is carried through the model by drawing it.
Calibration is a budget item of its own and enters the amplification only: a gain common to all rows moves neither
frequency nor damping.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reportgen.compute.identification.envelope import Complexes, response_to_noise
from reportgen.compute.identification.least_squares import FitProblem, Solution
from reportgen.compute.identification.modal_model import Background, Columns, SteadyColumns
from reportgen.records.log import Floats

_TWO_PI = 2.0 * np.pi
"""rad a cycle."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SteadyPeak:
    """Steady-state transfer of the fitted model near one mode on one channel."""

    frequency_hz: float
    amplification: float
    std: float | None
    """From the fit alone."""
    phase_deg: float
    """At the undamped natural frequency, −180 … 180."""
    own: bool
    """False where the response has no peak of its own near the mode; the value is then that at f₀."""


@dataclass(frozen=True, slots=True, eq=False)
class Spread:
    """How far the noise of a run moves what was identified from it."""

    covariance: Floats
    """Of (ln f₀, ln ζ) of all modes and the sizes of the events for unit noise, shape (p, p)."""
    scores: Floats
    """What the residuals of each row, all channels, pull at them, shape (p, n)."""
    own_scores: list[Floats]
    """Per channel: the same for its coefficients, shape (P, n)."""
    drawn: Floats
    """Pull of courses of noise of the level, drawn at random, shape (p, k)."""
    own_drawn: list[Floats]
    """Per channel, shape (P, k)."""

    def of_pole(self, i: int, inflation: float) -> float:
        """Standard deviation of parameter i of (ln f₀, ln ζ, …)."""
        pull = self.covariance[i]
        return float(np.sqrt(self._variance(pull @ self.scores, pull @ self.drawn, self.covariance[i, i] * inflation)))

    def of_size(self, solution: Solution, c: int, by_x: Floats, by_pole: Floats, inflation: float) -> float:
        """Standard deviation of what changes by ``by_x`` (P,) with the coefficients of channel c, ``by_pole`` (p,)."""
        own = solution.normals[c].divide(by_x)
        total = by_pole - solution.coupling[c].T @ by_x
        pull = self.covariance @ total
        series = pull @ self.scores + own @ self.own_scores[c]
        drawn = pull @ self.drawn + own @ self.own_drawn[c]
        return float(np.sqrt(self._variance(series, drawn, float(by_x @ own + total @ pull) * inflation)))

    @staticmethod
    def _variance(series: Floats, drawn: Floats, alone: float) -> float:
        """``alone``, of noise independent from row to row and channel to channel, or what the residuals show if more;
        and the part of the level."""
        level = float(np.mean(drawn**2)) if drawn.size else 0.0
        return max(alone, _serial_variance(series)) + level


def spread_of(problem: FitProblem, solution: Solution) -> Spread:
    """Spread of a solution: noise of the readings as the residuals show it, and of the level as it is known."""
    n, p = len(problem.drive.omega), len(solution.information)
    changes = _level_changes(problem, solution)
    scores, drawn = np.zeros((p, n)), np.zeros((p, len(changes.level)))
    own_scores, own_drawn = [], []
    for c, at in enumerate(problem.tangents(solution)):
        scores += _by_row(at.slope * at.left, n)
        own_scores.append(_by_row(at.rows * at.left, n))
        moved = at.weighted(_model_changes(problem, solution, c, at.basis, changes))
        drawn += at.slope @ moved.T
        own_drawn.append(at.rows @ moved.T)
    return Spread(_covariance(solution), scores, own_scores, drawn, own_drawn)


def _by_row(values: Floats, n: int) -> Floats:
    """Parts along and across the reading added up, (k, n) of (k, n) or (k, 2n)."""
    return np.asarray(values.reshape(len(values), values.shape[1] // n, n).sum(axis=1))


def _covariance(solution: Solution) -> Floats:
    scale = np.sqrt(np.maximum(np.diag(solution.information), 1e-300))
    inverse = np.linalg.pinv(solution.information / np.outer(scale, scale), rcond=1e-13, hermitian=True)
    return np.asarray(inverse / np.outer(scale, scale))


def _serial_variance(series: Floats) -> float:
    """Variance of the sum of a series whose neighbours may belong together (Newey and West 1987, Bartlett weights).

    Rows pull together where the model lacks something, channels where the control is read with noise: both are in it.
    """
    square = float(series @ series)
    fourth = float(np.sum(series**4))
    if fourth <= 0.0:
        return 0.0
    rows = 3.0 * square**2 / fourth
    lags = int(np.clip(np.sqrt(rows), 1, len(series) - 1))
    padded = np.concatenate([series, np.zeros(lags)])
    total = square
    for lag in range(1, lags + 1):
        total += 2.0 * (1.0 - lag / (lags + 1.0)) * float(series @ padded[lag : lag + len(series)])
    return max(total, 0.0)


_DRAWS = 24
"""Courses of noise of the level; their number leaves the standard deviation of that part uncertain by 15 %."""
_SMALL = 0.1
"""Noise of the level over that of the readings below which it is left out: it would add half a per cent."""


@dataclass(frozen=True, slots=True, eq=False)
class _Changes:
    """Courses of noise of the level and what they do to the envelopes of every mode."""

    level: Floats
    """Shape (k, n)."""
    upper: list[Complexes]
    """Of the upper pole of each mode, (k, n)."""
    lower: list[Complexes]


def _level_changes(problem: FitProblem, solution: Solution) -> _Changes:
    """Courses of noise of the level, drawn with a fixed seed; none where they would not count."""
    level, drive = problem.drive.level, problem.drive
    if level is None or not level.half.any() or _quiet(problem, level.noise):
        drawn = np.zeros((0, len(drive.omega)))
    else:
        random = np.random.default_rng(len(level.noise))
        drawn = level.left(level.noise[:, None] * random.standard_normal((_DRAWS, len(level.noise))).T).T
    poles = [complex(s) for s in solution.poles.s]
    return _Changes(
        drawn,
        [response_to_noise(drive, s, drawn) for s in poles],
        [response_to_noise(drive, s.conjugate(), drawn) for s in poles],
    )


def _quiet(problem: FitProblem, noise: Floats) -> bool:
    """True where the noise of the level is small beside that of every channel."""
    relative = noise / problem.drive.amplitude
    sharpest = np.max(problem.weights.along * problem.readings.amplitude, axis=1)
    return float(np.median(relative * sharpest)) < _SMALL


def _model_changes(problem: FitProblem, solution: Solution, c: int, basis: Columns, changes: _Changes) -> Complexes:
    """Change of the model of channel c by each course of noise of the level, shape (k, n)."""
    x, kind = solution.coefficients[c], problem.readings.kinds[c]
    direct = len(problem.powers)
    change = np.asarray(changes.level * (x[:direct] @ basis.values[:direct] / problem.drive.amplitude), complex)
    for k in range(len(solution.poles)):
        own = basis.mode == k
        residue = complex(x[own] @ basis.residues[own]) / problem.centre**kind.power
        change += residue * changes.upper[k] + residue.conjugate() * changes.lower[k]
    return change


@dataclass(frozen=True, slots=True, eq=False)
class SteadyResponse:
    """Steady-state transfer of one channel of a solution at any frequencies."""

    columns: SteadyColumns
    coefficients: Floats
    """Shape (P,)."""

    @classmethod
    def of(cls, problem: FitProblem, solution: Solution, c: int) -> SteadyResponse:
        """Of channel c."""
        background = Background(problem.powers, problem.centre, problem.extra)
        return cls(SteadyColumns.of(solution.poles, problem.readings.kinds[c], background), solution.coefficients[c])

    def transfer(self, frequency_hz: Floats) -> Complexes:
        """H, of the shape of ``frequency_hz``."""
        return np.asarray(self.coefficients @ self.columns.values(_TWO_PI * frequency_hz))

    def residue(self, k: int) -> complex:
        """Of H(s) at the pole of mode k, rad/s times the channel's own unit over the control's."""
        own = self._own() == k
        scale = self.columns.background.centre**self.columns.power
        return complex(self._of_modes()[own] @ self.columns.residue[own] * scale)

    def peak_beside(self, f0: float, q: float) -> tuple[float, bool]:
        """Frequency of the local maximum of |H| nearest to f₀ within a bandwidth, and whether there is one."""
        reach = min(1.0 / q, 0.5)
        frequency = f0 * np.linspace(1 - reach, 1 + reach, 401)
        height = np.abs(self.transfer(frequency))
        tops = np.flatnonzero((height[1:-1] >= height[:-2]) & (height[1:-1] > height[2:])) + 1
        if len(tops) == 0:
            return f0, False
        top = tops[np.argmin(np.abs(frequency[tops] - f0))]
        fine = np.linspace(frequency[top - 1], frequency[top + 1], 101)
        return float(fine[np.argmax(np.abs(self.transfer(fine)))]), True

    def size_gradient(self, frequency_hz: float, unknowns: int) -> tuple[Floats, Floats]:
        """∂|H|/∂coefficients, shape (P,), and by the ``unknowns`` (ln f₀, ln ζ, …, events), at one frequency."""
        omega = np.array([_TWO_PI * frequency_hz])
        values = self.columns.values(omega)[:, 0]
        transfer = self.coefficients @ values
        turn = np.conj(transfer) / max(abs(transfer), 1e-300)
        by_pole = np.zeros(unknowns)
        slopes = (turn * self._of_modes()[:, None] * self.columns.by_modes(omega)[:, :, 0]).real
        np.add.at(by_pole[: 2 * (self._own().max(initial=-1) + 1)].reshape(-1, 2), self._own(), slopes)
        return (turn * values).real, by_pole

    def _own(self) -> np.ndarray:
        return self.columns.mode[len(self.columns.mode) - len(self.columns.pole) :]

    def _of_modes(self) -> Floats:
        return self.coefficients[len(self.coefficients) - len(self.columns.pole) :]


def steady_peak(
    response: SteadyResponse, solution: Solution, spread: Spread, c: int, k: int, inflation: float
) -> SteadyPeak:
    """|H| at its steady-state peak within a bandwidth of mode k, with the uncertainty of the fit."""
    f0, q = float(solution.poles.frequency_hz[k]), float(solution.poles.q[k])
    peak, own = response.peak_beside(f0, q)
    at_peak, at_f0 = response.transfer(np.array([peak, f0]))
    std = spread.of_size(solution, c, *response.size_gradient(peak, len(solution.information)), inflation)
    return SteadyPeak(
        frequency_hz=peak,
        amplification=float(abs(at_peak)),
        std=std if np.isfinite(std) else None,
        phase_deg=float(np.degrees(np.angle(at_f0))),
        own=own,
    )
