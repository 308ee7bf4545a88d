"""Curves reduced to what a page can show: every peak stays, points that no eye could tell apart go."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from reportgen.records.log import Floats

Indices = NDArray[np.int64]


def points_to_draw(x: Floats, y: Floats, columns_per_unit: float = 1.0) -> Indices:
    """Indices of the lowest and highest point of every column, rising; a column is as wide as a line.

    ``x`` and ``y`` are in drawing units, shape (n,), in the order of drawing (``x`` need not rise). What is not finite
    breaks the line and stays a break; both ends of every stretch stay. What is left out lies between two points of its
    own column that are kept, so the line drawn covers it.

    >>> points_to_draw(np.zeros(9), np.array([1.0, 2, 5, 3, 1, 0, 2, 3, 2]))
    array([0, 2, 5, 8])
    """
    if len(x) < 8:
        return np.arange(len(x))
    column = np.floor(np.asarray(x, dtype=np.float64) * columns_per_unit)
    broken = ~np.isfinite(y)
    starts = np.flatnonzero(np.r_[True, (column[1:] != column[:-1]) | (broken[1:] != broken[:-1])])
    ends = np.r_[starts[1:], len(x)] - 1
    run = np.repeat(np.arange(len(starts)), ends - starts + 1)
    ranked = np.lexsort((np.where(broken, 0.0, y), run))
    breaks = np.flatnonzero(broken[1:] != broken[:-1])
    return np.unique(np.r_[0, breaks, breaks + 1, len(x) - 1, ranked[starts], ranked[ends]])


def corners(x: Floats, y: Floats, tolerance: float) -> Indices:
    """Indices of the points to draw a line with breaks by, each stretch within ``tolerance`` of all its points.

    Shapes (n,); what is not finite breaks the line and stays a break.

    >>> corners(np.arange(7.0), np.array([0.0, 1, 2, np.nan, 4, 5, 6]), 0.1)
    array([0, 2, 3, 4, 6])
    """
    finite = np.isfinite(x) & np.isfinite(y)
    parts = np.split(np.arange(len(x)), np.flatnonzero(np.diff(finite)) + 1)
    return np.concatenate(
        [part[without_straight_points(x[part], y[part], tolerance)] if finite[part[0]] else part for part in parts]
    )


def without_straight_points(x: Floats, y: Floats, tolerance: float) -> Indices:
    """Indices of points whose polyline stays within ``tolerance`` of all of them; highest and lowest point stay.

    Ramer (1972) and Douglas & Peucker (1973), all open stretches divided at once. Shapes (n,), all finite.

    >>> without_straight_points(np.arange(6.0), np.array([0.0, 1, 2, 3, 2, 1]), 0.1)
    array([0, 3, 5])
    """
    n = len(x)
    kept = np.unique([0, int(np.argmin(y)), int(np.argmax(y)), n - 1])
    while len(kept) < n:
        stretch = np.repeat(np.arange(len(kept) - 1), np.diff(kept))
        distance = _from_chord(x[:-1], y[:-1], x[kept], y[kept], stretch)
        farthest = np.maximum.reduceat(distance, kept[:-1])
        candidates = np.flatnonzero((distance == farthest[stretch]) & (distance > tolerance))
        if not len(candidates):
            break
        _, first = np.unique(stretch[candidates], return_index=True)
        kept = np.union1d(kept, candidates[first])
    return kept


def _from_chord(x: Floats, y: Floats, corners_x: Floats, corners_y: Floats, stretch: Indices) -> Floats:
    """Distance of every point from the straight line between the ends of its stretch, not beyond them."""
    dx, dy = np.diff(corners_x)[stretch], np.diff(corners_y)[stretch]
    out_x, out_y = x - corners_x[:-1][stretch], y - corners_y[:-1][stretch]
    squared = dx**2 + dy**2
    along = np.clip((out_x * dx + out_y * dy) / np.where(squared > 0, squared, 1.0), 0.0, 1.0)
    return np.hypot(out_x - along * dx, out_y - along * dy)
