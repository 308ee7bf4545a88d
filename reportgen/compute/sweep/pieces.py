"""A sweep that was interrupted: the pieces it was run in, where they overlap, and where no row is.

A run is stopped, something is mended, and it is resumed a little before the place where it stopped; or rows are
missing. The pieces are one run of one structure. From one piece to the next neither frequency nor level nor vibration
runs on, so whatever compares a row with its neighbours has to stay within a piece.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from reportgen.records.holes import AROUND, WIDE_STEPS, wide_steps
from reportgen.records.log import Floats, SweepLog
from reportgen.records.log_parts import kept_starts

RETURN_OCTAVES = 0.01
"""A way back smaller than this (0.7 %) is the jitter of a frequency that is measured, and no resumption."""
BREAK_S = 1e5
"""Seconds put between pieces for the identification: 36 time constants of Q = 5000 at 1 Hz are 0.6 of it, so nothing
that rang in one piece is heard in the next."""


@dataclass(frozen=True, slots=True)
class Piece:
    """Rows ``start`` up to ``stop`` that were run without a break."""

    start: int
    stop: int
    first_hz: float
    last_hz: float

    @property
    def rows(self) -> slice:
        """Its rows in the log."""
        return slice(self.start, self.stop)


def pieces_of(log: SweepLog) -> tuple[Piece, ...]:
    """The pieces of a log in the order of its rows; one where it ran through."""
    f = log.frequency_hz
    edges = [0, *sorted({*_resumptions(f), *_wide_rows(f), *log.part_starts}), len(f)]
    return tuple(Piece(a, b, float(f[a]), float(f[b - 1])) for a, b in pairwise(edges))


def resumed(pieces: tuple[Piece, ...]) -> Iterator[tuple[Piece, Piece]]:
    """Pairs of neighbouring pieces of which the second begins where the first had been already."""
    for before, after in pairwise(pieces):
        if (after.first_hz - before.last_hz) * (after.last_hz - after.first_hz) < 0:
            yield before, after


def without_returns(log: SweepLog) -> tuple[SweepLog, int]:
    """The log without the rows logged while an interrupted sweep was driven back, and how many those were."""
    returns = [np.arange(a + 1, b) for a, b in _returns(log.frequency_hz)]
    drop = np.concatenate(returns) if returns else np.empty(0, dtype=np.int64)
    if not drop.size:
        return log, 0
    keep = np.setdiff1d(np.arange(len(log.frequency_hz)), drop)
    return rows_of(log, keep), int(drop.size)


def rows_of(log: SweepLog, rows: slice | NDArray[np.int64]) -> SweepLog:
    """The log with these rows alone."""

    def cut(values: Floats | None) -> Floats | None:
        return None if values is None else values[rows]

    return replace(
        log,
        frequency_hz=log.frequency_hz[rows],
        time_s=cut(log.time_s),
        drive_cycles=cut(log.drive_cycles),
        effective_bandwidth_hz=cut(log.effective_bandwidth_hz),
        row_line=None if log.row_line is None else log.row_line[rows],
        part_starts=kept_starts(log.part_starts, rows, len(log.frequency_hz)),
        conditions=tuple(replace(each, values=each.values[rows]) for each in log.conditions),
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


def apart(time_s: Floats, pieces: tuple[Piece, ...]) -> Floats:
    """Times (n,) with the pieces moved so far apart that nothing rings on from one to the next."""
    moved = time_s.astype(float).copy()
    for before, after in pairwise(pieces):
        moved[after.rows] += moved[before.stop - 1] + BREAK_S - time_s[after.start]
    return moved


def advanced(drive_cycles: Floats, frequency_hz: Floats, pieces: tuple[Piece, ...]) -> Floats:
    """Cycles of the drive (n,) to go with the times of ``apart``: as many as the mean frequency makes in between."""
    moved = drive_cycles.astype(float).copy()
    for before, after in pairwise(pieces):
        between = 0.5 * (frequency_hz[before.stop - 1] + frequency_hz[after.start]) * BREAK_S
        moved[after.rows] += moved[before.stop - 1] + between - drive_cycles[after.start]
    return moved


def breaks(time_s: Floats) -> NDArray[np.int64]:
    """First rows after the pauses that ``apart`` put between pieces; time of shape (n,)."""
    return np.flatnonzero(np.diff(time_s) >= 0.5 * BREAK_S) + 1


def _resumptions(f: Floats) -> list[int]:
    """First rows of pieces that begin again further back."""
    return [b for _, b in _returns(f)]


def _returns(f: Floats) -> Iterator[tuple[int, int]]:
    """(last row of a piece, first row of the next) of each quick way back between two ways in the same direction."""
    octaves = np.log2(f)
    turns = _turns(octaves)
    steps = np.abs(np.diff(octaves))
    usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    legs = list(pairwise(turns))
    for k in range(1, len(legs) - 1):
        a, b = legs[k]
        quick = abs(octaves[b] - octaves[a]) / (b - a) > WIDE_STEPS * usual
        beside = [legs[k - 1], legs[k + 1]]
        if quick and all(end - begin >= AROUND for begin, end in beside):
            yield a, b


def _turns(octaves: Floats) -> list[int]:
    """First row, rows where the course turns back by more than ``RETURN_OCTAVES``, last row."""
    turns, extreme, going = [0], 0, 0.0
    for row, here in enumerate(octaves.tolist()):
        ahead = here - octaves[extreme]
        if going == 0.0:
            if abs(ahead) > RETURN_OCTAVES:
                going, extreme = float(np.sign(ahead)), row
        elif ahead * going >= 0:
            extreme = row
        elif -ahead * going > RETURN_OCTAVES:
            turns.append(extreme)
            going, extreme = -going, row
    last = len(octaves) - 1
    return [*turns, last] if last > turns[-1] else turns


def _wide_rows(f: Floats) -> list[int]:
    """First rows after a step that is too wide for the rows around it."""
    return (np.flatnonzero(wide_steps(f)) + 1).tolist()
