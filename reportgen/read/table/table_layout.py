"""How a table of numbers is laid out in a file: encoding, delimiter, decimal sign, header, units, first row.

Nothing is asked of the user. Every pair of delimiter and decimal sign is tried on the file's first lines; the pair that
makes most cells of most lines numbers wins. The reading is put into one sentence, so that it can be checked.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from reportgen.errors import ReadError
from reportgen.read.table.cells import CLOCK_TIME, COMMENT, DELIMITERS, NUMBER, cut, is_no_reading, split_line
from reportgen.read.table.header_words import begins_a_table, names_a_quantity
from reportgen.read.table.table_header import Header, RowsBelow, header_above
from reportgen.read.table.text_encoding import compression_of, encoding_of, looks_binary
from reportgen.records.message import Message, Place, message

HEAD_SIZES = (65_536, 1_048_576, 16_777_216)
"""Bytes looked at, until a table is found."""

SAMPLED_LINES = 4_000
"""Lines in which header and first row are looked for."""

_SCORED_FIRST, _SCORED_LAST = 60, 140
"""Lines by which the ways to read a table are compared."""

_FEWEST_SINGLE, _MOSTLY_SINGLE = 16, 0.9
"""Lines that hold one number and nothing else, at least, and their share: a column by itself."""
LONGEST_LINE = 1_000_000
"""Characters; a longer line is no row of a table."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TableLayout:
    """How to read one table."""

    encoding: str
    """``utf-8``, ``utf-16-le``, ``utf-16-be``, ``cp1252``; ``spreadsheet`` for a sheet of cells."""
    delimiter: str
    """A blank stands for any run of blanks; empty for a sheet of cells."""
    decimal: str
    columns: int
    names: tuple[str, ...]
    """As written, one a column; empty where there is no header."""
    units: tuple[str, ...]
    """Of the row of units, one a column; empty texts where there is none."""
    numeric: tuple[bool, ...]
    """Whether a column holds numbers in most of the rows looked at."""
    filled: tuple[bool, ...]
    """Whether a column holds anything at all."""
    data_line: int
    """File line of the first row, from 1."""
    names_line: int | None = None
    units_line: int | None = None
    quoted: bool = False
    carriage_return: bool = False
    """Whether lines end with a bare carriage return."""
    remarks: tuple[str, ...] = ()
    sheet: str | None = None
    header_fault: Message | None = None
    """Why the line above the rows could not be taken as their header, or None."""

    @property
    def described(self) -> Message:
        """How the file was understood, for people."""
        above = message("layout.no-header")
        if self.names_line:
            above = message("layout.names", line=self.names_line)
        if self.names_line and self.units_line:
            above = message("layout.names-and-units", line=self.names_line, units_line=self.units_line)
        if self.sheet is not None:
            return message("layout.sheet", sheet=self.sheet, above=above, line=self.data_line)
        encoding = _ENCODINGS.get(self.encoding, self.encoding)
        return message(
            "layout.text",
            encoding=encoding,
            between=_BETWEEN[self.delimiter],
            decimal=_DECIMAL[self.decimal],
            above=above,
            line=self.data_line,
        )


_BETWEEN = {
    "\t": message("layout.tab"),
    " ": message("layout.blanks"),
    **{sign: message("layout.sign", sign=sign) for sign in ";|,"},
}
_DECIMAL = {".": message("layout.decimal-point"), ",": message("layout.decimal-comma")}
_ENCODINGS = {"utf-8": "UTF-8", "utf-16-le": "UTF-16", "utf-16-be": "UTF-16", "cp1252": "Windows-1252"}


def recognise_text(path: Path, name: str) -> TableLayout:
    """Layout of the table in a text file. Raises ReadError where there is none; the file is named ``name`` in it."""
    size = path.stat().st_size
    for head_size in HEAD_SIZES:
        with path.open("rb") as file:
            head = file.read(head_size)
        if kind := compression_of(head):
            raise ReadError(Place(name, 1), message("table.compressed", kind=kind))
        if looks_binary(head):
            raise ReadError(Place(name, 1), message("table.no-text"))
        layout = _layout_of(head, complete=len(head) == size)
        if layout is not None:
            return layout
        if len(head) == size:
            break
    raise _no_table(name, head)


