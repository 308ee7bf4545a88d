"""Instantaneous phase of the drive: the coarse frequency integrated, then locked to the record itself.

A window of a few cycles is fitted against the integrated coarse frequency; the angle that comes out is how far the true
phase is ahead. It is unwrapped where the drive is present, smoothed forwards and backwards at once (weighted smoothing
spline, weights from the fit's own residual) and added. What is left of the drive's phase after that belongs to the
envelope of every channel alike and cancels in the ratio to the control.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from reportgen.compute.demodulation.cell_sums import Model, stored_numbers
from reportgen.compute.demodulation.drive_frequency import CoarseFrequency, coarse_frequency, halved
from reportgen.compute.demodulation.sine_fit import CELLS_A_ROW, CELLS_A_WINDOW, NOISE_BANDWIDTH, Rows, fit_rows
from reportgen.errors import ComputeError
from reportgen.records.log import Floats, TimeHistory
from reportgen.records.message import message

Progress = Callable[[float], None]
SHARPEST_Q = 200.0
"""Quality factor up to which windows are kept short enough to follow the response."""
BANDWIDTHS_A_WINDOW = 0.5
"""Half-power bandwidths of a mode of SHARPEST_Q that a window may pass."""
LONGEST_WINDOW_S = 0.5
FEWEST_CYCLES = 3.0
_FEWEST_SAMPLES = 64
_LOCKING = Model(envelope=2, harmonics=2)
_LOCKING_CYCLES, _LOCKING_S = 3.0, 0.04
_PRESENT = 3.0
"""Drive amplitude over its standard uncertainty, in three of five rows, from which the drive counts as present."""
_FEWEST_ROWS = 8
"""Of a stretch in which the drive runs."""
_LONGEST_HELD, _HELD_PIECE = 1 << 24, 1 << 18
"""Samples of the drive that are held in memory at most (64 MB), and gathered at a time."""
_SAMPLES_A_CYCLE, _SAMPLES_A_WINDOW = 6.0, 150.0
"""Left at least, at the highest frequency, when the drive is thinned out for following its phase."""
_MARGIN = 4
"""Thinned samples by which the beginning of a filter makes itself felt."""
_ATTEMPTS, _STRAYED = 3, 0.003
"""Cycles a window by which the frequency may be off before the fit is made again with the better phase."""
_FADED = 10.0 ** (-50.0 / 20.0)
_LIGHT_SMOOTHING, _SMOOTHING = 4.0, 400.0
"""Of the spline, for rows a unit apart: pass what changes over more than 9 and 28 rows."""
_FREQUENCY_SMOOTHING = 1.0
"""Of the logarithm of frequency against seconds: passes, for rows 10 ms apart, what changes over more than 2 s."""


@dataclass(frozen=True, slots=True, eq=False)
class DrivePhase:
    """Phase of the drive as a cubic spline (a sine_fit.Phase)."""

    knots_s: Floats
    pieces: Floats
    """Coefficients of each piece, highest power first; shape (4, knots − 1)."""
    followed_s: tuple[float, float] = (-np.inf, np.inf)
    """From when to when the drive itself was followed; before and after, the phase is carried on."""

    def taylor(self, time_s: Floats) -> Floats:
        """Phase, cycles, and its derivatives over 1, 1, 2, 6; shape (4, n). Beyond the ends the end pieces go on."""
        piece = np.clip(np.searchsorted(self.knots_s, time_s, side="right") - 1, 0, len(self.knots_s) - 2)
        c3, c2, c1, c0 = self.pieces[:, piece]
        x = time_s - self.knots_s[piece]
        return np.array([c0 + x * (c1 + x * (c2 + x * c3)), c1 + x * (2.0 * c2 + 3.0 * x * c3), c2 + 3.0 * x * c3, c3])

    def cycles(self, time_s: Floats) -> Floats:
        """Phase in cycles."""
        phase: Floats = self.taylor(time_s)[0]
        return phase

    def frequency_hz(self, time_s: Floats) -> Floats:
        """Frequency, Hz."""
        frequency: Floats = self.taylor(time_s)[1]
        return frequency


def phase_through(time_s: Floats, cycles: Floats) -> DrivePhase:
    """The phase through given points."""
    from scipy.interpolate import CubicSpline

    spline = CubicSpline(time_s, cycles)
    return DrivePhase(np.asarray(spline.x), np.asarray(spline.c))


def drive_phase(history: TimeHistory, drive: str, *, workers: int = 1, progress: Progress | None = None) -> DrivePhase:
    """Follow the drive's phase through the record. Raises ComputeError where there is no sine to follow."""
    only = history.only((drive,))
    if only.samples <= _LONGEST_HELD:
        only = _held(only, 0, workers)
    coarse = coarse_frequency(only, drive)
    phase = _integrated(coarse)
    only = _held(only, _halvings(only.sample_rate_hz, float(coarse.frequency_hz.max())), workers)
    for attempt in range(_ATTEMPTS):
        edges = lay_cells(phase, _locking_windows(phase), 0.0, _end(only))
        told = share(progress, attempt / _ATTEMPTS, (attempt + 1) / _ATTEMPTS)
        rows = fit_rows(only, phase, edges, model=_LOCKING, workers=workers, progress=told)
        phase, strayed = _locked(phase, rows, history.path)
        if strayed < _STRAYED:
            break
    return phase


