"""How a table of numbers is laid out in a file: encoding, delimiter, decimal sign, header, units, first row.

Nothing is asked of the user. Every pair of delimiter and decimal sign is tried on the file's first lines; the pair that
makes most cells of most lines numbers wins. The reading is put into one sentence, so that it can be checked.
"""

from __future__ import annotations

import codecs
import csv
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from reportgen.errors import ReadError, UnitError
from reportgen.units import parse_unit

HEAD_SIZES = (65_536, 1_048_576, 16_777_216)
"""Bytes looked at, until a table is found."""

SAMPLED_LINES = 4_000
LONGEST_LINE = 1_000_000
"""Characters; a longer line is no row of a table."""

NO_READING = frozenset(
    {
        "", "-", "--", "---", "----", "nan", "na", "n/a", "n.a.", "#n/a", "#na", "#nv", "null", "none", "ovl", "ovld",
        "ovr", "over", "overload", "ol", "inf", "+inf", "-inf", "infinity", "+infinity", "-infinity", "1.#qnan",
        "-1.#qnan", "1.#snan", "1.#inf", "+1.#inf", "-1.#inf", "1.#ind", "-1.#ind", "1.#j", "#div/0!", "#value!",
        "#wert!", "#num!", "#zahl!", "#ref!", "*", "**", "***", "****", "*****", "******", "?", "–", "—",
    }
)  # fmt: skip
"""Words that stand where there is no reading, folded."""

_SPREADSHEET_ERRORS = r"N/A|NA\b|NV\b|DIV/0!|VALUE!|WERT!|NUM!|ZAHL!|REF!"
COMMENT = re.compile(rf"[ \t\"]*#(?!{_SPREADSHEET_ERRORS})", re.IGNORECASE)
"""Start of a remark; the error words of spreadsheets begin with the same sign and are cells."""

_NUMBER = {
    ".": re.compile(r"[+\-−]?(?:\d+\.?\d*|\.\d+|\d{1,3}(?:,\d{3})+\.\d+)(?:[eEdD][+\-−]?\d+)?"),
    ",": re.compile(r"[+\-−]?(?:\d+,?\d*|,\d+|\d{1,3}(?:\.\d{3})+,\d+)(?:[eEdD][+\-−]?\d+)?"),
}
_GROUPED = {
    ".": re.compile(r"[+\-−]?\d{1,3}(?:[,'’ \u00a0\u202f]\d{3})+(?:\.\d*)?"),
    ",": re.compile(r"[+\-−]?\d{1,3}(?:[.'’ \u00a0\u202f]\d{3})+(?:,\d*)?"),
}
_UNGROUP = str.maketrans("", "", "'’ \u00a0\u202f")

_MESSAGES_BELOW_HEADER = 5
"""Lines that are neither header nor row, between the two."""

_DELIMITERS = ("\t", ";", "|", ",", " ")
DELIMITER_NAMES = {"\t": "tab", ";": "';'", "|": "'|'", ",": "','", " ": "blanks", "": "cells"}


def number_in(cell: str, decimal: str) -> float | None:
    """The number of a cell; None where it is none. Grouped thousands are read where the decimal sign is the other one.

    >>> number_in("1.234,5", ","), number_in("1,5D+02", ","), number_in("ABORT", ".")
    (1234.5, 150.0, None)
    """
    text = cell.strip()
    other = "," if decimal == "." else "."
    if _GROUPED[decimal].fullmatch(text):
        text = text.translate(_UNGROUP).replace(other, "")
    elif not _NUMBER[decimal].fullmatch(text):
        return None
    else:
        text = text.replace(other, "")
    text = text.replace(decimal, ".").replace("−", "-").replace("D", "e").replace("d", "e")
    return float(text)


def is_no_reading(cell: str) -> bool:
    """Whether a cell says that nothing was read."""
    return cell.strip().casefold() in NO_READING


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
    header_fault: str | None = None
    """Why the line above the rows could not be taken as their header, or None."""

    @property
    def sentence(self) -> str:
        """How the file was understood, for people."""
        where = f"sheet {self.sheet!r}" if self.sheet is not None else _ENCODINGS.get(self.encoding, self.encoding)
        parts = [where]
        if self.sheet is None:
            sign = {".": "decimal point", ",": "decimal comma"}[self.decimal]
            parts.append(f"{DELIMITER_NAMES[self.delimiter]} between columns, {sign}")
        parts.append(f"names in line {self.names_line}" if self.names_line else "no header")
        if self.units_line:
            parts.append(f"units in line {self.units_line}")
        return ", ".join([*parts, f"rows from line {self.data_line}"])