def _layout_of(head: bytes, *, complete: bool) -> TableLayout | None:
    encoding, mark = encoding_of(head)
    text = head[mark:].decode(encoding, errors="replace")
    bare_return = "\n" not in text and "\r" in text
    lines = text.replace("\r", "\n").split("\n") if bare_return else text.split("\n")
    if not complete and len(lines) > 1:
        lines.pop()
    lines = [line.rstrip("\r") for line in lines]
    quoted = any('"' in line for line in lines)
    found = _best_reading(lines, quoted) or _single_column(lines)
    if found is None:
        return None
    return _finished(found, lines, encoding=encoding, quoted=quoted, carriage_return=bare_return)


def _no_table(name: str, head: bytes) -> ReadError:
    encoding, mark = encoding_of(head)
    lines = head[mark:].decode(encoding, errors="replace").splitlines()
    written = [(number, line) for number, line in enumerate(lines, start=1) if line.strip()]
    if not written:
        return ReadError(Place(name, 1), message("table.empty"))
    if max(len(line) for _, line in written) > LONGEST_LINE:
        return ReadError(Place(name, 1), message("table.long-line", most=LONGEST_LINE))
    number, line = written[-1]
    return ReadError(Place(name, number), message("table.no-rows", lines=len(lines), last=line.strip()[:60]))


@dataclass(slots=True)
class _Reading:
    """One way to read the lines: a delimiter, a decimal sign and a number of columns."""

    delimiter: str
    decimal: str
    columns: int
    cells: dict[int, list[str]] = field(default_factory=dict)
    """Lines (from 0) that could be rows."""
    score: float = 0.0


Splits = dict[int, list[str]]
"""Cells by line, from 0."""


def _best_reading(lines: Sequence[str], quoted: bool) -> _Reading | None:
    """The best way to read a text: compared on some lines, then applied to all that were looked at."""
    rows = [i for i, line in enumerate(lines) if line.strip() and not COMMENT.match(line) and len(line) <= LONGEST_LINE]
    rows = rows[:SAMPLED_LINES]
    scored = rows if len(rows) <= _SCORED_FIRST + _SCORED_LAST else rows[:_SCORED_FIRST] + rows[-_SCORED_LAST:]
    best = _best(_readings(lines, scored, quoted))
    if best is None or scored is rows:
        return best
    split = {i: split_line(lines[i], best.delimiter, quoted) for i in rows}
    same = [each for each in _grouped(split, best.delimiter, best.decimal) if each.columns == best.columns]
    return same[0]


def _single_column(lines: Sequence[str]) -> _Reading | None:
    """One number a line, in most lines: samples of one channel; None where that is not so."""
    written = [i for i, line in enumerate(lines[:SAMPLED_LINES]) if line.strip() and not COMMENT.match(line)]
    for decimal in ".,":
        found = {i: [lines[i].strip()] for i in written if NUMBER[decimal].fullmatch(lines[i].strip())}
        if len(found) >= max(_FEWEST_SINGLE, _MOSTLY_SINGLE * len(written)):
            return _Reading("\t", decimal, 1, found)
    return None


def _readings(lines: Sequence[str], rows: Sequence[int], quoted: bool) -> Iterable[_Reading]:
    for delimiter in DELIMITERS:
        split = {i: split_line(lines[i], delimiter, quoted) for i in rows}
        for decimal in ".,":
            if delimiter != decimal or quoted:
                yield from _grouped(split, delimiter, decimal)


def _grouped(split: Splits, delimiter: str, decimal: str) -> Iterable[_Reading]:
    is_number = NUMBER[decimal].fullmatch
    groups: dict[int, _Reading] = {}
    for index, cells in split.items():
        numbers = sum(map(bool, map(is_number, cells)))
        if numbers < 2 and not (numbers and any(map(CLOCK_TIME.fullmatch, cells))):
            continue
        blanks = sum(map(is_no_reading, cells)) if numbers < len(cells) else 0
        reading = groups.setdefault(len(cells), _Reading(delimiter, decimal, len(cells)))
        reading.cells[index] = cells
        reading.score += ((numbers + blanks) / len(cells)) ** 2
    return groups.values()


def _best(readings: Iterable[_Reading]) -> _Reading | None:
    """The reading with most numbers; the earlier delimiter, and the point, win where two are equal."""
    return max(readings, key=lambda reading: (round(reading.score, 6), reading.columns), default=None)


