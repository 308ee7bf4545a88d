"""Sensors, units and columns are accused on evidence, and on the run that is wrong.

Curves are the textbook transmissibility of a base-driven structure (Ewins, Modal Testing); factors between units are
those of ISO 80000 (g = 9.80665 m/s², 1 in = 25.4 mm) and of a sine (peak = √2 rms).
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from reportgen.compute.comparison.run_comparison import compare_quality
from reportgen.compute.quality.loose_sensor import is_steady
from reportgen.compute.quality.quality import data_quality
from reportgen.compute.quality.wrong_unit import wrong_units
from reportgen.compute.run import compute_run
from reportgen.compute.seen import decibels
from reportgen.records.job import (
    Breakpoint,
    Channel,
    ChannelRole,
    Profile,
    RunKind,
    RunPlan,
)
from reportgen.records.log import SweepLog, Trace
from reportgen.records.message import message
from reportgen.records.result import ChannelResult, ControlResult, IssueKind, Resonance, RunResult
from tests.compute.test_quality import JOB, MODES, F, T, structure
from tests.shared import SHARED

G = 9.80665
RUN = RunPlan(id="X-PRE", kind=RunKind.SURVEY, log=Path("x.csv"), axis="X", control=("C1",))
OTHER = ((80.0, 40.0, -0.4), (310.0, 60.0, 0.7), (760.0, 30.0, 0.3))
RNG_SEED = 5


def noisy(h, noise=0.003, seed=RNG_SEED):
    rng = np.random.default_rng(seed)
    return h * (1 + noise * rng.normal(size=len(h)) + 1j * noise * rng.normal(size=len(h)))


def trace(name, h, control=5.0, phase=True):
    angle = np.rad2deg(np.angle(h)) if phase else None
    return Trace(channel=name, dimension="acceleration", amplitude=np.abs(h) * control, phase_deg=angle)


def log(responses, control=5.0, time_s=T, f=F, phase=True):
    level = np.broadcast_to(control, f.shape).astype(float)
    rng = np.random.default_rng(1)
    c1 = Trace(channel="C1", dimension="acceleration", amplitude=level * (1 + 0.002 * rng.normal(size=len(f))))
    traces = [trace(name, h, level, phase) for name, h in responses.items()]
    return SweepLog(path="x.csv", frequency_hz=f, time_s=time_s, traces=(c1, *traces))


def issues(made, control=("C1",), profile=None):
    level = made.trace("C1").amplitude
    return [i for i in data_quality(RUN, made, level, profile, control) if i.kind is not IssueKind.NOISE_FLOOR]


def kinds(made, **more):
    return [(issue.kind, issue.channel) for issue in issues(made, **more)]


A1, A2 = noisy(structure(F, MODES)), noisy(structure(F, OTHER), seed=6)
STEP = np.where(F > 150.0, 0.3, 1.0)


# --- loose sensors --------------------------------------------------------------------------------------------------


def test_a_sensor_that_steps_alone_is_loose():
    assert kinds(log({"A1": A1 * STEP, "A2": A2})) == [(IssueKind.LOOSE_SENSOR, "A1")]


def test_nothing_is_loose_in_a_log_without_time():
    assert kinds(log({"A1": A1 * STEP, "A2": A2}, time_s=None)) == []


def test_nothing_is_loose_where_each_row_is_a_state_of_its_own():
    f = np.arange(20.0, 220.0, 1.0)
    h = noisy(structure(f, MODES)) * np.where(f > 150.0, 0.3, 1.0)
    slow = log({"A1": h}, time_s=3.0 * np.arange(len(f)), f=f)
    assert is_steady(slow)
    assert not is_steady(log({"A1": A1}))
    assert kinds(slow) == []


def test_a_step_that_all_channels_take_is_the_structures():
    """A mode that stiffens with level falls from its upper branch: on every channel, in the same row."""
    found = kinds(log({"A1": A1 * STEP, "A2": A2 * np.where(F > 150.0, 0.6, 1.0)}))
    assert {kind for kind, _ in found} == {IssueKind.JUMP}


def duffing(f, jump_hz, f0=120.0, q=25.0):
    """|response/control| of one hardening mode, swept up: the peak follows the backbone until the jump, then falls.

    The upper branch is that of a linear mode whose frequency goes along with the drive (Nayfeh and Mook 1979, ch. 4).
    """
    own = np.where(f < jump_hz, np.maximum(f0, f * (1 - 0.2 / q)), f0)
    return structure_of(f, own, q)


def structure_of(f, f0, q):
    return 1.0 + (f / f0) ** 2 / (1.0 - (f / f0) ** 2 + 1j * f / f0 / q)


@pytest.mark.parametrize("phase", [True, False])
def test_the_jump_of_a_hardening_mode_is_no_loose_sensor(phase):
    """One channel only: the phase turns with the jump; without phase the fall from a crest is not taken for a fault."""
    made = log({"A1": noisy(duffing(F, 140.0), 0.001)}, phase=phase)
    assert decibels(np.abs(duffing(F, 140.0))).max() > 20.0
    found = issues(made)
    assert [issue for issue in found if issue.spoils] == []
    assert {issue.kind for issue in found} <= {IssueKind.JUMP}


def test_a_pole_with_its_zero_is_no_loose_sensor():
    """A small mode of high Q beside its zero, of which two rows show anything."""
    pair = (1.0 - (F / 150.05) ** 2 + 1j * F / 150.05 / 3000) / (1.0 - (F / 149.95) ** 2 + 1j * F / 149.95 / 3000)
    assert [i for i in issues(log({"A1": A1 * pair})) if i.spoils] == []


def test_noise_that_grows_along_the_sweep_is_no_loose_sensor():
    rng = np.random.default_rng(8)
    grown = A1 * np.abs(1.0 + 0.5 * (F / 2000.0) ** 2 * rng.normal(size=len(F)))
    assert [i for i in issues(log({"A1": grown, "A2": A2})) if i.spoils] == []


def rattles(h, seed):
    rng = np.random.default_rng(seed)
    late = F > 400.0
    return np.where(late, h * np.abs(1.0 + 0.5 * rng.normal(size=len(F))), h)


def test_noise_that_begins_on_all_channels_is_no_loose_sensor():
    assert [i for i in issues(log({"A1": rattles(A1, 1), "A2": rattles(A2, 2)})) if i.spoils] == []
    assert kinds(log({"A1": rattles(A1, 1), "A2": A2})) == [(IssueKind.LOOSE_SENSOR, "A1")]


def test_the_third_point_of_the_measured_beam_keeps_its_sensor():
    """A measured free-free beam (MIT licence): a small pole-and-zero pair near 901 Hz had its sensor dropped."""
    file = SHARED / "real/free_beam/meas_point_3.txt"
    if not file.is_file():
        pytest.skip("the measured beam is not on this machine")
    h = np.loadtxt(file, dtype=complex)[1:]
    f = np.arange(1.0, 1001.0)
    for time_s in (None, np.arange(1000) * 0.5):
        assert [i for i in issues(log({"A1": h}, time_s=time_s, f=f)) if i.spoils] == []


# --- units ----------------------------------------------------------------------------------------------------------


def result(name, responses, level=5.0, required=None, found=MODES):
    resonances = tuple(
        Resonance(frequency_hz=f0, frequency_std_hz=0.1, q=q, q_std=1.0, damping_ratio=0.5 / q) for f0, q, _ in found
    )
    channels = tuple(
        ChannelResult(id=c, frequency_hz=F, magnitude=np.abs(h), phase_deg=None, resonances=resonances)
        for c, h in responses.items()
    )
    deviation = None if required is None else np.full(len(F), 20.0 * np.log10(level / required))
    control = ControlResult(
        frequency_hz=F, level=np.full(len(F), level), required=None, lower=None, upper=None, deviation_db=deviation,
        channels=("C1",),
    )  # fmt: skip
    made = RunResult(id=name, kind="survey", axis="X", sweep=None, control=control, channels=channels)
    return replace(made, quality=wrong_units(JOB, made))


def told(run):
    return [(issue.kind, issue.channel) for issue in run.quality]


FACTORS = (G, 1.0 / G, 1000.0, 1e-3, 25.4, np.sqrt(2.0), 1.0 / np.sqrt(2.0), 2.0, 0.5, 2.0 * np.sqrt(2.0))


@pytest.mark.parametrize("factor", FACTORS)
def test_a_unit_taken_for_another_is_named_within_a_run(factor):
    run = result("X-PRE", {"A1": A1 * factor, "A2": A2})
    assert told(run) == [(IssueKind.WRONG_UNIT, "A1")]
    assert run.quality[0].spoils


@pytest.mark.parametrize("factor", [0.05, 0.2, 0.8, 0.93, 1.0, 1.05, 1.2, 1.7, 3.5])
def test_no_other_ratio_is_a_unit(factor):
    assert told(result("X-PRE", {"A1": A1 * factor, "A2": A2})) == []


def test_a_control_in_another_unit_is_named_and_not_its_sensors():
    run = result("X-PRE", {"A1": A1 / G, "A2": A2 / G})
    assert told(run) == [(IssueKind.WRONG_UNIT, "C1")]
    alone = result("X-PRE", {"A1": A1 / G}, level=5.0 * G, required=5.0)
    assert told(alone) == [(IssueKind.WRONG_UNIT, "C1")]
    assert told(result("X-PRE", {"A1": A1 / G}, level=5.0, required=5.0)) == [(IssueKind.WRONG_UNIT, "A1")]


def test_a_sensor_across_the_axis_is_not_held_against_the_control():
    across = replace(JOB, channels=(Channel(id="A1", role=ChannelRole.RESPONSE, direction="+Y"),))
    assert wrong_units(across, result("X-PRE", {"A1": A1 / G, "A2": A2})) == ()


def test_a_sensor_along_the_axis_is_held_against_the_control_for_each_of_several_specimens():
    """Fault: "X · 0012", the axis of a run of one specimen of several, was taken for another than the channel's."""
    along = Channel(id="A1", role=ChannelRole.RESPONSE, direction="+X")
    plan = RunPlan(id="X-PRE", kind=RunKind.SURVEY, log=Path("x.csv"), axis="X · 0012", plain_axis="X")
    run = replace(result("X-PRE", {"A1": A1 / G, "A2": A2}), axis="X · 0012", quality=())
    (issue,) = wrong_units(replace(JOB, channels=(along,), runs=(plan,)), run)
    assert (issue.kind, issue.channel) == (IssueKind.WRONG_UNIT, "A1")


