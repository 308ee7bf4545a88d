"""Data quality before verdicts: what in a log weighs on what can be concluded from it.

Every test is robust (medians and median deviations), so that a resonance, which rises and falls over its bandwidth,
is not taken for a fault, which is sudden and stays. ``spoils`` is set only where a channel carries no evidence at all.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from reportgen.compute.control import bands_of
from reportgen.compute.profile import profile_range
from reportgen.compute.transmissibility import is_motion, magnitude_ratio
from reportgen.records.job import Profile, RunKind, RunPlan
from reportgen.records.log import Floats, SweepLog, Trace
from reportgen.records.result import QualityIssue

Mask = NDArray[np.bool_]

DENSEST = 10_000
"""Rows, above which every n-th is taken where a fault is told by being sudden."""
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
SPOILING_SHARE = 0.05
"""Drop-outs: below a tenth of the median around, with both rows beside above half of it, which a null that is passed
through (an antiresonance, a beat) does not have, among rows that scatter by less than 8 %; from 5 % of the rows on the
channel is not worth keeping."""
DEAD_RATIO = 0.02
"""A sensor that moves with the exciter shows a ratio near 1 somewhere; a channel below 2 % throughout shows none."""
LOOSE_STEP_DB = 2.0
STEP_ROWS = 2
STILL_ROWS = 5
STILL_SHARE = 0.2
STILL_DB = 0.7
LASTING_ROWS = 16
LASTING_SHARE = 0.75
NOISIER = 6.0
NOISY_DB = 1.0
"""Loose sensor: a step of 2 dB within two rows in response and ratio together, between stretches of five rows that
change by less than a fifth of it and 0.7 dB from row to row, three quarters of which still separates the rows beyond;
or scatter that becomes six times as large and more than 1 dB, in proportion and in absolute terms, and stays so.
With these, none of 2500 simulated structures of two to six modes (Q 5 to 300, any signs) is called loose."""
WHITE = 1.35
BLOCKS = 30
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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """One channel of a log with what the tests need: amplitude, ratio to the control and its course in dB."""

    trace: Trace
    frequency_hz: Floats
    ratio: Floats
    ratio_db: Floats
    is_control: bool


def data_quality(
    run: RunPlan, log: SweepLog, control_level: Floats | None, profile: Profile | None, control: tuple[str, ...] = ()
) -> tuple[QualityIssue, ...]:
    """Issues of one run by itself. ``control_level`` is m/s² peak, shape (n,), or None where there is no control.

    What only shows between runs (levels, rates, a sensor that came loose in between) is found by
    ``reportgen.compute.run_comparison``.
    """
    issues = [*_clock(log), *_short_run(run, log, profile)]
    swept = run.kind in (RunKind.SURVEY, RunKind.SWEEP)
    if control_level is not None and swept:
        issues += _control_dips(log.frequency_hz, control_level, profile)
    for trace in log.traces:
        seen = _see(log, trace, control_level, trace.channel in (control or run.control))
        issues += _channel_issues(seen, swept)
    return tuple(issues)


def _see(log: SweepLog, trace: Trace, control_level: Floats | None, is_control: bool) -> _Seen:
    f = log.frequency_hz
    reference = control_level if control_level is not None else np.ones(f.shape)
    ratio = magnitude_ratio(trace, reference, f)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio_db = np.where(ratio > 0, 20.0 * np.log10(ratio), np.nan)
    return _Seen(trace=trace, frequency_hz=f, ratio=ratio, ratio_db=ratio_db, is_control=is_control)


def _channel_issues(seen: _Seen, swept: bool) -> Iterator[QualityIssue]:
    dead = _dead(seen, swept)
    if dead is not None:
        yield dead
        return
    issues = [_drop_outs(seen)]
    if swept and not seen.is_control and len(seen.frequency_hz) >= FEWEST_ROWS:
        thin = _thinned(seen)
        issues += [_clipping(seen), _loose_step(thin), _loose_noise(thin), _phase_jump(thin), _noise_floor(thin)]
        issues.append(_mains(seen))
    yield from (issue for issue in issues if issue is not None)


def _thinned(seen: _Seen) -> _Seen:
    """Every n-th row of a log so dense that nothing is sudden from row to row."""
    n = max(1, len(seen.frequency_hz) // DENSEST)
    trace = replace(
        seen.trace,
        amplitude=seen.trace.amplitude[::n],
        phase_deg=None if seen.trace.phase_deg is None else seen.trace.phase_deg[::n],
        distortion=None,
        residual=None,
    )
    return _Seen(
        trace=trace,
        frequency_hz=seen.frequency_hz[::n],
        ratio=seen.ratio[::n],
        ratio_db=seen.ratio_db[::n],
        is_control=seen.is_control,
    )


# --- the run as a whole ---------------------------------------------------------------------------------------------


def _clock(log: SweepLog) -> Iterator[QualityIssue]:
    if log.time_s is None or len(log.time_s) < 2:
        return
    backwards = np.flatnonzero(np.diff(log.time_s) < 0)
    if backwards.size:
        row = int(backwards[0])
        line = "" if log.row_line is None else f" (line {int(log.row_line[row + 1])})"
        yield QualityIssue(
            kind="clock",
            message=f"the log's time runs backwards {backwards.size} time{'s' * (backwards.size > 1)}, first at "
            f"{log.frequency_hz[row + 1]:.4g} Hz{line}: durations, cycles and rates are not to be trusted",
        )


def _short_run(run: RunPlan, log: SweepLog, profile: Profile | None) -> Iterator[QualityIssue]:
    if profile is None or run.kind not in (RunKind.SURVEY, RunKind.SWEEP):
        return
    low, high = profile_range(profile)
    first, last = float(log.frequency_hz.min()), float(log.frequency_hz.max())
    missing = []
    if first > low * (1 + END_SHARE):
        missing.append(f"{low:g} to {first:.4g} Hz")
    if last < high * (1 - END_SHARE):
        missing.append(f"{last:.4g} to {high:g} Hz")
    if missing:
        yield QualityIssue(
            kind="short run", message=f"the run is shorter than its profile: {' and '.join(missing)} not swept"
        )
    if profile.duration is not None and profile.duration.dimension == "time" and log.time_s is not None:
        seconds = float(log.time_s[-1] - log.time_s[0])
        if seconds < profile.duration.si * (1 - END_SHARE):
            yield QualityIssue(
                kind="short run", message=f"the run lasted {seconds:.4g} s of the {profile.duration.text} required"
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
            kind="antiresonance",
            message=f"the control falls to {100 * share:.0f} % of its course around {a:.4g} to {b:.4g} Hz: "
            "ratios to it are inflated there",
            band_hz=(a, b),
        )


# --- one channel ----------------------------------------------------------------------------------------------------


def _dead(seen: _Seen, swept: bool) -> QualityIssue | None:
    amplitude = seen.trace.amplitude
    known = amplitude[np.isfinite(amplitude)]
    reason = None
    if known.size == 0:
        reason = "has no reading at all"
    elif not known.any():
        reason = "reads zero throughout"
    elif swept and known.size >= FEWEST_ROWS and np.ptp(known) <= 1e-6 * known.max() and not seen.is_control:
        reason = f"reads {known[0]:.3g} throughout"
    elif swept and is_motion(seen.trace) and not seen.is_control and np.isfinite(seen.ratio).any():
        highest = float(np.nanpercentile(seen.ratio, 99))
        if highest < DEAD_RATIO:
            reason = f"never exceeds {100 * highest:.2g} % of the control"
    if reason is None:
        return None
    return QualityIssue(
        kind="dead channel",
        message=f"{seen.trace.channel} {reason}: the channel is dead",
        channel=seen.trace.channel,
        spoils=True,
    )


def _drop_outs(seen: _Seen) -> QualityIssue | None:
    """Rows without a reading, at zero, or suddenly far below the rows around."""
    amplitude = seen.trace.amplitude
    lost = ~np.isfinite(amplitude) | (amplitude <= 0)
    if len(lost) >= FEWEST_ROWS:
        lost |= _sudden_drops(np.where(lost, 0.0, amplitude))
    if not lost.any():
        return None
    share = float(lost.mean())
    bands = bands_of(lost, seen.frequency_hz)
    return QualityIssue(
        kind="drop-out",
        message=f"{seen.trace.channel} drops out in {int(lost.sum())} of {len(lost)} rows, first at "
        f"{bands[0][0]:.4g} Hz",
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
        bends = [_bend(np.log(side[side > 0])) for side in sides if (side > 0).sum() > 2]
        drops[a:b] = bool(bends) and max(float(np.median(bend)) for bend in bends) <= NOISY_NEIGHBOURS
    return drops


def _bend(y: Floats) -> Floats:
    """Absolute second differences, scaled so that their median is the standard deviation of independent rows.

    A smooth curve leaves next to nothing: √6 is the norm of (1, −2, 1), 1.4826 takes a median to a deviation.
    """
    return np.asarray(np.abs(np.diff(y, 2)) * 1.4826 / np.sqrt(6.0))


def _clipping(seen: _Seen) -> QualityIssue | None:
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
                kind="clipping",
                message=f"{seen.trace.channel} stands at its largest value over {b - a} rows, {f.min():.4g} to "
                f"{f.max():.4g} Hz: clipped, the peak is lost",
                channel=seen.trace.channel,
                band_hz=(float(f.min()), float(f.max())),
                spoils=True,
            )
    return None


def _follows_control(ratio: Floats) -> bool:
    """Whether response over control is as steady as the response: then the plateau is the exciter's, no clipping."""
    known = ratio[np.isfinite(ratio)]
    return known.size > 0 and float(np.median(known)) < 1.1


