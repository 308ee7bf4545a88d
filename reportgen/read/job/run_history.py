"""What a job says of how its runs went, held against itself: status and reason, repetitions, logs in parts.

Works on the bare TOML values, as the other findings about references do.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from reportgen.read.job.job_dates import started_of
from reportgen.read.job.job_folder import slashed
from reportgen.read.job.nearest import near_or
from reportgen.records.finding import Finding, error
from reportgen.records.job import RunKind, RunStatus
from reportgen.records.message import Place, message

At = Callable[..., Place]
"""Place of a key in the job file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Run:
    """One run as written."""

    index: int
    id: str
    table: Mapping[str, Any]
    started: datetime | None

    @property
    def counts(self) -> bool:
        """Whether it has no status, or says that it is valid; a misspelt one is told where it is read."""
        return str(self.table.get("status", RunStatus.VALID)) == RunStatus.VALID

    @property
    def repeats(self) -> str | None:
        named = self.table.get("repeats")
        return named.strip() if isinstance(named, str) else None


def history_findings(raw: Mapping[str, Any], at: At) -> Iterator[Finding]:
    """Findings about status, repetitions and parts of all runs."""
    runs = {run.id: run for run in _runs(raw)}
    for run in runs.values():
        yield from _status(run, runs, at)
        yield from _parts(run, at)
        if run.repeats is not None:
            yield from _repetition(run, runs, at)
    yield from _twice_repeated(runs, at)
    yield from _axes_alike(runs, at)


def _axes_alike(runs: Mapping[str, _Run], at: At) -> Iterator[Finding]:
    """One axis written in two ways is two axes to every clause that names one."""
    first: dict[str, _Run] = {}
    for run in runs.values():
        axis = run.table.get("axis")
        if not isinstance(axis, str):
            continue
        other = first.setdefault("".join(axis.split()).casefold(), run)
        if other.table["axis"].strip() != axis.strip():
            there = other.table["axis"]
            said = message("history.axis-alike", run=run.id, axis=axis, other=other.id, there=there)
            yield error(at("run", run.index, "axis"), said)


def _runs(raw: Mapping[str, Any]) -> Iterator[_Run]:
    tables = raw.get("run")
    for index, table in enumerate(tables if isinstance(tables, list) else ()):
        if isinstance(table, dict):
            own = str(table.get("id", index + 1)).strip()
            yield _Run(index=index, id=own, table=table, started=started_of(table))


def _status(run: _Run, runs: Mapping[str, _Run], at: At) -> Iterator[Finding]:
    status, reason = run.table.get("status"), run.table.get("reason")
    if run.counts and reason is not None:
        yield error(at("run", run.index, "reason"), message("history.reason-without-status", run=run.id))
    if not run.counts and reason is None:
        yield error(at("run", run.index, "status"), message("history.no-reason", run=run.id, status=str(status)))
    if status == RunStatus.REPEATED and not any(other.repeats == run.id for other in runs.values()):
        yield error(at("run", run.index, "status"), message("history.nothing-repeats", run=run.id))


def _parts(run: _Run, at: At) -> Iterator[Finding]:
    """A list of logs: each once, of a run that can have parts."""
    logs = run.table.get("log")
    if not isinstance(logs, list) or len(logs) < 2:
        return
    place = at("run", run.index, "log")
    names = [slashed(each).as_posix() for each in logs if isinstance(each, str)]
    twice = tuple(dict.fromkeys(each for each in names if names.count(each) > 1))
    if twice:
        yield error(place, message("history.part-twice", run=run.id, log=twice[0]))
    if run.table.get("kind") == RunKind.DECAY:
        yield error(place, message("history.decay-in-parts", run=run.id))
    if "sweep" in run.table:
        yield error(at("run", run.index, "sweep"), message("history.sweep-of-parts", run=run.id))


def _repetition(run: _Run, runs: Mapping[str, _Run], at: At) -> Iterator[Finding]:
    place, named = at("run", run.index, "repeats"), run.repeats
    assert named is not None
    other = runs.get(named)
    if other is None:
        hint = near_or(named, runs, message("hint.defined", known=tuple(runs)))
        yield error(place, message("history.repeats-nothing", run=run.id, found=named, hint=hint))
    elif other is run:
        yield error(place, message("history.repeats-itself", run=run.id))
    elif _in_circle(run, runs):
        yield error(place, message("history.circle", run=run.id, other=named))
    else:
        yield from _unlike(run, other, at)


def _in_circle(run: _Run, runs: Mapping[str, _Run]) -> bool:
    seen, now = {run.id}, runs.get(run.repeats or "")
    while now is not None and now.id not in seen:
        seen.add(now.id)
        now = runs.get(now.repeats or "")
    return now is run


def _unlike(run: _Run, other: _Run, at: At) -> Iterator[Finding]:
    """What keeps a run from being the repetition of another."""
    place = at("run", run.index, "repeats")
    if other.counts:
        line = at("run", other.index).line
        yield error(place, message("history.both-count", run=run.id, other=other.id, line=line))
    for key in ("kind", "axis"):
        mine, its = run.table.get(key), other.table.get(key)
        if mine is not None and its is not None and mine != its:
            said = message("history.unlike", run=run.id, other=other.id, key=key, here=str(mine), there=str(its))
            yield error(place, said)
    timed = run.started is not None and other.started is not None
    if not timed and run.index < other.index:
        yield error(place, message("history.repeats-listed-later", run=run.id, other=other.id))
    if run.started is not None and other.started is not None and run.started <= other.started:
        said = message("history.repeats-later", run=run.id, started=run.started, other=other.id,
                       other_started=other.started)  # fmt: skip
        yield error(place, said)


def _twice_repeated(runs: Mapping[str, _Run], at: At) -> Iterator[Finding]:
    """Two valid runs in the place of one: which of them counts is not for the program to choose."""
    first: dict[str, _Run] = {}
    for run in runs.values():
        if run.repeats is None or not run.counts:
            continue
        other = first.setdefault(run.repeats, run)
        if other is not run:
            said = message("history.repeated-twice", run=run.id, other=other.id, repeated=run.repeats)
            yield error(at("run", run.index, "repeats"), said)
