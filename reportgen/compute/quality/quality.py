"""Data quality before verdicts: what in a log weighs on what can be concluded from it.

Every test is robust (medians and median deviations), so that a resonance, which rises and falls over its bandwidth,
is not taken for a fault, which is sudden and stays. ``spoils`` is set only where a channel carries no evidence at all.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from reportgen.compute.quality.loose_sensor import DENSEST, loose_sensors
from reportgen.compute.quality.swapped_columns import control_swaps
from reportgen.compute.seen import Seen, bend, blocks, see
from reportgen.compute.sweep.control import bands_of
from reportgen.compute.sweep.pieces import pieces_of, resumed
from reportgen.compute.sweep.profile import profile_range
from reportgen.compute.sweep.transmissibility import is_motion
from reportgen.records.holes import holes
from reportgen.records.job import Profile, RunKind, RunPlan
from reportgen.records.log import Floats, SweepLog
from reportgen.records.message import Message, message
from reportgen.records.result import IssueKind, QualityIssue

Mask = NDArray[np.bool_]

FEWEST_ROWS = 20
"""A log with fewer rows has no course that anything could be sudden against."""
FLAT = 0.002
FLAT_ROWS = 6
DROP_BESIDE = 0.03
"""Clipping: six rows or more within 0.2 % of the largest value, and 3 % below it one half-plateau farther out. A
resonance whose top 0.2 % is as wide has fallen by only 0.8 % there (1/√(1+x²) at x = 0.063 and 0.126)."""
DROPPED = 0.1
BESIDE_DROP = 0.5
AROUND_DROP = 8
NOISY_NEIGHBOURS = 0.08
RISES = 3.0
SPOILING_SHARE = 0.05
"""Drop-outs: below a tenth of the median around, with both rows beside above half of it, which a null that is passed
through (an antiresonance, a beat) does not have, among rows that scatter by less than 8 %; behind a fall to a floor or
noise, until the median of the rows around is three times the floor and smooth; from 5 % of the rows on the channel is
not worth keeping."""
THOUSANDTH = (0.9e-3, 1.3e-3)
UNIT_OCTAVES = 0.5
"""A channel that reads so much of the control, smoothly, in the first half octave of its range reads in another unit:
what a mode adds there is taken in."""
DEAD_RATIO = 0.02
"""A sensor that moves with the exciter shows a ratio near 1 somewhere; a channel below 2 % throughout shows none."""
PHASE_JUMP_DEG = 60.0
STEADY_DB = 1.0
FLOOR_DB = 2.0
"""Rows that scatter by more than 2 dB about their neighbours show the noise floor and not the structure."""
FLOOR_SHARE = 0.03
DIP = 0.5
"""Control below half of its own course around: it runs through an antiresonance and the ratio to it is inflated."""
MAINS_HZ = (50.0, 60.0)
MAINS_HARMONICS = 3
MAINS_NEAR_HZ = 0.25
MAINS_WIDTH = 0.01
MAINS_HEIGHT = 1.5
"""Mains: a spike at the mains frequency or its 2nd or 3rd multiple, narrower than Q = 100 would be, half as high again
as what surrounds it."""
END_SHARE = 0.02


def data_quality(
    run: RunPlan, log: SweepLog, control_level: Floats | None, profile: Profile | None, control: tuple[str, ...] = ()
) -> tuple[QualityIssue, ...]:
    """Issues of one run by itself. ``control_level`` is m/s² peak, shape (n,), or None where there is no control.

    What only shows between runs (levels, rates, a sensor that came loose in between) is found by
    ``reportgen.compute.comparison.run_comparison``.
    """
    issues = [*_clock(log), *_short_run(run, log, profile)]
    swept = run.kind in (RunKind.SURVEY, RunKind.SWEEP)
    if swept:
        issues += [*_resumptions(log), *_holes(log), *control_swaps(log, control or run.control, profile)]
    if control_level is not None and swept:
        issues += _control_dips(log.frequency_hz, control_level, profile)
    channels = [see(log, trace, control_level, trace.channel in (control or run.control)) for trace in log.traces]
    rows = [piece.rows for piece in pieces_of(log)] if swept else []
    for seen in channels:
        issues += _channel_issues(seen, swept, rows)
    if swept and len(log.frequency_hz) >= FEWEST_ROWS:
        dead = {issue.channel for issue in issues if issue.kind is IssueKind.DEAD_CHANNEL}
        alive = [seen for seen in channels if not seen.is_control and seen.trace.channel not in dead]
        issues += loose_sensors(log, alive, control_level)
    return tuple(issues)


def _channel_issues(seen: Seen, swept: bool, pieces: list[slice]) -> Iterator[QualityIssue]:
    dead = _dead(seen, swept)
    if dead is not None:
        yield dead
        return
    issues = [_drop_outs(seen)]
    if swept and not seen.is_control and len(seen.frequency_hz) >= FEWEST_ROWS:
        thin = seen.rows(slice(None, None, max(1, len(seen.frequency_hz) // DENSEST)))
        issues += [_clipping(seen), _phase_jump(seen, pieces), _noise_floor(thin), _mains(seen)]
    yield from (issue for issue in issues if issue is not None)


# --- the run as a whole ---------------------------------------------------------------------------------------------


def _clock(log: SweepLog) -> Iterator[QualityIssue]:
    if log.time_s is None or len(log.time_s) < 2:
        return
    backwards = np.flatnonzero(np.diff(log.time_s) < 0)
    if backwards.size:
        yield QualityIssue(kind=IssueKind.CLOCK, message=_runs_backwards(log, backwards.size, int(backwards[0]) + 1))


def _runs_backwards(log: SweepLog, times: int, row: int) -> Message:
    first_hz = float(log.frequency_hz[row])
    if log.row_line is None:
        return message("quality.clock-backwards", times=times, first_hz=first_hz)
    return message("quality.clock-backwards-line", times=times, first_hz=first_hz, line=int(log.row_line[row]))


def _resumptions(log: SweepLog) -> Iterator[QualityIssue]:
    """Where an interrupted sweep was taken up again, and what was swept twice by that."""
    for before, after in resumed(pieces_of(log)):
        low, high = sorted((before.last_hz, after.first_hz))
        line = None if log.row_line is None else int(log.row_line[after.start])
        yield QualityIssue(
            kind=IssueKind.RESUMED, message=_resumed(before.last_hz, after.first_hz, line), band_hz=(low, high)
        )


def _resumed(stopped_hz: float, from_hz: float, line: int | None) -> Message:
    low, high = sorted((stopped_hz, from_hz))
    if line is None:
        return message("quality.resumed", stopped_hz=stopped_hz, from_hz=from_hz, low_hz=low, high_hz=high)
    return message("quality.resumed-line", stopped_hz=stopped_hz, from_hz=from_hz, low_hz=low, high_hz=high, line=line)


def _holes(log: SweepLog) -> Iterator[QualityIssue]:
    for low, high in holes(log.frequency_hz):
        hole = message("quality.hole", low_hz=low, high_hz=high)
        yield QualityIssue(kind=IssueKind.HOLE, message=hole, band_hz=(low, high))


def _short_run(run: RunPlan, log: SweepLog, profile: Profile | None) -> Iterator[QualityIssue]:
    if profile is None or run.kind not in (RunKind.SURVEY, RunKind.SWEEP):
        return
    low, high = profile_range(profile)
    first, last = float(log.frequency_hz.min()), float(log.frequency_hz.max())
    missing = []
    if first > low * (1 + END_SHARE):
        missing.append(message("quality.band-at-start", low_hz=low, high_hz=first))
    if last < high * (1 - END_SHARE):
        missing.append(message("quality.band-at-end", low_hz=last, high_hz=high))
    if missing:
        yield QualityIssue(kind=IssueKind.SHORT_RUN, message=message("quality.short-run", bands=tuple(missing)))
    if profile.duration is not None and profile.duration.dimension == "time" and log.time_s is not None:
        seconds = float(log.time_s[-1] - log.time_s[0])
        if seconds < profile.duration.si * (1 - END_SHARE):
            yield QualityIssue(
                kind=IssueKind.SHORT_RUN,
                message=message("quality.short-time", seconds=seconds, required=profile.duration.text),
            )


def _control_dips(f: Floats, level: Floats, profile: Profile | None) -> Iterator[QualityIssue]:
    """Stretches where the control is below half of its own median around, outside notches."""
    if len(f) < FEWEST_ROWS:
        return
    known = np.isfinite(level) & (level > 0)
    if known.sum() < FEWEST_ROWS:
        return
    course = np.full(level.shape, np.nan)
    course[known] = _running_median(np.log(level[known]), _rows_per_octave(f[known]) / 2.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        low = known & (np.log(np.where(known, level, 1.0)) - course < np.log(DIP))
    for notch in profile.notches if profile is not None else ():
        low &= ~((f >= notch.from_hz) & (f <= notch.to_hz))
    for a, b in bands_of(low, f):
        inside = low & (f >= a) & (f <= b)
        share = float(np.exp(np.nanmin(np.log(level[inside]) - course[inside])))
        yield QualityIssue(
            kind=IssueKind.ANTIRESONANCE,
            message=message("quality.control-dips", share=share, low_hz=a, high_hz=b),
            band_hz=(a, b),
        )


# --- one channel ----------------------------------------------------------------------------------------------------


def _dead(seen: Seen, swept: bool) -> QualityIssue | None:
    amplitude = seen.trace.amplitude
    known = amplitude[np.isfinite(amplitude)]
    channel = seen.trace.channel
    dead = None
    if known.size == 0:
        dead = message("quality.no-reading", channel=channel)
    elif not known.any():
        dead = message("quality.reads-zero", channel=channel)
    elif swept and known.size >= FEWEST_ROWS and np.ptp(known) <= 1e-6 * known.max() and not seen.is_control:
        dead = message("quality.reads-constant", channel=channel, value=float(known[0]))
    elif swept and is_motion(seen.trace) and not seen.is_control and np.isfinite(seen.ratio).any():
        highest = float(np.nanpercentile(seen.ratio, 99))
        if highest < DEAD_RATIO and not _is_in_thousandths(seen):
            dead = message("quality.below-control", channel=channel, percent=100.0 * highest)
    if dead is None:
        return None
    return QualityIssue(kind=IssueKind.DEAD_CHANNEL, message=dead, channel=channel, spoils=True)


def _is_in_thousandths(seen: Seen) -> bool:
    """Whether a channel begins at a thousandth of the control, smooth as a signal is: a unit and not a dead sensor."""
    f = seen.frequency_hz
    first = seen.ratio[f <= 2.0**UNIT_OCTAVES * f.min()]
    known = first[np.isfinite(first) & (first > 0)]
    if known.size < FEWEST_ROWS or not THOUSANDTH[0] <= float(np.median(known)) <= THOUSANDTH[1]:
        return False
    return float(np.median(bend(np.log(known)))) <= NOISY_NEIGHBOURS


def _drop_outs(seen: Seen) -> QualityIssue | None:
    """Rows without a reading, at zero, or suddenly far below the rows around."""
    amplitude = seen.trace.amplitude
    lost = ~np.isfinite(amplitude) | (amplitude <= 0)
    if len(lost) >= FEWEST_ROWS:
        readings = np.where(lost, 0.0, amplitude)
        silent = _silent_stretches(readings, flat=not seen.is_control)  # a control stands still where it is held
        if not seen.is_control:  # a drive that was turned down takes a sound sensor with it
            silent &= _silent_stretches(np.where(np.isfinite(seen.ratio), seen.ratio, 0.0), flat=True)
        lost |= _sudden_drops(readings) | silent
    if not lost.any():
        return None
    share = float(lost.mean())
    bands = bands_of(lost, seen.frequency_hz)
    return QualityIssue(
        kind=IssueKind.DROP_OUT,
        message=message(
            "quality.drops-out",
            channel=seen.trace.channel,
            lost=int(lost.sum()),
            rows=len(lost),
            first_hz=bands[0][0],
        ),
        channel=seen.trace.channel,
        band_hz=(min(a for a, _ in bands), max(b for _, b in bands)),
        spoils=share > SPOILING_SHARE,
    )


def _sudden_drops(amplitude: Floats) -> Mask:
    from scipy.ndimage import median_filter

    around: Floats = median_filter(amplitude, size=2 * AROUND_DROP + 1, mode="nearest")
    low = np.concatenate(([False], amplitude < DROPPED * around, [False]))
    edges = np.flatnonzero(np.diff(low.astype(int)))
    share = np.pad(amplitude / np.maximum(around, 1e-300), 1, mode="edge")
    drops = np.zeros(len(amplitude), dtype=bool)
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        if min(share[a], share[b + 1]) < BESIDE_DROP:
            continue
        sides = (amplitude[max(0, a - AROUND_DROP) : a], amplitude[b : b + AROUND_DROP])
        bends = [bend(np.log(side[side > 0])) for side in sides if (side > 0).sum() > 2]
        drops[a:b] = bool(bends) and max(float(np.median(each)) for each in bends) <= NOISY_NEIGHBOURS
    return drops


def _silent_stretches(amplitude: Floats, *, flat: bool) -> Mask:
    """Rows behind a fall to less than a tenth within two rows, to where a smooth course is back: noise; or ``flat``.

    A response that a structure isolates falls over many rows, and a sharp peak is no level to fall from.
    """
    from scipy.ndimage import median_filter

    lost = np.zeros(len(amplitude), dtype=bool)
    middle: Floats = median_filter(amplitude, size=2 * AROUND_DROP + 1, mode="nearest")
    for row in np.flatnonzero(amplitude[2:] < DROPPED * amplitude[:-2]) + 1:
        before, first = amplitude[max(0, row - AROUND_DROP) : row], amplitude[row + 1 : row + 1 + 2 * AROUND_DROP]
        if lost[row] or min(len(before), len(first)) < AROUND_DROP or not _is_fall(before, first):
            continue
        back = np.flatnonzero(middle[row + AROUND_DROP :] > RISES * np.median(first)) + row + AROUND_DROP
        end = next((k for k in back if _smooth(amplitude[k : k + AROUND_DROP])), len(amplitude))
        behind = amplitude[row + 1 : end]
        lost[row:end] = not _smooth(behind) or (flat and _stands_still(behind))
    return lost


def _is_fall(before: Floats, first: Floats) -> bool:
    """Whether readings before a row have a level, of which those behind it keep less than a tenth."""
    level = float(np.median(before))
    steady = np.sort(before)[AROUND_DROP // 4] >= BESIDE_DROP * level and before.max() * BESIDE_DROP <= level
    return bool(steady and np.median(first) < DROPPED * level)


def _stands_still(amplitude: Floats) -> bool:
    """Whether readings are all at one floor."""
    read = amplitude[amplitude > 0]
    low, high = np.quantile(read, (0.1, 0.9)) if len(read) else (0.0, 0.0)
    return bool(high <= (1.0 + NOISY_NEIGHBOURS) * low)


def _smooth(amplitude: Floats) -> bool:
    read = amplitude[amplitude > 0]
    return len(read) > 2 and float(np.median(bend(np.log(read)))) <= NOISY_NEIGHBOURS


def _clipping(seen: Seen) -> QualityIssue | None:
    """A plateau at the largest value that breaks off on both sides (a control held level is none)."""
    amplitude = np.where(np.isfinite(seen.trace.amplitude), seen.trace.amplitude, 0.0)
    top = float(amplitude.max())
    edges = np.flatnonzero(np.diff(np.concatenate(([0], (amplitude >= (1 - FLAT) * top).astype(int), [0]))))
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        half = max(1, (b - a) // 2)
        if b - a < FLAT_ROWS or a - half < 0 or b - 1 + half >= len(amplitude):
            continue
        beside = max(float(amplitude[a - half]), float(amplitude[b - 1 + half]))
        ratio = seen.ratio[a:b]
        if beside < (1 - DROP_BESIDE) * top and not _follows_control(ratio):
            f = seen.frequency_hz[a:b]
            return QualityIssue(
                kind=IssueKind.CLIPPING,
                message=message(
                    "quality.clipped",
                    channel=seen.trace.channel,
                    rows=int(b - a),
                    low_hz=float(f.min()),
                    high_hz=float(f.max()),
                ),
                channel=seen.trace.channel,
                band_hz=(float(f.min()), float(f.max())),
                spoils=True,
            )
    return None


def _follows_control(ratio: Floats) -> bool:
    """Whether response over control is as steady as the response: then the plateau is the exciter's, no clipping."""
    known = ratio[np.isfinite(ratio)]
    return known.size > 0 and float(np.median(known)) < 1.1


