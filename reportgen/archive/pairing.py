"""Pairing: which entry of a list is which of another, so that one entry more or less shifts none of those behind it.

An entry has a key: its identification, or what it is about with the code or the words of what it says. Equal entries
belong together; then, of those with the same key, the nearest in frequency, within ``WINDOW``; those of the same mode
number; and, where there is neither frequency nor number, first with first. An entry that stays alone came or went.
"""

from __future__ import annotations

import json
import math
import re
from collections import defaultdict, deque
from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

WINDOW = 0.05
"""Two frequencies up to 5 % apart (as ln of their ratio) can be those of one mode evaluated twice: more than another
tracking filter, model or version moves a frequency of the same log. Two modes that lie closer are still told apart,
since equal and nearer ones are paired first."""

_NAMES = ("id", "path", "role")
"""Fields by which an entry is known whatever else changes."""
_ABOUT = ("requirement", "axis", "specimen", "before", "after", "survey", "sweep", "run", "channel", "kind")
"""Fields that two entries must have in common to be about the same thing."""
_SAYS = ("code", "message", "text", "what", "name", "file", "boundary")
"""Fields of which the first that is there tells what an entry says; numbers in words may change."""
_FREQUENCIES = ("frequency_hz", "before_hz", "after_hz", "survey_hz", "sweep_hz", "at_hz", "first_hz", "band_hz")
"""Fields of which the first that is there is the frequency of an entry; a band begins with its lowest."""
_MOST_COMPARED = 1_000_000
"""Pairs that are looked at, which takes some seconds; no list of a report is that long."""
_NUMBER = re.compile(r"[-+−]?\d+(?:[.,]\d+)*(?:[eE][-+]?\d+)?")
"""A number in words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """What an entry of a list is about; its place tells it apart where nothing else does."""

    place: int
    name: str | None = None
    about: tuple[tuple[str, str], ...] = ()
    """Field and value."""
    number: int | None = None
    frequency_hz: float | None = None
    where: str | None = None

    def __str__(self) -> str:
        """As in ``resonances[X-PRE,70.3Hz,mode=2]``: the address of an entry, the same in every language."""
        if self.name is not None:
            return self.name
        if self.where is not None:
            return self.where
        known = [f"{key}={text}" if key == "axis" else text for key, text in self.about]
        if self.frequency_hz is not None:
            known.append(f"{self.frequency_hz:.5g}Hz")
        if self.number is not None:
            known.append(f"mode={self.number}")
        return ",".join(known) or str(self.place)


class _Absent:
    """A value that is not there at all, which is not the same as null."""

    def __repr__(self) -> str:
        return "nothing"


ABSENT = _Absent()
"""What stands on the side on which an entry is not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """One entry as it stands in both lists; ABSENT where it is in one only."""

    entry: Entry
    one: Any
    other: Any


@dataclass(frozen=True, slots=True, kw_only=True)
class _Known:
    """An entry with all that it can be paired by."""

    entry: Entry
    value: Any
    whole: str
    key: tuple[Hashable, ...]
    """Empty for what nothing but its place tells."""

    @property
    def place(self) -> int:
        """Place in its own list."""
        return self.entry.place

    @property
    def key_and_number(self) -> Hashable:
        """None where there is no mode number."""
        return None if self.entry.number is None else (self.key, self.entry.number)

    @property
    def key_alone(self) -> Hashable:
        """None where a frequency or a mode number tells more."""
        known_better = self.entry.frequency_hz is not None or self.entry.number is not None
        return None if known_better and not self.entry.name else self.key


def paired(one: Sequence[Any], other: Sequence[Any]) -> tuple[tuple[Pair, ...], bool]:
    """Both lists as pairs, in the order of the first; and whether those in both that have no name are in another order.

    >>> pairs, _ = paired([{"mode": 1, "at_hz": 10.0}, {"mode": 2, "at_hz": 70.0}], [{"mode": 1, "at_hz": 70.2}])
    >>> [str(pair.entry) for pair in pairs if pair.other is ABSENT]
    ['10Hz,mode=1']
    """
    left, right = _all_known(one), _all_known(other)
    partners = _partners(left, right)
    pairs = [
        Pair(entry=each.entry, one=each.value, other=partners[each.place].value if each.place in partners else ABSENT)
        for each in left
    ]
    taken = [partners[place].place for place in sorted(partners)]
    came = (each for each in right if each.place not in set(taken))
    pairs += [Pair(entry=each.entry, one=ABSENT, other=each.value) for each in came]
    unnamed = [place for place in taken if right[place].entry.name is None]
    return tuple(pairs), unnamed != sorted(unnamed)


