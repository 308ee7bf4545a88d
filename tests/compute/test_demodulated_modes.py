"""What the window of the demodulation does to modes: nothing, up to twice the sweep parameter that is aimed for."""

from __future__ import annotations

import numpy as np
import pytest

from reportgen.compute.demodulation.demodulation import demodulate
from reportgen.compute.identification import SweptResponse, identify_modes
from tests.compute.test_demodulation import history_of, swept_transmissibility


@pytest.mark.parametrize("slope, rate", [(0.25, 1024), (1.0, 5120), (2.0, 5120)])
def test_window_of_the_demodulation_leaves_frequency_and_q_alone(slope, rate):
    """18 Hz, Q = 60, at η = 2.8, 11 and 22 without noise, against the closed form of the linear sweep."""
    t = np.arange(int(35.0 / slope * rate)) / rate
    cycles = 5.0 * t + slope * t * t / 2
    response = swept_transmissibility(5.0 + slope * t, 18.0, 60.0, slope) * np.exp(2j * np.pi * cycles)
    log = demodulate(history_of(np.column_stack([np.cos(2 * np.pi * cycles), response.real]), rate), "C1", ["C1"])
    found = identify_modes(
        SweptResponse(
            frequency_hz=log.frequency_hz, control=log.trace("C1").amplitude, channels=("A1",),
            responses=log.trace("A1").amplitude[:, None], dimensions=("acceleration",),
            phases_deg=log.trace("A1").phase_deg[:, None], time_s=log.time_s, drive_cycles=log.drive_cycles,
        )
    )  # fmt: skip
    (mode,) = found.channels[0].resonances
    assert mode.frequency_hz == pytest.approx(18.0, rel=1e-6)
    assert mode.q == pytest.approx(60.0, rel=3e-4)
    assert found.flags == ()