def share(progress: Progress | None, begin: float, end: float) -> Progress | None:
    """Progress of a part of the work, from 0 to 1, told as that of the whole."""
    if progress is None:
        return None
    told = progress

    def part(done: float) -> None:
        told(begin + (end - begin) * done)

    return part


@dataclass(frozen=True, slots=True, eq=False)
class _Held:
    """One channel in memory, in single precision, whatever its unit (a StoredSource)."""

    samples: NDArray[np.float32]
    factors: tuple[float, ...] = (1.0,)

    def stored(self, start: int, stop: int) -> Iterator[NDArray[np.float32]]:
        yield self.samples[start:stop, None]

    def blocks(self, start: int, stop: int) -> Iterator[Floats]:
        return (each.astype(np.float64) for each in self.stored(start, stop))


def _halvings(rate_hz: float, highest_hz: float) -> int:
    """How often the rate may be halved. The harmonic that then falls onto the drive is the fifth, filtered by 38 dB."""
    shortest = max(_LOCKING_CYCLES / highest_hz, _LOCKING_S)
    return max(0, int(np.log2(rate_hz / max(_SAMPLES_A_CYCLE * highest_hz, _SAMPLES_A_WINDOW / shortest))))


def _held(history: TimeHistory, halvings: int, workers: int) -> TimeHistory:
    """The drive alone in memory, thinned out, where it is short enough then: it is gone through several times."""
    thin = 1 << halvings
    count = history.samples // thin - (2 if halvings else 0)
    if count > _LONGEST_HELD or count < _FEWEST_SAMPLES or (thin == 1 and isinstance(history.source, _Held)):
        return history
    samples = np.empty(count, np.float32)

    def gather(begin: int) -> None:
        end = min(begin + _HELD_PIECE // thin, count)
        samples[begin:end] = _thinned(history, begin, end, halvings)

    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(gather, range(0, count, _HELD_PIECE // thin)))
    return replace(history, samples=count, sample_rate_hz=history.sample_rate_hz / thin, source=_Held(samples))


def _thinned(history: TimeHistory, begin: int, end: int, halvings: int) -> NDArray[np.float32]:
    """Samples ``begin`` to ``end`` of the thinned drive; sample k lies where sample k 2^halvings of the record does."""
    margin = _MARGIN if halvings else 0
    first = max(0, begin - margin)
    stop = min((end + margin) << halvings, history.samples)
    x = stored_numbers(history.source, first << halvings, stop)[:, 0].astype(np.float32)
    for _ in range(halvings):
        z = np.concatenate([2.0 * x[0] - x[3:0:-1], x])  # the record's beginning is mirrored
        x = halved(z, (len(z) - 5) // 2)
    return x[begin - first : end - first]


def _end(history: TimeHistory) -> float:
    return history.samples / history.sample_rate_hz


def _integrated(coarse: CoarseFrequency) -> DrivePhase:
    from scipy.interpolate import PchipInterpolator

    frequency = PchipInterpolator(coarse.time_s, coarse.frequency_hz)
    time = np.concatenate([[0.0], coarse.time_s, [2.0 * coarse.time_s[-1] - coarse.time_s[-2]]])
    whole = frequency.antiderivative()
    inside = whole(coarse.time_s)
    first = inside[0] - coarse.frequency_hz[0] * coarse.time_s[0]
    last = inside[-1] + coarse.frequency_hz[-1] * (time[-1] - coarse.time_s[-1])
    return phase_through(time, np.concatenate([[first], inside, [last]]))


def _locking_windows(phase: DrivePhase) -> Floats:
    """Windows, in cycles, at the knots: a few cycles, and long enough to average noise."""
    frequency = np.maximum(phase.frequency_hz(phase.knots_s), 1e-3)
    windows: Floats = np.maximum(_LOCKING_CYCLES, _LOCKING_S * frequency)
    return windows


def resolving_windows(phase: DrivePhase, rate_hz: float) -> Floats:
    """Windows, in cycles, at the knots, that pass no more than half of the sharpest mode's bandwidth.

    T = 0.5 f/(200 |df/dt|), at least three cycles, at most 0.5 s. |df/dt| is taken over a second or ten rows around,
    the fastest nearby.
    """
    from scipy.ndimage import maximum_filter1d, uniform_filter1d

    t = phase.knots_s
    frequency = np.maximum(phase.frequency_hz(t), 1e-3)
    smooth = uniform_filter1d(frequency, 11, mode="nearest")
    rate = np.abs(np.gradient(smooth, t))
    rate = maximum_filter1d(rate, 11, mode="nearest")
    seconds = np.full_like(t, LONGEST_WINDOW_S)
    moving = rate > 0
    seconds[moving] = np.minimum(BANDWIDTHS_A_WINDOW * frequency[moving] / SHARPEST_Q / rate[moving], LONGEST_WINDOW_S)
    cycles: Floats = np.maximum(seconds, _FEWEST_SAMPLES / rate_hz) * frequency
    return np.maximum(cycles, FEWEST_CYCLES)


def lay_cells(phase: DrivePhase, windows: Floats, start_s: float, end_s: float) -> Floats:
    """Edges of cells, seconds: half or whole cycles each, in pairs of one length, so that windows hold whole cycles."""
    knots = np.maximum.accumulate(phase.cycles(phase.knots_s))
    rising = np.concatenate([[True], np.diff(knots) > 0])
    times, knots, windows = phase.knots_s[rising], knots[rising], windows[rising]
    first, last = phase.cycles(np.array([start_s, end_s]))
    cell = windows / CELLS_A_WINDOW
    cell = np.maximum(np.floor(2.0 * cell) / 2.0, 0.5)
    at, lengths = float(first), cell.tolist()
    places = np.searchsorted(knots, np.arange(first, last + 1.0), side="right").clip(1, len(knots) - 1)
    laid = [at]
    while True:
        length = lengths[places[int(at - first)]]
        if at + 2.0 * length > last:
            break
        laid += [at + length, at + 2.0 * length]
        at += 2.0 * length
    return _times_of(phase, np.array(laid), times, knots)


def _times_of(phase: DrivePhase, cycles: Floats, times: Floats, knots: Floats) -> Floats:
    """When the phase reaches given cycles: linear between knots, then two steps of Newton's method."""
    t = np.interp(cycles, knots, times)
    low, high = knots[0], knots[-1]
    slope = np.array([phase.frequency_hz(times[:1])[0], phase.frequency_hz(times[-1:])[0]])
    t = np.where(cycles < low, times[0] + (cycles - low) / slope[0], t)
    t = np.where(cycles > high, times[-1] + (cycles - high) / slope[1], t)
    for _ in range(2):
        value, frequency = phase.taylor(t)[:2]
        step = (cycles - value) / np.maximum(frequency, 1e-3)
        t = t + np.clip(step, -0.25 / np.maximum(frequency, 1e-3), 0.25 / np.maximum(frequency, 1e-3))
    # where there is no drive the phase may stand still or turn back: cells still need some length
    rising: Floats = np.maximum.accumulate(t) + 1e-9 * np.arange(len(t))
    return rising


def drive_present(rows: Rows, channel: int, model: Model) -> NDArray[np.bool_]:
    """Rows in which the drive runs all through the window.

    It stands out of the residual and is not 50 dB below what is around it, in the row and in those that share samples.
    """
    from scipy.ndimage import maximum_filter1d, median_filter, minimum_filter1d

    amplitude = np.abs(rows.amplitude[:, channel])
    uncertainty = rows.residual[:, channel] * np.sqrt(
        2.0 * NOISE_BANDWIDTH[model.envelope] / np.maximum(rows.samples, 1)
    )
    around = maximum_filter1d(amplitude, min(len(amplitude), 401) | 1, mode="nearest")
    ratio = np.divide(amplitude, uncertainty, out=np.zeros_like(amplitude), where=uncertainty > 0)
    ratio[(uncertainty == 0) & (amplitude > 0)] = np.inf
    present = (median_filter(ratio, 5, mode="nearest") > _PRESENT) & (amplitude > _FADED * around)
    whole: NDArray[np.bool_] = minimum_filter1d(present, 2 * (CELLS_A_WINDOW // CELLS_A_ROW) + 3, mode="nearest")
    return whole


@dataclass(frozen=True, slots=True, eq=False)
class _Stretch:
    """A stretch in which the drive runs: its phase, smoothed."""

    time_s: Floats
    cycles: Floats
    frequency_hz: Floats
    slope: Floats
    """df/dt, Hz/s."""
    strayed: float
    """How far, in cycles a window, the frequency was off before."""


def _locked(phase: DrivePhase, rows: Rows, where: str) -> tuple[DrivePhase, float]:
    """The phase corrected, and how far, in cycles a window, its frequency was off at most."""
    present = drive_present(rows, 0, _LOCKING) if len(rows.time_s) else np.zeros(0, bool)
    borders = np.flatnonzero(np.diff(np.concatenate([[False], present, [False]])))
    runs = [slice(a, b) for a, b in borders.reshape(-1, 2).tolist() if b - a >= _FEWEST_ROWS]
    if not runs:
        raise ComputeError(message("error.at", where=where, what=message("demodulation.no-sine")))
    stretches = [_stretch(phase, rows, run) for run in runs]
    return _joined_phase(stretches, rows), max(each.strayed for each in stretches)


def _stretch(phase: DrivePhase, rows: Rows, run: slice) -> _Stretch:
    """Smoothed phase of one stretch, in three steps.

    A light smoothing gives the frequency row by row; that, smoothed in time (as a logarithm or as it is, so that no
    exponential or linear sweep is bent), is integrated; what the measured phase differs from the integral is smoothed
    once more and added.
    """
    time, amplitude = rows.time_s[run], rows.amplitude[run, 0]
    before = phase.cycles(time)
    ahead = np.unwrap(np.angle(amplitude)) / (2.0 * np.pi)
    noise = rows.residual[run, 0] / np.sqrt(rows.samples[run]) + 1e-4 * np.abs(amplitude)
    weight = np.square(np.abs(amplitude) / noise)
    weight = np.minimum(weight / np.median(weight), 10.0)
    place = np.arange(len(time), dtype=np.float64)
    light = before + smoothed(place, ahead, weight, _LIGHT_SMOOTHING)
    frequency = _straighter(time, np.maximum(phase_through(time, light).frequency_hz(time), 1e-3), weight)
    even = _integral(time, frequency)
    cycles = even + smoothed(place, before + ahead - even, weight, _SMOOTHING)
    final = phase_through(time, cycles).taylor(time)
    strayed = float(np.max(np.abs(np.diff(cycles - before)))) * CELLS_A_WINDOW / CELLS_A_ROW
    return _Stretch(time, cycles, final[1], 2.0 * final[2], strayed)


def _counted_on(stretches: list[_Stretch]) -> list[Floats]:
    """Cycles of each stretch, by so many whole cycles more that the mean frequency of a silence is that of its ends."""
    counted = [stretches[0].cycles]
    for before, after in pairwise(stretches):
        silence = after.time_s[0] - before.time_s[-1]
        due = counted[-1][-1] + silence * (before.frequency_hz[-1] + after.frequency_hz[0]) / 2.0
        counted.append(after.cycles + np.rint(due - after.cycles[0]))
    return counted


def _joined_phase(stretches: list[_Stretch], rows: Rows) -> DrivePhase:
    """One phase for the whole record: smooth through silences, of constant frequency beyond the ends."""
    from scipy.interpolate import CubicHermiteSpline

    first, last = stretches[0], stretches[-1]
    time, frequency = (
        np.concatenate([getattr(each, name) for each in stretches]) for name in ("time_s", "frequency_hz")
    )
    cycles = np.concatenate(_counted_on(stretches))
    early, late = rows.window_s[0], rows.window_s[-1]
    edges = [(time[0] - early, cycles[0], frequency[0], first.slope[0], -early)]
    edges += [(time[-1] + late, cycles[-1], frequency[-1], last.slope[-1], late)]
    (t0, c0, f0), (t1, c1, f1) = ((t, c + f * x + 0.5 * d * x * x, max(f + d * x, 0.5 * f)) for t, c, f, d, x in edges)
    inner = CubicHermiteSpline(
        np.concatenate([[t0], time, [t1]]),
        np.concatenate([[c0], cycles, [c1]]),
        np.concatenate([[f0], frequency, [f1]]),
    )
    inside = np.clip(rows.time_s, t0, t1)
    outside = rows.time_s - inside
    slope = np.maximum(inner.derivative()(inside), 1e-3)
    whole = CubicHermiteSpline(rows.time_s, inner(inside) + outside * slope, slope)
    return DrivePhase(np.asarray(whole.x), np.asarray(whole.c), (t0, t1))


def smoothed(x: Floats, y: Floats, weight: Floats, stiffness: float) -> Floats:
    """Discrete smoothing spline: least Σ w (y − z)² + stiffness ∫ z″² dx, z″ by divided differences.

    Reinsch (1967), from memory; two weights either side of the diagonal, so time and memory grow with n alone.
    """
    from scipy.linalg import solveh_banded

    step = np.diff(x)
    span = (step[1:] + step[:-1]) / 2.0
    # second divided difference of three neighbours: l z₀ − (l + r) z₁ + r z₂
    left, right = 1.0 / (step[:-1] * span), 1.0 / (step[1:] * span)
    row = np.sqrt(stiffness * span)
    a, b, c = left * row, -(left + right) * row, right * row
    bands = np.zeros((3, len(x)))
    bands[2] = weight
    bands[2, :-2] += a * a
    bands[2, 1:-1] += b * b
    bands[2, 2:] += c * c
    bands[1, 1:-1] += a * b
    bands[1, 2:] += b * c
    bands[0, 2:] = a * c
    smooth: Floats = solveh_banded(bands, weight * y, check_finite=False)
    return smooth


def _straighter(time: Floats, frequency: Floats, weight: Floats) -> Floats:
    """Smoothed frequency, as a logarithm or as it is: whichever law leaves less behind (the spline bends neither)."""
    exponential: Floats = np.exp(smoothed(time, np.log(frequency), weight, _FREQUENCY_SMOOTHING))
    linear = smoothed(time, frequency, weight, _FREQUENCY_SMOOTHING)
    left = [np.sum(weight * np.square(frequency / each - 1.0)) for each in (exponential, linear)]
    return linear if left[1] < left[0] and linear.min() > 0 else exponential


def _integral(time: Floats, values: Floats) -> Floats:
    """Integral from the first time on: trapezium with the slopes at both ends (Hermite's rule)."""
    step, slope = np.diff(time), np.gradient(values, time)
    area = step * (values[1:] + values[:-1]) / 2.0 + step**2 * (slope[:-1] - slope[1:]) / 12.0
    total: Floats = np.concatenate([[0.0], np.cumsum(area)])
    return total
