"""Variable projection: complex residues of given poles by linear least squares, and how the poles should move.

A mode answers with r E(s) + r* E(s*), r complex: whatever constant phase an instrument or a non-proportional damping
turns it by. Poles are steered in (ln ω₀, ln ζ). Golub and Pereyra, SIAM J. Numer. Anal. 10 (1973) 413, with Kaufman's
simplification (1975).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dpotrf, dpotrs

from reportgen.compute.identification.misfit.band import Band, Complexes
from reportgen.compute.identification.misfit.ringing import Columns
from reportgen.records.log import Floats

_RIDGE = 1e-13
"""Added to the normal equations of columns of unit length: columns that are alike share what they explain."""
_ZETA = (1e-6, 0.35)
"""Bounds of the damping ratio: Q from 1.4, below which there is no peak, to 500,000."""
_BEYOND = 0.3
"""Part of the width of the rows by which a pole may lie outside of them."""


@dataclass(frozen=True, slots=True, eq=False)
class Poles:
    """ω₀ (rad/s) and ζ of every mode, each (k,)."""

    omega: Floats
    zeta: Floats

    def __len__(self) -> int:
        return len(self.omega)

    @property
    def s(self) -> Complexes:
        """Upper poles, rad/s."""
        return np.asarray(self.omega * (-self.zeta + 1j * np.sqrt(1.0 - self.zeta**2)))

    @property
    def width(self) -> Floats:
        """Half-power bandwidths, rad/s."""
        return np.asarray(2.0 * self.zeta * self.omega)

    def pick(self, index: NDArray[np.int64] | NDArray[np.bool_]) -> Poles:
        """Some of them."""
        return Poles(self.omega[index], self.zeta[index])

    def join(self, other: Poles) -> Poles:
        """These, then the others."""
        return Poles(np.append(self.omega, other.omega), np.append(self.zeta, other.zeta))

    def moved(self, step: Floats, low: float, high: float) -> Poles:
        """By (ln ω₀, ln ζ) of each, shape (2k,), ω₀ held between ``low`` and ``high``."""
        zeta = np.clip(self.zeta * np.exp(step[1::2]), *_ZETA)
        omega = np.clip(self.omega * np.exp(step[::2]), np.minimum(low, self.omega), np.maximum(high, self.omega))
        return Poles(omega, zeta)


NO_POLES = Poles(np.zeros(0), np.zeros(0))


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Coefficients at given poles over a slice of rows."""

    poles: Poles
    rows: slice
    residues: Complexes
    """Shape (k, c)."""
    direct: Complexes
    """Coefficients of the powers, shape (p, c)."""
    decays: dict[tuple[int, int], Complexes]
    """Coefficients (c,) of what rings after changes of the drive: by pole (−1: the filter) and decay."""
    model: Complexes
    """Shape (rows, c), without what was held."""
    cost: float
    information: Floats
    gradient: Floats


def mode_columns(band: Band, poles: Poles, rows: slice, *, slopes: bool = True) -> tuple[Complexes, Complexes]:
    """Columns (2k, rows) of the real and imaginary parts of residues; their change by (ln ω₀, ln ζ), (2k, 2, rows).

    Without ``slopes`` the change is left out, (2k, 2, 0).
    """
    n = len(range(*rows.indices(len(band))))
    values = np.empty((2 * len(poles), n), complex)
    change = np.empty((2 * len(poles), 2, n if slopes else 0), complex)
    for k, s in enumerate(poles.s):
        zeta, omega = float(poles.zeta[k]), float(poles.omega[k])
        s_zeta = omega * zeta * (-1.0 - 1j * zeta / np.sqrt(1.0 - zeta**2))
        upper, upper_s = band.shape(complex(s), rows)
        lower, lower_s = band.shape(complex(np.conj(s)), rows)
        values[2 * k] = upper + lower
        values[2 * k + 1] = 1j * (upper - lower)
        for j, by in enumerate((s, s_zeta) if slopes else ()):
            above, below = by * upper_s, np.conj(by) * lower_s
            change[2 * k, j] = above + below
            change[2 * k + 1, j] = 1j * (above - below)
    return values, change


_NARROW = 1.5
"""Ratio of the ends of the rows below which what lies outside is a constant and a slope."""


def powers_over(band: Band, rows: slice) -> tuple[int, ...]:
    """Powers for what lies outside these rows: all of them over a wide band, the first two over a narrow one."""
    omega = band.omega[rows]
    return band.powers if omega[-1] > _NARROW * omega[0] else band.powers[:2]


