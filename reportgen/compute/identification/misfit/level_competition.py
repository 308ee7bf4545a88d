"""One mode that follows its own level against one, or two, that do not.

Models are compared by Schwarz's criterion N ln χ² + p ln N (Ann. Statist. 6 (1978) 461), N counting readings whose
residuals belong together once. Where several laws explain about as much, each has its weight exp(−Δ/2), and what they
disagree about is in the interval (Kass and Raftery, JASA 90 (1995) 773, section 4).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from reportgen.compute.identification.misfit.account import Account
from reportgen.compute.identification.misfit.band import Complexes
from reportgen.compute.identification.misfit.level_dependence import (
    LevelMode,
    LevelRows,
    LevelShape,
    fit_laws,
    fit_level,
    middle_of,
    steady_shape,
)
from reportgen.compute.identification.misfit.pole_evidence import Objection
from reportgen.compute.identification.misfit.pole_search import STANDS_OUT, contribution
from reportgen.compute.identification.misfit.projection import Fit, refine, solve
from reportgen.records.log import Floats

ShapeOf = Callable[[slice], tuple[LevelShape, Floats]]
"""Of a slice of rows: the response of a mode whose pole moves, and the times of the rows, s."""
_CLOSE = 2.0
"""Larger bandwidths within which two modes may be one that moves."""
_WINDOW = 6.0
"""Bandwidths on both sides of the rows that are fitted."""
_LEAST_ROWS = 30
_NARROW = 1.1
"""Ratio of the ends of the rows below which what lies outside is a constant."""
_LEAST_IN_BAND = 3.0
"""Rows to a half-power band from which a bend of the peak can be told from its place and width."""
_USUAL_ANGLE_DEG = 5.0
"""Standard deviation of the angle by which a residue leaves the axis of real modes: phases of instruments, and damping
that is not proportional. Laws that need more of it are believed less."""
LEAST_MISFIT = 0.01
"""Part of a reading to which a law of three terms is meant to hold: exact rows far from the peak must not rule it."""
_VERY_STRONG = 10.0
"""Difference of Schwarz's criterion from which a mode is said to move (Kass and Raftery 1995, table in 3.2)."""
_LIGHT = 0.01
"""Weight below which a law is left out of the mean."""


