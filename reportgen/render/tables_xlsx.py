"""Tables as a workbook (ISO/IEC 29500): a sheet each, cells typed, no formula, the same bytes from the same tables."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reportgen.records.report import Report
from reportgen.render.draft import draft_words
from reportgen.render.rows.language import Language
from reportgen.render.tables import Cell, Table
from reportgen.render.tables_csv import is_like_a_formula

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

LONGEST_CELL = 32_767
"""Characters that a cell of a workbook holds, and no more (the limit every spreadsheet program shares, from memory)."""
CUT = "…"
"""Ends a text that is longer; the whole of it stands in the CSV file and in results.json."""

_EPOCH = (1980, 1, 1, 0, 0, 0)
"""Time of every file in the zip: the first that the format knows (APPNOTE 4.4.6), so that no clock is in the bytes."""
_WIDEST, _NARROWEST = 60, 8
"""Of a column, in characters: a sentence stays readable, a number is never shown as ####."""
_UNPRINTABLE = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff\ud800-\udfff]")
"""Characters that XML 1.0 cannot hold (section 2.2)."""
_ESCAPED = re.compile(r"_(?=x[0-9A-Fa-f]{4}_)")
"""A text that a reader of ISO/IEC 29500 would take for an escaped character (part 1, 22.9.2.19)."""
_LONGEST_TITLE = 31
"""Characters of a sheet's name."""
_DAY, _MOMENT = "yyyy-mm-dd", "yyyy-mm-dd hh:mm:ss"
_MODIFIED = re.compile(rb"(<dcterms:modified[^>]*>)[^<]*(</dcterms:modified>)")


@dataclass(frozen=True, slots=True, kw_only=True)
class BookInfo:
    """What a workbook says of itself."""

    title: str
    creator: str
    date: date
    """Stands as the day it was made and changed, so that no clock is in the bytes."""
    draft: str = ""
    """Words that mark every sheet; empty for what is issued."""


def book_info(report: Report, templates: Path) -> BookInfo:
    """What the workbook of a report says of itself."""
    own = report.job.report
    language = Language.of(own.language, templates)
    return BookInfo(
        title=f"{own.number} {own.revision}: {own.title}",
        creator=report.job.laboratory.name,
        date=own.date,
        draft=draft_words(language) if report.draft else "",
    )


def workbook(tables: Iterable[Table], info: BookInfo) -> bytes:
    """The tables as xlsx."""
    from openpyxl import Workbook

    book = Workbook()
    book.remove(book.active)
    for each in tables:
        _fill(book.create_sheet(each.title[:_LONGEST_TITLE].rstrip(" ,")), each, info)
    moment = datetime.combine(info.date, time())
    book.properties.title = _storable(info.title)
    book.properties.creator = _storable(info.creator)
    book.properties.created = moment
    out = io.BytesIO()
    book.save(out)
    return _without_clock(out.getvalue(), moment)


def _fill(sheet: Worksheet, table: Table, info: BookInfo) -> None:
    from openpyxl.styles import Alignment, Font
    from openpyxl.utils import get_column_letter

    first = 1
    if info.draft:
        _put(sheet, 1, 1, info.draft).font = Font(bold=True, color="FFB00020")
        sheet.oddHeader.center.text = sheet.evenHeader.center.text = info.draft
        first = 2
    for column, heading in enumerate(table.headings, start=1):
        shown = _put(sheet, first, column, heading)
        shown.font, shown.alignment = Font(bold=True), Alignment(wrap_text=True, vertical="top")
        width = _width([heading, *(row[column - 1] for row in table.rows)])
        sheet.column_dimensions[get_column_letter(column)].width = width
    for line, row in enumerate(table.rows, start=first + 1):
        for column, value in enumerate(row, start=1):
            if value is not None:
                _put(sheet, line, column, value)
    sheet.freeze_panes = sheet.cell(first + 1, 1)
    last = get_column_letter(max(len(table.headings), 1))
    sheet.auto_filter.ref = f"A{first}:{last}{first + len(table.rows)}"


def _put(sheet: Worksheet, line: int, column: int, value: Cell) -> Any:
    """One typed cell; a text stays one, whatever it begins with."""
    found: Any = sheet.cell(line, column)
    if isinstance(value, str):
        found.value = _storable(value)
        found.data_type = "s"  # the library takes a leading = for a formula and #N/A for an error
        found.quotePrefix = is_like_a_formula(value)
        return found
    found.value = value
    if isinstance(value, datetime):
        found.number_format = _MOMENT
    elif isinstance(value, date):
        found.number_format = _DAY
    return found


def _storable(text: str) -> str:
    plain = _ESCAPED.sub("_x005F_", _UNPRINTABLE.sub("\ufffd", text))
    return plain if len(plain) <= LONGEST_CELL else plain[: LONGEST_CELL - len(CUT)] + CUT


def _width(values: Sequence[Cell]) -> float:
    longest = max((len(line) for each in values if each is not None for line in str(each).split("\n")), default=0)
    return float(min(max(longest + 2, _NARROWEST), _WIDEST))


def _without_clock(content: bytes, moment: datetime) -> bytes:
    """The same workbook with the times of its files and of its last change set to that of the report."""
    out = io.BytesIO()
    stated = rb"\g<1>" + moment.strftime("%Y-%m-%dT%H:%M:%SZ").encode() + rb"\g<2>"
    with zipfile.ZipFile(io.BytesIO(content)) as made, zipfile.ZipFile(out, "w") as goal:
        for name in made.namelist():
            entry = zipfile.ZipInfo(name, _EPOCH)
            entry.create_system, entry.external_attr = 3, 0o100644 << 16
            entry.compress_type = zipfile.ZIP_DEFLATED
            part = made.read(name)
            goal.writestr(entry, _MODIFIED.sub(stated, part) if name == "docProps/core.xml" else part)
    return out.getvalue()
