"""Standard deviations of poles, with what fits on different rows disagree about.

A model that is right says the same on all rows and on those around a mode alone, within what chance allows (Hausman,
Econometrica 46 (1978) 1251). Where gain, phase or neighbours are not as the model has them, smoothly over many
bandwidths, nothing is left over that would show it; the estimates differ.
"""

from __future__ import annotations

import numpy as np

from reportgen.compute.identification.misfit.pole_evidence import Covariance
from reportgen.compute.identification.misfit.pole_search import State, contribution
from reportgen.compute.identification.misfit.projection import refine, solve
from reportgen.records.log import Floats

_WINDOWS = (1.5, 3.0, 6.0)
"""Bandwidths on each side of the windows that are fitted alone."""
_LEAST_ROWS = 16


def disagreement(state: State, seen: Covariance, k: int) -> Floats:
    """Variance of (ln ω₀, ln ζ) of pole k that fits on rows around it alone ask for beyond chance, (2,)."""
    most = np.zeros(2)
    for widths in _WINDOWS:
        found = _alone(state, k, widths)
        if found is None:
            continue
        moved, variance = found
        own = np.diag(seen.poles)[2 * k : 2 * k + 2]
        most = np.maximum(most, moved**2 - np.maximum(variance - own, 0.0))
    return most


def _alone(state: State, k: int, widths: float) -> tuple[Floats, Floats] | None:
    """Move of (ln ω₀, ln ζ) of pole k fitted on the rows around it, and its variance there."""
    band, poles = state.band, state.poles
    omega, width = float(poles.omega[k]), float(poles.width[k])
    rows = band.rows_around(omega - widths * width, omega + widths * width, _LEAST_ROWS)
    if rows.stop - rows.start >= len(band) - 2:
        return None
    inside = np.flatnonzero(
        (poles.omega > band.omega[rows][0] - poles.width) & (poles.omega < band.omega[rows][-1] + poles.width)
    )
    group = np.append(np.setdiff1d(inside, [k]), k).astype(int)
    assert state.fit is not None
    held = state.fit.model[rows] - contribution(state, group, rows)
    weight = state.weight[rows]
    free = np.arange(len(group)) == len(group) - 1
    fit = refine(band, solve(band, poles.pick(group), rows, weight, held), weight, held, free=free, tolerance=0.01)
    own = fit.information[-2:, -2:]
    moved = np.array([np.log(fit.poles.omega[-1] / omega), np.log(fit.poles.zeta[-1] / poles.zeta[k])])
    if not np.all(np.isfinite(own)) or np.linalg.det(own) <= 0:
        return None
    return moved, np.diag(np.linalg.inv(own))
