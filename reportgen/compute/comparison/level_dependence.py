"""Level dependence: the same modes in a survey and in a sweep at full level along one axis.

Joints slip and materials soften under load, so a natural frequency falls and damping grows with the level; a linear
structure shows neither. Values are those freed of the sweep, compared at the control level that drove each resonance.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from reportgen.compute.comparison.shift import ModeSeen, modes_seen, pair_modes, ratio_std
from reportgen.records.job import Job, RunKind, RunPlan
from reportgen.records.message import message
from reportgen.records.report import LevelDependence
from reportgen.records.result import Resonance, RunResult

LEVELS_APART = 1.1
"""Levels that differ by less than 10 % at a resonance are taken as one: control tolerances are as wide."""


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
    for sweep in job.runs:
        surveys = [run for run in job.runs if run.kind is RunKind.SURVEY and run.axis == sweep.axis]
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
    a, b = _best_known(first), _best_known(second)
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
    if max(low, high) < LEVELS_APART * min(low, high):
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


def _best_known(mode: ModeSeen | None) -> Resonance | None:
    """The resonance of the channel that knows the frequency best; poles are shared by all channels of a run."""
    if mode is None:
        return None
    return min(mode.resonances.values(), key=lambda each: each.frequency_std_hz or np.inf)


def _level(run: RunResult, mode: ModeSeen | None) -> float | None:
    """Control level when the sweep passed a mode's frequency, m/s² peak; of several passages the mean."""
    if mode is None or run.control is None:
        return None
    frequency, level = run.control.frequency_hz, run.control.level
    known = np.flatnonzero(np.isfinite(frequency) & np.isfinite(level))
    if len(known) < 2 or not frequency[known].min() <= mode.frequency_hz <= frequency[known].max():
        return None
    above = frequency[known] >= mode.frequency_hz
    passed = np.flatnonzero(above[1:] != above[:-1])
    if len(passed) == 0:
        return None
    return float(np.mean(0.5 * (level[known[passed]] + level[known[passed + 1]])))
