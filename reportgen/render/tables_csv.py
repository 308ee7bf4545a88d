"""Tables as text: a file each, comma and quotes by RFC 4180, decimal point, dates by ISO 8601, UTF-8 with its mark."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from datetime import date

from reportgen.render.tables import Cell, Table

STARTS_OF_FORMULAS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
"""With what a text must not begin where a spreadsheet opens it: it would be taken for a formula. Blanks and the wide
forms count, for some programs skip or fold them."""
GUARD = "'"
"""Put before such a text, as a person writes it into a spreadsheet: what follows is text."""


def csv_files(tables: Iterable[Table]) -> dict[str, bytes]:
    """One file a table, by name."""
    return {f"{each.name}.csv": csv_of(each) for each in tables}


def csv_of(table: Table) -> bytes:
    """A table as CSV: a row of headings, then its rows."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([guarded(each) for each in table.headings])
    writer.writerows([_text(each) for each in row] for row in table.rows)
    return out.getvalue().encode("utf-8-sig", "replace")


def _text(value: Cell) -> str:
    match value:
        case None:
            return ""
        case bool():
            return "true" if value else "false"
        case date():
            return value.isoformat()
        case float() | int():
            return repr(value)  # the shortest that reads back as the same number, as in results.json
    return guarded(value)


def guarded(text: str) -> str:
    """A text that no spreadsheet takes for a formula.

    >>> guarded("=1+1"), guarded("  @SUM(A1)"), guarded("12 Hz")
    ("'=1+1", "'  @SUM(A1)", '12 Hz')
    """
    return GUARD + text if is_like_a_formula(text) else text


def is_like_a_formula(text: str) -> bool:
    """Whether a spreadsheet might take a text for a formula."""
    return text.startswith(STARTS_OF_FORMULAS) or text.lstrip().startswith(STARTS_OF_FORMULAS)
