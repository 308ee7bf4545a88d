"""Times of the rows of a table: even ones, labels of even ones, clocks that lost single samples, and uneven clocks."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reportgen.errors import ReadError
from reportgen.read.formats.recording import Rows, Spool, rounded_rate
from reportgen.records.log import Floats
from reportgen.records.message import Message, Place, message

LineOf = Callable[[int], int]
"""Row, from 0, to its line in the file."""
Where = Callable[[int], Place]
"""Row, from 0, to the place that a finding about it names."""
PIECE = 1 << 18
"""Rows looked at together."""
_STRAY = 0.6
"""Of the usual interval: what the rounding of times as written may move one of them."""
_LABELS = 1.05
"""Of the last digit: times cut to it lie that far from even ones at most."""
_FINER, _COARSER = 0.45, 1.5
"""Of the interval: a digit below the first moves times by less than the half interval by which one lost sample moves
them; digits above the second make steps of none and of several. Between them only steps tell."""
_COARSEST = 5e-4
"""Of the record's length: a digit coarser than that leaves the sample rate, and every frequency, in doubt by 0.05 %."""
_FEW_LOST = 0.01
"""Share of samples lost one by one, up to which they are put in between their neighbours and named one by one."""
_MOST_IN_A_ROW = 2
"""Samples lost in a row, up to which a spline is drawn over them, good to a twentieth of the sampling rate (see
UNEVEN_GOOD_UP_TO); over three more of a cycle at that frequency is missing than between what is left."""
GOOD_TO = 0.01
"""Of a sinusoid: error of samples that are put in or taken anew, up to the frequency that is told."""
GOOD_UP_TO = 12.7
"""A sample put in from two neighbours on either side, (−1, 4, 4, −1)/6, is off by ω⁴/6 of a sinusoid, ω in radians a
sample: 1 % at a frequency of the sampling rate over 12.7."""
_EVEN = 1e-3
"""Of the interval: a sample that early or late is off by 0.3 % at most, of a sinusoid at half the sampling rate."""
_WIDEST = 2.6
"""Of the mean interval: the longest that an uneven clock may have. A spline is good to 1 % of a sinusoid of 0.149 over
the interval (see UNEVEN_GOOD_UP_TO), which is then still a seventeenth of the sampling rate."""
UNEVEN_GOOD_UP_TO = 0.149
"""Over the longest interval: a cubic spline is off by 5/384 (ω h)⁴ of a sinusoid at most (C. A. Hall and W. W. Meyer,
J. Approx. Theory 16 (1976) 105, from memory), 1 % at ω h = 0.936."""
_ROUND = 2e-3
"""Share by which the rate of the even clock may be rounder than the mean of an uneven one."""
_AT_THE_END = 1e-6
"""Samples by which the last of even ones may lie beyond the last uneven one: rounding, and no sample less."""
_OVERLAP = 64
"""Rows on either side of a piece: what lies further off bears on a cubic spline by less than 1e-30."""
_DIGITS = 15
"""Significant decimal digits that a number of 64 bits holds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """What the times of a record's rows say."""

    rate_hz: float | None
    """None where their digits do not tell it."""
    lost: tuple[int, ...] = ()
    """Rows below which one sample is missing."""
    uneven: tuple[float, float] | None = None
    """Shortest and longest interval, s, where the samples were taken unevenly."""
    dropped: int = 0
    """Samples that are missing where the others lie at even times: more than are named one by one."""


