"""The sweep rate along the whole sweep, against the profile's."""

from __future__ import annotations

import math

from reportgen.judge.case import Case, Item, Side
from reportgen.judge.decision_rule import Tolerance
from reportgen.records.job import SweepRate
from reportgen.records.message import Said
from reportgen.records.result import RunResult, SweepFacts
from reportgen.records.verdict import Outcome
from reportgen.render.catalogue import said

END_SHARE = 0.01
"""A hold within 1 % of an end of the sweep is where it was started or stopped."""


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
        case.gap(f'run {run.id} has no required rate; write sweep_rate = "2 oct/min" in its [[profile]]')
        return
    if run.sweep is None or run.sweep.rate is None:
        why: Said | None = run.sweep.rate_reason if run.sweep is not None else "it is no sweep log"
        case.gap(f"the sweep rate of run {run.id} cannot be had: {said(why or 'unknown')}")
        return
    if not case.weigh_clock(run):
        return
    case.weigh_holes(run)
    case.bands_hz = run.sweep.rate_outside
    _lay_rates(case, run, run.sweep, profile.sweep_rate, limit.si)
    _lay_holds(case, run, run.sweep)


def _lay_rates(case: Case, run: RunResult, sweep: SweepFacts, required: SweepRate, allowed: float) -> None:
    wanted = required.text or f"{required.value:g} {required.unit}"
    if sweep.rate_from is None or sweep.rate_to is None:
        case.gap(f"the course of the rate of run {run.id} cannot be had; only its mean is known")
    for name, rate, std in _rates(sweep, required.unit):
        case.items.append(
            Item(
                text=f"{name} sweep rate of run {run.id}, {rate:.4g} {required.unit} for {wanted}, deviates by",
                measured=100.0 * (rate / required.value - 1.0),
                std=None if std is None else 100.0 * std / required.value,
                tolerance=Tolerance(low=-100.0 * allowed, high=100.0 * allowed),
                unit="%",
                run=run.id,
            )
        )


def _rates(sweep: SweepFacts, unit: str) -> list[tuple[str, float, float | None]]:
    """(name, rate, standard uncertainty) in the unit required."""
    assert sweep.rate is not None
    rates = [("mean", sweep.rate, sweep.rate_std)]
    if sweep.rate_from is not None and sweep.rate_to is not None:
        rates += [("slowest", sweep.rate_from, sweep.local_rate_std), ("fastest", sweep.rate_to, sweep.local_rate_std)]
    if unit == sweep.rate_unit:
        return rates
    slow, fast = _other_law(sweep, unit)
    return [("slowest", slow, None), ("fastest", fast, None)]


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
            case.remark(f"run {run.id} stood for {seconds:.3g} s at its end, {frequency:.4g} Hz")
            continue
        case.items.append(
            Item(
                text=f"run {run.id} stood still at {frequency:.4g} Hz for {seconds:.3g} s",
                measured=None,
                outcome=Outcome.FAIL,
                reason="on the way the rate was zero",
                run=run.id,
                frequency_hz=frequency,
            )
        )
