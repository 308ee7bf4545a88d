"""One mode that follows its own level against one, or two, that do not."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from reportgen.compute.misfit.identify import Account
from reportgen.compute.misfit.level import LevelMode, LevelShape, choose_level, steady_shape
from reportgen.compute.misfit.projection import refine, solve
from reportgen.compute.misfit.search import contribution
from reportgen.records.log import Floats

_CLOSE = 2.0
"""Larger bandwidths within which two modes may be one that moves."""
_WINDOW = 6.0
LEAST_MISFIT = 0.01
"""Part of a reading to which a law of three terms is meant to hold: exact rows far from the peak must not rule it."""


@dataclass(frozen=True, slots=True, eq=False)
class Levelled:
    """A mode that follows its level, and the poles that it stands for."""

    mode: LevelMode
    terms: tuple[int, int]
    stands_for: tuple[int, ...]
    rows: slice
    linear_cost: float
    """χ² (noise alone) of the poles it stands for, over the same rows."""


def levelled(account: Account, level: Floats, rigid: float = 0.0, shape: LevelShape | None = None) -> list[Levelled]:
    """Modes that follow their level, of steady rows: ``level`` (n,) of the reference at every row.

    ``rigid`` is what a rigid specimen would show: 1 for acceleration over that of a base, 0 over a force.

    Of a group of poles the moving mode is chosen where its Schwarz criterion N ln χ² + p ln N is the lesser one.
    """
    found = []
    for group in _groups(account):
        one = _one(account, group, level, rigid, shape)
        if one is not None:
            found.append(one)
    return found


def _groups(account: Account) -> list[NDArray[np.int64]]:
    """Modes alone and with a neighbour nearer than two bandwidths, indices of poles."""
    modes = [mode.index for mode in account.modes()]
    poles = account.state.poles
    groups: list[list[int]] = [[k] for k in modes[:1]]
    for a, b in pairwise(modes):
        close = poles.omega[b] - poles.omega[a] < _CLOSE * max(poles.width[a], poles.width[b])
        if close:
            groups[-1].append(b)
        else:
            groups.append([b])
    return [np.array(group) for group in groups]


def _one(
    account: Account, group: NDArray[np.int64], level: Floats, rigid: float, shape: LevelShape | None
) -> Levelled | None:
    state, band = account.state, account.state.band
    assert state.fit is not None
    poles = state.poles.pick(group)
    low, high = float(np.min(poles.omega - _WINDOW * poles.width)), float(np.max(poles.omega + _WINDOW * poles.width))
    rows = band.rows_around(low, high, 30)
    others = np.setdiff1d([mode.index for mode in account.modes()], group).astype(int)
    held = contribution(state, others, rows) if len(others) else np.zeros_like(band.values[rows])
    sigma = np.hypot(state.doubt.noise(state.size), LEAST_MISFIT * state.size)[rows]
    weight = np.where(band.valid[rows], 1.0 / sigma, 0.0)
    linear = refine(band, solve(band, poles, rows, weight, held), weight, held, iterations=20)
    values = band.values[rows] - held
    channel = int(np.argmax(np.max(np.abs(values) * weight, axis=0)))
    x = np.linspace(-1.0, 1.0, len(values))
    flat = np.array([np.ones_like(x), x], complex)
    strong = int(np.argmax(np.linalg.norm(linear.residues, axis=1)))
    start = (float(linear.poles.omega[strong]), float(linear.poles.zeta[strong]))
    own_shape = shape or steady_shape(band.omega[rows])
    amplitude = np.abs(values[:, channel] - rigid) * level[rows]
    mode, terms = choose_level(own_shape, flat, values, weight, amplitude, start)
    count = 2.0 * values.size
    unknowns = 2 * len(group) * (1 + band.channels)
    own = 2 + sum(terms) + 2 * band.channels
    better = count * np.log(mode.cost / linear.cost) + (own - unknowns) * np.log(count) < 0.0
    if terms == (0, 0) or not better:
        return None
    return Levelled(mode, terms, tuple(int(k) for k in group), rows, linear.cost)
