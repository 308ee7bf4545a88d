"""What a mode answers after a pause, or a hole, in its sweep: nothing of the pause but where it ended."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from reportgen.compute.identification.drive import drive_of
from reportgen.compute.identification.drive_level import DriveLevel
from reportgen.compute.identification.envelope import envelope
from reportgen.compute.identification.swept_response import SweptResponse
from reportgen.compute.identification.tracking_filter import butterworth, through_filter
from reportgen.compute.sweep.pieces import BREAK_S

RATE = 3.0 * np.log(2.0) / 60.0
TIME = 0.1 * np.arange(1600)
KEPT = (TIME < 60.0) | (TIME > 110.0)
"""Rows between 160 and 906 Hz are missing."""


def _drive(rows):
    frequency = 20.0 * np.exp(RATE * TIME)[rows]
    time = TIME[rows] + BREAK_S * (TIME[rows] > 80.0) * (not rows.all())
    n = len(time)
    swept = SweptResponse(
        frequency_hz=frequency, time_s=time, control=np.full(n, 2.0), responses=np.ones((n, 1)),
        channels=("A1",), dimensions=("acceleration",),
    )  # fmt: skip
    return drive_of(swept, np.ones(n, bool), DriveLevel.as_read(swept.control))


@pytest.mark.parametrize("order", [0, 1, 4])
@pytest.mark.parametrize("mode_hz", [170.0, 500.0, 1400.0])
def test_the_response_behind_a_hole_is_that_of_the_sweep_that_ran_on(mode_hz, order):
    """Too few nodes for a mode in the hole, and a filter whose term began at zero: ghosts stood beside the hole."""
    whole, holed = _drive(np.ones(len(TIME), bool)), _drive(KEPT)
    if order:
        whole, holed = (
            replace(d, bandwidth_hz=np.full(len(d.omega), 10.0), filter_poles=butterworth(order))
            for d in (whole, holed)
        )
    pole = 2 * np.pi * mode_hz * (-0.5 / 30.0 + 1j)
    (true, _), (value, by_s) = through(whole, pole), through(holed, pole)
    behind = TIME[KEPT] > 80.0
    assert np.max(np.abs(value - true[KEPT])[behind]) < 2e-3 * np.max(np.abs(true[KEPT][behind]))
    step = 1e-4 * abs(pole)
    numeric = (through(holed, pole + step)[0] - through(holed, pole - step)[0]) / (2 * step)
    assert np.max(np.abs(by_s - numeric)[behind]) < 1e-3 * np.max(np.abs(numeric[behind]))


def _filtered(drive, order):
    return replace(drive, bandwidth_hz=np.full(len(drive.omega), 10.0), filter_poles=butterworth(order))


def through(drive, pole):
    return tuple(envelope(drive, pole)) if drive.bandwidth_hz is None else through_filter(drive, pole)
