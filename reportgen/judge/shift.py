"""Frequency and amplification shift between two runs: every mode of either has to be accounted for."""

from __future__ import annotations

from reportgen.judge.case import Case, Item, Reading
from reportgen.judge.curve import unexplained_on_lost, unexplained_peaks
from reportgen.judge.decision_rule import Tolerance
from reportgen.records.check import Check
from reportgen.records.job import RunKind
from reportgen.records.message import Amount, Message, message
from reportgen.records.report import Pairing, RunShift
from reportgen.records.result import RunResult
from reportgen.records.verdict import Outcome, ProvedBy
from reportgen.units import Quantity

SAME_HZ = 1e-9


def frequency_shift(case: Case) -> None:
    """Items: |after/before − 1| of the natural frequency of every paired mode; a lost or a new mode fails."""
    _shift(case, "frequency")


def amplification_shift(case: Case) -> None:
    """Items: |after/before − 1| of the steady-state amplification of every paired mode; a lost or a new mode fails."""
    _shift(case, "amplification")


def _shift(case: Case, quantity: str) -> None:
    limit = case.limit("ratio")
    before, after, every = _compared(case, quantity)
    if limit is None or before is None or after is None or not _comparable(case, before, after):
        return
    scope = _scope(case, before, after, every, limit.si if quantity == "frequency" else None)
    rows = [row for row in every if row.channel in scope]
    if not rows:
        case.gap(message("judge.no-mode-in-both", before=before.id, after=after.id))
    for row in rows:
        if _in_scope(case, row, rows):
            _lay_row(case, row, quantity, limit)
    if rows and not case.items and quantity == "frequency":
        case.gap(message("judge.no-frequency-compared"))
    elif rows and not case.items:
        case.gap(message("judge.no-amplification-compared"))
    for run, is_before in ((before, True), (after, False)):
        _lay_uncompared(case, run, rows, scope, is_before)
        _lay_unexplained_peaks(case, run, scope)


def _compared(case: Case, quantity: str) -> tuple[RunResult | None, RunResult | None, list[RunShift]]:
    """State before, run after and the rows between them; None, with the gap laid down, for what is not there."""
    after = case.run(case.requirement.after, "after")
    if case.job.is_by_reference(case.requirement):
        if quantity != "frequency":
            case.gap(message("judge.reference-frequency-alone"))
            return None, after, []
        found = case.against_reference(after)
        return (found.before, after, list(found.shifts)) if found is not None else (None, after, [])
    before = case.run(case.requirement.before, "before")
    names = (case.requirement.before, case.requirement.after)
    return before, after, [row for row in case.shifts if (row.before, row.after) == names]


def _lay_unexplained_peaks(case: Case, run: RunResult, scope: list[str]) -> None:
    """A peak that nothing explains may be a mode that has moved, come or gone, on whichever channel it stands."""
    wanted = case.requirement.channel
    for channel in run.channels:
        if channel.id in case.job.monitors or wanted not in (None, channel.id):
            continue
        if channel.id in scope:
            peaks = unexplained_peaks(channel, in_band=case.in_band)
        else:
            peaks = unexplained_on_lost(channel, run, in_band=case.in_band)
        for f, height in peaks:
            case.gap(message("judge.peak-unexplained", channel=channel.id, run=run.id, height=height, frequency_hz=f))


def _comparable(case: Case, before: RunResult, after: RunResult) -> bool:
    """Whether two runs can be held against each other at all; where not, the gap is laid down."""
    if before.id == after.id:
        case.gap(message("judge.same-run", run=before.id))
        return False
    for run in (before, after):
        case.weigh_holes(run)
        if run is after or not case.job.is_by_reference(case.requirement):
            case.weigh_travelled(run)
    return all([case.weigh_steady_state(before), case.weigh_steady_state(after)])


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
            case.gap(message("judge.lost-channel-objects", why=why))
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
        case.gap(message("judge.mode-unnumbered", where=_place(row), mode=wanted))
    return inside and (wanted is None or row.mode == wanted)


def _place(row: RunShift) -> Message:
    frequency = row.before_hz if row.before_hz is not None else row.after_hz
    if row.mode is None:
        return message("judge.shift-place", frequency_hz=frequency, channel=row.channel)
    return message("judge.shift-place-of-mode", frequency_hz=frequency, channel=row.channel, mode=row.mode)


