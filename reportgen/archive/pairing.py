"""Pairing: which entry of a list is which of another, so that one entry more or less shifts none of those behind it.

Entries that have a name of their own are paired by it. Any others are paired by what they are about, step by step,
each step among those that are still alone: equal in everything; the same frequency; the same mode number within
``WINDOW``; the nearest frequency within ``WINDOW``; the same mode number at any frequency; the same words; the same
words with other numbers in them; half of their members in common. An entry that stays alone came or went. Entries that
are about nothing of that kind, such as bare numbers, are told apart by their place.
"""

from __future__ import annotations

import json
import math
import re
from collections import defaultdict, deque
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

WINDOW = 0.05
"""Two frequencies up to 5 % apart (as ln of their ratio) can be those of one mode evaluated twice: more than another
tracking filter, model or version moves a frequency of the same log. Two modes that lie closer are still told apart,
since equal and nearer ones are paired first."""

_SAME = 1e-6
_KEYS = ("id", "requirement", "path")
"""Fields that name an entry, where every entry has one and no two the same."""
_ABOUT = ("axis", "before", "after", "survey", "sweep", "run", "channel", "kind")
"""Fields that two entries must have in common to be about the same thing."""
_FREQUENCIES = ("frequency_hz", "before_hz", "after_hz", "survey_hz", "sweep_hz", "at_hz")
_WORDS = ("message", "text", "what", "name", "file", "boundary")
_MOST_COMPARED = 40_000
_NUMBER = re.compile(r"[-+−]?\d+(?:[.,]\d+)*(?:[eE][-+]?\d+)?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """What an entry of a list is about; its place tells it apart where nothing else does."""

    place: int
    name: str | None = None
    about: tuple[str, ...] = ()
    number: int | None = None
    frequency_hz: float | None = None
    where: str | None = None

    def __str__(self) -> str:
        """As in ``resonances[at 70.3 Hz, mode 2]``."""
        if self.name is not None:
            return self.name
        if self.where is not None:
            return self.where
        known = [*self.about]
        if self.frequency_hz is not None:
            known.append(f"at {self.frequency_hz:.5g} Hz")
        if self.number is not None:
            known.append(f"mode {self.number}")
        return ", ".join(known) or str(self.place)


class _Absent:
    """A value that is not there at all, which is not the same as null."""

    def __repr__(self) -> str:
        return "nothing"


ABSENT = _Absent()


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
    words: str | None

    @property
    def alone_by_place(self) -> bool:
        """Whether nothing but its place tells what the entry is."""
        return self.entry.frequency_hz is None and self.entry.number is None and self.words is None


def paired(one: Sequence[Any], other: Sequence[Any]) -> tuple[tuple[Pair, ...], bool]:
    """Both lists as pairs, in the order of the first; and whether those in both stand in another order.

    >>> pairs, _ = paired([{"mode": 1, "at_hz": 10.0}, {"mode": 2, "at_hz": 70.0}], [{"mode": 1, "at_hz": 70.2}])
    >>> [str(pair.entry) for pair in pairs if pair.other is ABSENT]
    ['at 10 Hz, mode 1']
    """
    if (named := _by_name(one, other)) is not None:
        return named, False
    left, right = _all_known(one), _all_known(other)
    matched = _matched(left, right)
    pairs = [Pair(entry=each.entry, one=each.value, other=ABSENT) for each in left]
    for place, known in matched.items():
        pairs[place] = Pair(entry=left[place].entry, one=left[place].value, other=known.value)
    taken = [matched[place].entry.place for place in sorted(matched)]
    came = (each for each in right if each.entry.place not in set(taken))
    pairs += [Pair(entry=each.entry, one=ABSENT, other=each.value) for each in came]
    return tuple(pairs), taken != sorted(taken)


def _by_name(one: Sequence[Any], other: Sequence[Any]) -> tuple[Pair, ...] | None:
    """Pairs by the name of the entries; None where not all have one of their own."""
    for key in _KEYS:
        names = [[each.get(key) if isinstance(each, Mapping) else None for each in part] for part in (one, other)]
        if all(isinstance(name, str) for part in names for name in part) and all(
            len(set(part)) == len(part) for part in names
        ):
            left, right = dict(zip(names[0], one, strict=True)), dict(zip(names[1], other, strict=True))
            return tuple(
                Pair(entry=Entry(place=place, name=name), one=left.get(name, ABSENT), other=right.get(name, ABSENT))
                for place, name in enumerate((*left, *(name for name in right if name not in left)))
            )
    return None


def _all_known(values: Sequence[Any]) -> list[_Known]:
    return [_known(place, value) for place, value in enumerate(values)]


def _known(place: int, value: Any) -> _Known:
    whole = json.dumps(value, sort_keys=True, default=repr)
    if not isinstance(value, Mapping):
        return _Known(entry=_bare(place, value), value=value, whole=whole, words=value if _is_text(value) else None)
    about = tuple(
        f"{key} {text}" if key == "axis" else text for key in _ABOUT if _is_text(text := value.get(key)) and text
    )
    number, frequency = value.get("mode"), _first(value, _FREQUENCIES, is_frequency)
    entry = Entry(
        place=place,
        about=about,
        number=number if type(number) is int else None,
        frequency_hz=frequency,
        where=_first(value, ("where",), _is_text),
    )
    return _Known(entry=entry, value=value, whole=whole, words=_first(value, _WORDS, _is_text))


def _bare(place: int, value: Any) -> Entry:
    """An entry that is no mapping; two numbers are a band of frequencies."""
    band = isinstance(value, list) and len(value) == 2 and all(map(is_frequency, value))
    return Entry(place=place, frequency_hz=value[0] if band else None)


def _first(value: Mapping[Any, Any], keys: Iterable[str], fits: Callable[[Any], bool]) -> Any:
    return next((value[key] for key in keys if fits(value.get(key))), None)


def _is_text(value: Any) -> bool:
    return isinstance(value, str)


def is_frequency(value: Any) -> bool:
    """Whether a value can be a frequency: a finite number above zero."""
    return isinstance(value, float | int) and not isinstance(value, bool) and 0 < value < 1e300


_Step = Callable[[list[_Known], list[_Known]], Iterator[tuple[_Known, _Known]]]


def _matched(left: list[_Known], right: list[_Known]) -> dict[int, _Known]:
    """Place in the first list to the entry of the second that belongs to it."""
    if len(left) == len(right) and all(each.alone_by_place for each in (*left, *right)):
        return dict(enumerate(right))
    found: dict[int, _Known] = {}
    for step in _STEPS:
        for one, other in step(left, right):
            found[one.entry.place] = other
        taken = {each.entry.place for each in found.values()}
        left = [each for each in left if each.entry.place not in found]
        right = [each for each in right if each.entry.place not in taken]
    return found


def _by(key: Callable[[_Known], Hashable], left: list[_Known], right: list[_Known]) -> Iterator[tuple[_Known, _Known]]:
    """Entries with the same key, first with first; a key of None pairs nothing."""
    waiting: dict[Hashable, deque[_Known]] = defaultdict(deque)
    for each in right:
        waiting[key(each)].append(each)
    for each in left:
        if key(each) is not None and waiting[key(each)]:
            yield each, waiting[key(each)].popleft()


def _numbered(each: _Known) -> Hashable:
    return None if each.entry.number is None else (each.entry.about, each.entry.number)


def _worded(each: _Known) -> Hashable:
    return None if each.words is None else (each.entry.about, each.words)


def _worded_alike(each: _Known) -> Hashable:
    return None if each.words is None else (each.entry.about, _NUMBER.sub("#", each.words))


def _by_frequency(
    window: float, numbered: bool, left: list[_Known], right: list[_Known]
) -> Iterator[tuple[_Known, _Known]]:
    """Nearest frequencies first, up to ``window`` apart; ``numbered``: of the same mode number alone."""
    near: list[tuple[float, int, int, _Known, _Known]] = []
    groups: dict[Hashable, list[_Known]] = defaultdict(list)
    for each in right:
        groups[each.entry.about].append(each)
    for one in left:
        for other in groups[one.entry.about]:
            apart = _apart(one.entry, other.entry)
            if apart <= window and (not numbered or _numbered(one) == _numbered(other) is not None):
                near.append((apart, one.entry.place, other.entry.place, one, other))
    yield from _nearest_first(near)


def _apart(one: Entry, other: Entry) -> float:
    """|ln| of the ratio of two frequencies; infinite where one is not known."""
    if one.frequency_hz is None or other.frequency_hz is None:
        return math.inf
    return abs(math.log(one.frequency_hz / other.frequency_hz))


def _nearest_first(near: list[tuple[float, int, int, _Known, _Known]]) -> Iterator[tuple[_Known, _Known]]:
    left: set[int] = set()
    right: set[int] = set()
    for _, place, other_place, one, other in sorted(near, key=lambda each: each[:3]):
        if place not in left and other_place not in right:
            left.add(place)
            right.add(other_place)
            yield one, other


def _by_likeness(left: list[_Known], right: list[_Known]) -> Iterator[tuple[_Known, _Known]]:
    """Entries without a frequency that have half of their members in common, the likest first."""
    if len(left) * len(right) > _MOST_COMPARED:
        return
    near = []
    for one in left:
        for other in right:
            if one.entry.frequency_hz is None and other.entry.frequency_hz is None:
                apart = 1.0 - _likeness(one.value, other.value)
                near.append((apart, one.entry.place, other.entry.place, one, other))
    yield from _nearest_first([each for each in near if each[0] <= 0.5])


def _likeness(one: Any, other: Any) -> float:
    """Share of the members, of those that say anything, that are the same."""
    if not (isinstance(one, Mapping) and isinstance(other, Mapping)):
        return 0.0
    left, right = ({k: v for k, v in each.items() if v not in (None, "", [], {})} for each in (one, other))
    keys = left.keys() | right.keys()
    return sum(key in left and key in right and left[key] == right[key] for key in keys) / len(keys) if keys else 1.0


def _by_place(left: list[_Known], right: list[_Known]) -> Iterator[tuple[_Known, _Known]]:
    yield from zip(
        (each for each in left if each.alone_by_place), (each for each in right if each.alone_by_place), strict=False
    )


_STEPS: tuple[_Step, ...] = (
    partial(_by, lambda each: each.whole),
    partial(_by_frequency, _SAME, False),
    partial(_by_frequency, WINDOW, True),
    partial(_by_frequency, WINDOW, False),
    partial(_by, _numbered),
    partial(_by, _worded),
    partial(_by, _worded_alike),
    _by_likeness,
    _by_place,
)
