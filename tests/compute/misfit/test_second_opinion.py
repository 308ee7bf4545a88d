"""Two independent opinions on every measured set, beside what the product finds in it.

A rational approximation (scipy's AAA) of each response alone, and a least-squares complex-frequency fit of all of them
together; neither shares a formula with the product (tests/second_opinion.py).
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy.io import loadmat

from reportgen.compute.identification import SweptResponse, identify_modes
from reportgen.records.result import Resonance
from tests.second_opinion import least_squares_complex_frequency, rational
from tests.shared import SHARED

BEAM, JOINTED = SHARED / "real/free_beam", SHARED / "real/jointed_beam/ForcedFrequencyResponses.mat"
BENDING = (51.52, 142.18, 278.67, 460.40, 687.17, 958.54)
"""Hz, as the documentation of the free beam has them."""
RUNS = [("ForceControl", k) for k in range(4)] + [("ResponseControl", k) for k in range(8)]


def found_in(f: np.ndarray, h: np.ndarray, force: np.ndarray | None = None) -> tuple[Resonance, ...]:
    """What the product finds on the first channel of accelerances (n, c)."""
    drive = np.ones(len(f)) if force is None else force
    sweep = SweptResponse(
        frequency_hz=f, control=drive, control_dimension="force", responses=np.abs(h) * drive[:, None],
        phases_deg=np.degrees(np.angle(h)), channels=tuple(f"A{k + 1}" for k in range(h.shape[1])),
        dimensions=("acceleration",) * h.shape[1], steady=True,
    )  # fmt: skip
    return identify_modes(sweep).channels[0].resonances


@cache
def beam() -> tuple[np.ndarray, np.ndarray]:
    if not BEAM.exists():
        pytest.skip("measured data are not here")
    points = [np.loadtxt(BEAM / f"meas_point_{p}.txt", dtype=complex) for p in (1, 2, 3)]
    return np.arange(2.0, 1001.0), np.stack(points, axis=1)[2:]


@cache
def beam_found() -> tuple[Resonance, ...]:
    return found_in(*beam())


@cache
def jointed(kind: str, k: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(Hz, acceleration over force, force) of one stepped run."""
    if not JOINTED.exists():
        pytest.skip("measured data are not here")
    run = getattr(loadmat(JOINTED, squeeze_me=True, struct_as_record=False)["FRdata"], kind)[k]
    return run.frequency, run.amplitude / run.force * np.exp(1j * run.phase), run.force


def nearest(modes: list[tuple[float, float]], f: float) -> tuple[float, float]:
    return min(modes, key=lambda each: abs(each[0] - f))


@pytest.mark.parametrize("point", [0, 1, 2])
def test_free_beam_against_a_rational_approximation(point: int) -> None:
    f, h = beam()
    for true in BENDING:
        seen = nearest([(each.frequency_hz, each.q or 0.0) for each in beam_found()], true)
        rows = np.abs(f - true) <= 12.0
        other = nearest(rational(f[rows], h[rows, point]), true)
        assert seen[0] == pytest.approx(true, rel=5e-4)
        assert other[0] == pytest.approx(seen[0], rel=4e-4)  # the three points differ by as much among themselves
        if true > 600.0:  # below, a row is more than five bandwidths
            assert other[1] == pytest.approx(seen[1], rel=0.25)


def test_free_beam_against_a_least_squares_complex_frequency_fit() -> None:
    f, h = beam()
    for true in BENDING[1:]:  # the first has twenty bandwidths to a row, which this fit does not see
        seen = nearest([(each.frequency_hz, each.q or 0.0) for each in beam_found()], true)
        rows = np.abs(f - true) <= 20.0
        other = nearest(least_squares_complex_frequency(f[rows], h[rows], 12), true)
        assert other[0] == pytest.approx(seen[0], rel=3e-4)


@pytest.mark.parametrize(("kind", "k"), RUNS)
def test_jointed_beam_has_one_mode_where_a_rational_approximation_has_it(kind: str, k: int) -> None:
    f, h, force = jointed(kind, k)
    (mode,) = found_in(f, h[:, None], force)
    # Two poles at most in the band: the mode and what is left of the others; of more, AAA fits the noise.
    other = nearest(rational(f, h, 0.02), mode.frequency_hz)
    assert other[0] == pytest.approx(mode.frequency_hz, rel=1e-3)
    if mode.backbone is None:
        assert other[1] == pytest.approx(mode.q, rel=0.1)


@pytest.mark.parametrize(("kind", "k"), RUNS)
def test_jointed_beam_has_one_mode_where_a_complex_frequency_fit_has_it(kind: str, k: int) -> None:
    f, h, force = jointed(kind, k)
    (mode,) = found_in(f, h[:, None], force)
    order = np.argsort(f)
    assert np.ptp(np.diff(f[order])) < 1e-9  # rows are equally spaced
    other = nearest(least_squares_complex_frequency(f[order], h[order, None], 8), mode.frequency_hz)
    assert other[0] == pytest.approx(mode.frequency_hz, rel=3e-3)
    if mode.backbone is None:
        assert other[0] == pytest.approx(mode.frequency_hz, rel=3e-4)
        assert other[1] == pytest.approx(mode.q, rel=0.05)
