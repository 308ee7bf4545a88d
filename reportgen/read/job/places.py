"""Where the keys of a job were written, once short forms have become long ones."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from reportgen.read.job.toml_lines import KeyPath
from reportgen.records.message import Place

Table = dict[str, Any]
"""A table of TOML as tomllib gives it."""


@dataclass(frozen=True, slots=True)
class Source:
    """A file of keys: its name, and the line of a key by its path in that file."""

    name: str
    line_of: Callable[[KeyPath], int]

    def at(self, path: KeyPath = ()) -> Place:
        """Place of a key, or of the longest beginning of its path that is there."""
        return Place(self.name, self.line_of(path))


@dataclass(frozen=True, slots=True)
class Part:
    """A table, or what is to go into one, with the place where it was written."""

    table: Table
    source: Source
    path: KeyPath
    cells: Mapping[str, KeyPath] = field(default_factory=dict)
    """Paths of keys that do not stand below ``path`` under their own name, such as the cells of a row."""

    def path_of(self, key: str) -> KeyPath:
        """Path in the source of one of the table's keys."""
        return self.cells.get(key, (*self.path, key))

    def at(self, key: str | None = None) -> Place:
        """Place of the table, or of one of its keys."""
        return self.source.at(self.path if key is None else self.path_of(key))

    def only(self, keys: Mapping[str, Any]) -> Part:
        """The same part with other values or fewer keys."""
        return Part(dict(keys), self.source, self.path, self.cells)


class Places:
    """Place of every key of a job's long form, by its path there.

    >>> lab, job = (Source(name, lambda path: len(path)) for name in ("laboratory.toml", "job.toml"))
    >>> places = Places(job)
    >>> places.moved(("instrument", 0), lab, ("instrument", 7))
    >>> [str(places.at(path)) for path in (("instrument", 0, "due"), ("report",))]
    ['laboratory.toml:3', 'job.toml:1']
    """

    def __init__(self, own: Source) -> None:
        self.own = own
        self._moved: dict[KeyPath, tuple[Source, KeyPath]] = {}

    def moved(self, path: KeyPath, source: Source, old: KeyPath) -> None:
        """Say where the key at ``path`` of the long form, with all below it, was written."""
        self._moved[path] = (source, old)

    def written(self, path: KeyPath) -> tuple[Source, KeyPath]:
        """Source of a key of the long form, and its path there."""
        for length in range(len(path), 0, -1):
            if path[:length] in self._moved:
                source, old = self._moved[path[:length]]
                return source, (*old, *path[length:])
        return self.own, path

    def at(self, path: KeyPath) -> Place:
        """Place of a key of the long form."""
        source, old = self.written(path)
        return source.at(old)

    def is_moved(self, path: KeyPath) -> bool:
        """Whether a key was not written where the long form has it."""
        return any(path[:length] in self._moved for length in range(len(path), 0, -1))


def laid(places: Places, target: KeyPath, *parts: Part) -> Table:
    """One table of several parts, the first going before those behind it; every key keeps its place.

    ``target`` is the table's path in the long form.
    """
    table: Table = {}
    for part in parts:
        for key, value in part.table.items():
            if key not in table:
                table[key] = value
                places.moved((*target, key), part.source, part.path_of(key))
    if parts:
        places.moved(target, parts[0].source, parts[0].path)
    return table
