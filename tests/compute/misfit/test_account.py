"""Modes under misfit: nothing invented, nothing lost, intervals that hold."""

from __future__ import annotations

import numpy as np
import pytest

from reportgen.compute.identification.misfit.account import account
from tests.compute.misfit.responses import measured, steady_band
from tests.second_opinion import rational
from tests.shared import SHARED

REAL = SHARED / "real"
BENDING = (51.52, 142.18, 278.67, 460.40, 687.17, 958.54)
"""Hz, free beam, as its documentation and an independent rational fit have them."""


@pytest.mark.parametrize("kind", ["clean", "phase", "gain", "clip"])
def test_instruments_neither_add_nor_hide_modes(kind: str) -> None:
    inside: dict[str, list[bool]] = {"f": [], "q": []}
    for seed in (101, 102, 103):
        run = measured(kind, seed)
        found = account(steady_band(run.frequency_hz, run.response)).modes()
        assert len(found) == len(run.modes_hz)
        for mode, f, q in zip(found, run.modes_hz, run.q, strict=True):
            inside["f"].append(abs(mode.frequency_hz / f - 1) < 1.96 * mode.frequency_std)
            inside["q"].append(abs(mode.q / q - 1) < 1.96 * mode.q_std)
    assert np.mean(inside["f"]) >= 0.8
    assert np.mean(inside["q"]) >= 0.8


def _beam() -> tuple[np.ndarray, np.ndarray]:
    if not REAL.exists():
        pytest.skip("measured data are not here")
    points = [np.loadtxt(REAL / f"free_beam/meas_point_{p}.txt", dtype=complex) for p in (1, 2, 3)]
    return np.arange(2.0, 1001.0), np.stack(points, axis=1)[2:]


def test_free_beam_has_its_six_modes_on_three_points_and_the_small_pair_at_901_hz() -> None:
    frequency, responses = _beam()
    found = [mode.frequency_hz for mode in account(steady_band(frequency, responses)).modes()]
    assert len(found) == 7
    for true in (*BENDING, 900.9):
        assert min(abs(f / true - 1) for f in found) < 5e-4


def test_free_beam_agrees_with_a_rational_approximation_of_each_point() -> None:
    frequency, responses = _beam()
    modes = account(steady_band(frequency, responses)).modes()
    for point in range(3):
        other = rational(frequency[20:], responses[20:, point], 3e-3)
        for true in (278.67, 687.17, 958.54):
            ours = min(modes, key=lambda mode: abs(mode.frequency_hz - true))
            theirs = min(other, key=lambda each: abs(each[0] - true))
            assert ours.frequency_hz == pytest.approx(theirs[0], rel=5e-4)
