"""Every maximum that stands out is answered for, or listed."""

from __future__ import annotations

import numpy as np

from reportgen.compute.misfit.audit import Cause, Named, audit
from reportgen.compute.misfit.band import steady_band
from tests.compute.misfit.responses import transmissibility

F = np.linspace(20.0, 100.0, 1601)
H = transmissibility(F, np.array([40.0, 70.0]), np.array([30.0, 40.0]), np.array([[1.0], [-0.8]]))
NONE = np.zeros((0, 1), complex)


def _audit(modes_hz: list[float], named: tuple[Named, ...] = ()) -> dict[int, Cause]:
    omega = 2 * np.pi * np.array(modes_hz)
    residues = np.ones((len(omega), 1), complex)
    model = np.zeros_like(H)
    peaks = audit(steady_band(F, H), np.full(H.shape, 1e-3), (omega, omega / 35.0, residues), model, named)
    return {round(peak.frequency_hz): peak.cause for peak in peaks}


def test_a_peak_without_a_mode_is_listed_as_unexplained() -> None:
    assert _audit([40.0]) == {40: Cause.MODE, 70: Cause.UNEXPLAINED}


def test_a_peak_with_a_named_cause_is_none() -> None:
    assert _audit([40.0], (Named(low_hz=69.0, high_hz=71.0, name="mains"),))[70] is Cause.NAMED


def test_noise_gives_no_peak() -> None:
    rng = np.random.default_rng(1)
    noise = 0.01 * (rng.standard_normal((500, 1)) + 1j * rng.standard_normal((500, 1)))
    band = steady_band(np.linspace(10.0, 60.0, 500), 1.0 + noise)
    assert audit(band, np.full((500, 1), 0.01), (np.zeros(0), np.zeros(0), NONE), np.ones((500, 1), complex)) == []
