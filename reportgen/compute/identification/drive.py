"""The drive as the log tells it: amplitude, frequency and phase at every row and between rows."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import lru_cache
from itertools import pairwise

import numpy as np

from reportgen.compute.identification.drive_level import DriveLevel
from reportgen.compute.identification.sweep_law import sweep_law
from reportgen.compute.identification.swept_response import SweptResponse
from reportgen.compute.sweep.pieces import BREAK_S, breaks
from reportgen.records.log import Floats
from reportgen.records.message import Message, message

_TWO_PI = 2.0 * np.pi
"""rad a cycle."""
_FEWEST_OF_A_LAW = 24
"""Rows of a piece of a sweep from which its law can be told; fewer are taken as logged."""


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
    """A at the rows, shape (n,); straight or a parabola in between."""
    steady: bool
    """True: no time column, every row taken as steady state."""
    level: DriveLevel | None = None
    """Where the amplitude comes from, with the noise left in it; None where nothing is known of that."""
    bandwidth_hz: Floats | None = None
    """Of the tracking filter that made the log, at the rows, shape (n,); None where none is known."""
    filter_poles: tuple[complex, ...] = (1.0 + 0.0j,)
    """Decay rates of that filter's poles over πB: one alone is the RC low-pass."""
    bandwidth_tolerance: float | None = None
    """Half width, as a share, within which the bandwidth is stated to hold; None where that is not stated."""
    filter_unknown: bool = False
    """True where the log went through a detector of which nothing is known."""
    law: Message
    """What the time-frequency law was taken from, for the report."""
    step: Floats = field(init=False)
    """Seconds from each row to the next, shape (n−1,)."""
    bow: Floats = field(init=False)
    """Mean frequency of each step above the mean of its ends, rad/s, shape (n−1,)."""
    rise: Floats = field(init=False)
    """DelaySlope of the amplitude within each step, per second, shape (n−1,); 0 where rows share their time."""
    sag: Floats = field(init=False)
    """A″h² within each step, shape (n−1,): the lesser of both ends where they agree in sign, so a jump stays a jump."""

    def __post_init__(self) -> None:
        step = np.diff(self.time_s)
        moving = step > 0
        mean = np.divide(self.advance, step, out=np.zeros_like(step), where=moving)
        rise = np.divide(np.diff(self.amplitude), step, out=np.zeros_like(step), where=moving)
        bend = bend_of(step, rise)
        lesser = np.where(np.abs(bend[:-1]) < np.abs(bend[1:]), bend[:-1], bend[1:])
        object.__setattr__(self, "step", step)
        object.__setattr__(self, "bow", mean - 0.5 * (self.omega[1:] + self.omega[:-1]))
        object.__setattr__(self, "rise", rise)
        object.__setattr__(self, "sag", np.where(bend[:-1] * bend[1:] > 0, lesser, 0.0) * step**2)

    def part(self, start: int, stop: int) -> Drive:
        """The drive over rows start … stop−1."""
        rows = slice(start, stop)
        return replace(
            self, time_s=self.time_s[rows], omega=self.omega[rows], omega_dot=self.omega_dot[rows],
            advance=self.advance[start : stop - 1], amplitude=self.amplitude[rows],
            level=None, bandwidth_hz=None if self.bandwidth_hz is None else self.bandwidth_hz[rows],
        )  # fmt: skip


def bend_of(step: Floats, rise: Floats) -> Floats:
    """Second derivative of the level at the rows, shape (n,), from steps and slopes (n−1,); 0 at the ends.

    0 as well where rows share their time, and beside the pause between two pieces of a sweep: the level does not go on.
    """
    both = 0.5 * (step[1:] + step[:-1])
    whole = (step > 0) & (step < 0.5 * BREAK_S)
    bend = np.divide(np.diff(rise), both, out=np.zeros_like(both), where=whole[1:] & whole[:-1])
    return np.concatenate([[0.0], bend, [0.0]])[: len(step) + 1]


