"""Peak of a response as recorded, beside its amplification."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from reportgen.compute.run import with_response
from reportgen.records.result import Observed, Resonance

FREQUENCY = np.array([90.0, 100.0, 110.0, 100.0, 95.0])
"""Hz; interrupted and resumed below, so that 100 Hz is passed twice."""
LEVEL = np.array([9.8, 9.8, 9.8, 4.9, 4.9])
RATIO = np.array([5.0, 20.0, 5.0, 24.0, np.nan])


def seen(peak_hz: float | None, amplification: float | None) -> float | None:
    plain = Resonance(frequency_hz=100.0, frequency_std_hz=None, q=20.0, q_std=None, damping_ratio=0.025)
    each = replace(plain, observed=Observed(peak_hz=peak_hz, amplification=amplification))
    return with_response(each, FREQUENCY, RATIO, LEVEL).observed.response_mps2


def test_it_is_response_over_control_times_control_at_the_row_of_the_peak():
    assert seen(100.0, 20.0) == pytest.approx(196.0)


def test_of_two_passages_it_is_that_of_the_peak():
    """Fault: the first row of that frequency stood for both, with the level of the other passage."""
    assert seen(100.0, 24.0) == pytest.approx(117.6)


def test_without_a_reading_there_is_none():
    assert seen(None, 20.0) is None
    assert seen(100.0, None) is None
