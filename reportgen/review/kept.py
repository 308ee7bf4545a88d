"""Logs read and runs computed, kept by what they depend on: a decision makes neither anew unless it bears on them."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass, replace
from datetime import date
from pathlib import Path

from reportgen.compute.run import IdentifiedRun, compute_run, identify_run
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
        file=Path(),  # a job that is proved is read under another name
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


Key = tuple[object, ...]
"""Says all that a log or the results of a run depend on."""
MOST_KEPT = 6
"""Results of one run that are kept: with and without decisions, and a few steps back."""


@dataclass(slots=True)
class _Read:
    key: Key
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
        self._computed: dict[Key, RunResult] = {}
        self._identified: dict[Key, IdentifiedRun] = {}
        self.computed: tuple[str, ...] = ()
        """Ids of the runs that were computed the last time."""

    def read_log(self, job: Job, run: RunPlan) -> tuple[Log | None, tuple[Finding, ...]]:
        """The log of a run, read anew where its files, or what the job says of it, have changed."""
        key, places = (digest_of(bearing_on(job.undecided, run)), _stamps(job, run)), repr(run)
        kept = self._read.get(run.id)
        if kept is not None and kept.key == key and (kept.places == places or not _of_job(job, kept)):
            return kept.log, kept.findings
        log, findings = read_run(job, run)
        self._read[run.id] = _Read(key, places, log, findings)
        return log, findings

    def compute(self, job: Job, logs: Mapping[str, Log], progress: Say, cores: int) -> tuple[RunResult, ...]:
        """Every run in the order of the job; only those are computed that depend on what has changed."""
        keys = {run.id: self._key(job, run) for run in job.runs}
        fresh = [run for run in job.runs if keys[run.id] not in self._computed]
        whole = [run for run in fresh if not self._known_without_decisions(job, run) or logs.get(run.id) is None]
        results = compute_runs(replace(job, runs=tuple(whole)), logs, progress, cores) if whole else ()
        for run in fresh:
            if run not in whole:
                bare = self._computed[self._key(job.undecided, run)]
                kept = self._identified.get(self.as_identified(job, run))
                results += (compute_run(job, run, logs[run.id], progress, workers=cores, undecided=bare, kept=kept),)
        for each in results:
            plan = next(run for run in fresh if run.id == each.id)
            self._keep(self._key(job.undecided, plan), each.undecided or each)
            self._keep(keys[each.id], each)
        self.computed = tuple(run.id for run in fresh)
        return tuple(self._computed[keys[run.id]] for run in job.runs)

    def identified(self, job: Job, run: RunPlan, log: Log, progress: Say, cores: int) -> IdentifiedRun:
        """A run with its identification at hand, so that a resonance asked for takes no search. Raises ComputeError."""
        if not self.is_identified(job, run):
            self.keep_identified(self.as_identified(job, run), identify_run(job, run, log, progress, workers=cores))
        return self._identified[self.as_identified(job, run)]

    def is_identified(self, job: Job, run: RunPlan) -> bool:
        """Whether ``identified`` has nothing to compute."""
        return self.as_identified(job, run) in self._identified

    def keep_identified(self, key: Key, done: IdentifiedRun) -> None:
        """Keep what was identified, the latest of each run."""
        others = {each: kept for each, kept in self._identified.items() if kept.run.id != done.run.id}
        self._identified = {**others, key: done}

    def _known_without_decisions(self, job: Job, run: RunPlan) -> bool:
        """Whether decisions bear on how a run is computed, and what it is without them is at hand."""
        return bool(job.excluded_on(run.id) or job.asked_on(run.id)) and self._key(job.undecided, run) in self._computed

    def _keep(self, key: Key, result: RunResult) -> None:
        """Keep a result; of one run no more than the latest few, so that what is taken back is at hand."""
        self._computed.pop(key, None)
        self._computed[key] = result
        same = [each for each, kept in self._computed.items() if kept.id == result.id]
        for each in same[:-MOST_KEPT]:
            del self._computed[each]

    def as_identified(self, job: Job, run: RunPlan) -> Key:
        """All that the identification of a run depends on: what is asked for in it comes on top."""
        return self._key(replace(job, corrections=()), run)

    def _key(self, job: Job, run: RunPlan) -> Key:
        """All that the results of a run depend on; of its files the state in which they were read."""
        read = self._read.get(run.id)
        return (digest_of(bearing_on(job, run)), None if read is None else read.key[1])


def _stamps(job: Job, run: RunPlan) -> Key:
    return tuple(stamp_of(job.folder / each) for each in run.logs)
