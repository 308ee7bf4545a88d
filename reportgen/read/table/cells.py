"""Cells of a table: numbers, words for no reading, remarks, and how a line is cut into cells."""

from __future__ import annotations

import csv
import math
import re

NO_READING = frozenset(
    {
        "", "-", "--", "---", "----", "nan", "na", "n/a", "n.a.", "#n/a", "#na", "#nv", "null", "none", "ovl", "ovld",
        "ovr", "over", "overload", "ol", "inf", "+inf", "-inf", "infinity", "+infinity", "-infinity", "1.#qnan",
        "-1.#qnan", "1.#snan", "1.#inf", "+1.#inf", "-1.#inf", "1.#ind", "-1.#ind", "1.#j", "#div/0!", "#value!",
        "#wert!", "#num!", "#zahl!", "#ref!", "*", "**", "***", "****", "*****", "******", "?", "–", "—",
    }
)  # fmt: skip
"""Words that stand where there is no reading, folded."""

SPREADSHEET_ERRORS = r"N/A|NA\b|NV\b|DIV/0!|VALUE!|WERT!|NUM!|ZAHL!|REF!"
COMMENT = re.compile(rf"[ \t\"]*#(?!{SPREADSHEET_ERRORS})", re.IGNORECASE)
"""Start of a remark; the error words of spreadsheets begin with the same sign and are cells."""

NUMBER = {
    ".": re.compile(r"[+\-−]?(?:\d++(?:\.\d*+)?|\.\d++|\d{1,3}(?:,\d{3})++\.\d++)(?:[eEdD][+\-−]?\d++)?"),
    ",": re.compile(r"[+\-−]?(?:\d++(?:,\d*+)?|,\d++|\d{1,3}(?:\.\d{3})++,\d++)(?:[eEdD][+\-−]?\d++)?"),
}
_GROUPED = {
    ".": re.compile(r"[+\-−]?\d{1,3}(?:[,'’ \u00a0\u202f]\d{3})+(?:\.\d*)?"),
    ",": re.compile(r"[+\-−]?\d{1,3}(?:[.'’ \u00a0\u202f]\d{3})+(?:,\d*)?"),
}
_UNGROUP = str.maketrans("", "", "'’ \u00a0\u202f")

DELIMITERS = ("\t", ";", "|", ",", " ")
"""Tried in this order; a blank stands for any run of blanks."""


def number_in(cell: str, decimal: str) -> float | None:
    """The number of a cell; None where it is none. Grouped thousands are read where the decimal sign is the other one.

    >>> number_in("1.234,5", ","), number_in("1,5D+02", ","), number_in("ABORT", ".")
    (1234.5, 150.0, None)
    """
    text = cell.strip()
    other = "," if decimal == "." else "."
    if _GROUPED[decimal].fullmatch(text):
        text = text.translate(_UNGROUP).replace(other, "")
    elif not NUMBER[decimal].fullmatch(text):
        return None
    else:
        text = text.replace(other, "")
    number = float(text.replace(decimal, ".").replace("−", "-").replace("D", "e").replace("d", "e"))
    return number if math.isfinite(number) else None


_BEYOND = re.compile(r"[<>≤≥]\s*+(?:=\s*+)?[+\-−]?[\d.,]++(?:[eE][+\-]?\d++)?")


def is_no_reading(cell: str) -> bool:
    """Whether a cell says that nothing was read, or only on which side of a limit it lies (``<0.01``, ``> 50``)."""
    text = cell.strip()
    return text.casefold() in NO_READING or _BEYOND.fullmatch(text) is not None


CLOCK_TIME = re.compile(r"\d{1,3}:\d{2}(?::\d{2})?(?:[.,]\d{1,9})?")
"""A cell that tells the time as a clock does, perhaps without hours."""
LONGEST_CELL = 1000
"""Characters of a cell that are looked at: no name, unit or number needs more, and a header of ten thousand blanks
must not keep a pattern busy. A longer one is cut, marked, and told where it is used."""
_CUT = "…"


def cut(cell: str) -> str:
    """A cell, or the beginning of a longer one with the mark of what was cut."""
    return cell if len(cell) <= LONGEST_CELL else cell[:LONGEST_CELL] + _CUT


def is_cut(cell: str) -> bool:
    """Whether a cell is only the beginning of the one in the file.

    >>> is_cut(cut("a" * 1000)), is_cut(cut("a" * 1001))
    (False, True)
    """
    return len(cell) > LONGEST_CELL


def split_line(line: str, delimiter: str, quoted: bool) -> list[str]:
    """Cells of one line, stripped; of one that is longer than any name, its beginning."""
    return [cut(cell) for cell in _cells(line, delimiter, quoted)]


def _cells(line: str, delimiter: str, quoted: bool) -> list[str]:
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


def is_rule(line: str) -> bool:
    """Whether a line is blank or only drawn."""
    return not line.strip("-=|+:_ \t;,\x1a")
