"""Blows within a decay: hammers that come down again, strike twice, stay on the structure; hands that let go slowly.

Truth is what was integrated in time under half sines of force (``tests/simulator/ring_down.py``).
"""

from __future__ import annotations

import numpy as np
import pytest

from reportgen.compute.decay.blows import blows_in
from reportgen.compute.decay.decay import identify_decay
from reportgen.compute.decay.pluck import LEAST_FALL, decay_part
from tests.accuracy.decays import made
from tests.simulator.ring_down import Blow, Joint, ring_down
from tests.simulator.structure import Sensor, Structure, TrueMode

RATE = 2000.0
MODES = (TrueMode(23.7, 60.0), TrueMode(61.3, 110.0), TrueMode(148.0, 90.0))
STRUCTURE = Structure(MODES, (Sensor("A1", (1.0, 0.6, 0.4)), Sensor("A2", (0.5, -0.8, 0.3))))


def struck(*blows, length_s=2e-3, seconds=4.0, noise=2e-3):
    record = ring_down(
        STRUCTURE, Joint(), (1.0, 0.7, 0.5), RATE, seconds, blows=tuple(Blow(at, length_s, peak) for at, peak in blows)
    )
    y = np.column_stack([record.channels[name] for name in ("A1", "A2")])
    y /= np.abs(y).max()
    return y + np.random.default_rng(3).normal(0.0, noise, y.shape)


def modes_of(y):
    part = decay_part(y, RATE, ["A1", "A2"], LEAST_FALL)
    found = identify_decay(y[part.begin : part.end], RATE, ["A1", "A2"], ["m/s^2"] * 2)
    return part, found.channels[0].resonances


def hold_the_truth(found):
    assert [each.frequency_hz for each in found] == pytest.approx([m.frequency_hz for m in MODES], rel=3e-4)
    assert [each.q for each in found] == pytest.approx([m.q for m in MODES], rel=0.03)


@pytest.mark.parametrize("later_s", [0.02, 0.05, 0.08, 0.15])
def test_a_hammer_that_strikes_twice_gives_no_modes_of_its_own(later_s):
    """Fault: blows 0.08 to 0.4 s apart were fitted as one decay, with up to 22 modes that were none."""
    part, found = modes_of(struck((0.3, 1.0), (0.3 + later_s, 0.6)))
    assert part.begin / RATE > 0.3 + later_s
    hold_the_truth(found)


@pytest.mark.parametrize("later_s", [0.02, 0.05, 0.08, 0.15])
def test_bounces_are_waited_for_however_far_apart(later_s):
    part, found = modes_of(struck((0.3, 1.0), (0.3 + later_s, 0.5), (0.3 + 1.7 * later_s, 0.25)))
    assert part.begin / RATE > 0.3 + 1.7 * later_s - 2e-3  # the last blow is the weakest
    assert later_s == 0.02 or any(each.code == "decay.bounced" for each in part.said)  # else contact that lasts
    hold_the_truth(found)


@pytest.mark.parametrize("length_s", [0.001, 0.005, 0.01])
def test_a_fit_does_not_begin_while_the_hammer_is_in_contact(length_s):
    part, found = modes_of(struck((0.3, 1.0), length_s=length_s))
    assert part.begin / RATE >= 0.3 + length_s
    assert found[0].frequency_hz == pytest.approx(23.7, rel=3e-4)
    assert found[0].q == pytest.approx(60.0, rel=0.03)


def test_of_two_blows_that_are_meant_as_two_the_first_is_fitted_up_to_the_second():
    """Fault: the envelope of several modes hid the second blow, and the fit went past it."""
    part, found = modes_of(struck((0.3, 1.0), (0.7, 0.6)))
    assert 0.3 < part.begin / RATE < 0.31
    assert part.end / RATE < 0.7
    assert [each.frequency_hz for each in found] == pytest.approx([m.frequency_hz for m in MODES], rel=2e-3)
    assert [each.q for each in found] == pytest.approx([m.q for m in MODES], rel=0.05)


@pytest.mark.parametrize("kind", ["plain", "high_q", "beating", "mains", "friction", "slip", "cubic"])
def test_nothing_in_a_decay_without_a_second_blow_is_one(kind):
    """Friction strikes twice a cycle, modes that beat come back, joints make tones: none of these is a blow."""
    for seed in range(40, 42):
        truth = made(kind, seed)
        part = decay_part(truth.samples, truth.rate, ["A1", "A2"], LEAST_FALL)
        x = truth.samples[part.begin : part.end]
        assert blows_in(x, round(truth.rate / truth.modes[0].frequency_hz)) == [], seed
