"""The header above a table: names, and units where they have a line of their own."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from reportgen.errors import UnitError
from reportgen.read.table.cells import COMMENT, is_rule, number_in, split_line
from reportgen.read.table.header_words import names_a_quantity
from reportgen.units import parse_unit

_ALSO_NAMES = {"t", "f", "a", "c", "d", "h", "m", "n", "v", "x", "k", "in", "min"}

_MESSAGES_BELOW_HEADER = 5
"""Lines that are neither header nor row, between the two."""


@dataclass(frozen=True, slots=True)
class Header:
    """Names and units as written, one a column; lines from 0."""

    names: tuple[str, ...]
    units: tuple[str, ...]
    names_line: int
    units_line: int | None

    @property
    def last_line(self) -> int:
        """The lower of its lines."""
        return max(self.names_line, self.units_line or 0)


@dataclass(frozen=True, slots=True)
class RowsBelow:
    """What is known of the rows that a header must fit."""

    delimiter: str
    decimal: str
    columns: int
    possible: frozenset[int]
    """Lines that could be rows, damaged ones too."""
    rows: frozenset[int]
    """Lines that are rows."""


def header_above(found: RowsBelow, lines: Sequence[str], row: int) -> Header | None:
    """Names, and units where they have a line of their own, of the lines above a row."""
    above: list[tuple[int, tuple[str, ...]]] = []
    skipped = 0
    for index in range(row - 1, -1, -1):
        if index in found.rows:
            break
        if is_rule(lines[index]) or (index in found.possible and not above):  # or a damaged row
            continue
        cells = _header_cells(lines[index], found)
        fitted = _fitted(cells, found) if cells is not None else None
        if fitted is None and not above and skipped < _MESSAGES_BELOW_HEADER:
            skipped += 1
            continue
        if fitted is None:
            break
        above.append((index, fitted))
        single = found.columns == 1 and not _are_units(above[0][1])
        if len(above) == (1 if single else 3):
            break
    above = _without_messages(above)
    if not above:
        return None
    return _header_of(above, found.columns)


def _without_messages(above: list[tuple[int, tuple[str, ...]]]) -> list[tuple[int, tuple[str, ...]]]:
    """The lines from the header upwards: words below it that are neither units nor more of its names are rows."""
    if not any(names_a_quantity(cells) for _, cells in above):
        return above
    first = next(at for at, (_, cells) in enumerate(above) if _belongs_to_header(cells))
    return above[first:]


def _belongs_to_header(cells: tuple[str, ...]) -> bool:
    return names_a_quantity(cells) or _are_units(cells) or _has_doubles(cells)


_LABELS = {"unit", "units", "einheit", "einheiten", "unité", "channel", "channels", "kanal", "kanäle", "name", "names"}
"""Words in a first cell that say what stands beside them, and name no column."""


def _without_label(cells: tuple[str, ...]) -> tuple[str, ...]:
    return ("", *cells[1:]) if cells[0].strip(" :").casefold() in _LABELS else cells


def _header_of(above: list[tuple[int, tuple[str, ...]]], columns: int) -> Header:
    if len(above) > 1 and above[0][1][0].strip(" :").casefold() in _LABELS:
        above = [(line, _without_label(cells)) for line, cells in above]
    empty = ("",) * columns
    line, cells = above[0]
    if len(above) > 1 and _are_units(cells):
        names_line, names = above[1]
        if len(above) > 2 and _has_doubles(names):
            names = _joined(above[2][1], names)
        return Header(names, cells, names_line, line)
    if len(above) > 1 and not _are_units(cells) and _has_doubles(cells) and not _are_units(above[1][1]):
        return Header(_joined(above[1][1], cells), empty, line, None)
    if len(above) > 1 and _are_units(above[1][1]) and all(_bracketed(cell) for cell in above[1][1] if cell):
        return Header(cells, above[1][1], line, above[1][0])
    return Header(cells, empty, line, None)


def _has_doubles(names: tuple[str, ...]) -> bool:
    filled = [name.casefold() for name in names if name]
    return len(set(filled)) < len(filled)


def _joined(upper: tuple[str, ...], lower: tuple[str, ...]) -> tuple[str, ...]:
    """Names from two lines, where one name of the upper line stands above several columns."""
    names, last = [], ""
    for above, below in zip(upper, lower, strict=True):
        last = above or last
        names.append(f"{last} {below}".strip())
    return tuple(names)


def _header_cells(line: str, found: RowsBelow) -> list[str] | None:
    """Cells of a header line; a remark sign before it is taken off."""
    if not found.delimiter:
        cells = line.split("\t")
        return [*cells, *[""] * (found.columns - len(cells))]
    bare = line
    if remark := COMMENT.match(line):
        bare = line[remark.end() :].strip()
    bare = re.sub(r"^\s*(?:%+|//+|!+|\*+)\s*", "", bare)
    if found.delimiter != " ":
        return split_line(bare, found.delimiter, quoted=True)
    ways = (r"\s+(?![\[(/])(?<!/\s)", r"\t+|\s{2,}", r"\s+", r"[,;]")
    for way in ways:
        cells = [cell.strip().strip('"') for cell in re.split(way, bare.strip())]
        if len(cells) == found.columns:
            return cells
    return None


def _fitted(cells: list[str], found: RowsBelow) -> tuple[str, ...] | None:
    """Cells as the header of the rows: as many as there are columns, and words."""
    while len(cells) > found.columns and not cells[-1]:
        cells = cells[:-1]
    if len(cells) == found.columns - 1:
        cells = [*cells, ""]
    if len(cells) != found.columns:
        return None
    words = sum(1 for cell in cells if cell)
    numbers = sum(1 for cell in cells if number_in(cell, found.decimal) is not None)
    return tuple(cells) if words and numbers <= words // 4 and words * 2 >= len(cells) else None


def _bracketed(cell: str) -> bool:
    return cell[:1] + cell[-1:] in ("[]", "()")


def _are_units(cells: tuple[str, ...]) -> bool:
    """Whether a line holds units: most cells do, and none is a word that names a quantity."""
    filled = [cell for cell in cells if cell]
    if any(cell.strip("[]() ").casefold() in ("time", "frequency", "freq", "zeit", "frequenz") for cell in filled):
        return False
    units = [cell for cell in filled if _bracketed(cell) or _is_unit(cell)]
    # A row of names such as t, f, A consists of units, too.
    return len(units) * 2 > len(filled) and any(cell.casefold() not in _ALSO_NAMES for cell in units)


def _is_unit(cell: str) -> bool:
    try:
        parse_unit(cell)
    except UnitError:
        return False
    return True
