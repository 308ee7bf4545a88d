"""The sweep rate along the whole sweep, against the profile's."""

from __future__ import annotations

import math
from enum import StrEnum

from reportgen.judge.case import Case, Item, Reading, Side
from reportgen.judge.decision_rule import Tolerance
from reportgen.records.check import Check, JobEvidence
from reportgen.records.job import RunKind, SweepRate
from reportgen.records.message import Amount, message
from reportgen.records.result import RunResult, SweepFacts
from reportgen.records.verdict import Outcome, ProvedBy

END_SHARE = 0.01
"""A hold within 1 % of an end of the sweep is where it was started or stopped."""


class Pace(StrEnum):
    """Which rate of a sweep."""

    MEAN = "mean"
    SLOWEST = "slowest"
    FASTEST = "fastest"


def sweep_rate(case: Case) -> None:
    """Items: mean, slowest and fastest local rate in % off the profile's rate; a hold on the way fails."""
    case.side = Side.WITHIN
    run = case.run(case.requirement.run)
    limit = case.limit("ratio")
    if run is None or limit is None:
        return
    plan = case.plan(run)
    profile = case.job.profile(plan.profile if plan else None)
    if profile is None or profile.sweep_rate is None:
        case.gap(message("judge.rate-not-required", run=run.id))
        return
    if run.sweep is None or run.sweep.rate is None:
        why = run.sweep.rate_reason if run.sweep is not None else message("judge.no-sweep-log")
        case.gap(message("judge.rate-unknown", run=run.id, why=why or message("judge.unknown")))
        return
    if not case.weigh_clock(run):
        return
    case.weigh_holes(run)
    case.bands_hz = run.sweep.rate_outside
    _lay_rates(case, run, run.sweep, profile.sweep_rate, limit.si)
    _lay_holds(case, run, run.sweep)


# An error ε of the clock makes times (1 + ε) and frequencies (1 − ε) times what they are: a rate in octaves a minute
# carries ε once, one in Hz/s twice.
def _lay_rates(case: Case, run: RunResult, sweep: SweepFacts, required: SweepRate, allowed: float) -> None:
    wanted = required.text or Amount(required.value, required.unit)
    if sweep.rate_from is None or sweep.rate_to is None:
        case.gap(message("judge.rate-course-unknown", run=run.id))
    clock = case.job.clock_of(case.plan(run)).relative_std * (2.0 if required.unit == "Hz/s" else 1.0)
    for pace, rate, std in _rates(sweep, required.unit):
        what = message("judge.rate", pace=pace, run=run.id, rate=rate, unit=required.unit, required=wanted)
        reading = Reading(
            measured=100.0 * (rate / required.value - 1.0),
            std=None if std is None else 100.0 * math.hypot(std, clock * rate) / required.value,
            tolerance=Tolerance(low=-100.0 * allowed, high=100.0 * allowed),
            unit="%",
        )
        said = message("judge.rate-deviates", what=what, held=reading.against())
        case.items.append(Item(text=what, said=said, reading=reading, run=run.id))


def _rates(sweep: SweepFacts, unit: str) -> list[tuple[Pace, float, float | None]]:
    """(which, rate, standard uncertainty) in the unit required."""
    assert sweep.rate is not None
    rates = [(Pace.MEAN, sweep.rate, sweep.rate_std)]
    if sweep.rate_from is not None and sweep.rate_to is not None:
        rates += [
            (Pace.SLOWEST, sweep.rate_from, sweep.local_rate_std),
            (Pace.FASTEST, sweep.rate_to, sweep.local_rate_std),
        ]
    if unit == sweep.rate_unit:
        return rates
    slow, fast = _other_law(sweep, unit)
    return [(Pace.SLOWEST, slow, None), (Pace.FASTEST, fast, None)]


def _other_law(sweep: SweepFacts, unit: str) -> tuple[float, float]:
    """Slowest and fastest rate of a sweep that follows the other law: R = 60 b / (f ln 2), b = R f ln 2 / 60."""
    assert sweep.rate is not None
    if unit == "oct/min":
        return tuple(60.0 * sweep.rate / (f * math.log(2.0)) for f in (sweep.highest_hz, sweep.lowest_hz))  # type: ignore[return-value]
    return tuple(sweep.rate * f * math.log(2.0) / 60.0 for f in (sweep.lowest_hz, sweep.highest_hz))  # type: ignore[return-value]


def _lay_holds(case: Case, run: RunResult, sweep: SweepFacts) -> None:
    for frequency, seconds in sweep.holds:
        at_end = min(abs(frequency / end - 1.0) for end in (sweep.lowest_hz, sweep.highest_hz)) <= END_SHARE
        if at_end:
            case.remark(message("judge.held-at-end", run=run.id, seconds=seconds, frequency_hz=frequency))
            continue
        text = message("judge.held-on-the-way", run=run.id, seconds=seconds, frequency_hz=frequency)
        case.items.append(Item(text=text, outcome=Outcome.FAIL, run=run.id, frequency_hz=frequency))


SWEEP_RATE = Check(
    name="sweep rate",
    needs=(("run", "axis", "kind"), ("limit",)),
    limit_dimensions=("ratio",),
    limit_example="10 %",
    run_kinds=(RunKind.SURVEY, RunKind.SWEEP),
    judged_by=JobEvidence.PROFILE_RATE,
    proved_by=ProvedBy.RATE,
    compares=message("check.sweep-rate"),
    function=sweep_rate,
)