_ENCODINGS = {"utf-8": "UTF-8", "utf-16-le": "UTF-16", "utf-16-be": "UTF-16", "cp1252": "Windows-1252"}


def split_line(line: str, delimiter: str, quoted: bool) -> list[str]:
    """Cells of one line, stripped."""
    if delimiter == " ":
        return line.split()
    if quoted and '"' in line:
        try:
            cells = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
        except csv.Error:
            cells = line.split(delimiter)
    else:
        cells = line.split(delimiter)
    return [cell.strip().strip('"').strip() for cell in cells]


def encoding_of(head: bytes) -> tuple[str, int]:
    """Encoding and length of the byte order mark; Windows-1252 where it is no Unicode.

    A guess from letter frequencies is wrong for short German and French logs, so none is made.
    """
    for mark, name in (
        (codecs.BOM_UTF8, "utf-8"),
        (codecs.BOM_UTF16_LE, "utf-16-le"),
        (codecs.BOM_UTF16_BE, "utf-16-be"),
    ):
        if head.startswith(mark):
            return name, len(mark)
    even, odd = head[0:4096:2].count(0), head[1:4096:2].count(0)
    half = max(1, len(head[:4096]) // 2)
    if odd > 0.4 * half and even < 0.1 * half:
        return "utf-16-le", 0
    if even > 0.4 * half and odd < 0.1 * half:
        return "utf-16-be", 0
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return "cp1252", 0
    return "utf-8", 0


def looks_binary(head: bytes) -> bool:
    """Whether the first bytes are no text in any of the encodings."""
    encoding, mark = encoding_of(head)
    text = head[mark : mark + 8192].decode(encoding, errors="replace").rstrip("\x00")  # left by a crash
    controls = sum(1 for c in text if (ord(c) < 32 and c not in "\t\n\r\f\x1a") or ord(c) in (0x7F, 0xFFFD))
    return controls > max(2, 0.02 * len(text))


def recognise_text(path: Path, name: str) -> TableLayout:
    """Layout of the table in a text file. Raises ReadError where there is none; the file is named ``name`` in it."""
    size = path.stat().st_size
    for head_size in HEAD_SIZES:
        with path.open("rb") as file:
            head = file.read(head_size)
        if looks_binary(head):
            raise ReadError(f"{name}:1", "is neither text nor a known format of records; export the log as text (CSV)")
        layout = _layout_of(head, complete=len(head) == size)
        if layout is not None:
            return layout
        if len(head) == size:
            break
    raise ReadError(*_no_table(name, head))


def _layout_of(head: bytes, *, complete: bool) -> TableLayout | None:
    encoding, mark = encoding_of(head)
    text = head[mark:].decode(encoding, errors="replace")
    bare_return = "\n" not in text and "\r" in text
    lines = text.replace("\r", "\n").split("\n") if bare_return else text.split("\n")
    if not complete and len(lines) > 1:
        lines.pop()
    lines = [line.rstrip("\r") for line in lines]
    quoted = any('"' in line for line in lines)
    found = _best(_readings(lines, quoted))
    if found is None:
        return None
    return _finished(found, lines, encoding=encoding, quoted=quoted, carriage_return=bare_return)


def _no_table(name: str, head: bytes) -> tuple[str, str]:
    encoding, mark = encoding_of(head)
    lines = head[mark:].decode(encoding, errors="replace").splitlines()
    written = [(number, line) for number, line in enumerate(lines, start=1) if line.strip()]
    expected = "a header such as: time [s],frequency [Hz],C1 [g],A1 [g] and rows of numbers below it"
    if not written:
        return f"{name}:1", f"the file is empty; expected {expected}"
    if max(len(line) for _, line in written) > LONGEST_LINE:
        return f"{name}:1", f"has a line of more than {LONGEST_LINE} characters; expected {expected}"
    number, line = written[-1]
    return (
        f"{name}:{number}",
        f"no row of numbers in {len(lines)} lines (the last one is {line.strip()[:60]!r}); expected {expected}",
    )


@dataclass(slots=True)
class _Reading:
    """One way to read the lines: a delimiter, a decimal sign and a number of columns."""

    delimiter: str
    decimal: str
    columns: int
    cells: dict[int, list[str]] = field(default_factory=dict)
    """Lines (from 0) that could be rows."""
    score: float = 0.0
    split: Callable[[int], list[str]] = field(default=lambda _index: [])


def _readings(lines: Sequence[str], quoted: bool) -> Iterable[_Reading]:
    rows = [i for i, line in enumerate(lines) if line.strip() and not COMMENT.match(line) and len(line) <= LONGEST_LINE]
    rows = rows[:SAMPLED_LINES]
    for delimiter in _DELIMITERS:
        split = {i: split_line(lines[i], delimiter, quoted) for i in rows}
        for decimal in ".,":
            if delimiter != decimal or quoted:
                yield from _grouped(split, delimiter, decimal)


def _grouped(split: dict[int, list[str]], delimiter: str, decimal: str) -> Iterable[_Reading]:
    number = _NUMBER[decimal]
    groups: dict[int, _Reading] = {}
    for index, cells in split.items():
        numbers = sum(1 for cell in cells if number.fullmatch(cell))
        if numbers < 2:
            continue
        blanks = sum(1 for cell in cells if is_no_reading(cell))
        reading = groups.setdefault(len(cells), _Reading(delimiter, decimal, len(cells)))
        reading.cells[index] = cells
        reading.score += ((numbers + blanks) / len(cells)) ** 2
    for reading in groups.values():
        reading.split = lambda i, split=split: split.get(i, [])  # type: ignore[misc]
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
    start, header = _first_table(found, lines, rows, sheet is not None)
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
        data_line=(max(header.names_line, header.units_line or 0) + 1 if header else start) + 1,
        names_line=header.names_line + 1 if header else None,
        units_line=header.units_line + 1 if header and header.units_line is not None else None,
        quoted=quoted,
        carriage_return=carriage_return,
        remarks=_remarks(lines, max(header.names_line, header.units_line or 0) if header else start, header),
        sheet=sheet,
        header_fault=None if header else _header_fault(found, lines, start),
    )


