"""Rows of a table read one by one: each line is a row, a remark, or rejected with its reason."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from reportgen.read.table.cells import COMMENT, LONGEST_CELL, cut, is_cut, is_no_reading, number_in
from reportgen.read.table.table_layout import TableLayout
from reportgen.records.log import Floats
from reportgen.records.message import Message, message


@dataclass(frozen=True, slots=True)
class Rejected:
    """A line that is no row, and why."""

    line: int
    text: str
    reason: Message


@dataclass(frozen=True, slots=True, eq=False)
class TableBlock:
    """Rows of one piece of a table, in the order of the file."""

    values: Floats
    """Shape (rows, columns asked for); NaN where the cell says that there is no reading."""
    lines: NDArray[np.int64]
    """File line of each row, shape (rows,)."""
    words: tuple[tuple[str, ...], ...] = ()
    """Of each text column asked for, one word a row."""
    rejected: tuple[Rejected, ...] = ()
    remarks: tuple[tuple[int, str], ...] = ()
    """Remark lines and repeated headers, with their lines."""
    no_reading: tuple[tuple[int, int, str], ...] = ()
    """(line, column, word) of the first cells without a reading."""


def merged(*blocks: TableBlock) -> TableBlock:
    """One block of several, rows in the order of their lines."""
    lines = np.concatenate([each.lines for each in blocks])
    values = np.concatenate([each.values for each in blocks])
    order: NDArray[np.int64] | slice = slice(None)
    if (np.diff(lines) < 0).any():
        order = np.argsort(lines, kind="stable")
    words = [
        tuple(np.array([word for column in columns for word in column], dtype=object)[order])
        for columns in zip(*(each.words for each in blocks), strict=True)
    ]
    return TableBlock(
        values=values[order],
        lines=lines[order],
        words=tuple(words),
        rejected=tuple(sorted((r for each in blocks for r in each.rejected), key=lambda r: r.line)),
        remarks=tuple(sorted(r for each in blocks for r in each.remarks)),
        no_reading=tuple(sorted(r for each in blocks for r in each.no_reading)),
    )


@dataclass(slots=True)
class RowReader:
    """Lines read one by one: the careful way."""

    layout: TableLayout
    columns: Sequence[int]
    words: Sequence[int] = ()
    headers: frozenset[tuple[str, ...]] = field(init=False)

    def __post_init__(self) -> None:
        both = (self.layout.names, self.layout.units)
        self.headers = frozenset(tuple(c.casefold() for c in row) for row in both if any(row))

    def is_header(self, cells: Sequence[str]) -> bool:
        """Whether cells are the names or the units once more."""
        padded = [*cells, *[""] * (self.layout.columns - len(cells))]
        return tuple(cell.casefold() for cell in padded[: self.layout.columns]) in self.headers

    def row(self, cells: list[str]) -> list[float] | Message:
        """Numbers of the columns asked for, or why the cells are no row."""
        columns = self.layout.columns
        while len(cells) > columns and not cells[-1]:
            cells = cells[:-1]
        if len(cells) != columns and not (len(cells) == columns - 1 and not self.layout.filled[-1]):
            return message("row.columns", found=len(cells), expected=columns)
        if long := [each for each in (*self.columns, *self.words) if each < len(cells) and is_cut(cells[each])]:
            return message("row.long-cell", column=self.title(long[0]), most=LONGEST_CELL)
        numbers = []
        for column in self.columns:
            cell = cells[column] if column < len(cells) else ""
            number = float("nan") if is_no_reading(cell) else number_in(cell, self.layout.decimal)
            if number is None:
                return message("row.no-number", cell=cell[:40], column=self.title(column))
            numbers.append(number)
        return numbers

    def title(self, column: int) -> str:
        """Name of a column in quotes for messages, or its number."""
        return f"'{self.layout.names[column]}'" if self.layout.names[column] else str(column + 1)

    def block(self, rows: Sequence[list[str]], first_line: int) -> TableBlock:
        """All rows of a sheet of cells."""
        sink = LineSorter(self)
        for line, cells in enumerate(rows, start=first_line):
            if any(cells):
                sink.take(line, [cut(cell) for cell in cells], "; ".join(cells).rstrip("; "))
        return sink.block()


@dataclass(slots=True)
class LineSorter:
    """What single lines turn out to be."""

    lines: RowReader
    numbers: list[list[float]] = field(default_factory=list)
    places: list[int] = field(default_factory=list)
    texts: list[tuple[str, ...]] = field(default_factory=list)
    rejected: list[Rejected] = field(default_factory=list)
    remarks: list[tuple[int, str]] = field(default_factory=list)
    no_reading: list[tuple[int, int, str]] = field(default_factory=list)

    def take(self, line: int, cells: list[str], text: str) -> None:
        """Lay one line down where it belongs."""
        if COMMENT.match(text) or self.lines.is_header(cells):
            self.remarks.append((line, text.strip()))
            return
        row = self.lines.row(cells)
        if isinstance(row, Message):
            self.rejected.append(Rejected(line, text.strip()[:200], row))
            return
        self.numbers.append(row)
        self.places.append(line)
        self.texts.append(tuple(cells[each] if each < len(cells) else "" for each in self.lines.words))
        self.no_reading += [
            (line, column, cells[column] if column < len(cells) else "")
            for column, number in zip(self.lines.columns, row, strict=True)
            if number != number
        ]

    def block(self) -> TableBlock:
        """All that was taken."""
        return TableBlock(
            values=np.array(self.numbers, dtype=np.float64).reshape(len(self.numbers), len(self.lines.columns)),
            lines=np.array(self.places, dtype=np.int64),
            words=tuple(zip(*self.texts, strict=True)) if self.texts else ((),) * len(self.lines.words),
            rejected=tuple(self.rejected),
            remarks=tuple(self.remarks),
            no_reading=tuple(self.no_reading),
        )
