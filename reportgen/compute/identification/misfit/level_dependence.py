"""A mode whose frequency and damping follow its own amplitude.

The amplitude is read from the log, row by row: what a channel shows beyond all else than this mode. The equation of the
mode is then linear with a pole known at every row, so that fold-over and jumps, up or down, are followed without
asking on which branch the sweep is. One harmonic in balance gives, for a restoring force of stiffness ω²(x̂) and damping
2σ(x̂) per modal mass at the displacement x̂,

    ẍ/A = Ω² / (ω² − Ω² + 2iσΩ) = Ω² / ((iΩ − s)(iΩ − s*)),    s = −σ + i√(ω² − σ²),

so that the residue of the upper pole, −iΩ/2 near it, moves along a peak that bends. Averaging and harmonic balance:
Nayfeh and Mook, Nonlinear Oscillations (1979), ch. 2-4; micro-slip as a power law: Segalman (2005); both from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from reportgen.compute.identification.envelope import recurrence
from reportgen.compute.identification.misfit.band import Complexes
from reportgen.records.log import Floats

Tangent = Callable[[Complexes], Complexes]
"""How a response changes with its poles: changes of the poles (k, n) to changes of the response (k, n)."""
LevelShape = Callable[[Complexes], tuple[Complexes, Tangent, Complexes]]
"""Of a unit mode whose pole at every row is given, (n,): its response (n,), how that changes with the poles, and how it
rings on from the first row, (r, n), r = 0 in steady state: no log says how a mode moved before it began."""
_STEP = 1e-6
_START_FACTORS = (0.5, 1.0, 2.0)
"""Of the damping of the fit that does not move: a peak that bends looks too broad or too sharp."""
_BENDS = (-4.0, -2.0, -1.0, -0.5, 0.0, 0.5, 1.0, 2.0, 4.0)
"""Half bandwidths by which a peak may lean before any term is known: at more than about one and a half it jumps."""
_PARENTS = 2
"""Simpler laws, and places of a grid, from which the fit of a law begins."""
LEAST_RANGE = 1.5
"""Largest amplitude over smallest from which a law of amplitude can be told."""
LEAST_LEVEL = 1e-3
"""Level over the largest below which a law is not asked: there a row says nothing of its mode's pole."""
_ZETA = (1e-6, 0.35)
_LEAST_STIFFNESS = 0.05
"""Share of the stiffness at no level that a law leaves: below, no mode rings."""


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
    """How stiffness ω² and decay rate σ (half of the damping per modal mass) follow the level, in displacement."""

    omega: tuple[Term, ...] = ()
    """ω² = ω₀² (1 + 2 Σ b·term): a cubic spring is one square, exactly."""
    zeta: tuple[Term, ...] = ()
    """ln σ = ln σ₀ + Σ b·term: a viscous damper has none, whatever its frequency does."""
    slip: bool = False
    """True: dry friction, σ = σ₀ + σ₁/x, both positive; ``zeta`` is empty then."""

    @property
    def unknowns(self) -> tuple[int, int]:
        """Of ω₀ and of σ."""
        return 1 + len(self.omega), 2 if self.slip else 1 + len(self.zeta)

    @property
    def moves(self) -> bool:
        """Whether anything follows the level."""
        return bool(self.omega or self.zeta or self.slip)

    def omega_at(self, p: Floats, x: Floats) -> Floats:
        """rad/s at levels x (n,) for all parameters p."""
        return self._omega(p, x)[0]

    def zeta_at(self, p: Floats, x: Floats) -> Floats:
        """Damping ratio at levels x (n,) for all parameters p."""
        return np.asarray(np.clip(self._decay(p, x)[0] / self.omega_at(p, x), *_ZETA))

    def poles(self, p: Floats, x: Floats) -> tuple[Complexes, Complexes]:
        """s at levels x, (n,), and its change by every parameter, (k, n)."""
        omega, by_omega = self._omega(p, x)
        raw, by_decay = self._decay(p, x)
        decay = np.clip(raw, _ZETA[0] * omega, _ZETA[1] * omega)
        root = np.sqrt(omega**2 - decay**2)
        held = np.where(raw == decay, 1.0, 0.0)
        by_sigma = -1.0 - 1j * decay / root
        change = [by_omega * (1j * omega**2 / root + (1.0 - held) * decay * by_sigma), by_decay * held * by_sigma]
        return np.asarray(-decay + 1j * root), np.concatenate(change)

    def _omega(self, p: Floats, x: Floats) -> tuple[Floats, Floats]:
        """rad/s, (n,), and the change of its logarithm by the parameters of ω, (k, n)."""
        own = p[: self.unknowns[0]]
        terms = np.array([_TERM[t](x) for t in self.omega]).reshape(len(self.omega), len(x))
        raw = 1.0 + 2.0 * own[1:] @ terms
        stiffness = np.maximum(raw, _LEAST_STIFFNESS)
        slopes = terms / stiffness * (raw == stiffness)
        return np.exp(own[0]) * np.sqrt(stiffness), np.concatenate([np.ones((1, len(x))), slopes])

    def _decay(self, p: Floats, x: Floats) -> tuple[Floats, Floats]:
        """σ in rad/s, (n,), and its change by the parameters of σ, (k, n)."""
        own = p[self.unknowns[0] :]
        if self.slip:
            parts = np.stack([np.full_like(x, np.exp(own[0])), np.exp(own[1]) / x])
            return parts.sum(axis=0), parts
        terms = np.array([np.ones_like(x), *(_TERM[t](x) for t in self.zeta)])
        raw = own @ terms
        decay = np.exp(np.clip(raw, -20.0, 20.0))
        return decay, terms * decay * (np.abs(raw) < 20.0)

    def starts(self, omega: float, zeta: float) -> list[Floats]:
        """Parameters to begin from, for a peak at ``omega`` (rad/s): bent by some half bandwidths, or not at all."""
        if self.slip:
            rest, decay = [0.0] * len(self.omega), omega * zeta
            shares = ((0.7, 0.2), (0.3, 0.5))
            return [np.array([np.log(omega), *rest, np.log(a * decay), np.log(b * decay)]) for a, b in shares]
        return [self._bent(omega, factor * zeta, b * zeta) for factor in _START_FACTORS for b in self._bends()]

    def _bends(self) -> tuple[float, ...]:
        return _BENDS if self.omega else (0.0,)

    def _bent(self, omega: float, zeta: float, bend: float) -> Floats:
        p = np.zeros(sum(self.unknowns))
        p[0], p[self.unknowns[0]] = np.log(omega), np.log(zeta * omega)
        if self.omega and self.omega[0] is not Term.LOG:
            bend = max(bend, 0.5 * (_LEAST_STIFFNESS - 1.0) + _LEAST_STIFFNESS)
            p[0], p[1] = p[0] - 0.5 * np.log1p(2.0 * bend), bend
        return p

    def extended(self, found: dict[LevelLaw, LevelMode]) -> list[Floats]:
        """Parameters to begin from: of the best laws that this one holds in itself."""
        inside = sorted((m for law, m in found.items() if law.held_in(self)), key=lambda m: m.cost)
        return [self._extended(mode) for mode in inside[:_PARENTS]]

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
    """Of ω, then of σ."""
    reference: float
    """Amplitude that counts as one: the largest on the rows, in the unit of the amplitude, at ``centre``."""
    centre: float
    """rad/s at which an amplitude is its own displacement: elsewhere it counts (centre/Ω)^order."""
    order: int
    """Power of ω of the amplitude over a displacement: 2 for acceleration."""
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
        p = self.parameters
        centre = self._both(p, amplitude)
        slopes = np.stack([(self._both(p + _STEP * e, amplitude) - centre) / _STEP for e in np.eye(len(p))])
        variance = np.einsum("pik,pq,qik->ik", slopes, self.covariance, slopes)
        return centre, np.sqrt(np.maximum(variance, 0.0))

    def _both(self, p: Floats, amplitude: Floats) -> Floats:
        """ln of Hz and of ζ where the mode rings at its own frequency with that amplitude, (2, k)."""
        omega = np.full_like(amplitude, self.centre)
        for _ in range(_TURNS):
            x = np.clip(amplitude / self.reference * (self.centre / omega) ** self.order, LEAST_LEVEL, None)
            omega = self.law.omega_at(p, x)
        return np.log(np.stack([omega / (2 * np.pi), self.law.zeta_at(p, x)]))


