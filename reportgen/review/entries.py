"""Decisions as entries of the job file and lines of the notes: text in, text out, all else byte for byte.

tomlkit writes an entry; it is laid in by lines, and no other line is touched. (Written out whole by that library, a
file whose arrays of tables alternate comes out in another order, and a heading before the next table goes to the entry
before it.) That nothing but the entry has changed is shown by the standard library's reader on every change.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from datetime import date, datetime
from typing import Any, TypeAlias

import tomlkit

from reportgen.errors import ReportError
from reportgen.read.job.toml_lines import TomlLines
from reportgen.records.message import message

Plain: TypeAlias = str | int | float | date | datetime | list[str]
"""What stands behind a key of an entry."""
MARK = "\ufeff"
"""Byte order mark, decoded."""


class EntryError(ReportError):
    """An entry that cannot be put into the file as it stands."""


def appended(text: str, table: str, values: Mapping[str, Plain]) -> str:
    """``text`` with an entry ``[[table]]`` behind the last of its kind, else at the end. Raises EntryError."""
    entry = [f"[[{table}]]", *(line for key, value in values.items() for line in _assignment(key, value))]
    lines, newline = _lines(text)
    end = _scanned(text).end_of((table,))
    place = len(lines) if end is None else _behind_remarks(lines, end)
    before, after = lines[:place], lines[place:]
    if before and not before[-1].endswith(("\n", "\r")):
        before[-1] += newline
    gap = [newline] if any(line.strip(MARK + " \t\r\n") for line in before[-1:]) else []
    told = "".join([*before, *gap, *(line + newline for line in entry), *after])
    return _proved(text, told, lambda raw: {**raw, table: [*raw.get(table, []), dict(values)]})


def _behind_remarks(lines: list[str], end: int) -> int:
    """Line behind comments that follow an entry at once, unless they stand right above the next table."""
    place = end
    while place < len(lines) and lines[place].lstrip().startswith("#"):
        place += 1
    return end if place < len(lines) and lines[place].strip() else place


def removed(text: str, table: str, index: int) -> str:
    """``text`` without entry number ``index`` (from 0) of its kind, and without the blank line before it."""
    scanned = _scanned(text)
    end = scanned.end_of((table, index))
    if end is None:
        raise EntryError(message("review.entry-gone"))
    lines, _ = _lines(text)
    start = scanned.line_of((table, index)) - 1
    if start and not lines[start - 1].strip():
        start -= 1
    told = "".join([*lines[:start], *lines[end:]])
    return _proved(text, told, lambda raw: _without(raw, table, index))


def _without(raw: dict[str, Any], table: str, index: int) -> dict[str, Any]:
    left = [*raw[table][:index], *raw[table][index + 1 :]]
    return {key: left if key == table else value for key, value in raw.items() if key != table or left}


def with_values(text: str, table: str, index: int, values: Mapping[str, Plain]) -> str:
    """``text`` with keys of entry number ``index`` set; what stood behind such a key, and its comment, is replaced."""
    told = text
    for key, value in values.items():
        told = _with_value(told, table, index, key, value)
    return _proved(text, told, lambda raw: _changed(raw, table, index, values))


def _with_value(text: str, table: str, index: int, key: str, value: Plain) -> str:
    scanned = _scanned(text)
    lines, newline = _lines(text)
    own = [line + newline for line in _assignment(key, value)]
    end = scanned.end_of((table, index, key))
    if end is not None:
        start = scanned.line_of((table, index, key)) - 1
        return "".join([*lines[:start], *own, *lines[end:]])
    place = scanned.line_of((table, index))
    if place == len(lines) and not lines[-1].endswith(("\n", "\r")):
        lines[-1] += newline
    return "".join([*lines[:place], *own, *lines[place:]])


def _changed(raw: dict[str, Any], table: str, index: int, values: Mapping[str, Plain]) -> dict[str, Any]:
    entries = [each | dict(values) if place == index else each for place, each in enumerate(raw[table])]
    return {**raw, table: entries}


def line_added(text: str, line: str) -> str:
    """Notes with one more line at their end."""
    lines, newline = _lines(text)
    if lines and not lines[-1].endswith(("\n", "\r")):
        lines[-1] += newline
    return "".join([*lines, line + newline])


def line_removed(text: str, line: str) -> str:
    """Notes without the last line that reads so. Raises EntryError where there is none."""
    lines, _ = _lines(text)
    found = [number for number, each in enumerate(lines) if each.rstrip("\r\n") == line]
    if not found:
        raise EntryError(message("review.entry-gone"))
    return "".join([*lines[: found[-1]], *lines[found[-1] + 1 :]])


def _assignment(key: str, value: Plain) -> list[str]:
    """The key with its value, as tomlkit writes it, in lines."""
    document = tomlkit.document()
    document.add(key, tomlkit.item(value))
    return tomlkit.dumps(document).rstrip("\n").split("\n")


def _lines(text: str) -> tuple[list[str], str]:
    """Lines with their ends, and the end that the file gives its lines: LF or CR LF, as TOML knows them."""
    *whole, last = text.split("\n")
    lines = [f"{each}\n" for each in whole] + ([last] if last else [])
    return lines, "\r\n" if lines and lines[0].endswith("\r\n") else "\n"


def _scanned(text: str) -> TomlLines:
    """Places of its keys; lines count as they do in ``text``. Raises EntryError where it is no TOML."""
    _read(text)
    return TomlLines(_without_mark(text).replace("\r\n", "\n"))


def _without_mark(text: str) -> str:
    return text.removeprefix(MARK)


def _read(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(_without_mark(text).replace("\r\n", "\n"))
    except (tomllib.TOMLDecodeError, ValueError, RecursionError) as problem:
        raise EntryError(message("review.entry-does-not-fit", problem=str(problem))) from problem


def _proved(old: str, new: str, meant: Any) -> str:
    """``new``, which differs from ``old`` in what was ``meant`` and in nothing else. Raises EntryError."""
    if _read(new) != meant(_read(old)):
        raise EntryError(message("review.entry-does-not-fit", problem=None))
    return new