def _loose_step(seen: _Seen) -> QualityIssue | None:
    """A lasting step of the response that its ratio to the control shows as well."""
    with np.errstate(divide="ignore", invalid="ignore"):
        amplitude_db = np.where(seen.trace.amplitude > 0, 20.0 * np.log10(seen.trace.amplitude), np.nan)
    rows = np.flatnonzero(np.isfinite(amplitude_db) & np.isfinite(seen.ratio_db))
    ratio_step, own_step = _steps(seen.ratio_db[rows]), _steps(amplitude_db[rows])
    both = np.flatnonzero((ratio_step * own_step > 0) & (np.abs(own_step - ratio_step) < 0.4 * np.abs(ratio_step)))
    if not both.size:
        return None
    row = int(both[np.argmax(np.abs(ratio_step[both]))])
    return _loose(seen, f"steps by {ratio_step[row]:+.1f} dB at {seen.frequency_hz[rows][row]:.4g} Hz, for good")


def _steps(y: Floats) -> Floats:
    """Step in dB that begins at each row, 0 where there is none; shape (n,) of rows without gaps."""
    n, reach = len(y), STEP_ROWS + STILL_ROWS
    found = np.zeros(n)
    if n < 2 * reach + 2:
        return found
    beside = np.lib.stride_tricks.sliding_window_view(np.abs(np.diff(y)), STILL_ROWS).max(axis=1)
    first = np.arange(STILL_ROWS, n - reach)
    step = y[first + STEP_ROWS] - y[first]
    still = np.maximum(beside[first - STILL_ROWS], beside[first + STEP_ROWS])
    sudden = (np.abs(step) >= LOOSE_STEP_DB) & (still <= np.minimum(STILL_DB, STILL_SHARE * np.abs(step)))
    for row, size in zip(first[sudden], step[sudden], strict=True):
        end = row + STEP_ROWS
        apart = np.median(y[end + 2 : end + LASTING_ROWS]) - np.median(y[max(0, row - LASTING_ROWS) : row - 1])
        if apart / size >= LASTING_SHARE:
            found[row] = size
    return found