def _kinds(found: _Reading) -> tuple[tuple[bool, ...], tuple[bool, ...]]:
    number = _NUMBER[found.decimal]
    numeric, filled = [], []
    for column in range(found.columns):
        cells = [row[column] for row in found.cells.values()]
        words = sum(1 for cell in cells if not is_no_reading(cell) and not number.fullmatch(cell))
        numbers = sum(1 for cell in cells if number.fullmatch(cell))
        filled.append(any(cells))
        numeric.append(numbers > words or (numbers == 0 and words == 0 and any(cells)))
    return tuple(numeric), tuple(filled)


def _is_row(cells: list[str], numeric: tuple[bool, ...], decimal: str) -> bool:
    number = _NUMBER[decimal]
    return all(
        not wanted or number.fullmatch(cell) or is_no_reading(cell) for cell, wanted in zip(cells, numeric, strict=True)
    )


@dataclass(frozen=True, slots=True)
class _Header:
    names: tuple[str, ...]
    units: tuple[str, ...]
    names_line: int
    units_line: int | None


def _first_table(
    found: _Reading, lines: Sequence[str], rows: list[int], cells_given: bool
) -> tuple[int, _Header | None]:
    """First row and header of the largest table: rows below a repeated header belong to the table above it."""
    is_row = set(rows)
    totals: dict[tuple[str, ...] | None, int] = {}
    firsts: dict[tuple[str, ...] | None, tuple[int, _Header | None]] = {}
    current: tuple[str, ...] | None = None
    before: int | None = None
    for row in rows:
        if before is None or any(lines[i].strip() for i in range(before + 1, row) if i not in is_row):
            header = _header_above(found, lines, row, is_row, cells_given)
            if header is not None:
                current = header.names
                firsts.setdefault(current, (row, header))
            else:
                firsts.setdefault(current, (row, None))
        totals[current] = totals.get(current, 0) + 1
        before = row
    best = max(totals, key=lambda names: totals[names])
    return firsts[best]


