"""A mode whose frequency and damping follow its own amplitude: ln ω₀ and ln ζ as polynomials in it.

The amplitude is read from the log, row by row: what a channel shows beyond all else than this mode. The equation of the
mode is then linear with a pole known at every row, so that fold-over and jumps, up or down, are followed without
asking on which branch the sweep is. Averaging: Nayfeh and Mook, Nonlinear Oscillations (1979), ch. 2-4, from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from reportgen.compute.misfit.band import Complexes
from reportgen.records.log import Floats

LevelShape = Callable[[Complexes], Complexes]
"""Response of a unit mode whose pole at every row is given, (n,) to (n,)."""
TERMS = ((0, 0), (1, 0), (0, 1), (1, 1), (2, 1), (1, 2), (2, 2))
"""Terms beyond the constant of ln ω₀ and of ln ζ, in the order in which they are tried."""
_STEP = 1e-6
_START_FACTORS = (0.5, 1.0, 2.0)
"""Of the damping of the fit that does not move: a peak that bends looks too broad or too sharp."""
LEAST_RANGE = 1.5
"""Largest amplitude over smallest from which a law of amplitude can be told."""


@dataclass(frozen=True, slots=True, eq=False)
class LevelMode:
    """One mode over some rows."""

    omega: Floats
    """Coefficients of ln ω₀ by (a / reference)ᵏ, lowest first."""
    zeta: Floats
    """The same of ln ζ."""
    reference: float
    """Amplitude that counts as one: the largest on the rows, in the unit of the amplitude."""
    covariance: Floats
    """Of all coefficients, those of ω first."""
    residues: Complexes
    """Per channel."""
    flat: Complexes
    """Coefficients of all else, shape (p, c)."""
    cost: float
    freedom: int
    """Readings (real) less unknowns."""
    model: Complexes

    def frequency_at(self, amplitude: float) -> tuple[float, float]:
        """Hz and standard deviation at an amplitude within those of the rows."""
        x = _powers(np.array([amplitude / self.reference]), len(self.omega))[0]
        size = len(self.omega)
        value = float(np.exp(self.omega @ x) / (2 * np.pi))
        return value, value * float(np.sqrt(x @ self.covariance[:size, :size] @ x))

    def q_at(self, amplitude: float) -> tuple[float, float]:
        """Q and standard deviation at an amplitude within those of the rows."""
        size = len(self.omega)
        x = _powers(np.array([amplitude / self.reference]), len(self.zeta))[0]
        value = float(0.5 / np.exp(self.zeta @ x))
        return value, value * float(np.sqrt(x @ self.covariance[size:, size:] @ x))


def steady_shape(omega: Floats) -> LevelShape:
    """Steady state: the mode answers at once, E = 1/(iω − s)."""
    return lambda pole: np.asarray(1.0 / (1j * omega - pole))


def swept_shape(time_s: Floats, phase: Floats, level: Floats, part: int = 8) -> LevelShape:
    """A sweep with time (s), drive phase (rad) and drive level at every row: E′ = (s − iφ′) E + A marched, over A.

    Pole, level and phase are straight within ``part`` parts of a row, exponential for the linear part.
    """
    t = np.interp(np.arange((len(time_s) - 1) * part + 1) / part, np.arange(len(time_s)), time_s)
    drive, amplitude = np.interp(t, time_s, phase), np.interp(t, time_s, level)
    h = np.diff(t)

    def shape(pole: Complexes) -> Complexes:
        s = np.interp(t, time_s, pole.real) + 1j * np.interp(t, time_s, pole.imag)
        turn = 0.5 * (s[1:] + s[:-1]) * h - 1j * np.diff(drive)
        gain = np.exp(turn)
        load = 0.5 * (amplitude[1:] + amplitude[:-1]) * h * np.where(np.abs(turn) < 1e-9, 1.0, np.expm1(turn) / turn)
        value = np.empty(len(t), complex)
        rate = (drive[1] - drive[0]) / h[0]
        value[0] = amplitude[0] / (1j * rate - s[0])
        for i in range(len(h)):
            value[i + 1] = gain[i] * value[i] + load[i]
        return np.asarray(value[::part] / level)

    return shape


def fit_level(
    shape: LevelShape,
    flat: Complexes,
    values: Complexes,
    weight: Floats,
    amplitude: Floats,
    start: Floats,
    terms: tuple[int, int],
) -> LevelMode:
    """One mode with so many terms: ``flat`` (p, n) for all else, values and weights (n, c), amplitude (n,).

    ``start``: coefficients of ln ω₀, then of ln ζ.
    """
    reference = float(np.max(amplitude))
    x = amplitude / reference
    size = terms[0] + 1
    wide, wise = _powers(x, size), _powers(x, terms[1] + 1)

    def left(p: Floats) -> tuple[Floats, Complexes, Complexes]:
        zeta = np.clip(np.exp(wise @ p[size:]), 1e-6, 0.35)
        pole = np.exp(wide @ p[:size]) * (-zeta + 1j * np.sqrt(1 - zeta**2))
        basis = np.vstack([shape(pole), flat])
        return _projected(basis, values, weight)

    return _levenberg(left, start, size, reference, values, len(flat))


def _powers(x: Floats, size: int) -> Floats:
    return np.asarray(x[:, None] ** np.arange(size))


def _projected(basis: Complexes, values: Complexes, weight: Floats) -> tuple[Floats, Complexes, Complexes]:
    out, model, first = [], np.empty_like(values), np.zeros((len(basis), values.shape[1]), complex)
    for c in range(values.shape[1]):
        matrix = (basis * weight[:, c]).T
        scale = np.linalg.norm(matrix, axis=0) + 1e-300
        coefficients = np.linalg.lstsq(matrix / scale, values[:, c] * weight[:, c], rcond=1e-10)[0] / scale
        model[:, c] = coefficients @ basis
        first[:, c] = coefficients
        rest = (values[:, c] - model[:, c]) * weight[:, c]
        out.append(np.concatenate([rest.real, rest.imag]))
    return np.concatenate(out), model, first


def _levenberg(
    left: Callable[[Floats], tuple[Floats, Complexes, Complexes]], p: Floats, size: int, reference: float,
    values: Complexes, flat: int,
) -> LevelMode:  # fmt: skip
    damping, (rest, model, residues) = 1e-3, left(p)
    slopes = _slopes(left, p, rest)
    for _ in range(60):
        matrix, gradient = slopes.T @ slopes, slopes.T @ rest
        scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-300))
        step = scale * np.linalg.solve(matrix * np.outer(scale, scale) + damping * np.eye(len(p)), -scale * gradient)
        trial = left(p + np.clip(step, -0.5, 0.5))
        if trial[0] @ trial[0] < rest @ rest:
            gained = rest @ rest - trial[0] @ trial[0]
            p = p + np.clip(step, -0.5, 0.5)
            rest, model, residues = trial
            slopes, damping = _slopes(left, p, rest), max(damping / 10, 1e-9)
            if gained < 1e-5 * float(rest @ rest) + 1e-12:
                break
        else:
            damping *= 10
            if damping > 1e6:
                break
    freedom = max(1, 2 * values.size - len(p) - 2 * (flat + 1) * values.shape[1])
    covariance = np.asarray(np.linalg.pinv(slopes.T @ slopes, hermitian=True))
    return LevelMode(
        p[:size], p[size:], reference, covariance, residues[0], residues[1:], float(rest @ rest), freedom, model
    )


def _slopes(left: Callable[[Floats], tuple[Floats, Complexes, Complexes]], p: Floats, rest: Floats) -> Floats:
    return np.stack([(left(p + _STEP * e)[0] - rest) / _STEP for e in np.eye(len(p))], axis=1)


def choose_level(
    shape: LevelShape,
    flat: Complexes,
    values: Complexes,
    weight: Floats,
    amplitude: Floats,
    start: tuple[float, float],
    correlated: float = 1.0,
) -> tuple[LevelMode, tuple[int, int]]:
    """The terms with the least Schwarz criterion N ln χ² + p ln N, readings counted once in ``correlated`` rows.

    Every number of terms starts from the fits with fewer, and from the ``start`` with more and with less damping.
    """
    enough = np.max(amplitude) >= LEAST_RANGE * np.min(amplitude)
    found: dict[tuple[int, int], LevelMode] = {}
    for terms in TERMS if enough else TERMS[:1]:
        starts = [_padded((np.log(start[0]),), (np.log(start[1] * factor),), terms) for factor in _START_FACTORS]
        fewer = [each for had, each in found.items() if had[0] <= terms[0] and had[1] <= terms[1]]
        starts += [_padded(tuple(each.omega), tuple(each.zeta), terms) for each in fewer]
        tried = [fit_level(shape, flat, values, weight, amplitude, each, terms) for each in starts]
        found[terms] = min(tried, key=lambda each: each.cost)
    count = 2.0 * values.size / correlated
    chosen = min(found, key=lambda terms: count * np.log(found[terms].cost) + sum(terms) * np.log(count))
    return _scaled(found[chosen], correlated), chosen


def _padded(omega: tuple[float, ...], zeta: tuple[float, ...], terms: tuple[int, int]) -> Floats:
    """Parameters with zeros for the terms that are new."""
    out = np.zeros(sum(terms) + 2)
    out[: len(omega)] = omega
    out[terms[0] + 1 : terms[0] + 1 + len(zeta)] = zeta
    return out


def _scaled(best: LevelMode, correlated: float) -> LevelMode:
    """With the covariance that what is left asks for."""
    scale = max(best.cost / best.freedom, 1e-300) * correlated
    return replace(best, covariance=best.covariance * scale)
