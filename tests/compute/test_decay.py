"""Free decay against closed forms and against scipy's own integrator."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from reportgen.compute.decay.decay import identify_decay
from reportgen.errors import ComputeError


def integrated_decay(f0, zeta, seconds, rate, *, cubic=0.0):
    """Acceleration of a released single-degree-of-freedom oscillator, integrated in time (Dormand-Prince, order 8)."""
    w = 2 * math.pi * f0

    def motion(_, state):
        x, v = state
        return [v, -2 * zeta * w * v - w * w * x - cubic * abs(v) * v]

    t = np.arange(int(seconds * rate)) / rate
    found = solve_ivp(motion, (0, t[-1]), [1.0, 0.0], method="DOP853", t_eval=t, rtol=1e-10, atol=1e-13)
    return np.array([motion(0, s)[1] for s in found.y.T])


@pytest.mark.parametrize("zeta", [0.001, 0.005, 0.01, 0.02, 0.05])
def test_frequency_damping_and_decrement_of_one_mode(zeta):
    """δ = 2πζ/√(1−ζ²), closed form (Thomson, Theory of Vibration, ch. 2); motion integrated, not from the formula."""
    y = integrated_decay(12.0, zeta, 8.0, 400.0)
    found = identify_decay(y[:, None], 400.0, ["A1"]).channels[0].resonances
    assert len(found) == 1
    assert found[0].frequency_hz == pytest.approx(12.0, rel=1e-6)
    assert found[0].damping_ratio == pytest.approx(zeta, rel=1e-5)
    assert found[0].decrement == pytest.approx(2 * math.pi * zeta / math.sqrt(1 - zeta**2), rel=1e-5)
    assert found[0].amplification is None


@pytest.mark.parametrize(
    "zeta, decrement", [(0.001, 0.006283188449), (0.01, 0.06283499490), (0.02, 0.1256886464), (0.05, 0.3145527023)]
)
def test_decrement_values(zeta, decrement):
    """Logarithmic decrements to ten digits, computed with 40 digits from the closed form."""
    t = np.arange(4000) / 500.0
    w = 2 * math.pi * 20.0
    y = np.exp(-zeta * w * t) * np.cos(w * math.sqrt(1 - zeta**2) * t)
    found = identify_decay(y[:, None], 500.0, ["A1"]).channels[0].resonances
    assert found[0].decrement == pytest.approx(decrement, rel=1e-5)


def two_modes(rng, noise):
    t = np.arange(8000) / 800.0
    parts = [(10.8, 44.0, 1.0, 0.4), (70.0, 36.0, 0.5, -0.6)]
    columns = np.zeros((len(t), 2))
    for f0, q, one, other in parts:
        w, z = 2 * math.pi * f0, 1 / (2 * q)
        wave = np.exp(-z * w * t) * np.cos(w * math.sqrt(1 - z * z) * t + 0.3)
        columns += np.outer(wave, [one, other])
    return columns + noise * rng.standard_normal(columns.shape)


def test_two_modes_in_noise_and_nothing_else():
    found = identify_decay(two_modes(np.random.default_rng(3), 0.01), 800.0, ["A1", "A2"])
    for channel in found.channels:
        assert [round(r.frequency_hz, 1) for r in channel.resonances] == [10.8, 70.0]
        assert channel.resonances[0].q == pytest.approx(44.0, rel=0.01)
        assert channel.resonances[1].q == pytest.approx(36.0, rel=0.02)
    assert found.flags == ()


def test_stated_uncertainties_hold():
    """95 % intervals of frequency and Q hold in 85 to 100 % of 40 repetitions (binomial: 99.9 % within that)."""
    inside = {"f": 0, "q": 0}
    for seed in range(40):
        r = identify_decay(two_modes(np.random.default_rng(seed), 0.02), 800.0, ["A1", "A2"]).channels[0].resonances[0]
        inside["f"] += abs(r.frequency_hz - 10.8) < 1.96 * r.frequency_std_hz
        inside["q"] += abs(r.q - 44.0) < 1.96 * r.q_std
    assert 34 <= inside["f"] <= 40
    assert 34 <= inside["q"] <= 40


def test_pure_noise_holds_no_mode():
    noise = np.random.default_rng(1).standard_normal((5000, 2))
    assert all(not channel.resonances for channel in identify_decay(noise, 1000.0, ["A1", "A2"]).channels)


def test_hum_is_not_a_mode():
    t = np.arange(8000) / 800.0
    y = two_modes(np.random.default_rng(5), 0.005) + 0.05 * np.sin(2 * np.pi * 50.0 * t)[:, None]
    found = identify_decay(y, 800.0, ["A1", "A2"])
    assert [round(r.frequency_hz, 1) for r in found.channels[0].resonances] == [10.8, 70.0]
    assert any(flag.code == "decay.mains" for flag in found.flags)


def test_damping_that_depends_on_amplitude_is_said():
    """Quadratic (velocity-squared) damping beside linear: more damping at large amplitude."""
    rng = np.random.default_rng(2)
    y = integrated_decay(10.0, 0.004, 20.0, 200.0, cubic=0.02)
    y = y / abs(y).max() + 0.001 * rng.standard_normal(len(y))
    first = identify_decay(y[:, None], 200.0, ["A1"]).channels[0].resonances
    assert len(first) == 1
    leading = first[0]
    assert leading.backbone is not None
    assert leading.backbone.damping_ratio[-1] > 1.5 * leading.backbone.damping_ratio[0]
    assert any(flag.code == "decay.depends-on-level" for flag in leading.flags)
    linear = integrated_decay(10.0, 0.006, 20.0, 200.0)
    linear = linear / abs(linear).max() + 0.001 * rng.standard_normal(len(linear))
    plain = identify_decay(linear[:, None], 200.0, ["A1"]).channels[0].resonances
    assert len(plain) == 1
    assert plain[0].flags == ()


def test_a_silent_channel_is_said_and_the_other_used():
    y = np.column_stack([integrated_decay(12.0, 0.01, 4.0, 400.0), np.zeros(1600)])
    found = identify_decay(y, 400.0, ["A1", "A2"])
    assert len(found.channels[0].resonances) == 1
    assert found.channels[1].flags[0].code == "decay.channel-silent"


@pytest.mark.parametrize("samples", [np.zeros((100, 1)), np.ones((10, 1)), np.full((100, 1), np.nan)])
def test_what_cannot_be_fitted_says_so(samples):
    with pytest.raises(ComputeError):
        identify_decay(samples, 100.0, ["A1"])
