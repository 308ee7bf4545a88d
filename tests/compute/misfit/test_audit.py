"""Every maximum that stands out is answered for, or listed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from reportgen.compute.identification import SweptResponse, identify_modes
from reportgen.compute.identification.misfit.peak_audit import Cause, Curves, Named, audit
from tests.compute.misfit.responses import transmissibility

F = np.linspace(20.0, 100.0, 1601)
H = np.abs(transmissibility(F, np.array([40.0, 70.0]), np.array([30.0, 40.0]), np.array([[1.0], [-0.8]])))
NO_MODES = (np.zeros(0), np.zeros(0))


def _curves(frequency, size, noise, model=None, valid=None) -> Curves:
    return Curves(
        omega=2 * np.pi * frequency, size=size, valid=np.ones(size.shape, bool) if valid is None else valid,
        noise=np.full(size.shape, noise), model=np.zeros(size.shape) if model is None else model,
    )  # fmt: skip


def _audit(modes_hz: list[float], named: tuple[Named, ...] = (), **kw) -> dict[int, Cause]:
    omega = 2 * np.pi * np.array(modes_hz)
    peaks = audit(_curves(F, H, 1e-3, **kw), (omega, omega / 35.0), named)
    return {round(peak.frequency_hz): peak.cause for peak in peaks}


def test_a_peak_without_a_mode_is_listed_as_unexplained() -> None:
    assert _audit([40.0]) == {40: Cause.MODE, 70: Cause.UNEXPLAINED}


def test_a_peak_of_the_sum_of_the_modes_is_explained() -> None:
    assert _audit([40.0], model=H) == {40: Cause.MODE, 70: Cause.SUM}


def test_a_peak_with_a_named_cause_is_none() -> None:
    assert _audit([40.0], (Named(low_hz=69.0, high_hz=71.0, name="mains"),))[70] is Cause.NAMED


def test_rows_without_a_reading_make_no_peak() -> None:
    valid = np.ones(H.shape, bool)
    valid[(F > 50) & (F < 55)] = False
    assert _audit([40.0, 70.0], valid=valid) == {40: Cause.MODE, 70: Cause.MODE}


def test_noise_gives_no_peak() -> None:
    rng = np.random.default_rng(1)
    noise = 0.01 * (rng.standard_normal((500, 1)) + 1j * rng.standard_normal((500, 1)))
    assert audit(_curves(np.linspace(10.0, 60.0, 500), np.abs(1.0 + noise), 0.01), NO_MODES) == []


def test_a_peak_on_the_flank_of_a_broad_mode_is_not_the_modes():
    """Whatever stood within a bandwidth of a mode was taken for its peak: of Q = 4, a fifth of the frequency away."""
    broad = np.abs(transmissibility(F, np.array([60.0]), np.array([4.0]), np.array([[1.0]])))
    spiked = broad * (1.0 + np.maximum(0.0, 1.0 - np.abs(F - 50.0) / 0.3))[:, None]
    modes = (2 * np.pi * np.array([60.0]), 2 * np.pi * np.array([15.0]))
    peaks = audit(_curves(F, spiked, 1e-3, model=broad), modes)
    assert {round(peak.frequency_hz): peak.cause for peak in peaks} == {50: Cause.UNEXPLAINED, 59: Cause.MODE}


def test_a_peak_in_a_stretch_of_noise_is_listed():
    """A sensor that rattled where it answered most had neither a mode nor a peak there; one that is dead has none."""
    rng = np.random.default_rng(2)
    noisy = (np.abs(F - 40.0) < 3.0)[:, None]
    scatter = np.where(noisy, np.exp(0.5 * rng.standard_normal(H.shape)), 1.0)
    for size, listed in ((H * scatter, True), (np.where(noisy, 0.01 * scatter, H), False)):
        found = audit(replace(_curves(F, size, 1e-3), noisy=noisy), NO_MODES)
        assert any(abs(peak.frequency_hz - 40.0) < 2.0 for peak in found) == listed


def test_a_peak_without_phases_is_listed():
    """Where a channel lacked its phases nothing was fitted, and no peak was looked for."""
    size = np.abs(H[::8] * (1.0 + 9.0 * np.maximum(0.0, 1.0 - np.abs(F[::8] - 55.0) / 1.5))[:, None])
    phases = np.degrees(np.angle(transmissibility(F[::8], np.array([40.0, 70.0]), np.array([30.0, 40.0]),
                                                  np.array([[1.0], [-0.8]]))))  # fmt: skip
    phases[(F[::8] > 50.0) & (F[::8] < 60.0)] = np.nan
    swept = SweptResponse(
        frequency_hz=F[::8], control=np.ones(len(F[::8])), responses=size, phases_deg=phases, channels=("A1",),
        dimensions=("acceleration",), steady=True,
    )  # fmt: skip
    (peak,) = identify_modes(swept).channels[0].unexplained
    assert abs(peak.frequency_hz - 55.0) < 0.5
