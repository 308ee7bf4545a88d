"""Level dependence: the same modes in a survey and in a sweep at full level along one axis.

Joints slip and materials soften under load, so a natural frequency falls and damping grows with the level; a linear
structure shows neither. Values are those freed of the sweep, compared at the control level that drove each resonance.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from reportgen.compute.comparison.equal_level import SAME_LEVEL, best_known, control_level
from reportgen.compute.comparison.seen_modes import ModeSeen, modes_seen, pair_modes
from reportgen.compute.comparison.shift import ratio_std
from reportgen.records.job import Job, RunKind, RunPlan
from reportgen.records.message import message
from reportgen.records.report import LevelDependence
from reportgen.records.result import RunResult


def level_dependence(job: Job, runs: Sequence[RunResult]) -> tuple[LevelDependence, ...]:
    """A row for every mode of every pair of survey and sweep along an axis, in the order of the job."""
    by_id = {run.id: run for run in runs}
    return tuple(
        row
        for survey, sweep in _pairs(job)
        if survey in by_id and sweep in by_id
        for row in _rows(by_id[survey], by_id[sweep])
    )


def _pairs(job: Job) -> Iterator[tuple[str, str]]:
    """Every sweep with the survey of its axis that was run last before it, else with the first after it."""
    runs = [run for run in job.runs if run.counts]
    for sweep in runs:
        surveys = [run for run in runs if run.kind is RunKind.SURVEY and run.axis == sweep.axis]
        if sweep.kind is RunKind.SWEEP and surveys:
            before = [run for run in surveys if _order(job, run) < _order(job, sweep)]
            near = max(before, key=lambda run: _order(job, run)) if before else min(
                surveys, key=lambda run: _order(job, run)
            )  # fmt: skip
            yield near.id, sweep.id


def _order(job: Job, run: RunPlan) -> tuple[str, int]:
    """When a run was: by its start where every run has one, else as listed."""
    dated = all(each.started is not None for each in job.runs)
    return (run.started.isoformat() if dated and run.started else "", job.runs.index(run))


def _rows(survey: RunResult, sweep: RunResult) -> Iterator[LevelDependence]:
    old, new = modes_seen(survey), modes_seen(sweep)
    partners = pair_modes(old, new)
    for i, mode in enumerate(old):
        yield _row(survey, sweep, mode, new[partners[i]] if i in partners else None)
    for j in sorted(set(range(len(new))) - set(partners.values())):
        yield _row(survey, sweep, None, new[j])


def _row(survey: RunResult, sweep: RunResult, first: ModeSeen | None, second: ModeSeen | None) -> LevelDependence:
    """One mode; no change where only one run shows it or the levels are the same."""
    a, b = best_known(first) if first else None, best_known(second) if second else None
    low, high = _level(survey, first), _level(sweep, second)
    row = LevelDependence(
        axis=sweep.axis, survey=survey.id, sweep=sweep.id,
        survey_hz=a.frequency_hz if a else None, sweep_hz=b.frequency_hz if b else None,
        survey_level=low, sweep_level=high, survey_q=a.q if a else None, sweep_q=b.q if b else None,
        mode=next((each.mode for each in (a, b) if each is not None and each.mode is not None), None),
    )  # fmt: skip
    if a is None or b is None:
        return replace(row, reason=message("level.not-seen", run=survey.id if a is None else sweep.id))
    if low is None or high is None:
        return replace(row, reason=message("level.no-control", run=survey.id if low is None else sweep.id))
    if max(low, high) < SAME_LEVEL * min(low, high):
        return replace(row, reason=message("level.same"))
    frequency, q = b.frequency_hz / a.frequency_hz, b.q / a.q if a.q and b.q else None
    return replace(
        row,
        frequency_change=frequency - 1.0,
        frequency_change_std=ratio_std(
            frequency, a.frequency_hz, a.frequency_std_hz, b.frequency_hz, b.frequency_std_hz
        ),
        q_change=None if q is None else q - 1.0,
        q_change_std=ratio_std(q, a.q, a.q_std, b.q, b.q_std),
    )


def _level(run: RunResult, mode: ModeSeen | None) -> float | None:
    """Control level when the sweep passed a mode's frequency, m/s² peak."""
    return None if mode is None else control_level(run, mode.frequency_hz)
