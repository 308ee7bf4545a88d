"""Compare: recomputed results held against those that were reported, number by number."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

RELATIVE_TOLERANCE = 5e-9
ABSOLUTE_TOLERANCE = 1e-12
"""Largest difference of two numbers that count as the same: relative, and absolute for what is zero but for rounding.

On one machine the results agree to the last digit. Another processor may add in another order (vector width, fused
multiply-add), which can tip the last of the ten digits that results.json keeps: by up to one part in 10⁹. That leaves
more digits than any reported uncertainty needs.
"""

_KEYS = ("id", "requirement", "path")
"""Fields that name an entry of a list, where every entry has one; else entries are told apart by their place."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One value that differs; ``where`` reads like ``runs[X-PRE].channels[A1].resonances[0].q``."""

    where: str
    reported: Any
    recomputed: Any

    @property
    def relative(self) -> float | None:
        """|recomputed/reported − 1|; None where that means nothing."""
        if not (_is_number(self.reported) and _is_number(self.recomputed)):
            return None
        try:
            return abs(float(self.recomputed) / float(self.reported) - 1.0)
        except (ZeroDivisionError, OverflowError):
            return None

    def __str__(self) -> str:
        by = "" if self.relative is None else f", off by {100.0 * self.relative:.2g} %"
        return f"{self.where}: reported {_shown(self.reported)}, recomputed {_shown(self.recomputed)}{by}"


class _Absent:
    """A value that is not there at all, which is not the same as null."""

    def __repr__(self) -> str:
        return "nothing"


ABSENT = _Absent()


def compare_results(reported: Any, recomputed: Any) -> tuple[Difference, ...]:
    """Every value that differs between two results, in the order of the reported ones.

    Numbers are the same within ``RELATIVE_TOLERANCE``; text, null, true and false must be equal.

    >>> one = {"runs": [{"id": "X-PRE", "q": 38.1}]}
    >>> print(*compare_results(one, {"runs": [{"id": "X-PRE", "q": 40.0}]}))
    runs[X-PRE].q: reported 38.1, recomputed 40.0, off by 5 %
    """
    return tuple(_differences("", reported, recomputed))


def _differences(where: str, one: Any, other: Any) -> Iterator[Difference]:
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        yield from _members(where, one, other, lambda key: f"{where}.{key}" if where else str(key))
    elif _is_list(one) and _is_list(other):
        left, right = _named(one, other)
        yield from _members(where, left, right, lambda key: f"{where}[{key}]")
    elif not same(one, other):
        yield Difference(where=where, reported=one, recomputed=other)


def _members(where: str, one: Mapping[Any, Any], other: Mapping[Any, Any], name: Any) -> Iterator[Difference]:
    for key in (*one, *(key for key in other if key not in one)):
        yield from _differences(name(key), one.get(key, ABSENT), other.get(key, ABSENT))


def _is_list(value: Any) -> bool:
    return isinstance(value, Sequence) and not isinstance(value, str | bytes)


def _named(one: Sequence[Any], other: Sequence[Any]) -> tuple[dict[Any, Any], dict[Any, Any]]:
    """Both lists by the name of their entries, where all have one and no two the same; else by place."""
    for key in _KEYS:
        names = [[each.get(key) if isinstance(each, Mapping) else None for each in entries] for entries in (one, other)]
        if all(isinstance(name, str) for part in names for name in part) and all(
            len(set(part)) == len(part) for part in names
        ):
            return dict(zip(names[0], one, strict=True)), dict(zip(names[1], other, strict=True))
    return dict(enumerate(one)), dict(enumerate(other))


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def same(one: Any, other: Any) -> bool:
    """Whether two values count as the same."""
    if isinstance(one, float) or isinstance(other, float):
        if not (_is_number(one) and _is_number(other)):
            return False
        try:
            return math.isclose(one, other, rel_tol=RELATIVE_TOLERANCE, abs_tol=ABSOLUTE_TOLERANCE)
        except OverflowError:  # an integer beyond the range of floating point
            return False
    return type(one) is type(other) and bool(one == other)


def _shown(value: Any) -> str:
    if value is None:
        return "null"
    text = repr(value)
    return text if len(text) <= 80 else f"{text[:77]}…"
