"""Which poles are modes: needed beyond noise and misfit, known well enough, and not said already by a neighbour."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from reportgen.compute.identification.misfit.band import Band
from reportgen.compute.identification.misfit.pole_search import (
    STANDS_OUT,
    State,
    contribution,
    converge,
    forced_part,
    twin_of,
)
from reportgen.compute.identification.misfit.projection import (
    basis_of,
    real_rows,
    refine,
    solve,
)
from reportgen.compute.identification.step_timing import AT_AN_EVENT
from reportgen.records.log import Floats

LEAST_ROWS_MISFIT = 6
MOST_RELATIVE_STD = 0.01
MOST_WIDTH_STD = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Covariance:
    """Of (ln ω₀, ln ζ) of all poles, (2k, 2k), with what is left in units of its expected deviation, (n, c)."""

    poles: Floats
    standardized: Floats


def covariance(state: State, weight: Floats) -> Covariance:
    """From the normal equations with the residues projected out; what is left is freed of each reading's leverage."""
    band, fit = state.band, state.fit
    assert fit is not None
    rows = state.all_rows
    basis = basis_of(band, state.poles, rows)
    k, n = len(state.poles), len(band)
    information = np.zeros((2 * k, 2 * k))
    leverage = np.zeros((n, band.channels))
    slopes_of, left_of = [], []
    for c in range(band.channels):
        matrix = real_rows(basis.values, weight[:, c])
        scale = np.sqrt(np.einsum("ij,ij->i", matrix, matrix)) + 1e-300
        q, _ = np.linalg.qr((matrix / scale[:, None]).T)
        slopes = real_rows(basis.moved(basis.joined(fit, c)), weight[:, c])
        slopes -= (slopes @ q) @ q.T
        information += slopes @ slopes.T
        slopes_of.append(slopes)
        square = np.einsum("ij,ij->i", q, q)
        leverage[:, c] = 0.5 * square.reshape(n, 2).sum(axis=1)
        left_of.append(state.left[:, c] * weight[:, c])
    scale = 1.0 / np.sqrt(np.maximum(np.diag(information), 1e-300))
    inverse = np.linalg.pinv(information * np.outer(scale, scale), rcond=1e-13, hermitian=True)
    cov = inverse * np.outer(scale, scale)
    for c, slopes in enumerate(slopes_of):
        square = np.einsum("ij,ij->j", slopes, cov @ slopes)
        leverage[:, c] += 0.5 * square.reshape(n, 2).sum(axis=1)
    leverage = np.clip(leverage, 0.0, 0.98)
    z = np.stack(left_of, 1)
    return Covariance(cov, np.abs(z) / np.sqrt(2.0 * (1.0 - leverage)))


def local_misfit(state: State, seen: Covariance, weight: Floats) -> Floats:
    """Share of the response that stays unexplained beyond noise around every row, (n, c)."""
    noise = state.doubt.noise(state.size) ** 2
    sigma = np.where(weight > 0, 1.0 / np.maximum(weight, 1e-300), np.inf)
    square = np.where(weight > 0, (seen.standardized * sigma) ** 2, 0.0)
    excess = np.where(weight > 0, (square - noise) / state.parts**2, 0.0)
    # the response must stand out of the noise where a share of it is asked for
    say = np.where((weight > 0), 1.0 / (1.0 + noise / (0.02 * state.parts) ** 2), 0.0)
    reach = reach_of_rows(state)
    top = smooth(excess * say, reach)
    pooled = np.median(pooled_misfit(state, excess, say)) if len(state.poles) else 0.0
    local = (top + 4.0 * pooled**2 / (2 * reach[:, None] + 1) * 1.0) / (
        smooth(say, reach) + 4.0 / (2 * reach[:, None] + 1)
    )
    return np.sqrt(np.maximum(local, 0.0))


def pooled_misfit(state: State, excess: Floats, say: Floats) -> Floats:
    """Misfit of every mode's neighbourhood, (k,)."""
    out = []
    for omega, width in zip(state.poles.omega, state.poles.width, strict=True):
        rows = state.band.rows_around(omega - width, omega + width, LEAST_ROWS_MISFIT)
        out.append(np.sqrt(max(0.0, float(np.sum(excess[rows] * say[rows]) / max(np.sum(say[rows]), 1e-9)))))
    return np.array(out)


