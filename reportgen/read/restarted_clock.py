"""A clock that starts anew where an interrupted sweep is resumed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from reportgen.records.log import Floats

_BACK_OCTAVES = 0.01
"""A sweep that is resumed begins further back than the jitter of a measured frequency, 0.7 %."""
_FEWEST_ROWS = 10
"""Rows on either side of a restart; a clock that falls more often is out of order."""


def continued(time: Floats | None, frequency: Floats, rows: NDArray[np.int64]) -> tuple[Floats | None, tuple[int, ...]]:
    """Time going on where the clock fell back together with the frequency, and the rows where it did.

    ``time`` and ``frequency`` are of all rows of the file, ``rows`` those in use. The pause between the pieces is not
    known then and counts as one row.
    """
    if time is None or len(rows) < 2 * _FEWEST_ROWS:
        return time, ()
    own, octaves = time[rows], np.log2(frequency[rows])
    falls = np.flatnonzero(np.diff(own) < 0) + 1
    way = np.sign(octaves[-1] - octaves[0])
    back = [k for k in falls if (octaves[k] - octaves[k - 1]) * way < -_BACK_OCTAVES]
    edges = np.diff([0, *falls, len(rows)])
    if not len(falls) or len(back) < len(falls) or edges.min() < _FEWEST_ROWS:
        return time, ()
    moved = time.astype(float).copy()
    for k in falls:
        moved[rows[k:]] += moved[rows[k - 1]] + (own[k - 1] - own[k - 2]) - moved[rows[k]]
    return moved, tuple(int(rows[k]) for k in falls)