def _loose(seen: _Seen, what: str) -> QualityIssue:
    return QualityIssue(
        kind="loose sensor",
        message=f"{seen.trace.channel} {what}, where the control does not: sensor or cable came loose",
        channel=seen.trace.channel,
        spoils=True,
    )


def _loose_noise(seen: _Seen) -> QualityIssue | None:
    """Scatter that rises suddenly and stays, in proportion and in absolute terms."""
    blocks = _blocks(seen)
    if blocks is None:
        return None
    f, relative, absolute = blocks
    for k in range(5, len(f) - 5):
        quiet, noisy = relative[:k], relative[k:]
        before, after = float(np.median(quiet)), float(np.median(noisy))
        if after < NOISY_DB or after < NOISIER * before or np.median(absolute[k:]) < NOISIER * np.median(absolute[:k]):
            continue
        dies_away = float(np.median(noisy[-2:])) < 0.7 * after  # the ringing after a fast passage does
        apart = float(np.percentile(noisy, 20)) > 2.0 * float(np.percentile(quiet, 90))
        if apart and not dies_away and _is_white(seen, k / len(f)):
            start = int(np.flatnonzero(relative < np.sqrt(max(before, 1e-6) * after))[-1]) + 1
            place = f[min(start, len(f) - 1)]
            return _loose(seen, f"scatters by {after:.1f} dB from about {place:.3g} Hz on, {before:.2g} dB before")
    return None