def pooled_of(state: State, seen: Covariance) -> float:
    """Misfit of the median mode."""
    doubt, band = state.doubt, state.band
    noise = doubt.noise(state.size) ** 2
    square = (seen.standardized / np.maximum(state.weight, 1e-300)) ** 2
    parts2 = state.parts**2
    told = band.valid & (parts2 > 0)
    excess = np.divide(square - noise, parts2, out=np.zeros_like(square), where=told)
    say = np.where(band.valid, 1.0 / (1.0 + noise / (0.02 * state.parts) ** 2), 0.0)
    return float(np.median(pooled_misfit(state, excess, say))) if len(state.poles) else np.inf


def row_spacing(band: Band) -> Floats:
    """Distance of neighbouring rows, rad/s, shape (n,); above zero where a sweep stood still."""
    return np.maximum(np.abs(np.gradient(band.omega)), 1e-9 * band.omega)


def reach_of_rows(state: State) -> NDArray[np.int64]:
    """Rows over which misfit is taken together: half the bandwidth of the nearest mode, at least three."""
    spacing = row_spacing(state.band)
    reach = np.full(len(state.band), 30)
    if len(state.poles):
        nearest = np.argmin(np.abs(state.band.omega[:, None] - state.poles.omega[None]), axis=1)
        reach = np.clip(0.5 * state.poles.width[nearest] / spacing, 3, 30).astype(int)
    return np.asarray(reach)


def smooth(values: Floats, reach: NDArray[np.int64]) -> Floats:
    """Mean over ±reach rows, (n, c)."""
    n = len(values)
    total = np.concatenate([np.zeros((1, values.shape[1])), np.cumsum(values, axis=0)])
    first, last = np.maximum(np.arange(n) - reach, 0), np.minimum(np.arange(n) + reach + 1, n)
    return np.asarray((total[last] - total[first]) / (last - first)[:, None])


def correlated_rows(state: State) -> Floats:
    """Rows over which misfit is the same: those of half a bandwidth of the nearest mode, at least one."""
    spacing = row_spacing(state.band)
    if not len(state.poles):
        return np.ones(len(state.band))
    nearest = np.argmin(np.abs(state.band.omega[:, None] - state.poles.omega[None]), axis=1)
    return np.asarray(np.clip(0.5 * state.poles.width[nearest] / spacing, 1.0, 30.0))


def weigh_local(state: State, rounds: int = 3) -> Covariance:
    """Weights from noise and the local misfit, poles and residues at them, until both agree."""
    for _ in range(rounds):
        seen = covariance(state, state.weight)
        misfit = local_misfit(state, seen, state.weight) * np.sqrt(correlated_rows(state))[:, None]
        state.reweigh(misfit)
        state.settle()
        converge(state, 4)
    return covariance(state, state.weight)


class Objection(StrEnum):
    """Why a pole is no mode; of a mode there is none."""

    NONE = ""
    OUTSIDE = "outside"
    EDGE = "edge"
    UNCERTAIN = "uncertain"
    CHANCE = "chance"
    ONE_ROW = "one row"
    MISFIT = "misfit"


@dataclass(frozen=True, slots=True, eq=False)
class Verdict:
    """About one pole."""

    gain: float
    """χ² that leaving it out would cost, with noise and misfit in the weights."""
    without_best_row: float
    frequency_std: float
    q_std: float
    reason: Objection
    """'' for a mode."""


def tidy(state: State) -> None:
    """Take out what a neighbour says already and what nothing needs, at the weights as they are."""
    for _ in range(6):
        gone = _beyond(state) or _twins(state) or _needless(state)
        if not len(gone):
            break
        state.poles = state.poles.pick(np.setdiff1d(np.arange(len(state.poles)), gone))
        state.settle()
        converge(state, 6)


def _beyond(state: State) -> list[int]:
    """Poles outside the rows by more than their bandwidth: the terms for what lies outside say the same."""
    omega, poles = state.band.omega, state.poles
    away = np.maximum(omega[0] - poles.omega, poles.omega - omega[-1])
    return [int(k) for k in np.flatnonzero(away > poles.width) if not _rings(state, int(k))]


def _rings(state: State, k: int) -> bool:
    """Whether a pole is needed for what rings of it after a change of the drive."""
    ringing = state.band.ringing
    return bool(ringing is not None and ringing.followed and min(gain_of(state, k)) >= least_gain(state, k))


