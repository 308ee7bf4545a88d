"""How long, and for how many cycles, the specimen was held at its resonance."""

from __future__ import annotations

import math

from reportgen.judge.case import Case, Item
from reportgen.judge.decision_rule import Tolerance
from reportgen.records.result import DwellResult, RunResult
from reportgen.units import Quantity

LEFT_PHASE_DEG = 45.0
"""From resonance to a half-power point the phase turns by 45° (ISO 7626-2 and any single degree of freedom)."""
LEFT_RESPONSE_DB = 10.0 * math.log10(2.0)
"""At a half-power point the response is 3.01 dB down."""


def dwell_duration(case: Case) -> None:
    """Item: seconds at resonance."""
    _dwell(case, "time")


def dwell_cycles(case: Case) -> None:
    """Item: cycles at resonance."""
    _dwell(case, "count")


def _dwell(case: Case, dimension: str) -> None:
    limit = case.limit(dimension)
    run = case.run(case.requirement.run)
    if limit is None or run is None:
        return
    if run.dwell is None:
        case.gap(f"run {run.id} is a {run.kind} without a dwell")
        return
    dwell = run.dwell
    measured = dwell.duration_s if dimension == "time" else dwell.cycles
    if measured is None:
        case.gap(f"the {'duration' if dimension == 'time' else 'cycles'} of run {run.id} cannot be had: no time")
        return
    _weigh_tracking(case, run, dwell)
    std = _duration_std(run)
    if std is not None and dimension == "count":
        std *= dwell.frequency_hz
    case.items.append(_item(run, dwell, measured, std, limit, dimension))


def _item(
    run: RunResult, dwell: DwellResult, measured: float, std: float | None, limit: Quantity, dimension: str
) -> Item:
    factor = limit.unit.factor
    what = "dwell" if dimension == "time" else "cycles"
    return Item(
        text=f"{what} of run {run.id} at {dwell.frequency_hz:.4g} Hz ({dwell.frequency_from_hz:.4g} to "
        f"{dwell.frequency_to_hz:.4g} Hz):",
        measured=measured / factor,
        std=None if std is None else std / factor,
        tolerance=Tolerance(low=limit.value),
        unit=limit.unit.symbol,
        run=run.id,
        channel=dwell.channel,
        frequency_hz=dwell.frequency_hz,
    )


def _duration_std(run: RunResult) -> float | None:
    """Start and end are each known to one row: u = √2 · interval/√12 (GUM 4.3.7)."""
    sweep = run.sweep
    if sweep is None or sweep.duration_s is None or sweep.rows < 2:
        return None
    return sweep.duration_s / (sweep.rows - 1) / math.sqrt(6.0)


def _weigh_tracking(case: Case, run: RunResult, dwell: DwellResult) -> None:
    """A dwell that left its resonance spent its time elsewhere."""
    if dwell.channel is not None:
        case.weigh_channel(run, dwell.channel)
    if dwell.phase_drift_deg is not None and abs(dwell.phase_drift_deg) > LEFT_PHASE_DEG:
        case.gap(
            f"the phase of run {run.id} drifted by {dwell.phase_drift_deg:+.0f}°: the dwell left the resonance by half "
            "its bandwidth or more, so how long it was at resonance is not known"
        )
    elif dwell.phase_drift_deg is None and dwell.response_drift_db is not None:
        relative = dwell.response_drift_db - (dwell.level_drift_db or 0.0)
        if relative < -LEFT_RESPONSE_DB:
            case.gap(f"the response of run {run.id} fell by {-relative:.1f} dB against the control: off the resonance")
    elif dwell.phase_drift_deg is None:
        case.remark(f"run {run.id} has neither phase nor response to show that the dwell stayed at resonance")
    for flag in dwell.flags:
        case.remark(f"run {run.id}: {flag}")