_TURNS = 8
"""Of the fixed point that an amplitude has on a backbone; each leaves a share of it as the frequency drifts."""


def steady_shape(omega: Floats) -> LevelShape:
    """Steady state, one harmonic in balance: E = 2iΩ²/Ω₀ / ((iΩ − s)(iΩ − s*)), Ω₀ the middle of the rows."""
    factor = 2j * omega**2 / middle_of(omega)

    def shape(pole: Complexes) -> tuple[Complexes, Tangent, Complexes]:
        near, far = 1.0 / (1j * omega - pole), 1.0 / (1j * omega - np.conj(pole))
        value = np.asarray(factor * near * far)
        none = np.zeros((0, len(omega)), complex)
        return value, lambda change: np.asarray(value * (near * change + far * np.conj(change))), none

    return shape


def middle_of(omega: Floats) -> float:
    """rad/s at which residues are stated: that of the middle row."""
    return float(np.sqrt(omega[0] * omega[-1]))


def swept_shape(time_s: Floats, phase: Floats, level: Floats, omega: Floats, part: int = 8) -> LevelShape:
    """A sweep with time (s), drive phase (rad), drive level and ω (rad/s) at every row; in steady state as above.

    The displacement of ẍ + 2σẋ + ω²(t)x = A is U = W/√ω_d of the upper pole, W′ = (s − iφ′)W + A/(2i√ω_d), ω_d = Im s,
    and L of the lower one, which has no memory; the acceleration is s²U + s*²L + A. A stiffness that changes slowly
    changes the amplitude as 1/√ω_d (Liouville and Green). Pole and level are straight within a row, constant within
    one of ``part`` parts of it, exponential for the linear part.
    """
    late = (np.arange(part) + 0.5) / part

    def between(row: Complexes) -> Complexes:
        """At the middle of every part, (…, n) to (…, (n − 1)·part)."""
        inside = row[..., :-1, None] * (1.0 - late) + row[..., 1:, None] * late
        return np.asarray(inside.reshape(*row.shape[:-1], -1))

    h = np.repeat(np.diff(time_s) / part, part)
    advance = np.repeat(np.diff(phase) / part, part)
    drive = between(level.astype(complex)) * h / 2j
    rate = float(advance[0] / max(h[0], 1e-300))
    scale = -2j / middle_of(omega) / level

    def shape(pole: Complexes) -> tuple[Complexes, Tangent, Complexes]:
        s, own = between(pole), pole.imag
        turn = s * h - 1j * advance
        small = np.abs(turn) < 1e-4
        safe = np.where(small, 1.0, turn)
        gain = np.exp(turn)
        held = np.where(small, 1.0 + 0.5 * turn, np.expm1(turn) / safe)
        load = drive / np.sqrt(s.imag)
        first = 1.0 / (1j * rate - pole[0])
        start = complex(level[0] / (2j * np.sqrt(own[0])) * first)
        value = np.append(start, recurrence(gain, load * held, start))
        kept = value[::part] / np.sqrt(own)
        back = np.conj(pole)
        lower = 1.0 / (1j * omega - back)
        other = -level / (2j * own) * lower
        upper_part, lower_part = pole**2 * kept, back**2 * other

        def tangent(change: Complexes) -> Complexes:
            moved = between(change)
            by_turn = np.where(small, 0.5, (gain - held) / safe)
            rise = load * (by_turn * h * moved - 0.5 * held * moved.imag / s.imag) + gain * h * moved * value[:-1]
            begin = start * (first * change[:, 0] - 0.5 * change[:, 0].imag / own[0])
            carried = np.concatenate([begin[:, None], recurrence(gain, rise, begin)], axis=1)[:, ::part]
            turned = pole**2 * carried / np.sqrt(own)
            turned += upper_part * (2.0 * change / pole - 0.5 * change.imag / own)
            by_back = lower_part * (2.0 / back + lower) * np.conj(change)
            return np.asarray(scale * (turned + by_back - lower_part * change.imag / own))

        ringing = np.exp(np.append(0.0, np.cumsum(turn)))[::part] * pole**2 / np.sqrt(own)
        ringing /= level * abs(ringing[0])
        return np.asarray(scale * (upper_part + lower_part + level)), tangent, ringing[None, :]

    return shape


