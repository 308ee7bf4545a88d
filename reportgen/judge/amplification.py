"""The largest amplification."""

from __future__ import annotations

import numpy as np

from reportgen.judge.case import Case, Item, Reading
from reportgen.judge.curve import highest_beside, unexplained_peaks
from reportgen.judge.decision_rule import Tolerance
from reportgen.records.check import Check
from reportgen.records.job import RunKind
from reportgen.records.message import Message, message
from reportgen.records.result import ChannelResult, Resonance, RunResult
from reportgen.records.verdict import ProvedBy
from reportgen.units import Quantity


def amplification(case: Case) -> None:
    """Items: the steady-state amplification of every resonance in scope, freed of the sweep's effect.

    A recorded peak that no resonance explains is a gap; so is a resonance whose amplification is not known, and a
    mode that the mode table gives to a channel without a resonance there.
    """
    limit = case.limit("ratio")
    run = case.run(case.requirement.run)
    if limit is None or run is None:
        return
    case.weigh_holes(run)
    case.weigh_travelled(run)
    for channel in case.responses(run):
        if not channel.pure_ratio:
            no_motion = _no_amplification(run, channel)
            (case.gap if case.requirement.channel == channel.id else case.remark)(no_motion)
            continue
        _lay_channel(case, run, channel, limit)
    _lay_missing_modes(case, run)


def _no_amplification(run: RunResult, channel: ChannelResult) -> Message:
    """Why a channel has no amplification: it is driven by a force, or shows no motion."""
    if run.control is not None and run.control.dimension == "force":
        return message("judge.over-force", channel=channel.id, run=run.id, unit=channel.unit)
    return message("judge.no-motion", channel=channel.id, run=run.id)


def _lay_channel(case: Case, run: RunResult, channel: ChannelResult, limit: Quantity) -> None:
    resonances = case.resonances(run, channel)
    for each in resonances:
        if each.amplification is None:
            where = message("judge.place", frequency_hz=each.frequency_hz, channel=channel.id, run=run.id)
            why = dict(each.reasons).get("amplification", message("judge.unknown"))
            case.gap(message("judge.amplification-unknown", where=where, why=why))
        else:
            case.items.append(_item(run, channel, each, each.amplification, limit))
    for f, height in unexplained_peaks(channel, in_band=case.in_band):
        case.gap(message("judge.peak-unexplained", channel=channel.id, run=run.id, height=height, frequency_hz=f))
    _weigh_highest(case, run, channel, limit)
    if not resonances and case.requirement.mode is not None:
        case.gap(message("judge.mode-not-found", mode=case.requirement.mode, channel=channel.id, run=run.id))
    elif not resonances:
        _lay_curve(case, run, channel, limit)


def _weigh_highest(case: Case, run: RunResult, channel: ChannelResult, limit: Quantity) -> None:
    """A reading above the limit that no resonance is near, such as at an end of the sweep, lets nothing pass."""
    beside = highest_beside(channel, channel.resonances, case.in_band)
    if beside is not None and channel.resonances and case.requirement.mode is None and beside[1] > limit.si:
        f, height = beside
        case.gap(message("judge.peak-unexplained", channel=channel.id, run=run.id, height=height, frequency_hz=f))


def _item(run: RunResult, channel: ChannelResult, each: Resonance, value: float, limit: Quantity) -> Item:
    what = message("judge.amplification", frequency_hz=each.frequency_hz, channel=channel.id, run=run.id)
    reading = _reading(value, _std(each), limit)
    return Item(
        text=what,
        said=message("judge.amplification-is", what=what, held=reading.against()),
        reading=reading,
        run=run.id,
        channel=channel.id,
        mode=each.mode,
        frequency_hz=each.frequency_hz,
        flags=each.flags,
    )


def _reading(value: float, std: float | None, limit: Quantity) -> Reading:
    factor = limit.unit.factor
    return Reading(
        measured=value / factor,
        std=None if std is None else std / factor,
        tolerance=Tolerance(high=limit.value),
        unit="" if limit.unit.symbol == "1" else limit.unit.symbol,
    )


def _std(each: Resonance) -> float | None:
    """Combined standard uncertainty; None where the calibration's share of it is not stated, for it is the larger."""
    return each.amplification_std if each.calibration_stated else None


def _lay_curve(case: Case, run: RunResult, channel: ChannelResult, limit: Quantity) -> None:
    """No resonance: the recorded curve itself is the evidence."""
    inside = np.isfinite(channel.magnitude) & channel.used
    inside &= np.array([case.in_band(f) for f in channel.frequency_hz], dtype=bool)
    if not inside.any():
        case.gap(message("judge.channel-without-reading", channel=channel.id, run=run.id))
        return
    row = int(np.argmax(np.where(inside, channel.magnitude, -np.inf)))
    frequency_hz = float(channel.frequency_hz[row])
    what = message("judge.highest-ratio", channel=channel.id, run=run.id, frequency_hz=frequency_hz)
    reading = _reading(float(channel.magnitude[row]), None, limit)
    case.items.append(
        Item(
            text=what,
            said=message("judge.highest-ratio-is", what=what, held=reading.against()),
            reading=reading,
            run=run.id,
            channel=channel.id,
            frequency_hz=frequency_hz,
        )
    )


def _lay_missing_modes(case: Case, run: RunResult) -> None:
    present = {
        (channel.id, each.mode) for channel in run.channels for each in channel.resonances if each.mode is not None
    }
    scope = {channel.id for channel in run.channels}
    if case.requirement.channel is not None:
        scope &= {case.requirement.channel}
    for mode in case.modes:
        if mode.frequency_hz is None or mode.mode is None or mode.axis != run.axis or mode.runs != (run.id,):
            continue
        for channel in mode.channels:
            if channel in scope and (channel, mode.mode) not in present and case.in_band(mode.frequency_hz):
                where = message("judge.place", frequency_hz=mode.frequency_hz, channel=channel, run=run.id)
                case.gap(message("judge.mode-without-resonance", mode=mode.mode, where=where))


AMPLIFICATION = Check(
    name="amplification",
    needs=(("run", "axis", "kind"), ("limit",)),
    limit_dimensions=("ratio",),
    limit_example="25",
    limit_in_percent=False,
    narrowed_by=("channel", "mode", "band"),
    run_kinds=(RunKind.SURVEY, RunKind.SWEEP, RunKind.DWELL),
    proved_by=ProvedBy.AMPLIFICATION,
    compares=message("check.amplification"),
    function=amplification,
)