def _header_above(
    found: _Reading, lines: Sequence[str], row: int, is_row: set[int], cells_given: bool
) -> _Header | None:
    """Names, and units where they have a line of their own, of the lines above a row."""
    above: list[tuple[int, tuple[str, ...]]] = []
    skipped = 0
    for index in range(row - 1, -1, -1):
        if index in is_row:
            break
        if is_rule(lines[index]) or (index in found.cells and not above):  # or a damaged row
            continue
        cells = found.split(index) if cells_given else _header_cells(lines[index], found)
        fitted = _fitted(cells, found) if cells is not None else None
        if fitted is None and not above and skipped < _MESSAGES_BELOW_HEADER:
            skipped += 1
            continue
        if fitted is None:
            break
        above.append((index, fitted))
        if len(above) == 3:
            break
    if not above:
        return None
    return _header_of(above, found.columns)


def is_rule(line: str) -> bool:
    """Whether a line is blank or only drawn."""
    return not line.strip("-=|+:_ \t;,\x1a")


def _header_of(above: list[tuple[int, tuple[str, ...]]], columns: int) -> _Header:
    empty = ("",) * columns
    line, cells = above[0]
    if len(above) > 1 and _are_units(cells):
        names_line, names = above[1]
        if len(above) > 2 and len({name for name in names if name}) < sum(1 for name in names if name):
            names = _joined(above[2][1], names)
        return _Header(names, cells, names_line, line)
    if len(above) > 1 and _are_units(above[1][1]) and all(_bracketed(cell) for cell in above[1][1] if cell):
        return _Header(cells, above[1][1], line, above[1][0])
    return _Header(cells, empty, line, None)


def _joined(upper: tuple[str, ...], lower: tuple[str, ...]) -> tuple[str, ...]:
    """Names from two lines, where one name of the upper line stands above several columns."""
    names, last = [], ""
    for above, below in zip(upper, lower, strict=True):
        last = above or last
        names.append(f"{last} {below}".strip())
    return tuple(names)


def _header_cells(line: str, found: _Reading) -> list[str] | None:
    """Cells of a header line; a remark sign before it is taken off."""
    bare = line
    if COMMENT.match(line):
        bare = COMMENT.sub("", line, count=1).strip()
    if found.delimiter != " ":
        return split_line(bare, found.delimiter, quoted=True)
    ways = (r"\s+(?![\[(/])(?<!/\s)", r"\t+|\s{2,}", r"\s+", r"\s*[,;]\s*")
    for way in ways:
        cells = [cell.strip().strip('"') for cell in re.split(way, bare.strip())]
        if len(cells) == found.columns:
            return cells
    return None


def _fitted(cells: list[str], found: _Reading) -> tuple[str, ...] | None:
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
    known = sum(1 for cell in filled if _bracketed(cell) or _is_unit(cell))
    return known * 2 > len(filled)


def _is_unit(cell: str) -> bool:
    try:
        parse_unit(cell)
    except UnitError:
        return False
    return True


def _remarks(lines: Sequence[str], start: int, header: _Header | None) -> tuple[str, ...]:
    """The preamble as written, without header, units and blank lines."""
    taken = {header.names_line, header.units_line} if header else set()
    return tuple(
        line.rstrip()
        for i, line in enumerate(lines[:start])
        if line.strip() and (i not in taken or COMMENT.match(line))
    )


def _header_fault(found: _Reading, lines: Sequence[str], start: int) -> str | None:
    for index in range(start - 1, -1, -1):
        line = lines[index]
        if line.strip():
            cells = found.split(index) or split_line(line, found.delimiter, quoted=True)
            return (
                f"line {index + 1} ({line.strip()[:60]!r}) has {len(cells)} names where the rows have "
                f"{found.columns} columns"
            )
    return None


def recognise_cells(rows: Sequence[Sequence[str]], sheet: str) -> TableLayout | None:
    """Layout of the table in a sheet of cells; None where the sheet holds none."""
    split = {i: list(row) for i, row in enumerate(rows[:SAMPLED_LINES]) if any(row)}
    found = _best(reading for decimal in ".," for reading in _grouped(split, "", decimal))
    if found is None:
        return None
    lines = ["\t".join(row).rstrip("\t") for row in rows[:SAMPLED_LINES]]
    return _finished(found, lines, encoding="spreadsheet", sheet=sheet)