def compared(before, after):
    first, second = compare_quality(JOB, (before, after))
    return told(first), told(second)


BEFORE = {"A1": A1, "A2": A2}


@pytest.mark.parametrize("factor", [G, 1.0 / G, 1e-3, np.sqrt(2.0), 0.5])
def test_the_run_that_is_wrong_is_named_and_not_the_good_one(factor):
    """The good run was blamed ("came loose"), and an amplification of 515 reported."""
    wrong = {"A1": A1 * factor, "A2": A2}
    assert compared(result("X-PRE", wrong), result("X-POST", BEFORE)) == ([(IssueKind.WRONG_UNIT, "A1")], [])
    assert compared(result("X-PRE", BEFORE), result("X-POST", wrong)) == ([], [(IssueKind.WRONG_UNIT, "A1")])


def above(run, from_hz):
    """The run without its rows below a frequency: no rigid range is left."""
    rows = from_hz <= F
    channels = tuple(replace(each, frequency_hz=F[rows], magnitude=each.magnitude[rows]) for each in run.channels)
    return replace(run, channels=channels, quality=())


def test_where_no_rigid_range_was_swept_both_runs_are_in_doubt():
    first, second = result("X-PRE", BEFORE), result("X-POST", {"A1": A1 * np.sqrt(2.0), "A2": A2})
    found = compared(above(first, 60.0), above(second, 60.0))
    assert found == ([(IssueKind.WRONG_UNIT, "A1")], [(IssueKind.WRONG_UNIT, "A1")])


