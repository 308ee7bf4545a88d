"""Blows within a decay: hammers that come down again, strike twice, stay on the structure; hands that let go slowly.

Truth is what was integrated in time under half sines of force (``tests/simulator/ring_down.py``).
"""

from __future__ import annotations

import numpy as np
import pytest

from reportgen.compute.decay.blows import _by_chance, blows_in
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


@pytest.mark.parametrize("seed", [68, 84])
def test_samples_that_were_cut_off_are_no_bounces(seed):
    """Fault: of fifty records that clip at first six were said to be of a hammer that bounced."""
    truth = made("clipped", seed)
    part = decay_part(truth.samples, truth.rate, ["A1", "A2"], LEAST_FALL)
    assert {each.code for each in part.said} == {"decay.clipped"}


@pytest.mark.parametrize("seed, count", [(6, 30), (7, 30), (1, 40), (4, 40)])
def test_more_modes_than_prediction_has_room_for_are_no_bounce(seed, count):
    """Fault: what high modes leave at first stood out of what they had fallen to over the eight cycles after it."""
    rng = np.random.default_rng(seed)
    frequencies = 20.0 + np.sort(rng.uniform(5.0, 900.0, count))
    t = np.arange(8000) / RATE
    y = np.zeros((8000, 2))
    for f, size in ((20.0, 1.0), *((f, 0.5) for f in frequencies)):
        wave = size * np.exp(-np.pi * f / 80.0 * t) * np.sin(2 * np.pi * f * t + rng.uniform(0.0, 2 * np.pi))
        y += wave[:, None] * rng.uniform(0.3, 1.0, 2) * rng.choice([-1, 1], 2)
    y = np.vstack([np.zeros((600, 2)), y])
    part = decay_part(y + 2e-3 * rng.normal(size=y.shape), RATE, ["A1", "A2"], LEAST_FALL)
    assert part.said == ()
    assert part.begin < 600 + RATE / 20.0


def test_noise_alone_is_a_blow_once_in_a_thousand_records_at_most():
    """The largest of 100 records of normal noise stays below what is to be exceeded once in a thousand, and near it."""
    rng = np.random.default_rng(8)
    largest = []
    for _ in range(100):
        height = np.abs(rng.normal(size=4000)).reshape(-1, 8).max(axis=1)
        largest.append(height.max() / np.quantile(height, 0.8))
    assert 0.7 * _by_chance(4000, 8, 1) < max(largest) < _by_chance(4000, 8, 1)
