"""The sweep as really run: direction, rate and its course, duration, cycles, holds, level steps.

The rate comes from the law of frequency against time as a whole and not from neighbouring rows, because the times of
a log are rounded and jitter.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from reportgen.compute.sweep.level_step import level_steps, step_between
from reportgen.compute.sweep.pieces import Piece, pieces_of, resumed, rows_of
from reportgen.records.holes import holes
from reportgen.records.job import Profile
from reportgen.records.log import Floats, SweepLog
from reportgen.records.message import Message, message
from reportgen.records.result import SweepFacts
from reportgen.records.stretch import Direction

OCTAVES_PER_MINUTE = "oct/min"
HERTZ_PER_SECOND = "Hz/s"
HOLD_RANGE_OCTAVES = 0.07
"""A run that stays within 5 % and drifts slower than ``HOLD_RATE`` is a dwell; a dwell follows its resonance."""
HOLD_RATE = 0.05
"""oct/min; the slowest sweeps in use are ten times as fast."""
REVERSAL_OCTAVES = 0.02
"""A way back smaller than this is jitter and no turn."""
RATE_DEVIATION = 0.1
"""Local rates that differ by more from the median are listed (the ±10 % of exponential sweeps in IEC 60068-2-6)."""
SAME_PACE = 0.2
"""A time without rows counts as swept where it is at most so much longer than the sweep around would have taken."""
LOCAL_WINDOWS = 24
FEWEST_WINDOWS = 4
LOCAL_NOISE = 0.01
"""Windows widen until the scatter of the rows moves a local rate by no more than this."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Leg:
    """One way up or down without its holds: time, frequency; both shape (n,)."""

    time_s: Floats
    frequency_hz: Floats
    octaves: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Course:
    """Local rates in one unit, with the band that each covers."""

    rates: Floats
    bands: tuple[tuple[float, float], ...]
    std: float


def sweep_facts(
    log: SweepLog,
    profile: Profile | None = None,
    control_level: Floats | None = None,
    *,
    rate_unit: str | None = None,
) -> SweepFacts:
    """Facts of one sweep. ``control_level`` is m/s² peak, shape (n,); ``rate_unit`` decides where the rows cannot.

    An exponential sweep has a rate in oct/min, a linear one in Hz/s; which it is follows from the rows, or where both
    laws fit alike from ``rate_unit``, the profile, or else oct/min.
    """
    f = log.frequency_hz
    still = _stands_still(f, log.time_s)
    pieces = pieces_of(log) if not still else (Piece(0, len(f), float(f[0]), float(f[-1])),)
    parts = [rows_of(log, piece.rows) for piece in pieces]
    hint = rate_unit or (profile.sweep_rate.unit if profile and profile.sweep_rate else OCTAVES_PER_MINUTE)
    common = _extent(log, pieces, parts, still)
    steps = () if control_level is None or still else _level_steps(f, control_level, profile, pieces)
    if log.time_s is None or len(f) < 3 or still:
        reason = _no_rate_reason(log, still)
        held = ((float(np.median(f)), common.duration_s),) if still and common.duration_s else ()
        return _with(common, rate_unit=hint, rate_reason=reason, holds=held, level_steps=steps)
    legs, holds = _all_legs(parts)
    if not legs:
        return _with(common, rate_unit=hint, rate_reason=message("sweep.few-times"), level_steps=steps)
    unit = _law(legs, hint)
    rate, std = _rate(legs, unit)
    course = _course(legs, unit, rate)
    return _with(
        common,
        rate=rate,
        rate_unit=unit,
        rate_std=std,
        rate_from=None if course is None else float(course.rates.min()),
        rate_to=None if course is None else float(course.rates.max()),
        local_rate_std=None if course is None else course.std,
        rate_outside=() if course is None else _differing(course),
        holds=holds,
        level_steps=steps,
    )


