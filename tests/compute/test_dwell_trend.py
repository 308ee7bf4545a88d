"""Trend of a dwell: against the least squares of SciPy, and against noise of which the truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from reportgen.compute.sweep.dwell_trend import STRETCHES, trend, trend_db, trend_deg
from reportgen.records.rounding import student_factor

MINUTES = np.linspace(0.0, 30.0, 2001)


def test_the_line_is_that_of_least_squares_through_the_means():
    """Against scipy.stats.linregress, slope and its standard error."""
    y = -0.02 * MINUTES + np.random.default_rng(5).normal(0.0, 0.3, len(MINUTES))
    found = trend(60.0 * MINUTES, y)
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
        found = trend(60.0 * MINUTES, -0.02 * MINUTES + noise)
        held += abs(found.per_minute + 0.02) <= student_factor(0.95, found.freedom) * found.std
    assert 0.92 <= held / 400 <= 0.98


def test_a_gap_and_rows_below_level_do_not_count():
    y = -0.02 * MINUTES + np.random.default_rng(5).normal(0.0, 0.01, len(MINUTES))
    y[400:600] = np.nan
    found = trend(60.0 * MINUTES, y)
    assert found.per_minute == pytest.approx(-0.02, abs=3 * found.std)


def test_what_is_too_short_has_no_trend():
    assert trend(np.arange(10.0), np.arange(10.0)) is None
    assert trend(np.zeros(100), np.arange(100.0)) is None


def test_a_silent_row_and_a_turn_of_the_phase_break_no_trend():
    falling = 12.0 * 10 ** (-0.05 * MINUTES / 20.0)
    falling[1000] = 0.0
    assert trend_db(60.0 * MINUTES, falling).per_minute == pytest.approx(-0.05, rel=1e-9)
    turning = (170.0 + 2.0 * MINUTES + 180.0) % 360.0 - 180.0
    assert trend_deg(60.0 * MINUTES, turning).per_minute == pytest.approx(2.0, rel=1e-9)
    assert trend_db(None, falling) is None
    assert trend_deg(60.0 * MINUTES, None) is None
