"""Frequency and amplification shift between two runs: every mode of either has to be accounted for."""

from __future__ import annotations

from reportgen.judge.case import Case, Item
from reportgen.judge.curve import unexplained_peaks
from reportgen.judge.decision_rule import Tolerance
from reportgen.records.report import Pairing, RunShift
from reportgen.records.result import NO_PEAK, RunResult
from reportgen.records.verdict import Outcome
from reportgen.units import Quantity

SAME_HZ = 1e-9
_UNEXPLAINED = {Pairing.VANISHED: "vanished", Pairing.APPEARED: "appeared"}


def frequency_shift(case: Case) -> None:
    """Items: |after/before − 1| of the natural frequency of every paired mode; a lost or a new mode fails."""
    _shift(case, "frequency")


def amplification_shift(case: Case) -> None:
    """Items: |after/before − 1| of the steady-state amplification of every paired mode; a lost or a new mode fails."""
    _shift(case, "amplification")


def _shift(case: Case, quantity: str) -> None:
    limit = case.limit("ratio")
    before, after = case.run(case.requirement.before, "before"), case.run(case.requirement.after, "after")
    if limit is None or before is None or after is None:
        return
    if before.id == after.id:
        case.gap(f"before and after are the same run, {before.id}")
        return
    for run in (before, after):
        case.weigh_holes(run)
    if not all([case.weigh_steady_state(before), case.weigh_steady_state(after)]):
        return
    every = [row for row in case.shifts if (row.before, row.after) == (before.id, after.id)]
    scope = _scope(case, before, after, every, limit.si if quantity == "frequency" else None)
    rows = [row for row in every if row.channel in scope]
    if not rows:
        case.gap(f"no mode was found in both {before.id} and {after.id} that could be compared")
    for row in rows:
        if _in_scope(case, row, rows):
            _lay_row(case, row, quantity, limit)
    if rows and not case.items:
        case.gap(f"no mode was left of which the {quantity} could be compared")
    for run, is_before in ((before, True), (after, False)):
        _lay_uncompared(case, run, rows, scope, is_before)
        _lay_unexplained(case, run, scope)


def _lay_unexplained(case: Case, run: RunResult, scope: list[str]) -> None:
    """A peak that nothing explains may be a mode that has moved, come or gone."""
    for channel in run.channels:
        for f, height in unexplained_peaks(channel, in_band=case.in_band) if channel.id in scope else ():
            case.gap(
                f"channel {channel.id} of run {run.id} reaches {height:.3g} at {f:.4g} Hz, and no resonance explains it"
            )


def _scope(
    case: Case, before: RunResult, after: RunResult, rows: list[RunShift], frequency_limit: float | None
) -> list[str]:
    """Channels that carry evidence in both runs.

    An amplification belongs to its channel: a channel lost is evidence lost. A natural frequency is the structure's:
    the channels left show it, unless there are none or the lost one says itself that a limit is broken.
    """
    (sound_a, lost_a), (sound_b, lost_b) = case.sound_and_lost(before), case.sound_and_lost(after)
    scope = [channel.id for channel in sound_a if channel.id in {each.id for each in sound_b}]
    for name, why in (*lost_a, *lost_b):
        if frequency_limit is None or not scope or case.requirement.channel is not None:
            case.gap(why)
        elif any(_objects(row, frequency_limit) for row in rows if row.channel == name):
            case.gap(f"{why}; it shows what would not conform")
        else:
            case.remark(why)
    return scope


def _objects(row: RunShift, limit: float) -> bool:
    """Whether a row of a channel that carries no evidence speaks against the requirement all the same."""
    if row.pairing is Pairing.PAIRED:
        return row.frequency_shift is None or abs(row.frequency_shift) > limit
    return row.pairing is not Pairing.WEAK


