"""Tables of the job file become the records that describe them; every fault is told where it stands."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import date, datetime
from enum import StrEnum
from functools import partial
from pathlib import Path
from typing import Any, Literal, TypeVar, get_args, get_origin

from reportgen.read.job.job_schema import ARRAYS, EXAMPLES, KEYS, PLACES, TABLES, JobKey
from reportgen.read.job.job_values import (
    NotOneOf,
    Refused,
    band_of,
    breakpoints_of,
    check_of,
    clause_of,
    condition_of,
    confidence_of,
    day_of,
    detector_of,
    limit_of,
    moment_of,
    one_of,
    outputs_of,
    path_of,
    percentage,
    position_of,
    positive,
    ratio_bands_of,
    revision_of,
    shown,
    small_share,
    sweep_cycles_of,
    sweep_rate_of,
    text_of,
    tolerance_of,
    tracking_filter_of,
    truth_of,
    when_of,
    whole_number,
)
from reportgen.read.job.nearest import near_or, nearest
from reportgen.read.job.short_forms import SHORT_FORMS
from reportgen.read.job.toml_lines import KeyPath
from reportgen.records.check import Check
from reportgen.records.finding import Finding, error
from reportgen.records.job import (
    Breakpoint,
    Photo,
    RatioBand,
    Requirement,
    RunPlan,
    SweepRate,
    ToleranceBand,
    TrackingFilter,
)
from reportgen.records.job_key import Form, Written
from reportgen.records.message import Message, Place, message
from reportgen.units import Detector

Record = TypeVar("Record")
Reader = Callable[[object], object]
"""Makes a value of what the file has; raises ``Refused`` or ``NotOneOf``."""

_BY_TYPE: dict[Any, Reader] = {
    str: text_of,
    Path: path_of,
    bool: truth_of,
    int: whole_number,
    date: day_of,
    datetime: moment_of,
    Detector: detector_of,
    SweepRate: sweep_rate_of,
    TrackingFilter: tracking_filter_of,
    tuple[float, float]: band_of,
    tuple[Breakpoint, ...]: breakpoints_of,
    tuple[ToleranceBand, ...]: tolerance_of,
    tuple[RatioBand, ...]: ratio_bands_of,
}
"""How a value becomes one of a type."""

_BY_FORM: dict[Form, Callable[[object, Written], object]] = {
    Form.QUANTITY: lambda value, written: positive(value, written.dimensions, written.sample),
    Form.HERTZ: lambda value, written: positive(value, ("frequency",), written.sample).si,
    Form.PERCENTAGE: lambda value, written: percentage(value, written.sample),
    Form.SMALL_SHARE: lambda value, _: small_share(value),
    Form.POSITION: lambda value, _: position_of(value),
    Form.CONDITION: lambda value, written: condition_of(value, written.sample),
    Form.COVERAGE: lambda value, _: confidence_of(value),
    Form.SWEEP_CYCLES: lambda value, _: sweep_cycles_of(value),
    Form.REVISION: lambda value, _: revision_of(value),
    Form.CLAUSE: lambda value, _: clause_of(value),
    Form.OUTPUTS: lambda value, _: outputs_of(value),
    Form.WHEN: lambda value, _: when_of(value),
}
"""How a value becomes one where its type has several ways."""


def _run(run: RunPlan) -> RunPlan:
    """A run with the logs of its parts, whose filter carries its tolerance."""
    run = replace(run, log=run.named_logs[0], further_logs=run.named_logs[1:])
    own, tolerance = run.tracking_filter, run.tracking_filter_tolerance
    if own is None or tolerance is None:
        return run
    return replace(run, tracking_filter=replace(own, tolerance=tolerance.si))


def _requirement(asked: Requirement) -> Requirement:
    """A requirement about the one run it names, or about several."""
    names = asked.named_runs
    return replace(asked, run=names[0] if len(names) == 1 else None, runs=names if len(names) > 1 else ())


def _photo(photo: Photo) -> Photo:
    """A photo with a caption."""
    return replace(photo, caption=photo.caption or photo.file.stem)


_WHOLE: dict[type, Callable[[Any], Any]] = {RunPlan: _run, Photo: _photo, Requirement: _requirement}
"""What of a record follows from several of its keys."""


class JobTables:
    """Makes records of the bare tables of one job file, and gathers what is wrong with them."""

    def __init__(self, at: Callable[[KeyPath], Place], checks: tuple[Check, ...]) -> None:
        self._at = at
        self._checks = checks
        self.findings: list[Finding] = []

    def record(self, kind: type[Record], raw: object, path: KeyPath = (), **given: object) -> Record | None:
        """The record of a table at ``path``, with fields ``given`` that are no keys; None, and findings, on a fault."""
        if not isinstance(raw, dict):
            self._fault(path, _no_table(path, raw))
            return None
        before, keys = len(self.findings), KEYS[kind]
        known = {key.name for key in keys}
        unknown = [name for name in raw if name not in known]
        misspelt = {nearest(name, known) for name in unknown}  # told once, as what was written
        told = (key for key in keys if key.name in raw or (key.needed and key.name not in misspelt))
        values = {key.field: self._value(key, raw, (*path, key.name)) for key in told}
        for name in unknown:
            self._fault((*path, name), _unknown(path, name))
        if len(self.findings) > before:
            return None
        values |= {field: self._at((*path, key) if key else path) for field, key in PLACES[kind]}
        made = kind(**values, **given)
        return _WHOLE[kind](made) if kind in _WHOLE else made

    def _fault(self, path: KeyPath, what: Message) -> None:
        self.findings.append(error(self._at(path), what))

    def _value(self, key: JobKey, table: dict[str, Any], path: KeyPath) -> object:
        """Value of a key that the table has, or needs."""
        if key.name not in table:
            self._fault(path, _missing(path[:-1], key.name))
            return None
        raw = table[key.name]
        if key.is_array:
            return self._records(key, raw, path)
        if key.table is not None:
            return self.record(key.table, raw, path)
        if key.some and raw == []:
            self._fault(path, _refused(path, message("value.no-name")))
            return None
        if key.written is not None:
            return self._written(key.written, table, path)
        return self._typed(key.type, raw, path)

    def _records(self, key: JobKey, raw: object, path: KeyPath) -> object:
        assert key.table is not None
        if not isinstance(raw, list):
            self._fault(path, _no_list(path, raw))
            return None
        if key.needed and not raw:
            self._fault(path, message("job.no-run"))
        return tuple(self.record(key.table, each, (*path, i)) for i, each in enumerate(raw))

    def _written(self, written: Written, table: dict[str, Any], path: KeyPath) -> object:
        """Value of a key that is written in a form of its own."""
        raw = table[str(path[-1])]
        if written.form is Form.CHECK:
            return self._taken(partial(check_of, self._checks), raw, path)
        if written.form is not Form.LIMIT:
            return self._taken(lambda value: _BY_FORM[written.form](value, written), raw, path)
        # Where the check itself is not known, what its limit measures is not known either.
        check = next((each for each in self._checks if each.name == table.get("check")), None)
        return None if check is None else self._taken(partial(limit_of, check), raw, path)

    def _typed(self, kind: Any, raw: object, path: KeyPath) -> object:
        """Value of a key that is written as its type says."""
        if kind in _BY_TYPE:
            return self._taken(_BY_TYPE[kind], raw, path)
        if kind == tuple[tuple[str, str], ...]:
            return self._pairs(raw, path)
        if get_origin(kind) is tuple:
            return self._list(_BY_TYPE[get_args(kind)[0]], raw, path)
        if get_origin(kind) is Literal:
            return self._taken(partial(one_of, get_args(kind)), raw, path)
        assert issubclass(kind, StrEnum)
        return self._taken(lambda value: kind(one_of(tuple(map(str, kind)), value)), raw, path)

    def _list(self, reader: Reader, raw: object, path: KeyPath) -> object:
        """Several values; one alone may stand without brackets."""
        raw = [raw] if isinstance(raw, str) else raw
        if not isinstance(raw, list):
            self._fault(path, _no_list(path, raw))
            return None
        return tuple(self._taken(reader, each, (*path, i)) for i, each in enumerate(raw))

    def _pairs(self, raw: object, path: KeyPath) -> object:
        """Names with what stands for each."""
        if not isinstance(raw, dict):
            self._fault(path, _no_table(path, raw))
            return None
        pairs = {self._taken(text_of, key, (*path, key)): self._taken(text_of, raw[key], (*path, key)) for key in raw}
        return tuple(pairs.items())

    def _taken(self, reader: Reader, raw: object, path: KeyPath) -> object:
        """What ``reader`` makes of a value; None, and a finding, where it refuses."""
        try:
            return reader(raw)
        except NotOneOf as failure:
            self._fault(path, _not_known(path, raw, failure.known))
        except Refused as failure:
            self._fault(path, _refused(path, failure.what))
        return None


def once(findings: Iterable[Finding]) -> list[Finding]:
    """Findings without those that one place gives to several tables, as a default of all runs does."""
    found: dict[object, Finding] = {}
    for each in findings:
        said = tuple(value for value in each.message.values if value[0] != "table")
        found.setdefault((each.where, each.message.code, said), each)
    return list(found.values())


def _no_table(path: KeyPath, raw: object) -> Message:
    return message("job.no-table", table=_title(path[:-1]), key=str(path[-1]), found=shown(raw))


def _no_list(path: KeyPath, raw: object) -> Message:
    return message("job.no-list", table=_title(path[:-1]), key=str(path[-1]), found=shown(raw))


def _refused(path: KeyPath, what: Message) -> Message:
    if isinstance(path[-1], int):  # an entry of a list
        return message("job.entry", table=_title(path[:-2]), key=str(path[-2]), number=path[-1] + 1, what=what)
    return message("job.value", table=_title(path[:-1]), key=path[-1], what=what)


def _not_known(path: KeyPath, raw: object, known: tuple[str, ...]) -> Message:
    near = nearest(str(raw), known)
    one = message("hint.one-of", known=known)
    hint = one if near is None else message("hint.near-one-of", near=near, known=known)
    return message("job.value-not-known", table=_title(path[:-1]), key=str(path[-1]), found=shown(raw), hint=hint)


def _names(path: KeyPath) -> tuple[str, ...]:
    return tuple(part for part in path if isinstance(part, str))


def _title(path: KeyPath) -> str | Message:
    """``[[run]] 2`` or ``[specimen.beam]`` of the table that holds a key."""
    names = _names(path)
    if not names:
        return message("job.file")
    if names[0] in ARRAYS:
        index = next((part for part in path if isinstance(part, int)), 0)
        rest = "".join(f", {part}" for part in names[1:])
        return f"[[{names[0]}]] {index + 1}{rest}"
    return f"[{'.'.join(names)}]"


def _missing(table: KeyPath, key: str) -> Message:
    if not table:
        sample, example = next(iter(EXAMPLES[key].items()))
        return message("job.table-missing", table=key, key=sample, example=example)
    return message("job.key-missing", table=_title(table), key=key, example=EXAMPLES[".".join(_names(table))][key])


def _unknown(table: KeyPath, key: str) -> Message:
    names = _names(table)
    known = (*_key_names(names), *(() if names else SHORT_FORMS))
    homes = tuple(f"[{'.'.join(path)}]" for path in TABLES if path and path != names and key in _key_names(path))
    otherwise = message("hint.belongs-in", homes=homes) if homes else message("hint.known", known=known)
    hint = near_or(key, known, otherwise, 0.8 if homes else 0.55)
    if not names:
        return message("job.table-not-known", table=key, hint=hint)
    return message("job.key-not-known", table=_title(table), key=key, hint=hint)


def _key_names(path: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(key.name for key in KEYS[TABLES[path]])