_MOST_BEYOND = 0.1
"""Share of the drive's frequency up to which a phase that turns is believed: rows are too far apart for more."""


@dataclass(frozen=True, slots=True, eq=False)
class LevelRows:
    """What a law is fitted to: n rows of c channels."""

    shape: LevelShape
    flat: Complexes
    """Of all else, (p, n)."""
    values: Complexes
    """Readings over the reference, as acceleration over that of a base or over a force, (n, c)."""
    turned: Complexes
    """What they were divided by for that, (n, c)."""
    weight: Floats
    """1/σ of the readings, (n, c); 0 where there is none."""
    amplitude: Floats
    """Of the mode on the channel that shows it best, (n,), in its own unit."""
    omega: Floats
    """rad/s of the drive, (n,)."""
    level: Floats
    """Of the reference, (n,)."""
    order: int = 2
    """Power of ω of the amplitude over a displacement."""

    time_s: Floats | None = None
    """Of the rows, (n,); None in steady state."""
    beyond: Floats | float = 0.0
    """rad/s by which the mode moves faster than the drive, (n,): its own phase turns while a sweep runs through it."""

    def read_anew(self, mode: LevelMode, channel: int) -> LevelRows:
        """With the amplitude that readings leave to the mode beside all else, as a fit has it, and how its phase turns.

        Where nothing was read, the amplitude is that of the fit.
        """
        own, read = mode.own[:, channel], self.weight[:, channel] > 0
        left = np.where(read, (self.values - self.flat.T @ mode.flat)[:, channel], own)
        amplitude = np.abs(left) * self.level * np.abs(self.turned[:, channel])
        if self.time_s is None:
            return replace(self, amplitude=amplitude)
        turning = np.gradient(np.unwrap(np.angle(own)), self.time_s)
        most = _MOST_BEYOND * self.omega
        return replace(self, amplitude=amplitude, beyond=np.clip(turning, -most, most))

    @property
    def centre(self) -> float:
        """rad/s at which residues and levels are stated."""
        return middle_of(self.omega)

    def displacement(self) -> Floats:
        """The amplitude a displacement of so much has at ``centre``, (n,)."""
        return np.asarray(self.amplitude * (self.centre / (self.omega + self.beyond)) ** self.order)