def test_the_wrong_run_is_named_where_the_sweep_begins_close_below_the_first_mode():
    """Both runs were put in doubt: at the tip of an arm nothing was read at rest from 0.45 of the first mode on."""
    modes = tuple((f0, q, 1.57 if f0 == min(each[0] for each in MODES) else share) for f0, q, share in MODES)
    tip = structure(F, modes)
    runs = [
        result(name, {"A1": noisy(tip, 0.02, seed) * factor, "A2": noisy(structure(F, OTHER), 0.02, seed + 9)})
        for name, factor, seed in (("X-PRE", 1.0, 1), ("X-POST", G, 2))
    ]
    first, second = (above(each, 0.45 * modes[0][0]) for each in runs)
    assert compared(first, second) == ([], [(IssueKind.WRONG_UNIT, "A1")])


def test_a_gain_that_is_no_unit_is_said_as_one():
    found = compared(result("X-PRE", BEFORE), result("X-POST", {"A1": 0.6 * A1, "A2": A2}))
    assert found == ([], [(IssueKind.GAIN_DIFFERS, "A1")])


def test_a_channel_in_thousandths_is_not_dead():
    assert kinds(log({"A1": A1 / 1000.0, "A2": A2})) == []


# --- columns --------------------------------------------------------------------------------------------------------


