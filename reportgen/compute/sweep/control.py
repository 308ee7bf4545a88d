"""Control channels become one level, and that level is held against the profile."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from reportgen.compute.sweep.pieces import pieces_of
from reportgen.compute.sweep.profile import jumps, profile_level, tolerance_limits
from reportgen.compute.sweep.transmissibility import is_motion, reference_level
from reportgen.errors import ComputeError
from reportgen.records.holes import inside_any
from reportgen.records.job import ControlStrategy, Exclusion, Notch, Profile
from reportgen.records.log import Floats, SweepLog
from reportgen.records.message import Message, message
from reportgen.records.result import ControlResult, NotchResult, NotJudged, NotJudgedCause
from reportgen.units import Dimension

Mask = NDArray[np.bool_]
Bands = tuple[tuple[float, float], ...]

JUMP_HALF_WIDTH = 0.01
"""A jump takes time: rows closer to it than 1 % of its frequency (as near as the ends of a sweep are held by default)
or than one row are not judged."""
SMALLEST_NOTCH_DB = 0.05
"""A control lower than this against the profile counts as reduced by the notch."""


def combine_control(log: SweepLog, control: Sequence[str], strategy: ControlStrategy) -> Floats:
    """Control acceleration, m/s² peak (or force, N), shape (n,): mean, largest or smallest of the control channels.

    This is the fictitious reference point of IEC 60068-2-6 (average: arithmetic mean of the amplitudes). A row in
    which any control channel has no reading is NaN. Raises ComputeError where a channel is missing or no motion.
    """
    if not control:
        raise ComputeError(message("error.at", where=log.path, what=message("control.none-named")))
    levels = []
    for channel in control:
        trace = log.trace(channel)
        if trace is None:
            held = tuple(each.channel for each in log.traces)
            missing = message("control.not-in-log", channel=channel, held=held)
            raise ComputeError(message("error.at", where=log.path, what=missing))
        levels.append(reference_level(trace, log.frequency_hz))
    stack = np.vstack(levels)
    if strategy is ControlStrategy.MAXIMUM:
        return np.asarray(stack.max(axis=0))
    if strategy is ControlStrategy.MINIMUM:
        return np.asarray(stack.min(axis=0))
    return np.asarray(stack.mean(axis=0))


def control_spread(log: SweepLog, control: Sequence[str]) -> tuple[float, float] | None:
    """Where the control channels differ most: largest over smallest in dB, and the frequency; None with one channel.

    IEC 60068-2-6 asks for the vibration at the check points beside that of the reference point they make up.
    """
    traces = [trace for trace in map(log.trace, control) if trace is not None]
    if len(traces) < 2:
        return None
    stack = np.vstack([reference_level(trace, log.frequency_hz) for trace in traces])
    read = np.isfinite(stack).all(axis=0) & (stack > 0).all(axis=0)
    if not read.any():
        return None
    apart = 20.0 * np.log10(stack[:, read].max(axis=0) / stack[:, read].min(axis=0))
    row = int(np.argmax(apart))
    return float(apart[row]), float(log.frequency_hz[read][row])


def control_result(
    log: SweepLog,
    control: Sequence[str],
    strategy: ControlStrategy,
    profile: Profile | None,
    excluded: Sequence[Exclusion] = (),
) -> ControlResult:
    """Control against profile, on unrounded values.

    The deviation is 20 lg(control / profile), dB, shape (n,), NaN where nothing is judged: outside the profile, at a
    jump and within one row or 1 % of it. In a notch the control may be low, whatever the tolerance and the abort
    limit; there the notched channel is held against its own limit. The worst row is the one that uses most of its
    tolerance, or without a tolerance the one farthest from the profile. Rows that the engineer does not use, of all
    channels or of a control channel, are ``excluded``: they are not judged.
    """
    f = log.frequency_hz
    level = combine_control(log, control, strategy)
    if control_dimension(log, control) == "force":
        return _unjudged(log, level, control, strategy, message("control.force"))
    if profile is None:
        return _unjudged(log, level, control, strategy, message("run.no-profile"))
    required = profile_level(profile, f)
    if not np.isfinite(required).any():
        low, high = profile.breakpoints[0].text[0], profile.breakpoints[-1].text[0]
        return _unjudged(log, level, control, strategy, message("control.outside-profile", low=low, high=high))
    near = _near_jumps(profile, f)
    lower, upper = tolerance_limits(profile.tolerance, required, f)
    abort_lower, abort_upper = tolerance_limits(profile.abort, required, f)
    notched = _inside_notches(profile.notches, f)
    lower = None if lower is None else np.where(notched, np.nan, lower)
    abort_lower = None if abort_lower is None else np.where(notched, np.nan, abort_lower)
    unused = inside_any([each.band_hz for each in excluded if any(map(each.concerns, control))], f)
    judged = np.isfinite(required) & np.isfinite(level) & (level > 0) & ~near & ~unused
    deviation_db = np.full(f.shape, np.nan)
    deviation_db[judged] = 20.0 * np.log10(level[judged] / required[judged])
    outside = judged & (_below(level, lower) | _above(level, upper))
    worst = _worst_row(deviation_db, required, lower, upper, notched)
    weight = _row_weights(log)
    return ControlResult(
        frequency_hz=f,
        level=level,
        required=required,
        lower=lower,
        upper=upper,
        abort_lower=abort_lower,
        abort_upper=abort_upper,
        deviation_db=deviation_db,
        worst_deviation_db=None if worst is None else float(deviation_db[worst]),
        at_hz=None if worst is None else float(f[worst]),
        outside_bands=bands_of(outside, f),
        outside_share=_share(outside, judged, weight) if lower is not None else None,
        aborted_bands=bands_of(judged & (_below(level, abort_lower) | _above(level, abort_upper)), f),
        reason=None if worst is not None else message("control.no-level"),
        channels=tuple(control),
        strategy=strategy,
        not_judged_bands=_not_judged(profile, f, near, level, unused),
        notches=tuple(_notch_result(log, notch, deviation_db, excluded) for notch in profile.notches),
        notched_line=_notched_line(log, profile.notches, level, required),
        time_at_level_s=_time_at_level(log, np.where(unused, np.nan, level), required, lower, weight),
    )


def _unjudged(
    log: SweepLog, level: Floats, control: Sequence[str], strategy: ControlStrategy, reason: Message
) -> ControlResult:
    return ControlResult(
        frequency_hz=log.frequency_hz,
        level=level,
        required=None,
        lower=None,
        upper=None,
        reason=reason,
        channels=tuple(control),
        strategy=strategy,
        dimension=control_dimension(log, control),
    )


def _below(level: Floats, limit: Floats | None) -> Mask:
    return np.zeros(level.shape, dtype=bool) if limit is None else np.asarray(level < limit)


def _above(level: Floats, limit: Floats | None) -> Mask:
    return np.zeros(level.shape, dtype=bool) if limit is None else np.asarray(level > limit)


def _near_jumps(profile: Profile, f: Floats) -> Mask:
    spacing = np.abs(np.gradient(f)) if len(f) > 1 else np.zeros(f.shape)
    near = np.zeros(f.shape, dtype=bool)
    for jump_hz in jumps(profile):
        near |= np.abs(f - jump_hz) <= np.maximum(JUMP_HALF_WIDTH * jump_hz, spacing)
    return near


def _inside_notches(notches: Sequence[Notch], f: Floats) -> Mask:
    inside = np.zeros(f.shape, dtype=bool)
    for notch in notches:
        inside |= (f >= notch.from_hz) & (f <= notch.to_hz)
    return inside


def _notched_line(log: SweepLog, notches: Sequence[Notch], level: Floats, required: Floats) -> Floats | None:
    """Level to which the agreed notches let the control fall, m/s² peak, shape (n,); NaN outside them.

    It is where the notched channel would stand at its limit, level · limit / response, and never above the profile;
    of notches that overlap, the deepest. None where there is no notch. Rows without a reading have none.
    """
    if not notches:
        return None
    line = np.full(level.shape, np.nan)
    for notch in notches:
        inside = _inside_notches([notch], log.frequency_hz)
        trace = log.trace(notch.channel)
        response = None
        if trace is not None:
            response = _in_dimension(trace.dimension, notch.dimension, trace.amplitude, log.frequency_hz)
        if response is not None:
            with np.errstate(divide="ignore", invalid="ignore"):
                allowed = np.fmin(required, level * notch.limit / response)
            line = np.where(inside, np.fmin(line, allowed), line)
    return line


def _worst_row(
    deviation_db: Floats, required: Floats, lower: Floats | None, upper: Floats | None, notched: Mask
) -> int | None:
    """Row that uses most of its tolerance; low control inside a notch uses none."""
    use = np.abs(deviation_db)
    if lower is not None and upper is not None:
        with np.errstate(invalid="ignore", divide="ignore"):
            allowed = 20.0 * np.log10(np.where(deviation_db < 0, lower, upper) / required)
            use = np.where(
                np.isfinite(allowed) & (allowed != 0), deviation_db / allowed, np.where(allowed == 0, use, 0.0)
            )
    use = np.where(notched & (deviation_db < 0), 0.0, use)
    use = np.where(np.isfinite(deviation_db), use, np.nan)
    return None if not np.isfinite(use).any() else int(np.nanargmax(use))


def bands_of(inside: Mask, f: Floats) -> Bands:
    """Lowest and highest frequency of every unbroken stretch of rows, in the order of the log."""
    if not inside.any():
        return ()
    edges = np.flatnonzero(np.diff(np.concatenate(([False], inside, [False])).astype(int)))
    return tuple((float(f[a:b].min()), float(f[a:b].max())) for a, b in zip(edges[::2], edges[1::2], strict=True))


def _row_weights(log: SweepLog) -> Floats:
    """Seconds that each row stands for, half way to its neighbours, together the length of the log.

    1 where the log has no time.
    """
    if log.time_s is None or len(log.time_s) < 2:
        return np.ones(len(log.frequency_hz))
    weights = []
    for piece in pieces_of(log):
        step = np.maximum(np.diff(log.time_s[piece.rows]), 0.0)
        weights.append(0.5 * (np.append(step, 0.0) + np.append(0.0, step)))
    return np.concatenate(weights)


def _share(part: Mask, whole: Mask, weight: Floats) -> float | None:
    total = float(weight[whole].sum())
    return float(weight[part & whole].sum()) / total if total > 0 else None


def _time_at_level(
    log: SweepLog, level: Floats, required: Floats, lower: Floats | None, weight: Floats
) -> float | None:
    if log.time_s is None:
        return None
    threshold = required if lower is None else np.where(np.isfinite(lower), lower, required)
    known = np.isfinite(level) & np.isfinite(threshold)
    return float(weight[known & (level >= np.where(known, threshold, np.inf))].sum())


def _not_judged(profile: Profile, f: Floats, near: Mask, level: Floats, unused: Mask) -> tuple[NotJudged, ...]:
    low, high = profile.breakpoints[0].frequency_hz, profile.breakpoints[-1].frequency_hz
    outside = (f < low) | (f > high)
    unread = ~outside & ~near & ~(np.isfinite(level) & (level > 0))
    causes = (
        (near, NotJudgedCause.JUMP),
        (outside, NotJudgedCause.OUTSIDE_PROFILE),
        (unread, NotJudgedCause.NO_READING),
        (unused, NotJudgedCause.EXCLUDED),
    )
    return tuple(NotJudged(from_hz=a, to_hz=b, cause=why) for mask, why in causes for a, b in bands_of(mask, f))


def _notch_result(log: SweepLog, notch: Notch, deviation_db: Floats, excluded: Sequence[Exclusion]) -> NotchResult:
    """Highest level of the notched channel in its band; None with the reason where it cannot be had."""
    f = log.frequency_hz
    inside = (f >= notch.from_hz) & (f <= notch.to_hz)
    inside &= ~inside_any([each.band_hz for each in excluded if each.concerns(notch.channel)], f)
    trace = log.trace(notch.channel)
    level = None if trace is None else _in_dimension(trace.dimension, notch.dimension, trace.amplitude, f)
    known = inside & np.isfinite(level) if level is not None else np.zeros(f.shape, dtype=bool)
    low = deviation_db[inside & np.isfinite(deviation_db)]
    lowest = float(low.min()) if low.size and low.min() < -SMALLEST_NOTCH_DB else None
    reason = None
    if trace is None:
        reason = message("notch.not-in-log", channel=notch.channel)
    elif level is None:
        reason = message(
            "notch.other-dimension",
            channel=notch.channel,
            found=Dimension(trace.dimension),
            limit=Dimension(notch.dimension),
        )
    elif not known.any():
        reason = message("notch.no-reading", channel=notch.channel, from_hz=notch.from_hz, to_hz=notch.to_hz)
    highest = None if level is None or reason else int(np.argmax(np.where(known, level, -np.inf)))
    return NotchResult(
        channel=notch.channel,
        from_hz=notch.from_hz,
        to_hz=notch.to_hz,
        limit=notch.limit,
        dimension=notch.dimension,
        text=notch.text,
        highest=None if highest is None or level is None else float(level[highest]),
        at_hz=None if highest is None else float(f[highest]),
        outside_bands=() if level is None else bands_of(known & (level > notch.limit), f),
        lowest_control_db=lowest,
        reason=reason,
    )


def _in_dimension(have: str, want: str, amplitude: Floats, f: Floats) -> Floats | None:
    """Amplitude converted between displacement, velocity and acceleration; None where that has no meaning."""
    if have == want:
        return amplitude
    order = {"displacement": 0, "velocity": 1, "acceleration": 2}
    if have not in order or want not in order:
        return None
    return np.asarray(amplitude * (2.0 * math.pi * f) ** (order[want] - order[have]))


def control_dimension(log: SweepLog, control: Sequence[str]) -> str:
    """Quantity that the phases of the log refer to: that of the first control channel."""
    trace = log.trace(control[0]) if control else None
    return trace.dimension if trace is not None and (is_motion(trace) or trace.dimension == "force") else "acceleration"