def _phase_jump(whole: Seen, pieces: list[slice]) -> QualityIssue | None:
    """Phase that turns at once and stays while the magnitude goes on as before; within a piece of the sweep."""
    for piece in pieces:
        thin = max(1, (piece.stop - piece.start) // DENSEST)
        issue = _jump_within(whole.rows(slice(piece.start, piece.stop, thin)))
        if issue is not None:
            return issue
    return None


def _jump_within(seen: Seen) -> QualityIssue | None:
    if seen.trace.phase_deg is None:
        return None
    window, gap = 8, 2
    rows = np.flatnonzero(np.isfinite(seen.trace.phase_deg) & np.isfinite(seen.ratio_db))
    phase, level = np.deg2rad(seen.trace.phase_deg[rows]), seen.ratio_db[rows]
    if len(rows) < 2 * window + gap:
        return None
    around = np.lib.stride_tricks.sliding_window_view(level, 2 * window + gap)
    first = np.arange(len(around)) + window - 1
    turned = np.abs(np.angle(np.exp(1j * (phase[first + gap] - phase[first]))))
    sudden = (turned > np.deg2rad(PHASE_JUMP_DEG)) & (np.ptp(around, axis=1) <= STEADY_DB)
    for k in first[sudden]:
        a, b = slice(k - window + 1, k + 1), slice(k + gap, k + gap + window)
        if max(_turn(phase[a]), _turn(phase[b])) > np.deg2rad(15.0):
            continue
        by = float(np.rad2deg(np.angle(np.exp(1j * phase[b]).mean() / np.exp(1j * phase[a]).mean())))
        if abs(by) > PHASE_JUMP_DEG:
            return QualityIssue(
                kind=IssueKind.PHASE_JUMP,
                message=message(
                    "quality.phase-jumps",
                    channel=seen.trace.channel,
                    by_deg=by,
                    frequency_hz=float(seen.frequency_hz[rows][k + 1]),
                ),
                channel=seen.trace.channel,
                band_hz=(float(seen.frequency_hz[rows][k]), float(seen.frequency_hz[rows][k + gap])),
            )
    return None


def _turn(phase: Floats) -> float:
    """How far phases reach about their mean, radians."""
    return float(np.abs(np.angle(np.exp(1j * phase) / np.exp(1j * phase).mean())).max())


def _noise_floor(seen: Seen) -> QualityIssue | None:
    """Stretches that show noise; only said, for the identification has its own measure of it."""
    found = blocks(seen)
    if found is None:
        return None
    f, relative, _ = found
    noisy = relative > FLOOR_DB
    if float(noisy.mean()) < FLOOR_SHARE:
        return None
    ends = np.append(f[1:], seen.frequency_hz[-1])
    low, high = float(min(f[noisy].min(), ends[noisy].min())), float(max(f[noisy].max(), ends[noisy].max()))
    return QualityIssue(
        kind=IssueKind.NOISE_FLOOR,
        message=message(
            "quality.noise-floor",
            channel=seen.trace.channel,
            share=float(noisy.mean()),
            low_hz=low,
            high_hz=high,
        ),
        channel=seen.trace.channel,
        band_hz=(low, high),
    )


def _mains(seen: Seen) -> QualityIssue | None:
    for base in MAINS_HZ:
        for harmonic in range(1, MAINS_HARMONICS + 1):
            height = _spike(seen.frequency_hz, seen.ratio, base * harmonic)
            if height is not None and not _turns_there(seen, base * harmonic):
                return QualityIssue(
                    kind=IssueKind.MAINS,
                    message=message(
                        "quality.mains", channel=seen.trace.channel, height=height, frequency_hz=base * harmonic
                    ),
                    channel=seen.trace.channel,
                    band_hz=(base * harmonic * (1 - MAINS_WIDTH), base * harmonic * (1 + MAINS_WIDTH)),
                )
    return None


def _turns_there(seen: Seen, frequency_hz: float) -> bool:
    """Whether the phase turns by 90° or more across a spike, as it does across a resonance of the structure."""
    if seen.trace.phase_deg is None:
        return False
    f, phase = seen.frequency_hz, np.exp(1j * np.deg2rad(seen.trace.phase_deg))
    sides = [
        phase[(f > a * frequency_hz) & (f < b * frequency_hz) & np.isfinite(seen.trace.phase_deg)]
        for a, b in ((1 - 2 * MAINS_WIDTH, 1 - MAINS_WIDTH), (1 + MAINS_WIDTH, 1 + 2 * MAINS_WIDTH))
    ]
    if not all(side.size for side in sides):
        return False
    return bool(abs(np.angle(sides[1].mean() / sides[0].mean())) > np.pi / 2)


def _spike(f: Floats, ratio: Floats, mains_hz: float) -> float | None:
    """Height over the surroundings of a narrow spike at a mains frequency, or None."""
    around = (np.abs(f / mains_hz - 1) < 0.06) & np.isfinite(ratio) & (ratio > 0)
    near = around & (np.abs(f - mains_hz) <= MAINS_NEAR_HZ)
    beside = around & (np.abs(f / mains_hz - 1) > MAINS_WIDTH)
    if near.sum() < 1 or beside.sum() < 6:
        return None
    left, right = beside & (f < mains_hz), beside & (f > mains_hz)
    if left.sum() < 3 or right.sum() < 3:
        return None
    level = np.polynomial.Polynomial.fit(f[beside] - mains_hz, np.log(ratio[beside]), 2)
    scatter = float(np.std(np.log(ratio[beside]) - level(f[beside] - mains_hz)))
    height = float(np.log(ratio[near].max())) - float(level(0.0))
    return float(np.exp(height)) if height > max(np.log(MAINS_HEIGHT), 6.0 * scatter) else None


def _rows_per_octave(f: Floats) -> float:
    octaves = abs(float(np.log2(f.max() / f.min())))
    return len(f) / octaves if octaves > 0 else float(len(f))


def _running_median(y: Floats, rows: float) -> Floats:
    """Median over a window of about that many rows, shape (n,); long courses are thinned first."""
    from scipy.ndimage import median_filter

    window = int(np.clip(rows, 9, len(y)))
    thin = max(1, window // 101)
    thinned = y[::thin]
    smooth = median_filter(thinned, size=max(3, window // thin | 1), mode="nearest")
    return np.asarray(np.interp(np.arange(len(y)), np.arange(0, len(y), thin), smooth))
