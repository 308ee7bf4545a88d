"""A mode whose frequency and damping follow its own amplitude.

The amplitude is read from the log, row by row: what a channel shows beyond all else than this mode. The equation of the
mode is then linear with a pole known at every row, so that fold-over and jumps, up or down, are followed without
asking on which branch the sweep is. Averaging: Nayfeh and Mook, Nonlinear Oscillations (1979), ch. 2-4; micro-slip as a
power law: Segalman (2005); both from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from reportgen.compute.identification.envelope import recurrence
from reportgen.compute.identification.misfit.band import Complexes
from reportgen.records.log import Floats

LevelShape = Callable[[Complexes], Complexes]
"""Response of a unit mode whose pole at every row is given, (n,) to (n,)."""
_STEP = 1e-6
_START_FACTORS = (0.5, 1.0, 2.0)
"""Of the damping of the fit that does not move: a peak that bends looks too broad or too sharp."""
LEAST_RANGE = 1.5
"""Largest amplitude over smallest from which a law of amplitude can be told."""
LEAST_LEVEL = 1e-3
"""Level over the largest below which a law is not asked: there a row says nothing of its mode's pole."""
_ZETA = (1e-6, 0.35)


class Term(StrEnum):
    """A term of ln ω₀ or of ln ζ in x, the level over the largest one."""

    LINEAR = "x"
    SQUARE = "x squared"
    LOG = "ln x"


_TERM: dict[Term, Callable[[Floats], Floats]] = {
    Term.LINEAR: lambda x: x,
    Term.SQUARE: lambda x: x * x,
    Term.LOG: lambda x: np.asarray(np.log(x)),
}


@dataclass(frozen=True, slots=True)
class LevelLaw:
    """How ln ω₀ and ζ follow the level."""

    omega: tuple[Term, ...] = ()
    zeta: tuple[Term, ...] = ()
    slip: bool = False
    """True: dry friction, ζ = ζ₀ + ζ₁/x, both positive; ``zeta`` is empty then."""

    @property
    def unknowns(self) -> tuple[int, int]:
        """Of ω₀ and of ζ."""
        return 1 + len(self.omega), 2 if self.slip else 1 + len(self.zeta)

    @property
    def moves(self) -> bool:
        """Whether anything follows the level."""
        return bool(self.omega or self.zeta or self.slip)

    def omega_at(self, p: Floats, x: Floats) -> Floats:
        """rad/s at levels x (n,) for all parameters p."""
        own = p[: self.unknowns[0]]
        return np.asarray(np.exp(own[0] + sum((b * _TERM[t](x) for b, t in zip(own[1:], self.omega, strict=True)),
                                              np.zeros_like(x))))  # fmt: skip

    def zeta_at(self, p: Floats, x: Floats) -> Floats:
        """Damping ratio at levels x (n,) for all parameters p."""
        own = p[self.unknowns[0] :]
        if self.slip:
            return np.asarray(np.clip(np.exp(own[0]) + np.exp(own[1]) / x, *_ZETA))
        terms = sum((b * _TERM[t](x) for b, t in zip(own[1:], self.zeta, strict=True)), np.zeros_like(x))
        return np.asarray(np.clip(np.exp(np.clip(own[0] + terms, -20.0, 2.0)), *_ZETA))

    def starts(self, omega: float, zeta: float, found: dict[LevelLaw, LevelMode]) -> list[Floats]:
        """Parameters to begin from: of the fit that does not move, and of every law that this one holds in itself."""
        if self.slip:
            rest = [0.0] * len(self.omega)
            shares = ((0.7, 0.2), (0.3, 0.5))
            return [np.array([np.log(omega), *rest, np.log(a * zeta), np.log(b * zeta)]) for a, b in shares]
        starts = []
        for factor in _START_FACTORS:
            p = np.zeros(sum(self.unknowns))
            p[0], p[self.unknowns[0]] = np.log(omega), np.log(factor * zeta)
            starts.append(p)
        inside = (m for law, m in found.items() if law.held_in(self))
        return starts + [self._extended(mode) for mode in inside]

    def held_in(self, other: LevelLaw) -> bool:
        """True where ``other`` has all terms of this one."""
        plain = not self.slip and not other.slip
        return plain and set(self.omega) <= set(other.omega) and set(self.zeta) <= set(other.zeta)

    def _extended(self, mode: LevelMode) -> Floats:
        p = np.zeros(sum(self.unknowns))
        size = mode.law.unknowns[0]
        p[0], p[self.unknowns[0]] = mode.parameters[0], mode.parameters[size]
        for i, term in enumerate(mode.law.omega):
            p[1 + self.omega.index(term)] = mode.parameters[1 + i]
        for i, term in enumerate(mode.law.zeta):
            p[self.unknowns[0] + 1 + self.zeta.index(term)] = mode.parameters[size + 1 + i]
        return p