def _all_known(values: Sequence[Any]) -> list[_Known]:
    return [_known(place, value) for place, value in enumerate(values)]


def _known(place: int, value: Any) -> _Known:
    whole = json.dumps(value, sort_keys=True, default=repr)
    if not isinstance(value, Mapping):
        entry = Entry(place=place, frequency_hz=_frequency(value) if isinstance(value, list) else None)
        band = ("band",) if entry.frequency_hz is not None else ()
        return _Known(entry=entry, value=value, whole=whole, key=(_alike(value),) if isinstance(value, str) else band)
    number = value.get("mode")
    entry = Entry(
        place=place,
        name=_text(value, _NAMES) or None,
        about=tuple((key, text) for key in _ABOUT if (text := _text(value, (key,)))),
        number=number if type(number) is int else None,
        frequency_hz=next((found for key in _FREQUENCIES if (found := _frequency(value.get(key)))), None),
        where=_text(value, ("where",)),
    )
    about = ("about", *entry.about, _alike(_text(value, _SAYS) or ""))
    return _Known(entry=entry, value=value, whole=whole, key=("name", entry.name) if entry.name else about)


def _text(value: Mapping[Any, Any], keys: Sequence[str]) -> str | None:
    return next((value[key] for key in keys if isinstance(value.get(key), str)), None)


def _alike(words: str) -> str:
    """Words without their numbers."""
    return _NUMBER.sub("#", words)


def _frequency(value: Any) -> float | None:
    """A frequency, or the lower one of a band; None for anything else."""
    if isinstance(value, list):
        return value[0] if len(value) == 2 and all(map(is_frequency, value)) else None
    return value if is_frequency(value) else None


def is_frequency(value: Any) -> bool:
    """Whether a value can be a frequency: a finite number above zero."""
    return isinstance(value, float | int) and not isinstance(value, bool) and 0 < value < 1e300


_Partners = dict[int, _Known]
"""Place in the first list to the entry of the second that belongs to it."""


def _partners(left: list[_Known], right: list[_Known]) -> _Partners:
    if len(left) == len(right) and not any(each.key for each in (*left, *right)):
        return dict(enumerate(right))
    found: _Partners = {}
    for way in (_equal, _nearest, _same_number, _same_key):
        taken = {each.place for each in found.values()}
        found |= way([each for each in left if each.place not in found], [e for e in right if e.place not in taken])
    return found


def _equal(left: list[_Known], right: list[_Known]) -> _Partners:
    return _in_order(left, right, lambda each: each.whole)


def _same_number(left: list[_Known], right: list[_Known]) -> _Partners:
    return _in_order(left, right, lambda each: each.key_and_number)


def _same_key(left: list[_Known], right: list[_Known]) -> _Partners:
    return _in_order(left, right, lambda each: each.key_alone)


def _in_order(left: list[_Known], right: list[_Known], by: Callable[[_Known], Hashable]) -> _Partners:
    """Entries that have the same of what ``by`` gives, first with first; where it gives None there is no partner."""
    waiting: dict[Hashable, deque[_Known]] = defaultdict(deque)
    for each in right:
        waiting[by(each)].append(each)
    waiting.pop(None, None)
    return {each.place: waiting[by(each)].popleft() for each in left if waiting[by(each)]}


def _nearest(left: list[_Known], right: list[_Known]) -> _Partners:
    """Entries of the same key within ``WINDOW`` of each other, the nearest of all first."""
    if len(left) * len(right) > _MOST_COMPARED:
        return {}
    found: _Partners = {}
    taken: set[int] = set()
    for _, place, other in sorted(_within_window(left, right), key=lambda near: (*near[:2], near[2].place)):
        if place not in found and other.place not in taken:
            found[place] = other
            taken.add(other.place)
    return found


def _within_window(left: list[_Known], right: list[_Known]) -> Iterator[tuple[float, int, _Known]]:
    """How far apart two entries are, |ln| of the ratio of their frequencies."""
    for one in left:
        for other in right:
            if one.key == other.key and one.entry.frequency_hz and other.entry.frequency_hz:
                apart = abs(math.log(one.entry.frequency_hz) - math.log(other.entry.frequency_hz))
                if apart <= WINDOW:
                    yield apart, one.place, other
