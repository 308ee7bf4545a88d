"""What lies inside structures and cell arrays of a MAT file, by path: ``run.sensors{2}.data``."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

DEEPEST = 12
"""Structures and cells within one another that are followed."""
MOST_LEAVES = 100_000
"""Parts of a cell array or structure; one of more is not opened: a record holds dozens."""


def leaves(name: str, value: Any, depth: int = 0) -> Iterator[tuple[str, Any]]:
    """Path and value of every array of numbers and every text inside a value as scipy.io gives it.

    A field is joined with a dot, an element of a cell or structure array with its number in braces or brackets, from 1.
    """
    if depth > DEEPEST:
        return
    if isinstance(value, np.ndarray) and value.dtype.names:
        yield from _fields(name, value, depth)
    elif isinstance(value, np.ndarray) and value.dtype == object:
        cells = value.reshape(-1, order="F")
        for number, each in enumerate(cells[:MOST_LEAVES], 1):
            yield from leaves(name if len(cells) == 1 else f"{name}{{{number}}}", each, depth + 1)
    elif isinstance(value, np.ndarray | np.generic):
        yield name, np.asarray(value)


def _fields(name: str, value: Any, depth: int) -> Iterator[tuple[str, Any]]:
    elements = value.reshape(-1, order="F")
    for number, element in enumerate(elements[:MOST_LEAVES], 1):
        own = name if len(elements) == 1 else f"{name}[{number}]"
        for field in value.dtype.names:
            yield from leaves(f"{own}.{field}", element[field], depth + 1)


def parent(path: str) -> str:
    """The structure that a path's last field belongs to; empty for a variable by itself.

    >>> parent("run.sensors{2}.data"), parent("data")
    ('run.sensors{2}', '')
    """
    return path.rpartition(".")[0]


def leaf(path: str) -> str:
    """The last field of a path.

    >>> leaf("run.sensors{2}.data")
    'data'
    """
    return path.rpartition(".")[2]


def units_of(text: str, signals: int, timed: bool) -> list[str]:
    """A text of units split for so many signals: one for all or one each, that of time left out; else nothing.

    >>> units_of("s, m/s^2", 3, True)
    ['m/s^2', 'm/s^2', 'm/s^2']
    """
    parts = [part.strip() for part in text.replace(";", ",").split(",") if part.strip()]
    if timed and len(parts) > 1 and parts[0].casefold() in ("s", "sec", "seconds", "ms", "us", "µs"):
        parts = parts[1:]
    return parts * signals if len(parts) == 1 else parts if len(parts) == signals else []
