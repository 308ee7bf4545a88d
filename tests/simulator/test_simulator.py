"""The simulator against closed forms, a general integrator and published tables, so that its truth can be trusted."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from tests.simulator.cantilever import arm
from tests.simulator.course import Course, HandStep, Stretch, Table, dwell, profile_level, sweep
from tests.simulator.recorder import Filter, Laboratory, Noise
from tests.simulator.structure import Sensor, Structure, TrueMode
from tests.simulator.time_history import pluck_record, sweep_record

FLAT = Table(lambda f: np.full_like(f, 10.0))


def one(f0: float, q: float) -> Structure:
    return Structure((TrueMode(f0, q),), (Sensor("A1", (1.0,)),))


def test_motion_equals_a_general_integrator_from_rest():
    modes = (TrueMode(20.0, 30.0), TrueMode(95.0, 15.0))
    structure = Structure(modes, (Sensor("A1", (1.3, -0.5)),))
    course, table = sweep(12.0, 40.0, 24.0), Table(profile_level([(12.0, 1.0, "mm"), (40.0, 1.0, "mm")]), ripple=0.02)
    made = Laboratory(row_s=0.05).record(structure, course, table, from_rest=True)
    level = table.level(course)
    w, zeta = 2 * np.pi * np.array([20.0, 95.0]), np.array([m.damping_ratio for m in modes])

    def base(t: float) -> complex:
        at = np.array([t])
        return complex((level(at, course.frequency(at)) * np.exp(2j * np.pi * course.cycles(at)))[0])

    def slope(t: float, y: np.ndarray) -> np.ndarray:
        return np.concatenate([y[2:], -2 * zeta * w * y[2:] - w**2 * y[:2] - base(t)])

    rows = made.time_s[:60]
    solved = solve_ivp(slope, (0, rows[-1]), np.zeros(4, complex), t_eval=rows, method="DOP853", rtol=1e-9, atol=1e-13)
    drive = np.array([base(t) for t in rows])
    relative = -2 * zeta[:, None] * w[:, None] * solved.y[2:] - w[:, None] ** 2 * solved.y[:2] - drive
    expected = (drive + np.array([1.3, -0.5]) @ relative) * np.exp(-2j * np.pi * course.cycles(rows))
    assert np.max(np.abs(made.response["A1"][:60] - expected)) < 1e-6 * np.max(np.abs(expected))


@pytest.mark.parametrize(
    "eta, up, down",
    # Exact peak ratios of an exponential sweep through Q = 50 (Faddeeva form and DOP853, tabulated to four digits).
    [
        (0.1, 0.9978, 0.9984),
        (0.3, 0.9867, 0.9882),
        (1.0, 0.9363, 0.9397),
        (3.0, 0.8261, 0.8316),
        (10.0, 0.6420, 0.6503),
    ],
)
def test_peak_ratio_of_a_swept_mode(eta, up, down):
    f0, q = 100.0, 50.0
    rate = eta * f0 / q**2 * 60.0 / np.log(2.0)
    for ends, expected in (((55.0, 180.0), up), ((180.0, 55.0), down)):
        course = sweep(*ends, rate)
        made = Laboratory(row_s=0.01 / eta).record(one(f0, q), course, FLAT)
        recorded = np.max(np.abs(made.response["A1"] / made.control["C1"]))
        assert recorded / one(f0, q).peak(0, 0) == pytest.approx(expected, abs=1.5e-4)


def test_a_dwell_comes_to_the_steady_state():
    made = Laboratory(row_s=0.5).record(one(30.0, 25.0), dwell(30.0, 20.0), FLAT, from_rest=True)
    # |T| at the undamped natural frequency is √(1 + Q²) exactly.
    assert np.abs(made.response["A1"][-1]) / 10.0 == pytest.approx(np.hypot(1.0, 25.0), rel=1e-5)


def test_steady_peak_of_a_single_mode():
    # Closed form: r² = (√(1 + 8ζ²) − 1)/(4ζ²), T_max = 10.06221373 at Q = 10.
    assert one(50.0, 10.0).peak(0, 0) == pytest.approx(10.06221373, rel=1e-6)


def test_cycles_of_an_exponential_sweep():
    # 60 (f2 − f1)/(R ln 2) cycles; 10 Hz to 500 Hz at 1 oct/min: 42 415.23.
    course = sweep(10.0, 500.0, 1.0)
    assert course.cycles(np.array([course.duration_s]))[0] == pytest.approx(42415.23, abs=0.01)


def test_phase_is_continuous_across_stretches():
    course = Course((Stretch(10.0, 20.0, 4.0), Stretch(20.0, 20.0, seconds=3.0), Stretch(20.0, 15.0, 1.0, "Hz/s")))
    t = np.linspace(0.0, course.duration_s, 400_001)
    integral = np.concatenate(
        [[0.0], np.cumsum(np.diff(t) * 0.5 * (course.frequency(t)[1:] + course.frequency(t)[:-1]))]
    )
    assert np.max(np.abs(course.cycles(t) - integral)) < 1e-5


def test_crossover_of_a_profile():
    # √(a/d)/2π for 0.75 mm and 10 g0: 57.5506 Hz; both legs agree there.
    level = profile_level([(10.0, 0.75, "mm"), (57.5506, 0.75, "mm"), (57.5506, 10.0, "g"), (500.0, 10.0, "g")])
    below, above = level(np.array([57.5505, 57.5507]))
    assert below == pytest.approx(above, rel=1e-4)


def test_a_hand_turns_the_level_once():
    course, table = sweep(10.0, 40.0, 4.0), Table(lambda f: np.ones_like(f), steps=(HandStep(20.0, -6.0),))
    level = table.level(course)
    t = np.array([14.9, 15.5])
    assert level(t, course.frequency(t)) == pytest.approx([1.0, 10 ** (-6 / 20)], rel=1e-6)


@pytest.mark.parametrize("order", [1, 2, 4])
def test_the_tracking_filter_is_three_decibels_down_at_half_its_bandwidth(order):
    poles, residues = Filter(hz=8.0, order=order).poles(100.0)
    response = [abs(np.sum(residues / (2j * np.pi * f - poles))) for f in (0.0, 4.0)]
    assert response == pytest.approx([1.0, np.sqrt(0.5)], rel=1e-9)


def test_the_tracking_filter_delays_by_its_own_time_constant():
    # A filter of bandwidth B delays a slow sweep by 1/(πB): here seen as a later peak, df/dt/(πB) higher.
    f0, rate = 100.0, 1.0
    course = sweep(60.0, 160.0, rate)
    peaks = []
    for tracking in (None, Filter(hz=40.0)):
        made = Laboratory(row_s=0.02, tracking=tracking).record(one(f0, 10.0), course, FLAT)
        ratio = np.abs(made.response["A1"]) / 10.0
        k = int(np.argmax(ratio))
        curve = np.polyfit(made.frequency_hz[k - 60 : k + 61] - f0, ratio[k - 60 : k + 61], 4)
        roots = np.roots(np.polyder(curve))
        peaks.append(f0 + min(roots.real, key=abs))
    assert peaks[1] - peaks[0] == pytest.approx(f0 * rate * np.log(2) / 60.0 / (np.pi * 40.0), rel=0.15)


def test_a_mains_line_shows_only_inside_the_filter():
    quiet = Structure((), (Sensor("A1", ()),))
    lab = Laboratory(row_s=0.1, tracking=Filter(hz=2.0, order=2), default_noise=Noise(hum=1.0))
    made = lab.record(quiet, sweep(30.0, 80.0, 2.0), FLAT)
    excess = np.abs(np.abs(made.response["A1"]) - 10.0)
    near = np.abs(made.frequency_hz - 50.0) < 1.0
    assert excess[near].max() > 0.5
    assert excess[np.abs(made.frequency_hz - 50.0) > 12.0].max() < 0.05


@pytest.mark.parametrize(
    "mu, roots", [(0.0, (1.875104069, 4.694091133, 7.854757438)), (1.0, (1.247917410, 4.031139437, 7.134132241))]
)
def test_the_arm_against_the_frequency_equation(mu, roots):
    # Roots of 1 + cos z cosh z + μ z (cos z sinh z − sin z cosh z) = 0 (Karnovsky & Lebed), to ten digits.
    found = arm(mu, 4).ratios[:3]
    assert found == pytest.approx([(z / roots[0]) ** 2 for z in roots], rel=1e-5)


def test_the_arm_against_known_nodes_and_participation():
    # Clamped-free: node of mode 2 at 0.783445 L; |tip|/|base| at resonance over Q is 1.56598, −0.86787, 0.50885.
    free = arm(0.0, 4)
    assert free.nodes(1) == pytest.approx([0.783445], abs=1e-4)
    assert [free.share(k, 1.0) for k in range(3)] == pytest.approx([1.56598, -0.86787, 0.50885], abs=2e-4)


def test_a_record_holds_what_the_log_holds():
    course = sweep(20.0, 60.0, 8.0)
    record = sweep_record(one(35.0, 20.0), course, FLAT, 2048.0)
    made = Laboratory(row_s=0.25).record(one(35.0, 20.0), course, FLAT)
    at = (made.time_s * 2048).astype(int)
    inside = at < len(record.time_s)
    expected = (made.response["A1"] * np.exp(2j * np.pi * made.cycles)).real[inside]
    assert np.max(np.abs(record.channels["A1"][at[inside]] - expected)) < 1e-4 * np.max(np.abs(expected))


def test_a_pluck_decays_by_its_logarithmic_decrement():
    # δ = 2πζ/√(1 − ζ²): 0.0628349949 at ζ = 0.01.
    record = pluck_record(one(10.0, 50.0), (1.0,), 10_000.0, 4.0)
    y = record.channels["A1"]
    peaks = [i for i in range(1, len(y) - 1) if y[i - 1] < y[i] >= y[i + 1] and y[i] > 0]
    decrement = np.mean(np.log(y[peaks[:-1]] / y[peaks[1:]]))
    assert decrement == pytest.approx(0.0628349949, rel=2e-4)
