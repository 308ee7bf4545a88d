"""Several sweeps in one demodulated record, told apart."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from reportgen.compute.demodulation import demodulate
from reportgen.errors import ComputeError
from reportgen.records.log import Floats, SweepLog, TimeHistory
from reportgen.records.stretch import SMALLEST_RANGE_OCT, stretches

_LEAP_OCT = 0.3
_FEWEST_ROWS = 8


def split_sweeps(log: SweepLog) -> tuple[SweepLog, ...]:
    """The sweeps of a log one by one, each counted; the log itself where it holds one.

    A sweep ends where the frequency turns and goes back by a quarter of the whole range (in octaves), or leaps by more
    than 0.3 octave from one row to the next. Time and drive cycles of each part stay those of the whole record.
    """
    octaves = np.log2(log.frequency_hz)
    if len(octaves) < 2 * _FEWEST_ROWS or np.ptp(octaves) < SMALLEST_RANGE_OCT:
        return (log,)
    leaps = np.flatnonzero(np.abs(np.diff(octaves)) > _LEAP_OCT) + 1
    parts = [
        slice(begin + each.start, begin + each.stop)
        for begin, end in pairwise([0, *leaps.tolist(), len(octaves)])
        for each in stretches(log.frequency_hz[begin:end], float(np.ptp(octaves)))
        if each.stop - each.start >= _FEWEST_ROWS
    ]
    if len(parts) < 2:
        return (log,)
    return tuple(
        replace(_rows(log, part), sweep_index=number, sweeps_in_file=len(parts)) for number, part in enumerate(parts, 1)
    )


def sweeps_of_record(history: TimeHistory, drive: str, *, workers: int = 1) -> tuple[SweepLog, ...]:
    """The sweeps of a record as one channel shows them; none where no sine can be followed through it."""
    try:
        rows = demodulate(history.only((drive,)), drive, (drive,), workers=workers)
    except ComputeError:
        return ()
    return split_sweeps(rows)


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
