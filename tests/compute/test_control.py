"""Control against profile."""

from __future__ import annotations

import numpy as np
import pytest

from reportgen.compute.sweep.control import combine_control, control_result
from reportgen.errors import ComputeError
from reportgen.records.job import Breakpoint, ControlStrategy, Notch, Profile, ToleranceBand
from reportgen.records.log import SweepLog, Trace
from reportgen.records.message import message
from reportgen.records.result import NotJudgedCause
from reportgen.units import parse_quantity

TEN_PERCENT = ToleranceBand(lower_db=20 * np.log10(0.9), upper_db=20 * np.log10(1.1), text="10 %")


def point(f, a):
    return Breakpoint(frequency_hz=f, amplitude=a, dimension="acceleration", text=(f"{f} Hz", f"{a}"))


FLAT = Profile(id="P", breakpoints=(point(10.0, 10.0), point(1000.0, 10.0)), tolerance=(TEN_PERCENT,))
STEP = Profile(
    id="P",
    breakpoints=(point(10.0, 10.0), point(100.0, 10.0), point(100.0, 40.0), point(1000.0, 40.0)),
    tolerance=(TEN_PERCENT,),
)


def log(f, *levels, dimension="acceleration", time_s=None):
    traces = tuple(
        Trace(channel=f"C{k + 1}", dimension=dimension, amplitude=np.broadcast_to(np.asarray(x, float), f.shape).copy())
        for k, x in enumerate(levels)
    )
    return SweepLog(path="log.csv", frequency_hz=f, traces=traces, time_s=time_s)


F = np.geomspace(10.0, 1000.0, 400)


@pytest.mark.parametrize(
    "strategy, expected", [("average", 11.0), ("maximum", 13.0), ("minimum", 9.0)]
)  # of 9, 11 and 13 m/s²
def test_strategies(strategy, expected):
    level = combine_control(log(F, 9.0, 11.0, 13.0), ["C1", "C2", "C3"], ControlStrategy(strategy))
    assert level == pytest.approx(expected)


def test_a_displacement_control_becomes_an_acceleration():
    # 1 mm at 10 Hz is 3.94784 m/s² (ISO 2041).
    level = combine_control(log(np.array([10.0]), 1e-3, dimension="displacement"), ["C1"], ControlStrategy.AVERAGE)
    assert level[0] == pytest.approx(3.94784, rel=1e-6)


def test_one_reading_missing_leaves_no_level():
    broken = log(F, 10.0, 10.0)
    broken.traces[1].amplitude[5] = np.nan
    for strategy in ControlStrategy:
        assert np.isnan(combine_control(broken, ["C1", "C2"], strategy)[5])


def test_a_control_that_is_not_there_is_named():
    with pytest.raises(ComputeError) as caught:
        combine_control(log(F, 10.0), ["C9"], ControlStrategy.AVERAGE)
    assert caught.value.said.value("what") == message("control.not-in-log", channel="C9", held=("C1",))


def test_deviation_worst_point_bands_and_share():
    level = np.full(F.shape, 10.0)
    high = (F > 200) & (F < 250)
    level[high] = 11.2
    level[300] = 8.95
    result = control_result(log(F, level, time_s=np.arange(400.0)), ["C1"], ControlStrategy.AVERAGE, FLAT)
    assert result.worst_deviation_db == pytest.approx(20 * np.log10(1.12))
    assert 200 < result.at_hz < 250
    assert result.outside_bands == (
        (pytest.approx(F[high].min()), pytest.approx(F[high].max())),
        (pytest.approx(F[300]), pytest.approx(F[300])),
    )
    assert result.outside_share == pytest.approx((high.sum() + 1) / 400, rel=0.02)


def test_a_value_on_the_limit_is_inside():
    result = control_result(log(F, 11.0 - 1e-12), ["C1"], ControlStrategy.AVERAGE, FLAT)
    assert result.outside_bands == ()


def test_a_jump_is_not_judged_and_said_so():
    level = np.where(F < 101.0, 10.0, 40.0)  # the controller jumps a little late
    result = control_result(log(F, level), ["C1"], ControlStrategy.AVERAGE, STEP)
    assert result.outside_bands == ()
    jump, *_ = result.not_judged_bands
    assert jump.from_hz >= 98.8
    assert jump.to_hz <= 101.2
    assert jump.cause is NotJudgedCause.JUMP
    late = control_result(log(F, np.where(F < 105.0, 10.0, 40.0)), ["C1"], ControlStrategy.AVERAGE, STEP)
    assert late.outside_bands


def test_in_a_notch_the_control_may_be_low_and_the_channel_is_held_to_its_limit():
    level = np.where((F > 110) & (F < 130), 4.0, 10.0)
    notch = Notch(channel="A1", band_hz=(105, 135), stated=parse_quantity("200 m/s²"))
    notched = Profile(id="P", breakpoints=FLAT.breakpoints, tolerance=(TEN_PERCENT,), notches=(notch,))
    response = Trace(channel="A1", dimension="acceleration", amplitude=np.where(F > 120, 198.0, 150.0))
    base = log(F, level)
    both = SweepLog(path="log.csv", frequency_hz=F, traces=(*base.traces, response))
    result = control_result(both, ["C1"], ControlStrategy.AVERAGE, notched)
    assert result.outside_bands == ()
    (found,) = result.notches
    assert (found.highest, found.outside_bands) == (198.0, ())
    assert found.lowest_control_db == pytest.approx(20 * np.log10(0.4))
    assert control_result(both, ["C1"], ControlStrategy.AVERAGE, FLAT).outside_bands
    missing = control_result(base, ["C1"], ControlStrategy.AVERAGE, notched).notches[0]
    assert missing.highest is None
    assert missing.reason == message("notch.not-in-log", channel="A1")


def test_without_a_profile_nothing_is_compared_and_the_reason_is_there():
    result = control_result(log(F, 10.0), ["C1"], ControlStrategy.AVERAGE, None)
    assert result.worst_deviation_db is None
    assert result.reason == message("run.no-profile")


def test_time_at_level_counts_the_rows_above_the_lower_limit():
    level = np.where(F < 100.0, 5.0, 10.0)
    result = control_result(log(F, level, time_s=np.arange(400.0)), ["C1"], ControlStrategy.AVERAGE, FLAT)
    assert result.time_at_level_s == pytest.approx(200.0, abs=1.0)


def test_time_at_level_is_no_longer_than_the_run():
    """Fault: both end rows stood for a whole step, so 2000 s of a dwell were printed as 33 min 21 s."""
    time_s = np.linspace(0.0, 2000.0, 400)
    result = control_result(log(F, np.full(400, 10.0), time_s=time_s), ["C1"], ControlStrategy.AVERAGE, FLAT)
    assert result.time_at_level_s == pytest.approx(2000.0, rel=1e-12)
    assert result.time_at_level_s <= 2000.0 * (1 + 1e-12)
