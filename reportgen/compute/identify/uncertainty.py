"""Standard uncertainties of what was identified (JCGM 100:2008, 5.1 and 5.2).

The covariance is that of the weighted least-squares fit, poles and coefficients together; it is inflated where the
residuals around a mode are larger than the noise or not white. Calibration is a budget item of its own and enters the
amplification only: a gain common to all rows moves neither frequency nor damping.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reportgen.compute.identify.fit import Problem, Solution
from reportgen.compute.identify.model import Columns, steady_columns
from reportgen.records.log import Floats

_TWO_PI = 2.0 * np.pi


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


def pole_covariance(solution: Solution) -> Floats:
    """Covariance of (ln f₀, ln ζ) of all modes for unit noise, shape (2m, 2m)."""
    scale = np.sqrt(np.maximum(np.diag(solution.information), 1e-300))
    inverse = np.linalg.pinv(solution.information / np.outer(scale, scale), rcond=1e-13, hermitian=True)
    return np.asarray(inverse / np.outer(scale, scale))


def steady_peak(
    problem: Problem, solution: Solution, covariance: Floats, c: int, k: int, inflation: float
) -> SteadyPeak:
    """|H| at its steady-state peak within a bandwidth of mode k, with the uncertainty of the fit."""
    f0, q = float(solution.poles.frequency_hz[k]), float(solution.poles.q[k])
    peak, own = _peak_frequency(problem, solution, c, f0, q)
    basis = _steady(problem, solution, c, np.array([peak, f0]))
    transfer = solution.coefficients[c] @ basis.values
    gradient = _size_gradient(basis, solution, c)
    variance = _variance(solution, covariance, c, *gradient) * inflation
    return SteadyPeak(
        frequency_hz=peak,
        amplification=float(abs(transfer[0])),
        std=float(np.sqrt(variance)) if np.isfinite(variance) else None,
        phase_deg=float(np.degrees(np.angle(transfer[1]))),
        own=own,
    )


def steady_magnitude(problem: Problem, solution: Solution, c: int, frequency_hz: Floats) -> Floats:
    """|H| of the fitted model at any frequencies, shape of ``frequency_hz``."""
    return np.asarray(np.abs(solution.coefficients[c] @ _steady(problem, solution, c, frequency_hz).values))


def _steady(problem: Problem, solution: Solution, c: int, frequency_hz: Floats) -> Columns:
    return steady_columns(
        _TWO_PI * frequency_hz,
        solution.poles,
        problem.readings.kinds[c],
        problem.powers,
        problem.centre,
        len(problem.extra),
    )


def _peak_frequency(problem: Problem, solution: Solution, c: int, f0: float, q: float) -> tuple[float, bool]:
    """Frequency of the local maximum of |H| nearest to f₀ within a bandwidth, and whether there is one."""
    reach = min(1.0 / q, 0.5)
    frequency = f0 * np.linspace(1 - reach, 1 + reach, 401)
    height = steady_magnitude(problem, solution, c, frequency)
    tops = np.flatnonzero((height[1:-1] >= height[:-2]) & (height[1:-1] > height[2:])) + 1
    if len(tops) == 0:
        return f0, False
    top = tops[np.argmin(np.abs(frequency[tops] - f0))]
    fine = np.linspace(frequency[top - 1], frequency[top + 1], 101)
    return float(fine[np.argmax(steady_magnitude(problem, solution, c, fine))]), True


def _size_gradient(basis: Columns, solution: Solution, c: int) -> tuple[Floats, Floats]:
    """∂|H|/∂coefficients, shape (P,), and ∂|H|/∂(ln f₀, ln ζ) of all modes, shape (2m,), at the first frequency."""
    x = solution.coefficients[c]
    transfer = x @ basis.values[:, 0]
    turn = np.conj(transfer) / max(abs(transfer), 1e-300)
    by_pole = np.zeros(2 * len(solution.poles))
    for k in range(len(solution.poles)):
        own = basis.mode == k
        by_pole[2 * k : 2 * k + 2] = (turn * (x[own] @ basis.derivative[own, :, 0])).real
    return (turn * basis.values[:, 0]).real, by_pole


def _variance(solution: Solution, covariance: Floats, c: int, by_x: Floats, by_pole: Floats) -> float:
    total = by_pole - solution.coupling[c].T @ by_x
    return float(by_x @ solution.normals[c].divide(by_x) + total @ covariance @ total)
