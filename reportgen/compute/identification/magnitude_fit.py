"""Coefficients of a channel without phase: |model| is fitted, so the signs of the modes have to be searched for."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np

from reportgen.compute.identification.envelope import Complexes
from reportgen.compute.identification.normal_equations import Normal
from reportgen.records.log import Floats

_STEPS = 12
"""Guard: Gauss-Newton steps; four are usual."""
_HALVINGS = 6
"""Times a step that raises χ² is cut to 0.4: the last is 0.4 % of the first."""
_FIRST_STEPS = 3
"""Steps after which combinations of signs are compared."""
_PROMISING = 4
"""Combinations of signs that are followed to the end."""
_SHOWS = 4.0
"""χ² of a part of a response by itself, from which its sign matters: two standard deviations."""
_SETTLED = 1e-2
"""Fall of χ² still to be had, by the linear forecast, below which the steps stop."""


@dataclass(frozen=True, slots=True, eq=False)
class MagnitudeFit:
    """Coefficients of least cost near a start, with what the search for the poles needs."""

    coefficients: Floats
    rows: Floats
    """Change of the weighted magnitude per coefficient, shape (P, n)."""
    normal: Normal
    left: Floats
    """Weighted residual in magnitude, shape (n,)."""
    turn: Complexes
    """Weight times the conjugate direction of the model, shape (n,): real(turn · dM) is the change of |M|."""

    @property
    def cost(self) -> float:
        """Σ (residual/σ)²."""
        return float(self.left @ self.left)


def _at(values: Complexes, weight: Floats, amplitude: Floats, held: Complexes, x: Floats) -> MagnitudeFit:
    model = held + x @ values
    size = np.maximum(np.abs(model), 1e-300)
    turn = np.asarray(weight * np.conj(model) / size, complex)
    rows = values.real * turn.real - values.imag * turn.imag
    return MagnitudeFit(x, rows, Normal.of(rows), weight * (amplitude - size), turn)


def fit_magnitudes(
    values: Complexes, weight: Floats, amplitude: Floats, held: Complexes, start: Floats, steps: int = _STEPS
) -> MagnitudeFit:
    """Gauss-Newton with step halving from ``start``; values (P, n), weight, amplitude and held part (n,)."""
    best = _at(values, weight, amplitude, held, start)
    for _ in range(steps):
        slope = best.rows @ best.left
        step = best.normal.divide(slope)
        if float(step @ slope) < _SETTLED:
            break
        trial = _shortened(values, weight, amplitude, held, best, step)
        if trial is None:
            break
        best = trial
    return best


def _shortened(
    values: Complexes, weight: Floats, amplitude: Floats, held: Complexes, best: MagnitudeFit, step: Floats
) -> MagnitudeFit | None:
    for _ in range(_HALVINGS):
        x = best.coefficients + step
        left = weight * (amplitude - np.abs(held + x @ values))
        if float(left @ left) < best.cost:
            return _at(values, weight, amplitude, held, x)
        step = 0.4 * step
    return None


def with_best_signs(
    values: Complexes, weight: Floats, amplitude: Floats, held: Complexes, start: Floats, groups: list[np.ndarray]
) -> Floats:
    """Coefficients after turning the sign of whichever group lowers the cost, until none does."""
    best = fit_magnitudes(values, weight, amplitude, held, start)
    changed = True
    while changed:
        changed = False
        for group in groups:
            x = best.coefficients.copy()
            x[group] *= -1.0
            trial = fit_magnitudes(values, weight, amplitude, held, x)
            if trial.cost < best.cost - 1.0:
                best, changed = trial, True
    return best.coefficients


def with_best_of_all_signs(
    values: Complexes, weight: Floats, amplitude: Floats, held: Complexes, start: Floats, groups: list[np.ndarray]
) -> Floats:
    """Coefficients after trying every combination of signs of the groups; turning one after the other can get stuck.

    What is lost in the noise has no sign to be tried.
    """
    best = fit_magnitudes(values, weight, amplitude, held, start)
    groups = [g for g in groups if np.sum((weight * np.abs(best.coefficients[g] @ values[g])) ** 2) > _SHOWS]
    tried = []
    for signs in product((1.0, -1.0), repeat=len(groups)):
        x = best.coefficients.copy()
        for sign, group in zip(signs, groups, strict=True):
            x[group] *= sign
        tried.append(fit_magnitudes(values, weight, amplitude, held, x, _FIRST_STEPS))
    for promising in sorted(tried, key=lambda fit: fit.cost)[:_PROMISING]:
        trial = fit_magnitudes(values, weight, amplitude, held, promising.coefficients)
        if trial.cost < best.cost - 1.0:
            best = trial
    return best.coefficients
