"""How long, and for how many cycles, the specimen was held at its resonance."""

from __future__ import annotations

import math

from reportgen.judge.case import Case, Item, Reading, Side
from reportgen.judge.decision_rule import Tolerance
from reportgen.records.check import Check
from reportgen.records.job import RunKind
from reportgen.records.message import message
from reportgen.records.result import DwellResult, Resonance, RunResult
from reportgen.records.verdict import ProvedBy
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
        case.gap(message("judge.no-dwell", run=run.id, kind=RunKind(run.kind)))
        return
    dwell = run.dwell
    measured = dwell.duration_s if dimension == "time" else dwell.cycles
    if measured is None and dimension == "time":
        case.gap(message("judge.duration-unknown", run=run.id))
    elif measured is None:
        case.gap(message("judge.cycles-unknown", run=run.id))
    if measured is None:
        return
    if not case.weigh_clock(run):
        return
    _weigh_tracking(case, run, dwell)
    std = _duration_std(run, case.job.clock_of(case.plan(run)).relative_std)
    if std is not None and dimension == "count":
        std *= dwell.frequency_hz
    case.items.append(_item(run, dwell, measured, std, limit, dimension))


def _item(
    run: RunResult, dwell: DwellResult, measured: float, std: float | None, limit: Quantity, dimension: str
) -> Item:
    factor = limit.unit.factor
    reading = Reading(
        measured=measured / factor,
        std=None if std is None else std / factor,
        tolerance=Tolerance(low=limit.value),
        unit=limit.unit.symbol,
    )
    low, high, at = dwell.frequency_from_hz, dwell.frequency_to_hz, dwell.frequency_hz
    if dimension == "time":
        what = message("judge.dwell", run=run.id, frequency_hz=at, low_hz=low, high_hz=high)
    else:
        what = message("judge.cycles", run=run.id, frequency_hz=at, low_hz=low, high_hz=high)
    return Item(
        text=what,
        said=message("judge.dwell-held", what=what, held=reading.against()),
        reading=reading,
        run=run.id,
        channel=dwell.channel,
        frequency_hz=dwell.frequency_hz,
    )


def _duration_std(run: RunResult, clock: float) -> float | None:
    """Start and end are each known to one row: u = √2 · interval/√12 (GUM 4.3.7); the clock's share comes to it."""
    sweep = run.sweep
    if sweep is None or sweep.duration_s is None or sweep.rows < 2:
        return None
    return math.hypot(sweep.duration_s / (sweep.rows - 1) / math.sqrt(6.0), clock * sweep.duration_s)


def _weigh_tracking(case: Case, run: RunResult, dwell: DwellResult) -> None:
    """A dwell that left its resonance spent its time elsewhere."""
    if dwell.channel is not None:
        case.weigh_channel(run, dwell.channel)
    if dwell.phase_drift_deg is not None and abs(dwell.phase_drift_deg) > LEFT_PHASE_DEG:
        case.gap(message("judge.dwell-phase-drifted", run=run.id, drift_deg=dwell.phase_drift_deg))
    elif dwell.phase_drift_deg is None and _has_phase(run, dwell.channel):
        case.gap(message("judge.dwell-phase-unknown", run=run.id))
    elif dwell.phase_drift_deg is None and dwell.response_drift_db is not None:
        if dwell.response_drift_db < -LEFT_RESPONSE_DB:
            case.gap(message("judge.dwell-response-fell", run=run.id, by_db=-dwell.response_drift_db))
    elif dwell.phase_drift_deg is None:
        case.remark(message("judge.dwell-unwitnessed", run=run.id))
    _weigh_resonance(case, run, dwell)
    for flag in dwell.flags:
        case.remark(message("judge.of-run", run=run.id, what=flag))


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
        wanted, at_hz = case.requirement.mode, dwell.frequency_hz
        case.gap(message("judge.dwell-not-at-mode", mode=wanted, run=run.id, frequency_hz=at_hz))
    elif nearest is not None:
        case.remark(message("judge.dwell-nearest", axis=run.axis, frequency_hz=nearest.frequency_hz))


def _half_width(resonance: Resonance) -> float:
    """Half the bandwidth between the half-power points, Hz; 2 % of the frequency where Q is not known."""
    return resonance.frequency_hz / (2.0 * resonance.q) if resonance.q else 0.02 * resonance.frequency_hz


DWELL_DURATION = Check(
    name="dwell duration",
    needs=(("run", "axis", "kind"), ("limit",)),
    limit_dimensions=("time",),
    limit_example="30 min",
    limit_in_percent=False,
    narrowed_by=("channel", "mode"),
    run_kinds=(RunKind.DWELL,),
    proved_by=ProvedBy.DWELL,
    compares=message("check.dwell-duration"),
    function=dwell_duration,
)
DWELL_CYCLES = Check(
    name="dwell cycles",
    needs=(("run", "axis", "kind"), ("limit",)),
    limit_dimensions=("count",),
    limit_example="1000000 cycles",
    limit_in_percent=False,
    narrowed_by=("channel", "mode"),
    run_kinds=(RunKind.DWELL,),
    proved_by=ProvedBy.DWELL,
    compares=message("check.dwell-cycles"),
    function=dwell_cycles,
)
