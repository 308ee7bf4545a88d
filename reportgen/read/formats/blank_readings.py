"""Readings that a table leaves blank: one or two in a row are put in between their neighbours, more are not."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from reportgen.read.formats.recording import Rows
from reportgen.records.log import Floats

LONGEST_RUN = 2
"""Blank readings in a row that are put in."""
MOST = 0.01
"""Share of a channel's readings that may be blank."""
GOOD_UP_TO = 16.7
"""A cubic through two neighbours on either side of two blank readings is off by ω⁴/2 of a sinusoid, ω in radians a
sample: 1 % at a frequency of the sampling rate over 16.7."""
_KEPT = 100_000
"""Blank readings of a column whose rows are kept; of more the channel is not read anyway."""


class Blanks:
    """Where the columns of a table hold no reading, gathered block by block."""

    def __init__(self, columns: int) -> None:
        self.rows = 0
        self._at: list[list[int]] = [[] for _ in range(columns)]
        self._count = np.zeros(columns, dtype=np.int64)
        self._last = np.full(columns, -1, dtype=np.int64)

    def take(self, values: Floats) -> None:
        """Note the blank cells of further rows, shape (n, columns)."""
        read = np.isfinite(values)
        for column in range(values.shape[1]):
            blank = np.flatnonzero(~read[:, column])
            self._count[column] += len(blank)
            if len(self._at[column]) < _KEPT:
                self._at[column] += (blank + self.rows).tolist()
            if len(blank) < len(values):
                last = len(values) - 1 if not len(blank) else int(np.flatnonzero(read[:, column])[-1])
                self._last[column] = self.rows + last
        self.rows += len(values)

    def stop(self, column: int) -> int:
        """One past the last reading of a column."""
        return int(self._last[column]) + 1

    def readings(self, column: int) -> int:
        """How many there are."""
        return int(self.rows - self._count[column])

    def within(self, column: int, start: int, stop: int) -> list[int]:
        """Rows from ``start`` on, below ``stop``, where a column has no reading."""
        return [row for row in self._at[column] if start <= row < stop]


def can_be_put_in(rows: list[int], start: int, stop: int) -> bool:
    """Whether the blank rows of a channel of rows ``start`` to ``stop`` can be put in."""
    if len(rows) > MOST * (stop - start):
        return False
    runs = np.split(np.array(rows), np.flatnonzero(np.diff(rows) > 1) + 1)
    ends = [start - 1, *(int(run[-1]) for run in runs)]
    starts = [*(int(run[0]) for run in runs), stop]
    apart = all(begin - end > 2 for end, begin in zip(ends, starts, strict=True))
    return apart and max(map(len, runs)) <= LONGEST_RUN


def put_in(read: Rows, blank: dict[int, list[int]]) -> Rows:
    """Rows whose blank cells, by column, are put in by a cubic through two neighbours on either side."""
    cells = sorted((row, column) for column, rows in blank.items() for row in rows)
    if not cells:
        return read
    rows = np.array([row for row, _ in cells])
    columns = np.array([column for _, column in cells])
    values = np.array([_between(read, row, column, set(blank[column])) for row, column in cells])
    return lambda start, stop: _patched(read(start, stop), start, stop, rows, columns, values)


def _between(read: Rows, row: int, column: int, blank: set[int]) -> float:
    first = row - 1 if row - 1 in blank else row
    last = row + 1 if row + 1 in blank else row
    places = np.array([first - 2, first - 1, last + 1, last + 2])
    known = np.array([read(int(at), int(at) + 1)[0, column] for at in places])
    others = [np.delete(places, k) for k in range(4)]
    shares = [np.prod((row - other) / (at - other)) for at, other in zip(places, others, strict=True)]
    return float(np.dot(shares, known))


def _patched(
    values: Floats, start: int, stop: int, rows: NDArray[np.int64], columns: NDArray[np.int64], cells: Floats
) -> Floats:
    first, last = np.searchsorted(rows, [start, stop])
    if first == last:
        return values
    whole = values.copy()
    whole[rows[first:last] - start, columns[first:last]] = cells[first:last]
    return whole
