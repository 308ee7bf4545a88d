"""What the dates of a job say about one another: the report against the test, before against after, calibration.

Compared are dates of the job with each other, never with the machine's clock, so that the same inputs say the same;
``dates_to_come`` is what ``check`` asks besides, on the day it is run.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, TypeVar

from reportgen.read.job.job_values import Refused, day_of, moment_of
from reportgen.records.asked_runs import TESTS
from reportgen.records.finding import Finding, error, warning
from reportgen.records.job import Job
from reportgen.records.message import Place, message

At = Callable[..., Place]
"""Place of a key in the job file."""
_Value = TypeVar("_Value")
_ISO_DAY = re.compile(r"\b\d{4}-\d{2}-\d{2}\b")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Run:
    """A run with the moment it began."""

    index: int
    id: str
    kind: str
    axis: str | None
    specimen: str | None
    log: str
    started: datetime


def date_findings(raw: dict[str, Any], at: At) -> tuple[Finding, ...]:
    """Findings about the dates of a job file; values that are no dates are told where they are read."""
    runs = list(_runs(raw))
    issued = _day(raw.get("report"), "date")
    found = [*_pairs(raw, runs, at), *_same_moment(runs, at), *_calibrated(raw, runs, issued, at)]
    found += [*_received(raw, runs, at)]
    if issued is not None:
        found += [*_issued(issued, runs, at), *_inspected(raw, issued, at)]
    return tuple(found)


def dates_to_come(job: Job, today: date) -> tuple[Finding, ...]:
    """Warnings about runs, and a report, of days that have not come on the day of a check."""
    found = [
        warning(run.where, message("date.run-to-come", run=run.id, started=run.started.date(), today=today))
        for run in job.runs
        if run.started is not None and run.started.date() > today
    ]
    found += [
        warning(
            each.where,
            message("date.calibration-to-come", instrument=each.id, calibrated=each.calibrated, today=today),
        )
        for each in job.instruments
        if each.calibrated is not None and each.calibrated > today
    ]
    if job.report.date > today:
        found.append(warning(job.report.where, message("date.report-to-come", date=job.report.date, today=today)))
    return tuple(found)


def _tables(raw: dict[str, Any], name: str) -> list[tuple[int, dict[str, Any]]]:
    value = raw.get(name)
    return [(i, t) for i, t in enumerate(value) if isinstance(t, dict)] if isinstance(value, list) else []


def _read(table: object, key: str, reader: Callable[[object], _Value]) -> _Value | None:
    value = table.get(key) if isinstance(table, dict) else None
    if value is None:
        return None
    with contextlib.suppress(Refused):
        return reader(value)
    return None


def _day(table: object, key: str) -> date | None:
    return _read(table, key, day_of)


def _runs(raw: dict[str, Any]) -> Iterator[_Run]:
    for index, table in _tables(raw, "run"):
        started = started_of(table)
        if started is not None:
            axis = table.get("axis")
            yield _Run(index=index, id=str(table.get("id", index + 1)).strip(), kind=str(table.get("kind", "")),
                       axis=axis if isinstance(axis, str) else None, specimen=_specimen_id(table.get("specimen")),
                       log=str(table.get("log")), started=started)  # fmt: skip


def _specimen_id(value: object) -> str | None:
    return value.strip() if isinstance(value, str) else None


def started_of(table: dict[str, Any]) -> datetime | None:
    """When a run as written in the job began; None where that is not told, or is no moment."""
    return _read(table, "started", moment_of)


def _issued(issued: date, runs: list[_Run], at: At) -> Iterator[Finding]:
    """A report cannot be older than its test."""
    for run in runs:
        if run.started.date() > issued:
            said = message("date.run-after-report", run=run.id, started=run.started.date(), issued=issued)
            yield error(at("run", run.index, "started"), said)


def _pairs(raw: dict[str, Any], runs: list[_Run], at: At) -> Iterator[Finding]:
    """Before and after of the requirements, in the order they were run, with the test in between."""
    by_id = {run.id: run for run in runs}
    for index, table in _tables(raw, "requirement"):
        own = str(table.get("id", index + 1))
        before, after = (by_id.get(str(table.get(key, "")).strip()) for key in ("before", "after"))
        if before is None or after is None or before is after or before.specimen != after.specimen:
            continue  # what is compared between specimens may have been run in any order
        place = at("requirement", index, "after")
        if after.started <= before.started:
            said = message("date.after-before-before", requirement=own, after=after.id, after_at=after.started,
                           before=before.id, before_at=before.started)  # fmt: skip
            yield error(place, said)
        elif not _has_test_between(before, after, runs):
            said = message("date.no-test-between", requirement=own, before=before.id, before_at=before.started,
                           after=after.id, after_at=after.started)  # fmt: skip
            yield warning(place, said)


def _has_test_between(before: _Run, after: _Run, runs: list[_Run]) -> bool:
    """Whether a test lies between two runs; also where they are tests themselves, or the job dates none."""
    own = [run for run in runs if run.specimen == before.specimen]
    tests = [run for run in own if run.kind in TESTS and run.axis in (None, before.axis, after.axis)]
    if not tests or before in tests or after in tests:
        return True
    return any(before.started < run.started < after.started for run in tests)


def _same_moment(runs: list[_Run], at: At) -> Iterator[Finding]:
    first: dict[datetime, _Run] = {}
    for run in runs:
        other = first.setdefault(run.started, run)
        dated_only = (run.started.hour, run.started.minute, run.started.second) == (0, 0, 0)
        if other is not run and other.log != run.log and not dated_only:
            said = message("date.same-moment", run=run.id, started=run.started, other=other.id)
            yield warning(at("run", run.index, "started"), said)


def _calibrated(raw: dict[str, Any], runs: list[_Run], issued: date | None, at: At) -> Iterator[Finding]:
    """Calibrations that lie after the test or the report."""
    first = min(runs, key=lambda run: run.started, default=None)
    for index, table in _tables(raw, "instrument"):
        calibrated = _day(table, "calibrated")
        if calibrated is None:
            continue
        place, own = at("instrument", index, "calibrated"), str(table.get("id", index + 1))
        if issued is not None and calibrated > issued:
            said = message("date.calibrated-after-report", instrument=own, calibrated=calibrated, issued=issued)
            yield warning(place, said)
        elif first is not None and calibrated > first.started.date():
            day = first.started.date()
            said = message("date.calibrated-after-run", instrument=own, calibrated=calibrated, run=first.id, day=day)
            yield warning(place, said)


def _received(raw: dict[str, Any], runs: list[_Run], at: At) -> Iterator[Finding]:
    specimen = raw.get("specimen")  # the first of several; specimen_findings tells the others
    received = _day(specimen, "received")
    first = _specimen_id(specimen.get("id")) if isinstance(specimen, dict) else None
    own = [run for run in runs if run.specimen in (None, first)]
    early = [run for run in own if received is not None and run.started.date() < received]
    if early:
        day = early[0].started.date()
        said = message("date.received-after-run", received=received, run=early[0].id, day=day)
        yield warning(at("specimen", "received"), said)


def _inspected(raw: dict[str, Any], issued: date, at: At) -> Iterator[Finding]:
    """Inspections whose ``when`` names a day after the report's."""
    for index, table in _tables(raw, "inspection"):
        days = [_day({"day": each}, "day") for each in _ISO_DAY.findall(str(table.get("when", "")))]
        late = [day for day in days if day is not None and day > issued]
        if late:
            said = message("date.inspected-after-report", number=index + 1, day=late[0], issued=issued)
            yield warning(at("inspection", index, "when"), said)
