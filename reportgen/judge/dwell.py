"""How long, and for how many cycles, the specimen was held at its resonance."""

from __future__ import annotations

import math

from reportgen.judge.case import Case, Item, Side
from reportgen.judge.decision_rule import Tolerance
from reportgen.records.result import DwellResult, Resonance, RunResult
from reportgen.records.rounding import duration_beside
from reportgen.render.catalogue import said
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
    case.side = Side.AT_LEAST
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
    if not case.weigh_clock(run):
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
        spoken=duration_beside(measured, limit.si) if dimension == "time" else None,
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
    elif dwell.phase_drift_deg is None and _has_phase(run, dwell.channel):
        case.gap(f"run {run.id} has a phase, but how far it drifted is not known")
    elif dwell.phase_drift_deg is None and dwell.response_drift_db is not None:
        if dwell.response_drift_db < -LEFT_RESPONSE_DB:
            fell = -dwell.response_drift_db
            case.gap(f"the response of run {run.id} fell by {fell:.1f} dB against the control: off the resonance")
    elif dwell.phase_drift_deg is None:
        case.remark(f"run {run.id} has neither phase nor response to show that the dwell stayed at resonance")
    _weigh_resonance(case, run, dwell)
    for flag in dwell.flags:
        case.remark(f"run {run.id}: {said(flag)}")


def _has_phase(run: RunResult, channel: str | None) -> bool:
    return any(each.phase_deg is not None for each in run.channels if channel in (None, each.id))


def _weigh_resonance(case: Case, run: RunResult, dwell: DwellResult) -> None:
    """Whether other runs of the axis have a resonance within half a bandwidth of where the dwell was."""
    found = [
        each
        for other in case.runs.values()
        if other.id != run.id and other.axis == run.axis
        for channel in other.channels
        for each in channel.resonances
        if each.rejected is None and case.requirement.mode in (None, each.mode)
    ]
    low, high = dwell.frequency_from_hz, dwell.frequency_to_hz
    if any(low - _half_width(each) <= each.frequency_hz <= high + _half_width(each) for each in found):
        return
    nearest = min(found, key=lambda each: abs(each.frequency_hz / dwell.frequency_hz - 1.0), default=None)
    if case.requirement.mode is not None:
        case.gap(f"no run shows mode {case.requirement.mode} where run {run.id} dwelt, at {dwell.frequency_hz:.4g} Hz")
    elif nearest is not None:
        case.remark(f"the nearest resonance found on axis {run.axis} lies at {nearest.frequency_hz:.4g} Hz")


def _half_width(resonance: Resonance) -> float:
    """Half the bandwidth between the half-power points, Hz; 2 % of the frequency where Q is not known."""
    return resonance.frequency_hz / (2.0 * resonance.q) if resonance.q else 0.02 * resonance.frequency_hz
