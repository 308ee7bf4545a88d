"""The range that was swept, against the profile's ends."""

from __future__ import annotations

import math

from reportgen.judge.case import Case, Item, Reading
from reportgen.judge.decision_rule import Tolerance
from reportgen.records.check import Check, JobEvidence
from reportgen.records.job import RunKind
from reportgen.records.message import message
from reportgen.records.result import RunResult, SweepFacts
from reportgen.records.stretch import Direction
from reportgen.records.verdict import ProvedBy

DEFAULT_LIMIT = 0.01
"""The contract's default: 1 %."""


def frequency_range(case: Case) -> None:
    """Items: both ends of the sweep, as deviation from the profile's end, in % or in Hz as the limit is written.

    A sweep that goes one way is held by its first and last row; one that turns by its lowest and highest.
    """
    run = case.run(case.requirement.run)
    if run is None:
        return
    plan = case.plan(run)
    profile = case.job.profile(plan.profile if plan else None)
    if profile is None:
        case.gap(message("judge.range-without-profile", run=run.id))
        return
    if run.sweep is None:
        case.gap(message("judge.range-no-sweep", run=run.id))
        return
    limit = case.limit("ratio", "frequency") if case.requirement.limit is not None else None
    if case.requirement.limit is not None and limit is None:
        return
    in_hertz = limit is not None and limit.dimension == "frequency"
    allowed = limit.si if limit is not None else DEFAULT_LIMIT
    low, high = profile.breakpoints[0].frequency_hz, profile.breakpoints[-1].frequency_hz
    case.weigh_holes(run, low, high)
    for end, found, spacing in _ends(run.sweep, low, high):
        case.items.append(_item(run, end, found, spacing, allowed, in_hertz))


def _ends(sweep: SweepFacts, low: float, high: float) -> list[tuple[float, float, float | None]]:
    """(profile's end, frequency reached, spacing of the rows there)."""
    if sweep.direction is Direction.UP:
        return [(low, sweep.first_hz, sweep.first_spacing_hz), (high, sweep.last_hz, sweep.last_spacing_hz)]
    if sweep.direction is Direction.DOWN:
        return [(high, sweep.first_hz, sweep.first_spacing_hz), (low, sweep.last_hz, sweep.last_spacing_hz)]
    return [(low, sweep.lowest_hz, sweep.first_spacing_hz), (high, sweep.highest_hz, sweep.last_spacing_hz)]


def _item(run: RunResult, end: float, found: float, spacing: float | None, allowed: float, in_hertz: bool) -> Item:
    """One end. The sweep may have gone on for less than one row, so its end is known to spacing/√12 (GUM 4.3.7)."""
    scale = 1.0 if in_hertz else 100.0 / end
    reading = Reading(
        measured=abs(found - end) * scale,
        std=None if spacing is None else spacing / math.sqrt(12.0) * scale,
        tolerance=Tolerance(high=allowed if in_hertz else 100.0 * allowed),
        unit="Hz" if in_hertz else "%",
    )
    return Item(
        text=message("judge.end-of-sweep", run=run.id, found_hz=found, end_hz=end),
        said=message("judge.end-misses", run=run.id, found_hz=found, end_hz=end, held=reading.against()),
        reading=reading,
        run=run.id,
        frequency_hz=found,
    )


FREQUENCY_RANGE = Check(
    name="frequency range",
    needs=(("run", "axis", "kind"),),
    limit_dimensions=("ratio",),
    limit_example="1 %",
    run_kinds=(RunKind.SURVEY, RunKind.SWEEP),
    judged_by=JobEvidence.PROFILE,
    proved_by=ProvedBy.CONTROL,
    compares=message("check.frequency-range"),
    function=frequency_range,
)
