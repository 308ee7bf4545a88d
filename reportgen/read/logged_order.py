"""Starts of runs as the job states them, held against the dates and times that their logs tell."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime
from itertools import combinations

from reportgen.read.job.run_names import moment_in
from reportgen.records.finding import Finding, warning
from reportgen.records.job import Job, RunPlan
from reportgen.records.log import Log
from reportgen.records.message import message


def order_findings(job: Job, logs: Mapping[str, Log]) -> Iterator[Finding]:
    """Warnings for runs along one axis whose logs tell another order than the job.

    An order is compared, and no moment by itself: the clock of a controller may be off. ``logs`` are by the id of their
    run. Which survey was made before a test hangs on that order.
    """
    told = [(run, moment) for run in job.runs if (moment := _told(logs.get(run.id))) is not None]
    for (one, own), (other, its) in combinations(told, 2):
        if one.axis == other.axis and _contradicts(one, other, own, its):
            said = message("history.order-of-logs", run=other.id, started=other.started, told=its, other=one.id,
                           other_started=one.started, other_told=own)  # fmt: skip
            yield warning(other.where, said)


def _contradicts(one: RunPlan, other: RunPlan, own: datetime, its: datetime) -> bool:
    if one.started is None or other.started is None or own == its:
        return False
    return (one.started < other.started) != (own < its)


def _told(log: Log | None) -> datetime | None:
    """The moment that the lines above a log's rows tell."""
    if log is None:
        return None
    return moment_in(str(value) for each in log.remarks for name, value in each.values if name == "text")