def _level_steps(
    f: Floats, level: Floats, profile: Profile | None, pieces: tuple[Piece, ...]
) -> tuple[tuple[float, float], ...]:
    """Steps within the pieces, and from one to the next where a sweep was resumed."""
    found: list[tuple[float, float]] = []
    for piece in pieces:
        found += level_steps(f[piece.rows], level[piece.rows], profile)
    for before, after in resumed(pieces):
        step = step_between(f, level, profile, before.rows, after.rows)
        found += [(after.first_hz, step)] if step is not None else []
    return tuple(found)


def _with(facts: SweepFacts, **changed: object) -> SweepFacts:
    return replace(facts, **changed)  # type: ignore[arg-type]


def _no_rate_reason(log: SweepLog, still: bool) -> Message:
    if log.time_s is None:
        return message("sweep.no-time")
    return message("sweep.held") if still else message("sweep.few-rows")


def _extent(log: SweepLog, pieces: tuple[Piece, ...], parts: list[SweepLog], still: bool) -> SweepFacts:
    f = log.frequency_hz
    low, high = float(f.min()), float(f.max())
    turns = [part.frequency_hz[_turning_points(part.frequency_hz)] for part in parts]
    again = sum(abs(math.log2(after.first_hz / before.last_hz)) for before, after in resumed(pieces))
    travelled = sum(float(np.abs(np.diff(np.log2(each))).sum()) for each in turns) - again
    octaves = math.log2(high / low)
    interrupted = bool(log.part_starts) or any(True for _ in resumed(pieces))
    return SweepFacts(
        direction=Direction.HOLD if still else _direction(turns),
        first_hz=float(f[0]),
        last_hz=float(f[-1]),
        lowest_hz=low,
        highest_hz=high,
        rows=len(f),
        rate=None,
        rate_unit=OCTAVES_PER_MINUTE,
        duration_s=_duration(parts, pieces),
        cycles=_cycles_of(log, parts, pieces),
        first_spacing_hz=_spacing(f),
        last_spacing_hz=_spacing(f[::-1]),
        sweep_cycles=None if still or octaves <= 0 else travelled / (2.0 * octaves),
        pieces=tuple((piece.first_hz, piece.last_hz) for piece in pieces) if interrupted else (),
        holes=() if still else holes(f),
    )


def _ran_on(parts: list[SweepLog], pieces: tuple[Piece, ...]) -> Iterator[tuple[float, float]]:
    """(seconds, mean frequency Hz) of every break over which the clock shows that the drive swept on unrecorded."""
    again = {after.start for _, after in resumed(pieces)}
    for before, after, piece in zip(parts[:-1], parts[1:], pieces[1:], strict=True):
        if before.time_s is None or after.time_s is None or piece.start in again:
            continue
        seconds = float(after.time_s[0] - before.time_s[-1])
        octaves = abs(math.log2(float(after.frequency_hz[0] / before.frequency_hz[-1])))
        paces = [_pace(part) for part in (before, after)]
        known = [pace for pace in paces if pace is not None]
        if known and 0 < seconds <= (1.0 + SAME_PACE) * octaves * max(known):
            yield (
                seconds,
                float(after.frequency_hz[0] - before.frequency_hz[-1])
                / (math.log(2.0) * octaves)
                * (1.0 if after.frequency_hz[0] > before.frequency_hz[-1] else -1.0),
            )


def _pace(part: SweepLog) -> float | None:
    """Seconds an octave of a piece; None where it has no time or stands still."""
    octaves = abs(math.log2(float(part.frequency_hz[-1] / part.frequency_hz[0])))
    return float(part.time_s[-1] - part.time_s[0]) / octaves if part.time_s is not None and octaves > 0 else None


def _duration(parts: list[SweepLog], pieces: tuple[Piece, ...]) -> float | None:
    """Seconds of all pieces, without the pauses between them."""
    own = [float(part.time_s[-1] - part.time_s[0]) for part in parts if part.time_s is not None]
    return sum(own) + sum(seconds for seconds, _ in _ran_on(parts, pieces)) if len(own) == len(parts) else None