@lru_cache(maxsize=8)
def finer(drive: Drive, parts: int) -> Drive:
    """The same drive with each step between rows cut into equal ``parts``; every ``parts``-th row is one of the log."""
    x = (np.arange(parts) / parts)[None, :]
    start, end, h = drive.omega[:-1, None], drive.omega[1:, None], drive.step[:, None]
    bow = drive.bow[:, None]
    slope = np.divide(end - start + 6 * bow * (1 - 2 * x), h, out=np.zeros((len(h), parts)), where=h > 0)
    slope[:, 0] = drive.omega_dot[:-1]
    passed = h * (start * x + 0.5 * (end - start) * x**2 + bow * x**2 * (3 - 2 * x))
    level = drive.amplitude[:-1, None] + np.diff(drive.amplitude)[:, None] * x - drive.sag[:, None] * 0.5 * x * (1 - x)

    def rows(values: Floats, last: float) -> Floats:
        return np.append(values.ravel(), last)

    return replace(
        drive,
        time_s=rows(drive.time_s[:-1, None] + h * x, drive.time_s[-1]),
        omega=rows(start + (end - start) * x + 6 * bow * x * (1 - x), drive.omega[-1]),
        omega_dot=rows(slope, drive.omega_dot[-1]),
        advance=np.diff(np.concatenate([passed, drive.advance[:, None]], axis=1), axis=1).ravel(),
        amplitude=rows(level, drive.amplitude[-1]),
        bandwidth_hz=None,
    )


def drive_of(sweep: SweptResponse, rows: np.ndarray, level: DriveLevel) -> Drive:
    """The drive over the usable ``rows`` (bool mask) of a run, at its ``level`` there."""
    return replace(_drive(sweep, rows, level.amplitude), level=level)


def _drive(sweep: SweptResponse, rows: np.ndarray, amplitude: Floats) -> Drive:
    frequency = sweep.frequency_hz[rows]
    if sweep.time_s is None or len(frequency) < 3:
        zero = np.zeros(len(frequency))
        return Drive(
            time_s=zero, omega=_TWO_PI * frequency, omega_dot=zero, advance=zero[1:], amplitude=amplitude,
            steady=True, law=message("law.steady"),
        )  # fmt: skip
    time = sweep.time_s[rows]
    if sweep.drive_cycles is not None:
        drive = _from_cycles(time, frequency, sweep.drive_cycles[rows], amplitude)
    else:
        drive = _from_frequency(*_law_of_pieces(time, frequency), amplitude)
    bandwidth = _bandwidth(sweep, frequency)
    # What was demodulated here went through a window that is known, symmetric and short against any passage.
    unknown = bandwidth is None and sweep.drive_cycles is None
    tolerance = None if sweep.tracking_filter is None else sweep.tracking_filter.tolerance
    return replace(drive, bandwidth_hz=bandwidth, bandwidth_tolerance=tolerance, filter_unknown=unknown)


def _law_of_pieces(time: Floats, frequency: Floats) -> tuple[Floats, Floats, Message]:
    """Time, frequency and law of the pieces of a sweep, each by itself; the law named is that of the longest."""
    edges = [0, *breaks(time).tolist(), len(time)]
    parts = [
        sweep_law(time[a:b], frequency[a:b])
        if b - a >= _FEWEST_OF_A_LAW
        else (time[a:b], frequency[a:b], message("law.as-logged"))
        for a, b in pairwise(edges)
    ]
    if len(parts) == 1:
        return sweep_law(time, frequency)
    law = max(parts, key=lambda part: len(part[0]))[2]
    return np.concatenate([part[0] for part in parts]), np.concatenate([part[1] for part in parts]), law


def _bandwidth(sweep: SweptResponse, frequency: Floats) -> Floats | None:
    """Bandwidth of the stated tracking filter at the rows."""
    stated = sweep.tracking_filter
    if stated is None or not (stated.bandwidth_hz or stated.fraction):
        return None
    if stated.bandwidth_hz:
        return np.full(len(frequency), float(stated.bandwidth_hz))
    return np.asarray(float(stated.fraction or 0.0) * frequency)


def _from_cycles(time: Floats, frequency: Floats, cycles: Floats, amplitude: Floats) -> Drive:
    advance = _TWO_PI * np.diff(cycles)
    omega = _TWO_PI * frequency
    return Drive(
        time_s=time, omega=omega, omega_dot=_slope(time, omega), advance=advance, amplitude=amplitude, steady=False,
        law=message("law.phase"),
    )  # fmt: skip


def _from_frequency(time: Floats, frequency: Floats, law: Message, amplitude: Floats) -> Drive:
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