@dataclass(frozen=True, slots=True, eq=False)
class _Projected:
    """Coefficients of shape and flat terms at given poles, and what they leave."""

    left: Floats
    """Weighted, real then imaginary parts, channel by channel."""
    slopes: Callable[[], Floats]
    """Of ``left`` by the parameters, (readings, k)."""
    model: Complexes
    coefficients: Complexes


def _problem(rows: LevelRows, law: LevelLaw) -> tuple[Callable[[Floats], _Projected], float]:
    """What a law leaves for its parameters, and the displacement that counts as one."""
    size = rows.displacement()
    reference = float(np.max(size))
    x = np.clip(size / reference, LEAST_LEVEL, None)

    def left(p: Floats) -> _Projected:
        pole, change = law.poles(p, x)
        value, tangent, ringing = rows.shape(pole)
        return _projected(rows, value, lambda: tangent(change), ringing)

    return left, reference


def _cost_at(rows: LevelRows, law: LevelLaw, p: Floats) -> float:
    rest = _problem(rows, law)[0](p).left
    return float(rest @ rest)


def fit_level(rows: LevelRows, start: Floats, law: LevelLaw) -> LevelMode:
    """One mode under a law, from a start."""
    left, reference = _problem(rows, law)
    p, at, slopes = _levenberg(left, start)
    freedom = max(1, 2 * rows.values.size - len(p) - 2 * at.coefficients.size)
    covariance = np.asarray(np.linalg.pinv(slopes.T @ slopes, hermitian=True))
    flat = at.coefficients[len(at.coefficients) - len(rows.flat) :]
    own = at.model - rows.flat.T @ flat
    return LevelMode(
        law, p, reference, rows.centre, rows.order, covariance, at.coefficients[0], flat,
        float(at.left @ at.left), freedom, at.model, own, at.left,
    )  # fmt: skip


def _projected(rows: LevelRows, value: Complexes, change: Callable[[], Complexes], ringing: Complexes) -> _Projected:
    """Variable projection; slopes after Kaufman (1975): what a change of the shape has beyond all columns.

    What rings on from the first row has died out where a law is told: its own change is left out of the slopes.
    """
    basis = np.vstack([value, ringing, rows.flat])
    model, first = np.empty_like(rows.values), np.zeros((len(basis), rows.values.shape[1]), complex)
    bases, out = [], []
    for c in range(rows.values.shape[1]):
        matrix = (basis * rows.weight[:, c]).T
        scale = np.linalg.norm(matrix, axis=0) + 1e-300
        q, r = np.linalg.qr(matrix / scale)
        aim = q.conj().T @ (rows.values[:, c] * rows.weight[:, c])
        first[:, c] = np.linalg.lstsq(r, aim, rcond=1e-10)[0] / scale
        model[:, c] = first[:, c] @ basis
        bases.append(q)
        out.append(_stacked((rows.values[:, c] - model[:, c]) * rows.weight[:, c]))

    def slopes() -> Floats:
        moved = change()
        found = []
        for c, q in enumerate(bases):
            column = first[0, c] * (moved * rows.weight[:, c]).T
            found.append(_stacked(q @ (q.conj().T @ column) - column))
        return np.concatenate(found)

    return _Projected(np.concatenate(out), slopes, model, first)


