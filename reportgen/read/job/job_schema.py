"""The job file's format, as the records of the job describe it: every table, its keys, how a value is written."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import MISSING, dataclass, fields, is_dataclass
from types import NoneType, UnionType
from typing import Annotated, Any, Union, get_args, get_origin, get_type_hints

from reportgen.records.job import Breakpoint, Job, RatioBand, SweepRate, ToleranceBand, TrackingFilter
from reportgen.records.job_key import Key, Written
from reportgen.records.message import Place
from reportgen.units import Quantity

READ_FROM_VALUES = (Quantity, SweepRate, Breakpoint, RatioBand, ToleranceBand, TrackingFilter)
"""Records that are no tables: one value, or a list of them, holds them whole."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JobKey:
    """One key of a table and the field of the record that it fills."""

    name: str
    field: str
    type: Any
    """Type of the field, without what is said beside it; a table is given by its own record."""
    written: Written | None
    needed: bool
    some: bool = False
    """Whether a list of values has to hold one at least."""

    @property
    def table(self) -> type | None:
        """Record of the table, or tables, that stand under the key; None where a value does."""
        return next((each for each in (self.type, *get_args(self.type)[:1]) if is_table(each)), None)

    @property
    def is_array(self) -> bool:
        """Whether there can be several such tables."""
        return self.table is not None and self.table is not self.type


def is_table(kind: Any) -> bool:
    """Whether a type is the record of a table."""
    return isinstance(kind, type) and is_dataclass(kind) and kind not in READ_FROM_VALUES


def _keys(record: type) -> Iterator[JobKey]:
    hints = get_type_hints(record, include_extras=True)
    for field in fields(record):
        kind, said = _bare(hints[field.name])
        key = next((each for each in said if isinstance(each, Key)), Key(field.name))
        if kind is Place or key.name is None:
            continue
        written = next((each for each in said if isinstance(each, Written)), None)
        needed = key.needed or (field.default is MISSING and field.default_factory is MISSING)
        yield JobKey(name=key.name, field=field.name, type=kind, written=written, needed=needed, some=key.some)


def _bare(hint: Any) -> tuple[Any, tuple[Any, ...]]:
    """A type without ``None`` and without what is said beside it, and what is said."""
    if get_origin(hint) is Annotated:
        kind, said = _bare(hint.__origin__)
        return kind, (*said, *hint.__metadata__)
    if get_origin(hint) in (Union, UnionType):
        (some,) = (each for each in get_args(hint) if each is not NoneType)
        return _bare(some)
    return hint, ()


def _places(record: type) -> Iterator[tuple[str, str | None]]:
    hints = get_type_hints(record)
    yield from ((name, name.removesuffix("where").rstrip("_") or None) for name in hints if hints[name] is Place)


def _tables(record: type, path: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], type]]:
    yield path, record
    for key in _keys(record):
        if key.table is not None:
            yield from _tables(key.table, (*path, key.name))


TABLES = dict(_tables(Job, ()))
"""Record of every table, by the table's path without indices."""

KEYS = {record: tuple(_keys(record)) for record in TABLES.values()}
"""Keys of every record's table, in the order of its fields."""

PLACES = {record: tuple(_places(record)) for record in TABLES.values()}
"""Fields of every record that hold a place, each with its key: ``log_where`` that of ``log``, ``where`` the table's."""

ARRAYS = {key.name for key in KEYS[Job] if key.is_array}
"""Tables written with two brackets."""

EXAMPLES: dict[str, dict[str, str]] = {
    "report": {
        "number": '"VTR-0147"',
        "title": '"Sine vibration qualification of a sensor boom"',
        "date": "2026-03-20",
    },
    "laboratory": {
        "name": '"Vibration laboratory"',
    },
    "customer": {
        "name": '"Customer"',
    },
    "specimen": {
        "name": '"Sensor boom"',
    },
    "specimen.beam": {
        "boundary": '"clamped-free"',
    },
    "person": {
        "role": '"Test engineer"',
        "name": '"A. Person"',
    },
    "instrument": {
        "id": '"ACC-1"',
    },
    "channel": {
        "id": '"A1"',
        "role": '"response"',
    },
    "photo": {
        "file": '"photos/setup.jpg"',
    },
    "attachment": {
        "file": '"attachments/drawing.pdf"',
        "title": '"Drawing of the fixture"',
    },
    "reference": {
        "archive": '"earlier/VTR-0146-A.zip"',
    },
    "inspection": {
        "when": '"after the sweep"',
        "what": '"visual"',
        "result": '"pass"',
    },
    "step": {
        "when": "2026-03-12T11:05:00",
        "what": '"turned to axis Y"',
    },
    "profile": {
        "id": '"QUALIFICATION"',
        "breakpoints": '[["5 Hz", "10 mm"], ["21.7 Hz", "10 mm"]]',
    },
    "profile.notch": {
        "channel": '"A1"',
        "band": '["110 Hz", "130 Hz"]',
        "limit": '"25 g"',
    },
    "run": {
        "id": '"X-PRE"',
        "kind": '"survey"',
        "log": '"logs/x_pre.csv"',
    },
    "requirement": {
        "id": '"R1"',
        "check": '"frequency shift"',
    },
    "correction": {
        "frequency": '"50 Hz"',
        "action": '"reject"',
        "reason": '"mains pick-up"',
        "by": '"Test engineer"',
    },
    "exclusion": {
        "run": '"X-PRE"',
        "band": '["110 Hz", "130 Hz"]',
        "reason": '"cable struck the fixture"',
        "by": '"Test engineer"',
    },
    "annotation": {
        "run": '"X-PRE"',
        "channel": '"A1"',
        "frequency": '"50 Hz"',
        "text": '"audible rattle of the cover"',
        "by": '"Test engineer"',
    },
}
"""What a missing key could look like, by table."""
