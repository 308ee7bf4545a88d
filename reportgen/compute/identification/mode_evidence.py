"""What speaks for a mode: by how much χ² would rise without it, and by how much chance would raise it.

A mode counts as found where, on at least one channel, taking it out would raise χ² by more than the quantile of the
chi-squared distribution that chance would pass once in a million searches (Bonferroni over the searched places). The
noise is the log's own, inflated where the residuals around the mode are larger than it or not white (first-order
autocorrelation ρ: (1+ρ)/(1−ρ), Bartlett 1946). Its contribution must moreover be visible in the response, and rest on
several rows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import chdtri

from reportgen.compute.identification.envelope import Complexes
from reportgen.compute.identification.least_squares import FitProblem, Solution
from reportgen.compute.identification.modal_model import Columns
from reportgen.compute.identification.readings import Readings
from reportgen.records.log import Floats

CHANCE = 1e-6
"""Accepted chance of a false mode over a whole search."""
LEAST_SHARE = 0.02
"""Smallest contribution to the response at its own peak, as a fraction, that counts as a mode."""
LEAST_Q = 1.5
"""Q from which a mode is reported: one of lower Q has hardly a peak (none from 1/√2 down) and serves as background."""
_INFLATION_CAP = 400.0
"""Most by which the noise variance is inflated: residuals of 20 σ say that the model is wrong, not how noisy it is."""


@dataclass(frozen=True, slots=True, eq=False)
class ModeEvidence:
    """How well each mode stands on each channel."""

    gain: Floats
    """χ² by which taking the mode out would raise the misfit, noise inflated as seen, shape (m, c)."""
    share: Floats
    """Largest contribution to the response near the mode, as a fraction of the response there, shape (m, c)."""
    rows: np.ndarray
    """Rows on which the mode stands out of the noise and above a twentieth of its own peak, shape (m,)."""
    inflation: Floats
    """Of the noise variance around the mode, shape (m, c)."""

    def inflation_of(self, k: int) -> float:
        """Of mode k over the channels, weighted by how well they see it."""
        weight = np.maximum(self.gain[k] * self.inflation[k], 1e-12)
        return float(np.sum(weight * self.inflation[k]) / np.sum(weight))


MORE_THAN_NOISE = 2.0
"""Inflation of the noise variance over the whole run from which the model is in doubt."""


@lru_cache(maxsize=1000)
def threshold(searched: int, terms: int) -> float:
    """χ² that chance passes once in 1/``CHANCE`` over the searched places."""
    return float(chdtri(terms, CHANCE / max(searched, 1)))


def score_of(gain: Floats, searched: int, terms: int) -> Floats:
    """χ² gained over what chance would gain: the best of one channel alone and of all together; 1 is the threshold.

    Of one place or of many: ``gain`` (…, c) makes scores (…).
    """
    channels = gain.shape[-1]
    alone = gain.max(axis=-1) / threshold(searched * channels, terms + 2)
    return np.asarray(np.maximum(alone, gain.sum(axis=-1) / threshold(searched, terms * channels + 2)))


def residual_of(readings: Readings, solution: Solution) -> Complexes:
    """What the model leaves: complex where there is a phase, else in magnitude; shape (n, c)."""
    model = np.stack(solution.models, axis=1)
    left = np.where(
        readings.with_phase, readings.complex_value - model, (readings.amplitude - np.abs(model)).astype(complex)
    )
    return np.where(readings.valid, left, 0.0)


def mode_evidence(problem: FitProblem, solution: Solution, only: Sequence[int] | None = None) -> ModeEvidence:
    """Wald statistics of every mode on every channel, against noise inflated by what is left around it.

    Of some modes ``only``, where others are not asked for; theirs stays 0.
    """
    m, channels = len(solution.poles), len(problem.readings.kinds)
    found = ModeEvidence(np.zeros((m, channels)), np.zeros((m, channels)), np.zeros(m, int), np.ones((m, channels)))
    white = _whitened(problem, solution)
    bases = problem.bases(solution.poles)
    modes = {
        kind: {k: _Part.of(basis, k) for k in range(m) if only is None or k in only} for kind, basis in bases.items()
    }
    for c, kind in enumerate(problem.readings.kinds):
        covariance = solution.normals[c].covariance
        size = np.maximum(np.abs(solution.models[c]), problem.readings.amplitude[:, c])
        for k, mode in modes[kind].items():
            x = solution.coefficients[c][mode.own]
            read = mode.window & problem.readings.valid[:, c]
            found.inflation[k, c] = _inflation([part[read] for part in white[c]])
            found.gain[k, c] = _wald(x, covariance[np.ix_(mode.own, mode.own)]) / found.inflation[k, c]
            part = mode.share_of(x)
            found.share[k, c] = np.max(part[mode.window] / np.maximum(size[mode.window], 1e-300), initial=0.0)
            out_of_noise = part * problem.weights.along[:, c]
            standing = int(np.sum(out_of_noise > max(3.0, 0.05 * float(out_of_noise.max(initial=0.0)))))
            found.rows[k] = max(found.rows[k], standing)
    return found


def _wald(x: Floats, covariance: Floats) -> float:
    """xᵀ C⁻¹ x of the coefficients of one mode, (1,) or (2,)."""
    if len(x) == 1:
        return float(x[0] ** 2 / covariance[0, 0]) if covariance[0, 0] > 0.0 else 0.0
    return float(x @ np.linalg.pinv(covariance, hermitian=True) @ x)


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """The columns of one mode in a basis."""

    own: np.ndarray
    """Indices of its coefficients."""
    values: Complexes
    size: Floats
    """Of the first column, shape (n,)."""
    window: np.ndarray
    """Rows around the mode, bool, shape (n,)."""

    @classmethod
    def of(cls, basis: Columns, k: int) -> _Part:
        own = np.flatnonzero(basis.mode == k)
        size = np.abs(basis.values[own[0]])
        return cls(own, basis.values[own], size, _window(size))

    def share_of(self, x: Floats) -> Floats:
        """Size of the mode's part of a response with coefficients ``x``, shape (n,)."""
        return np.asarray(abs(x[0]) * self.size if len(x) == 1 else np.abs(x @ self.values))


