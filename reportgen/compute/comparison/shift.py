"""Before and after: modes of two runs are paired by number, frequency and shape, and every mode gets a row."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from reportgen.records.job import Job, RunKind
from reportgen.records.message import message
from reportgen.records.report import Pairing, RunShift
from reportgen.records.result import Resonance, RunResult

SAME_MODE = 0.005
"""Channels of one run show one mode where their frequencies agree within 0.5 %, half a bandwidth or three standard
uncertainties."""
FARTHEST = 0.2
"""A mode without number or shape is looked for up to this far away (as ln of the ratio of frequencies)."""
FARTHEST_BY_SHAPE = 0.35
FARTHEST_BY_NUMBER = 0.7
SAME_SHAPE = 0.8
"""Modal assurance criterion above which two shapes count as alike (common practice in modal test)."""
WEAK_Q = 0.1
"""A mode whose Q is known worse than 10 % stands too weakly to say that it vanished."""


@dataclass(slots=True)
class ModeSeen:
    """One mode of one run on all channels that show it."""

    resonances: dict[str, Resonance] = field(default_factory=dict)

    @property
    def frequency_hz(self) -> float:
        """Median over the channels."""
        return float(np.median([each.frequency_hz for each in self.resonances.values()]))

    @property
    def number(self) -> int | None:
        """Mode number that a channel's resonance carries, or None."""
        return next((each.mode for each in self.resonances.values() if each.mode is not None), None)

    @property
    def weak(self) -> bool:
        """True where no channel knows it well."""
        return all(is_weak(each) for each in self.resonances.values())


def is_weak(resonance: Resonance) -> bool:
    """Whether a resonance is known too badly to conclude anything from its absence elsewhere."""
    if resonance.q is None or resonance.q_std is None or resonance.frequency_std_hz is None:
        return True
    return resonance.q_std > WEAK_Q * resonance.q


def run_shifts(job: Job, runs: Sequence[RunResult]) -> tuple[RunShift, ...]:
    """Rows for every pair of runs that a requirement names, and for successive surveys of one axis."""
    by_id = {run.id: run for run in runs}
    rows: list[RunShift] = []
    for before, after in run_pairs(job):
        if before in by_id and after in by_id:
            rows += compare_runs(by_id[before], by_id[after])
    return tuple(rows)


def run_pairs(job: Job) -> tuple[tuple[str, str], ...]:
    """(before, after) in the order of the requirements, then surveys of one axis in the order they were run."""
    pairs = [
        (each.before, each.after)
        for each in job.requirements
        if each.before and each.after and each.before != each.after
    ]
    for axis in dict.fromkeys(run.axis for run in job.runs):
        surveys = [run for run in job.runs if run.kind is RunKind.SURVEY and run.axis == axis]
        if all(run.started is not None for run in surveys):
            surveys.sort(key=lambda run: run.started.isoformat() if run.started else "")
        pairs += [(a.id, b.id) for a, b in pairwise(surveys)]
    return tuple(dict.fromkeys(pairs))


def compare_runs(before: RunResult, after: RunResult) -> tuple[RunShift, ...]:
    """One row for every mode and channel that shows it in either run.

    Shifts are after/before − 1 of the values freed of the sweep. What both runs share (calibration of the same
    sensors) cancels in the ratio, so only the uncertainty of the fits enters.
    """
    old, new = modes_seen(before), modes_seen(after)
    rows: list[RunShift] = []
    partners = pair_modes(old, new)
    for i, mode in enumerate(old):
        rows += _rows(before, after, mode, None if i not in partners else new[partners[i]])
    taken = set(partners.values())
    for j, mode in enumerate(new):
        if j not in taken:
            rows += _rows(before, after, None, mode)
    return tuple(sorted(rows, key=lambda row: (row.before_hz or row.after_hz or 0.0, row.channel)))