class Times:
    """The times of the rows, gone through in pieces."""

    def __init__(self, piece: Callable[[int, int], Floats], rows: int) -> None:
        self.piece, self.rows = piece, rows
        self.first, self._last = float(piece(0, 1)[0]), float(piece(rows - 1, rows)[0])

    def clock(self, where: Where) -> Clock:
        """How the whole column goes on; ``where`` gives the place of each row.

        Raises ReadError with the place where the times cannot be made even ones.
        """
        mean = (self._last - self.first) / (self.rows - 1)
        if not mean > 0:
            raise ReadError(where(0), message("record.time-not-rising"))
        strayed = self._strayed(mean)
        digit = last_digit(self.piece(0, min(self.rows, PIECE)))
        if strayed <= _EVEN * mean or self._are_labels(mean, digit):
            coarse = strayed > _COARSEST * (self._last - self.first)
            return Clock(rate_hz=None if coarse else _rate_of(mean, strayed, self.rows))
        if self._on_a_lattice(digit):
            dropped = self._dropped(digit)
            if dropped is not None:
                return dropped
            lost = self._lost(where)
            apart = (self._last - self.first) / (self.rows - 1 + len(lost))
            if self._strayed(apart, lost) <= max(_LABELS * digit, 2.0 * _EVEN * apart):
                return Clock(rate_hz=_rate_of(apart, digit, self.rows), lost=tuple(lost))
        shortest, longest = self._uneven(mean, where)
        return Clock(rate_hz=rounded_rate(mean, _ROUND * mean), uneven=(shortest, longest))

    def moment(self, row: int) -> float:
        """Seconds of one row."""
        return float(self.piece(row, row + 1)[0])

    def _pieces(self) -> list[tuple[int, Floats]]:
        """First row and times of each piece, the last of each being the first of the next."""
        starts = range(0, self.rows - 1, PIECE)
        return [(start, self.piece(start, min(start + PIECE, self.rows - 1) + 1)) for start in starts]

    def _strayed(self, mean: float, lost: Sequence[int] = ()) -> float:
        """How far a time lies from evenly spaced ones, s, where samples are missing below the rows ``lost``."""
        found, gaps = 0.0, np.array(lost, dtype=np.int64)
        for start, times in self._pieces():
            rows = np.arange(start, start + len(times))
            due = self.first + mean * (rows + np.searchsorted(gaps, rows))
            found = max(found, float(np.max(np.abs(times - due))))
        return found

    def _are_labels(self, mean: float, digit: float) -> bool:
        """Whether every time is an evenly spaced one, written with as few digits as it has: ``0.0103`` of 0.01025.

        Where digits are coarser than the interval they may be cut, else only rounded: there a repeated sample shows.
        """
        offset, slope = self._line(mean, digit)
        for start, times in self._pieces():
            rows = np.arange(start, start + len(times))
            apart = times - self.first - mean * rows - offset - slope * rows / self.rows
            worth = np.maximum(written_to(times), digit)
            within = _LABELS * np.where(worth >= _COARSER * mean, worth, np.minimum(worth, _FINER * mean))
            if np.any(np.abs(apart) > np.maximum(within, _EVEN * mean)):
                return False
        return True

    def _line(self, mean: float, digit: float) -> tuple[float, float]:
        """How much the first and the last of the even times that fit best differ from those of the first and last row.

        By least squares, each time weighted by what its last digit is worth: later times often have fewer decimals.
        """
        normal, right = np.zeros((2, 2)), np.zeros(2)
        for start, times in self._pieces():
            rows = np.arange(start, start + len(times))
            weight = 1.0 / np.clip(np.maximum(written_to(times), digit), 1e-9 * mean, 10.0 * mean) ** 2
            basis = np.stack([np.ones(len(rows)), rows / self.rows])
            normal += (basis * weight) @ basis.T
            right += (basis * weight) @ (times - self.first - mean * rows)
        offset, slope = np.linalg.lstsq(normal, right, rcond=None)[0]
        return float(offset), float(slope)

    def _on_a_lattice(self, digit: float) -> bool:
        """Whether every interval is a whole number of usual ones, but for the rounding of the times."""
        for _, times in self._pieces():
            step = np.diff(times)
            usual = float(np.median(step))
            whole = np.maximum(np.round(step / usual), 0.0) if usual > 0 else step
            if np.any(np.abs(step - whole * usual) > max(2.0 * _LABELS * digit, 2.0 * _EVEN * usual)):
                return False
        return True

    def _dropped(self, digit: float) -> Clock | None:
        """The clock of even samples of which some are missing, one or two in a row; None where they are named singly.

        None as well where a time is repeated or more are missing: that is refused with its line.
        """
        counted = [np.round(np.diff(times) / np.median(np.diff(times))) for _, times in self._pieces()]
        whole = np.concatenate([[0.0], *counted])
        apart = (self._last - self.first) / float(np.sum(whole))
        most = float(np.max(whole))
        if np.min(whole[1:]) < 1 or not 1 < most <= _MOST_IN_A_ROW + 1:
            return None
        singly = most == 2 and self._crowded(np.flatnonzero(whole[1:] == 2).tolist()) is None
        if singly or self._strayed_from(apart, np.cumsum(whole)) > max(_LABELS * digit, 2.0 * _EVEN * apart):
            return None
        rate = _rate_of(apart, digit, self.rows)
        return Clock(rate_hz=rate, uneven=(apart, most * apart), dropped=int(np.sum(whole)) - self.rows + 1)

    def _strayed_from(self, apart: float, steps: Floats) -> float:
        return max(
            float(np.max(np.abs(times - self.first - apart * steps[start : start + len(times)])))
            for start, times in self._pieces()
        )

    def on_a_lattice(self, rate_hz: float) -> Times:
        """The same times, each at the nearest of even ones: without the rounding with which they were written."""

        def piece(start: int, stop: int) -> Floats:
            return np.asarray(self.first + np.round((self.piece(start, stop) - self.first) * rate_hz) / rate_hz)

        return Times(piece, self.rows)

    def _lost(self, where: Where) -> list[int]:
        """Rows after which one sample is missing. Raises ReadError where intervals differ in another way."""
        lost: list[int] = []
        worst: tuple[int, float, float] | None = None
        for start, times in self._pieces():
            step = np.diff(times)
            usual = float(np.median(step))
            uneven = np.abs(step - usual) > _STRAY * usual
            single = np.abs(step - 2.0 * usual) <= 0.5 * _STRAY * usual
            other = np.flatnonzero(uneven & ~single)
            if len(other) and worst is None:
                row = int(other[np.argmax(np.abs(step[other] - usual))])
                worst = (start + row, float(step[row]), usual)
            lost += (start + np.flatnonzero(single)).tolist()
        crowded = self._crowded(lost)
        if worst is None and crowded is not None:
            gap = float(np.diff(self.piece(crowded, crowded + 2))[0])
            worst = (crowded, gap, gap / 2.0)
        if worst is not None:
            raise _gap(where, *worst)
        return lost

    def _crowded(self, lost: list[int]) -> int | None:
        """A row below which a sample is missing that cannot be put in: at an end, beside another, or one of many."""
        if len(lost) > max(1, _FEW_LOST * self.rows):
            return lost[0]
        for row, following in zip(lost, [*lost[1:], self.rows + 3], strict=False):
            if row < 1 or row + 3 > self.rows or following - row < 3:
                return row
        return None

    def _uneven(self, mean: float, where: Where) -> tuple[float, float]:
        """Shortest and longest interval. Raises ReadError where one is too long, or none at all."""
        shortest, longest = np.inf, 0.0
        for start, times in self._pieces():
            step = np.diff(times)
            beyond = np.flatnonzero((step > _WIDEST * mean) | (step <= 0))
            if len(beyond):
                raise _gap(where, start + int(beyond[0]), float(step[beyond[0]]), mean)
            shortest, longest = min(shortest, float(step.min())), max(longest, float(step.max()))
        return shortest, longest