def direct_columns(band: Band, rows: slice) -> Complexes:
    """Powers of ω with complex coefficients, shape (2p, rows)."""
    omega = band.omega[rows]
    scaled = omega / np.exp(np.mean(np.log(np.maximum(omega, 1e-9))))
    powers = np.array([scaled**p for p in powers_over(band, rows)], complex)
    return np.concatenate([powers, 1j * powers])


@dataclass(frozen=True, slots=True, eq=False)
class Basis:
    """Columns over some rows: modes, what rings of them after changes of the drive, and what lies outside."""

    values: Complexes
    """(2k + 2r + 2p, n): real and imaginary part of each residue, then of the decays, then of the powers."""
    change: Complexes
    """Of the columns of the modes by (ln ω₀, ln ζ), (2k, 2, n)."""
    decays: Columns | None
    by_poles: Complexes
    """ds/d(ln ω₀, ln ζ) of every pole, (2, k)."""

    @property
    def modes(self) -> int:
        """2k."""
        return len(self.change)

    @property
    def ringing(self) -> int:
        """2r."""
        return 0 if self.decays is None else 2 * len(self.decays)

    def moved(self, x: Floats) -> Complexes:
        """Change of the model with coefficients (P,) by (ln ω₀, ln ζ) of every pole, (2k, n)."""
        moved = moved_by_poles(x[: self.modes], self.change)
        if self.decays is None:
            return moved
        own = x[self.modes : self.modes + self.ringing]
        for j, k in enumerate(self.decays.owner):
            if k >= 0:
                by_pole = self.by_poles[:, k].conj() if self.decays.against[j] else self.by_poles[:, k]
                by_s = complex(own[2 * j], own[2 * j + 1]) * self.decays.by_s[j]
                moved[2 * k : 2 * k + 2] += by_pole[:, None] * by_s
        return moved

    def joined(self, fit: Fit, c: int) -> Floats:
        """Coefficients of channel c of a fit over the same rows, without those of the powers, (2k + 2r,)."""
        ringing = [] if self.decays is None else [fit.decays[label][c] for label in self.decays.labels()]
        return np.ascontiguousarray(np.append(fit.residues[:, c], np.array(ringing, complex))).view(float)

    def split(self, x: Floats) -> tuple[Complexes, Complexes, Complexes]:
        """Residues (k,), decays (r,) and powers (p,) of coefficients (P,)."""
        a, b = self.modes, self.modes + self.ringing
        half = (len(x) - b) // 2
        return x[:a:2] + 1j * x[1:a:2], x[a:b:2] + 1j * x[a + 1 : b : 2], x[b : b + half] + 1j * x[b + half :]


def basis_of(band: Band, poles: Poles, rows: slice, *, slopes: bool = True) -> Basis:
    """All columns of a band over some rows; without ``slopes`` they are not to be moved."""
    values, change = mode_columns(band, poles, rows, slopes=slopes)
    ringing = None if band.ringing is None else band.ringing.columns(poles.s, rows)
    if ringing is None or not len(ringing):
        return Basis(np.concatenate([values, direct_columns(band, rows)]), change, None, np.zeros((2, 0), complex))
    turned = np.stack([ringing.value, 1j * ringing.value], axis=1).reshape(2 * len(ringing), -1)
    root = np.sqrt(1.0 - poles.zeta**2)
    by_poles = np.stack([poles.s, poles.omega * poles.zeta * (-1.0 - 1j * poles.zeta / root)])
    return Basis(np.concatenate([values, turned, direct_columns(band, rows)]), change, ringing, by_poles)


def real_rows(matrix: Complexes, weight: Floats) -> Floats:
    """Real and imaginary parts of (P, n) weighted by (n,), beside one another, shape (P, 2n)."""
    return np.asarray(np.ascontiguousarray(matrix * weight, complex).view(float))


def solve(
    band: Band,
    poles: Poles,
    rows: slice,
    weight: Floats,
    held: Complexes | None = None,
    *,
    poles_move: bool = True,
) -> Fit:
    """Best residues over some rows, weights (rows, c) = 1/σ; ``held`` (rows, c) is a part of the model that stays."""
    basis = basis_of(band, poles, rows, slopes=poles_move)
    target = band.values[rows] - (0.0 if held is None else held)
    k = len(poles)
    coefficients = []
    model = np.zeros_like(target)
    cost, information, gradient = 0.0, np.zeros((2 * k, 2 * k)), np.zeros(2 * k)
    for c in range(band.channels):
        matrix, reading = real_rows(basis.values, weight[:, c]), real_rows(target[:, c], weight[:, c])
        x, onto = _linear(matrix, reading)
        model[:, c] = x @ basis.values
        coefficients.append(basis.split(x))
        left = reading - x @ matrix
        cost += float(left @ left)
        if k and poles_move:
            slopes = real_rows(basis.moved(x), weight[:, c])
            cross = slopes @ matrix.T
            information += slopes @ slopes.T - cross @ onto(cross.T)
            gradient += slopes @ left
    residues, ringing, powers = (np.stack(part, axis=1) for part in zip(*coefficients, strict=True))
    decays = {} if basis.decays is None else dict(zip(basis.decays.labels(), ringing, strict=True))
    return Fit(poles, rows, residues, powers, decays, model, cost, information, gradient)


