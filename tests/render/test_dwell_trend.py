"""Trend of a dwell: against the least squares of SciPy, and against noise of which the truth is known."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from reportgen.render.rows.dwell_trend import STRETCHES, dwell_trend, slope
from reportgen.render.rows.language import Language

MINUTES = np.linspace(0.0, 30.0, 2001)


def test_the_line_is_that_of_least_squares_through_the_means():
    """Against scipy.stats.linregress, slope and its standard error."""
    y = -0.02 * MINUTES + np.random.default_rng(5).normal(0.0, 0.3, len(MINUTES))
    found = slope(60.0 * MINUTES, y)
    stretch = np.minimum((STRETCHES * MINUTES / 30.0).astype(int), STRETCHES - 1)
    means = [(MINUTES[stretch == k].mean(), y[stretch == k].mean()) for k in range(STRETCHES)]
    expected = stats.linregress(*np.array(means).T)
    assert found.per_minute == pytest.approx(expected.slope, rel=1e-9)
    assert found.std == pytest.approx(expected.stderr, rel=1e-9)
    assert found.freedom == STRETCHES - 2


def test_the_stated_interval_holds_the_truth_as_often_as_stated_where_rows_follow_one_another():
    """Noise through a filter of ten rows: plain least squares would state a third of the uncertainty."""
    random, held = np.random.default_rng(11), 0
    for _ in range(400):
        noise = np.convolve(random.normal(0.0, 0.3, len(MINUTES) + 9), np.ones(10) / 10.0, "valid")
        found = slope(60.0 * MINUTES, -0.02 * MINUTES + noise)
        held += abs(found.per_minute + 0.02) <= found.expanded(0.95)
    assert 0.92 <= held / 400 <= 0.98


def test_a_gap_and_rows_below_level_do_not_count():
    y = -0.02 * MINUTES + np.random.default_rng(5).normal(0.0, 0.01, len(MINUTES))
    y[400:600] = np.nan
    found = slope(60.0 * MINUTES, y)
    assert found.per_minute == pytest.approx(-0.02, abs=3 * found.std)


def test_what_is_too_short_has_no_trend():
    assert slope(np.arange(10.0), np.arange(10.0)) is None
    assert slope(np.zeros(100), np.arange(100.0)) is None


def test_a_dwell_is_told_with_slope_and_uncertainty(report, templates):
    dwelt = next(run for run in report.runs if run.dwell is not None)
    time_s = np.linspace(0.0, 1800.0, 900)
    random = np.random.default_rng(2)
    level = np.full(900, 49.0) * 10 ** (random.normal(0.0, 0.02, 900) / 20.0)
    channel = next(each for each in dwelt.channels if each.id == dwelt.dwell.channel)
    falling = 12.0 * 10 ** ((random.normal(0.0, 0.02, 900) - 0.05 * time_s / 60.0) / 20.0)
    turning = random.normal(0.0, 0.05, 900) - 90.0 - 0.1 * time_s / 60.0
    seen = replace(channel, time_s=time_s, magnitude=falling, phase_deg=turning)
    run = replace(dwelt, channels=(seen,), control=replace(dwelt.control, level=level, time_s=time_s))
    said = dwell_trend(report, [run], Language.of("en", templates))
    assert run.id in said
    read = re.findall(r"control (−[\d.]+) dB/min \(U = ([\d.]+)|phase (−[\d.]+) °/min \(U = ([\d.]+)", said)
    for found, expected in zip(read, (-0.05, -0.1), strict=True):
        value, wide = (float(each.replace("−", "-")) for each in found if each)
        assert value == pytest.approx(expected, abs=1.5 * wide)
        assert 0 < wide < 0.01
