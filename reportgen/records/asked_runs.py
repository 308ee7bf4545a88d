"""Which runs a requirement is held against: those it names, those of an axis or a kind, or surveys before and after.

A run that does not count decides nothing. The valid run that was made in its place stands in for it; where an axis or
a kind is asked for and no run by name, so does another valid sweep of the same purpose. Where there is none, that is a
gap in the evidence. A run that does not count has loaded the specimen all the same: what was surveyed after it is no
state before the test.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from reportgen.records.job import Job, Requirement, RunKind, RunPlan
from reportgen.records.message import Message, message

TESTS = (RunKind.SWEEP, RunKind.DWELL)
"""Kinds of run that surveys are made before and after."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A run that was asked for and does not count."""

    run: RunPlan
    stand_in: RunPlan | None = None
    """The valid run that is judged in its place; None where there is none."""
    too_late: RunPlan | None = None
    """A valid run in its place that was made after a test, and so does not show the state before it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PairMissing:
    """An axis without valid surveys before and after its test."""

    axis: str | None
    before: str | None
    """The survey before, None where there is no valid one; so is ``after``."""
    after: str | None
    left_out: tuple[RunPlan, ...] = ()
    """Runs of the axis that do not count."""

    @property
    def said(self) -> Message:
        """What is missing."""
        axis = self.axis if self.axis is not None else message("asked.axis-unnamed")
        if self.before is not None:
            return message("asked.no-survey-after", axis=axis)
        if self.after is not None:
            return message("asked.no-survey-before", axis=axis)
        return message("asked.no-surveys", axis=axis)


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedRuns:
    """A requirement in its parts, each about one run or one pair."""

    parts: tuple[Requirement, ...]
    left_out: tuple[LeftOut, ...] = ()
    missing: tuple[PairMissing, ...] = ()

    @property
    def without_evidence(self) -> tuple[LeftOut, ...]:
        """Runs that do not count and that nothing stands in for."""
        return tuple(each for each in self.left_out if each.stand_in is None)


def asked_runs(job: Job, asked: Requirement, kinds: Sequence[RunKind] = ()) -> AskedRuns:
    """The runs of a requirement whose check can be answered by ``kinds``; any kind where there are none.

    A requirement that is about no run in particular is its own only part.
    """
    if asked.surveys is not None:
        return _around_tests(job, asked)
    if asked.before is not None or asked.after is not None:
        return _named_pair(job, asked)
    names = asked.runs or ((asked.run,) if asked.run is not None else ())
    if names:
        plans = [job.run(each) for each in names]
        unknown = tuple(replace(asked, run=name, runs=()) for name, plan in zip(names, plans, strict=True) if not plan)
        return _in_parts(job, asked, [plan for plan in plans if plan is not None], unknown=unknown)
    if asked.axis is None and asked.kind is None and asked.specimen is None:
        return AskedRuns(parts=(asked,))
    chosen = chosen_runs(job, asked, kinds)
    return _in_parts(job, asked, chosen, alike=chosen)


def chosen_runs(job: Job, asked: Requirement, kinds: Sequence[RunKind] = ()) -> list[RunPlan]:
    """Runs of the axis and of the kind that a requirement asks for, also those that do not count."""
    return [
        run
        for run in job.runs
        if _is_of(asked, run) and asked.kind in (None, run.kind) and (not kinds or run.kind in kinds)
    ]


def axes_asked(job: Job, asked: Requirement) -> list[str | None]:
    """Axes that a requirement is about, in the order of the job: of several specimens one for each."""
    return list(dict.fromkeys(run.axis for run in job.runs if _is_of(asked, run)))


def _is_of(asked: Requirement, run: RunPlan) -> bool:
    """Whether a run is along the axis and of the specimen that a requirement asks for."""
    along = asked.axis in (None, run.axis, run.written_axis)
    return along and asked.specimen in (None, run.specimen)


def repetition_of(job: Job, run: RunPlan) -> RunPlan | None:
    """The valid run that was made in the place of another, if need be after several tries; None where there is none."""
    tried, waiting = {run.id}, [run.id]
    while waiting:
        named = waiting.pop(0)
        later = [each for each in job.runs if each.repeats == named and each.id not in tried]
        valid = next((each for each in later if each.counts), None)
        if valid is not None:
            return valid
        tried |= {each.id for each in later}
        waiting += [each.id for each in later]
    return None


def _in_parts(
    job: Job,
    asked: Requirement,
    plans: Sequence[RunPlan],
    *,
    alike: Sequence[RunPlan] = (),
    unknown: tuple[Requirement, ...] = (),
) -> AskedRuns:
    """``alike`` are runs of which one of the same purpose may stand in."""
    left_out = [LeftOut(run=each, stand_in=_stand_in(job, each, alike)) for each in plans if not each.counts]
    stand_ins = {each.run.id: each.stand_in for each in left_out}
    judged = [each if each.counts else stand_ins[each.id] for each in plans]
    once = dict.fromkeys(each.id for each in judged if each is not None)
    parts = tuple(replace(asked, run=each, runs=()) for each in once)
    return AskedRuns(parts=(*parts, *unknown), left_out=tuple(left_out))


def _stand_in(job: Job, run: RunPlan, plans: Sequence[RunPlan]) -> RunPlan | None:
    """Its repetition, or the first of ``plans`` of the same purpose."""
    alike = (each for each in plans if each.counts and _same_purpose(each, run))
    return repetition_of(job, run) or next(alike, None)


def _same_purpose(one: RunPlan, other: RunPlan) -> bool:
    """Whether two runs were made for the same; of dwells nothing says whether they were at the same resonance."""
    same = (one.kind, one.axis, one.profile) == (other.kind, other.axis, other.profile)
    return same and one.kind is not RunKind.DWELL


def _named_pair(job: Job, asked: Requirement) -> AskedRuns:
    """Before and after as named, each replaced by its repetition where it does not count."""
    left_out, names = [], {"before": asked.before, "after": asked.after}
    for key, name in names.items():
        plan = job.run(name)
        if plan is not None and not plan.counts:
            again = repetition_of(job, plan)
            late = key == "before" and again is not None and _tested_between(job, plan, again)
            left_out.append(LeftOut(run=plan, too_late=again) if late else LeftOut(run=plan, stand_in=again))
            names[key] = again.id if again is not None else name
    if any(each.stand_in is None for each in left_out):
        return AskedRuns(parts=(), left_out=tuple(left_out))
    part = replace(asked, before=names["before"], after=names["after"])
    return AskedRuns(parts=(part,), left_out=tuple(left_out))


def _tested_between(job: Job, first: RunPlan, second: RunPlan) -> bool:
    """Whether the specimen was tested along the axis of two runs between them, also in a run that does not count."""
    runs = in_order([run for run in job.runs if run.axis == first.axis or run in (first, second)])
    between = runs[runs.index(first) : runs.index(second)]
    return any(run.kind in TESTS for run in between)


def _around_tests(job: Job, asked: Requirement) -> AskedRuns:
    """For each axis that was tested, its last valid survey before and its first valid survey after."""
    parts, missing = [], []
    left_out: list[LeftOut] = []
    for axis in _tested_axes(job, asked):
        runs = in_order([run for run in job.runs if run.axis == axis])
        before, after = surveys_around(job, axis)
        left_out += _void_surveys(runs, before, after)
        if before is None or after is None:
            names = [None if each is None else each.id for each in (before, after)]
            void = tuple(each for each in runs if not each.counts)
            missing.append(PairMissing(axis=axis, before=names[0], after=names[1], left_out=void))
        else:
            parts.append(replace(asked, axis=axis, before=before.id, after=after.id, surveys=None))
    return AskedRuns(parts=tuple(parts), left_out=tuple(left_out), missing=tuple(missing))


def _void_surveys(runs: Sequence[RunPlan], before: RunPlan | None, after: RunPlan | None) -> Iterator[LeftOut]:
    """Surveys of an axis that do not count, with the one that is taken on their side of its first test."""
    for place, run in enumerate(runs):
        tested = any(each.kind in TESTS for each in runs[:place])
        stand_in = after if tested else before
        if run.kind is RunKind.SURVEY and not run.counts and stand_in is not None:
            yield LeftOut(run=run, stand_in=stand_in)


def _tested_axes(job: Job, asked: Requirement) -> list[str | None]:
    """Axes along which the specimen was tested; the one that is asked for in any case."""
    tested = dict.fromkeys(run.axis for run in job.runs if run.kind in TESTS)
    return [axis for axis in tested if axis in axes_asked(job, asked)] or [asked.axis]


def surveys_around(job: Job, axis: str | None) -> tuple[RunPlan | None, RunPlan | None]:
    """Last valid survey before the first test of an axis, and first valid one after the last; None: none.

    Tests that do not count bound them as well; where none counts there is no pair.
    """
    runs = in_order([run for run in job.runs if run.axis == axis])
    tests = [place for place, run in enumerate(runs) if run.kind in TESTS]
    if not any(runs[place].counts for place in tests):
        return None, None
    surveys = [(place, run) for place, run in enumerate(runs) if run.kind is RunKind.SURVEY and run.counts]
    before = [run for place, run in surveys if place < tests[0]]
    after = [run for place, run in surveys if place > tests[-1]]
    return (before[-1] if before else None), (after[0] if after else None)


def in_order(runs: Sequence[RunPlan]) -> list[RunPlan]:
    """Runs by their start where each has one, else as they are listed."""
    if any(run.started is None for run in runs):
        return list(runs)
    return sorted(runs, key=lambda run: run.started or datetime.min)