def _in_scope(case: Case, row: RunShift, rows: list[RunShift]) -> bool:
    """Whether the requirement's band and mode take the row in; a mode without a number may be the one meant."""
    inside = any(f is not None and case.in_band(f) for f in (row.before_hz, row.after_hz))
    wanted = case.requirement.mode
    known = any(each.mode == wanted for each in rows if each.channel == row.channel)
    if inside and wanted is not None and row.mode is None and not known:
        case.gap(f"the mode at {_place(row)} has no number, so it cannot be told from mode {wanted}")
    return inside and (wanted is None or row.mode == wanted)


def _place(row: RunShift) -> str:
    frequency = row.before_hz if row.before_hz is not None else row.after_hz
    number = "" if row.mode is None else f" (mode {row.mode})"
    return f"{frequency:.4g} Hz on {row.channel}{number}"


def _lay_row(case: Case, row: RunShift, quantity: str, limit: Quantity) -> None:
    if row.pairing is not Pairing.PAIRED:
        _lay_unpaired(case, row)
        return
    shift = row.frequency_shift if quantity == "frequency" else row.amplification_shift
    std = row.frequency_shift_std if quantity == "frequency" else row.amplification_shift_std
    if shift is None:
        case.gap(f"the {quantity} shift at {_place(row)} is not known: {'; '.join(row.flags) or 'no value'}")
        return
    if quantity == "amplification" and any(flag.startswith(NO_PEAK) for flag in row.flags):
        case.remark(f"the mode at {_place(row)} has no peak there in either run, so no amplification was compared")
        return
    for flag in row.flags:
        if flag.startswith("numbered"):
            case.gap(f"the mode at {_place(row)} was {flag}")
    factor = limit.unit.factor
    values = _values(row, quantity)
    case.items.append(
        Item(
            text=f"{quantity} of the mode at {_place(row)} {'fell' if shift < 0 else 'rose'}{values} by",
            measured=abs(shift) / factor,
            std=None if std is None else std / factor,
            tolerance=Tolerance(high=limit.value),
            unit=limit.unit.symbol if limit.unit.symbol != "1" else "",
            run=row.after,
            channel=row.channel,
            mode=row.mode,
            frequency_hz=row.after_hz,
        )
    )


def _values(row: RunShift, quantity: str) -> str:
    if quantity == "frequency" and row.before_hz is not None and row.after_hz is not None:
        return f" from {row.before_hz:.5g} to {row.after_hz:.5g} Hz,"
    if row.before_amplification is not None and row.after_amplification is not None:
        return f" from {row.before_amplification:.4g} to {row.after_amplification:.4g},"
    return ""


def _lay_unpaired(case: Case, row: RunShift) -> None:
    why = "; ".join(row.flags)
    if row.pairing in _UNEXPLAINED:
        case.items.append(
            Item(
                text=f"the mode at {_place(row)} {_UNEXPLAINED[row.pairing]} between {row.before} and {row.after}",
                measured=None,
                outcome=Outcome.FAIL,
                reason=f"{why}; this has to be explained",
                run=row.after if row.pairing is Pairing.APPEARED else row.before,
                channel=row.channel,
                mode=row.mode,
                frequency_hz=row.before_hz if row.before_hz is not None else row.after_hz,
            )
        )
    elif row.pairing is Pairing.WEAK:
        case.remark(f"the mode at {_place(row)} is weak there and was compared on another channel")
    else:
        case.gap(f"the mode at {_place(row)} cannot be compared: {why}")


def _lay_uncompared(case: Case, run: RunResult, rows: list[RunShift], scope: list[str], is_before: bool) -> None:
    """Every resonance of either run has to appear in the comparison."""
    compared = [(row.channel, row.before_hz if is_before else row.after_hz) for row in rows]
    for channel in run.channels:
        if channel.id not in scope:
            continue
        for each in case.resonances(run, channel):
            if not any(
                name == channel.id and f is not None and abs(f - each.frequency_hz) <= SAME_HZ * each.frequency_hz
                for name, f in compared
            ):
                case.gap(
                    f"the resonance at {each.frequency_hz:.4g} Hz on {channel.id} of run {run.id} was not compared"
                )
