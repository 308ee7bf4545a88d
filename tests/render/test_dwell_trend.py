"""Trend of a dwell, as a sentence."""

from __future__ import annotations

from dataclasses import replace

from reportgen.records.result import Trend
from reportgen.render.rows.dwell_trend import dwell_trend
from reportgen.render.rows.language import Language


def test_a_dwell_is_told_with_slope_and_uncertainty(report, templates):
    """Coverage by Student's distribution: 2.10 at 18 degrees of freedom (JCGM 100:2008, table G.2)."""
    run = next(run for run in report.runs if run.dwell is not None)
    found = {"level_trend_db": Trend(per_minute=0.012, std=0.01, freedom=18), "phase_trend_deg": None}
    found |= {"response_trend_db": Trend(per_minute=-0.05, std=0.001, freedom=18)}
    told = replace(run, dwell=replace(run.dwell, **found))
    english = Language.of("en", templates)
    assert dwell_trend([told], 0.95, english) == (
        f"Trend over the dwell in {run.id}: level +0.012 dB/min (U = 0.021 dB/min); "
        "response over control −0.0500 dB/min (U = 0.0021 dB/min)."
    )
    nothing = dict.fromkeys(found)
    assert dwell_trend([replace(run, dwell=replace(run.dwell, **nothing))], 0.95, english) == ""
