"""Sheets of cells (.xlsx) as rows of text."""

from __future__ import annotations

import datetime
import zipfile
import zlib
from pathlib import Path

from reportgen.errors import ReadError
from reportgen.read.table.sheet_bounds import refuse_what_has_no_end
from reportgen.records.message import Place, message

LARGEST_SPREADSHEET = 100_000_000
"""Bytes; a sheet is held in memory whole, and packed."""


def is_spreadsheet(head: bytes) -> bool:
    """Whether a file's first bytes are those of a spreadsheet: a zip archive, or the older compound file."""
    return head.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"))


def sheets_of(path: Path, name: str) -> dict[str, list[list[str]]]:
    """Every sheet's rows, cells as text, the first row being line 1. Raises ReadError."""
    from python_calamine import CalamineError, CalamineWorkbook

    _refuse_what_has_no_end(path, name)
    try:
        book = CalamineWorkbook.from_path(path)
        return {
            each: [
                [cell_text(cell) for cell in row]
                for row in book.get_sheet_by_name(each).to_python(skip_empty_area=False)
            ]
            for each in book.sheet_names
        }
    except CalamineError as failure:
        raise ReadError(Place(name, 1), message("sheet.damaged", problem=str(failure))) from None
    except BaseException as failure:
        # A fault inside the library comes as a PanicException, which is no Exception.
        if type(failure).__name__ != "PanicException":
            raise
        raise ReadError(Place(name, 1), message("sheet.contradicts")) from None


def _refuse_what_has_no_end(path: Path, name: str) -> None:
    """Look the packed parts through before anything is laid out. Raises ReadError."""
    if path.stat().st_size > LARGEST_SPREADSHEET:
        raise ReadError(Place(name, 1), message("sheet.too-large", most=LARGEST_SPREADSHEET))
    try:
        refuse_what_has_no_end(path, name)
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError, EOFError, OSError) as failure:
        if not zipfile.is_zipfile(path):
            raise ReadError(Place(name, 1), message("sheet.older-kind")) from None
        raise ReadError(Place(name, 1), message("sheet.damaged", problem=str(failure))) from None


def cell_text(cell: object) -> str:
    """A cell as it would be written in a text file: numbers in full, dates in ISO form.

    >>> cell_text(0.1), cell_text(5.0), cell_text(datetime.date(2026, 3, 12)), cell_text(None)
    ('0.1', '5', '2026-03-12', '')
    """
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return str(cell).lower()
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    if isinstance(cell, datetime.datetime | datetime.date | datetime.time):
        return cell.isoformat()
    if isinstance(cell, datetime.timedelta):
        return repr(cell.total_seconds())
    return " ".join(str(cell).split())