def _gap(where: Where, row: int, interval: float, usual: float) -> ReadError:
    return ReadError(where(row + 1), message("record.time-uneven", interval_s=interval, usual_s=usual))


def _rate_of(mean: float, strayed: float, rows: int) -> float:
    return rounded_rate(mean, max(2.0 * strayed, 1e-12) / (rows - 1) + 1e-15)


def last_digit(times: Floats) -> float:
    """What the last digit of times is worth, s; 0 where they have more than nine decimals."""
    from_first = times - times[0]
    for places in range(10):
        if np.all(np.abs(from_first * 10.0**places - np.round(from_first * 10.0**places)) < 1e-3):
            return float(10.0**-places)
    return 0.0


def written_to(times: Floats) -> Floats:
    """What the last digit that each time needs is worth, s: of 0.0103 it is 0.0001; half of it, where 32 bits hold it.

    >>> written_to(np.array([0.0103, 0.25, 3.0])).tolist()
    [0.0001, 0.01, 1.0]
    """
    found = np.zeros(len(times))
    size = np.floor(np.log10(np.maximum(np.abs(times), 1e-300)))
    waiting = np.ones(len(times), dtype=bool)
    for digits in range(1, _DIGITS):
        worth = 10.0 ** (size - digits + 1)
        needs = waiting & (np.abs(times - np.round(times / worth) * worth) < 1e-13 * np.abs(times) + 1e-300)
        found[needs] = worth[needs]
        waiting &= ~needs
    found[times == 0] = 0.0
    single = times.astype(np.float32).astype(np.float64)
    short = np.abs(single - times) <= 6e-9 * np.abs(times)  # written with the nine digits that 32 bits ask for
    held = np.where(short, np.spacing(np.abs(times).astype(np.float32)).astype(np.float64), 2.0 * np.spacing(times))
    return np.asarray(np.maximum(found, held))


