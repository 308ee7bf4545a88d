"""Compare: recomputed results held against those that were reported, number by number."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from reportgen.archive.pairing import ABSENT, Entry, paired
from reportgen.records.message import Message, message

RELATIVE_TOLERANCE = 5e-9
ABSOLUTE_TOLERANCE = 1e-12
"""Largest difference of two numbers that count as the same: relative, and absolute for what is zero but for rounding.

On one machine the results agree to the last digit. Another processor may add in another order (vector width, fused
multiply-add), which can tip the last of the ten digits that results.json keeps: by up to one part in 10⁹. That leaves
more digits than any reported uncertainty needs.
"""

ORDER = "(order)"
"""Last step to a difference that is none of values: a list holds the same entries in another order. No key of results
has brackets."""

Step = str | Entry
"""A member of a table by its name, or an entry of a list by what it is about."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One value that differs, an entry that is in one of two lists only, or another order of the same entries."""

    steps: tuple[Step, ...]
    reported: Any
    recomputed: Any

    @property
    def where(self) -> str:
        """The place, as ``runs[X-PRE].channels[A1].resonances[70.3Hz,mode=2].q``."""
        return place_of(self.steps)

    @property
    def relative(self) -> float | None:
        """|recomputed/reported − 1|; None where that means nothing: of text, and of counts and mode numbers."""
        if not (_is_number(self.reported) and _is_number(self.recomputed)):
            return None
        if isinstance(self.reported, int) and isinstance(self.recomputed, int):
            return None
        try:
            return abs(float(self.recomputed) / float(self.reported) - 1.0)
        except (ZeroDivisionError, OverflowError):
            return None

    @property
    def said(self) -> Message:
        """The difference as a message; values as results.json writes them."""
        if self.reported is ABSENT:
            return message("difference.only-recomputed", where=self.where, recomputed=_shown(self.recomputed))
        if self.recomputed is ABSENT:
            return message("difference.only-reported", where=self.where, reported=_shown(self.reported))
        where, one, other = self.where, _shown(self.reported), _shown(self.recomputed)
        if self.relative is None:
            return message("difference.values", where=where, reported=one, recomputed=other)
        percent = 100.0 * self.relative
        return message("difference.numbers", where=where, reported=one, recomputed=other, percent=percent)


def place_of(steps: Sequence[Step]) -> str:
    """Steps into results as one place.

    >>> place_of(("runs", Entry(place=0, name="X-PRE"), "q"))
    'runs[X-PRE].q'
    """
    return "".join(f"[{step}]" if isinstance(step, Entry) else f".{step}" for step in steps).removeprefix(".")


def compare_results(reported: Any, recomputed: Any) -> tuple[Difference, ...]:
    """Every value that differs between two results, in the order of the reported ones.

    Numbers are the same within ``RELATIVE_TOLERANCE``; text, null, true and false must be equal. Entries of lists are
    paired by what they are about (``pairing``), so that one more or less is one difference.

    >>> one = {"runs": [{"id": "X-PRE", "q": 38.1}]}
    >>> [(each.where, each.relative) for each in compare_results(one, {"runs": [{"id": "X-PRE", "q": 40.0}]})]
    [('runs[X-PRE].q', 0.04986876640419946)]
    """
    return tuple(_differences((), reported, recomputed))


def _differences(steps: tuple[Step, ...], one: Any, other: Any) -> Iterator[Difference]:
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        for key in (*one, *(key for key in other if key not in one)):
            yield from _differences((*steps, str(key)), one.get(key, ABSENT), other.get(key, ABSENT))
    elif _is_list(one) and _is_list(other):
        yield from _entry_differences(steps, one, other)
    elif not same(one, other):
        yield Difference(steps=steps, reported=one, recomputed=other)


def _entry_differences(steps: tuple[Step, ...], one: Sequence[Any], other: Sequence[Any]) -> Iterator[Difference]:
    pairs, reordered = paired(one, other)
    for pair in pairs:
        yield from _differences((*steps, pair.entry), pair.one, pair.other)
    if reordered:
        yield Difference(steps=(*steps, ORDER), reported=one, recomputed=other)


def _is_list(value: Any) -> bool:
    return isinstance(value, Sequence) and not isinstance(value, str | bytes)


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
    if isinstance(one, str) and isinstance(other, str):
        return one == other
    return type(one) is type(other) and bool(one == other)


def _shown(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False, default=repr)
    return text if len(text) <= _LONGEST_SHOWN else f"{text[: _LONGEST_SHOWN - 1]}…"


_LONGEST_SHOWN = 80
"""Characters of a value in a line of the terminal."""
