"""Samples that a recorder cut off: runs at one extreme value whose flanks are too steep for the top of a wave."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from reportgen.records.log import Floats

_EQUAL = 1e-6
"""Share of the range within which readings are the same extreme value."""
_SHORTEST = 3
"""Readings in a row at the extreme: two may be chance."""
_FEWEST_PILED, _PILED, _BINS = 4, 2.0, 10
"""Readings at the extreme, over those within so many steps below it, that say clipping where a cycle has few samples:
of a wave that keeps its height the last step holds 0.43 of what the ten below it hold (arcsine law). Where λ readings a
step are there by chance, three more stand in the last and at most one in the ten below with λ³/6 · (1 + 10 λ) e^{−11λ},
7e-4 at most, as rarely as noise may make a mode (FALSE_ALARM); of three readings two more and none below would with
2e-3, and five would miss what was cut off for less than two cycles at each end."""
_STEEP = 4.0
"""Steps of resolution by which the readings beside a run lie below it. The top of a wave that is flat within one step
over three readings falls at most 2.8 steps to the next (a parabola), over five 2."""


def clipped_samples(samples: Floats) -> NDArray[np.bool_]:
    """Which readings are cut off, shape (n, c) like ``samples``; NaN is none."""
    return np.column_stack([_clipped(column) for column in samples.T]) if samples.size else samples.astype(bool)


def _clipped(x: Floats) -> NDArray[np.bool_]:
    found = np.zeros(len(x), dtype=bool)
    finite = x[np.isfinite(x)]
    if len(finite) < 2 * _SHORTEST or np.ptp(finite) == 0:
        return found
    for each in (x, -x, np.abs(x)):  # a recorder has one limit both ways: what stands at either is counted together
        found |= _cut_above(each, float(np.ptp(finite)))
    return found


def _cut_above(x: Floats, span: float) -> NDArray[np.bool_]:
    top = np.nanmax(x)
    at = x >= top - _EQUAL * span
    edges = np.flatnonzero(np.diff(np.concatenate([[0], at.view(np.int8), [0]])))
    found = np.zeros(len(x), dtype=bool)
    step = _resolution(x, span)
    if _is_piled(x, at, top, step):
        return np.asarray(at)
    if not np.any(edges[1::2] - edges[::2] >= _SHORTEST):
        return found
    runs = [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a >= _SHORTEST]
    steep = [(a, b) for a, b in runs if _flank(x, a - 1, top) > _STEEP * step and _flank(x, b, top) > _STEEP * step]
    if steep:
        found[at] = True  # the same value on a top that is no run was cut off as well, or stands at the limit
    return found


def _is_piled(x: Floats, at: NDArray[np.bool_], top: float, step: float) -> bool:
    """Whether readings stand at the extreme that should lie spread above it."""
    held = int(at.sum())
    below = int(np.sum((x >= top - (_BINS + 0.5) * step) & ~at))
    return held >= _FEWEST_PILED and held > _PILED * below


def _flank(x: Floats, at: int, top: float) -> float:
    """How far the reading beside a run lies below it; beyond the record as far as can be."""
    return float(top - x[at]) if 0 <= at < len(x) else np.inf


def _resolution(x: Floats, span: float) -> float:
    """Smallest step between different readings, looked for in the first of them."""
    values = np.unique(x[:20000][np.isfinite(x[:20000])])
    steps = np.diff(values)
    return max(float(np.min(steps)) if len(steps) else 0.0, _EQUAL * span)
