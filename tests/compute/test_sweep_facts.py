"""The sweep as run, against the closed forms of exponential and linear sweeps."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from reportgen.compute.sweep.sweep_facts import sweep_facts
from reportgen.records.log import SweepLog
from reportgen.records.message import message


def log(f, t=None, **more):
    f = np.asarray(f, float)
    return SweepLog(
        path="log.csv", frequency_hz=f, time_s=None if t is None else np.asarray(t, float), traces=(), **more
    )


def exponential(f1, f2, rate, step=0.1):
    """Rows every ``step`` seconds, with the end itself as the last row."""
    duration = abs(math.log2(f2 / f1)) * 60.0 / rate
    t = np.append(np.arange(0.0, duration, step), duration)
    return f1 * 2.0 ** (math.copysign(rate, f2 - f1) * t / 60.0), t


# Cycles 60 (f2 − f1)/(R ln 2) in closed form; durations of IEC 60068-2-6 ranges at 1 oct/min are log2(f2/f1) minutes.
@pytest.mark.parametrize(
    "f1, f2, rate, minutes, cycles",
    [
        (10, 55, 1.0, 2.45943, 3895.28),
        (10, 150, 1.0, 3.90689, 12118.64),
        (10, 500, 1.0, 5.64386, 42415.23),
        (20, 2000, 2.0, 3.32193, 85696.1),
    ],
)
def test_duration_and_cycles_of_an_exponential_sweep(f1, f2, rate, minutes, cycles):
    facts = sweep_facts(log(*exponential(f1, f2, rate)))
    assert facts.rate_unit == "oct/min"
    assert facts.rate == pytest.approx(rate, rel=1e-9)
    assert facts.duration_s == pytest.approx(60 * minutes, rel=1e-5)
    assert facts.cycles == pytest.approx(cycles, rel=1e-5)
    assert facts.sweep_cycles == pytest.approx(0.5)


def test_a_sweep_cycle_goes_both_ways():
    # 20 sweep cycles of 10 to 150 Hz at 1 oct/min last 156.28 min (40 · log2 15).
    up, t = exponential(10, 150, 1.0, step=1.0)
    there_and_back = np.concatenate([up, up[::-1][1:]])
    f = np.concatenate([there_and_back[:-1]] * 20 + [there_and_back[-1:]])
    step = np.concatenate([np.diff(t), np.diff(t)[::-1]] * 20)
    facts = sweep_facts(log(f, np.concatenate([[0.0], np.cumsum(step)])))
    assert facts.direction == "mixed"
    assert facts.sweep_cycles == pytest.approx(20.0, rel=1e-6)
    assert facts.duration_s / 60 == pytest.approx(156.28, abs=0.01)
    assert facts.rate == pytest.approx(1.0, rel=1e-6)


def test_a_linear_sweep_is_told_from_an_exponential_one():
    t = np.arange(0.0, 100.0, 0.1)
    facts = sweep_facts(log(20.0 + 5.0 * t, t))
    assert (facts.rate_unit, facts.direction) == ("Hz/s", "up")
    assert facts.rate == pytest.approx(5.0)
    assert facts.cycles == pytest.approx(20.0 * t[-1] + 2.5 * t[-1] ** 2, rel=1e-6)


@settings(max_examples=25, deadline=None, derandomize=True, phases=[Phase.explicit, Phase.generate])
@given(
    rate=st.floats(0.25, 8.0), down=st.booleans(), seed=st.integers(0, 1000),
    rounding=st.sampled_from([0.0, 0.1, 0.5]), jitter=st.floats(0.0, 0.05), digits=st.sampled_from([1, 2, 4]),
)  # fmt: skip
def test_rounded_times_and_jitter_do_not_move_the_rate(rate, down, seed, rounding, jitter, digits):
    f, t = exponential(*((2000, 10) if down else (10, 2000)), rate)
    rng = np.random.default_rng(seed)
    t = np.sort(t + jitter * rng.uniform(-1, 1, len(t)))
    if rounding:
        t = np.round(t / rounding) * rounding
    facts = sweep_facts(log(np.round(f, digits), t))
    assert facts.rate_unit == "oct/min"
    assert facts.direction == ("down" if down else "up")
    assert facts.rate == pytest.approx(rate, rel=2e-3)
    assert facts.rate_from == pytest.approx(rate, rel=0.06)
    assert facts.rate_to == pytest.approx(rate, rel=0.06)
    assert facts.holds == ()


def test_a_change_of_rate_on_the_way_is_found_and_placed():
    slow, t1 = exponential(10, 300, 2.0)
    fast, t2 = exponential(300, 1000, 2.5)
    facts = sweep_facts(log(np.append(slow, fast[1:]), np.append(t1, t1[-1] + t2[1:])))
    assert facts.rate_from == pytest.approx(2.0, rel=0.01)
    assert facts.rate_to == pytest.approx(2.5, rel=0.01)
    assert len(facts.rate_outside) == 1
    assert facts.rate_outside[0] == (pytest.approx(300, rel=0.25), pytest.approx(1000, rel=0.01))


def test_a_hold_is_found_and_does_not_count_into_the_rate():
    f, t = exponential(10, 1000, 2.0)
    k = 1000
    held_f = np.concatenate([f[:k], np.full(300, f[k]), f[k:]])
    held_t = np.concatenate([t[:k], t[k] + 0.1 * np.arange(300), t[k:] + 30.0])
    facts = sweep_facts(log(held_f, held_t))
    ((frequency, seconds),) = facts.holds
    assert frequency == pytest.approx(f[k], rel=0.01)
    assert seconds == pytest.approx(30.0, abs=0.5)
    assert facts.rate == pytest.approx(2.0, rel=1e-3)


def test_a_dwell_that_follows_its_resonance_is_a_hold():
    t = np.arange(0.0, 1800.0, 1.0)
    facts = sweep_facts(log(100.0 - 2.0 * t / 1800.0, t))
    assert (facts.direction, facts.rate) == ("hold", None)
    assert facts.cycles == pytest.approx(99.0 * t[-1], rel=1e-3)


def test_no_time_no_rate_and_the_reason_is_there():
    f, _ = exponential(10, 1000, 2.0)
    facts = sweep_facts(log(f))
    assert (facts.rate, facts.duration_s, facts.cycles) == (None, None, None)
    assert facts.rate_reason == message("sweep.no-time")


def test_cycles_are_those_the_source_counted():
    f, t = exponential(10, 1000, 2.0)
    facts = sweep_facts(log(f, t, drive_cycles=np.linspace(3.0, 1003.0, len(f))))
    assert facts.cycles == pytest.approx(1000.0)


def sdof(f, f0, q):
    """|T| of base excitation (Harris, Shock and Vibration Handbook)."""
    r, d = f / f0, 1.0 / q
    return np.sqrt((1 + (d * r) ** 2) / ((1 - r**2) ** 2 + (d * r) ** 2))


def test_a_level_turned_down_by_hand_is_a_step_and_a_resonance_is_none():
    f, t = exponential(5, 500, 2.0)
    rng = np.random.default_rng(3)
    dip = 1.0 / (1.0 + 0.5 * sdof(f, 120.0, 50.0) / 50.0)  # the control sags by a third at a resonance
    level = 10.0 * np.where(f < 20.0, 1.0, 0.5) * dip * (1 + 0.02 * rng.normal(size=len(f)))
    steps = sweep_facts(log(f, t), None, level).level_steps
    assert len(steps) == 1
    assert steps[0] == (pytest.approx(20.0, rel=0.01), pytest.approx(-6.02, abs=0.3))


def test_the_last_spacing_is_that_of_the_last_rows():
    f, t = exponential(10, 1000, 2.0)
    facts = sweep_facts(log(f[:-1], t[:-1]))
    assert facts.first_spacing_hz == pytest.approx(f[1] - f[0])
    assert facts.last_spacing_hz == pytest.approx(f[-2] - f[-3])
