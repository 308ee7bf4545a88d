"""The drive as the log tells it: amplitude, frequency and phase at every row and between rows."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from reportgen.compute.identify.sweep import SweptResponse
from reportgen.records.log import Floats

_TWO_PI = 2.0 * np.pi


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drive:
    """Excitation A(t) e^{iφ(t)} row by row; between rows the frequency is a parabola that holds the phase advance."""

    time_s: Floats
    """Shape (n,)."""
    omega: Floats
    """φ′ at the rows, rad/s, shape (n,)."""
    omega_dot: Floats
    """φ″ at the rows, rad/s², shape (n,)."""
    advance: Floats
    """Phase gained from each row to the next, rad, shape (n−1,)."""
    amplitude: Floats
    """A at the rows, shape (n,); straight in between."""
    steady: bool
    """True: no time column, every row taken as steady state."""
    law: str
    """What the time-frequency law was taken from, for the report."""

    @property
    def step(self) -> Floats:
        """Seconds from each row to the next, shape (n−1,)."""
        return np.diff(self.time_s)

    def part(self, start: int, stop: int) -> Drive:
        """The drive over rows start … stop−1."""
        rows = slice(start, stop)
        return replace(
            self, time_s=self.time_s[rows], omega=self.omega[rows], omega_dot=self.omega_dot[rows],
            advance=self.advance[start : stop - 1], amplitude=self.amplitude[rows],
        )  # fmt: skip


def drive_of(sweep: SweptResponse, rows: np.ndarray) -> Drive:
    """The drive over the usable ``rows`` (bool mask) of a run."""
    frequency = sweep.frequency_hz[rows]
    amplitude = sweep.control[rows]
    if sweep.time_s is None or len(frequency) < 3:
        zero = np.zeros(len(frequency))
        return Drive(
            time_s=zero, omega=_TWO_PI * frequency, omega_dot=zero, advance=zero[1:], amplitude=amplitude,
            steady=True, law="no time column: steady state assumed",
        )  # fmt: skip
    time = sweep.time_s[rows]
    if sweep.drive_cycles is not None:
        return _from_cycles(time, frequency, sweep.drive_cycles[rows], amplitude)
    smooth, law = sweep_law(time, frequency)
    return _from_frequency(time, smooth, amplitude, law)


def _from_cycles(time: Floats, frequency: Floats, cycles: Floats, amplitude: Floats) -> Drive:
    advance = _TWO_PI * np.diff(cycles)
    omega = _TWO_PI * frequency
    return Drive(
        time_s=time, omega=omega, omega_dot=_slope(time, omega), advance=advance, amplitude=amplitude, steady=False,
        law="phase of the drive as recorded",
    )  # fmt: skip


def _from_frequency(time: Floats, frequency: Floats, amplitude: Floats, law: str) -> Drive:
    omega = _TWO_PI * frequency
    ratio = np.log(omega[1:] / omega[:-1])
    # Phase of an exponential piece is Δω h / ln(ω₁/ω₀); the series keeps holds (ratio → 0) exact.
    mean = np.where(
        np.abs(ratio) > 1e-4, np.diff(omega) / np.where(ratio == 0.0, 1.0, ratio), 0.5 * (omega[1:] + omega[:-1])
    )
    return Drive(
        time_s=time, omega=omega, omega_dot=_slope(time, omega), advance=mean * np.diff(time), amplitude=amplitude,
        steady=False, law=law,
    )  # fmt: skip


def _slope(time: Floats, values: Floats) -> Floats:
    """Central difference quotient on uneven rows; repeated times take the slope of their neighbours."""
    step = np.diff(time)
    safe = np.where(step > 0, step, np.nan)
    secant = np.diff(values) / safe
    left = np.concatenate([[np.nan], secant])
    right = np.concatenate([secant, [np.nan]])
    hl = np.concatenate([[0.0], step])
    hr = np.concatenate([step, [0.0]])
    weighted = (np.nan_to_num(left) * hr + np.nan_to_num(right) * hl) / np.maximum(hl + hr, 1e-300)
    only = np.where(np.isfinite(left), left, right)
    both = np.isfinite(left) & np.isfinite(right)
    return np.asarray(np.where(both, weighted, np.nan_to_num(only)))


def sweep_law(time: Floats, frequency: Floats) -> tuple[Floats, str]:
    """Frequency at every row, freed of rounding and jitter where the sweep follows an exponential or linear law.

    The row-to-row scatter of the frequency against its neighbours tells how far the printed values can be trusted;
    the longest stretches that are straight in log f (or in f) within that scatter replace it. Where no such law
    holds, the frequencies stay as logged.
    """
    logarithmic = _fit_law(time, np.log(frequency))
    linear = _fit_law(time, frequency)
    name, best = ("linear", linear) if linear.rank < logarithmic.rank else ("exponential", logarithmic)
    if best.pieces > _most_pieces(len(time)):
        return frequency, "frequency as logged"
    smooth = best.smooth if name == "linear" else np.exp(best.smooth)
    return smooth, f"{name} law fitted to time and frequency, {best.pieces} piece{'s' if best.pieces > 1 else ''}"


@dataclass(frozen=True, slots=True, eq=False)
class _Law:
    """A law that is straight in pieces."""

    pieces: int
    scatter: float
    """Of the readings about their neighbours, as a fraction of the whole range."""
    smooth: Floats

    @property
    def rank(self) -> tuple[int, float]:
        return self.pieces, self.scatter


def _most_pieces(rows: int) -> int:
    return max(6, rows // 150)


def _fit_law(time: Floats, values: Floats) -> _Law:
    scatter = _scatter(time, values)
    span = max(float(np.ptp(values)), 1e-300)
    pieces = _straight_pieces(time, values, 5.0 * scatter + 1e-9 * span + 1e-12)
    smooth = values.copy()
    for start, stop in pieces:
        if stop - start >= 8:
            smooth[start:stop] = np.polyval(_line(time[start:stop], values[start:stop]), time[start:stop] - time[start])
    return _Law(len(pieces), scatter / span, smooth)


def _scatter(time: Floats, values: Floats) -> float:
    """Robust standard deviation of one reading about the line through its two neighbours."""
    span = time[2:] - time[:-2]
    share = np.where(span > 0, (time[1:-1] - time[:-2]) / np.where(span > 0, span, 1.0), 0.5)
    error = values[1:-1] - (values[:-2] * (1 - share) + values[2:] * share)
    spread = np.sqrt(1.0 + share**2 + (1 - share) ** 2)
    return float(1.4826 * np.median(np.abs(error / spread)))


def _line(time: Floats, values: Floats) -> Floats:
    return np.asarray(np.polyfit(time - time[0], values, 1))


def _straight_pieces(time: Floats, values: Floats, tolerance: float) -> list[tuple[int, int]]:
    """Greedy cut into the longest pieces that a straight line follows within ``tolerance``."""
    pieces = []
    start, n = 0, len(time)
    while start < n:
        stop = _furthest(time, values, start, tolerance)
        pieces.append((start, stop))
        start = stop
        if len(pieces) > _most_pieces(n):
            break
    return pieces


def _furthest(time: Floats, values: Floats, start: int, tolerance: float) -> int:
    """Largest ``stop`` such that rows start … stop−1 are straight within the tolerance."""
    n = len(time)

    def straight(stop: int) -> bool:
        t, v = time[start:stop], values[start:stop]
        return stop - start < 3 or bool(np.max(np.abs(np.polyval(_line(t, v), t - t[0]) - v)) <= tolerance)

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