@dataclass(frozen=True, slots=True, eq=False)
class Levelled:
    """A mode that follows its level, and the poles that it stands for."""

    mode: LevelMode
    """Under the law that explains most."""
    others: tuple[tuple[LevelMode, float], ...]
    """All laws with a weight, the best among them."""
    stands_for: tuple[int, ...]
    rows: slice
    channel: int
    """Whose amplitude the level is."""
    held: Complexes
    """The rest of the model on these rows, (rows, c)."""
    amplitude: Floats
    """Of the mode on that channel, (rows,)."""
    inflation: float
    """Of the variances, by what is left and its lack of whiteness."""
    parts: tuple[LevelMode, ...] = ()
    """Under the same law, of parts of the rows alone."""

    @property
    def own(self) -> Complexes:
        """The part of the mode itself, (rows, c)."""
        return self.mode.own

    def at(self, amplitude: Floats) -> tuple[Floats, Floats]:
        """ln Hz and ln ζ at amplitudes (k,), and standard deviations, of the laws together; each (2, k)."""
        centres, variances, weights = [], [], []
        for mode, weight in self.others:
            centre, std = mode.at(amplitude)
            centres.append(centre)
            variances.append(std**2 * self.inflation)
            weights.append(weight)
        weight = np.array(weights)[:, None, None] / np.sum(weights)
        mean = np.sum(weight * np.array(centres), axis=0)
        between = np.sum(weight * (np.array(centres) - mean) ** 2, axis=0)
        within = np.sum(weight * np.array(variances), axis=0)
        return mean, np.sqrt(within + between + self._disagreement(amplitude))

    def _disagreement(self, amplitude: Floats) -> Floats:
        """Variance of ln Hz and ln ζ that parts of the rows ask for beyond chance, (2, k).

        A law that is right says the same on all rows and on some alone (Hausman, Econometrica 46 (1978) 1251); laws
        are averages over a cycle and leave a little everywhere, alike over many rows.
        """
        whole, whole_std = self.mode.at(amplitude)
        most = np.zeros_like(whole)
        for part in self.parts:
            centre, std = part.at(amplitude)
            chance = np.maximum(std**2 - whole_std**2, 0.0) * self.inflation
            most = np.maximum(most, (centre - whole) ** 2 - chance)
        return most

    def frequency_range(self) -> tuple[float, float]:
        """Lowest and highest frequency, Hz, over the levels of the rows."""
        low, high = float(np.min(self.amplitude)), float(np.max(self.amplitude))
        frequency = np.exp(self.at(np.linspace(low, high, 9))[0][0])
        return float(frequency.min()), float(frequency.max())

    def bandwidth(self) -> float:
        """Half-power bandwidth, Hz, at the largest level."""
        (ln_f, ln_zeta), _ = self.at(np.array([np.max(self.amplitude)]))
        return float(2.0 * np.exp(ln_zeta[0] + ln_f[0]))


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """What the channels of a band are, (c,) each."""

    rigid: Floats
    """What a rigid specimen would show: 1 for acceleration over that of a base, 0 over a force."""
    over: NDArray[np.int64]
    """Power of iω of a channel over the reference, against acceleration over that of a base, or over a force."""
    order: NDArray[np.int64]
    """Power of ω of a channel over the displacement of the mode: 2 for acceleration, 1 for velocity."""

    @classmethod
    def accelerance(cls, channels: int) -> Motion:
        """Accelerations over a force."""
        return cls(np.zeros(channels), np.zeros(channels, int), np.full(channels, 2))


def levelled(
    account: Account, level: Floats, motion: Motion | None = None,
    shape_of: ShapeOf | None = None,
) -> list[Levelled]:  # fmt: skip
    """Modes that follow their level; ``level`` (n,) of the reference at every row of the band.

    Without ``motion`` every channel is an acceleration over a force. ``shape_of`` gives the response on a slice of
    rows and their times; steady state without it.
    """
    motion = motion or Motion.accelerance(account.state.band.channels)
    found = []
    for group in _groups(account):
        one = _one(account, group, level, motion, shape_of)
        if one is not None:
            found.append(one)
    return found


def _groups(account: Account) -> list[NDArray[np.int64]]:
    """Modes alone and with a neighbour nearer than two bandwidths, indices of poles.

    A pole that is no mode for its misfit alone is among them where the response is its own, or where it has a peak of
    the recorded curve on it: a peak that bends leaves much of itself to any pole that does not move.
    """
    modes = [
        int(k)
        for k in np.argsort(account.state.poles.omega, kind="stable")
        if not account.verdicts[k].reason
        or (
            account.verdicts[k].reason in (Objection.MISFIT, Objection.UNCERTAIN)
            and (_is_the_response(account, int(k)) or _has_a_peak(account, int(k)))
        )
    ]
    poles = account.state.poles
    groups: list[list[int]] = [[k] for k in modes[:1]]
    for a, b in pairwise(modes):
        close = poles.omega[b] - poles.omega[a] < _CLOSE * max(poles.width[a], poles.width[b])
        if close:
            groups[-1].append(b)
        else:
            groups.append([b])
    return [np.array(group) for group in groups]


_MOST_OF_IT = 0.5
"""Share of a reading from which it is of one pole more than of all else."""


def _is_the_response(account: Account, k: int) -> bool:
    """True where a pole is most of what a channel reads at its frequency, and out of its noise."""
    state = account.state
    row = int(np.argmin(np.abs(state.band.omega - state.poles.omega[k])))
    at = slice(row, row + 1)
    own = np.abs(contribution(state, np.array([k]), at))
    out = (own > STANDS_OUT * state.doubt.noise(state.size)[at]) & state.band.valid[at]
    return bool(np.any(out & (own > _MOST_OF_IT * state.size[at])))


