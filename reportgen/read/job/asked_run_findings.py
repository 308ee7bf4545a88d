"""Requirements over several runs, held against the runs there are: lists, axes, kinds, surveys before and after."""

from __future__ import annotations

from collections.abc import Iterator

from reportgen.records.asked_runs import AskedRuns, asked_runs, chosen_runs
from reportgen.records.check import Check, JobEvidence, check_named
from reportgen.records.finding import Finding, error, warning
from reportgen.records.job import Job, Requirement, RunStatus
from reportgen.records.message import message


def asked_run_findings(job: Job, checks: tuple[Check, ...]) -> Iterator[Finding]:
    """Errors for keys that contradict each other, warnings for what is sure not to be evaluated."""
    for asked in job.requirements:
        check = check_named(checks, asked.check)
        if check is None:
            continue
        contradictions = tuple(_contradictions(asked, check))
        yield from contradictions or _unanswered(job, asked, check)


def _contradictions(asked: Requirement, check: Check) -> Iterator[Finding]:
    compares = any("before" in group for group in check.needs)
    by_run = bool(check.run_kinds) or check.judged_by is JobEvidence.INSTRUMENTS
    if asked.surveys is not None and not compares:
        yield error(asked.where, message("asked.surveys-not-compared", requirement=asked.id, check=check.name))
    if asked.surveys is not None and (asked.before is not None or asked.after is not None):
        yield error(asked.where, message("asked.surveys-and-pair", requirement=asked.id))
    if compares and (asked.runs or asked.run is not None or asked.kind is not None):
        key = "kind" if asked.kind is not None else "run"
        yield error(asked.where, message("asked.pair-wanted", requirement=asked.id, check=check.name, key=key))
    elif asked.kind is not None and not by_run:
        yield error(asked.where, message("asked.kind-not-used", requirement=asked.id, check=check.name))
    elif asked.kind is not None and check.run_kinds and asked.kind not in check.run_kinds:
        kinds = tuple(map(str, check.run_kinds))
        said = message("asked.unfit-kind", requirement=asked.id, check=check.name, kind=str(asked.kind), kinds=kinds)
        yield error(asked.where, said)
    if (asked.runs or asked.run is not None) and asked.kind is not None:
        yield error(asked.where, message("asked.run-and-kind", requirement=asked.id))
    if len(set(asked.runs)) < len(asked.runs):
        yield error(asked.where, message("asked.run-twice", requirement=asked.id))


def _unanswered(job: Job, asked: Requirement, check: Check) -> Iterator[Finding]:
    if not check.run_kinds:
        return
    found = asked_runs(job, asked, check.run_kinds)
    named = asked.run or asked.runs or asked.surveys or asked.before
    if not named and (asked.axis or asked.kind) and not chosen_runs(job, asked, check.run_kinds):
        yield warning(asked.where, message("asked.no-run", requirement=asked.id, check=check.name))
    yield from _without_evidence(asked, found)


def _without_evidence(asked: Requirement, found: AskedRuns) -> Iterator[Finding]:
    for each in found.without_evidence:
        run, status = each.run.id, RunStatus(each.run.status)
        yield warning(asked.where, message("asked.run-does-not-count", requirement=asked.id, run=run, status=status))
    for pair in found.missing:
        yield warning(asked.where, message("asked.not-evaluated", requirement=asked.id, why=pair.said))