def moved_by_poles(x: Floats, change: Complexes) -> Complexes:
    """Change of a model by (ln ω₀, ln ζ) of every pole, (2k, n): coefficients (2k,) with slopes of columns."""
    moved = x[::2, None, None] * change[::2] + x[1::2, None, None] * change[1::2]
    return np.asarray(moved.reshape(len(x), change.shape[-1]))


def _linear(rows: Floats, target: Floats) -> tuple[Floats, Callable[[Floats], Floats]]:
    """Least-squares coefficients of rows (P, 2n), and what solves their normal equations."""
    scale = 1.0 / (np.sqrt(np.einsum("ij,ij->i", rows, rows)) + 1e-300)
    scaled = rows * scale[:, None]
    gram = scaled @ scaled.T
    gram[np.diag_indices_from(gram)] += _RIDGE
    factor, failed = dpotrf(gram, lower=1)
    if failed:
        inverse = np.linalg.pinv(gram, rcond=_RIDGE, hermitian=True)
        return scale * (inverse @ (scaled @ target)), lambda b: scale[:, None] * (inverse @ (scale[:, None] * b))
    x = dpotrs(factor, scaled @ target, lower=1)[0]
    x += dpotrs(factor, scaled @ (target - x @ scaled), lower=1)[0]  # one step of refinement
    return scale * x, lambda b: scale[:, None] * dpotrs(factor, scale[:, None] * b, lower=1)[0]


def refine(
    band: Band, fit: Fit, weight: Floats, held: Complexes | None = None, *, free: NDArray[np.bool_] | None = None,
    iterations: int = 15, tolerance: float = 0.05,
) -> Fit:  # fmt: skip
    """Poles moved to the least cost (Levenberg-Marquardt); ends when χ² falls by less than ``tolerance``."""
    k = len(fit.poles)
    chosen = np.repeat(np.ones(k, bool) if free is None else free, 2)
    damping, best = 1e-3, fit
    low, high = _bounds(band, fit.rows)
    for _ in range(iterations if chosen.any() else 0):
        step = _step(best, chosen, damping)
        if float(step @ best.gradient) < 0.5 * tolerance and damping < 1.0:
            break
        trial = solve(band, best.poles.moved(step, low, high), best.rows, weight, held)
        gained = best.cost - trial.cost
        if gained > 0:
            best, damping = trial, max(damping * 0.1, 1e-9)
            if gained < tolerance:
                break
        else:
            damping *= 10.0
            if damping > 1e4:
                break
    return best


def _bounds(band: Band, rows: slice) -> tuple[float, float]:
    """rad/s between which poles may move: by so much beyond the rows; anywhere where they are known by their decays."""
    omega = band.omega[rows]
    if band.ringing is not None and band.ringing.followed:
        return 0.2 * float(band.omega[0]), 5.0 * float(band.omega[-1])
    beyond = _BEYOND * float(omega[-1] - omega[0])
    return max(0.5 * float(omega[0]), float(omega[0]) - beyond), float(omega[-1]) + beyond


def _step(at: Fit, chosen: NDArray[np.bool_], damping: float) -> Floats:
    """One damped step; no pole moves by more than a bandwidth (or 0.1 %) and a factor of two in damping."""
    information = at.information[np.ix_(chosen, chosen)]
    scale = 1.0 / np.sqrt(np.maximum(np.diag(information), 1e-300))
    matrix = information * np.outer(scale, scale) + damping * np.eye(len(scale))
    step = np.zeros(len(chosen))
    step[chosen] = scale * np.linalg.lstsq(matrix, scale * at.gradient[chosen], rcond=1e-14)[0]
    limit = np.stack([np.maximum(2.0 * at.poles.zeta, 1e-4), np.full(len(at.poles), 0.7)], axis=1).ravel()
    return np.clip(step, -limit, limit)
