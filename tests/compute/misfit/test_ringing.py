"""After a start, a step or a resumption at once every mode rings with its own pole, and the account says so.

Without that an account placed modes of its own there, or left maxima that nothing explained (issue 14, item 14).
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from reportgen.compute.identification.drive import drive_of
from reportgen.compute.identification.drive_level import DriveLevel
from reportgen.compute.identification.fit_problem import problem_of
from reportgen.compute.identification.misfit.audited import audited_account
from reportgen.compute.identification.misfit.model_choice import account_of, follows_level
from reportgen.compute.identification.misfit.projection import Poles, solve
from reportgen.compute.identification.misfit.ringing import Ringing, events_of
from reportgen.compute.identification.misfit.swept_band import band_of
from reportgen.compute.identification.model_order import search
from reportgen.compute.identification.swept_response import SweptResponse, usable_rows
from reportgen.compute.sweep.pieces import BREAK_S
from reportgen.records.job import TrackingFilter
from tests.identified import frequencies_of
from tests.simulator.course import G, HandStep, Table, profile_level, sweep
from tests.simulator.recorder import Filter, Laboratory, Noise
from tests.simulator.structure import Sensor, Structure, TrueMode

MODES = (TrueMode(24.0, 50.0), TrueMode(61.0, 40.0))
PAIR = Structure(MODES, (Sensor("A1", (1.2, 0.8)), Sensor("A2", (0.7, -0.6))))


def record(course, *, from_rest=True, steps=(), tracking=None, seed=4) -> SweptResponse:
    laboratory = Laboratory(
        row_s=0.1, default_noise=Noise(floor=2e-4 * G, share=0.003), seed=seed, tracking=tracking
    )  # fmt: skip
    table = Table(profile_level([(1.0, 0.5, "g"), (3000.0, 0.5, "g")]), steps=steps)
    made = laboratory.record(PAIR, course, table, from_rest=from_rest)
    return SweptResponse(
        frequency_hz=np.round(made.frequency_hz, 4), time_s=np.round(made.time_s, 3),
        control=np.abs(made.control["C1"]), channels=("A1", "A2"), dimensions=("acceleration",) * 2,
        responses=np.stack([np.abs(made.response[name]) for name in ("A1", "A2")], axis=1),
        phases_deg=np.stack([made.relative_phase_deg(name) for name in ("A1", "A2")], axis=1),
        tracking_filter=tracking and TrackingFilter(bandwidth_hz=tracking.hz),
    )  # fmt: skip


def joined(first: SweptResponse, second: SweptResponse) -> SweptResponse:
    """A resumption, as the product sets pieces apart."""
    later = second.time_s + first.time_s[-1] + BREAK_S
    both = {
        name: np.concatenate([getattr(first, name), getattr(second, name)])
        for name in ("frequency_hz", "control", "responses", "phases_deg")
    }
    return replace(first, time_s=np.concatenate([first.time_s, later]), **both)


def accounted(log: SweptResponse):
    rows = usable_rows(log)
    return audited_account(follows_level(log, rows, account_of(problem_of(log, rows)), phase_turned=False))


def close_above() -> SweptResponse:
    return record(sweep(25.0, 120.0, 4.0))


def close_below() -> SweptResponse:
    return record(sweep(58.5, 12.0, 4.0))


def stepped() -> SweptResponse:
    return record(sweep(12.0, 120.0, 4.0), from_rest=False, steps=(HandStep(26.5, -6.0, 1e-4),))


def resumed() -> SweptResponse:
    return joined(record(sweep(12.0, 66.0, 4.0)), record(sweep(62.5, 120.0, 4.0), seed=5))


KINDS = {
    "started above a mode": (close_above, (61.0,)), "started below a mode": (close_below, (24.0,)),
    "stepped": (stepped, (24.0, 61.0)), "resumed above a mode": (resumed, (24.0, 61.0)),
}  # fmt: skip


@cache
def found_of(kind: str):
    return accounted(KINDS[kind][0]())


@pytest.mark.parametrize("kind", KINDS)
def test_what_rings_after_a_change_of_the_drive_is_no_further_mode(kind):
    assert frequencies_of(found_of(kind)) == pytest.approx(KINDS[kind][1], rel=1e-3)


@pytest.mark.parametrize("kind", KINDS)
def test_what_rings_after_a_change_of_the_drive_is_no_unexplained_peak(kind):
    assert [peak for channel in found_of(kind).channels for peak in channel.unexplained] == []


@pytest.mark.parametrize("hz", [3.0, 8.0])
def test_a_start_through_a_stated_filter_does_not_refute_the_filter(hz):
    """What rings of a start passes a filter that had not settled; that was taken for another filter or for modes."""
    pieces = [record(sweep(*ends, 4.0), tracking=Filter(hz=hz)) for ends in ((12.0, 66.0), (62.5, 120.0))]
    log = joined(*pieces)
    state = search(problem_of(log, usable_rows(log)))
    assert state.filter.refitted is None
    assert state.poles.frequency_hz == pytest.approx([24.0, 61.0], rel=3e-5)


def test_a_mode_that_rings_and_is_not_swept_does_not_refute_the_filter():
    """24 Hz from 25 Hz on: the filter as stated was refuted, and 61 Hz came back as 61.037 Hz."""
    log = record(sweep(25.0, 120.0, 4.0), tracking=Filter(hz=8.0))
    state = search(problem_of(log, usable_rows(log)))
    assert state.filter.refitted is None
    assert np.min(np.abs(state.poles.frequency_hz / 61.0 - 1.0)) < 3e-5


def uniform(frequency, control) -> SweptResponse:
    n = len(frequency)
    return SweptResponse(
        frequency_hz=frequency, time_s=0.1 * np.arange(n), control=control, responses=np.ones((n, 1)),
        channels=("A1",), dimensions=("acceleration",), phases_deg=np.zeros((n, 1)),
    )  # fmt: skip


def test_the_decays_of_a_pole_are_what_a_start_from_rest_lacks():
    """E′ = (s − iφ′) E + A from E = 0, for both poles of a mode: scipy's Runge-Kutta 8(5,3)."""
    log = uniform(20.0 + 0.05 * np.arange(200), np.full(200, 2.0))
    band, _ = band_of(problem_of(log, np.ones(200, bool)))
    poles = Poles(2 * np.pi * np.array([24.0]), np.array([0.01]))
    s = complex(poles.s[0])
    response = np.zeros(200, complex)
    for pole, residue in ((s, 1.0 + 2.0j), (np.conj(s), 1.0 - 2.0j)):
        rest = solve_ivp(
            lambda t, e, pole=pole: (pole - 2j * np.pi * (20.0 + 0.5 * t)) * e + 2.0, (0.0, 19.95), [0j], "DOP853",
            0.1 * np.arange(200), rtol=1e-9, atol=1e-12,
        )  # fmt: skip
        response += 0.5 * residue * rest.y[0]
    band = replace(band, values=response[:, None], valid=np.ones((200, 1), bool), ringing=band.ringing.follow(0))
    fit = solve(band, poles, slice(0, 200), np.ones((200, 1)))
    left = np.abs(response - fit.model[:, 0])
    assert np.max(left) < 2e-3 * np.max(np.abs(response))
    assert fit.residues[0, 0] == pytest.approx(1.0 + 2.0j, rel=2e-3)