def with_lost(read: Rows, rows: int, lost: tuple[int, ...]) -> tuple[Rows, int]:
    """The rows with one put in after each of the rows ``lost``, and how many there are then."""
    if not lost:
        return read, rows
    spool, start = Spool(read(0, 1).shape[1]), 0
    for row in lost:
        for at in range(start, row + 1, PIECE):
            spool.append(read(at, min(at + PIECE, row + 1)))
        around = read(row - 1, row + 3)
        spool.append((np.array([-1.0, 4.0, 4.0, -1.0]) @ around / 6.0)[None, :])
        start = row + 1
    for at in range(start, rows, PIECE):
        spool.append(read(at, min(at + PIECE, rows)))
    return spool.reader(), spool.rows


def moments(clock: Clock, times: Times | None) -> Callable[[int], float]:
    """When each row was taken, s: as an uneven clock tells it, else evenly but for the samples that are missing.

    Without a rate they are counted.
    """
    if clock.uneven is not None and times is not None:
        return times.moment
    return lambda row: (row + bisect_left(clock.lost, row)) / (clock.rate_hz or 1.0)


def at_even_times(read: Rows, rows: int, times: Times | None, clock: Clock) -> tuple[Rows, int]:
    """Rows at even times, and how many they are: lost samples put in, those of an uneven clock taken anew."""
    if clock.uneven is not None and times is not None and clock.rate_hz is not None:
        return sampled_anew(read, times.on_a_lattice(clock.rate_hz) if clock.dropped else times, clock.rate_hz)
    return with_lost(read, rows, clock.lost)


def sampled_anew(read: Rows, times: Times, rate_hz: float) -> tuple[Rows, int]:
    """Rows at even times from the first on, by cubic splines through the samples, and how many they are."""
    from scipy.interpolate import CubicSpline

    spool, at = Spool(read(0, 1).shape[1]), 0
    for start in range(0, times.rows - 1, PIECE):
        stop = min(start + PIECE, times.rows - 1)
        first, last = max(start - _OVERLAP, 0), min(stop + _OVERLAP, times.rows - 1) + 1
        moments = times.piece(first, last) - times.first
        ends = moments[stop - first] * rate_hz
        count = int(np.ceil(ends - _AT_THE_END) if stop < times.rows - 1 else np.floor(ends + _AT_THE_END) + 1) - at
        due = (at + np.arange(count)) / rate_hz
        spool.append(np.asarray(CubicSpline(moments, read(first, last), axis=0)(np.minimum(due, moments[-1]))))
        at += count
    return spool.reader(), spool.rows


def steps_back(times: Floats, rows: int) -> NDArray[np.int64]:
    """Rows whose time lies further back than ``rows`` usual intervals: where a clock begins anew, no jitter."""
    step = np.diff(times)
    return np.flatnonzero(step <= -rows * float(np.median(np.abs(step)))) + 1


def restarts(times: Floats, fewest: int) -> NDArray[np.int64] | None:
    """Bounds of the pieces of times that begin anew, each of ``fewest`` rows at least; None where they are no such.

    >>> restarts(np.array([0.0, 1.0, 2.0, 3.0, 0.0, 1.0, 2.0]), 3)
    array([0, 4, 7])
    """
    bounds = np.concatenate([[0], steps_back(times, fewest), [len(times)]]).astype(np.int64)
    return bounds if np.all(np.diff(bounds) >= fewest) else None


def told_of(clock: Clock, after: Callable[[tuple[int, ...]], Message]) -> Message | None:
    """What is said of samples that were put in ``after`` rows, or of all, where they were taken unevenly."""
    if clock.rate_hz is None:
        return None
    if clock.lost:
        return message(
            "record.samples-put-in",
            samples=len(clock.lost),
            after=after(clock.lost),
            good_to=GOOD_TO,
            up_to_hz=clock.rate_hz / GOOD_UP_TO,
        )
    if clock.uneven is None:
        return None
    shortest, longest = clock.uneven
    if clock.dropped:
        return message(
            "record.samples-dropped",
            samples=clock.dropped,
            in_a_row=round(longest * clock.rate_hz) - 1,
            rate_hz=clock.rate_hz,
            good_to=GOOD_TO,
            up_to_hz=UNEVEN_GOOD_UP_TO / longest,
        )
    return message(
        "record.sampled-anew",
        shortest_ms=1e3 * shortest,
        longest_ms=1e3 * longest,
        rate_hz=clock.rate_hz,
        good_to=GOOD_TO,
        up_to_hz=UNEVEN_GOOD_UP_TO / longest,
    )