def _cycles_of(log: SweepLog, parts: list[SweepLog], pieces: tuple[Piece, ...]) -> float | None:
    """Cycles of the drive in all pieces, each counted by itself."""
    if len(parts) == 1:
        return _cycles(log)
    own = [each for each in map(_cycles, parts) if each is not None]
    alone = sum(len(part.frequency_hz) < 2 for part in parts)
    if log.time_s is None or len(own) + alone < len(parts):
        return None
    return sum(own) + sum(seconds * mean_hz for seconds, mean_hz in _ran_on(parts, pieces))


def _direction(turns: list[Floats]) -> Direction:
    """Way of all pieces, from the frequencies where each begins, turns and ends."""
    ways = {bool(step > 0) for each in turns for step in np.diff(each) if step != 0}
    if len(ways) > 1:
        return Direction.MIXED
    return Direction.UP if ways == {True} else Direction.DOWN


def _spacing(f: Floats) -> float | None:
    """Distance from the first frequency to the next that differs."""
    other = np.flatnonzero(f != f[0])
    return float(abs(f[other[0]] - f[0])) if other.size else None


def _cycles(log: SweepLog) -> float | None:
    """Cycles of the drive, ∫f dt: as counted where the source gives it, else row by row with the logarithmic mean,

    which is exact between rows of an exponential sweep and off by less than (Δf/f)²/12 for a linear one.
    """
    if log.drive_cycles is not None and len(log.drive_cycles) > 1:
        return float(abs(log.drive_cycles[-1] - log.drive_cycles[0]))
    if log.time_s is None or len(log.time_s) < 2:
        return None
    f, step = log.frequency_hz, np.diff(log.time_s)
    ratio = np.log(f[1:] / f[:-1])
    apart = np.abs(ratio) > 1e-6
    mean = 0.5 * (f[1:] + f[:-1])
    mean[apart] = np.diff(f)[apart] / ratio[apart]
    return float(np.sum(mean * step))


def _stands_still(f: Floats, time_s: Floats | None) -> bool:
    octaves = math.log2(float(f.max()) / float(f.min()))
    if len(f) < 2 or octaves < 0.005:
        return True
    if octaves > HOLD_RANGE_OCTAVES or time_s is None:
        return False
    minutes = float(time_s[-1] - time_s[0]) / 60.0
    return minutes > 0 and octaves / minutes < HOLD_RATE


