"""Curves reduced to what a page can show: every peak stays, points that no eye could tell apart go."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from reportgen.records.log import Floats


def points_to_draw(x: Floats, y: Floats, columns_per_unit: float = 1.0) -> NDArray[np.int64]:
    """Indices of the first, lowest, highest and last point of every column, rising; a column is as wide as a line.

    ``x`` and ``y`` are in drawing units, shape (n,), in the order of drawing (``x`` need not rise). What is not finite
    breaks the line and stays a break. At most four points a column and pass are kept.

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
    return np.unique(np.r_[starts, ends, ranked[starts], ranked[ends]])