def least_gain(state: State, k: int) -> float:
    """χ² that chance would gain with the unknowns of pole k once in 10,000."""
    ringing = state.band.ringing
    decays = 0 if ringing is None else int(np.sum(ringing.columns(state.poles.s[[k]], state.all_rows).owner >= 0))
    return float(chdtri(2 + 2 * state.band.channels * (1 + decays), 1e-4))


def _needless(state: State) -> list[int]:
    """Poles that can go all together: each without a gain, no two of them neighbours."""
    gone: list[int] = []
    order = np.argsort(state.poles.omega)
    gains = {int(k): min(gain_of(state, int(k))) for k in order if _may_be_needless(state, int(k))}
    omega, width = state.poles.omega, state.poles.width
    for k in sorted((k for k in gains if gains[k] < least_gain(state, k)), key=lambda k: gains[k]):
        if all(abs(omega[k] - omega[g]) > 6.0 * (width[k] + width[g]) for g in gone):
            gone.append(k)
    return gone


_PLAIN = 10.0
"""Times noise and misfit from which a pole without a neighbour is needed, without asking."""


def _may_be_needless(state: State, k: int) -> bool:
    """True for a pole within the band that is small, or that has a neighbour which could say the same."""
    omega, width = state.poles.omega, state.poles.width
    if not state.band.omega[0] <= omega[k] <= state.band.omega[-1]:
        return False
    near = np.abs(omega - omega[k]) < 2.0 * np.maximum(width, width[k])
    return bool(np.sum(near) > 1 or _stands_out(state, k) < _PLAIN)


def prune(state: State) -> tuple[Covariance, list[Verdict]]:
    """At weights of noise and local misfit: of poles that crowd, those that say nothing of their own are taken out."""
    seen = weigh_local(state)
    for _ in range(8):
        found = verdicts(state, seen)
        gone = _crowded(state, found)
        if not gone:
            return seen, found
        state.poles = state.poles.pick(np.setdiff1d(np.arange(len(state.poles)), gone))
        state.settle()
        converge(state, 4)
        seen = weigh_local(state, rounds=2)
    return seen, verdicts(state, seen)


def _crowded(state: State, found: list[Verdict]) -> list[int]:
    """One of every crowd: the pole with the least to say among those that are no modes."""
    poles = state.poles
    order = [int(k) for k in np.argsort(poles.omega)]
    gone: list[int] = []
    for k in sorted((k for k in order if found[k].reason), key=lambda k: found[k].without_best_row):
        near = [
            j for j in order if j != k and abs(poles.omega[j] - poles.omega[k]) < max(poles.width[j], poles.width[k])
        ]
        alone = not near and found[k].reason not in (Objection.CHANCE, Objection.ONE_ROW)
        if alone or 2 * sum(j in gone for j in near) > len(near) - 1:
            continue
        gone.append(k)
    return gone


def _twins(state: State) -> list[int]:
    assert state.fit is not None
    twin = twin_of(state.fit, state.band, state.weight)
    return [] if twin is None else [twin]


def verdicts(state: State, seen: Covariance) -> list[Verdict]:
    """About every pole, in their order."""
    return [_verdict(state, seen, k) for k in range(len(state.poles))]


def _verdict(state: State, seen: Covariance, k: int) -> Verdict:
    band, poles = state.band, state.poles
    f_std = float(np.sqrt(seen.poles[2 * k, 2 * k]))
    q_std = float(np.sqrt(seen.poles[2 * k + 1, 2 * k + 1]))
    out = _stands_out(state, k)
    gain, rest = (np.inf, np.inf) if _plain(state, k) else gain_of(state, k)
    least = least_gain(state, k)
    reason = Objection.NONE
    if not band.omega[0] <= poles.omega[k] <= band.omega[-1]:
        reason = Objection.OUTSIDE
    elif _at_an_edge(state, k):
        reason = Objection.EDGE
    elif f_std > MOST_RELATIVE_STD or f_std * poles.omega[k] > MOST_WIDTH_STD * max(
        poles.width[k], spacing_at(state, k)
    ):
        reason = Objection.UNCERTAIN
    elif gain < least:
        reason = Objection.CHANCE
    elif rest < least:
        reason = Objection.ONE_ROW
    elif out < STANDS_OUT:
        reason = Objection.MISFIT
    return Verdict(gain, rest, f_std, q_std, reason)