_X, _S, _L = Term.LINEAR, Term.SQUARE, Term.LOG
LAWS = (
    LevelLaw(),
    LevelLaw(omega=(_X,)), LevelLaw(omega=(_S,)), LevelLaw(zeta=(_X,)), LevelLaw(zeta=(_L,)), LevelLaw(slip=True),
    LevelLaw(omega=(_X,), zeta=(_X,)), LevelLaw(omega=(_X,), zeta=(_L,)), LevelLaw(omega=(_L,), zeta=(_L,)),
    LevelLaw(omega=(_S,), zeta=(_X,)), LevelLaw(omega=(_X,), slip=True),
    LevelLaw(omega=(_X, _S), zeta=(_X,)), LevelLaw(omega=(_X,), zeta=(_X, _S)), LevelLaw(omega=(_X, _S), zeta=(_L,)),
    LevelLaw(omega=(_X, _S), zeta=(_X, _S)),
)  # fmt: skip
"""What is compared, in the order in which it is tried: cubic spring, square and dry friction, micro-slip, and the
powers of the level that cover what is none of these."""


SCREEN = LAWS[6]
"""Frequency and damping straight in the level: what follows the level in any way leaves less under it."""
WORTH_A_LAW = 0.8
"""χ² under it over that of the constant law, above which no law is looked for: a law that is told explains a fifth."""


@dataclass(frozen=True, slots=True, eq=False)
class LevelMode:
    """One mode over some rows."""

    law: LevelLaw
    parameters: Floats
    """Of ω, then of ζ."""
    reference: float
    """Amplitude that counts as one: the largest on the rows, in the unit of the amplitude."""
    covariance: Floats
    """Of the parameters."""
    residues: Complexes
    """Per channel."""
    flat: Complexes
    """Coefficients of all else, shape (p, c)."""
    cost: float
    freedom: int
    """Readings (real) less unknowns."""
    model: Complexes
    """Shape (n, c)."""
    own: Complexes
    """The part of the mode itself, (n, c)."""
    left: Floats
    """Weighted residuals, real then imaginary, channel by channel."""

    def at(self, amplitude: Floats) -> tuple[Floats, Floats]:
        """ln of Hz and of ζ at amplitudes (k,), and their standard deviations: each (2, k)."""
        x = np.clip(amplitude / self.reference, LEAST_LEVEL, None)

        def both(p: Floats) -> Floats:
            return np.log(np.stack([self.law.omega_at(p, x) / (2 * np.pi), self.law.zeta_at(p, x)]))

        centre = both(self.parameters)
        slopes = np.stack([(both(self.parameters + _STEP * e) - centre) / _STEP for e in np.eye(len(self.parameters))])
        variance = np.einsum("pik,pq,qik->ik", slopes, self.covariance, slopes)
        return centre, np.sqrt(np.maximum(variance, 0.0))


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
    load = 0.5 * (amplitude[1:] + amplitude[:-1]) * h
    advance = np.diff(drive)
    rate = float(advance[0] / max(h[0], 1e-300))

    def shape(pole: Complexes) -> Complexes:
        s = np.interp(t, time_s, pole.real) + 1j * np.interp(t, time_s, pole.imag)
        turn = 0.5 * (s[1:] + s[:-1]) * h - 1j * advance
        small = np.abs(turn) < 1e-9
        held = np.where(small, 1.0, np.expm1(turn) / np.where(small, 1.0, turn))
        start = complex(amplitude[0] / (1j * rate - s[0]))
        value = recurrence(np.exp(turn), np.asarray(load * held, complex), start)
        return np.asarray(np.append(start, value)[::part] / level)

    return shape