def bp(f):
    return Breakpoint(frequency_hz=f, amplitude=5.0, dimension="acceleration", text=(f"{f} Hz", "5 m/s²"))


PROFILE = Profile(id="P", breakpoints=(bp(10.0), bp(2000.0)))


@pytest.mark.parametrize("profile", [None, PROFILE])
def test_control_and_response_that_changed_places(profile):
    made = log({"A1": A1, "A2": A2})
    c1, a1, a2 = made.traces
    swapped = replace(made, traces=(replace(a1, channel="C1"), replace(c1, channel="A1"), a2))
    found = [issue for issue in issues(swapped, profile=profile) if issue.kind is IssueKind.SWAPPED]
    assert [(issue.channel, issue.spoils) for issue in found] == [("C1", True)]
    assert found[0].message.value("response") == "A1"
    assert kinds(made, profile=profile) == []


def two_controls(second):
    made = log({"A1": A1, "A2": A2})
    return replace(made, traces=(*made.traces, trace("C2", second)))


def test_one_of_two_controls_that_is_a_response():
    swapped = log({"A1": noisy(np.ones(len(F))), "A2": A2})
    swapped = replace(swapped, traces=(*swapped.traces, trace("C2", A1)))
    assert kinds(swapped, control=("C1", "C2")) == [(IssueKind.SWAPPED, "C2")]


def test_controls_that_disagree_fifty_fold_carry_no_verdict():
    (issue,) = issues(two_controls(A2 * 1.3), control=("C1", "C2"))
    assert (issue.kind, issue.spoils) == (IssueKind.CONTROLS_DISAGREE, True)
    assert issues(two_controls(noisy(1.1 + 0.3 * (F / 2000.0) ** 2)), control=("C1", "C2")) == []


def test_no_resonance_is_sought_against_controls_that_disagree_fifty_fold():
    """A fit to response over the mean of a control and a response took more than a quarter of an hour."""
    both = replace(RUN, control=("C1", "C2"))
    done = compute_run(replace(JOB, runs=(both,)), both, two_controls(A2 * 1.3), lambda _: None)
    assert done.method == message("run.control-in-doubt", channels=("C2",))
    assert [channel.resonances for channel in done.channels] == [(), ()]


def test_a_control_in_another_unit_than_the_other():
    (issue,) = issues(two_controls(noisy(np.full(len(F), 1.0 / G))), control=("C1", "C2"))
    assert (issue.kind, issue.spoils) == (IssueKind.WRONG_UNIT, True)


def test_two_responses_that_changed_places_between_runs():
    found = compared(result("X-PRE", BEFORE), result("X-POST", {"A1": A2, "A2": A1}))
    both = [(IssueKind.SWAPPED, "A1"), (IssueKind.SWAPPED, "A2")]
    assert found == (both, both)


def test_a_structure_that_lost_stiffness_has_no_columns_swapped():
    weaker = {
        name: noisy(structure(F, tuple((0.9 * f0, q, share) for f0, q, share in modes)), seed=9)
        for name, modes in (("A1", MODES), ("A2", OTHER))
    }
    assert compared(result("X-PRE", BEFORE), result("X-POST", weaker)) == ([], [])