def modes_seen(run: RunResult) -> list[ModeSeen]:
    """Resonances of all channels, rejected ones apart, gathered into modes in rising frequency."""
    every = [(res, channel.id) for channel in run.channels for res in channel.resonances if res.rejected is None]
    modes: list[ModeSeen] = []
    for resonance, channel in sorted(every, key=lambda each: each[0].frequency_hz):
        home = next((mode for mode in reversed(modes[-3:]) if _belongs(resonance, channel, mode)), None)
        if home is None:
            modes.append(home := ModeSeen())
        home.resonances[channel] = resonance
    return modes


def _belongs(resonance: Resonance, channel: str, mode: ModeSeen) -> bool:
    if channel in mode.resonances:
        return False
    if resonance.mode is not None and mode.number is not None:
        return resonance.mode == mode.number
    near = mode.frequency_hz
    width = max(
        SAME_MODE * near,
        0.5 * near / resonance.q if resonance.q else 0.0,
        3.0 * (resonance.frequency_std_hz or 0.0),
    )
    return abs(resonance.frequency_hz - near) <= width


def shape_likeness(a: dict[str, Resonance], b: dict[str, Resonance]) -> float | None:
    """Modal assurance criterion |aᴴb|² / (aᴴa · bᴴb) over the channels both share; None with fewer than two.

    Allemang & Brown, 1st International Modal Analysis Conference, 1982.
    """
    shared = [c for c in a if c in b and a[c].residue is not None and b[c].residue is not None]
    if len(shared) < 2:
        return None
    x = np.array([a[c].residue for c in shared], dtype=complex)
    y = np.array([b[c].residue for c in shared], dtype=complex)
    power = float(np.vdot(x, x).real * np.vdot(y, y).real)
    return float(abs(np.vdot(x, y)) ** 2 / power) if power > 0 else None


def _cost(a: ModeSeen, b: ModeSeen) -> float:
    """How badly two modes go together: 1 is as far as they may be apart; inf where they cannot be one."""
    distance = abs(math.log(b.frequency_hz / a.frequency_hz))
    likeness = shape_likeness(a.resonances, b.resonances)
    if a.number is not None and a.number == b.number:
        farthest, penalty = FARTHEST_BY_NUMBER, 0.0
    elif likeness is not None and likeness >= SAME_SHAPE:
        farthest, penalty = FARTHEST_BY_SHAPE, 0.0
    else:
        farthest, penalty = FARTHEST, 0.0 if likeness is None else 0.5 * (1.0 - likeness)
    if a.number is not None and b.number is not None and a.number != b.number:
        penalty += 0.4
    cost = distance / farthest + penalty
    return cost if cost < 1.0 else math.inf


def pair_modes(old: list[ModeSeen], new: list[ModeSeen]) -> dict[int, int]:
    """Index of the partner of each old mode; the pairing with the least total cost, staying alone costing 1 each."""
    if not old or not new:
        return {}
    from scipy.optimize import linear_sum_assignment

    alone = 2.0
    cost = np.array([[min(_cost(a, b), 1e6) for b in new] for a in old])
    size = len(old) + len(new)
    square = np.full((size, size), 0.0)
    square[: len(old), : len(new)] = cost
    square[: len(old), len(new) :] = alone / 2.0
    square[len(old) :, : len(new)] = alone / 2.0
    rows, columns = linear_sum_assignment(square)
    return {
        int(i): int(j) for i, j in zip(rows, columns, strict=True) if i < len(old) and j < len(new) and cost[i, j] < 1.0
    }


def _rows(before: RunResult, after: RunResult, old: ModeSeen | None, new: ModeSeen | None) -> Iterator[RunShift]:
    channels = dict.fromkeys((*(old.resonances if old else ()), *(new.resonances if new else ())))
    for channel in channels:
        a = old.resonances.get(channel) if old else None
        b = new.resonances.get(channel) if new else None
        if a is not None and b is not None:
            yield _pair_row(before, after, channel, a, b)
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
    if not _covers(other, seen.frequency_hz):
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
