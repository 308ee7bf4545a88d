"""Runs and channels that are one measurement told twice: the same file, the same rows, a column copied into another.

Held against each other they agree to the last digit and would pass any comparison of before and after.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from reportgen.errors import UnitError
from reportgen.read.job.same_numbers import Column, are_the_same, column_of
from reportgen.read.log_columns import looks_like_control
from reportgen.records.finding import Finding, error, note, warning
from reportgen.records.job import Job, RunPlan
from reportgen.records.log import Floats, Log, SweepLog, TimeHistory, Trace
from reportgen.records.message import Message, Place, message
from reportgen.records.report import InputFile
from reportgen.units import parse_unit

_SAMPLES = 20_000
"""Samples from the middle of a record by which two records are compared."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Read:
    """One run with its columns that can be compared."""

    plan: RunPlan
    log: Log
    columns: Mapping[str, Column]
    digest: str | None


def same_runs(job: Job, logs: Mapping[str, Log], files: Sequence[InputFile]) -> tuple[Finding, ...]:
    """Errors for runs of one measurement and for columns copied, in a log and from log to log."""
    digests = {each.path: each.sha256 for each in files}
    read = [
        _Read(plan=run, log=logs[run.id], columns=_columns(logs[run.id]), digest=digests.get(run.log.as_posix()))
        for run in job.runs
        if run.id in logs
    ]
    found = [finding for run in read for finding in _within(job, run)]
    for one, other in combinations(read, 2):
        found += _between(one, other)
    return tuple(found)


def same_channels(log: Log, where: Place) -> tuple[Finding, ...]:
    """Warnings for channels of a log without a job that hold the same numbers."""
    return tuple(
        warning(where, message("same.channels-of-log", one=a, other=b))
        for a, b in _copies(_columns(log))
        if not _is_composite(a, b)
    )


def _columns(log: Log) -> dict[str, Column]:
    if isinstance(log, TimeHistory):
        return _of_record(log)
    made = {each.channel: column_of(log.frequency_hz, each.amplitude, _unit(each)) for each in log.traces}
    return {name: column for name, column in made.items() if column is not None}


def _unit(trace: Trace) -> float:
    try:
        unit = parse_unit(trace.display_unit)
    except UnitError:
        return 1.0
    return unit.factor if unit.dimension == trace.dimension else 1.0


def _of_record(log: TimeHistory) -> dict[str, Column]:
    start = max(0, (log.samples - _SAMPLES) // 2)
    samples = log.read(start, min(log.samples, start + _SAMPLES))
    rows: Floats = np.arange(len(samples), dtype=np.float64)
    units = [parse_unit(each).factor if each else 1.0 for each in log.display_units]
    made = {name: column_of(rows, samples[:, i], units[i]) for i, name in enumerate(log.channels)}
    return {name: column for name, column in made.items() if column is not None}


def _within(job: Job, run: _Read) -> Iterator[Finding]:
    """Channels of one log that hold the same numbers."""
    for a, b in _copies(run.columns):
        declared = job.channel(a) is not None and job.channel(b) is not None
        run_id, path, place = run.plan.id, run.plan.log.as_posix(), run.plan.log_where
        if _is_composite(a, b) and not declared:
            yield note(place, message("same.one-sensor", run=run_id, log=path, one=a, other=b))
        elif not _both_control(job, run.plan, a, b):
            yield error(place, message("same.channels", run=run_id, log=path, one=a, other=b))


def _copies(columns: Mapping[str, Column]) -> Iterator[tuple[str, str]]:
    for (a, one), (b, other) in combinations(columns.items(), 2):
        if are_the_same(one, other):
            yield a, b


def _is_composite(a: str, b: str) -> bool:
    """Whether one name is that of the control as a whole: Control, Regelung, Reference, and no numbered sensor's."""
    return any(looks_like_control(each) and not any(sign.isdigit() for sign in each) for each in (a, b))


def _both_control(job: Job, run: RunPlan, a: str, b: str) -> bool:
    """Whether both are controls of the run and one of them is their average, which equals a sensor that is alone."""
    control = job.control_of(run)
    return _is_composite(a, b) and a in control and b in control


def _between(one: _Read, other: _Read) -> Iterator[Finding]:
    """Two runs that are one measurement, or share the column of a channel."""
    if _named_twice(one.plan, other.plan):
        return  # said where the job file is read
    if _one_file(one, other):
        yield error(other.plan.log_where, _same_bytes(one.plan, other.plan))
        return
    if not _comparable(one, other):
        return
    one_file = one.plan.log == other.plan.log  # before and after may stand in it side by side, each with its columns
    pairs = [
        (a, b)
        for a, p in one.columns.items()
        for b, q in other.columns.items()
        if (a == b or not one_file) and are_the_same(p, q)
    ]
    if not pairs:
        return
    whole = {a for a, _ in pairs} == set(one.columns) or {b for _, b in pairs} == set(other.columns)
    named = tuple(
        message("same.named-otherwise", other=b, one=a) if a != b else message("same.named", channel=a)
        for a, b in pairs
    )
    log, first, first_run = other.plan.log.as_posix(), one.plan.log.as_posix(), one.plan.id
    if whole:
        what = message("same.rows", run=other.plan.id, log=log, first=first, first_run=first_run, channels=named)
    else:
        what = message("same.columns", run=other.plan.id, log=log, first=first, first_run=first_run, channels=named)
    yield error(other.plan.log_where, what)


def _same_bytes(one: RunPlan, other: RunPlan) -> Message:
    log, first = other.log.as_posix(), one.log.as_posix()
    return message("same.bytes", run=other.id, log=log, first=first, first_run=one.id)


def _named_twice(one: RunPlan, other: RunPlan) -> bool:
    return (one.log, one.sweep, one.columns) == (other.log, other.sweep, other.columns)


def _one_file(one: _Read, other: _Read) -> bool:
    """Whether two files of the same bytes are read for the same: of a file with several sweeps each may be a run."""
    if one.digest is None or one.digest != other.digest or one.plan.log == other.plan.log:
        return False
    same_sweep = isinstance(one.log, SweepLog) or one.plan.sweep == other.plan.sweep
    return same_sweep and _index(one.log) == _index(other.log) and one.plan.columns == other.plan.columns


def _index(log: Log) -> int:
    return log.sweep_index if isinstance(log, SweepLog) else 1


def _comparable(one: _Read, other: _Read) -> bool:
    """Rows with rows and records with records; several sweeps of one record are runs of their own."""
    if isinstance(one.log, SweepLog) and isinstance(other.log, SweepLog):
        return True
    if not (isinstance(one.log, TimeHistory) and isinstance(other.log, TimeHistory)):
        return False
    return one.plan.sweep == other.plan.sweep and one.plan.kind == other.plan.kind
