"""A stated tracking filter is not believed beyond what its log bears out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.signal import butter

from reportgen.compute.identification.drive import drive_of
from reportgen.compute.identification.drive_level import DriveLevel
from reportgen.compute.identification.procedure import identify_modes
from reportgen.compute.identification.swept_response import SweptResponse
from reportgen.compute.identification.tracking_filter import butterworth, lateness, through_filter
from reportgen.records.identified_fact import FactCode
from reportgen.records.job import TrackingFilter
from tests.accuracy.measured_kinds import MEASURED
from tests.accuracy.measured_outcome import outcome
from tests.accuracy.scenarios import KINDS
from tests.identified import frequencies_of


@pytest.mark.parametrize("order", [1, 2, 4, 8])
def test_poles_and_delay_are_those_of_the_reference_library(order):
    """scipy.signal.butter, analogue, corner 1 rad/s; its group delay at 0 is the sum of 1/p."""
    _, poles, _ = butter(order, 1.0, analog=True, output="zpk")
    assert sorted(-poles, key=lambda p: p.imag) == pytest.approx(sorted(butterworth(order), key=lambda p: p.imag))
    assert lateness(order) == pytest.approx(float(np.sum(-1.0 / poles).real))


def _drive(bandwidth_hz, poles):
    time = 0.02 * np.arange(600)
    swept = SweptResponse(
        frequency_hz=20.0 * np.exp(0.02 * time), time_s=time, control=np.full(600, 2.0), responses=np.ones((600, 1)),
        channels=("A1",), dimensions=("acceleration",),
    )  # fmt: skip
    drive = drive_of(swept, np.ones(600, bool), DriveLevel.as_read(swept.control))
    return replace(drive, bandwidth_hz=np.full(600, bandwidth_hz), filter_poles=poles)


@pytest.mark.parametrize("order", [1, 2, 4, 8])
def test_the_response_through_poles_is_that_of_the_equations(order):
    """E′ = (s − iφ′) E + A and each y′ = p (x − y) behind it, by scipy's Runge-Kutta 8(5,3)."""
    drive = _drive(3.0, butterworth(order))
    pole = 2 * np.pi * 22.5 * (-0.5 / 40.0 + 1j)
    rates = np.pi * 3.0 * np.array(butterworth(order))

    def slope(t, y):
        before = np.concatenate([y[:1], y[1:-1]])
        own = (pole - 2j * np.pi * 20.0 * np.exp(0.02 * t)) * y[0] + 2.0
        return np.concatenate([[own], rates * (before - y[1:])])

    start = np.full(order + 1, 2.0 / (2j * np.pi * 20.0 - pole))
    true = solve_ivp(slope, (0.0, drive.time_s[-1]), start, "DOP853", drive.time_s, rtol=1e-9, atol=1e-12).y[-1]
    value, by_s = through_filter(drive, pole)
    rows = slice(150, None)  # the start from steady state is forgotten
    # κ²-terms are left out: κ here is a hundredth of the half-width in rad/s, the shift up to 0.9 of it.
    assert np.max(np.abs(value - true)[rows]) < 5e-4 * np.max(np.abs(true))
    step = 1e-4
    numeric = (through_filter(drive, pole + step)[0] - through_filter(drive, pole - step)[0]) / (2 * step)
    assert np.max(np.abs(by_s - numeric)[rows]) < 1e-5 * np.max(np.abs(numeric))


@pytest.mark.parametrize(("kind", "seed"), [("filter_1", 100), ("filter_2", 101), ("filter_4", 101), ("filter_8", 101)])
def test_frequencies_hold_though_the_filter_is_stated_wrongly_by_a_third(kind, seed):
    """0 of 63 intervals held, frequencies were off by up to 0.15 % of themselves."""
    found = outcome(MEASURED[kind](seed))
    assert not found.missed
    assert not found.invented
    held, all_of_them = found.coverage("frequency")
    assert held == all_of_them > 0


def test_a_filter_that_the_log_refutes_is_fitted_and_said():
    found = identify_modes(MEASURED["filter_8"](101).swept)
    (refitted,) = [fact for fact in found.facts if fact.code is FactCode.FILTER_REFITTED]
    assert refitted.poles in (2, 4, 8)


def test_a_filter_stated_rightly_leaves_values_as_they_are_and_says_what_is_open():
    """One pole, as stated: the uncertainty is wider, and narrower again where the tolerance is stated."""
    made = KINDS["filter_wide"](7)
    told = replace(made, filter_told=True).swept()
    assert told.tracking_filter is not None
    narrow = replace(told, tracking_filter=replace(told.tracking_filter, tolerance=0.02))
    loose, tight = identify_modes(told), identify_modes(narrow)
    assert FactCode.FILTER_REFITTED not in {fact.code for fact in loose.facts}
    assert FactCode.FILTER_DELAY_OPEN in {fact.code for fact in loose.facts}
    assert frequencies_of(loose) == pytest.approx(frequencies_of(tight), rel=1e-9)
    for mode in made.structure.modes[:-1]:
        assert min(abs(f / mode.frequency_hz - 1.0) for f in frequencies_of(loose)) < 5e-4
    for one, other in zip(loose.channels[0].resonances, tight.channels[0].resonances, strict=True):
        assert one.frequency_std_hz >= other.frequency_std_hz
        assert one.frequency_std_hz > one.frequency_std_filter_hz > other.frequency_std_filter_hz > 0.0


def test_a_filter_in_a_steady_log_moves_nothing():
    rows = np.geomspace(20.0, 60.0, 400)
    pole = 2 * np.pi * 35.0 * (-0.5 / 30.0 + 1j * np.sqrt(1 - (0.5 / 30.0) ** 2))
    h = 1.0 + 0.5 * (2 * np.pi * rows) ** 2 / (abs(pole) ** 2 - (2 * np.pi * rows) ** 2 - 4j * np.pi * rows * pole.real)
    noise = 1.0 + 0.003 * np.random.default_rng(1).standard_normal((2, 400))
    swept = SweptResponse(
        frequency_hz=rows, control=np.full(400, 5.0), responses=(5.0 * np.abs(h) * noise[0])[:, None],
        phases_deg=(np.degrees(np.angle(h)) + 0.2 * (noise[1] - 1.0) / 0.003)[:, None], channels=("A1",),
        dimensions=("acceleration",), steady=True, tracking_filter=TrackingFilter(bandwidth_hz=5.0),
    )  # fmt: skip
    (resonance,) = identify_modes(swept).channels[0].resonances
    assert resonance.frequency_std_hz < 1e-3 * resonance.frequency_hz
    assert abs(resonance.frequency_hz - 35.0) < 3.0 * resonance.frequency_std_hz
