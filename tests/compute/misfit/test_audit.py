"""Every maximum that stands out is answered for, or listed."""

from __future__ import annotations

import numpy as np

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
