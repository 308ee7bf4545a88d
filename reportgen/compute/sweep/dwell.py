"""A dwell: how long it lasted, how many cycles, how steady frequency, level, response and phase stayed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from reportgen.compute.identification.swept_response import SweptResponse
from reportgen.compute.sweep.dwell_trend import trend_db, trend_deg
from reportgen.records.log import Floats
from reportgen.records.message import Message, message
from reportgen.records.result import DwellResult

AT_LEVEL_DB = 3.0
"""Rows whose control is farther than this below the median are run-up, interruption or run-down, and do not count."""
INTERRUPTED = 10.0
"""A step in time longer than this many typical ones is an interruption; nothing is known of it."""
TRACKED = 0.005
"""Relative spread of frequency from which the dwell counts as tracking."""
DROP_DB = 1.0
"""Change of response at constant level that is worth a sentence: 12 %."""


def dwell_result(sweep: SweptResponse) -> DwellResult:
    """The dwell of a run, from the rows that were at level; the channel that moves most stands for the specimen.

    Drifts compare the medians of the last and the first tenth. Without a time column duration and cycles are None.
    """
    counted = _at_level(sweep.control)
    channel = _largest(sweep, counted)
    frequency = sweep.frequency_hz[counted]
    seconds, interruptions = _seconds(sweep, counted)
    ratio = None if channel is None else sweep.responses[counted, channel] / sweep.control[counted]
    phase = None if channel is None or sweep.phases_deg is None else sweep.phases_deg[counted, channel]
    build_up, reason = _build_up(ratio)
    time_s = None if sweep.time_s is None else sweep.time_s[counted]
    result = DwellResult(
        frequency_hz=float(np.median(frequency)),
        frequency_from_hz=float(frequency.min()),
        frequency_to_hz=float(frequency.max()),
        duration_s=None if seconds is None else float(seconds.sum()),
        cycles=None if seconds is None else float(np.sum(seconds * sweep.frequency_hz)),
        level_mps2=float(np.median(sweep.control[counted])),
        level_drift_db=_drift_db(sweep.control[counted]),
        phase_drift_deg=_drift_deg(phase),
        response_drift_db=_drift_db(ratio),
        build_up=build_up,
        level_trend_db=trend_db(time_s, sweep.control[counted]),
        response_trend_db=trend_db(time_s, ratio),
        phase_trend_deg=trend_deg(time_s, phase),
        channel=None if channel is None else sweep.channels[channel],
    )
    return _with_flags(result, frequency, seconds, interruptions, reason)


def _with_flags(
    result: DwellResult, frequency: Floats, seconds: Floats | None, interruptions: int, reason: Message | None
) -> DwellResult:
    flags = []
    if seconds is None:
        flags.append(message("dwell.no-time"))
    if interruptions:
        flags.append(message("dwell.interrupted", times=interruptions))
    if float(np.ptp(frequency)) > TRACKED * result.frequency_hz:
        first, last = _ends(frequency)
        flags.append(message("dwell.tracked", first_hz=first, last_hz=last, change=last / first - 1))
    if result.response_drift_db is not None and abs(result.response_drift_db) > DROP_DB:
        flags.append(message("dwell.response-changed", change_db=result.response_drift_db))
    if reason is not None:
        flags.append(reason)
    return replace(result, flags=tuple(flags))


def _at_level(control: Floats) -> NDArray[np.bool_]:
    known = np.isfinite(control) & (control > 0)
    median = float(np.median(control[known])) if known.any() else np.nan
    at_level = known & (control >= median * 10.0 ** (-AT_LEVEL_DB / 20.0))
    return at_level if at_level.any() else np.ones(len(control), dtype=bool)


def _largest(sweep: SweptResponse, counted: NDArray[np.bool_]) -> int | None:
    """Of the channels of the control's own kind the one that moves most, lest units compete; else the first."""
    rows = sweep.responses[counted]
    known = [c for c in range(len(sweep.channels)) if np.isfinite(rows[:, c]).any()]
    alike = [c for c in known if sweep.dimensions[c] == sweep.control_dimension] or known[:1]
    return max(alike, key=lambda c: float(np.nanmedian(rows[:, c])), default=None)


def _seconds(sweep: SweptResponse, counted: NDArray[np.bool_]) -> tuple[Floats | None, int]:
    """Seconds that each row stands for, half a step to either side, 0 where it is not counted; and the gaps."""
    if sweep.time_s is None or len(sweep.time_s) < 2:
        return None, 0
    step = np.diff(sweep.time_s)
    typical = float(np.median(step))
    gap = step > INTERRUPTED * typical
    use = np.where(gap | ~(counted[1:] & counted[:-1]), 0.0, step)
    seconds = np.zeros(len(counted))
    seconds[:-1] += 0.5 * use
    seconds[1:] += 0.5 * use
    first, last = int(np.argmax(counted)), len(counted) - int(np.argmax(counted[::-1]))
    dips = int(np.sum(np.diff(counted[first:last].astype(int)) == -1))
    return seconds, int(gap[first : max(last - 1, first)].sum()) + dips


def _ends(values: Floats) -> tuple[float, float]:
    """Medians of the first and the last tenth."""
    part = max(1, len(values) // 10)
    return float(np.nanmedian(values[:part])), float(np.nanmedian(values[-part:]))


def _drift_db(values: Floats | None) -> float | None:
    if values is None or np.isfinite(values).sum() < 2:
        return None
    first, last = _ends(values[np.isfinite(values)])
    return 20.0 * float(np.log10(last / first)) if first > 0 and last > 0 else None


def _drift_deg(phase_deg: Floats | None) -> float | None:
    if phase_deg is None or np.isfinite(phase_deg).sum() < 2:
        return None
    turned = np.unwrap(np.radians(phase_deg[np.isfinite(phase_deg)]))
    first, last = _ends(turned)
    return float(np.degrees(last - first))


def _build_up(ratio: Floats | None) -> tuple[float | None, Message | None]:
    """Share of the steady response reached at the first counted row, 1 − e^{−πN/Q} as the log shows it."""
    if ratio is None:
        return None, message("dwell.no-response")
    known = ratio[np.isfinite(ratio)]
    if len(known) < 10:
        return None, message("dwell.few-rows")
    steady = float(np.median(known[len(known) // 10 : max(len(known) // 2, len(known) // 10 + 1)]))
    return (min(1.0, float(known[0]) / steady), None) if steady > 0 else (None, message("dwell.response-zero"))