def _stacked(values: Complexes) -> Floats:
    return np.concatenate([values.real, values.imag])


_MOST_STEPS = 60
"""Guard: steps of one fit; most end within ten."""
_LEAST_GAIN = 1e-4
"""Share of χ² below which a step ends a fit."""


def _levenberg(left: Callable[[Floats], _Projected], p: Floats) -> tuple[Floats, _Projected, Floats]:
    """Parameters of the least squares, what is left there, and its slopes (Levenberg-Marquardt)."""
    damping, at = 1e-3, left(p)
    slopes = at.slopes()
    for _ in range(_MOST_STEPS):
        rest = at.left
        matrix, gradient = slopes.T @ slopes, slopes.T @ rest
        scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-300))
        step = scale * np.linalg.solve(matrix * np.outer(scale, scale) + damping * np.eye(len(p)), -scale * gradient)
        trial = left(p + np.clip(step, -0.5, 0.5))
        gained = float(rest @ rest - trial.left @ trial.left)
        if gained > 0:
            p, at = p + np.clip(step, -0.5, 0.5), trial
            slopes, damping = at.slopes(), max(damping / 10, 1e-9)
            if gained < _LEAST_GAIN * float(rest @ rest) + 1e-12:
                break
        else:
            damping *= 10
            if damping > 1e4:
                break
    return p, at, slopes


_AMPLITUDES = 2
"""Times that the amplitude is read anew, of what is then known of all else; a third changes nothing that shows."""


def fit_laws(rows: LevelRows, start: tuple[float, float], channel: int = 0) -> tuple[list[LevelMode], LevelRows]:
    """The best fit of every law, and the rows with the amplitude that the mode has on ``channel`` then.

    The constant law alone where the amplitude hardly changes, or where a straight line for frequency and damping, which
    is tried first, explains no more. ``start`` is ω (rad/s) and ζ.
    """
    found: dict[LevelLaw, LevelMode] = {}

    def fit(law: LevelLaw) -> LevelMode:
        return _best_fit(rows, law, start, found)

    found[LAWS[0]] = fit(LAWS[0])
    if np.max(rows.amplitude) < LEAST_RANGE * np.min(rows.amplitude):
        return list(found.values()), rows
    found[SCREEN] = fit(SCREEN)
    if found[SCREEN].cost > WORTH_A_LAW * found[LAWS[0]].cost:
        return [found[LAWS[0]]], rows
    for law in LAWS[1:]:
        if law is not SCREEN:
            found[law] = fit(law)
    laws = list(found.values())
    for _ in range(_AMPLITUDES):
        anew = rows.read_anew(min(laws, key=_cost_of), channel)
        others = [fit_level(anew, each.parameters, each.law) for each in laws]
        if _cost_of(min(others, key=_cost_of)) >= _cost_of(min(laws, key=_cost_of)):
            break  # few rows around a peak do not tell it from all else
        laws, rows = others, anew
    return laws, rows


def _cost_of(mode: LevelMode) -> float:
    return mode.cost


def _best_fit(
    rows: LevelRows, law: LevelLaw, start: tuple[float, float], found: dict[LevelLaw, LevelMode]
) -> LevelMode:
    """From simpler laws that the law holds in itself, and from the best places of a grid where it has few terms."""
    starts = law.extended(found)
    if sum(law.unknowns) <= sum(SCREEN.unknowns):
        top = float(rows.omega[int(np.argmax(rows.amplitude))])
        grid = law.starts(start[0], start[1]) if law.slip or not law.omega else law.starts(top, start[1])
        starts += sorted(grid, key=lambda p: _cost_at(rows, law, p))[:_PARENTS]
    return min((fit_level(rows, p, law) for p in starts), key=lambda each: each.cost)
