"""Smoothing of the control against the control that was there before noise was put on it."""

from __future__ import annotations

import numpy as np
import pytest

from reportgen.compute.demodulation.quiet_control import quiet_control

STEP_S = 0.05
TIME = np.arange(4000) * STEP_S
NOISE = 0.01


def noisy(true, seed=0):
    rng = np.random.default_rng(seed)
    return true + NOISE * (rng.normal(size=len(true)) + 1j * rng.normal(size=len(true)))


def rms(x):
    return np.sqrt(np.mean(np.abs(x) ** 2) / 2)


@pytest.mark.parametrize(
    "true",
    [
        np.ones(4000) + 0j,
        np.exp(0.5j * np.sin(TIME / 10)) * (1 + 0.01 * np.sin(2 * np.pi * TIME / 9)),
        10 ** (TIME / 100) + 0j,
    ],
    ids=["constant", "wandering", "rising"],
)
def test_noise_is_taken_off(true):
    found = quiet_control(noisy(true), np.full(4000, NOISE), TIME)
    assert rms(found - true) < 0.35 * NOISE


def dip(width_rows, depth):
    return 1.0 - depth * np.exp(-0.5 * ((np.arange(4000) - 2000) / width_rows) ** 2) + 0j


@pytest.mark.parametrize("width_rows", [2, 5, 15])
@pytest.mark.parametrize("depth", [0.1, 0.6])
def test_a_dip_at_a_resonance_is_kept(width_rows, depth):
    """What smoothing does to a dip stays within the noise of the rows themselves."""
    true = dip(width_rows, depth)
    found = quiet_control(noisy(true), np.full(4000, NOISE), TIME)
    assert np.max(np.abs(found - true)) < 5 * NOISE
    assert rms((found - true)[1950:2050]) < 1.2 * NOISE


def test_a_level_step_stays_where_it_is():
    true = np.where(TIME < 100.0, 1.0, 0.5) + 0j
    found = quiet_control(noisy(true), np.full(4000, NOISE), TIME)
    assert np.max(np.abs(found - true)) < 5 * NOISE


def test_residual_that_is_no_noise_of_the_rows_does_not_smooth_more():
    """A residual ten times too large (hum, rattle) is not taken for noise: the scatter of the rows is."""
    true = dip(10, 0.1)
    found = quiet_control(noisy(true), np.full(4000, 10 * NOISE), TIME)
    assert rms((found - true)[1950:2050]) < 1.2 * NOISE


def test_without_noise_nothing_is_changed_beyond_rounding():
    true = dip(5, 0.3)
    np.testing.assert_allclose(quiet_control(true, np.full(4000, 1e-12), TIME), true, atol=1e-9)


def test_silences_are_not_smoothed_across():
    time = np.concatenate([TIME[:2000], TIME[2000:] + 30.0])
    true = np.where(np.arange(4000) < 2000, 1.0, -1.0j)
    found = quiet_control(noisy(true), np.full(4000, NOISE), time)
    assert np.max(np.abs(found - true)) < 3 * NOISE
