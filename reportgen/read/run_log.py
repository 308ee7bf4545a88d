"""The log of a run, in one file or in the parts of a run that was stopped and resumed, and of one that does not count.

What is wrong with the log of a run that does not count forbids no report: it is said, and the run shown without it.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

from reportgen.read.job.job_folder import FILE_FAULT
from reportgen.read.log import read_log
from reportgen.records.finding import Finding, Severity, error, warning
from reportgen.records.job import Job, RunKind, RunPlan
from reportgen.records.log import Log, SweepLog, TimeHistory
from reportgen.records.log_parts import joined_log, parts_fault
from reportgen.records.message import Message, Place, message

NOT_HERE = "mapping.not-here"
"""Code of the note that a log has no column for a key of the job's ``[columns]``."""


def read_run(job: Job, run: RunPlan) -> tuple[Log | None, tuple[Finding, ...]]:
    """Read the log of a run with all its parts; None where it cannot be used.

    One finding at least is then an error, where the run counts, and a warning where it does not.
    """
    log, found = _read(job, run)
    return log, found if run.counts else tuple(map(_forgiven, found))


def without_used_columns(job: Job, read: Collection[str], findings: Sequence[Finding]) -> list[Finding]:
    """Findings without the notes that a log lacks a column of the job's ``[columns]`` that another log has.

    ``read`` are the ids of the runs whose logs could be read. A key that no log uses is still told, log by log.
    """
    lacking = {_key_and_log(each.message) for each in findings if each.message.code == NOT_HERE}
    used = {
        key
        for run in job.runs
        for path in run.logs
        for key in run.common_columns
        if run.id in read and (key, path.as_posix()) not in lacking
    }
    return [each for each in findings if each.message.code != NOT_HERE or _key_and_log(each.message)[0] not in used]


def _key_and_log(what: Message) -> tuple[object, object]:
    return what.value("key"), what.value("log")


def _forgiven(finding: Finding) -> Finding:
    """An error as a warning, unless the file is not there: the job itself tells that."""
    forgiven = finding.severity is Severity.ERROR and finding.message.code != FILE_FAULT
    return replace(finding, severity=Severity.WARNING) if forgiven else finding


def _read(job: Job, run: RunPlan) -> tuple[Log | None, tuple[Finding, ...]]:
    if not run.further_logs:
        return read_log(job, run)
    found: list[Finding] = []
    parts: list[Log] = []
    for path in run.logs:
        part, more = read_log(job, replace(run, log=path, further_logs=()))
        found += [each for each in more if each not in found]
        parts += [part] if part is not None else []
    if len(parts) < len(run.logs):
        return None, tuple(found)
    log, more = _joined(run, parts)
    return log, (*found, *more)


def _joined(run: RunPlan, parts: Sequence[Log]) -> tuple[Log | None, tuple[Finding, ...]]:
    rows = [each for each in parts if isinstance(each, SweepLog)]
    records = [each for each in parts if isinstance(each, TimeHistory)]
    if rows and records:
        mixed = message("parts.mixed", run=run.id, rows=rows[0].path, record=records[0].path)
        return None, (error(run.log_where, mixed),)
    return _of_rows(run, rows) if rows else _of_records(run, records)


def _of_rows(run: RunPlan, parts: Sequence[SweepLog]) -> tuple[Log | None, tuple[Finding, ...]]:
    swept = run.kind in (RunKind.SURVEY, RunKind.SWEEP)
    fault = parts_fault(parts, swept=swept)
    if fault is not None:
        place, why = fault
        return None, (_not_following(run, parts[place].path, parts[place], why),)
    log = joined_log(parts, run.log_names, pauses=swept)
    timeless = tuple(each.path for each in parts if each.time_s is None)
    if timeless and len(timeless) < len(parts):
        return log, (warning(run.log_where, message("parts.some-without-time", run=run.id, logs=timeless)),)
    return log, ()


def _not_following(run: RunPlan, name: str, part: SweepLog, why: Message) -> Finding:
    line = 1 if part.row_line is None or not len(part.row_line) else int(part.row_line[0])
    return error(Place(name, line), message("parts.not-following", run=run.id, log=name, why=why))


def _of_records(run: RunPlan, parts: Sequence[TimeHistory]) -> tuple[Log | None, tuple[Finding, ...]]:
    """Records one after another; whether they follow each other in frequency shows once they are demodulated."""
    first = parts[0]
    for each in parts[1:]:
        if (each.channels, each.dimensions) != (first.channels, first.dimensions):
            why = message("parts.channels", first=first.path, there=first.channels, here=each.channels)
            said = message("parts.not-following", run=run.id, log=each.path, why=why)
            return None, (error(Place(each.path, 1), said),)
    return replace(first, further_parts=tuple(parts[1:])), ()
