"""The pluck in a record, against the moment at which the simulated structure was let go."""

from __future__ import annotations

import numpy as np
import pytest

from reportgen.compute.decay.pluck import find_pluck, pluck_window
from reportgen.errors import ComputeError
from tests.compute.test_demodulation import history_of
from tests.simulator.structure import Sensor, Structure, TrueMode
from tests.simulator.time_history import pluck_record

STRUCTURE = Structure(
    (TrueMode(18.0, 60.0), TrueMode(117.4, 38.0)), (Sensor("A1", (1.5, 0.6)), Sensor("A2", (0.7, -0.5)))
)
RATE = 4096.0


def record(quiet_s=0.5, noise=0.01, seconds=8.0, seed=0):
    made = pluck_record(STRUCTURE, (10.0, 3.0), RATE, seconds, quiet_s=quiet_s, noise=noise, seed=seed)
    return np.column_stack(list(made.channels.values()))


@pytest.mark.parametrize("quiet_s", [0.0, 0.5, 3.0])
@pytest.mark.parametrize("noise", [0.001, 0.1])
def test_the_decay_begins_within_a_cycle_of_the_release(quiet_s, noise):
    start, end = find_pluck(record(quiet_s, noise), RATE)
    assert quiet_s * RATE <= start <= (quiet_s + 1 / 18.0) * RATE
    # decay of the slow mode: e^(−π f t / Q); fitted at least down to a tenth, not beyond the noise
    tenth = np.log(10.0) * 60.0 / (np.pi * 18.0)
    into_noise = np.log(15.0 / noise) * 60.0 / (np.pi * 18.0)
    assert (quiet_s + tenth) * RATE < end <= min((quiet_s + into_noise) * RATE, len(record(quiet_s, noise)))


def test_of_two_plucks_the_first_is_taken_and_ends_at_the_second():
    twice = np.concatenate([record(seconds=1.0), record(quiet_s=0.0, seconds=6.0)])
    start, end = find_pluck(twice, RATE)
    assert 0.5 * RATE <= start < 0.6 * RATE
    assert 1.3 * RATE < end <= 1.5 * RATE + RATE / 18.0


def test_a_weak_knock_before_the_pluck_is_passed_over():
    knock = 0.1 * record(quiet_s=0.2, noise=0.0, seconds=1.5)
    start, _ = find_pluck(np.concatenate([knock, record(quiet_s=0.0)]), RATE)
    assert 1.7 * RATE <= start < 1.8 * RATE


def test_offset_of_a_channel_does_not_matter():
    assert find_pluck(record() + np.array([40.0, -3.0]), RATE) == find_pluck(record(), RATE)


@pytest.mark.parametrize(
    "samples", [np.random.default_rng(0).normal(size=(8192, 2)), np.zeros((8192, 2)), np.ones((8, 1))]
)
def test_no_pluck_is_said(samples):
    with pytest.raises(ComputeError):
        find_pluck(samples, RATE)


def test_a_long_record_is_searched_in_pieces_and_the_window_holds_the_decay(monkeypatch):
    """Two minutes of quiet, a pluck, and a weaker one later: the window found holds the decay that all of it gives."""
    rng = np.random.default_rng(3)
    quiet = 0.01 * rng.normal(size=(int(120 * RATE), 2))
    samples = np.concatenate([quiet, record(), 0.5 * record(seed=1), quiet[: int(9 * RATE)]])
    history = history_of(samples, RATE, ("A1", "A2"))
    monkeypatch.setattr("reportgen.compute.decay.pluck.MOST_VALUES", int(20 * RATE))
    start, stop = pluck_window(history)
    assert stop - start == int(10 * RATE)
    inside = find_pluck(history.read(start, stop), RATE)
    whole = find_pluck(samples, RATE)
    assert inside[0] + start == whole[0]
    # the floor is that of other stretches, so the end in the noise may differ somewhat
    assert inside[1] + start == pytest.approx(whole[1], abs=RATE)


def test_a_short_record_is_taken_whole():
    assert pluck_window(history_of(record(), RATE, ("A1", "A2"))) == (0, len(record()))
