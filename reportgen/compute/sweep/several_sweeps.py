"""Several sweeps in one demodulated record, told apart."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise

import numpy as np

from reportgen.compute.demodulation.demodulation import demodulate
from reportgen.compute.sweep.pieces import rows_of
from reportgen.errors import ComputeError
from reportgen.records.log import Floats, SweepLog, TimeHistory
from reportgen.records.stretch import SMALLEST_RANGE_OCT, Stretch, joined, stretches

_LEAP_OCT = 0.3
_FEWEST_ROWS = 8


def split_sweeps(log: SweepLog) -> tuple[SweepLog, ...]:
    """The sweeps of a log one by one, each counted; the log itself where it holds one.

    A sweep ends where the frequency turns and goes back by a quarter of the whole range (in octaves), or leaps by more
    than 0.3 octave from one row to the next; one that was stopped and resumed is one. Time and drive cycles of each
    part stay those of the whole record.
    """
    octaves = np.log2(log.frequency_hz)
    if len(octaves) < 2 * _FEWEST_ROWS or np.ptp(octaves) < SMALLEST_RANGE_OCT:
        return (log,)
    parts = joined(tuple(_parts(log.frequency_hz, octaves)))
    if len(parts) < 2:
        return (log,)
    return tuple(
        replace(rows_of(log, slice(part.start, part.stop)), sweep_index=number, sweeps_in_file=len(parts))
        for number, part in enumerate(parts, 1)
    )


def _parts(frequency_hz: Floats, octaves: Floats) -> Iterator[Stretch]:
    """Stretches between turns and leaps, of a few rows at least."""
    leaps = np.flatnonzero(np.abs(np.diff(octaves)) > _LEAP_OCT) + 1
    for begin, end in pairwise([0, *leaps.tolist(), len(octaves)]):
        for each in stretches(frequency_hz[begin:end], float(np.ptp(octaves))):
            if each.stop - each.start >= _FEWEST_ROWS:
                yield replace(each, start=begin + each.start, stop=begin + each.stop)


def sweeps_of_record(history: TimeHistory, drive: str, *, workers: int = 1) -> tuple[SweepLog, ...]:
    """The sweeps of a record as one channel shows them; none where no sine can be followed through it."""
    try:
        rows = demodulate(history.only((drive,)), drive, (drive,), workers=workers)
    except ComputeError:
        return ()
    return split_sweeps(rows)
