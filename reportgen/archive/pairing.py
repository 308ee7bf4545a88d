"""Pairing: which entry of a list is which of another, so that one entry more or less shifts none of those behind it.

Entries that have a name of their own are paired by it, those that are equal with each other. Of any others the nearest
are paired first: the same frequency; within ``WINDOW`` of it, before others those of the same mode number; the same
mode number; the same words, or but for numbers in them; half of their members in common. An entry that stays alone came
or went. Entries that are about nothing of that kind, such as bare numbers, are told apart by their place.
"""

from __future__ import annotations

import json
import math
import re
from collections import defaultdict, deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

WINDOW = 0.05
"""Two frequencies up to 5 % apart (as ln of their ratio) can be those of one mode evaluated twice: more than another
tracking filter, model or version moves a frequency of the same log. Two modes that lie closer are still told apart,
since equal and nearer ones are paired first."""

_SAME = 1e-6
"""|ln| of the ratio of two frequencies that are one: far below what any log resolves."""
_HALF = 0.5
"""Share of members that differ up to which two entries may be the same one changed, such as a person renamed."""
_KEYS = ("id", "requirement", "path")
"""Fields that name an entry, where every entry has one and no two the same."""
_ABOUT = ("axis", "specimen", "before", "after", "survey", "sweep", "run", "channel", "kind")
"""Fields that two entries must have in common to be about the same thing."""
_FREQUENCIES = ("frequency_hz", "before_hz", "after_hz", "survey_hz", "sweep_hz", "at_hz")
"""Fields of which the first that is there is the frequency of an entry."""
_WORDS = ("message", "text", "what", "name", "file", "boundary")
"""Fields of which the first that is there is what an entry says."""
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


@dataclass(frozen=True, kw_only=True)
class _Known:
    """An entry with all that it can be paired by."""

    entry: Entry
    value: Any
    whole: str
    words: str | None

    @cached_property
    def words_alike(self) -> str | None:
        """The words without their numbers."""
        return None if self.words is None else _NUMBER.sub("#", self.words)

    @property
    def alone_by_place(self) -> bool:
        """Whether nothing but its place tells what the entry is."""
        return self.entry.frequency_hz is None and self.entry.number is None and self.words is None


def paired(one: Sequence[Any], other: Sequence[Any]) -> tuple[tuple[Pair, ...], bool]:
    """Both lists as pairs, in the order of the first; and whether those in both stand in another order.

    >>> pairs, _ = paired([{"mode": 1, "at_hz": 10.0}, {"mode": 2, "at_hz": 70.0}], [{"mode": 1, "at_hz": 70.2}])
    >>> [str(pair.entry) for pair in pairs if pair.other is ABSENT]
    ['10Hz,mode=1']
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
    about = tuple((key, text) for key in _ABOUT if _is_text(text := value.get(key)) and text)
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


def _matched(left: list[_Known], right: list[_Known]) -> dict[int, _Known]:
    """Place in the first list to the entry of the second that belongs to it: the nearest of all first."""
    if len(left) == len(right) and all(each.alone_by_place for each in (*left, *right)):
        return dict(enumerate(right))
    found = _equal(left, right)
    taken = {each.entry.place for each in found.values()}
    left = [each for each in left if each.entry.place not in found]
    right = [each for each in right if each.entry.place not in taken]
    for _, place, other in sorted(_near(left, right), key=lambda near: (*near[:2], near[2].entry.place)):
        if place not in found and other.entry.place not in taken:
            found[place] = other
            taken.add(other.entry.place)
    return found


def _equal(left: list[_Known], right: list[_Known]) -> dict[int, _Known]:
    """Entries that are equal in everything, first with first."""
    waiting: dict[str, deque[_Known]] = defaultdict(deque)
    for each in right:
        waiting[each.whole].append(each)
    return {each.entry.place: waiting[each.whole].popleft() for each in left if waiting[each.whole]}


_Nearness = tuple[int, float]
"""How an entry can be known again, from the surest way down, and within each way how near it is."""


def _near(left: list[_Known], right: list[_Known]) -> Iterator[tuple[_Nearness, int, _Known]]:
    """Pairs that may belong together; of lists without end only those at the same place."""
    if len(left) * len(right) > _MOST_COMPARED:
        yield from (((0, 0.0), one.entry.place, other) for one, other in zip(left, right, strict=False))
        return
    for one in left:
        for other in right:
            if (nearness := _nearness(one, other)) is not None:
                yield nearness, one.entry.place, other


def _nearness(one: _Known, other: _Known) -> _Nearness | None:
    """How near two entries are; None where they are not about the same thing."""
    if one.entry.about == other.entry.about:
        apart = _apart(one.entry, other.entry)
        same_number = one.entry.number is not None and one.entry.number == other.entry.number
        if apart <= _SAME:
            return (0, apart)
        if apart <= WINDOW:
            return (1 if same_number else 2, apart)
        if same_number:
            return (3, 0.0)
        if one.words is not None and one.words == other.words:
            return (4, 0.0)
        if one.words_alike is not None and one.words_alike == other.words_alike:
            return (5, 0.0)
    if one.entry.frequency_hz is None and other.entry.frequency_hz is None:
        unlike = 1.0 - _likeness(one.value, other.value)
        if unlike <= _HALF:
            return (6, unlike)
    return (7, 0.0) if one.alone_by_place and other.alone_by_place else None


def _apart(one: Entry, other: Entry) -> float:
    """|ln| of the ratio of two frequencies; infinite where one is not known."""
    if one.frequency_hz is None or other.frequency_hz is None:
        return math.inf
    return abs(math.log(one.frequency_hz / other.frequency_hz))


def _likeness(one: Any, other: Any) -> float:
    """Share of the members, of those that say anything, that are the same."""
    if not (isinstance(one, Mapping) and isinstance(other, Mapping)):
        return 0.0
    left, right = ({k: v for k, v in each.items() if v not in (None, "", [], {})} for each in (one, other))
    keys = left.keys() | right.keys()
    return sum(key in left and key in right and left[key] == right[key] for key in keys) / len(keys) if keys else 1.0
