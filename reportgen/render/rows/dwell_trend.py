"""How a dwell drifted: straight lines through level, response and phase against time, with their uncertainty."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from reportgen.records.log import Floats
from reportgen.records.report import Report
from reportgen.records.result import RunResult
from reportgen.render.rows.language import Language

STRETCHES = 20
"""Equal lengths of time, each with one mean: what follows row on row, as the noise of a filter does, counts once."""
_AT_LEVEL_DB = 3.0
"""Rows whose level is farther than this below the median are run-up, interruption or run-down, and do not count."""
_MINUTE = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Slope:
    """Slope of a straight line with its standard uncertainty and the degrees of freedom of that."""

    per_minute: float
    std: float
    freedom: int

    def expanded(self, confidence: float) -> float:
        """By Student's distribution (JCGM 100:2008, G.3)."""
        from scipy.stats import t

        return float(t.ppf(0.5 + confidence / 2.0, self.freedom)) * self.std


def slope(time_s: Floats, values: Floats) -> Slope | None:
    """Least squares through the means of the stretches (JCGM 100:2008, H.3); None with fewer than four of them.

    Shapes (n,), seconds; what is not finite is left out.
    """
    known = np.isfinite(time_s) & np.isfinite(values)
    if known.sum() < STRETCHES or not np.ptp(time_s[known]) > 0:
        return None
    t, y = time_s[known] / _MINUTE, values[known]
    stretch = np.minimum((STRETCHES * (t - t.min()) / np.ptp(t)).astype(int), STRETCHES - 1)
    count = np.bincount(stretch, minlength=STRETCHES)
    full = count > 0
    x, z = (np.bincount(stretch, each, STRETCHES)[full] / count[full] for each in (t, y))
    freedom = len(x) - 2
    if freedom < 2:
        return None
    off = x - x.mean()
    rise = float(off @ z / (off @ off))
    left = z - z.mean() - rise * off
    std = float(np.sqrt(left @ left / freedom / (off @ off)))
    return Slope(per_minute=rise, std=std, freedom=freedom)


def dwell_trend(report: Report, runs: Iterable[RunResult], language: Language) -> str:
    """A sentence a dwell: change a minute of level, response over control and phase, each with U."""
    told = (_of_run(run, report.job.report.confidence, language) for run in runs)
    return " ".join(each for each in told if each)


def _of_run(run: RunResult, confidence: float, language: Language) -> str:
    if run.dwell is None or run.control is None or run.control.time_s is None:
        return ""
    level, channel = run.control.level, next((c for c in run.channels if c.id == run.dwell.channel), None)
    counted = level >= np.nanmedian(level) * 10.0 ** (-_AT_LEVEL_DB / 20.0)
    parts = [_shown("level", "dB", run.control.time_s, _decibels(level, counted), confidence, language)]
    if channel is not None and channel.time_s is not None and len(channel.time_s) == len(level):
        ratio = _decibels(channel.magnitude, counted)
        parts.append(_shown("response over control", "dB", channel.time_s, ratio, confidence, language))
        if channel.phase_deg is not None:
            turned = _unwrapped(channel.phase_deg, counted)
            parts.append(_shown("phase", "°", channel.time_s, turned, confidence, language))
    return _sentence(run, [each for each in parts if each], language)


def _sentence(run: RunResult, parts: Sequence[str], language: Language) -> str:
    if not parts:
        return ""
    return language.say("Trend over the dwell in %(run)s: %(list)s.", run=run.id, list="; ".join(parts))


def _shown(what: str, unit: str, time_s: Floats, values: Floats, confidence: float, language: Language) -> str:
    found = slope(time_s, values)
    if found is None:
        return ""
    value, uncertainty = language.numbers.with_uncertainty(found.per_minute, found.expanded(confidence), 2)
    sign = "+" if found.per_minute > 0 else ""
    shown = f"{sign}{value} {unit}/min (U = {uncertainty} {unit}/min)"
    return f"{language.say(what)} {shown}"


def _decibels(values: Floats, counted: np.ndarray) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):
        db = 20.0 * np.log10(values)
    return np.where(counted & np.isfinite(db), db, np.nan)


def _unwrapped(phase_deg: Floats, counted: np.ndarray) -> Floats:
    known = np.isfinite(phase_deg) & counted
    turned = np.full(len(phase_deg), np.nan)
    turned[known] = np.degrees(np.unwrap(np.radians(phase_deg[known])))
    return turned
