"""The register of instruments: a table (CSV or spreadsheet) with one instrument a row."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from reportgen.errors import ReadError
from reportgen.read.content import content_of
from reportgen.read.job.job_schema import KEYS as KEYS_OF
from reportgen.read.job.places import Part, Source
from reportgen.read.job.toml_lines import KeyPath
from reportgen.read.table.spreadsheet import is_spreadsheet, sheets_of
from reportgen.read.table.text_encoding import encoding_of
from reportgen.records.finding import Finding, error, note
from reportgen.records.job import Instrument
from reportgen.records.message import Place, message

KEYS = tuple(key.name for key in KEYS_OF[Instrument])
"""Columns of a register; each is a key of ``[[instrument]]``."""
LARGEST_REGISTER = 20_000_000
"""Bytes: a hundred thousand instruments; above, it is a mistake or an attack."""
_OTHER_NAMES = {"calibrated_by": "calibration_laboratory"}
_DATES = ("calibrated", "due")
_DAY_FIRST = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})")
"""Day, month and year with full stops; with strokes it would be open which of them is the day."""
_MOMENT = re.compile(r"(\d{4}-\d{2}-\d{2})[T ].*")
"""A day of a spreadsheet that was stored with a time."""
_COMMA = re.compile(r"(?<=\d),(?=\d)")


@dataclass(frozen=True, slots=True)
class Register:
    """Instruments of a register in its order, what is wrong with it, and the bytes it was read from."""

    instruments: tuple[Part, ...]
    findings: tuple[Finding, ...]
    content: bytes


def read_register(path: Path, name: str) -> Register:
    """Read a register; ``name`` is how the laboratory file names it. Raises OSError and ReadError."""
    content = content_of(path, LARGEST_REGISTER)
    rows = _of_sheet(path, name) if is_spreadsheet(content[:8]) else _of_text(content, name)
    if content_of(path, LARGEST_REGISTER) != content:
        raise ReadError(Place(name), message("input.changed"))
    numbered = [(line, [cell.strip() for cell in cells]) for line, cells in rows if any(map(str.strip, cells))]
    if not numbered:
        return Register((), (error(Place(name, 1), message("register.empty", columns=KEYS)),), content)
    (head_line, head), body = numbered[0], numbered[1:]
    columns = {place: key for place, cell in enumerate(head) if (key := _key(cell)) is not None}
    findings = list(_head_findings(head, Place(name, head_line)))
    if "id" not in columns.values():
        return Register((), tuple(findings), content)
    findings += _longer_rows(body, len(head), name)
    source = Source(name, _line)
    parts = [_part(cells, columns, line, source) for line, cells in body]
    findings += [
        error(part.at(), message("register.no-id", row=", ".join(map(str, part.table.values()))))
        for part in parts
        if "id" not in part.table
    ]
    return Register(tuple(part for part in parts if "id" in part.table), tuple(findings), content)


def _line(path: KeyPath) -> int:
    """Line of a row: the first step of its path."""
    return int(path[0]) if path else 1


def _key(cell: str) -> str | None:
    """The key that a column is called after, in any case and with spaces or hyphens."""
    name = re.sub(r"[\s_-]+", "_", cell.strip().casefold())
    name = _OTHER_NAMES.get(name, name)
    return name if name in KEYS else None


def _head_findings(head: list[str], place: Place) -> Iterator[Finding]:
    keys = [_key(cell) for cell in head]
    if "id" not in keys:
        yield error(place, message("register.no-id-column", found=tuple(filter(None, head)), columns=KEYS))
    for key in sorted({key for key in keys if key is not None and keys.count(key) > 1}):
        yield error(place, message("register.column-twice", column=key))
    unknown = tuple(cell for cell, key in zip(head, keys, strict=True) if key is None and cell)
    if unknown:
        yield note(place, message("register.columns-not-used", found=unknown, columns=KEYS))


def _longer_rows(body: list[tuple[int, list[str]]], columns: int, name: str) -> Iterator[Finding]:
    """Rows with more cells than columns: a separator in a text moved what stands behind it under other names."""
    for line, cells in body:
        if any(cells[columns:]):
            yield error(Place(name, line), message("register.more-cells", found=len(cells), expected=columns))


def _part(cells: list[str], columns: Mapping[int, str], line: int, source: Source) -> Part:
    named = ((columns[place], cell) for place, cell in enumerate(cells) if cell and place in columns)
    return Part({key: _value(key, cell) for key, cell in named}, source, (line,))


def _value(key: str, cell: str) -> object:
    """A cell as the job file would have it; what cannot be taken stays as written, for its finding."""
    if key not in _DATES:
        return _COMMA.sub(".", cell) if key.endswith("uncertainty") else cell
    text = _MOMENT.sub(r"\1", cell)
    if match := _DAY_FIRST.fullmatch(text):
        day, month, year = map(int, match.groups())
        text = f"{year:04}-{month:02}-{day:02}"
    try:
        return date.fromisoformat(text)
    except ValueError:
        return cell


def _of_text(content: bytes, name: str) -> list[tuple[int, list[str]]]:
    """Rows with the line of each. Raises ReadError where quotes do not close."""
    encoding, mark = encoding_of(content)
    lines = re.split(r"\r\n|\r|\n", content[mark:].decode(encoding, errors="replace"))
    head = next((line for line in lines if line.strip()), "")
    delimiter = max(",;\t", key=lambda sign: (head.count(sign), sign == ","))
    rows = csv.reader((line + "\n" for line in lines), delimiter=delimiter, strict=True)
    found: list[tuple[int, list[str]]] = []
    begins = 1
    try:
        for cells in rows:
            found.append((begins, cells))
            begins = rows.line_num + 1
    except csv.Error as failure:
        raise ReadError(Place(name, begins), message("register.damaged", problem=str(failure))) from failure
    return found


def _of_sheet(path: Path, name: str) -> list[tuple[int, list[str]]]:
    """Rows of the first sheet that has a column of ids, else of the first. Raises ReadError."""
    sheets = [list(enumerate(rows, 1)) for rows in sheets_of(path, name).values()]
    with_ids = (rows for rows in sheets if any("id" in map(_key, cells) for _, cells in rows[:1]))
    return next(with_ids, sheets[0] if sheets else [])
