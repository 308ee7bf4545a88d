"""DriveLevel of the drive: steps within a row, and the noise that smoothing leaves."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from reportgen.compute.identification.drive import drive_of
from reportgen.compute.identification.drive_level import DriveLevel, drive_level
from reportgen.compute.identification.envelope import envelope
from reportgen.compute.identification.step_timing import Courses, ringing_after, step_timing_of
from reportgen.compute.identification.swept_response import SweptResponse

ROW_S = 0.1
STEP_ROW = 60


def _drive(level, rate_hz_per_s=0.5, start_hz=20.0):
    time = ROW_S * np.arange(len(level))
    swept = SweptResponse(
        frequency_hz=start_hz + rate_hz_per_s * time, time_s=time, control=level,
        responses=np.ones((len(level), 1)), channels=("A1",), dimensions=("acceleration",),
    )  # fmt: skip
    return drive_of(swept, np.ones(len(time), bool), DriveLevel.as_read(level))


def _integrated(drive, pole, place):
    """E′ = (s − iφ′) E + A integrated with the level turned at a place of the row: scipy's Runge-Kutta 8(5,3)."""
    turned = drive.time_s[STEP_ROW] + place * ROW_S
    omega = np.poly1d(np.polyfit(drive.time_s, drive.omega, 1))

    def piece(begin, end, value, level):
        at = drive.time_s[(drive.time_s > begin) & (drive.time_s < end)]
        wanted = np.unique(np.concatenate([at, [end]]))
        found = solve_ivp(
            lambda t, e: (pole - 1j * omega(t)) * e + level, (begin, end), [value], "DOP853", wanted,
            rtol=1e-10, atol=1e-12,
        )  # fmt: skip
        return found.y[0]

    first, last = drive.amplitude[0], drive.amplitude[-1]
    before = piece(drive.time_s[0], turned, first / (1j * omega(0.0) - pole), first)
    after = piece(turned, drive.time_s[-1], before[-1], last)
    return np.concatenate([[np.nan], before[:-1], after])


@pytest.mark.parametrize("place", [0.1, 0.45, 0.9])
@pytest.mark.parametrize("mode_hz", [23.2, 30.0])
def test_kicks_make_up_for_a_level_turned_within_a_row(place, mode_hz):
    level = np.where(np.arange(200) <= STEP_ROW, 2.0, 1.0)
    drive = _drive(level)
    pole = 2 * np.pi * mode_hz * (-0.5 / 60.0 + 1j)
    true = _integrated(drive, pole, place)[STEP_ROW + 1 : STEP_ROW + 40]
    timing = step_timing_of(drive)
    # Fourier series of Δ(1[x > y] − x) with Δ = −1 on sin(kπx), over √2 Δ/(kπ): −√2 cos(kπy).
    sizes = np.where(timing.steps == STEP_ROW, -np.sqrt(2.0) * np.cos(np.pi * timing.shape * place), 0.0)
    straight = envelope(drive, pole)[0]
    ringing = ringing_after(drive, pole, timing, Courses((0j, 0j), (0j, 0j), (0j, 0j)))
    timed = ringing.added(sizes, straight, ringing.value)
    scale = np.max(np.abs(true))
    without = np.max(np.abs(straight[STEP_ROW + 1 : STEP_ROW + 40] - true)) / scale
    left = np.max(np.abs(timed[STEP_ROW + 1 : STEP_ROW + 40] - true)) / scale
    assert left < 0.03  # the terms that are followed end where what is left does not show
    assert left < 0.35 * without


def test_a_smooth_level_has_no_kicks():
    assert len(step_timing_of(_drive(1.0 + 0.3 * np.sin(np.linspace(0.0, 12.0, 400))))) == 0


def test_the_noise_left_in_the_level_is_what_smoothing_leaves():
    random = np.random.default_rng(5)
    true = 5.0 * (1.0 + 0.05 * np.sin(np.linspace(0.0, 9.0, 1500)))
    responses = np.abs(random.normal(3.0, 0.03, (1500, 2)))
    level = drive_level(true * (1.0 + random.normal(0.0, 0.01, 1500)), responses)
    drawn = np.std(level.left(level.noise[:, None] * random.standard_normal((1500, 40))))
    error = np.sqrt(np.mean((level.amplitude - true) ** 2))
    assert error < 0.5 * 0.01 * 5.0  # less than half of the noise read
    assert 0.75 * drawn < error < 1.33 * drawn


def test_the_level_is_not_smoothed_across_a_step():
    random = np.random.default_rng(6)
    true = np.where(np.arange(600) < 300, 4.0, 2.0)
    level = drive_level(true * (1.0 + random.normal(0.0, 0.005, 600)), np.abs(random.normal(3.0, 0.03, (600, 2))))
    assert np.max(np.abs(level.amplitude / true - 1.0)) < 0.025