def _is_white(seen: _Seen, from_share: float) -> bool:
    """Whether rows from a share of the log on scatter independently, which the ringing after a passage does not.

    Second over first differences are √3 for independent rows and 2 sin(ω/2) for an oscillation of ω per row.
    """
    y = seen.ratio_db[np.isfinite(seen.ratio_db)]
    y = y[int(from_share * len(y)) :]
    first, second = np.median(np.abs(np.diff(y))), np.median(np.abs(np.diff(y, 2)))
    return bool(second > WHITE * first)


def _blocks(seen: _Seen) -> tuple[Floats, Floats, Floats] | None:
    """First frequency, scatter in dB and scatter in the response's own unit, block by block along the sweep."""
    rows = np.flatnonzero(np.isfinite(seen.ratio_db))
    if len(rows) < 4 * BLOCKS:
        return None
    bend = _bend(seen.ratio_db[rows])
    amplitude = seen.trace.amplitude[rows][1:-1]
    edges = np.linspace(0, len(bend), BLOCKS + 1).astype(int)
    parts = [slice(a, b) for a, b in pairwise(edges)]
    relative = np.array([float(np.median(bend[part])) for part in parts])
    absolute = np.array([float(np.median(bend[part] * amplitude[part])) for part in parts])
    return seen.frequency_hz[rows][1:-1][edges[:-1]], relative, absolute


def _phase_jump(seen: _Seen) -> QualityIssue | None:
    """Phase that turns at once and stays while the magnitude goes on as before."""
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
                kind="phase jump",
                message=f"the phase of {seen.trace.channel} jumps by {by:+.0f}° at "
                f"{seen.frequency_hz[rows][k + 1]:.4g} Hz with no change in magnitude",
                channel=seen.trace.channel,
                band_hz=(float(seen.frequency_hz[rows][k]), float(seen.frequency_hz[rows][k + gap])),
            )
    return None


def _turn(phase: Floats) -> float:
    """How far phases reach about their mean, radians."""
    return float(np.abs(np.angle(np.exp(1j * phase) / np.exp(1j * phase).mean())).max())


def _noise_floor(seen: _Seen) -> QualityIssue | None:
    """Stretches that show noise; only said, for the identification has its own measure of it."""
    blocks = _blocks(seen)
    if blocks is None:
        return None
    f, relative, _ = blocks
    noisy = relative > FLOOR_DB
    if float(noisy.mean()) < FLOOR_SHARE:
        return None
    ends = np.append(f[1:], seen.frequency_hz[-1])
    low, high = float(min(f[noisy].min(), ends[noisy].min())), float(max(f[noisy].max(), ends[noisy].max()))
    return QualityIssue(
        kind="noise floor",
        message=f"{seen.trace.channel} shows mostly noise in {100 * noisy.mean():.0f} % of the rows, between {low:.4g} "
        f"and {high:.4g} Hz",
        channel=seen.trace.channel,
        band_hz=(low, high),
    )


def _mains(seen: _Seen) -> QualityIssue | None:
    for base in MAINS_HZ:
        for harmonic in range(1, MAINS_HARMONICS + 1):
            height = _spike(seen.frequency_hz, seen.ratio, base * harmonic)
            if height is not None and not _turns_there(seen, base * harmonic):
                return QualityIssue(
                    kind="mains",
                    message=f"{seen.trace.channel} has a spike of {height:.2g} times its surroundings at "
                    f"{base * harmonic:g} Hz, too narrow for a structure: mains pick-up",
                    channel=seen.trace.channel,
                    band_hz=(base * harmonic * (1 - MAINS_WIDTH), base * harmonic * (1 + MAINS_WIDTH)),
                )
    return None


def _turns_there(seen: _Seen, frequency_hz: float) -> bool:
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
