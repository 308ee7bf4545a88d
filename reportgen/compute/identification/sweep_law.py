"""The law by which the frequency of a sweep follows time, freed of rounding and jitter of the printed columns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reportgen.records.log import Floats
from reportgen.records.message import Message, message

_TOLERANCE = 5.0
"""Standard deviations within which a stretch counts as straight."""


def sweep_law(time: Floats, frequency: Floats) -> tuple[Floats, Floats, Message]:
    """Time and frequency at every row, and what they were taken from.

    The scatter of the rows against their neighbours, and the last printed digits, tell how far the columns can be
    trusted; the longest stretches that are straight in log f (exponential sweep) or in f (linear sweep) within that
    replace the frequencies. Where the frequency is printed finer than the time, the law in turn tells the time of each
    row within the last digit of its own. Where no such law holds, both columns stay as logged.
    """
    time = _evenly_spaced(time)
    printed = rounding(frequency) / np.sqrt(12.0)
    late = _time_digit(time)
    logarithmic = _fit_law(time, np.log(frequency), printed / frequency, late)
    linear = _fit_law(time, frequency, np.full(len(time), printed), late)
    name, best = ("linear", linear) if linear.rank < logarithmic.rank else ("exponential", logarithmic)
    if best.pieces > _most_pieces(len(time)):
        return time, frequency, message("law.as-logged")
    smooth = best.smooth if name == "linear" else np.exp(best.smooth)
    if name == "linear":
        return best.time, smooth, message("law.linear", pieces=best.pieces)
    return best.time, smooth, message("law.exponential", pieces=best.pieces)


def rounding(values: Floats) -> float:
    """Last digit that a column is printed to, 0 where it has more than seven decimals.

    >>> rounding(np.array([5.02, 5.1, 5.17]))
    0.01
    """
    for decimals in range(8):
        scaled = values * 10.0**decimals
        if np.all(np.abs(scaled - np.round(scaled)) < 1e-6 * np.maximum(1.0, np.abs(scaled) * 1e-6)):
            return float(10.0**-decimals)
    return 0.0


def _evenly_spaced(time: Floats) -> Floats:
    """The times of evenly spaced rows where rounding to the last digit explains all that is uneven, else as printed."""
    rows = np.arange(len(time), dtype=float)
    even = np.polyval(np.polyfit(rows, time, 1), rows)
    within = float(np.max(np.abs(even - time))) <= 0.6 * rounding(time)
    return np.asarray(even) if within and rounding(time) < 0.5 * float(np.median(np.diff(time))) else time


def _time_digit(time: Floats) -> float:
    """Last digit of a time column whose rows were rounded to it; 0 where the rows are evenly spaced as printed."""
    step = np.diff(time)
    even = float(np.ptp(step)) < 1e-6 * float(np.median(step))
    return 0.0 if even else rounding(time)


@dataclass(frozen=True, slots=True, eq=False)
class _Law:
    """A law that is straight in pieces."""

    pieces: int
    misfit: float
    """Scatter of the readings about their neighbours as a fraction of the whole range, median of the rows."""
    time: Floats
    smooth: Floats

    @property
    def rank(self) -> tuple[int, float]:
        return self.pieces, self.misfit


def _most_pieces(rows: int) -> int:
    return max(6, rows // 150)


def _fit_law(time: Floats, values: Floats, printed: Floats, time_digit: float) -> _Law:
    span = max(float(np.ptp(values)), 1e-300)
    scatter = _scatter(time, values)
    pace = _pace(time, values)
    sigma = np.sqrt(scatter**2 + printed**2 + (time_digit * pace) ** 2 / 12.0) + 2e-10 * span + 2e-13
    pieces = _straight_pieces(time, values, sigma)
    smooth, better = values.copy(), time.copy()
    for start, stop in pieces:
        if stop - start >= 8:
            rows = slice(start, stop)
            line = _line(time[rows], values[rows], sigma[rows])
            better[rows] += _time_error(time[rows], values[rows] - line, line, printed[rows], time_digit)
            smooth[rows] = _line(time[rows], values[rows], sigma[rows], better[rows])
    return _Law(len(pieces), float(np.median(scatter)) / span, better, smooth)


def _time_error(time: Floats, above: Floats, line: Floats, printed: Floats, digit: float) -> Floats:
    """By how much later than printed a row was, from how far its value lies above the law; within half a digit."""
    slope = (line[-1] - line[0]) / max(float(time[-1] - time[0]), 1e-300)
    if digit == 0.0 or slope == 0.0:
        return np.zeros(len(time))
    own, other = digit**2 / 12.0, (printed / slope) ** 2 + 1e-18
    return np.asarray(np.clip(above / slope, -0.55 * digit, 0.55 * digit) * own / (own + other))


def _pace(time: Floats, values: Floats) -> Floats:
    """|dv/dt| by stretches, shape (n,)."""
    rows = np.unique(np.linspace(0, len(time) - 1, max(3, min(40, len(time) // 12))).astype(int))
    step = np.maximum(np.diff(time[rows]), 1e-300)
    middle = 0.5 * (rows[1:] + rows[:-1])
    return np.asarray(np.interp(np.arange(len(time)), middle, np.abs(np.diff(values[rows])) / step))


def _scatter(time: Floats, values: Floats) -> Floats:
    """Robust standard deviation of a reading about the line through its two neighbours, by stretches; shape (n,)."""
    span = time[2:] - time[:-2]
    share = np.where(span > 0, (time[1:-1] - time[:-2]) / np.where(span > 0, span, 1.0), 0.5)
    error = values[1:-1] - (values[:-2] * (1 - share) + values[2:] * share)
    error = np.abs(error) / np.sqrt(1.0 + share**2 + (1 - share) ** 2)
    stretches = np.array_split(error, max(1, min(24, len(error) // 20)))
    level = [1.4826 * float(np.median(stretch)) for stretch in stretches]
    middle = np.cumsum([len(stretch) for stretch in stretches]) - 0.5 * np.array(
        [len(stretch) for stretch in stretches]
    )
    return np.asarray(np.interp(np.arange(len(time)) - 1.0, middle, level))


def _line(time: Floats, values: Floats, sigma: Floats, at: Floats | None = None) -> Floats:
    """Weighted straight line through a stretch, at its rows or at other times."""
    there = (time if at is None else at) - time[0]
    return np.asarray(np.polyval(np.polyfit(time - time[0], values, 1, w=1.0 / sigma), there))


def _straight_pieces(time: Floats, values: Floats, sigma: Floats) -> list[tuple[int, int]]:
    """Greedy cut into the longest pieces that a straight line follows within the tolerance."""
    pieces: list[tuple[int, int]] = []
    start, n = 0, len(time)
    while start < n and len(pieces) <= _most_pieces(n):
        stop = _furthest(time, values, sigma, start)
        pieces.append((start, stop))
        start = stop
    return pieces


def _furthest(time: Floats, values: Floats, sigma: Floats, start: int) -> int:
    """Largest ``stop`` such that rows start … stop−1 are straight."""
    n = len(time)

    def straight(stop: int) -> bool:
        rows = slice(start, stop)
        if stop - start < 3 or time[stop - 1] <= time[start]:
            return True
        return bool(
            np.all(np.abs(_line(time[rows], values[rows], sigma[rows]) - values[rows]) <= _TOLERANCE * sigma[rows])
        )

    size = 16
    good = min(start + 2, n)
    while good < n and straight(min(start + size, n)):
        good = min(start + size, n)
        size *= 2
    bad = min(start + size, n)
    while bad - good > 1:
        middle = (good + bad) // 2
        good, bad = (middle, bad) if straight(middle) else (good, middle)
    return good