def test_fits_move_poles_by_what_rings_of_them():
    """Of a mode that is not swept only the decay tells: the derivative stated is that of the model."""
    log = uniform(20.0 + 0.05 * np.arange(200), np.full(200, 2.0))
    band, _ = band_of(problem_of(log, np.ones(200, bool)))
    rng = np.random.default_rng(1)
    values = rng.standard_normal((200, 1)) + 1j * rng.standard_normal((200, 1))
    band = replace(band, values=values, valid=np.ones((200, 1), bool), ringing=band.ringing.follow(0))

    def cost(ln_omega: float, ln_zeta: float) -> float:
        poles = Poles(2 * np.pi * 18.0 * np.exp([ln_omega]), 0.01 * np.exp([ln_zeta]))
        return solve(band, poles, slice(0, 200), np.ones((200, 1))).cost

    fit = solve(band, Poles(2 * np.pi * np.array([18.0]), np.array([0.01])), slice(0, 200), np.ones((200, 1)))
    step = 1e-5
    by_omega = (cost(step, 0.0) - cost(-step, 0.0)) / (2 * step)
    by_zeta = (cost(0.0, step) - cost(0.0, -step)) / (2 * step)
    assert -2.0 * fit.gradient == pytest.approx([by_omega, by_zeta], rel=1e-3)


def test_events_are_starts_of_pieces_and_turns_of_the_level():
    level = np.where(np.arange(200) < 90, 2.0, 1.0)
    log = uniform(20.0 + 0.05 * np.arange(200), level)
    time = log.time_s + BREAK_S * (np.arange(200) >= 150)
    drive = drive_of(replace(log, time_s=time), np.ones(200, bool), DriveLevel.as_read(level))
    assert events_of(drive).tolist() == [0, 90, 150]
    ringing = Ringing.of(drive, np.arange(200))
    assert ringing.columns(np.array([2 * np.pi * 18.0 * (-0.01 + 1j)]), slice(0, 200)).value.shape == (0, 200)