_HALF_POWER = 2.0**0.5
"""Ratio of amplitudes at half the power."""


def _has_a_peak(account: Account, k: int) -> bool:
    """True where the recorded curve of a channel falls to half its power on both sides of a maximum within the
    bandwidths of a pole, out of the noise."""
    state = account.state
    omega, width = float(state.poles.omega[k]), float(state.poles.width[k])
    rows = state.band.rows_around(omega - width, omega + width, 3)
    size, noise = np.abs(state.band.values[rows]), state.doubt.noise(state.size)[rows]
    if len(size) < _LEAST_IN_BAND:
        return False
    top = size.argmax(axis=0)
    height, channel = size.max(axis=0), np.arange(size.shape[1])
    read = state.band.valid[rows].all(axis=0)
    falls = height > _HALF_POWER * np.maximum(size[0], size[-1])
    return bool(np.any(read & falls & (height > STANDS_OUT * noise[top, channel])))


def _one(
    account: Account, group: NDArray[np.int64], level: Floats, motion: Motion,
    shape_of: ShapeOf | None,
) -> Levelled | None:  # fmt: skip
    state, band = account.state, account.state.band
    rows = _rows_of(account, group)
    others = np.setdiff1d([mode.index for mode in account.modes()], group).astype(int)
    held = contribution(state, others, rows) if len(others) else np.zeros_like(band.values[rows])
    sigma = np.hypot(state.doubt.noise(state.size), LEAST_MISFIT * state.size)[rows]
    weight = np.where(band.valid[rows], 1.0 / sigma, 0.0)
    linear = refine(band, solve(band, state.poles.pick(group), rows, weight, held), weight, held, iterations=20)
    readings = 2.0 * float(np.sum(weight > 0))
    if _too_coarse(account, linear, rows) or (len(group) == 1 and linear.cost <= readings):
        return None
    values, omega = band.values[rows] - held, band.omega[rows]
    channel = int(np.argmax(np.max(np.abs(values) * weight, axis=0)))
    read = weight[:, channel] > 0
    amplitude = np.abs(values[:, channel] - motion.rigid[channel]) * level[rows]
    amplitude = np.where(read, amplitude, np.interp(np.arange(len(read)), np.flatnonzero(read), amplitude[read]))
    shape, time_s = (steady_shape(omega), None) if shape_of is None else shape_of(rows)
    turned = np.asarray((1j * omega[:, None] / middle_of(omega)) ** motion.over, np.complex128)
    asked = LevelRows(
        shape=shape, flat=_background(omega), values=values / turned, turned=turned, weight=weight * np.abs(turned),
        amplitude=amplitude, omega=omega, level=level[rows], order=int(motion.order[channel]), time_s=time_s,
    )  # fmt: skip
    laws, asked = fit_laws(asked, _start(linear), channel)
    laws = [replace(each, model=each.model * turned, own=each.own * turned) for each in laws]
    chosen = _chosen(laws, linear, group, rows, channel, held, asked.amplitude, readings)
    return None if chosen is None else replace(chosen, parts=_parts(asked, chosen.mode))


_NEAR_TOP = 1.5
"""Bandwidths on each side of the largest amplitude of the rows that are fitted alone."""
_LEAST_PART = 16
"""Rows on which a law of at most seven unknowns can be fitted alone, and some are left over."""


def _parts(asked: LevelRows, mode: LevelMode) -> tuple[LevelMode, ...]:
    """The law of a mode fitted to rows below its largest amplitude, above it, and near it alone."""
    omega, top = asked.omega, float(asked.omega[int(np.argmax(asked.amplitude))])
    zeta = float(np.exp(mode.at(np.array([np.max(asked.amplitude)]))[0][1, 0]))
    near = np.abs(np.log(omega / top)) < 2.0 * zeta * _NEAR_TOP
    return tuple(
        fit_level(replace(asked, weight=asked.weight * rows[:, None]), mode.parameters, mode.law)
        for rows in (omega <= top, omega >= top, near)
        if np.sum(rows) >= _LEAST_PART
    )


