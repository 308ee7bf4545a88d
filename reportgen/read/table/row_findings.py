"""Findings about rows: counted, with the first few places, in one message each."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from reportgen.read.table.table_rows import Rejected
from reportgen.records.finding import Finding, error, warning
from reportgen.records.message import Message, Place, message

_SHOWN = 4
"""Places named in one finding; the rest is counted."""


def rejected_rows(name: str, rejected: Iterable[Rejected], kept: int) -> Finding | None:
    """What was left out and why; an error where more went than stayed, since the file is then misread."""
    rows = sorted(rejected, key=lambda each: each.line)
    if not rows:
        return None
    examples = with_rest([rejected_row(each) for each in rows[:_SHOWN]], len(rows))
    what = message("rows.left-out", rows=len(rows), total=len(rows) + kept, examples=examples)
    place = Place(name, rows[0].line)
    return error(place, message("rows.misread", what=what)) if len(rows) > kept else warning(place, what)


def rejected_row(row: Rejected) -> Message:
    """The line, why it is no row, and what stands there where that is not said already."""
    if row.text:
        return message("rows.line-with-text", line=row.line, why=row.reason, text=row.text[:40])
    return message("rows.line", line=row.line, why=row.reason)


def missing_readings(name: str, cells: Sequence[tuple[int, str | Message, str]], total: int) -> Finding | None:
    """Cells (line, header, word) without a reading, of ``total``; they stay as gaps."""
    if not total or not cells:
        return None
    examples = [message("rows.cell", line=line, column=column, word=word) for line, column, word in cells[:_SHOWN]]
    return warning(Place(name, cells[0][0]), message("rows.gaps", cells=total, examples=with_rest(examples, total)))


def negative_amplitudes(name: str, cells: Sequence[tuple[int, str]]) -> Finding | None:
    """Amplitudes below zero (line, header), which become gaps."""
    if not cells:
        return None
    ordered = sorted(cells)
    examples = [message("rows.negative", line=line, column=column) for line, column in ordered[:_SHOWN]]
    what = message("rows.negative-amplitudes", cells=len(cells), examples=with_rest(examples, len(cells)))
    return warning(Place(name, ordered[0][0]), what)


def with_rest(examples: Sequence[Message], total: int) -> tuple[Message, ...]:
    """Examples, and how many more there are."""
    more = total - len(examples)
    return (*examples, message("rows.more", more=more)) if more > 0 else tuple(examples)


def line_list(lines: Iterable[int | np.int64]) -> Message:
    """``line 8``, ``lines 8, 9, 10, 11, …``."""
    every = tuple(int(line) for line in lines)
    if len(every) == 1:
        return message("rows.one-line", line=every[0])
    if len(every) <= _SHOWN:
        return message("rows.lines", lines=every)
    return message("rows.lines-and-more", lines=every[:_SHOWN])
