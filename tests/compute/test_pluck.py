"""The pluck in a record, against the moment at which the simulated structure was let go."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lsim, lti

from reportgen.compute.decay.decay import identify_decay
from reportgen.compute.decay.pluck import LEAST_FALL, decay_part, find_pluck, pluck_window
from reportgen.errors import ComputeError
from tests.compute.test_demodulation import history_of
from tests.simulator.ring_down import Blow, Joint, ring_down
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
    found = find_pluck(record(quiet_s, noise), RATE)
    start, end = found.start, found.end
    assert quiet_s * RATE <= start <= (quiet_s + 1 / 18.0) * RATE
    # decay of the slow mode: e^(−π f t / Q); fitted at least down to a tenth, not beyond the noise
    tenth = np.log(10.0) * 60.0 / (np.pi * 18.0)
    into_noise = np.log(15.0 / noise) * 60.0 / (np.pi * 18.0)
    assert (quiet_s + tenth) * RATE < end <= min((quiet_s + into_noise) * RATE, len(record(quiet_s, noise)))


def test_of_two_plucks_the_first_is_taken_and_ends_at_the_second():
    twice = np.concatenate([record(seconds=1.0), record(quiet_s=0.0, seconds=6.0)])
    found = find_pluck(twice, RATE)
    start, end = found.start, found.end
    assert 0.5 * RATE <= start < 0.6 * RATE
    assert 1.3 * RATE < end <= 1.5 * RATE + RATE / 18.0


def test_a_weak_knock_before_the_pluck_is_passed_over():
    knock = 0.1 * record(quiet_s=0.2, noise=0.0, seconds=1.5)
    start = find_pluck(np.concatenate([knock, record(quiet_s=0.0)]), RATE).start
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
    assert inside.start + start == whole.start
    # the floor is that of other stretches, so the end in the noise may differ somewhat
    assert inside.end + start == pytest.approx(whole.end, abs=RATE)


def test_a_short_record_is_taken_whole():
    assert pluck_window(history_of(record(), RATE, ("A1", "A2"))) == (0, len(record()))


BRACKET = Structure(
    (TrueMode(46.0, 60.0), TrueMode(131.0, 40.0), TrueMode(402.0, 30.0)), (Sensor("A1", (1.0, 0.5, 0.4)),)
)


def struck(*blows, seconds=3.0, noise=2e-3, seed=0):
    """Acceleration of the bracket under blows (time, peak), each half a sine of 3 ms, integrated in time."""
    made = ring_down(
        BRACKET, Joint(), (1.0, 0.5, 0.4), 2048.0, seconds,
        blows=tuple(Blow(at, 0.003, peak) for at, peak in blows), noise=noise, seed=seed,
    )  # fmt: skip
    return made.channels["A1"][:, None]


def frequencies_and_q(y, part):
    found = identify_decay(y[part.begin : part.end], 2048.0, ["A1"]).channels[0].resonances
    return [each.frequency_hz for each in found], [each.q for each in found]


@pytest.mark.parametrize("gap_s, share", [(0.08, 0.5), (0.12, 0.4), (0.15, 0.8)])
def test_a_hammer_that_bounces_is_waited_for_and_said(gap_s, share):
    """Within the fit the second blow of a double strike once bent damping by a fifth."""
    y = struck((0.2, 20.0), (0.2 + gap_s, share * 20.0))
    part = decay_part(y, 2048.0, ["A1"])
    assert part.begin >= (0.2 + gap_s) * 2048
    assert part.begin <= (0.2 + gap_s + 0.06) * 2048
    assert [each.code for each in part.said] == ["decay.bounced"]
    f, q = frequencies_and_q(y, part)
    assert f == pytest.approx([46.0, 131.0, 402.0], rel=1e-3)
    assert q == pytest.approx([60.0, 40.0, 30.0], rel=0.05)


@pytest.mark.parametrize("before_s", [0.0, 0.01, 0.8])
def test_one_blow_is_no_bounce_however_long_the_pre_trigger(before_s):
    part = decay_part(struck((before_s, 20.0), seed=3), 2048.0, ["A1"])
    assert part.said == ()
    assert part.begin < (before_s + 0.03) * 2048


def test_a_second_blow_of_its_own_ends_the_decay():
    y = struck((0.2, 20.0), (1.2, 18.0))
    part = decay_part(y, 2048.0, ["A1"])
    assert part.end <= 1.2 * 2048 + 45
    f, q = frequencies_and_q(y, part)
    assert f[:2] == pytest.approx([46.0, 131.0], rel=1e-3)
    assert q[:2] == pytest.approx([60.0, 40.0], rel=0.05)


def test_two_modes_that_beat_do_not_end_where_they_vanish():
    """Equal in size, 5 % apart: the envelope goes through zero every tenth of a second."""
    t = np.arange(6 * 2048) / 2048.0
    y = sum(np.exp(-0.5 * t) * np.cos(2 * np.pi * f * t) for f in (100.0, 105.0))
    y = y[:, None] + 1e-3 * np.random.default_rng(2).normal(size=(len(t), 1))
    found = find_pluck(y, 2048.0)
    start, end = found.start, found.end
    assert end - start > 5.5 * 2048


def test_a_release_by_hand_that_takes_time_is_a_decay_from_where_the_hand_is_off():
    """A hand holds 5 mm, lets go within 30 ms and leaves a step of the offset; the motion is integrated in time."""
    t = np.arange(4 * 2048) / 2048.0
    w, z = 2 * np.pi * 9.0, 0.02
    hand = np.interp(t, [0.0, 0.6, 0.63, 4.0], [1.0, 1.0, 0.0, 0.0])
    system = lti([w * w, 0.0, 0.0], [1.0, 2 * z * w, w * w])
    _, y, _ = lsim(system, hand, t, X0=None)
    y = (y - y[int(0.5 * 2048)])[:, None] + 1e-3 * w * w * np.random.default_rng(1).normal(size=(len(t), 1))
    y[: int(0.55 * 2048)] = 1e-3 * w * w * np.random.default_rng(2).normal(size=(int(0.55 * 2048), 1))
    part = decay_part(y, 2048.0, ["A1"])
    assert 0.62 * 2048 < part.begin < 0.75 * 2048
    (f,), (q,) = frequencies_and_q(y, part)
    assert f == pytest.approx(9.0, rel=2e-3)
    assert q == pytest.approx(25.0, rel=0.04)


def test_a_decay_that_the_record_ends_early_is_read_where_it_is_said_to_be_one():
    """Falls to a third only: no quiet stretch to stand out of."""
    t = np.arange(2048) / 2048.0
    y = np.exp(-1.1 * t)[:, None] * np.cos(2 * np.pi * 40.0 * t)[:, None] + 1e-3
    with pytest.raises(ComputeError):
        decay_part(y, 2048.0, ["A1"])
    part = decay_part(y, 2048.0, ["A1"], LEAST_FALL)
    assert part.end - part.begin > 1900