def fit_level(
    shape: LevelShape, flat: Complexes, values: Complexes, weight: Floats, amplitude: Floats, start: Floats,
    law: LevelLaw,
) -> LevelMode:  # fmt: skip
    """One mode under a law: ``flat`` (p, n) for all else, values and weights (n, c), amplitude (n,)."""
    reference = float(np.max(amplitude))
    x = np.clip(amplitude / reference, LEAST_LEVEL, None)

    def left(p: Floats) -> tuple[Floats, Complexes, Complexes]:
        zeta = law.zeta_at(p, x)
        pole = law.omega_at(p, x) * (-zeta + 1j * np.sqrt(1 - zeta**2))
        return _projected(np.vstack([shape(pole), flat]), values, weight)

    p, (rest, model, coefficients), slopes = _levenberg(left, start)
    freedom = max(1, 2 * values.size - len(p) - 2 * (len(flat) + 1) * values.shape[1])
    covariance = np.asarray(np.linalg.pinv(slopes.T @ slopes, hermitian=True))
    own = model - flat.T @ coefficients[1:]
    return LevelMode(
        law, p, reference, covariance, coefficients[0], coefficients[1:], float(rest @ rest), freedom, model, own, rest
    )


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


_Left = Callable[[Floats], tuple[Floats, Complexes, Complexes]]


def _levenberg(left: _Left, p: Floats) -> tuple[Floats, tuple[Floats, Complexes, Complexes], Floats]:
    """Parameters of the least squares, what is left there, and its slopes (Levenberg-Marquardt)."""
    damping, at = 1e-3, left(p)
    slopes = _slopes(left, p, at[0])
    for _ in range(60):
        rest = at[0]
        matrix, gradient = slopes.T @ slopes, slopes.T @ rest
        scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-300))
        step = scale * np.linalg.solve(matrix * np.outer(scale, scale) + damping * np.eye(len(p)), -scale * gradient)
        trial = left(p + np.clip(step, -0.5, 0.5))
        gained = float(rest @ rest - trial[0] @ trial[0])
        if gained > 0:
            p, at = p + np.clip(step, -0.5, 0.5), trial
            slopes, damping = _slopes(left, p, at[0]), max(damping / 10, 1e-9)
            if gained < 1e-4 * float(rest @ rest) + 1e-12:
                break
        else:
            damping *= 10
            if damping > 1e4:
                break
    return p, at, slopes


def _slopes(left: _Left, p: Floats, rest: Floats) -> Floats:
    return np.stack([(left(p + _STEP * e)[0] - rest) / _STEP for e in np.eye(len(p))], axis=1)


def fit_laws(
    shape: LevelShape, flat: Complexes, values: Complexes, weight: Floats, amplitude: Floats,
    start: tuple[float, float],
) -> list[LevelMode]:  # fmt: skip
    """The best fit of every law; of the constant one alone where the amplitude hardly changes, or nothing follows it.

    Whether anything does is asked with a straight line for frequency and damping first.
    """
    found: dict[LevelLaw, LevelMode] = {}

    def fit(law: LevelLaw) -> LevelMode:
        tried = [fit_level(shape, flat, values, weight, amplitude, p, law) for p in law.starts(*start, found)]
        return min(tried, key=lambda each: each.cost)

    found[LAWS[0]] = fit(LAWS[0])
    if np.max(amplitude) < LEAST_RANGE * np.min(amplitude):
        return list(found.values())
    found[SCREEN] = fit(SCREEN)
    if found[SCREEN].cost > WORTH_A_LAW * found[LAWS[0]].cost:
        return [found[LAWS[0]]]
    for law in LAWS[1:]:
        if law is not SCREEN:
            found[law] = fit(law)
    return list(found.values())
