"""Several sweeps in one demodulated record, told apart."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from reportgen.records.log import Floats, SweepLog

_TURN_SHARE = 0.25
"""Of the record's whole range in octaves: a smaller way back is a look at a resonance and splits nothing."""
_NARROWEST_OCT = 0.1
"""A record that stays within this is a dwell, whatever its frequency does in there."""
_LEAP_OCT = 0.3
_FEWEST_ROWS = 8


def split_sweeps(log: SweepLog) -> tuple[SweepLog, ...]:
    """The sweeps of a log one by one, each counted; the log itself where it holds one.

    A sweep ends where the frequency turns and goes back by a quarter of the whole range (in octaves), or leaps by more
    than 0.3 octave from one row to the next. Time and drive cycles of each part stay those of the whole record.
    """
    octaves = np.log2(log.frequency_hz)
    if len(octaves) < 2 * _FEWEST_ROWS or np.ptp(octaves) < _NARROWEST_OCT:
        return (log,)
    leaps = np.flatnonzero(np.abs(np.diff(octaves)) > _LEAP_OCT) + 1
    cuts = []
    for begin, end in pairwise([0, *leaps.tolist(), len(octaves)]):
        cuts += [
            begin,
            *(begin + each + 1 for each in _turns(octaves[begin:end], _TURN_SHARE * float(np.ptp(octaves)))),
        ]
    parts = [(a, b) for a, b in pairwise([*cuts, len(octaves)]) if b - a >= _FEWEST_ROWS]
    if len(parts) < 2:
        return (log,)
    return tuple(
        replace(_rows(log, slice(a, b)), sweep_index=number, sweeps_in_file=len(parts))
        for number, (a, b) in enumerate(parts, 1)
    )


def _turns(octaves: Floats, back: float) -> list[int]:
    """Rows at which the course turns for good: extremes from which it goes back by more than ``back``."""
    turns: list[int] = []
    start = 0
    while True:
        course = octaves[start:]
        fallen = np.maximum.accumulate(course) - course > back
        risen = course - np.minimum.accumulate(course) > back
        when = [int(np.argmax(each)) if each.any() else len(course) for each in (fallen, risen)]
        first = min(when)
        if first == len(course):
            return turns
        extreme = np.argmax(course[:first]) if when[0] < when[1] else np.argmin(course[:first])
        if extreme > 0:
            turns.append(start + int(extreme))
        # go on from the extreme; what rose or fell there is the sweep itself, so look for its own turn
        start += int(extreme)
        rising = when[1] < when[0]
        turn = _next_turn(octaves[start:], back, rising=rising)
        if turn is None:
            return turns
        start += turn
        turns.append(start)


def _next_turn(course: Floats, back: float, *, rising: bool) -> int | None:
    """Place of the extreme that ends a sweep going one way; None where it runs to the end."""
    height = course if rising else -course
    turned = np.maximum.accumulate(height) - height > back
    if not turned.any():
        return None
    return int(np.argmax(height[: int(np.argmax(turned))]))


def _rows(log: SweepLog, rows: slice) -> SweepLog:
    def cut(values: Floats | None) -> Floats | None:
        return None if values is None else values[rows]

    return replace(
        log,
        frequency_hz=log.frequency_hz[rows],
        time_s=cut(log.time_s),
        drive_cycles=cut(log.drive_cycles),
        effective_bandwidth_hz=cut(log.effective_bandwidth_hz),
        row_line=None if log.row_line is None else log.row_line[rows],
        traces=tuple(
            replace(
                trace,
                amplitude=trace.amplitude[rows],
                phase_deg=cut(trace.phase_deg),
                distortion=cut(trace.distortion),
                residual=cut(trace.residual),
            )
            for trace in log.traces
        ),
    )
