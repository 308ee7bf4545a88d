"""Logs read and runs computed, kept by what they depend on: a decision makes neither anew unless it bears on them."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, is_dataclass, replace
from datetime import date

from reportgen.processes import compute_runs
from reportgen.progress import Say
from reportgen.read.input_files import stamp_of
from reportgen.read.run_log import read_run
from reportgen.records.finding import Finding
from reportgen.records.job import Job, ReportIdentity, RunPlan
from reportgen.records.log import Log
from reportgen.records.message import Place
from reportgen.records.result import RunResult

_NO_REPORT = ReportIdentity(number="", title="", date=date.min)


def bearing_on(job: Job, run: RunPlan) -> Job:
    """The job as far as the log of a run is read and computed by it: entries that judge what was found are left out."""
    return replace(
        job,
        report=_NO_REPORT,
        runs=(run,),
        corrections=job.asked_on(run.id),
        exclusions=job.excluded_on(run.id),
        annotations=(),
        deviations=(),
        requirements=(),
        inspections=(),
        steps=(),
        persons=(),
        photos=(),
        attachments=(),
        reference=None,
    )


def digest_of(value: object) -> str:
    """Digest of a record by all that it says; the places where it says so are left out.

    >>> digest_of(Place("job.toml", 3)) == digest_of(Place("job.toml", 9))
    True
    """
    return hashlib.sha256(repr(_plain(value)).encode("utf-8", "backslashreplace")).hexdigest()


def _plain(value: object) -> object:
    if isinstance(value, Place):
        return None
    if is_dataclass(value):
        return (type(value).__name__, *(_plain(getattr(value, each.name)) for each in fields(value)))
    if isinstance(value, tuple | list):
        return tuple(map(_plain, value))
    if isinstance(value, Mapping):
        return tuple((key, _plain(each)) for key, each in value.items())
    return value


@dataclass(slots=True)
class _Read:
    key: tuple[object, ...]
    places: str
    log: Log | None
    findings: tuple[Finding, ...]


def _of_job(job: Job, kept: _Read) -> bool:
    """Whether something was said that stands at a line of the job file: lines move when entries come and go."""
    return any(each.where.path == job.file.name for each in kept.findings)


class Kept:
    """What was read and computed last, run by run."""

    def __init__(self) -> None:
        self._read: dict[str, _Read] = {}
        self._computed: dict[str, tuple[tuple[object, ...], RunResult]] = {}
        self.computed: tuple[str, ...] = ()
        """Ids of the runs that were computed the last time."""

    def read_log(self, job: Job, run: RunPlan) -> tuple[Log | None, tuple[Finding, ...]]:
        """The log of a run, read anew where its files, or what the job says of it, have changed."""
        key, places = _key(job, run), repr(run)
        kept = self._read.get(run.id)
        if kept is not None and kept.key == key and (kept.places == places or not _of_job(job, kept)):
            return kept.log, kept.findings
        log, findings = read_run(job, run)
        self._read[run.id] = _Read(key, places, log, findings)
        return log, findings

    def compute(
        self, job: Job, logs: Mapping[str, Log], progress: Say, cores: int, meanwhile: Callable[[], object] | None
    ) -> tuple[RunResult, ...]:
        """Every run in the order of the job; only those are computed that depend on what has changed."""
        keys = {run.id: _key(job, run) for run in job.runs}
        fresh = {id_ for id_, key in keys.items() if self._computed.get(id_, (None,))[0] != key}
        part = replace(job, runs=tuple(run for run in job.runs if run.id in fresh))
        results = compute_runs(part, logs, progress, cores, meanwhile) if fresh else ()
        kept = {id_: pair for id_, pair in self._computed.items() if id_ in keys}
        self._computed = kept | {each.id: (keys[each.id], each) for each in results}
        self.computed = tuple(run.id for run in part.runs)
        return tuple(self._computed[run.id][1] for run in job.runs)


def _key(job: Job, run: RunPlan) -> tuple[object, ...]:
    """All that the log of a run and its results depend on."""
    return (digest_of(bearing_on(job, run)), tuple(stamp_of(job.folder / each) for each in run.logs))
