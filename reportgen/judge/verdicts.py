"""Every requirement gets a verdict; none is skipped."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from reportgen.judge.by_decision import rests_on_asked
from reportgen.judge.case import Case
from reportgen.judge.checks import CHECKS
from reportgen.judge.excluded_bands import weigh_excluded_bands
from reportgen.judge.left_out import left_out
from reportgen.judge.several_runs import joined
from reportgen.records.asked_runs import AskedRuns, asked_runs, axes_asked
from reportgen.records.check import Check, JobEvidence, check_named
from reportgen.records.job import Job, Requirement
from reportgen.records.message import Message, message
from reportgen.records.note import Note
from reportgen.records.report import ReferenceResult, RunShift
from reportgen.records.result import Mode, RunResult
from reportgen.records.verdict import Verdict

MakeCase = Callable[[Requirement], Case]


def judge(
    job: Job,
    runs: Sequence[RunResult],
    modes: Sequence[Mode],
    shifts: Sequence[RunShift],
    notes: Sequence[Note] = (),
    reference: ReferenceResult | None = None,
) -> tuple[Verdict, ...]:
    """One verdict a requirement, in the order of the job; what cannot be judged is "not evaluated" with the reason.

    Values are compared unrounded. The decision rule and the confidence are the report's. Runs that do not count, and
    what they show, decide nothing.
    """
    by_id = {run.id: run for run in runs if job.counts(run.id)}

    def case(requirement: Requirement) -> Case:
        return Case(
            job=job,
            requirement=requirement,
            runs=by_id,
            modes=tuple(modes),
            shifts=tuple(shifts),
            notes=tuple(notes),
            reference=reference,
        )

    return tuple(_judge_one(case, job, requirement) for requirement in job.requirements)


def _judge_one(case: MakeCase, job: Job, asked: Requirement) -> Verdict:
    check = check_named(CHECKS, asked.check)
    if check is None:
        known = tuple(each.name for each in CHECKS)
        return _not_evaluated(case, asked, message("judge.no-such-check", check=asked.check, known=known))
    found = _runs_of(job, asked, check)
    parts = [_judged(case(part), check) for part in found.parts]
    parts += [_not_evaluated(case, replace(asked, run=each.run.id, runs=()), left_out(each.run, too_late=each.too_late))
              for each in found.without_evidence]  # fmt: skip
    parts += [_not_evaluated(case, replace(asked, axis=each.axis), each.said, *map(left_out, each.left_out))
              for each in found.missing]  # fmt: skip
    if not parts:
        parts = [_not_evaluated(case, asked, message("judge.no-run-of-that-kind"))]
    remarks = [left_out(each.run, each.stand_in) for each in found.left_out if each.stand_in is not None]
    return replace(joined(_in_order(job, parts), remarks), proved_by=check.proved_by)


def _runs_of(job: Job, asked: Requirement, check: Check) -> AskedRuns:
    """The parts of a requirement; a check that asks for no run, or for an axis as a whole, is its own only part."""
    whole = check.whole_axis and asked.axis is not None and not (asked.run or asked.runs or asked.kind)
    by_run = bool(check.run_kinds) or check.judged_by is JobEvidence.INSTRUMENTS
    if whole:
        axes = axes_asked(job, asked)
        return AskedRuns(parts=tuple(replace(asked, axis=axis) for axis in axes) or (asked,))
    return asked_runs(job, asked, check.run_kinds) if by_run else AskedRuns(parts=(asked,))


def _judged(case: Case, check: Check) -> Verdict:
    check.function(case)
    weigh_excluded_bands(case, check)
    rests_on_asked(case)
    return replace(case.verdict(), proved_by=check.proved_by)


def _not_evaluated(case: MakeCase, asked: Requirement, *why: Message) -> Verdict:
    empty = case(asked)
    for each in why:
        empty.gap(each)
    return empty.verdict()


def _in_order(job: Job, parts: Sequence[Verdict]) -> list[Verdict]:
    """Parts in the order of the job's runs; what is about none comes last."""
    places = {run.id: place for place, run in enumerate(job.runs)}
    return sorted(parts, key=lambda each: places.get(each.after or each.run or "", len(places)))
