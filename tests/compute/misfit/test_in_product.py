"""Measured and misfitting responses through the door that every user takes: ``identify_modes``."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.io import loadmat
from scipy.optimize import least_squares

from reportgen.compute.identification import Identification, SweptResponse, identify_modes
from reportgen.records.identified_fact import FactCode
from tests.compute.misfit.responses import measured
from tests.identified import frequencies_of
from tests.shared import SHARED

REAL = SHARED / "real"
BENDING = (51.52, 142.18, 278.67, 460.40, 687.17, 958.54)
"""Hz, free beam, as its documentation and an independent rational fit have them."""


def found_in(frequency_hz, response, control=None, dimension="acceleration") -> Identification:
    level = np.ones(len(frequency_hz)) if control is None else control
    return identify_modes(
        SweptResponse(
            frequency_hz=frequency_hz,
            control=level,
            responses=np.abs(response) * level[:, None],
            phases_deg=np.degrees(np.angle(response)),
            channels=tuple(f"A{c}" for c in range(response.shape[1])),
            dimensions=("acceleration",) * response.shape[1],
            control_dimension=dimension,
        )
    )


def codes(found: Identification) -> set[FactCode]:
    return {fact.code for fact in found.facts}


@pytest.mark.parametrize("kind", ["phase", "gain"])
def test_a_phase_or_gain_error_of_an_instrument_invents_no_mode(kind: str) -> None:
    """Residues that had to be real answered with clones: eight invented for two instruments seven degrees apart."""
    for seed in (301, 302):
        run = measured(kind, seed)
        found = found_in(run.frequency_hz, run.response)
        assert len(frequencies_of(found)) == len(run.modes_hz)
        assert np.allclose(frequencies_of(found), run.modes_hz, rtol=2e-3)
        assert FactCode.MISFIT_SHARE in codes(found)
        assert all(channel.unexplained == () for channel in found.channels)


def test_a_clean_log_keeps_real_residues() -> None:
    run = measured("clean", 303)
    found = found_in(run.frequency_hz, run.response)
    assert len(frequencies_of(found)) == len(run.modes_hz)
    assert not codes(found) & {FactCode.MISFIT_SHARE, FactCode.COMPLEX_RESIDUES}


def test_a_peak_of_one_channel_that_is_no_resonance_is_listed() -> None:
    """A triangle of thirty rows: no pole has that shape."""
    run = measured("clean", 304)
    response = run.response.copy()
    away = np.min(np.abs(np.log(run.frequency_hz[:, None] / run.modes_hz)), axis=1)
    away[:60] = away[-60:] = 0.0
    middle = int(np.argmax(away))
    bump = 2.0 * np.abs(response[middle, 0]) * np.maximum(0.0, 1.0 - np.abs(np.arange(len(response)) - middle) / 4.0)
    response[:, 0] += bump * response[:, 0] / np.abs(response[:, 0])
    found = found_in(run.frequency_hz, response)
    at = run.frequency_hz[middle]
    named = [peak for peak in found.channels[0].unexplained if abs(peak.frequency_hz / at - 1) < 0.01]
    modes = [f for f in frequencies_of(found) if abs(f / at - 1) < 0.01]
    assert named or modes


def _beam() -> tuple[np.ndarray, np.ndarray]:
    if not REAL.exists():
        pytest.skip("measured data are not here")
    points = [np.loadtxt(REAL / f"free_beam/meas_point_{p}.txt", dtype=complex) for p in (1, 2, 3)]
    return np.arange(1001.0), np.stack(points, axis=1)


def test_the_free_beam_has_its_modes_on_all_three_points() -> None:
    found = found_in(*_beam(), dimension="force")
    for channel in found.channels:
        seen = [each.frequency_hz for each in channel.resonances]
        assert all(min(abs(f / true - 1) for f in seen) < 5e-4 for true in BENDING)
        assert all(min(abs(f / true - 1) for true in (*BENDING, 900.9)) < 5e-4 for f in seen)


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


def _jointed(kind: str) -> list[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """(Hz, acceleration over force, force) of every run."""
    log = REAL / "jointed_beam/ForcedFrequencyResponses.mat"
    if not log.exists():
        pytest.skip("measured data are not here")
    runs = getattr(loadmat(log, squeeze_me=True, struct_as_record=False)["FRdata"], kind)
    return [(r.frequency, r.amplitude / r.force * np.exp(1j * r.phase), r.force) for r in runs]


def test_a_stepped_run_at_constant_response_has_one_mode_with_its_damping() -> None:
    """One of them gave none at all: a noise of six times the reading explained it."""
    for f, h, force in _jointed("ResponseControl"):
        (channel,) = found_in(f, h[:, None], force, "force").channels
        (mode,) = channel.resonances
        frequency, q = _independent(f, h)
        assert mode.frequency_hz == pytest.approx(frequency, rel=1e-4)
        assert mode.q == pytest.approx(q, rel=0.03)
        assert channel.unexplained == ()


def test_a_stepped_run_at_constant_force_has_one_mode_whose_damping_rises_with_level() -> None:
    """At the highest force the law came out with the wrong sign, Q 49 rising to 81."""
    for f, h, force in _jointed("ForceControl"):
        (channel,) = found_in(f, h[:, None], force, "force").channels
        (mode,) = channel.resonances
        assert mode.backbone is not None
        assert mode.backbone.damping_ratio[-1] > mode.backbone.damping_ratio[0]
        assert mode.level == mode.backbone.levels[-1]
        assert mode.q == pytest.approx(0.5 / mode.backbone.damping_ratio[-1])