def _plain(state: State, k: int) -> bool:
    """True for a pole that stands out plainly by itself on more rows than an odd reading or an event has.

    Four rows to the bandwidth leave two beside the best two, of 0.7 of the peak: ten times noise and misfit there are
    χ² = 98, over the 62 that chance gains of twelve channels once in 10,000.
    """
    ringing = state.band.ringing
    followed = ringing is not None and bool(ringing.followed)
    wide = state.poles.width[k] >= _ROWS_OF_A_PEAK * spacing_at(state, k)
    return bool(wide and not followed and not _may_be_needless(state, k))


_ROWS_OF_A_PEAK = 4.0
"""Rows to the bandwidth from which a peak does not rest on one reading."""
_LEAST_BESIDE = 3
"""Rows that there must be on both sides of a pole narrower than two of them."""


def _at_an_edge(state: State, k: int) -> bool:
    """True where rows are too few to the bandwidth, and beside the pole, to tell a mode from one odd reading."""
    below = int(np.searchsorted(state.band.omega, state.poles.omega[k]))
    beside = min(below, len(state.band) - below)
    return bool(state.poles.width[k] < 2.0 * spacing_at(state, k) and beside < _LEAST_BESIDE)


_ODD_ROWS = 2
"""Rows that say most for a pole, without which it must still be asked for: one odd reading shows in two."""


def gain_of(state: State, k: int) -> tuple[float, float]:
    """χ² lost without pole k, its neighbours refitted; and without the rows that say most."""
    band, poles = state.band, state.poles
    width = max(poles.width[k], 1e-9)
    rows = band.rows_around(float(poles.omega[k] - 6 * width), float(poles.omega[k] + 6 * width), 24)
    inside_band = bool(band.omega[0] <= poles.omega[k] <= band.omega[-1])
    if band.ringing is not None and band.ringing.followed and not inside_band:
        rows = state.all_rows  # where changes of the drive let it ring
    inside = np.flatnonzero((poles.omega > band.omega[rows][0]) & (poles.omega < band.omega[rows][-1]))
    near = inside[np.argsort(np.abs(poles.omega[inside] - poles.omega[k]))][:5]
    others = near[near != k]
    assert state.fit is not None
    weight = state.weight[rows]
    held = state.fit.model[rows] - contribution(state, near, rows)
    held_k = held if k in near else held - contribution(state, np.array([k]), rows)
    chosen = poles.pick(others)
    without = refine(band, solve(band, chosen, rows, weight, held_k), weight, held_k, iterations=6)
    if k not in near:
        near, held = np.append(near, k), held_k
    full = solve(band, poles.pick(near), rows, weight, held)
    lost = np.sum(np.abs((band.values[rows] - held_k - without.model) * weight) ** 2, axis=1)
    kept = np.sum(np.abs((band.values[rows] - held - full.model) * weight) ** 2, axis=1)
    gained = lost - kept
    less = weight.copy()
    less[np.argsort(gained)[-_ODD_ROWS:]] = 0.0
    if band.ringing is not None and inside_band:
        less[band.ringing.since[rows] <= AT_AN_EVENT] = 0.0
    a = refine(band, solve(band, without.poles, rows, less, held_k), less, held_k, iterations=4)
    b = refine(band, solve(band, full.poles, rows, less, held), less, held, iterations=4)
    return float(np.sum(gained)), a.cost - b.cost


def spacing_at(state: State, k: int) -> float:
    """Distance of rows at a pole, rad/s."""
    omega = state.band.omega
    row = int(np.clip(np.searchsorted(omega, state.poles.omega[k]), 1, len(omega) - 1))
    return float(omega[row] - omega[row - 1])


def _stands_out(state: State, k: int) -> float:
    """The same on the channel that shows it best."""
    return float(np.max(stands_out_on(state, k)))


def stands_out_on(state: State, k: int) -> Floats:
    """Response of pole k at its frequency over noise and misfit of one row there, on every channel, (c,)."""
    band, poles = state.band, state.poles
    row = int(np.argmin(np.abs(band.omega - poles.omega[k])))
    rows = slice(max(0, row - 1), row + 2)
    own = np.abs(forced_part(state, np.array([k]), rows))
    alone = state.doubt.misfit[rows] / np.sqrt(correlated_rows(state)[rows])[:, None]
    sigma = np.hypot(state.doubt.noise(state.size)[rows], alone * state.parts[rows])
    told = np.divide(own, sigma, out=np.zeros_like(own), where=band.valid[rows] & (sigma > 0))
    return np.asarray(np.max(told, axis=0))
