"""What of the quality of the data is a finding: a channel, or a run, that is left out of every verdict."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from reportgen.records.finding import Finding, warning
from reportgen.records.job import Job
from reportgen.records.message import Place, message
from reportgen.records.result import IssueKind, RunResult

_TOLD = (IssueKind.HOLE, IssueKind.RESUMED, IssueKind.CLOCK)
"""Kinds that concern a whole run and have to be known though they spoil no channel."""


def quality_findings(job: Job, runs: Sequence[RunResult]) -> tuple[Finding, ...]:
    """One warning for every channel or run that carries no evidence, at the log it is in."""
    return tuple(each for run in runs for each in _of_run(job, run))


def _of_run(job: Job, run: RunResult) -> Iterator[Finding]:
    plan = job.run(run.id)
    where = Place(plan.log.as_posix(), 1) if plan is not None else Place("job.toml")
    for issue in run.quality:
        if issue.spoils and issue.channel is not None:
            left_out = message("quality.left-out", channel=issue.channel, run=run.id, why=issue.message)
            yield warning(where, left_out)
        elif issue.spoils or issue.kind in _TOLD:
            yield warning(where, message("quality.of-run", run=run.id, what=issue.message))
