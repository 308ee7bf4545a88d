"""Modes that follow their own level, on a measured bolted beam."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.io import loadmat
from scipy.optimize import least_squares

from reportgen.compute.identification.misfit.account import account
from reportgen.compute.identification.misfit.level_competition import levelled
from tests.compute.misfit.responses import steady_band
from tests.shared import SHARED

LOG = SHARED / "real/jointed_beam/ForcedFrequencyResponses.mat"


def _runs(kind: str) -> list[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """(Hz, acceleration over force, force) of every run."""
    if not LOG.exists():
        pytest.skip("measured data are not here")
    runs = getattr(loadmat(LOG, squeeze_me=True, struct_as_record=False)["FRdata"], kind)
    return [(r.frequency, r.amplitude / r.force * np.exp(1j * r.phase), r.force) for r in runs]


def _independent(f: np.ndarray, h: np.ndarray) -> tuple[float, float]:
    """(Hz, Q) of one pole, a constant and a slope, fitted without weights."""
    w = 2 * np.pi * f

    def left(p: np.ndarray) -> np.ndarray:
        pole = 2 * np.pi * p[0] * (-p[1] + 1j)
        basis = np.stack([1 / (1j * w - pole), np.ones_like(w), w / w.mean() - 1], axis=1).astype(complex)
        rest = basis @ np.linalg.lstsq(basis, h, rcond=None)[0] - h
        return np.concatenate([rest.real, rest.imag])

    found = least_squares(left, [f[np.argmax(np.abs(h))], 1 / 300], x_scale=[0.01, 1e-3]).x
    return float(found[0]), float(0.5 / found[1])


def test_at_constant_response_there_is_one_mode_with_the_damping_of_an_independent_fit() -> None:
    for f, h, force in _runs("ResponseControl"):
        found = account(steady_band(f, h[:, None]))
        (mode,) = found.modes()
        frequency, q = _independent(f, h)
        assert mode.frequency_hz == pytest.approx(frequency, rel=1e-4)
        assert mode.q == pytest.approx(q, rel=0.03)
        assert not levelled(found, force)


def test_at_constant_force_one_mode_that_moves_answers_for_what_two_that_stand_do_not() -> None:
    for f, h, force in _runs("ForceControl"):
        found = account(steady_band(f, h[:, None]))
        (moving,) = levelled(found, force)
        still = found.state.left[moving.rows]
        left = found.state.band.values[moving.rows] - moving.held - moving.mode.model
        assert np.sum(np.abs(left) ** 2) < 0.5 * np.sum(np.abs(still) ** 2)
