"""Tables of a report as values: numbers, dates and text in named columns, for the customer's own form.

A table is what ``tables.xlsx`` and ``tables/*.csv`` are written from. Its numbers are those of results.json to the last
digit, in the same units; a column of one unit has it in its heading, a column of several has a column of units beside
it. Text is in the report's language. What is not known is an empty cell, and the reason stands in a column of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from enum import Enum
from typing import Any, TypeAlias, TypeVar

from reportgen.records.message import Message, Place
from reportgen.render.results import exact
from reportgen.render.rows.language import Language
from reportgen.units import Quantity

Cell: TypeAlias = str | int | float | bool | date | datetime | None
"""A value as a spreadsheet types it; None is an empty cell."""

Item = TypeVar("Item")

Column: TypeAlias = tuple[str, str, Callable[[Item], object]]
"""Label in English, unit (empty where there is none), and how the value of an item is had."""


@dataclass(frozen=True, slots=True)
class Table:
    """One table: its name as a file, its title, the headings of its columns with units, and its rows."""

    name: str
    title: str
    headings: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]


def table(name: str, title: str, items: Iterable[Item], columns: Sequence[Column[Item]], language: Language) -> Table:
    """A table with a row an item; ``title`` and the labels of ``columns`` are said in the report's language."""
    return Table(
        name=name,
        title=language.say(title),
        headings=tuple(_heading(label, unit, language) for label, unit, _ in columns),
        rows=tuple(tuple(cell(value(item), language) for _, _, value in columns) for item in items),
    )


def _heading(label: str, unit: str, language: Language) -> str:
    said = language.say(label) if label else ""
    return f"{said} [{unit}]" if unit else said


def cell(value: Any, language: Language) -> Cell:
    """A value of any record as a cell: messages and terms in the report's language, numbers as results.json has them.

    Several values stand in one cell, text with semicolons between.
    """
    match value:
        case None | bool() | int() | date():  # a datetime is a date, too
            return value
        case float():
            return exact(value)
        case Message():
            return language.sentence(value)
        case Enum():
            return language.term(str(value))
        case time():
            return value.isoformat()
        case Place() | Quantity():
            return str(value)
        case str():
            return value
        case tuple() | list():
            said = (cell(each, language) for each in value)
            return "; ".join(str(each) for each in said if each not in (None, "")) or None
    raise TypeError(type(value))