def _background(omega: Floats) -> Complexes:
    """Terms for what lies outside the rows, (p, n): a constant; over a wide band a slope as well.

    Over a narrow band a slope is what a mode that moves looks like far from its peak, and no neighbour has one.
    """
    x = np.linspace(-1.0, 1.0, len(omega))
    terms = 1 if omega[-1] < _NARROW * omega[0] else 2
    return np.array([np.ones_like(x), x], complex)[:terms]


def _too_coarse(account: Account, linear: Fit, rows: slice) -> bool:
    """True where rows are too few to the bandwidth to show a peak that bends."""
    omega = account.state.band.omega[rows]
    centre = int(np.clip(np.searchsorted(omega, _start(linear)[0]), 1, len(omega) - 1))
    width = float(np.max(linear.poles.width))
    return bool(width < _LEAST_IN_BAND * (omega[centre] - omega[centre - 1]))


def _rows_of(account: Account, group: NDArray[np.int64]) -> slice:
    poles = account.state.poles.pick(group)
    low, high = float(np.min(poles.omega - _WINDOW * poles.width)), float(np.max(poles.omega + _WINDOW * poles.width))
    return account.state.band.rows_around(low, high, _LEAST_ROWS)


def _start(linear: Fit) -> tuple[float, float]:
    strong = int(np.argmax(np.linalg.norm(linear.residues, axis=1)))
    return float(linear.poles.omega[strong]), float(linear.poles.zeta[strong])


def _chosen(
    laws: list[LevelMode], linear: Fit, group: NDArray[np.int64], rows: slice, channel: int, held: Complexes,
    amplitude: Floats, readings: float,
) -> Levelled | None:  # fmt: skip
    """The mode that moves, where it explains more than chance over one that does not, and than the poles together."""
    best = min(laws, key=lambda each: each.cost)
    together = _together(best.left)
    count = max(readings / together, 8.0)
    scores = np.array([
        count * np.log(each.cost) + len(each.parameters) * np.log(count) + _off_axis(each, channel) for each in laws
    ])  # fmt: skip
    channels = held.shape[1]
    more = 2 * len(group) + 2 * (len(group) - 1) * channels
    standing = count * np.log(linear.cost) + more * np.log(count)
    top = int(np.argmin(scores))
    still = scores[0] if len(group) == 1 else min(scores[0], standing)
    if not laws[top].law.moves or still - scores[top] < _VERY_STRONG or standing < scores[top]:
        return None
    weights = np.exp(-0.5 * (scores - scores[top]))
    others = tuple((law, float(w)) for law, w in zip(laws, weights, strict=True) if w > _LIGHT and law.law.moves)
    inflation = max(laws[top].cost / laws[top].freedom, 1e-300) * together
    return Levelled(laws[top], others, tuple(int(k) for k in group), rows, channel, held, amplitude, inflation)


def _off_axis(mode: LevelMode, channel: int) -> float:
    """−2 ln of how usual the angle of the residue is: that of a real mode is imaginary."""
    angle = float(np.degrees(np.angle(mode.residues[channel]))) % 180.0 - 90.0
    return (angle / _USUAL_ANGLE_DEG) ** 2


def _together(left: Floats) -> float:
    """Readings that count as one: (1 + ρ)/(1 − ρ) of the residuals' autocorrelation row to row (Bartlett 1946)."""
    rho = float(left[1:] @ left[:-1]) / max(float(left @ left), 1e-300)
    rho = float(np.clip(rho, 0.0, 0.9))
    return (1.0 + rho) / (1.0 - rho)
