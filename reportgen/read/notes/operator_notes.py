"""Operator's notes: every line a note, kept word for word, with the facts understood in it.

Read from ``.txt``, ``.md``, ``.csv`` and ``.xlsx``. A line without facts is a note like any other.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from reportgen.errors import ReadError
from reportgen.read.content import content_of
from reportgen.read.notes.note_line import parse_line
from reportgen.read.notes.note_vocabulary import vocabulary
from reportgen.read.table.spreadsheet import is_spreadsheet, sheets_of
from reportgen.read.table.text_encoding import decoded
from reportgen.records.finding import Finding, error, warning
from reportgen.records.job import Job
from reportgen.records.message import Place, message
from reportgen.records.note import Note

LONGEST_NOTE = 10_000
"""Characters of a note in which facts are looked for, some pages; all of it is kept and printed."""

__all__ = ["parse_line", "read_notes"]


@dataclass(frozen=True, slots=True)
class _Line:
    """A line as written, and the words to understand where a table says more than its cells."""

    source: str
    number: int
    text: str
    words: str | None = None


def read_notes(job: Job) -> tuple[tuple[Note, ...], tuple[Finding, ...]]:
    """Notes of every notes file of the job, in the order of files and lines; findings for what could not be read.

    Blank lines are left out; of every other line nothing is lost.
    """
    notes: list[Note] = []
    findings: list[Finding] = []
    runs = tuple(run.id for run in job.runs)
    beam = job.specimen.beam
    length_m = beam.length.si if beam is not None and beam.length is not None else None
    for path in job.notes_files:
        try:
            lines = list(_lines(job.folder / path, path.as_posix()))
        except ReadError as trouble:
            findings.append(error(trouble.where, trouble.what))
            continue
        for line in lines:
            note = _note(line, runs, length_m)
            notes.append(note)
            findings.extend(_unread(note))
    return tuple(notes), tuple(findings)


def _note(line: _Line, runs: Sequence[str], length_m: float | None) -> Note:
    words = line.text if line.words is None else line.words
    note = parse_line(words[:LONGEST_NOTE], runs=runs, source=line.source, line=line.number, length_m=length_m)
    return note if words is line.text and len(words) <= LONGEST_NOTE else replace(note, text=line.text)


def _unread(note: Note) -> list[Finding]:
    long = [warning(note.where, message("note.long", most=LONGEST_NOTE))] if len(note.text) > LONGEST_NOTE else []
    return long + [warning(note.where, message("note.not-a-fact", what=each)) for each in note.unread]


def _lines(path: Path, name: str) -> Iterator[_Line]:
    try:
        raw = content_of(path)
        if is_spreadsheet(raw[:8]):
            yield from _sheet_lines(path, name)
            return
        text = _decode(raw)
    except (OSError, ReadError) as trouble:
        problem = trouble.what if isinstance(trouble, ReadError) else trouble.strerror
        raise ReadError(Place(name), message("note.file-not-opened", problem=problem)) from trouble
    written = re.split(r"\r\n|\r|\n", text)
    if path.suffix.lower() == ".csv":
        yield from _table_lines(written, name)
    else:
        yield from (_Line(name, number, line) for number, line in enumerate(written, 1) if line.strip())


def _decode(raw: bytes) -> str:
    """UTF-16 by its mark, else UTF-8, else Windows-1252; a byte that none of them knows shows as �."""
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return raw.decode("utf-16", errors="replace")
    return decoded(raw).removeprefix("\ufeff")


# Tables: a heading says what the figures below it are.


@dataclass(frozen=True, slots=True)
class _Heading:
    """What a column called so holds: the words its cells stand for, and the unit where the heading names none."""

    holds: str
    """Name of its heading in the vocabulary."""
    words: str
    unit: str = ""
    figures_only: bool = True


_HEADINGS = (
    _Heading("strobe", "strobe {} {}", "Hz"),
    _Heading("apparent", "appears at {} {}", "Hz"),
    _Heading("positions", "nodes at {} {}"),
    _Heading("nodes", "{} nodes", figures_only=False),
    _Heading("frequency", "{} {}", "Hz"),
    _Heading("level", "level {} {}"),
    _Heading("deviation", "deviation: {}", figures_only=False),
    _Heading("observation", "observation: {}", figures_only=False),
    _Heading("run", "run {}", figures_only=False),
    _Heading("other", "{}", figures_only=False),
)


def _table_lines(written: list[str], name: str) -> Iterator[_Line]:
    """Rows of a delimited file; a field in quotes may run over several lines, which stay one note.

    A line whose quotes do not close is taken as free words, and the table goes on behind it.
    """
    delimiter = _delimiter(written)
    heading: list[str] | None = None
    start = 0
    while start < len(written):
        rows = csv.reader((line + "\n" for line in written[start:]), delimiter=delimiter, strict=True)
        first = start
        try:
            for cells in rows:
                heading, line = _table_row(name, written, start, first + rows.line_num, cells, heading)
                if line is not None:
                    yield line
                start = first + rows.line_num
        except csv.Error:
            if written[start].strip():
                yield _Line(name, start + 1, written[start])
            start += 1


def _table_row(
    name: str, written: list[str], start: int, stop: int, cells: list[str], heading: list[str] | None
) -> tuple[list[str] | None, _Line | None]:
    text = "\n".join(written[start:stop])
    if not text.strip():
        return heading, None
    return _row(name, start + 1, text, [cell.strip() for cell in cells], heading)


def _delimiter(written: list[str]) -> str:
    first = next((line for line in written if line.strip()), "")
    return max(",;\t", key=lambda mark: (first.count(mark), mark == ","))


def _row(
    name: str, number: int, text: str, cells: list[str], heading: list[str] | None
) -> tuple[list[str] | None, _Line]:
    if heading is None and _is_heading(cells):
        return cells, _Line(name, number, text, words="")
    if heading is None:
        return None, _Line(name, number, text, words=", ".join(cell for cell in cells if cell))
    return heading, _Line(name, number, text, words=_words(cells, heading))


def _is_heading(cells: list[str]) -> bool:
    """A row of names without figures, two of them known."""
    if sum(bool(cell) for cell in cells) < 2 or any(re.search(r"\d", cell) for cell in cells):
        return False
    return sum(_heading(cell) is not None for cell in cells) >= 2


def _heading(cell: str) -> _Heading | None:
    name, _ = _name_and_unit(cell)
    holds = next((role for role, pattern in vocabulary().headings if pattern.fullmatch(name)), None)
    return next((each for each in _HEADINGS if each.holds == holds), None)


def _name_and_unit(cell: str) -> tuple[str, str]:
    name, unit = re.match(r"([^\[(/]*)(?:[\[(/]\s*([^\])]*))?", cell).groups()  # type: ignore[union-attr]
    return name.strip().lower().replace("_", " "), (unit or "").strip()


def _words(cells: list[str], heading: list[str]) -> str:
    """The cells of one row as words: a figure gets the name and the unit of its heading."""
    padded = [*heading, *[""] * (len(cells) - len(heading))]
    return "; ".join(_said(cell, head) for cell, head in zip(cells, padded, strict=False) if cell)


def _said(cell: str, head: str) -> str:
    known = _heading(head)
    own_words = re.search(r"[^\W\d_]", cell) is not None
    if known is None or (known.figures_only and not re.search(r"\d", cell)):
        return cell
    if known.holds in ("nodes", "positions") and re.search(vocabulary().patterns["NODES"], cell.lower()):
        return cell
    unit = "" if own_words else _name_and_unit(head)[1] or known.unit
    return known.words.format(cell, unit).strip()


def _sheet_lines(path: Path, name: str) -> Iterator[_Line]:
    sheets = sheets_of(path, name)
    for sheet, rows in sheets.items():
        source = name if len(sheets) == 1 else f"{name}[{sheet}]"
        heading: list[str] | None = None
        for number, cells in enumerate(rows, 1):
            text = " | ".join(cell for cell in cells if cell)
            if text:
                heading, line = _row(source, number, text, cells, heading)
                yield line
