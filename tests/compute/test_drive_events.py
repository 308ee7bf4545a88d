"""What a structure does after an event of its drive is its own ringing and no further mode."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from reportgen.compute.identification import SweptResponse, identify_modes
from reportgen.compute.identification.drive import drive_of
from reportgen.compute.identification.drive_level import DriveLevel
from reportgen.compute.identification.envelope import envelope
from reportgen.compute.identification.modal_model import mode_envelopes
from reportgen.compute.identification.step_timing import NO_TIMING, Courses, ringing_after, with_start
from reportgen.compute.sweep.pieces import BREAK_S
from reportgen.records.job import TrackingFilter
from tests.identified import frequencies_of
from tests.simulator.course import G, HandStep, Table, profile_level, sweep
from tests.simulator.recorder import Laboratory, Noise
from tests.simulator.structure import Sensor, Structure, TrueMode

BOOM = Structure(
    (TrueMode(18.0, 60.0), TrueMode(47.0, 40.0), TrueMode(112.0, 35.0)),
    (Sensor("A1", (1.2, 0.8, -0.5)), Sensor("A2", (0.7, -0.6, 0.3)), Sensor("A3", (0.9, 0.0, 0.6))),
)


def record(course, *, phases, seed, from_rest=False, steps=(), structure=BOOM, row_s=0.1, noise=0.01) -> SweptResponse:
    laboratory = Laboratory(row_s=row_s, default_noise=Noise(floor=2e-4 * G, share=noise), seed=seed)
    table = Table(profile_level([(1.0, 0.5, "g"), (3000.0, 0.5, "g")]), steps=steps)
    made = laboratory.record(structure, course, table, from_rest=from_rest)
    names = tuple(made.response)
    return SweptResponse(
        frequency_hz=np.round(made.frequency_hz, 4), time_s=np.round(made.time_s, 3),
        control=np.abs(made.control["C1"]), responses=np.stack([np.abs(made.response[name]) for name in names], axis=1),
        phases_deg=np.stack([made.relative_phase_deg(name) for name in names], axis=1) if phases else None,
        channels=names, dimensions=("acceleration",) * len(names),
    )  # fmt: skip


STARTS = [(8.0, 220.0), (20.0, 220.0), (220.0, 8.0)]
"""Below every mode, above one that rings and is never swept, and above them all."""


@pytest.mark.parametrize("seed", [1, 2, pytest.param(3, marks=pytest.mark.soak)])
@pytest.mark.parametrize("phases", [True, False])
@pytest.mark.parametrize("ends", STARTS)
def test_a_start_at_full_level_leaves_no_mode_at_the_first_row(ends, phases, seed):
    found = identify_modes(record(sweep(ends[0], ends[1], 3.0), phases=phases, seed=seed, from_rest=True))
    swept = [mode for mode in BOOM.modes if min(ends) < mode.frequency_hz < max(ends)]
    assert frequencies_of(found) == pytest.approx([mode.frequency_hz for mode in swept], rel=5e-4)
    for resonance in found.channels[0].resonances:
        true = min(swept, key=lambda mode: abs(mode.frequency_hz - resonance.frequency_hz))
        assert resonance.q == pytest.approx(true.q, rel=0.03)


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("phases", [True, False])
@pytest.mark.parametrize(("ends", "at_hz"), [((220.0, 8.0), 27.5), ((8.0, 220.0), 64.0)])
def test_a_step_of_the_level_at_once_leaves_no_mode_beside_it(ends, at_hz, phases, seed):
    """−6 dB within a thousandth of a row, three octaves after the start."""
    log = record(sweep(ends[0], ends[1], 3.0), phases=phases, seed=seed, steps=(HandStep(at_hz, -6.0, 1e-4),))
    found = identify_modes(log)
    assert frequencies_of(found) == pytest.approx([mode.frequency_hz for mode in BOOM.modes], rel=5e-4)


SHARP = Structure(
    (TrueMode(34.607, 19.6), TrueMode(70.86, 79.5)),
    (Sensor("A1", (0.906, -1.160)), Sensor("A2", (-0.437, 1.330)), Sensor("A3", (-0.740, -0.749))),
)


@pytest.mark.parametrize("seed", [8, 9])
def test_a_step_within_a_row_that_is_longer_than_the_ringing_leaves_no_mode_beside_it(seed):
    """−6 dB at 50 Hz; two rows a second, and the sharpest mode rings for 0.36 s."""
    steps = (HandStep(50.0, -6.0, 1e-3),)
    log = record(sweep(400.0, 25.0, 3.0), phases=True, seed=seed, steps=steps, structure=SHARP, row_s=0.5, noise=0.002)
    assert frequencies_of(identify_modes(log)) == pytest.approx([34.607, 70.86], rel=5e-4)


def starts(drive, pole):
    upper, lower = (tuple(envelope(drive, s)) for s in (pole, np.conj(pole)))
    return Courses(upper, upper, lower)


@pytest.mark.parametrize("mode_hz", [18.0, 24.0])
def test_a_drive_that_begins_at_the_first_row_leaves_each_mode_ringing_with_its_own_pole(mode_hz):
    """E′ = (s − iφ′) E + A from E = 0, for both poles of a mode: scipy's Runge-Kutta 8(5,3)."""
    time = 0.1 * np.arange(200)
    swept = SweptResponse(
        frequency_hz=20.0 + 0.5 * time, time_s=time, control=np.full(200, 2.0), responses=np.ones((200, 1)),
        channels=("A1",), dimensions=("acceleration",),
    )  # fmt: skip
    drive = drive_of(swept, np.ones(200, bool), DriveLevel.as_read(swept.control))
    pole = 2 * np.pi * mode_hz * (-0.5 / 60.0 + 1j)
    ringing = ringing_after(drive, pole, with_start(NO_TIMING, drive), starts(drive, pole))
    for s, value in ((pole, ringing.value), (np.conj(pole), ringing.lower)):
        rest = solve_ivp(
            lambda t, e, s=s: (s - 2j * np.pi * (20.0 + 0.5 * t)) * e + 2.0, (0.0, time[-1]), [0j], "DOP853", time,
            rtol=1e-9, atol=1e-12,
        )  # fmt: skip
        from_rest = np.zeros(200, complex)
        from_rest[ringing.rows] = value[0]
        from_rest += envelope(drive, s)[0]
        assert np.max(np.abs(from_rest - rest.y[0])) < 2e-3 * np.max(np.abs(rest.y[0]))


