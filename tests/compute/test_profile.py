"""Profiles against closed forms and the crossovers of IEC 60068-2-6."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reportgen.compute.sweep.profile import crossover_hz, jumps, profile_level, segments, tolerance_limits
from reportgen.errors import ComputeError
from reportgen.records.job import Breakpoint, Profile, ToleranceBand

G = 9.80665


def point(f: float, amplitude: float, dimension: str = "acceleration", slope: float | None = None) -> Breakpoint:
    return Breakpoint(
        frequency_hz=f,
        amplitude=amplitude,
        dimension=dimension,
        text=(f"{f:g} Hz", f"{amplitude:g}"),
        slope_to_next_db_per_oct=slope,
    )


def profile(*points: Breakpoint, **more) -> Profile:
    return Profile(id="P", breakpoints=points, **more)


# Pairs of displacement and acceleration of IEC 60068-2-6:2007, table of severities (from memory), with the crossover
# f = sqrt(a/d)/2π of each in closed form.
SEVERITIES = [
    (0.035, 4.9, 59.5503), (0.075, 9.8, 57.5311), (0.15, 19.6, 57.5311), (0.35, 49.0, 59.5503),
    (0.75, 98.0, 57.5311), (1.0, 147.0, 61.0209), (1.5, 196.0, 57.5311), (2.0, 294.0, 61.0209),
]  # fmt: skip


@pytest.mark.parametrize("mm, mps2, expected_hz", SEVERITIES)
def test_severities_cross_over_where_the_standard_says(mm, mps2, expected_hz):
    made = profile(point(10.0, mm * 1e-3, "displacement"), point(500.0, mps2))
    assert crossover_hz(*made.breakpoints) == pytest.approx(expected_hz, rel=1e-6)
    assert 57.0 < expected_hz < 62.0  # the standard's crossover range
    below, above = segments(made)
    assert (below.power, above.power) == (2.0, 0.0)  # constant displacement, constant acceleration
    found = above.from_hz
    assert found == pytest.approx(expected_hz, rel=1e-6)
    low, high = profile_level(made, np.array([0.5 * found, 2.0 * found]))
    assert low == pytest.approx(mm * 1e-3 * (math.pi * found) ** 2, rel=1e-12)
    assert high == pytest.approx(mps2, rel=1e-12)


def test_velocity_corners():
    # v/(2πd) and a/(2πv), closed form: 0.1 m/s with 1 mm and with 2 g.
    assert crossover_hz(point(5, 1e-3, "displacement"), point(50, 0.1, "velocity")) == pytest.approx(15.9155, rel=1e-5)
    assert crossover_hz(point(5, 0.1, "velocity"), point(500, 2 * G)) == pytest.approx(31.2155, rel=1e-5)


def test_conversions_of_a_sinusoid():
    # ISO 2041 sinusoidal motion; 3 mm p-p at 20 Hz is 2.41541 g, 1 mm p-p at 50 Hz is 5.03210 g.
    for mm_pp, f, g in ((3.0, 20.0, 2.41541), (1.0, 50.0, 5.03210)):
        made = profile(point(5.0, mm_pp / 2e3, "displacement"), point(100.0, mm_pp / 2e3, "displacement"))
        assert profile_level(made, np.array([f]))[0] / G == pytest.approx(g, rel=1e-5)


def test_slopes_in_decibels_per_octave():
    # Constant displacement rises by 12.04 dB/oct in acceleration, constant velocity by 6.02.
    rising = profile(point(10.0, 1.0, slope=6.0), point(80.0, 9.9))
    octave = profile_level(rising, np.array([10.0, 20.0, 40.0]))
    assert 20 * np.log10(octave[1:] / octave[:-1]) == pytest.approx([6.0, 6.0])
    for dimension, slope in (("displacement", 12.0412), ("velocity", 6.0206)):
        made = profile(point(10.0, 1.0, dimension), point(80.0, 1.0, dimension))
        a, b = profile_level(made, np.array([20.0, 40.0]))
        assert 20 * math.log10(b / a) == pytest.approx(slope, abs=1e-4)


@given(
    f1=st.floats(1.0, 50.0), ratio=st.floats(1.1, 40.0), a1=st.floats(0.1, 100.0), a2=st.floats(0.1, 100.0),
    share=st.floats(0.0, 1.0),
)  # fmt: skip
def test_between_breakpoints_the_profile_is_straight_in_log_log(f1, ratio, a1, a2, share):
    made = profile(point(f1, a1), point(f1 * ratio, a2))
    f = f1 * ratio**share
    expected = math.exp((1 - share) * math.log(a1) + share * math.log(a2))
    assert profile_level(made, np.array([f]))[0] == pytest.approx(expected, rel=1e-9)


def test_a_jump_is_no_level_and_a_rounded_crossover_is_no_jump():
    made = profile(point(5, 0.010, "displacement"), point(21.7, 0.010, "displacement"), point(21.7, 19 * G),
                   point(2000, 19 * G))  # fmt: skip
    assert jumps(made) == ()
    assert np.isfinite(profile_level(made, np.array([5.0, 21.7, 2000.0]))).all()
    step = profile(point(5, 1.0), point(100, 1.0), point(100, 2.0), point(500, 2.0))
    assert jumps(step) == (100,)
    level = profile_level(step, np.array([99.0, 100.0, 101.0]))
    assert level[[0, 2]] == pytest.approx([1.0, 2.0])
    assert np.isnan(level[1])


def test_outside_the_profile_there_is_no_level():
    made = profile(point(10, 1.0), point(100, 1.0))
    assert np.isnan(profile_level(made, np.array([9.99, 100.01]))).all()
    assert np.isfinite(profile_level(made, np.array([10.0, 100.0]))).all()


def test_tolerance_limits_by_band():
    made = profile(point(10, 1.0), point(1000, 1.0))
    f = np.array([100.0, 500.0, 600.0])
    bands = (
        ToleranceBand(lower_db=-2.0, upper_db=1.5, to_hz=500.0),
        ToleranceBand(lower_db=-6.0, upper_db=3.0, from_hz=500.0),
    )
    lower, upper = tolerance_limits(bands, profile_level(made, f), f)
    assert 20 * np.log10(lower) == pytest.approx([-2, -2, -6])
    assert 20 * np.log10(upper) == pytest.approx([1.5, 1.5, 3])


@pytest.mark.parametrize(
    "points, code",
    [
        ((point(10, 1.0),), "profile.one-breakpoint"),
        ((point(10, 1.0), point(5, 1.0)), "profile.falls"),
        ((point(10, 1.0), point(50, 0.0)), "profile.not-positive"),
        ((point(10, math.nan), point(50, 1.0)), "profile.not-positive"),
    ],
)
def test_a_profile_that_cannot_be(points, code):
    with pytest.raises(ComputeError) as caught:
        segments(profile(*points))
    assert caught.value.said.code == code
