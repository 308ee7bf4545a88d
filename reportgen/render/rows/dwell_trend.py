"""How a dwell drifted: the slopes of level, response and phase against time, with their uncertainty."""

from __future__ import annotations

from collections.abc import Iterable

from reportgen.records.result import RunResult, Trend
from reportgen.records.rounding import student_factor
from reportgen.render.rows.language import Language


def dwell_trend(runs: Iterable[RunResult], confidence: float, language: Language) -> str:
    """A sentence a dwell: change a minute of level, response over control and phase, each with U."""
    return " ".join(filter(None, (_of_run(run, confidence, language) for run in runs)))


def _of_run(run: RunResult, confidence: float, language: Language) -> str:
    if run.dwell is None:
        return ""
    found = (
        ("level", "dB", run.dwell.level_trend_db),
        ("response over control", "dB", run.dwell.response_trend_db),
        ("phase", "°", run.dwell.phase_trend_deg),
    )
    parts = [_shown(what, unit, trend, confidence, language) for what, unit, trend in found if trend is not None]
    if not parts:
        return ""
    return language.say("Trend over the dwell in %(run)s: %(list)s.", run=run.id, list="; ".join(parts))


def _shown(what: str, unit: str, trend: Trend, confidence: float, language: Language) -> str:
    wide = student_factor(confidence, trend.freedom) * trend.std
    value, uncertainty = language.numbers.with_uncertainty(trend.per_minute, wide)
    sign = "+" if trend.per_minute > 0 else ""
    return f"{language.say(what)} {sign}{value} {unit}/min (U = {uncertainty} {unit}/min)"
