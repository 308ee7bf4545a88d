"""Beam theory as a witness, against a measured beam and against common practice."""

from __future__ import annotations

import pytest

from reportgen.compute.modes.beam_fit import clearly_better, fit_beam, fit_other_boundaries, odd_one_out
from reportgen.records.job import Boundary

CF, FF = Boundary.CLAMPED_FREE, Boundary.FREE_FREE

# A real beam: natural frequencies fitted to the accelerance of measuring point 1, 0 to 1000 Hz, in the folder data/ of
# the pyuff repository (MIT licence); node counts follow from the boundary, the repository gives no geometry.
MEASURED = (51.517, 142.176, 278.667, 460.408, 687.166, 958.542)
COUNTS = (2, 3, 4, 5, 6, 7)

# Common practice, no source.
PRACTICE_HZ = (7.4, 84.0, 268.0, 557.0, 940.0, 1450.0, 3540.0)
PRACTICE_COUNTS = (0, 1, 2, 3, 4, 5, 8)


def test_the_measured_beam_is_free_at_both_ends():
    fit = fit_beam(FF, dict(zip((n - 1 for n in COUNTS), MEASURED, strict=True)))
    assert abs(fit.worst) < 0.002
    for other in fit_other_boundaries(fit):
        assert other.rms > 0.1
    assert clearly_better(fit, fit_other_boundaries(fit)) is None


@pytest.mark.parametrize("numbers", [tuple(n + 1 for n in COUNTS), (1, 2, 3, 4, 5, 6)])
def test_called_clamped_free_the_measured_beam_contradicts(numbers):
    """By its node counts, and also where somebody simply numbered the peaks from 1."""
    fit = fit_beam(CF, dict(zip(numbers, MEASURED, strict=True)), fit_tip=True)
    assert fit.rms > 0.1
    better = clearly_better(fit, fit_other_boundaries(fit))
    assert better is not None
    # Free-free and clamped-clamped have the same frequencies; only the counts tell them apart.
    assert better.boundary is (FF if numbers[0] == 3 else Boundary.CLAMPED_CLAMPED)


def test_common_practice():
    numbered = dict(zip((n + 1 for n in PRACTICE_COUNTS), PRACTICE_HZ, strict=True))
    fit = fit_beam(CF, numbered, fit_tip=True)
    assert abs(fit.worst) < 0.01
    assert fit.tip_mass_ratio == pytest.approx(1.3, abs=0.05)
    assert clearly_better(fit, fit_other_boundaries(fit)) is None


@pytest.mark.parametrize(
    "numbers",
    [
        (1, 2, 3, 4, 5, 6, 7),
        (1, 2, 3, 4, 5, 6, 8),
        (1, 2, 3, 4, 5, 6, 10),
        (1, 2, 3, 4, 5, 7, 9),
        (1, 2, 3, 4, 6, 7, 9),
        (2, 3, 4, 5, 6, 7, 10),
        (1, 3, 4, 5, 6, 7, 10),
    ],
)
def test_common_practice_under_other_numbers(numbers):
    fit = fit_beam(CF, dict(zip(numbers, PRACTICE_HZ, strict=True)), fit_tip=True)
    assert abs(fit.worst) > 0.12


def test_one_per_cent_of_scatter_raises_no_alarm():
    """Deviations as real beams show them (clamp, sensors) must not make another boundary look better."""
    exact = fit_beam(CF, {1: 10.0})
    for signs in ((1, -1, 1), (-1, 1, 1), (1, 1, -1), (-1, -1, 1)):
        for count in (3, 4, 6):
            numbered = {mode: exact.expected_hz(mode) * (1 + 0.01 * signs[mode % 3]) for mode in range(1, count + 1)}
            fit = fit_beam(CF, numbered, fit_tip=True)
            assert clearly_better(fit, fit_other_boundaries(fit)) is None


def test_two_modes_are_too_few_to_compare():
    fit = fit_beam(CF, {1: 10.0, 2: 11.0}, fit_tip=True)
    assert clearly_better(fit, fit_other_boundaries(fit)) is None


@pytest.mark.parametrize("mu", [0.0, 0.1, 1.0, 5.0])
def test_the_tip_mass_comes_back(mu):
    """Ratios of the published roots (Math. Probl. Eng. 2017, 1568019, for equal masses)."""
    exact = fit_beam(CF, {1: 10.0}, tip_mass_ratio=mu)
    fit = fit_beam(CF, {mode: exact.expected_hz(mode) for mode in (1, 2, 3, 5)}, fit_tip=True)
    assert fit.tip_mass_ratio == pytest.approx(mu, rel=1e-3, abs=1e-4)
    assert fit.scale_hz == pytest.approx(10.0, rel=1e-6)
    published = (1.557298, 16.25009, 50.89584)
    if mu == 1.0:
        assert fit.expected_hz(3) / 10.0 == pytest.approx(published[2] / published[0], rel=1e-5)


def test_the_one_wrong_number_is_named():
    """Common practice with one count wrong by one: the others still agree, and say which number it should have."""
    numbered = dict(zip((n + 1 for n in PRACTICE_COUNTS), PRACTICE_HZ, strict=True))
    assert odd_one_out(fit_beam(CF, numbered, fit_tip=True), 0.1) is None
    wrong = {number: hz for number, hz in numbered.items() if number != 6} | {7: 1450.0}
    odd = odd_one_out(fit_beam(CF, wrong, fit_tip=True), 0.1)
    assert odd is not None
    assert (odd.mode, odd.nearest_mode) == (7, 6)
    assert odd.away < -0.2
