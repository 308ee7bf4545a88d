"""The range that was swept, against the profile's ends."""

from __future__ import annotations

import math

from reportgen.judge.case import Case, Item
from reportgen.judge.decision_rule import Tolerance
from reportgen.records.result import RunResult, SweepFacts

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
        case.gap(f'run {run.id} names no profile to be held against; write profile = "…" in [[run]]')
        return
    if run.sweep is None:
        case.gap(f"run {run.id} is no sweep log, so no range was swept")
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
    if sweep.direction == "up":
        return [(low, sweep.first_hz, sweep.first_spacing_hz), (high, sweep.last_hz, sweep.last_spacing_hz)]
    if sweep.direction == "down":
        return [(high, sweep.first_hz, sweep.first_spacing_hz), (low, sweep.last_hz, sweep.last_spacing_hz)]
    return [(low, sweep.lowest_hz, sweep.first_spacing_hz), (high, sweep.highest_hz, sweep.last_spacing_hz)]


def _item(run: RunResult, end: float, found: float, spacing: float | None, allowed: float, in_hertz: bool) -> Item:
    """One end. The sweep may have gone on for less than one row, so its end is known to spacing/√12 (GUM 4.3.7)."""
    scale = 1.0 if in_hertz else 100.0 / end
    return Item(
        text=f"end of run {run.id} at {found:.5g} Hz misses the profile's {end:g} Hz by",
        measured=abs(found - end) * scale,
        std=None if spacing is None else spacing / math.sqrt(12.0) * scale,
        tolerance=Tolerance(high=allowed if in_hertz else 100.0 * allowed),
        unit="Hz" if in_hertz else "%",
        run=run.id,
        frequency_hz=found,
    )
