"""Every requirement gets a verdict; none is skipped."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from reportgen.judge.case import Case
from reportgen.judge.checks import CHECKS
from reportgen.records.check import check_named
from reportgen.records.job import Job
from reportgen.records.message import message
from reportgen.records.note import Note
from reportgen.records.report import RunShift
from reportgen.records.result import Mode, RunResult
from reportgen.records.verdict import Verdict


def judge(
    job: Job,
    runs: Sequence[RunResult],
    modes: Sequence[Mode],
    shifts: Sequence[RunShift],
    notes: Sequence[Note] = (),
) -> tuple[Verdict, ...]:
    """One verdict a requirement, in the order of the job; what cannot be judged is "not evaluated" with the reason.

    Values are compared unrounded. The decision rule and the confidence are the report's.
    """
    by_id = {run.id: run for run in runs}
    return tuple(
        _judge_one(
            Case(
                job=job,
                requirement=requirement,
                runs=by_id,
                modes=tuple(modes),
                shifts=tuple(shifts),
                notes=tuple(notes),
            )
        )
        for requirement in job.requirements
    )


def _judge_one(case: Case) -> Verdict:
    check = check_named(CHECKS, case.requirement.check)
    if check is None:
        known = tuple(each.name for each in CHECKS)
        case.gap(message("judge.no-such-check", check=case.requirement.check, known=known))
        return case.verdict()
    check.function(case)
    return replace(case.verdict(), proved_by=check.proved_by)
