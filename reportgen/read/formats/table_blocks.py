"""Blocks of a table: columns side by side with a clock each, rows below each other whose clock begins anew."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from reportgen.errors import ReadError
from reportgen.read.formats.recording import Rows
from reportgen.read.formats.table_times import PIECE, LineOf, steps_back
from reportgen.read.table.columns import Column, Meaning
from reportgen.records.message import Message, Place, message

FEWEST_ROWS = 16
"""Rows of a block; fewer are no record."""
_MOST_BLOCKS = 1000
"""Pieces of one clock: of more its steps back are faults of the clock."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """Columns that have one clock."""

    time: Column | None
    """None where no column tells the time."""
    signals: tuple[Column, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """Rows of some columns that are one record."""

    columns: Beside
    start: int
    stop: int
    """Rows, from 0."""

    @property
    def readings(self) -> int:
        """How many it has."""
        return (self.stop - self.start) * len(self.columns.signals)


def beside(columns: Sequence[Column], time: Column | None, numeric: Sequence[bool]) -> tuple[Beside, ...]:
    """Columns parted at each numeric column of time after the first; ``time`` is the first, or the only one told."""
    signals = [
        each for each in columns if numeric[each.place] and each is not time and each.meaning is not Meaning.DATE
    ]
    if time is None or not numeric[time.place]:
        clocks = [time]
        signals = [each for each in signals if each.meaning is not Meaning.TIME]
    else:
        clocks = [time, *(each for each in signals if each.meaning is Meaning.TIME)]
        signals = [each for each in signals if each.meaning is not Meaning.TIME]
    places = [-1, *(each.place for each in clocks[1:] if each is not None)]
    ends = [*places[1:], len(numeric)]
    found = [
        Beside(time=clock, signals=tuple(each for each in signals if first < each.place < end))
        for clock, first, end in zip(clocks, places, ends, strict=True)
    ]
    return tuple(each for each in found if each.signals) or tuple(found[:1])


def with_one_clock(found: Sequence[Beside], read: Rows, at: dict[int, int], stops: Sequence[int]) -> list[Beside]:
    """Those whose times are the same, reading for reading, made one.

    ``at`` gives each column's place in a row, ``stops`` where the clock of each ends.
    """
    merged: list[tuple[Beside, int]] = []
    for each, stop in zip(found, stops, strict=True):
        alike = (k for k, (other, end) in enumerate(merged) if end == stop and _same_times(other, each, read, at, stop))
        same = next(alike, None)
        if same is None:
            merged.append((each, stop))
        else:
            first = merged[same][0]
            merged[same] = (Beside(time=first.time, signals=(*first.signals, *each.signals)), stop)
    return [each for each, _ in merged]


def _same_times(one: Beside, other: Beside, read: Rows, at: dict[int, int], stop: int) -> bool:
    if one.time is None or other.time is None or one.time.factor != other.time.factor:
        return False
    for start in range(0, stop, PIECE):
        rows = read(start, min(start + PIECE, stop))
        if not np.array_equal(rows[:, at[one.time.place]], rows[:, at[other.time.place]]):
            return False
    return True


def below(columns: Beside, times: Rows | None, stop: int) -> list[Block]:
    """The pieces of a clock that begins anew, each of rows enough; one block where it does not, or goes wrong."""
    whole = [Block(columns=columns, start=0, stop=stop)]
    if times is None:
        return whole
    back: list[int] = []
    for start in range(0, stop - 1, PIECE):
        back += (start + steps_back(times(start, min(start + PIECE, stop - 1) + 1)[:, 0], FEWEST_ROWS)).tolist()
        if len(back) > _MOST_BLOCKS:
            return whole
    bounds = [0, *back, stop]
    if min(b - a for a, b in pairwise(bounds)) < FEWEST_ROWS:
        return whole
    return [Block(columns=columns, start=a, stop=b) for a, b in pairwise(bounds)]


def chosen(blocks: Sequence[Block], asked: str | None, name: str, line: int) -> int:
    """Which block is read: the one asked for by its number, else that with most readings. Raises ReadError."""
    if asked is None:
        return max(range(len(blocks)), key=lambda k: (blocks[k].readings, -k))
    if not asked.strip().isdigit() or not 1 <= int(asked) <= len(blocks):
        raise ReadError(Place(name, line), message("record.no-block", asked=asked, blocks=len(blocks)))
    return int(asked) - 1


def not_read(number: int, block: Block, line: LineOf) -> Message:
    """What is said of a block that is not read; ``line`` gives the file line of each row of the table."""
    names = tuple(each.channel or each.header for each in block.columns.signals)
    return message("record.other-block", number=number, names=names, first=line(block.start), last=line(block.stop - 1))