def _window(size: Floats) -> np.ndarray:
    """Rows on which a mode is above a fifth of its peak, at least 25; bool, shape (n,)."""
    peak = int(np.argmax(size))
    window = size > 0.2 * size[peak]
    window[max(0, peak - 12) : peak + 13] = True
    return np.asarray(window)


def _whitened(problem: FitProblem, solution: Solution) -> list[list[Floats]]:
    """Per channel: residuals over σ along and (with phase) across the reading, clipped at 8."""
    left = residual_of(problem.readings, solution) * problem.readings.turn
    white = []
    for c in range(left.shape[1]):
        parts = [np.clip(left[:, c].real * problem.weights.along[:, c], -8.0, 8.0)]
        if problem.readings.with_phase[c]:
            parts.append(np.clip(left[:, c].imag * problem.weights.across[:, c], -8.0, 8.0))
        white.append(parts)
    return white


def inflation_of_all(problem: FitProblem, solution: Solution) -> float:
    """Of the noise variance over all rows and channels."""
    return _inflation([part for channel in _whitened(problem, solution) for part in channel])


def _inflation(parts: list[Floats]) -> float:
    """Factor on the noise variance: residual variance around the mode over the noise, and its lack of whiteness."""
    readings = sum(len(part) for part in parts)
    if readings < 6:
        return 1.0
    square = sum(float(part @ part) for part in parts)
    variance = square / max(readings - 6, 1)
    lag = sum(float(part[1:] @ part[:-1]) for part in parts) / max(square, 1e-300)
    lag = float(np.clip(lag - 2.0 / np.sqrt(readings), 0.0, 0.9))
    return float(np.clip(max(variance, 1.0) * (1 + lag) / (1 - lag), 1.0, _INFLATION_CAP))


def schwarz(problem: FitProblem, solution: Solution) -> float:
    """−2 ln likelihood of the readings at the noise found, plus ln(readings) for every unknown: the less the better.

    Schwarz, Ann. Statist. 6 (1978) 461.
    """
    weights = _readings(problem)
    return float(solution.cost - 2.0 * np.sum(np.log(weights)) + price_of_unknowns(problem, solution))


def price_of_unknowns(problem: FitProblem, solution: Solution) -> float:
    """What Schwarz's criterion adds for all unknowns of a solution."""
    unknowns = 2 * len(solution.poles) + sum(len(x) for x in solution.coefficients)
    return float(unknowns * np.log(len(_readings(problem))))


def _readings(problem: FitProblem) -> Floats:
    """1/σ of every number read: each reading along, and across where there is phase; shape (N,)."""
    along, across = problem.weights.along, problem.weights.across * problem.readings.with_phase
    return np.concatenate([along[along > 0], across[across > 0]])
