"""Readings that a table leaves blank: one or two in a row are put in between their neighbours, more are not."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from reportgen.read.formats.recording import Rows
from reportgen.read.formats.table_times import GOOD_TO
from reportgen.records.log import Floats
from reportgen.records.message import Message, message

Moment = Callable[[int], float]
"""Row, from 0, to the second at which it was taken."""

LONGEST_RUN = 2
"""Blank readings in a row that are put in."""
MOST = 0.01
"""Share of a channel's readings that may be blank."""
_FARTHEST = 12.0
"""Product of the distances of a blank reading from its four neighbours, in samples, of two in a row: 2 · 1 · 2 · 3."""
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PutIn:
    """Rows without blank readings."""

    rows: Rows = field(repr=False)
    good_up_to_hz: float | None
    """None where the rate is not known."""


def put_in(read: Rows, blank: dict[int, list[int]], moment: Moment, rate_hz: float | None) -> PutIn:
    """Rows whose blank cells, by column, are put in by a cubic through two neighbours on either side.

    ``moment`` tells when each row was taken: where the clock is uneven, or lost a sample, rows do not lie evenly.
    """
    cells = sorted((row, column) for column, rows in blank.items() for row in rows)
    if not cells:
        return PutIn(rows=read, good_up_to_hz=math.inf)
    rows = np.array([row for row, _ in cells])
    columns = np.array([column for _, column in cells])
    found = [_between(read, row, column, set(blank[column]), moment) for row, column in cells]
    values, farthest = np.array([value for value, _ in found]), max(product for _, product in found)
    return PutIn(
        rows=lambda start, stop: _patched(read(start, stop), start, stop, rows, columns, values),
        good_up_to_hz=None if rate_hz is None else _good_up_to(max(farthest, _FARTHEST / rate_hz**4)),
    )


def _good_up_to(product: float) -> float:
    """Frequency, Hz, at which a cubic through t₁ … t₄ is off by ``GOOD_TO`` at t, ω⁴/24 · |(t − t₁) … (t − t₄)|."""
    return math.sqrt(math.sqrt(24.0 * GOOD_TO / product)) / (2.0 * math.pi)


def blanks_told(blank: dict[int, list[int]], where: Message, put: PutIn) -> Message | None:
    """What is said of blank readings that were put in; ``where`` lists them."""
    readings = sum(map(len, blank.values()))
    if not readings or put.good_up_to_hz is None:
        return None
    return message("record.blanks-put-in", readings=readings, lines=where, good_to=GOOD_TO, up_to_hz=put.good_up_to_hz)


def both(one: Message | None, other: Message | None) -> Message | None:
    """Two damages as one message."""
    if one is None or other is None:
        return one or other
    return message("record.two-damages", one=one, other=other)


def _between(read: Rows, row: int, column: int, blank: set[int], moment: Moment) -> tuple[float, float]:
    """The value put in, and the product of the distances of its moment from those of its neighbours, s⁴."""
    first = row - 1 if row - 1 in blank else row
    last = row + 1 if row + 1 in blank else row
    around = (first - 2, first - 1, last + 1, last + 2)
    known = [float(read(at, at + 1)[0, column]) for at in around]
    now, times = moment(row), np.array([moment(at) for at in around])
    others = [np.delete(times, k) for k in range(4)]
    shares = [np.prod((now - other) / (at - other)) for at, other in zip(times, others, strict=True)]
    return float(np.dot(shares, known)), float(np.prod(np.abs(now - times)))


def _patched(
    values: Floats, start: int, stop: int, rows: NDArray[np.int64], columns: NDArray[np.int64], cells: Floats
) -> Floats:
    first, last = np.searchsorted(rows, [start, stop])
    if first == last:
        return values
    whole = values.copy()
    whole[rows[first:last] - start, columns[first:last]] = cells[first:last]
    return whole
