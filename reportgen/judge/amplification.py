"""The largest amplification."""

from __future__ import annotations

import numpy as np

from reportgen.judge.case import Case, Item
from reportgen.judge.curve import unexplained_peaks
from reportgen.judge.decision_rule import Tolerance
from reportgen.records.result import ChannelResult, Resonance, RunResult
from reportgen.units import Quantity

UNSTATED = "calibration not stated"
"""How the identification flags an amplification whose instruments state no uncertainty."""


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
    for channel in case.responses(run):
        if channel.dimension != "ratio":
            text = f"channel {channel.id} of run {run.id} is no motion and has no amplification"
            (case.gap if case.requirement.channel == channel.id else case.remark)(text)
            continue
        _lay_channel(case, run, channel, limit)
    _lay_missing_modes(case, run)


def _lay_channel(case: Case, run: RunResult, channel: ChannelResult, limit: Quantity) -> None:
    resonances = case.resonances(run, channel)
    for each in resonances:
        if each.amplification is None:
            why = dict(each.reasons).get("amplification", "unknown")
            case.gap(f"amplification at {each.frequency_hz:.4g} Hz on {channel.id} of run {run.id} is not known: {why}")
        else:
            case.items.append(_item(run, channel, each, each.amplification, limit))
    for f, height in unexplained_peaks(channel, in_band=case.in_band):
        case.gap(
            f"channel {channel.id} of run {run.id} reaches {height:.3g} at {f:.4g} Hz, and no resonance explains it"
        )
    if not resonances and case.requirement.mode is not None:
        case.gap(f"mode {case.requirement.mode} was not identified on {channel.id} of run {run.id}")
    elif not resonances:
        _lay_curve(case, run, channel, limit)


def _item(run: RunResult, channel: ChannelResult, each: Resonance, value: float, limit: Quantity) -> Item:
    factor, std = limit.unit.factor, _std(each)
    return Item(
        text=f"amplification at {each.frequency_hz:.4g} Hz on {channel.id} of run {run.id} is",
        measured=value / factor,
        std=None if std is None else std / factor,
        tolerance=Tolerance(high=limit.value),
        unit="" if limit.unit.symbol == "1" else limit.unit.symbol,
        run=run.id,
        channel=channel.id,
        mode=each.mode,
        frequency_hz=each.frequency_hz,
        flags=each.flags,
    )


def _std(each: Resonance) -> float | None:
    """Combined standard uncertainty; None where the calibration's share of it is not stated, for it is the larger."""
    return None if any(UNSTATED in flag for flag in each.flags) else each.amplification_std


def _lay_curve(case: Case, run: RunResult, channel: ChannelResult, limit: Quantity) -> None:
    """No resonance: the recorded curve itself is the evidence."""
    inside = np.isfinite(channel.magnitude) & np.array([case.in_band(f) for f in channel.frequency_hz], dtype=bool)
    if not inside.any():
        case.gap(f"channel {channel.id} of run {run.id} has no reading")
        return
    row = int(np.argmax(np.where(inside, channel.magnitude, -np.inf)))
    case.items.append(
        Item(
            text=f"no resonance on {channel.id} of run {run.id}; the highest recorded ratio, "
            f"at {channel.frequency_hz[row]:.4g} Hz, is",
            measured=float(channel.magnitude[row]) / limit.unit.factor,
            tolerance=Tolerance(high=limit.value),
            unit="" if limit.unit.symbol == "1" else limit.unit.symbol,
            run=run.id,
            channel=channel.id,
            frequency_hz=float(channel.frequency_hz[row]),
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
                case.gap(
                    f"mode {mode.mode} at {mode.frequency_hz:.4g} Hz has no resonance on {channel} of run {run.id}"
                )