def test_the_ringing_of_a_start_has_the_derivative_it_states():
    step = 1e-5
    time = 0.1 * np.arange(200)
    swept = SweptResponse(
        frequency_hz=20.0 + 0.5 * time, time_s=time, control=np.full(200, 2.0), responses=np.ones((200, 1)),
        channels=("A1",), dimensions=("acceleration",),
    )  # fmt: skip
    drive = drive_of(swept, np.ones(200, bool), DriveLevel.as_read(swept.control))
    pole = 2 * np.pi * 18.0 * (-0.5 / 60.0 + 1j)
    timing = with_start(NO_TIMING, drive)
    above, below, stated = (ringing_after(drive, s, timing, starts(drive, s)) for s in (pole + step, pole - step, pole))
    rows = slice(0, 100)
    slope = (above.value[:, rows] - below.value[:, rows]) / (2 * step)
    assert np.max(np.abs(slope - stated.value_ds[:, rows])) < 1e-5 * np.max(np.abs(slope))


def test_every_piece_of_an_interrupted_sweep_may_start_from_rest():
    """What is lacking at the start was an unknown at the first row of the log alone."""
    time = np.concatenate([0.1 * np.arange(100), BREAK_S + 0.1 * np.arange(100, 200)])
    swept = SweptResponse(
        frequency_hz=20.0 + 0.05 * np.arange(200), time_s=time, control=np.full(200, 2.0), responses=np.ones((200, 1)),
        channels=("A1",), dimensions=("acceleration",),
    )  # fmt: skip
    drive = drive_of(swept, np.ones(200, bool), DriveLevel.as_read(swept.control))
    pole = 2 * np.pi * 24.9 * (-0.5 / 60.0 + 1j)
    timing = with_start(NO_TIMING, drive)
    assert timing.steps.tolist() == [0, 0, 100, 100]
    ringing = ringing_after(drive, pole, timing, starts(drive, pole))
    upper = envelope(drive, pole)[0]
    at_rest = ringing.added(np.array([0.0, 0.0, 1.0, 0.0]), upper, ringing.value)
    assert abs(at_rest[100]) < 1e-9 * abs(upper[100])
    assert np.allclose(at_rest[:100], upper[:100])


@pytest.mark.parametrize("hz", [3.0, 8.0])
def test_a_mode_that_starts_from_rest_is_logged_through_a_filter_that_starts_with_it(hz):
    """E′ = (s − iφ′) E + A and F′ = πB (E − F) from E = F = 0: scipy's Runge-Kutta 8(5,3)."""
    time = 0.1 * np.arange(60)
    swept = SweptResponse(
        frequency_hz=62.5 + 2.0 * time, time_s=time, control=np.full(60, 2.0), responses=np.ones((60, 1)),
        channels=("A1",), dimensions=("acceleration",), tracking_filter=TrackingFilter(bandwidth_hz=hz),
    )  # fmt: skip
    drive = drive_of(swept, np.ones(60, bool), DriveLevel.as_read(swept.control))
    pole = 2 * np.pi * 61.0 * (-0.5 / 40.0 + 1j)
    found = mode_envelopes(drive, pole, with_start(NO_TIMING, drive)).after(np.array([1.0, 0.0]))

    def slope(t: float, y: np.ndarray) -> list[complex]:
        return [(pole - 2j * np.pi * (62.5 + 2.0 * t)) * y[0] + 2.0, np.pi * hz * (y[0] - y[1])]

    rest = solve_ivp(slope, (0.0, time[-1]), [0j, 0j], "DOP853", time, rtol=1e-10, atol=1e-13)
    assert np.max(np.abs(found.upper - rest.y[1])) < 1e-4 * np.max(np.abs(rest.y[1]))
