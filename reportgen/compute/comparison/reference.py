"""Reference: first surveys along each axis against those of an earlier report, mode by mode."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from reportgen.compute.comparison.shift import compare_runs
from reportgen.records.asked_runs import asked_runs, in_order
from reportgen.records.job import Job, RunKind, RunPlan, Specimen
from reportgen.records.message import Message, message
from reportgen.records.reference import EarlierReport, EarlierSpecimen, EarlierSurvey
from reportgen.records.report import ReferenceComparison, ReferenceResult, RunShift
from reportgen.records.result import RunResult


def compare_with_reference(
    job: Job, runs: Sequence[RunResult], earlier: EarlierReport | None
) -> ReferenceResult | None:
    """The first valid survey of every axis, and what requirements name, against the earlier one; None without any.

    Shifts are of natural frequencies, with the uncertainties that both reports state.
    """
    if job.reference is None or earlier is None:
        return None
    by_id = {run.id: run for run in runs}
    plans = [plan for plan in _compared(job) if plan.id in by_id]
    specimen = earlier.specimen
    return ReferenceResult(
        archive=job.reference.archive.as_posix(),
        number=earlier.number,
        revision=earlier.revision,
        specimen=None if specimen is None else specimen.serial_number or specimen.id or specimen.name,
        remarks=(message("earlier.frequencies-alone", number=earlier.number, revision=earlier.revision),),
        comparisons=tuple(_comparison(job, plan, by_id[plan.id], earlier) for plan in plans),
    )


def _compared(job: Job) -> list[RunPlan]:
    """First valid survey of each axis and specimen, then runs that a requirement holds against the reference."""
    surveys = [run for run in in_order(job.runs) if run.kind is RunKind.SURVEY and run.counts]
    first = {run.axis: run for run in reversed(surveys)}
    parts = [part for asked in job.requirements for part in asked_runs(job, asked).parts]
    named = [run for part in parts if job.is_by_reference(part) and (run := job.run(part.after)) is not None]
    chosen = {run.id for run in (*first.values(), *named)}
    return [run for run in job.runs if run.id in chosen]


def _comparison(job: Job, plan: RunPlan, after: RunResult, earlier: EarlierReport) -> ReferenceComparison:
    survey = next((each for each in earlier.surveys if each.axis == plan.written_axis), None)
    reason = _not_alike(job.specimen, earlier) or (None if survey else _no_survey(plan, earlier))
    if reason is not None or survey is None:
        return ReferenceComparison(after=plan.id, axis=plan.axis, reason=reason)
    before = replace(survey.run, axis=after.axis)
    rows = tuple(_frequency_alone(compare_runs(before, after), survey))
    return ReferenceComparison(after=plan.id, axis=plan.axis, before=before, shifts=rows)


def _no_survey(plan: RunPlan, earlier: EarlierReport) -> Message:
    axis = plan.written_axis if plan.written_axis is not None else message("asked.axis-unnamed")
    return message("earlier.no-survey", axis=axis, number=earlier.number, revision=earlier.revision)


def _not_alike(own: Specimen, earlier: EarlierReport) -> Message | None:
    """Why the specimens are not known to be of one type: by part number, or by name where either has none."""
    there = earlier.specimen
    ours, theirs = _types(own, there)
    if there is None or ours is None or theirs is None:
        return message("earlier.type-unknown", number=earlier.number, revision=earlier.revision)
    if _plain(ours) == _plain(theirs):
        return None
    return message("earlier.other-type", number=earlier.number, revision=earlier.revision, there=theirs, here=ours)


def _types(own: Specimen, there: EarlierSpecimen | None) -> tuple[str | None, str | None]:
    if there is not None and own.part_number and there.part_number:
        return own.part_number, there.part_number
    return own.name or None, None if there is None else there.name


def _plain(text: str) -> str:
    return " ".join(text.split()).casefold()


def _frequency_alone(rows: Sequence[RunShift], survey: EarlierSurvey) -> Iterator[RunShift]:
    """Rows that say nothing of amplifications, nor of a mode that followed its level in the earlier survey."""
    for row in rows:
        row = replace(
            row, before_amplification=None, after_amplification=None,
            flags=tuple(each for each in row.flags if each.code != "shift.no-amplification"),
        )  # fmt: skip
        if row.frequency_shift is not None and (row.channel, row.before_hz) in survey.follows_level:
            why = message("shift.level-unknown", before=row.before, after=row.after)
            row = replace(row, frequency_shift=None, frequency_shift_std=None, flags=(*row.flags, why))
        yield row
