"""Before and after: modes of two runs are paired by number, frequency and shape, and every mode gets a row."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise

from reportgen.compute.comparison.equal_level import AtLevel, at_equal_level
from reportgen.compute.comparison.seen_modes import ModeSeen, is_weak, modes_seen, pair_modes
from reportgen.records.asked_runs import asked_runs, in_order
from reportgen.records.job import Job, RunKind
from reportgen.records.message import Amount, Message, message
from reportgen.records.report import LevelBasis, Pairing, RunShift
from reportgen.records.result import Resonance, RunResult


def run_shifts(job: Job, runs: Sequence[RunResult]) -> tuple[RunShift, ...]:
    """Rows for every pair of runs that a requirement names, for successive surveys of one axis, and for specimens."""
    by_id = {run.id: run for run in runs}
    rows: list[RunShift] = []
    for before, after in dict.fromkeys((*run_pairs(job), *specimen_pairs(job))):
        if before in by_id and after in by_id:
            first, second = by_id[before], by_id[after]
            rows += compare_runs(first, second, [run for run in runs if _also_there(run, first, second)])
    return tuple(rows)


def _also_there(run: RunResult, before: RunResult, after: RunResult) -> bool:
    """Whether another run shows the structure along the axis of both."""
    return run.axis == before.axis == after.axis and run.id not in (before.id, after.id)


def run_pairs(job: Job) -> tuple[tuple[str, str], ...]:
    """(before, after) in the order of the requirements, then valid surveys of one axis in the order they were run."""
    asked = [part for each in job.requirements for part in asked_runs(job, each).parts]
    pairs = [(each.before, each.after) for each in asked if each.before and each.after and each.before != each.after]
    for axis in dict.fromkeys(run.axis for run in job.runs):
        surveys = [run for run in job.runs if run.kind is RunKind.SURVEY and run.axis == axis and run.counts]
        pairs += [(a.id, b.id) for a, b in pairwise(in_order(surveys))]
    return tuple(dict.fromkeys(pairs))


def specimen_pairs(job: Job) -> tuple[tuple[str, str], ...]:
    """(first specimen, other): the first valid survey of each along one axis, where there are several specimens."""
    pairs: list[tuple[str, str]] = []
    surveys = [run for run in in_order(job.runs) if run.kind is RunKind.SURVEY and run.counts and run.specimen]
    for axis in dict.fromkeys(run.written_axis for run in surveys):
        first = {run.specimen: run.id for run in reversed(surveys) if run.written_axis == axis}
        own = [first[each.id] for each in job.specimens if each.id in first]
        pairs += [(own[0], other) for other in own[1:]]
    return tuple(pairs)


def compare_runs(before: RunResult, after: RunResult, others: Sequence[RunResult] = ()) -> tuple[RunShift, ...]:
    """One row for every mode and channel that shows it in either run; ``others`` are further runs of their axis.

    Shifts are after/before − 1 of the values freed of the sweep, of frequencies at equal level of the mode. What both
    runs share (calibration of the same sensors) cancels in the ratio, so only the uncertainty of the fits enters.
    """
    old, new = modes_seen(before), modes_seen(after)
    rows: list[RunShift] = []
    partners = pair_modes(old, new)
    elsewhere = [_same_modes(old, run) for run in others]
    for i, mode in enumerate(old):
        further = [(run, there[i]) for run, there in zip(others, elsewhere, strict=True) if i in there]
        rows += _rows(before, after, mode, None if i not in partners else new[partners[i]], further)
    taken = set(partners.values())
    for j, mode in enumerate(new):
        if j not in taken:
            rows += _rows(before, after, None, mode)
    return tuple(sorted(rows, key=lambda row: (row.before_hz or row.after_hz or 0.0, row.channel)))


def _same_modes(old: list[ModeSeen], run: RunResult) -> dict[int, ModeSeen]:
    """The partner of each mode in another run, by index."""
    there = modes_seen(run)
    return {i: there[j] for i, j in pair_modes(old, there).items()}


def _rows(
    before: RunResult, after: RunResult, old: ModeSeen | None, new: ModeSeen | None,
    further: Sequence[tuple[RunResult, ModeSeen]] = (),
) -> Iterator[RunShift]:  # fmt: skip
    at = at_equal_level(before, after, old, new, further) if old and new else None
    channels = dict.fromkeys((*(old.resonances if old else ()), *(new.resonances if new else ())))
    for channel in channels:
        a = old.resonances.get(channel) if old else None
        b = new.resonances.get(channel) if new else None
        if a is not None and b is not None and at is not None:
            yield _at_level(_pair_row(before, after, channel, a, b), at)
        elif a is not None:
            yield _single_row(before, after, channel, a, paired=new is not None, mode=old, is_before=True)
        elif b is not None:
            yield _single_row(before, after, channel, b, paired=old is not None, mode=new, is_before=False)


def _pair_row(before: RunResult, after: RunResult, channel: str, a: Resonance, b: Resonance) -> RunShift:
    frequency = b.frequency_hz / a.frequency_hz
    amplification = b.amplification / a.amplification if a.amplification and b.amplification is not None else None
    renumbered = (a.mode, b.mode) if a.mode is not None and b.mode is not None and a.mode != b.mode else None
    own_peak = a.has_peak or b.has_peak
    flags = []
    if renumbered is not None:
        flags.append(message("shift.renumbered", before=renumbered[0], after=renumbered[1]))
    if amplification is None:
        flags.append(message("shift.no-amplification"))
    if not own_peak:
        flags.append(message("shift.no-peak"))
    return RunShift(
        before=before.id,
        after=after.id,
        channel=channel,
        before_hz=a.frequency_hz,
        after_hz=b.frequency_hz,
        frequency_shift=frequency - 1.0,
        frequency_shift_std=ratio_std(
            frequency, a.frequency_hz, a.frequency_std_hz, b.frequency_hz, b.frequency_std_hz
        ),
        amplification_shift=None if amplification is None else amplification - 1.0,
        amplification_shift_std=ratio_std(amplification, a.amplification, _fit_std(a), b.amplification, _fit_std(b)),
        mode=a.mode if a.mode is not None else b.mode,
        flags=tuple(flags),
        before_amplification=a.amplification,
        after_amplification=b.amplification,
        renumbered=renumbered,
        own_peak=own_peak,
    )


def _at_level(row: RunShift, at: AtLevel) -> RunShift:
    """The row with the shift of its frequency at equal level."""
    row = replace(
        row, level=at.level, level_unit=None if at.channel is None else at.unit, level_channel=at.channel,
        level_basis=at.basis, before_level=at.before_level, after_level=at.after_level,
    )  # fmt: skip
    if at.reason is not None:
        return replace(row, frequency_shift=None, frequency_shift_std=None, flags=(*row.flags, at.reason))
    if at.before_hz is None or at.after_hz is None:
        return row if at.level is None else replace(
            row, before_at_level_hz=row.before_hz, after_at_level_hz=row.after_hz
        )  # fmt: skip
    ratio = at.after_hz / at.before_hz
    return replace(
        row, before_at_level_hz=at.before_hz, after_at_level_hz=at.after_hz, frequency_shift=ratio - 1.0,
        frequency_shift_std=ratio_std(ratio, at.before_hz, at.before_std_hz, at.after_hz, at.after_std_hz),
        flags=(*row.flags, *_how_compared(at)),
    )  # fmt: skip


def _how_compared(at: AtLevel) -> Iterator[Message]:
    """What the reader has to know of a shift that is not of the values as each run gives them."""
    if at.level is None or at.channel is None:
        return
    level = Amount(at.level, at.unit)
    if at.basis is LevelBasis.EQUAL_LEVEL:
        yield message(
            "shift.equal-level", level=level, channel=at.channel, before_hz=at.before_hz, after_hz=at.after_hz
        )
    elif at.basis is LevelBasis.AXIS_BACKBONE:
        yield message("shift.axis-backbone", level=level, channel=at.channel, before_hz=at.before_hz)
    elif at.basis is LevelBasis.CONTINUED:
        yield message("shift.continued", level=level, channel=at.channel)
    elif at.basis is LevelBasis.NOT_SEEN_TO_MOVE and at.before_level is not None and at.after_level is not None:
        yield message(
            "shift.not-seen-to-move", channel=at.channel,
            before_level=Amount(at.before_level, at.unit), after_level=Amount(at.after_level, at.unit),
        )  # fmt: skip


def _fit_std(resonance: Resonance) -> float | None:
    """What does not cancel in a ratio of two runs with the same sensor."""
    if resonance.amplification_std_fit is not None:
        return resonance.amplification_std_fit
    return resonance.amplification_std


def ratio_std(
    ratio: float | None, a: float | None, a_std: float | None, b: float | None, b_std: float | None
) -> float | None:
    """Standard uncertainty of b/a for independent a and b (JCGM 100, 5.1.6)."""
    if ratio is None or not a or not b or a_std is None or b_std is None:
        return None
    return abs(ratio) * math.hypot(a_std / a, b_std / b)


def _single_row(
    before: RunResult,
    after: RunResult,
    channel: str,
    seen: Resonance,
    *,
    paired: bool,
    mode: ModeSeen | None,
    is_before: bool,
) -> RunShift:
    """A mode that this channel shows in one run only."""
    other = after if is_before else before
    if _is_excluded(other, channel, seen.frequency_hz):
        pairing = Pairing.NOT_COVERED
        why = message("shift.not-used", run=other.id, frequency_hz=seen.frequency_hz)
    elif not _covers(other, seen.frequency_hz):
        pairing = Pairing.NOT_COVERED
        why = message("shift.not-swept", run=other.id, frequency_hz=seen.frequency_hz)
    elif paired:
        pairing = Pairing.WEAK if is_weak(seen) else Pairing.UNSEEN
        why = message("shift.not-on-channel", channel=channel, run=other.id)
    elif mode is None or mode.weak:
        pairing, why = Pairing.DOUBTFUL, message("shift.weak", run=other.id)
    else:
        pairing = Pairing.VANISHED if is_before else Pairing.APPEARED
        why = message("shift.not-seen", run=other.id)
    return RunShift(
        before=before.id,
        after=after.id,
        channel=channel,
        before_hz=seen.frequency_hz if is_before else None,
        after_hz=None if is_before else seen.frequency_hz,
        frequency_shift=None,
        frequency_shift_std=None,
        amplification_shift=None,
        amplification_shift_std=None,
        mode=seen.mode,
        flags=(why,),
        pairing=pairing,
        before_amplification=seen.amplification if is_before else None,
        after_amplification=None if is_before else seen.amplification,
    )


def _covers(run: RunResult, frequency_hz: float) -> bool:
    """Whether a run could have shown a mode there; a decay shows what was plucked and cannot be said to miss."""
    return run.sweep is not None and run.sweep.lowest_hz <= frequency_hz <= run.sweep.highest_hz


def _is_excluded(run: RunResult, channel: str, frequency_hz: float) -> bool:
    """Whether the engineer does not use the rows there on a channel, so that it cannot be said to miss a mode."""
    bands = [band for each in run.channels if each.id == channel for band in each.excluded_hz]
    return any(low <= frequency_hz <= high for low, high in bands)
