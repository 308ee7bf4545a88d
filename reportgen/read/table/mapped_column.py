"""``column / unit``: which column of a file is a channel, and what its numbers mean (ISO 80000-1 quantity/unit)."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from reportgen.errors import UnitError
from reportgen.units import Unit, parse_number, parse_unit


@dataclass(frozen=True, slots=True)
class StoredUnit:
    """What a stored 1 stands for: a number of a unit."""

    number: float
    unit: Unit

    @property
    def factor(self) -> float:
        """SI value of a stored 1."""
        return self.number * self.unit.factor


def parse_stored_unit(text: str) -> StoredUnit:
    """Read ``g``, ``(m/s^2)`` or ``(50 g)``. Raises UnitError.

    >>> parse_stored_unit("(50 g)").factor
    490.3325
    """
    bare = text.strip()
    if bare.startswith("(") and bare.endswith(")"):
        bare = bare[1:-1].strip()
    try:
        number, rest = parse_number(bare)
    except UnitError:
        return StoredUnit(1.0, parse_unit(bare))
    return StoredUnit(number, parse_unit(rest))


_LEVEL = re.compile(
    r"dB(?:\s*+(?:\(\s*+)?(?:re|ref|rel|bez)\.?\s*+(?:to\s++)?(?P<reference>[^()]*[^()\s])\s*+\)?)?", re.IGNORECASE
)


def parse_level(text: str) -> StoredUnit | None:
    """What 0 dB stands for in ``dB re 1 g``, or in ``dB`` of a ratio; None for what is no level. Raises UnitError.

    >>> parse_level("dB re 1 g").factor, parse_level("(dB (re 1 m/s^2))").factor, parse_level("g")
    (9.80665, 1.0, None)
    """
    bare = text.strip()
    level = _LEVEL.fullmatch(bare[1:-1].strip() if bare.startswith("(") and bare.endswith(")") else bare)
    if level is None:
        return None
    return parse_stored_unit(level["reference"] or "1")


def split_column(text: str, known: Callable[[str], bool]) -> tuple[str, str | None]:
    """Part ``column / unit`` into its column and its unit; the unit is None where none is written.

    A column that the file has by that very name is taken whole, so that a path such as ``/run/A1`` and a header such as
    ``A1/g`` keep their strokes; the longest known name goes first.

    >>> split_column("/run 1/A1 / (m/s^2)", lambda name: name == "/run 1/A1")
    ('/run 1/A1', '(m/s^2)')
    >>> split_column("/run 1/A1", lambda name: name == "/run 1/A1")
    ('/run 1/A1', None)
    """
    whole = text.strip()
    if known(whole):
        return whole, None
    cuts = [place for place, sign in enumerate(whole) if sign == "/"]
    for place in reversed(cuts):
        column = whole[:place].strip()
        if known(column):
            return column, whole[place + 1 :].strip()
    spaced = whole.rfind(" / ")
    if spaced > 0:
        return whole[:spaced].strip(), whole[spaced + 3 :].strip()
    return whole, None
