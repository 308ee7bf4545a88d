"""Dwells: duration, cycles and drifts against what was put in; build-up against its closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest

from reportgen.compute.identification.swept_response import SweptResponse
from reportgen.compute.sweep.dwell import dwell_result
from reportgen.records.message import message


def dwell(frequency, control, response, *, time=None, phase=None):
    n = len(frequency)
    return SweptResponse(
        frequency_hz=np.asarray(frequency, dtype=float),
        control=np.asarray(control, dtype=float),
        responses=np.asarray(response, dtype=float)[:, None],
        phases_deg=None if phase is None else np.asarray(phase, dtype=float)[:, None],
        channels=("A1",),
        dimensions=("acceleration",),
        time_s=np.arange(n, dtype=float) if time is None else time,
    )


def test_half_an_hour_at_twenty_hertz_is_36000_cycles():
    """N = f t: 30 min at 20 Hz are 36 000 cycles (arithmetic)."""
    n = 1801
    found = dwell_result(dwell(np.full(n, 20.0), np.full(n, 9.8), np.full(n, 98.0), phase=np.full(n, -90.0)))
    assert found.duration_s == 1800.0
    assert found.cycles == pytest.approx(36000.0)
    assert found.level_drift_db == 0.0
    assert found.phase_drift_deg == 0.0
    assert found.build_up == 1.0
    assert found.flags == ()


def test_run_up_and_run_down_do_not_count():
    control = np.concatenate([np.linspace(0.01, 9.8, 50), np.full(1001, 9.8), np.linspace(9.8, 0.01, 50)])
    found = dwell_result(dwell(np.full(len(control), 20.0), control, 10 * control))
    # 3 dB below the median is 0.708 of it: 15 of the 50 rows of each ramp belong to the dwell.
    assert 1000.0 <= found.duration_s <= 1032.0


def test_an_interruption_is_not_counted_and_is_said():
    time = np.concatenate([np.arange(600.0), 1000.0 + np.arange(600.0)])
    n = len(time)
    found = dwell_result(dwell(np.full(n, 20.0), np.full(n, 9.8), np.full(n, 98.0), time=time))
    assert found.duration_s == pytest.approx(1198.0)
    assert message("dwell.interrupted", times=1) in found.flags


def test_a_resonance_that_was_followed_down():
    n = 1000
    frequency = np.linspace(100.0, 97.0, n)
    found = dwell_result(
        dwell(frequency, np.full(n, 9.8), np.linspace(200.0, 150.0, n), phase=np.linspace(-90, -80, n))
    )
    assert found.frequency_from_hz == pytest.approx(97.0)
    assert found.frequency_to_hz == pytest.approx(100.0)
    assert found.response_drift_db == pytest.approx(20 * math.log10(152.5 / 197.5), abs=0.05)
    assert found.phase_drift_deg == pytest.approx(9.0, abs=0.1)
    assert [flag.code for flag in found.flags] == ["dwell.tracked", "dwell.response-changed"]


def test_build_up_at_the_first_row():
    """1 − e^(−πN/Q): Q = 50 needs 36.6 cycles for 90 % (closed form)."""
    t = 36.6 / 20.0 + np.arange(400) * 0.5
    ratio = 1.0 - np.exp(-math.pi * 20.0 * t / 50.0)
    found = dwell_result(dwell(np.full(400, 20.0), np.full(400, 9.8), 9.8 * 50 * ratio, time=t))
    assert found.build_up == pytest.approx(0.90, abs=0.002)


def test_without_time_duration_and_cycles_are_none():
    sweep = SweptResponse(
        frequency_hz=np.full(100, 20.0), control=np.full(100, 9.8), responses=np.full((100, 1), 98.0),
        channels=("A1",), dimensions=("acceleration",),
    )  # fmt: skip
    found = dwell_result(sweep)
    assert found.duration_s is None
    assert found.cycles is None
    assert message("dwell.no-time") in found.flags


def test_without_responses_the_dwell_still_counts():
    sweep = SweptResponse(
        frequency_hz=np.full(100, 20.0), control=np.full(100, 9.8), responses=np.empty((100, 0)), channels=(),
        dimensions=(), time_s=np.arange(100.0),
    )  # fmt: skip
    found = dwell_result(sweep)
    assert found.duration_s == 99.0
    assert found.channel is None
    assert found.build_up is None
