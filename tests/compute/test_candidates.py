"""Where modes may be: the bank of swept shapes, and what a model keeps when a mode is taken out of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.sparse import csr_array

from reportgen.compute.identification import candidates, model_order
from reportgen.compute.identification.candidates import CandidateBank, bank_of_shapes
from reportgen.compute.identification.drive import Drive
from reportgen.compute.identification.elimination import _taken_over
from reportgen.compute.identification.least_squares import FitProblem
from reportgen.compute.identification.modal_model import channel_kind
from reportgen.compute.identification.model_order import search
from reportgen.compute.identification.readings import Readings, Weights

RATE = 3.0
"""Hz/s of a linear sweep through a mode of Q = 60 at 30 Hz: η = Q² RATE/f² = 12."""


def drive(rows: int = 1500) -> Drive:
    t = np.linspace(0.0, 10.0, rows)
    omega = 2 * np.pi * (15.0 + RATE * t)
    return Drive(
        time_s=t, omega=omega, omega_dot=np.full(rows, 2 * np.pi * RATE),
        advance=0.5 * (omega[1:] + omega[:-1]) * np.diff(t), amplitude=np.ones(rows), steady=False, law="linear",
    )  # fmt: skip


def envelope_of(at: Drive, s: complex) -> np.ndarray:
    """E′ = (s − iφ′) E + 1 by scipy's own integrator."""

    def motion(t, y):
        return (s - 1j * np.interp(t, at.time_s, at.omega)) * y + 1.0

    start = [1 / (1j * at.omega[0] - s)]
    return solve_ivp(motion, (0, 10), start, "DOP853", at.time_s, rtol=1e-8, atol=1e-10, max_step=0.02).y[0]


def pole(f0: float, q: float) -> complex:
    return 2 * np.pi * f0 * (-0.5 / q + 1j * np.sqrt(1 - 0.25 / q**2))


def swept_mode(at: Drive, f0: float, q: float) -> np.ndarray:
    """E of a mode, peak of the steady response 1."""
    return envelope_of(at, pole(f0, q)) * abs(pole(f0, q).real)


def swept_part(at: Drive, f0: float, q: float) -> np.ndarray:
    """(2ζω₀s + ω₀²)/(s² + 2ζω₀s + ω₀²) swept: both poles (Thomson, Theory of Vibration, ch. 3, from memory)."""
    s, omega0 = pole(f0, q), 2 * np.pi * f0
    residue = (omega0 / q * s + omega0**2) / (2j * s.imag)
    return residue * envelope_of(at, s) + np.conj(residue) * envelope_of(at, np.conj(s))


def problem(at: Drive, values: np.ndarray, phase: bool = True) -> FitProblem:
    readings = Readings(
        amplitude=np.abs(values)[:, None], with_phase=np.array([phase]), valid=np.ones((len(values), 1), bool),
        read=np.ones((len(values), 1), bool),
        turn=np.exp(-1j * np.angle(values))[:, None] if phase else np.ones((len(values), 1), complex),
        kinds=(channel_kind("acceleration", "acceleration"),),
    )  # fmt: skip
    ones = np.ones((len(values), 1))
    weights = Weights(along=ones, across=ones)
    return FitProblem(at, readings, weights, (0, 2), 2 * np.pi * 25.0, np.zeros((0, len(values)), complex))


def test_the_bank_answers_at_the_frequency_of_the_mode_and_not_of_its_recorded_peak():
    at = drive()
    values = swept_mode(at, 30.0, 60.0)
    recorded = at.omega[np.argmax(np.abs(values))] / (2 * np.pi)
    (found,) = (bank := bank_of_shapes(at)).separate(bank.explained(values[:, None], problem(at, values))[:, 0], 1)
    assert abs(recorded / 30.0 - 1.0) > 0.015
    assert abs(found.frequency_hz / 30.0 - 1.0) < 0.005
    assert found.q == pytest.approx(60.0, rel=0.5)


def test_far_from_a_resonance_the_series_is_the_closed_form(monkeypatch):
    series = bank_of_shapes(drive())._conjugate.data
    monkeypatch.setattr(candidates, "_FAR", 0.0)
    monkeypatch.setattr(candidates, "_RINGING", np.inf)
    closed = bank_of_shapes(drive())._conjugate.data
    assert not np.array_equal(series, closed)
    assert np.max(np.abs(series - closed) / np.abs(closed)) < 2e-4