def _lay_row(case: Case, row: RunShift, quantity: str, limit: Quantity) -> None:
    if row.pairing is not Pairing.PAIRED:
        _lay_unpaired(case, row)
        return
    shift = row.frequency_shift if quantity == "frequency" else row.amplification_shift
    std = row.frequency_shift_std if quantity == "frequency" else row.amplification_shift_std
    if shift is None:
        _lay_unknown(case, row, quantity)
        return
    if quantity == "amplification" and not row.own_peak:
        case.remark(message("judge.no-peak-either", where=_place(row)))
        return
    if row.renumbered is not None:
        before, after = row.renumbered
        case.gap(message("judge.mode-renumbered", where=_place(row), before=before, after=after))
    factor = limit.unit.factor
    reading = Reading(
        measured=abs(shift) / factor,
        std=None if std is None else std / factor,
        tolerance=Tolerance(high=limit.value),
        unit=limit.unit.symbol if limit.unit.symbol != "1" else "",
    )
    what = _moved(row, quantity, fell=shift < 0)
    case.items.append(
        Item(
            text=what,
            said=message("judge.moved-by", what=what, held=reading.against()),
            reading=reading,
            run=row.after,
            channel=row.channel,
            mode=row.mode,
            frequency_hz=row.after_hz,
        )
    )


def _lay_unknown(case: Case, row: RunShift, quantity: str) -> None:
    """A pair without a value: what the comparison says of it."""
    why = row.flags or (message("judge.no-value"),)
    if quantity == "frequency":
        case.gap(message("judge.frequency-shift-unknown", where=_place(row), why=why))
    else:
        case.gap(message("judge.amplification-shift-unknown", where=_place(row), why=why))


def _moved(row: RunShift, quantity: str, *, fell: bool) -> Message:
    """Which way a mode went, and from where to where."""
    where, a, b = _place(row), row.before_amplification, row.after_amplification
    if quantity == "frequency":
        return _frequency_moved(row, fell=fell)
    if a is None or b is None:
        moved = message("judge.amplification-fell-by", where=where)
        return moved if fell else message("judge.amplification-rose-by", where=where)
    if fell:
        return message("judge.amplification-fell", where=where, before=a, after=b)
    return message("judge.amplification-rose", where=where, before=a, after=b)


def _frequency_moved(row: RunShift, *, fell: bool) -> Message:
    """From where to where, and at which level of the mode where that is known."""
    where = _place(row)
    if row.level is None or row.level_channel is None:
        moved = message("judge.frequency-fell", where=where, before_hz=row.before_hz, after_hz=row.after_hz)
        rose = message("judge.frequency-rose", where=where, before_hz=row.before_hz, after_hz=row.after_hz)
        return moved if fell else rose
    level, a, b = Amount(row.level, row.level_unit or ""), row.before_at_level_hz, row.after_at_level_hz
    if fell:
        return message(
            "judge.frequency-fell-at", where=where, before_hz=a, after_hz=b, level=level, channel=row.level_channel
        )
    return message(
        "judge.frequency-rose-at", where=where, before_hz=a, after_hz=b, level=level, channel=row.level_channel
    )


def _lay_unpaired(case: Case, row: RunShift) -> None:
    where = _place(row)
    if row.pairing is Pairing.VANISHED:
        _lay_unexplained(
            case, row, message("judge.vanished", where=where, before=row.before, after=row.after, why=row.flags)
        )
    elif row.pairing is Pairing.APPEARED:
        _lay_unexplained(
            case, row, message("judge.appeared", where=where, before=row.before, after=row.after, why=row.flags)
        )
    elif row.pairing is Pairing.WEAK:
        case.remark(message("judge.weak-there", where=where))
    else:
        case.gap(message("judge.not-comparable", where=where, why=row.flags))


def _lay_unexplained(case: Case, row: RunShift, text: Message) -> None:
    case.items.append(
        Item(
            text=text,
            outcome=Outcome.FAIL,
            run=row.after if row.pairing is Pairing.APPEARED else row.before,
            channel=row.channel,
            mode=row.mode,
            frequency_hz=row.before_hz if row.before_hz is not None else row.after_hz,
        )
    )


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
                where = message("judge.place", frequency_hz=each.frequency_hz, channel=channel.id, run=run.id)
                case.gap(message("judge.not-compared", where=where))


FREQUENCY_SHIFT = Check(
    name="frequency shift",
    needs=(("before", "surveys"), ("after", "surveys"), ("limit",)),
    limit_dimensions=("ratio",),
    limit_example="5 %",
    narrowed_by=("channel", "mode", "band"),
    run_kinds=(RunKind.SURVEY, RunKind.SWEEP, RunKind.DECAY),
    proved_by=ProvedBy.FREQUENCY_SHIFT,
    compares=message("check.frequency-shift"),
    function=frequency_shift,
)
AMPLIFICATION_SHIFT = Check(
    name="amplification shift",
    needs=(("before", "surveys"), ("after", "surveys"), ("limit",)),
    limit_dimensions=("ratio",),
    limit_example="20 %",
    narrowed_by=("channel", "mode", "band"),
    run_kinds=(RunKind.SURVEY, RunKind.SWEEP),
    proved_by=ProvedBy.AMPLIFICATION_SHIFT,
    compares=message("check.amplification-shift"),
    function=amplification_shift,
)