def _turning_points(f: Floats) -> NDArray[np.int64]:
    """Rows where the sweep starts, turns and ends; turns smaller than ``REVERSAL_OCTAVES`` are jitter."""
    course = np.log2(f)
    stride = max(1, len(f) // 20_000)
    turns, extreme, going = [0], 0, 0.0
    for row in range(0, len(f), stride):
        ahead = course[row] - course[extreme]
        if going == 0.0:
            if abs(ahead) > REVERSAL_OCTAVES:
                going, extreme = math.copysign(1.0, ahead), row
        elif ahead * going >= 0:
            extreme = row
        elif -ahead * going > REVERSAL_OCTAVES:
            turns.append(extreme)
            going, extreme = -going, row
    last = len(f) - 1
    return np.array([*turns, last] if last > turns[-1] else turns)


def _all_legs(parts: list[SweepLog]) -> tuple[list[_Leg], tuple[tuple[float, float], ...]]:
    """Ways and holds of all pieces."""
    legs: list[_Leg] = []
    holds: list[tuple[float, float]] = []
    for part in parts:
        assert part.time_s is not None
        more, stood = _legs(part.frequency_hz, part.time_s, _turning_points(part.frequency_hz))
        legs += more
        holds += stood
    return legs, tuple(holds)


def _legs(f: Floats, time_s: Floats, turns: NDArray[np.int64]) -> tuple[list[_Leg], tuple[tuple[float, float], ...]]:
    """Ways up and down freed of their holds, and the holds."""
    legs, holds = [], []
    for a, b in pairwise(turns):
        part_f, part_t = f[a : b + 1], time_s[a : b + 1]
        if len(part_f) < 3 or part_t[-1] <= part_t[0]:
            continue
        keep, moving_t, stood = _without_holds(part_f, part_t)
        holds += stood
        octaves = abs(math.log2(float(part_f[-1] / part_f[0])))
        if keep.sum() >= 3 and octaves > 0:
            legs.append(_Leg(time_s=moving_t[keep], frequency_hz=part_f[keep], octaves=octaves))
    return legs, tuple(holds)


def _without_holds(f: Floats, time_s: Floats) -> tuple[NDArray[np.bool_], Floats, list[tuple[float, float]]]:
    """Rows outside holds, the time with the holds taken out, and (frequency Hz, seconds) of each hold.

    A hold is where the sweep takes more than five times as long as elsewhere, and over two seconds, to get 0.1 % (or
    three steps of the log's own resolution) farther.
    """
    course = np.maximum.accumulate(np.log(f) * math.copysign(1.0, f[-1] - f[0]))
    steps = np.diff(np.unique(f))
    step = np.maximum(1e-3, 3.0 * float(steps.min()) / f) if steps.size else np.full(f.shape, 1e-3)
    ahead = np.minimum(np.searchsorted(course, course + step), len(f) - 1)
    took = time_s[ahead] - time_s
    complete = course[ahead] >= course + step
    pace = float(np.median(took[complete] / step[complete])) if complete.any() else 0.0
    usual = pace * step
    slow = (took > np.maximum(5.0 * usual, 2.0 + usual)) & (pace > 0)
    keep, moving, holds = np.ones(len(f), dtype=bool), time_s.astype(float).copy(), []
    for start, end in _stretches(slow, ahead):
        seconds = float(time_s[end] - time_s[start] - usual[start])
        keep[start + 1 : end] = False
        moving[end:] -= seconds
        holds.append((float(f[start]), seconds))
    return keep, moving, holds


def _stretches(slow: NDArray[np.bool_], ahead: NDArray[np.int64]) -> Iterator[tuple[int, int]]:
    """First and last row of every hold."""
    row, n = 0, len(slow)
    rows = np.flatnonzero(slow)
    for each in rows:
        if each < row:
            continue
        end = int(ahead[each])
        while end < n - 1 and slow[end]:
            end = int(ahead[end])
        yield int(each), end
        row = end


def _coordinate(frequency_hz: Floats, unit: str) -> Floats:
    """What rises evenly with time: octaves, or hertz."""
    return np.asarray(np.log2(frequency_hz) if unit == OCTAVES_PER_MINUTE else frequency_hz)


def _per_unit(slope_per_s: float, unit: str) -> float:
    return abs(slope_per_s) * (60.0 if unit == OCTAVES_PER_MINUTE else 1.0)


def _line(time_s: Floats, y: Floats) -> tuple[float, float, float]:
    """Robust straight line: (slope, standard deviation of the slope, scatter of the rows); Huber weights."""
    t = time_s - time_s.mean()
    weight = np.ones(len(t))
    slope, scatter = 0.0, 0.0
    for _ in range(8):
        centre_t, centre_y = np.average(t, weights=weight), np.average(y, weights=weight)
        spread = float(np.sum(weight * (t - centre_t) ** 2))
        slope = float(np.sum(weight * (t - centre_t) * (y - centre_y))) / spread if spread > 0 else 0.0
        residual = y - centre_y - slope * (t - centre_t)
        scatter = 1.4826 * float(np.median(np.abs(residual)))
        if scatter <= 0:
            break
        weight = 1.0 / np.maximum(1.0, np.abs(residual) / (1.5 * scatter))
    rms = math.sqrt(float(np.mean(np.minimum(np.abs(residual), 3.0 * scatter) ** 2))) if scatter > 0 else 0.0
    return slope, rms / math.sqrt(spread) if spread > 0 else 0.0, rms


def _law(legs: list[_Leg], hint: str) -> str:
    """Exponential or linear: the law that leaves less scatter, in fractions of the frequency."""
    scatter = {}
    for unit in (OCTAVES_PER_MINUTE, HERTZ_PER_SECOND):
        total = 0.0
        for leg in legs:
            y = _coordinate(leg.frequency_hz, unit)
            span = abs(float(y[-1] - y[0]))
            total += _line(leg.time_s, y)[2] / span if span > 0 else math.inf
        scatter[unit] = total
    exponential, linear = scatter[OCTAVES_PER_MINUTE], scatter[HERTZ_PER_SECOND]
    if max(exponential, linear) <= 1.25 * min(exponential, linear) or max(exponential, linear) < 1e-9:
        return hint
    return OCTAVES_PER_MINUTE if exponential < linear else HERTZ_PER_SECOND


def _rate(legs: list[_Leg], unit: str) -> tuple[float, float]:
    """Rate and its standard uncertainty; legs weigh by their octaves."""
    slopes, variances, weights = [], [], []
    for leg in legs:
        slope, std, _ = _line(leg.time_s, _coordinate(leg.frequency_hz, unit))
        slopes.append(_per_unit(slope, unit))
        variances.append(_per_unit(std, unit) ** 2)
        weights.append(leg.octaves)
    share = np.array(weights) / np.sum(weights)
    return float(share @ np.array(slopes)), math.sqrt(float(share**2 @ np.array(variances)))


def _course(legs: list[_Leg], unit: str, rate: float) -> _Course | None:
    """Local rates in windows of equal travel, as narrow as the scatter of the rows allows."""
    for windows in (LOCAL_WINDOWS, 16, 10, 6, FEWEST_WINDOWS):
        found = [each for leg in legs for each in _local_rates(leg, unit, windows)]
        if not found:
            continue
        std = float(np.median([each[1] for each in found]))
        if std <= LOCAL_NOISE * rate or windows == FEWEST_WINDOWS:
            return _Course(rates=np.array([each[0] for each in found]), bands=tuple(e[2] for e in found), std=std)
    return None


def _local_rates(leg: _Leg, unit: str, windows: int) -> Iterator[tuple[float, float, tuple[float, float]]]:
    y = _coordinate(leg.frequency_hz, unit)
    edges = np.linspace(float(y[0]), float(y[-1]), windows + 1)
    course = np.maximum.accumulate(y) if y[-1] > y[0] else np.maximum.accumulate(-y)
    rows = np.searchsorted(course, edges if y[-1] > y[0] else -edges)
    for a, b in pairwise(rows):
        part = slice(int(a), int(b) + 1)
        t = leg.time_s[part]
        if len(t) < 4 or t[-1] <= t[0]:
            continue
        slope, std, _ = _line(t, y[part])
        ends = leg.frequency_hz[part]
        yield _per_unit(slope, unit), _per_unit(std, unit), (float(ends.min()), float(ends.max()))


def _differing(course: _Course) -> tuple[tuple[float, float], ...]:
    """Bands whose rate differs from the median by more than ``RATE_DEVIATION`` and than scatter explains."""
    median = float(np.median(course.rates))
    allowed = max(RATE_DEVIATION * median, 3.0 * course.std)
    merged: list[tuple[float, float]] = []
    for rate, (low, high) in zip(course.rates, course.bands, strict=True):
        if abs(rate - median) <= allowed:
            continue
        if merged and low <= merged[-1][1] and high >= merged[-1][0]:
            low, high = min(low, merged[-1][0]), max(high, merged.pop()[1])
        merged.append((low, high))
    return tuple(merged)