def test_one_shape_by_itself_answers_as_it_does_in_the_bank():
    at = drive()
    values = swept_mode(at, 30.0, 60.0)
    bank, run = bank_of_shapes(at), problem(at, values)
    gain = bank.explained(values[:, None], run)[:, 0]
    for index in (0, int(np.argmax(gain)), len(bank) - 1):
        assert bank.only(index).explained(values[:, None], run)[0, 0] == pytest.approx(gain[index], rel=1e-9)


def test_a_sweep_downwards_is_answered_as_the_same_rows_upwards():
    """What the bank explains is a sum over rows: their order in the log must not matter."""
    at = drive()
    back = replace(
        at, omega=at.omega[::-1], omega_dot=-at.omega_dot[::-1], advance=at.advance[::-1],
    )  # fmt: skip
    values = swept_mode(back, 30.0, 60.0)
    run = problem(back, values, phase=False)
    bank = bank_of_shapes(back)
    first, second = (bank.explained(np.abs(values)[:, None] + 0j, run) for _ in range(2))
    assert np.array_equal(first, second)
    (found,) = bank.separate(first[:, 0], 1)
    assert abs(found.frequency_hz / 30.0 - 1.0) < 0.005


def test_candidates_lie_clear_of_each_other_strongest_first():
    f = np.array([10.0, 10.1, 10.6, 20.0])
    nowhere = csr_array((4, 5), dtype=complex), np.arange(5), np.zeros((4, 2), int)
    bank = CandidateBank(f, np.full(4, 50.0), np.full(4, 0.02), *nowhere)
    chosen = bank.separate(np.array([100.0, 90.0, 80.0, 0.0]), 5)
    assert [each.frequency_hz for each in chosen] == [10.0, 10.6]


def test_a_channel_without_phase_keeps_its_model_when_a_coefficient_goes():
    at = drive()
    values = np.stack([np.ones(1500, complex), at.omega**2 * -1e-4 + 0j, 2.0 * np.ones(1500, complex)])
    run = problem(at, values[0], phase=False)
    kept = _taken_over(run, 0, values, np.array([1.0, 0.5, 3.0]), np.array([False, False, True]))
    assert kept == pytest.approx([7.0, 0.5])


def test_modes_are_found_without_phase_beside_a_stiff_neighbour_outside_the_band():
    """Two modes seen in magnitude alone, the second with the opposite sign, and what a mode far above the band adds."""
    at = drive()
    values = 1.0 + 0.4 * swept_part(at, 24.0, 40.0) - 0.3 * swept_part(at, 33.0, 60.0) - 0.04 * (at.omega / 300.0) ** 2
    noise = 1.0 + 0.002 * np.random.default_rng(4).standard_normal(1500)
    solution = search(problem(at, values * noise, phase=False)).solution
    inside = np.sort(solution.poles.frequency_hz[solution.poles.q > 10])
    assert inside == pytest.approx([24.0, 33.0], rel=1e-3)


@pytest.mark.parametrize("size", [0.2, -0.3])
def test_what_was_no_mode_is_not_tried_again_and_again(monkeypatch, size):
    """A mode far above the band adds a term in ω⁴: broad shapes answer it, wander off, and nothing comes of them."""
    at = drive()
    values = 1.0 + 0.4 * swept_part(at, 24.0, 40.0) + size * (at.omega / at.omega.max()) ** 4
    random = np.random.default_rng(3)
    noise = 0.002 * (random.standard_normal(1500) + 1j * random.standard_normal(1500))
    chosen = []

    def admitted(state, candidates, own=model_order._admitted, **how):
        chosen.append([candidate.index for candidate in candidates])
        return own(state, candidates, **how)

    monkeypatch.setattr(model_order, "_admitted", admitted)
    solution = search(problem(at, values * (1.0 + noise))).solution
    assert solution.poles.frequency_hz == pytest.approx([24.0], rel=1e-3)
    assert len(chosen) <= 12, chosen  # before: dozens of rounds, the same shapes in each