def _finished(
    found: _Reading,
    lines: Sequence[str],
    *,
    encoding: str,
    quoted: bool = False,
    carriage_return: bool = False,
    sheet: str | None = None,
) -> TableLayout:
    """Find header, units and first row of the winning reading."""
    numeric, filled = _kinds(found)
    rows = [i for i, cells in found.cells.items() if _is_row(cells, numeric, found.decimal)]
    start, header = _first_table(found, lines, rows)
    names = header.names if header else ("",) * found.columns
    return TableLayout(
        encoding=encoding,
        delimiter=found.delimiter,
        decimal=found.decimal,
        columns=found.columns,
        names=names,
        units=header.units if header else ("",) * found.columns,
        numeric=numeric,
        filled=filled,
        # Damaged lines between the header and the first good row are rows, to be reported as such.
        data_line=(header.last_line + 1 if header else start) + 1,
        names_line=header.names_line + 1 if header else None,
        units_line=header.units_line + 1 if header and header.units_line is not None else None,
        quoted=quoted,
        carriage_return=carriage_return,
        remarks=_remarks(lines, header.last_line + 1 if header else start, header),
        sheet=sheet,
        header_fault=None if header else _header_fault(found, lines, start),
    )


def _kinds(found: _Reading) -> tuple[tuple[bool, ...], tuple[bool, ...]]:
    number = NUMBER[found.decimal]
    numeric, filled = [], []
    for column in range(found.columns):
        cells = [row[column] for row in found.cells.values()]
        words = sum(1 for cell in cells if not is_no_reading(cell) and not number.fullmatch(cell))
        numbers = sum(1 for cell in cells if number.fullmatch(cell))
        filled.append(any(cells))
        numeric.append(numbers > words or (numbers == 0 and words == 0 and any(cells)))
    return tuple(numeric), tuple(filled)


def _is_row(cells: list[str], numeric: tuple[bool, ...], decimal: str) -> bool:
    number = NUMBER[decimal]
    return all(
        not wanted or number.fullmatch(cell) or is_no_reading(cell) for cell, wanted in zip(cells, numeric, strict=True)
    )


def _first_table(found: _Reading, lines: Sequence[str], rows: list[int]) -> tuple[int, Header | None]:
    """First row and header of the largest table: rows below a repeated header belong to the table above it.

    So do rows below a line of words that names fewer columns than the header did, or no quantity where the header did:
    such a line is a damaged row.
    """
    known = RowsBelow(found.delimiter, found.decimal, found.columns, frozenset(found.cells), frozenset(rows))
    totals: dict[tuple[str, ...] | None, int] = {}
    firsts: dict[tuple[str, ...] | None, tuple[int, Header | None]] = {}
    current: tuple[str, ...] | None = None
    before: int | None = None
    for row in rows:
        if before is None or any(lines[i].strip() for i in range(before + 1, row) if i not in known.rows):
            header = header_above(known, lines, row)
            if header is not None and _heads_another(header, current):
                current = header.names
                firsts.setdefault(current, (row, header))
            else:
                firsts.setdefault(current, (row, None))
        totals[current] = totals.get(current, 0) + 1
        before = row
    best = max(totals, key=lambda names: totals[names])
    return firsts[best]


def _heads_another(header: Header, current: tuple[str, ...] | None) -> bool:
    """Whether words above a row are a header, of the first table or of another than the ``current`` one."""
    if current is None or not names_a_quantity(current):
        return _different(header.names) >= _different(current or ())
    return header.names == current or (
        _different(header.names) >= _different(current) and begins_a_table(header.names, header.units, current)
    )


def _different(names: tuple[str, ...]) -> int:
    """How many columns a header tells apart."""
    return len({name for name in names if name})


def _remarks(lines: Sequence[str], start: int, header: Header | None) -> tuple[str, ...]:
    """The preamble as written, without header, units and blank lines."""
    taken = {header.names_line, header.units_line} if header else set()
    return tuple(
        line.rstrip()
        for i, line in enumerate(lines[:start])
        if line.strip() and (i not in taken or COMMENT.match(line))
    )


def _header_fault(found: _Reading, lines: Sequence[str], start: int) -> Message | None:
    for index in range(start - 1, -1, -1):
        line = lines[index]
        if line.strip():
            names = len(split_line(line, found.delimiter or "\t", quoted=True))
            text = line.strip()[:60]
            return message("table.header-fault", line=index + 1, text=text, names=names, columns=found.columns)
    return None


def recognise_cells(rows: Sequence[Sequence[str]], sheet: str) -> TableLayout | None:
    """Layout of the table in a sheet of cells; None where the sheet holds none."""
    split = {i: [cut(cell) for cell in row] for i, row in enumerate(rows[:SAMPLED_LINES]) if any(row)}
    found = _best([reading for decimal in ".," for reading in _grouped(split, "", decimal)])
    if found is None:
        return None
    lines = ["\t".join(map(cut, row)).rstrip("\t") for row in rows[:SAMPLED_LINES]]
    return _finished(found, lines, encoding="spreadsheet", sheet=sheet)
