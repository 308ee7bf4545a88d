"""Faults of data are found, and resonances are not taken for faults."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from reportgen.compute.comparison.run_comparison import compare_quality
from reportgen.compute.quality.quality import data_quality
from reportgen.records.job import (
    Breakpoint,
    Job,
    Notch,
    Party,
    Profile,
    ReportIdentity,
    RunKind,
    RunPlan,
    Specimen,
)  # fmt: skip
from reportgen.records.log import SweepLog, Trace
from reportgen.records.result import ChannelResult, ControlResult, Resonance, RunResult, SweepFacts
from reportgen.records.stretch import Direction
from reportgen.units import parse_quantity

RUN = RunPlan(id="X-PRE", kind=RunKind.SURVEY, log=Path("x.csv"), axis="X", control=("C1",))
RATE = 2.0
T = np.arange(0.0, 60.0 * np.log2(2000.0 / 10.0) / RATE, 0.1)
F = 10.0 * 2.0 ** (RATE * T / 60.0)


def mode(f, f0, q, share):
    """Share of one mode in the complex transmissibility of a base-driven structure (Ewins, Modal Testing)."""
    return share * (f / f0) ** 2 / (1.0 - (f / f0) ** 2 + 1j * f / f0 / q)


def structure(f, modes):
    return 1.0 + sum(mode(f, *each) for each in modes)


MODES = ((80.0, 40.0, 0.9), (310.0, 60.0, -0.5), (760.0, 30.0, 0.4))


def log(response=None, control=None, time_s=T, f=F, noise=0.003, seed=1, phase=True):
    rng = np.random.default_rng(seed)
    n = len(f)
    control = np.full(n, 5.0) if control is None else control
    h = structure(f, MODES) if response is None else response
    h = h * (1 + noise * rng.normal(size=n) + 1j * noise * rng.normal(size=n))
    angle = np.rad2deg(np.angle(h)) if phase else None
    traces = (
        Trace(channel="C1", dimension="acceleration", amplitude=control * (1 + noise * rng.normal(size=n))),
        Trace(channel="A1", dimension="acceleration", amplitude=np.abs(h) * control, phase_deg=angle),
    )
    return SweepLog(path="x.csv", frequency_hz=f, time_s=time_s, traces=traces)


def issues(made, profile=None, run=RUN):
    return data_quality(run, made, made.trace("C1").amplitude, profile, ("C1",))


def kinds(made, **more):
    return [issue.kind for issue in issues(made, **more)]


def with_amplitude(made, change):
    c1, a1 = made.traces
    amplitude = a1.amplitude.copy()
    change(amplitude)
    return replace(made, traces=(c1, replace(a1, amplitude=amplitude)))


@settings(max_examples=60, deadline=None, derandomize=True, phases=[Phase.explicit, Phase.generate])
@given(
    f0=st.floats(20, 1500), q=st.floats(5, 200), share=st.floats(-2, 2), f1=st.floats(1.02, 3.0), q1=st.floats(5, 150),
    share1=st.floats(-1, 1), noise=st.floats(1e-4, 0.02), seed=st.integers(0, 99), down=st.booleans(),
)  # fmt: skip
def test_no_structure_is_a_fault(f0, q, share, f1, q1, share1, noise, seed, down):
    """Any two modes, near or far, with any signs (so with and without antiresonances): nothing that spoils."""
    h = structure(F, ((f0, q, share), (f0 * f1, q1, share1)))
    made = log(h, noise=noise, seed=seed)
    if down:
        made = replace(
            made,
            frequency_hz=F[::-1],
            traces=tuple(replace(t, amplitude=t.amplitude[::-1], phase_deg=None) for t in made.traces),
        )
    found = issues(made)
    assert [issue for issue in found if issue.spoils] == []
    assert {issue.kind for issue in found} <= {"noise floor", "antiresonance"}


def test_a_hand_step_of_the_level_is_no_loose_sensor():
    assert kinds(log(control=np.where(F < 60.0, 5.0, 2.5))) == []


@pytest.mark.parametrize("q", [10.0, 50.0])
def test_clipping(q):
    whole = log(structure(F, ((80.0, q, 1.0),)))
    top = 0.7 * whole.traces[1].amplitude.max()
    (issue,) = issues(with_amplitude(whole, lambda a: np.minimum(a, top, out=a)))
    assert (issue.kind, issue.channel, issue.spoils) == ("clipping", "A1", True)
    assert issue.band_hz[0] < 80.0 < issue.band_hz[1]


@pytest.mark.parametrize("end", [None, 1200])
@pytest.mark.parametrize("floor", ["noise", "flat", "flat with scatter", "spike"])
def test_a_sensor_that_fell_silent_carries_no_evidence(floor, end):
    """Fault: a cable that broke amid a sweep left noise, which was "said only": a clause passed on what came before.

    A floor of any kind, a spike behind the fall and a sensor that comes back were no drop-out.
    """
    rng = np.random.default_rng(7)

    def silent(amplitude):
        rows = len(amplitude[900:end])
        noise = np.abs(rng.normal(0.0, 2e-3, rows))
        scatter = 2e-3 * (1.0 + 0.02 * rng.normal(size=rows))
        amplitude[900:end] = {"noise": noise, "flat": 2e-3, "flat with scatter": scatter, "spike": noise}[floor]
        if floor == "spike":
            amplitude[1000] = 0.15 * amplitude[899]

    drops = [each for each in issues(with_amplitude(log(), silent)) if each.kind == "drop-out"]
    assert [each.spoils for each in drops] == [True]


def test_a_response_that_its_structure_isolates_is_no_drop_out():
    """It falls over many rows, and reads noise behind."""
    rng = np.random.default_rng(7)

    def isolated(amplitude):
        amplitude[900:] *= np.maximum(1e-4, np.exp(-np.arange(len(amplitude) - 900) / 40.0))
        amplitude += np.abs(rng.normal(0.0, 2e-3, len(amplitude)))

    assert [each for each in issues(with_amplitude(log(), isolated)) if each.kind == "drop-out"] == []


def test_a_drive_turned_down_by_a_hundred_is_no_drop_out():
    assert "drop-out" not in kinds(log(control=np.where(F < 60.0, 5.0, 0.05)))


def test_drop_outs_weigh_by_their_share():
    def few(a):
        a[[400, 401, 900]] = 0.01 * a[[400, 401, 900]]

    (issue,) = issues(with_amplitude(log(), few))
    assert (issue.kind, issue.spoils) == ("drop-out", False)
    assert (issue.message.value("lost"), issue.message.value("rows")) == (3, len(F))

    def many(a):
        a[300:500] = np.nan

    (issue,) = [each for each in issues(with_amplitude(log(), many)) if each.kind == "drop-out"]
    assert issue.spoils


@pytest.mark.parametrize("value", [0.0, np.nan, 0.37])
def test_a_dead_channel(value):
    def dead(a):
        a[:] = value

    (issue,) = issues(with_amplitude(log(), dead))
    assert (issue.kind, issue.channel, issue.spoils) == ("dead channel", "A1", True)


def test_a_channel_that_shows_only_its_floor_is_dead():
    rng = np.random.default_rng(5)

    def floor(a):
        a[:] = np.abs(rng.normal(0.0, 0.01, len(a)))

    assert kinds(with_amplitude(log(), floor)) == ["dead channel"]


def test_a_sensor_that_comes_loose_steps_in_level():
    def loose(a):
        a[F > 150.0] *= 0.3

    (issue,) = [each for each in issues(with_amplitude(log(), loose)) if each.spoils]
    assert (issue.kind, issue.channel) == ("loose sensor", "A1")
    assert issue.message.code == "quality.steps"
    assert issue.message.value("step_db") == pytest.approx(20 * np.log10(0.3), abs=0.5)
    assert issue.message.value("frequency_hz") == pytest.approx(150.0, rel=0.01)


def test_a_sensor_that_comes_loose_rattles():
    rng = np.random.default_rng(6)

    def loose(a):
        late = F > 400.0
        a[late] *= np.abs(1.0 + 0.5 * rng.normal(size=late.sum()))

    found = [each for each in issues(with_amplitude(log(), loose)) if each.spoils]
    assert [issue.kind for issue in found] == ["loose sensor"]


def test_a_phase_jump():
    made = log()
    c1, a1 = made.traces
    phase = np.where(F > 150.0, a1.phase_deg + 180.0, a1.phase_deg)
    (issue,) = issues(replace(made, traces=(c1, replace(a1, phase_deg=phase))))
    assert issue.kind == "phase jump"
    assert issue.band_hz[0] == pytest.approx(150.0, rel=0.02)


def test_control_through_an_antiresonance():
    control = 5.0 * (1.0 - 0.8 / (1.0 + ((F - 200.0) / 3.0) ** 2))
    (issue,) = issues(log(control=control))
    assert issue.kind == "antiresonance"
    assert issue.band_hz[0] < 200.0 < issue.band_hz[1]
    notch = Notch(channel="A1", band_hz=(180, 220), stated=parse_quantity("1000 m/s²"))
    made = Profile(id="P", breakpoints=(bp(10, 5), bp(2000, 5)), notches=(notch,))
    assert kinds(log(control=control), profile=made) == []


def bp(f, a):
    return Breakpoint(frequency_hz=f, amplitude=a, dimension="acceleration", text=(f"{f}", f"{a}"))


def test_a_mains_line():
    f = np.arange(20.0, 400.0, 0.1)
    h = structure(f, MODES) + 3.0 * np.exp(-(((f - 50.0) / 0.15) ** 2))
    found = issues(log(h, f=f, time_s=None))
    assert [issue.kind for issue in found] == ["mains"]
    assert found[0].message.value("frequency_hz") == 50.0
    # A resonance at the mains frequency is one: Q = 60 at 100 Hz is 1.7 Hz wide.
    assert kinds(log(structure(f, ((100.0, 60.0, 0.8),)), f=f, time_s=None)) == []


def test_a_clock_that_runs_backwards():
    t = T.copy()
    t[500:] -= 30.0
    (issue,) = issues(log(time_s=t))
    assert issue.kind == "clock"
    assert issue.message.value("times") == 1


def test_a_run_shorter_than_its_profile():
    made = Profile(id="P", breakpoints=(bp(10, 5), bp(3000, 5)))
    (issue,) = issues(log(), profile=made)
    assert issue.kind == "short run"
    assert [band.value("high_hz") for band in issue.message.value("bands")] == [3000.0]


def test_noise_floor():
    rng = np.random.default_rng(7)
    h = structure(F, ((80.0, 40.0, 1.0),)) + 0.02 * (rng.normal(size=len(F)) + 1j * rng.normal(size=len(F)))
    assert "noise floor" in kinds(log(h))


# --- between runs ---------------------------------------------------------------------------------------------------


def run_result(name, gain=1.0, level=5.0, rate=2.0, direction=Direction.UP, noise=0.003, shift=1.0, other=None):
    rng = np.random.default_rng(len(name))
    moved = tuple((f0 * shift, q, share) for f0, q, share in MODES)
    resonances = tuple(
        Resonance(frequency_hz=f0, frequency_std_hz=0.1, q=q, q_std=1.0, damping_ratio=0.5 / q) for f0, q, _ in moved
    )
    channels = tuple(
        ChannelResult(
            id=c, frequency_hz=F, magnitude=g * np.abs(structure(F, moved)) * (1 + s * rng.normal(size=len(F))),
            phase_deg=None, resonances=resonances,
        )
        for c, g, s in (("A1", gain, noise), ("A2", 1.0, 0.003))
    )  # fmt: skip
    control = ControlResult(frequency_hz=F, level=np.full(len(F), level), required=None, lower=None, upper=None)
    facts = SweepFacts(direction=direction, first_hz=10, last_hz=2000, lowest_hz=10, highest_hz=2000, rows=len(F),
                       rate=rate, rate_unit="oct/min")  # fmt: skip
    return RunResult(id=name, kind="survey", axis="X", sweep=facts, control=control, channels=channels)


JOB = Job(
    folder=Path(), file=Path("job.toml"), laboratory=Party(name="L"), customer=Party(name="C"),
    specimen=Specimen(name="S"), report=ReportIdentity(number="1", title="t", date=None),
    runs=tuple(RunPlan(id=i, kind=RunKind.SURVEY, log=Path("x"), axis="X") for i in ("X-PRE", "X-POST")),
)  # fmt: skip


def compared(**after):
    return [
        (issue.kind, issue.channel, issue.spoils)
        for issue in compare_quality(JOB, (run_result("X-PRE"), run_result("X-POST", **after)))[1].quality
    ]


def test_runs_alike_have_nothing_to_say():
    assert compared() == []
    assert compared(shift=0.9) == []  # a structure that lost stiffness is no loose sensor


@pytest.mark.parametrize(
    "after, expected",
    [
        ({"gain": 0.6}, ("gain differs", "A1", True)),
        ({"noise": 0.4}, ("noise differs", "A1", True)),
        ({"level": 2.5}, ("level differs", None, False)),
        ({"rate": 4.0}, ("rate differs", None, False)),
        ({"direction": "down"}, ("rate differs", None, False)),
    ],
)
def test_what_differs_between_runs(after, expected):
    assert compared(**after) == [expected]
