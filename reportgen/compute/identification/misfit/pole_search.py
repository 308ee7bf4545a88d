"""Poles added where the response asks for them most, each fitted on the rows around it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from reportgen.compute.identification.misfit.band import Band, Complexes
from reportgen.compute.identification.misfit.misfit_weights import Doubt, noise_from_scatter, sizes
from reportgen.compute.identification.misfit.projection import NO_POLES, Fit, Poles, mode_columns, refine, solve
from reportgen.records.log import Floats

_AROUND = 3
"""Rows on each side over which what is left is added up."""
_WINDOW_ROWS = 24
_WINDOW_WIDTHS = 6.0
_ROUNDS = 40
_MOST_A_ROUND = 8
_CHANCE = 1e-4
MOST_IN_VAIN = 40
"""Tries in vain, beyond one for every pole found, after which a search ends and says that it was broken off."""


@dataclass(slots=True, eq=False)
class State:
    """A search as it stands."""

    band: Band
    doubt: Doubt
    size: Floats
    """Of the readings, (n, c)."""
    parts: Floats
    """Of what modes add up to a reading, (n, c): where they cancel, what is wrong of each does not."""
    weight: Floats
    poles: Poles = NO_POLES
    fit: Fit | None = None
    vain: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, bool))

    @property
    def all_rows(self) -> slice:
        """Every row."""
        return slice(0, len(self.band))

    def settle(self) -> None:
        """Residues of all poles together."""
        self.fit = solve(self.band, self.poles, self.all_rows, self.weight, poles_move=False)

    def reweigh(self, misfit: Floats) -> None:
        """Take another misfit, (n, c) or what broadcasts to it."""
        self.doubt = replace(self.doubt, misfit=np.broadcast_to(misfit, self.size.shape))
        self.weight = np.where(self.band.valid, 1.0 / self.doubt.sigma(self.size, self.parts), 0.0)

    def resize(self) -> None:
        """Take the sizes of the parts from the model."""
        self.parts = _parts(self)

    @property
    def left(self) -> Complexes:
        """What the model leaves, (n, c)."""
        assert self.fit is not None
        return np.asarray(self.band.values - self.fit.model)


def begin(band: Band, misfit: float) -> State:
    """Nothing found yet."""
    floor, share = noise_from_scatter(band)
    size = sizes(band)
    doubt = Doubt(floor, share, np.full(size.shape, misfit), band.floor_course)
    sigma = doubt.sigma(size, size)
    weight = np.divide(1.0, sigma, out=np.zeros_like(sigma), where=band.valid & (sigma > 0))
    state = State(band, doubt, size, size, weight, vain=np.zeros(len(band), bool))
    state.settle()
    return state


def _parts(state: State) -> Floats:
    """√(|y|² + Σ|part|²), no part larger than the largest reading within its bandwidth: parts may only seem large."""
    square = state.size**2
    for k in np.flatnonzero((state.poles.omega > state.band.omega[0]) & (state.poles.omega < state.band.omega[-1])):
        part = np.abs(contribution(state, np.array([k]), state.all_rows))
        omega, width = float(state.poles.omega[k]), float(state.poles.width[k])
        near = state.band.rows_around(omega - width, omega + width, 3)
        square = square + np.minimum(part, state.size[near].max(axis=0)) ** 2
    return np.asarray(np.sqrt(square))


def hunt(state: State, most: int) -> bool:
    """Add poles until what is left nowhere stands out of noise and misfit; False where broken off before."""
    vain = 0
    for _ in range(_ROUNDS):
        added = 0
        for row in _candidates(state, calm=True) or _candidates(state):
            if len(state.poles) >= most:
                return False
            if vain >= MOST_IN_VAIN + len(state.poles):
                return False
            if added and not _still_stands_out(state, row):
                continue
            kept = _follow(state, row) or _try_decay(state, row) or _try(state, row)
            added, vain = added + kept, vain + (not kept)
        if added:
            polish(state, passes=1)
        elif not _candidates(state):
            return True
    return False


def _scores(state: State) -> tuple[Floats, Floats]:
    """What is left around every row: χ² with noise and misfit, and against all that is left as one noise; (n,)."""
    left = state.left
    window = np.ones(2 * _AROUND + 1)
    z = np.sum(np.abs(left * state.weight) ** 2, axis=1)
    rms = np.sqrt(np.mean(np.abs(left) ** 2, axis=0)) + 1e-300
    height = np.sum(np.abs(left / rms) ** 2 * (state.weight > 0), axis=1)
    score, rank = np.convolve(z, window, "same"), np.convolve(height, window, "same")
    return np.where(state.vain, 0.0, score), rank


def _least_score(state: State) -> float:
    dof = (2 * _AROUND + 1) * 2 * state.band.channels
    return float(chdtri(dof, _CHANCE / len(state.band)))


def _candidates(state: State, *, calm: bool = False) -> list[int]:
    """Rows at which what is left stands out, highest first, clear of one another.

    ``calm``: not those at which a change of the drive that is not followed may still ring, for as long as others ask.
    """
    score, rank = _scores(state)
    rank = np.where(score > _least_score(state), rank, 0.0)
    if calm and state.band.ringing is not None:
        rank = np.where(state.band.ringing.may_ring(_AROUND), 0.0, rank)
    chosen: list[int] = []
    for row in np.argsort(-rank):
        if rank[row] <= 0.0 or len(chosen) >= _MOST_A_ROUND:
            break
        if all(abs(int(row) - other) > 4 * _AROUND for other in chosen):
            chosen.append(int(row))
    return chosen


def _still_stands_out(state: State, row: int) -> bool:
    rows = slice(max(0, row - _AROUND), row + _AROUND + 1)
    return bool(np.sum(np.abs(state.left[rows] * state.weight[rows]) ** 2) > _least_score(state))


def still_asked_for(state: State) -> bool:
    """True where what is left stands out of noise and misfit somewhere, and no pole there was tried in vain."""
    return bool(_candidates(state))


def local_rows(state: State, omega: float, width: float) -> slice:
    """Rows on which a pole is fitted by itself, ω and bandwidth in rad/s."""
    reach = max(_WINDOW_WIDTHS * width, 0.0)
    return state.band.rows_around(omega - reach, omega + reach, _WINDOW_ROWS)


def _follow(state: State, row: int) -> bool:
    """True where a change of the drive that is not followed stands out beside a row: its decays are unknowns then."""
    ringing = state.band.ringing
    if ringing is None:
        return False
    heard = [
        e for e in ringing.beside(row, _AROUND)[0] if _still_stands_out(state, int(ringing.place[ringing.events[e]]))
    ]
    for event in heard:
        ringing = ringing.follow(event)
    if heard:
        state.band = replace(state.band, ringing=ringing)
        state.settle()
    return bool(heard)


def _try_decay(state: State, row: int) -> bool:
    """One pole that is known by what rings of it after a change of the drive beside a row."""
    ringing = state.band.ringing
    followed = [] if ringing is None else ringing.beside(row, _AROUND)[1]
    if ringing is None or not followed:
        return False
    event = followed[-1]
    heard = ringing.rows_of(event)
    own = np.sort(ringing.place[heard])
    rows = slice(int(own[0]), int(own[-1]) + 1)
    if len(own) < _WINDOW_ROWS // 2 or rows.stop - rows.start < _WINDOW_ROWS // 2:
        return False
    start = _first_decay(state, event)
    away = np.abs(state.poles.omega - ringing.drive.omega[ringing.events[event]])
    near = np.argsort(away, kind="stable")[:6]
    return _kept(state, row, rows, near, start, 2 + 2 * state.band.channels * (1 + 2 * len(ringing.followed)))


_DECAY_ZETA = (0.002, 0.005, 0.0125, 0.03, 0.08)
"""Damping ratios tried for a decay: Q from 6 to 250."""


def _first_decay(state: State, event: int) -> Poles:
    """The free decay that explains most of what is left after a change of the drive."""
    ringing = state.band.ringing
    assert ringing is not None
    heard = ringing.rows_of(event)
    at = ringing.place[heard]
    weight = state.weight[at]
    target = state.left[at] * weight**2
    omega = ringing.grid(event)
    best, found = -np.inf, Poles(omega[:1], np.array(_DECAY_ZETA[:1]))
    after, turned = ringing.course(heard)
    turn = np.exp(1j * (omega[:, None] * after - turned))
    for zeta in _DECAY_ZETA:
        falls = np.exp(-zeta * omega[:, None] * after)
        onto = np.abs((turn * falls).conj() @ target) ** 2
        size = (falls**2) @ weight**2
        gain = np.sum(np.divide(onto, size, out=np.zeros_like(onto), where=size > 0), axis=1)
        top = int(np.argmax(gain))
        if gain[top] > best:
            best, found = float(gain[top]), Poles(omega[top : top + 1], np.array([zeta]))
    return found


def contribution(state: State, chosen: NDArray[np.int64], rows: slice) -> Complexes:
    """What the chosen poles add to the model on some rows."""
    assert state.fit is not None
    forced = forced_part(state, chosen, rows)
    if state.band.ringing is None or not state.band.ringing.followed:
        return forced
    return forced + _decaying(state, chosen, rows)


def forced_part(state: State, chosen: NDArray[np.int64], rows: slice) -> Complexes:
    """The same without what rings after changes of the drive."""
    assert state.fit is not None
    values, _ = mode_columns(state.band, state.poles.pick(chosen), rows, slopes=False)
    r = state.fit.residues[chosen]
    return np.asarray(values[::2].T @ r.real + values[1::2].T @ r.imag)


def _decaying(state: State, chosen: NDArray[np.int64], rows: slice) -> Complexes:
    """What rings of the chosen poles after changes of the drive."""
    assert state.fit is not None
    assert state.band.ringing is not None
    own = state.band.ringing.columns(state.fit.poles.s[chosen], rows)
    found = [state.fit.decays.get((int(chosen[k]), j)) if k >= 0 else None for k, j in own.labels()]
    total = np.zeros((own.value.shape[1], state.band.channels), complex)
    for value, x in zip(own.value, found, strict=True):
        if x is not None:
            total += np.outer(value, x)
    return total


def _try(state: State, row: int) -> bool:
    """One pole near a row, with the neighbours moving along; kept where it explains more than chance."""
    omega = float(state.band.omega[row])
    start = _first_guess(state, row)
    if start is None:
        state.vain[max(0, row - _AROUND) : row + _AROUND + 1] = True
        return False
    rows = local_rows(state, float(start.omega[0]), float(start.width[0]))
    near = np.flatnonzero(
        (state.poles.omega > state.band.omega[rows][0] - state.poles.width)
        & (state.poles.omega < state.band.omega[rows][-1] + state.poles.width)
    )
    near = near[np.argsort(np.abs(state.poles.omega[near] - omega))][:6]
    return _kept(state, row, rows, near, start, 2 + 2 * state.band.channels)


def _kept(state: State, row: int, rows: slice, near: NDArray[np.int64], start: Poles, unknowns: int) -> bool:
    """Whether one pole more, fitted with those ``near`` on some rows, explains more than chance; then it stays."""
    assert state.fit is not None
    held = state.fit.model[rows] - (contribution(state, near, rows) if len(near) else 0.0)
    weight = state.weight[rows]
    before = refine(
        state.band, solve(state.band, state.poles.pick(near), rows, weight, held), weight, held, iterations=6
    )
    both = state.poles.pick(near).join(start)
    after = refine(state.band, solve(state.band, both, rows, weight, held), weight, held, iterations=15)
    gained = before.cost - after.cost
    least = chdtri(unknowns, _CHANCE / len(state.band))
    if gained < least:
        state.vain[max(0, row - _AROUND) : row + _AROUND + 1] = True
        return False
    if not _placed(after, state.band) or (
        twin_of(after, state.band, weight) is not None and twin_of(before, state.band, weight) is None
    ):
        state.vain[max(0, row - _AROUND) : row + _AROUND + 1] = True
        return False
    keep = np.setdiff1d(np.arange(len(state.poles)), near)
    state.poles = state.poles.pick(keep).join(after.poles)
    state.settle()
    return True


def _placed(fit: Fit, band: Band) -> bool:
    """True where the last pole is known to within half its bandwidth, or half a row: else it follows no mode."""
    scale = 1.0 / np.sqrt(np.maximum(np.diag(fit.information), 1e-300))
    inverse = np.linalg.pinv(fit.information * np.outer(scale, scale), rcond=1e-12, hermitian=True)
    std = float(np.sqrt(max(inverse[-2, -2], 0.0)) * scale[-2] * fit.poles.omega[-1])
    row = int(np.clip(np.searchsorted(band.omega, fit.poles.omega[-1]), 1, len(band) - 1))
    return std < 0.5 * max(float(fit.poles.width[-1]), float(band.omega[row] - band.omega[row - 1]))


STANDS_OUT = 3.0
"""10 dB: how many times noise and misfit what is to count must be."""


def twin_of(fit: Fit, band: Band, weight: Floats) -> int | None:
    """The weaker of two poles nearer than a bandwidth, or a row, with like residues; None where there are none."""
    poles = fit.poles
    order = np.argsort(poles.omega)
    for a, b in pairwise(order):
        row = int(np.clip(np.searchsorted(band.omega, poles.omega[a]), 1, len(band) - 1))
        spacing = float(band.omega[row] - band.omega[row - 1])
        if poles.omega[b] - poles.omega[a] < max(min(poles.width[a], poles.width[b]), spacing):
            weak, strong = sorted((int(a), int(b)), key=lambda k: float(np.linalg.norm(fit.residues[k])))
            at = int(np.clip(row - fit.rows.start, 0, len(weight) - 1))
            if not _unlike(fit, weak, strong, spacing, weight[at]):
                return weak
    return None


def _unlike(fit: Fit, weak: int, strong: int, spacing: float, weight: Floats) -> bool:
    """True where what the weaker residue says beside the stronger one stands out of noise and misfit."""
    other, own = fit.residues[strong], fit.residues[weak]
    beside = own - other * (np.vdot(other, own) / max(float(np.vdot(other, other).real), 1e-300))
    height = np.abs(beside) / (0.5 * max(float(fit.poles.width[weak]), spacing))
    return bool(np.max(height * weight) > STANDS_OUT)


_GUESS_WIDTHS = (0.3, 1.0, 3.0, 8.0, 20.0)
"""Bandwidths tried, in rows."""
_GUESS_PLACES = (-1.0, -0.5, 0.0, 0.5, 1.0)


def _first_guess(state: State, row: int) -> Poles | None:
    """The best of a few poles for what is left around a row."""
    band = state.band
    omega = float(band.omega[row])
    spacing = float(max(np.abs(np.gradient(band.omega)[row]), 1e-9 * omega))
    best, found = -np.inf, None
    for width in _GUESS_WIDTHS:
        span = int(np.clip(3 * width, 8, 60))
        rows = slice(max(0, row - span), min(len(band), row + span + 1))
        weight = state.weight[rows]
        flat = _flat(band, rows)
        left = state.left[rows]
        without = [_without(flat, left[:, c] * weight[:, c], weight[:, c]) for c in range(band.channels)]
        for place in _GUESS_PLACES:
            centre = omega + place * spacing * max(1.0, 0.5 * width)
            if not band.omega[0] < centre < band.omega[-1]:
                continue
            zeta = float(np.clip(0.5 * width * spacing / centre, 1e-6, 0.2))
            upper, _ = band.shape(complex(centre * (-zeta + 1j * np.sqrt(1 - zeta**2))), rows)
            gain = sum(_gained(upper * weight[:, c], *without[c]) for c in range(band.channels))
            if gain > best:
                best, found = gain, Poles(np.array([centre]), np.array([zeta]))
    return found


def _flat(band: Band, rows: slice) -> Complexes:
    x = np.linspace(-1.0, 1.0, len(range(*rows.indices(len(band)))))
    return np.array([np.ones_like(x), x], complex)


def _without(flat: Complexes, target: Complexes, weight: Floats) -> tuple[Complexes, Complexes]:
    """Orthonormal columns of what is ``flat``, weighted, (n, 2), and the weighted target without it, (n,)."""
    q, _ = np.linalg.qr((flat * weight).T)
    return q, np.asarray(target - q @ (q.conj().T @ target))


def _gained(column: Complexes, q: Complexes, left: Complexes) -> float:
    """What one column (n,) more explains of what is ``left`` beside the orthonormal columns ``q``."""
    beyond = column - q @ (q.conj().T @ column)
    square = float(np.vdot(beyond, beyond).real)
    return float(abs(np.vdot(beyond, left)) ** 2) / square if square > 0.0 else 0.0


def polish(state: State, passes: int = 2) -> None:
    """Poles moved in groups of neighbours, then all residues together."""
    for _ in range(passes):
        order = np.argsort(state.poles.omega)
        for first in range(0, len(order), 4):
            _polish_group(state, order[max(0, first - 1) : first + 5])
        state.settle()


MOST_AT_ONCE = 24
"""Poles up to which all are moved together; the cost of that grows with the square of their number."""


def converge(state: State, iterations: int = 12) -> None:
    """All poles moved together, residues and terms for what lies outside with them."""
    if not 0 < len(state.poles) <= MOST_AT_ONCE:
        polish(state, passes=3)
        return
    start = solve(state.band, state.poles, state.all_rows, state.weight)
    state.fit = refine(state.band, start, state.weight, iterations=iterations, tolerance=0.1)
    state.poles = state.fit.poles


def _polish_group(state: State, group: NDArray[np.int64]) -> None:
    poles = state.poles.pick(group)
    low, high = np.min(poles.omega - _WINDOW_WIDTHS * poles.width), np.max(poles.omega + _WINDOW_WIDTHS * poles.width)
    rows = state.band.rows_around(float(low), float(high), _WINDOW_ROWS)
    assert state.fit is not None
    held = state.fit.model[rows] - contribution(state, group, rows)
    weight = state.weight[rows]
    # A pole outside of the band is known by rows elsewhere alone.
    free = (poles.omega >= state.band.omega[0]) & (poles.omega <= state.band.omega[-1])
    begun = solve(state.band, poles, rows, weight, held)
    moved = refine(state.band, begun, weight, held, free=free, iterations=5, tolerance=0.3)
    omega, zeta = state.poles.omega.copy(), state.poles.zeta.copy()
    omega[group], zeta[group] = moved.poles.omega, moved.poles.zeta
    state.poles = Poles(omega, zeta)
