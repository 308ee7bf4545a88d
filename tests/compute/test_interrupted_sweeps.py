"""A sweep that was stopped and resumed is one run in pieces; where rows are missing nothing is known.

Runs are integrated in the time domain by tests/simulator, which shares no formula with the product.
"""

from __future__ import annotations

import time
from dataclasses import replace
from datetime import date
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from reportgen.compute.run import compute_run
from reportgen.compute.sweep.pieces import pieces_of, rows_of, without_returns
from reportgen.compute.sweep.several_sweeps import split_sweeps
from reportgen.compute.sweep.sweep_facts import sweep_facts
from reportgen.judge.checks import CHECKS
from reportgen.judge.verdicts import judge
from reportgen.read.job.job_file import read_job
from reportgen.read.log import read_log
from reportgen.records.holes import holes
from reportgen.records.job import (
    Breakpoint,
    Channel,
    ChannelRole,
    Job,
    Party,
    Profile,
    ReportIdentity,
    Requirement,
    RunKind,
    RunPlan,
    Specimen,
)
from reportgen.records.log import SweepLog, Trace
from reportgen.records.result import IssueKind
from reportgen.records.stretch import stretches
from reportgen.records.verdict import Outcome
from reportgen.render.catalogue import told
from reportgen.units import parse_quantity
from tests.simulator.course import G, Table, sweep
from tests.simulator.recorder import Laboratory, Noise
from tests.simulator.structure import Sensor, Structure, TrueMode

TRUE = (TrueMode(40.0, 25.0), TrueMode(90.0, 40.0), TrueMode(400.0, 20.0))
BLOCK = Structure(TRUE, (Sensor("A1", (1.2, -0.5, 0.4)), Sensor("A2", (0.7, 0.9, 0.2))))
LABORATORY = Laboratory(row_s=0.1, control_noise=Noise(1e-4 * G, 0.001), default_noise=Noise(2e-4 * G, 0.005), seed=11)
LEVEL = Table(lambda f: np.full_like(f, 0.5 * G))
RATE = 4.0


@cache
def swept(from_hz: float, to_hz: float) -> SweepLog:
    made = LABORATORY.record(BLOCK, sweep(from_hz, to_hz, RATE), LEVEL)
    control = Trace(channel="C1", dimension="acceleration", amplitude=np.abs(made.control["C1"]))
    responses = tuple(
        Trace(channel=name, dimension="acceleration", amplitude=np.abs(y), phase_deg=made.relative_phase_deg(name))
        for name, y in made.response.items()
    )
    return SweepLog(
        path="x.csv", frequency_hz=np.round(made.frequency_hz, 4), traces=(control, *responses),
        time_s=np.round(made.time_s, 3),
    )  # fmt: skip


def after(first: SweepLog, second: SweepLog, pause_s: float) -> SweepLog:
    """Both logs in one, the clock going on."""
    later = second.time_s + first.time_s[-1] + pause_s
    traces = tuple(
        replace(
            a,
            amplitude=np.concatenate([a.amplitude, b.amplitude]),
            phase_deg=None if a.phase_deg is None else np.concatenate([a.phase_deg, b.phase_deg]),
        )
        for a, b in zip(first.traces, second.traces, strict=True)
    )
    return replace(
        first, frequency_hz=np.concatenate([first.frequency_hz, second.frequency_hz]), traces=traces,
        time_s=np.concatenate([first.time_s, later]),
    )  # fmt: skip


def resumed_log(pause_s: float = 30.0) -> SweepLog:
    return after(swept(20.0, 75.0), swept(65.0, 160.0), pause_s)


PROFILE = Profile(
    id="P",
    breakpoints=(
        Breakpoint(frequency_hz=20.0, amplitude=0.5 * G, dimension="acceleration", text=("20 Hz", "0.5 g")),
        Breakpoint(frequency_hz=160.0, amplitude=0.5 * G, dimension="acceleration", text=("160 Hz", "0.5 g")),
    ),
)


def requirement(check: str, limit: str | None = None, dimension: str = "ratio", **more) -> Requirement:
    value = None if limit is None else parse_quantity(limit, dimension)
    return Requirement(id=check, clause="1", text="t", check=check, run="R", limit=value, **more)


def job(*requirements: Requirement) -> Job:
    run = RunPlan(id="R", kind=RunKind.SURVEY, log=Path("x.csv"), axis="X", control=("C1",), profile="P")
    channels = tuple(
        Channel(id=name, role=role)
        for name, role in (("C1", ChannelRole.CONTROL), ("A1", ChannelRole.RESPONSE), ("A2", ChannelRole.RESPONSE))
    )
    return Job(
        folder=Path(), file=Path("job.toml"), laboratory=Party(name="L"), customer=Party(name="C"),
        specimen=Specimen(name="S"), report=ReportIdentity(number="1", title="t", date=date(2026, 1, 1)), runs=(run,),
        profiles=(PROFILE,), channels=channels, requirements=requirements,
    )  # fmt: skip


def computed(log: SweepLog):
    made = job()
    return compute_run(made, made.runs[0], log, lambda _: None)


def kinds(result) -> list[IssueKind]:
    return [issue.kind for issue in result.quality]


@cache
def whole():
    return computed(swept(20.0, 160.0))


@cache
def with_hole():
    log = swept(20.0, 160.0)
    return computed(rows_of(log, np.flatnonzero((log.frequency_hz < 55.0) | (log.frequency_hz > 120.0))))


@pytest.mark.parametrize("pause_s", [0.1, 30.0])
def test_a_stop_and_resumption_is_no_loose_sensor(pause_s):
    """It was called a loose sensor for good, all readings dropped, and no resonance was left."""
    result = computed(resumed_log(pause_s))
    assert kinds(result) == [IssueKind.RESUMED]
    assert result.quality[0].band_hz == pytest.approx((65.0, 75.0), rel=0.01)
    for channel in result.channels:
        assert [each.frequency_hz for each in channel.resonances] == pytest.approx([40.0, 90.0], rel=1e-3)
        assert [each.q for each in channel.resonances] == pytest.approx([25.0, 40.0], rel=0.02)


def test_the_facts_of_a_resumed_sweep_are_of_the_union():
    one, both = sweep_facts(swept(20.0, 160.0)), sweep_facts(resumed_log(30.0))
    twice_s = 60.0 * np.log2(75.0 / 65.0) / RATE
    assert (both.direction, both.lowest_hz, both.last_hz) == ("up", 20.0, pytest.approx(160.0, rel=0.01))
    assert both.rate == pytest.approx(RATE, rel=1e-3)
    assert both.duration_s == pytest.approx(one.duration_s + twice_s, abs=0.3)
    assert both.cycles == pytest.approx(one.cycles + 70.0 * twice_s, rel=0.01)
    assert len(both.pieces) == 2
    assert both.sweep_cycles == pytest.approx(0.5, rel=0.01)
    assert both.holes == ()


def test_a_resumption_from_far_back_is_one_run():
    """The way back is over a quarter of the range: it was split, and one part dropped."""
    f = np.concatenate([np.geomspace(10.0, 420.0, 500), np.geomspace(60.0, 2000.0, 500)])
    assert [(each.start, each.stop) for each in stretches(f)] == [(0, 1000)]
    log = SweepLog(path="x", frequency_hz=f, traces=())
    assert len(split_sweeps(log)) == 1
    assert [piece.start for piece in pieces_of(log)] == [0, 500]


def test_two_sweeps_of_one_range_stay_two():
    f = np.concatenate([np.geomspace(10.0, 2000.0, 500), np.geomspace(10.0, 2000.0, 500)])
    assert len(stretches(f)) == 2


def test_rows_of_the_way_back_are_left_out_and_counted():
    f = np.concatenate([np.geomspace(10.0, 420.0, 500), [400.0, 350.0, 300.0], np.geomspace(250.0, 2000.0, 500)])
    log, returned = without_returns(SweepLog(path="x", frequency_hz=f, traces=()))
    assert returned == 3
    assert [(piece.first_hz, piece.last_hz) for piece in pieces_of(log)] == [
        pytest.approx((10.0, 420.0)), pytest.approx((250.0, 2000.0)),
    ]  # fmt: skip


def test_a_resumption_at_another_level_is_a_step_of_the_level():
    log = resumed_log()
    begun = len(swept(20.0, 75.0).frequency_hz)
    level = np.where(np.arange(len(log.frequency_hz)) < begun, 5.0, 2.5)
    ((frequency, step),) = sweep_facts(log, None, level).level_steps
    assert (frequency, step) == (pytest.approx(65.0), pytest.approx(-6.02, abs=0.01))


@pytest.mark.parametrize(
    "frequency_hz",
    [
        np.geomspace(10.0, 2000.0, 300),
        np.arange(1.0, 1001.0),  # lines of a spectrum: an octave from the first to the second
        np.repeat(np.geomspace(10.0, 2000.0, 60), 5),  # stepped, five rows a step
        np.round(np.geomspace(10.0, 500.0, 2000), 0),  # printed in whole hertz
        np.concatenate([np.arange(20.0, 50.0, 1.0), np.arange(50.0, 60.0, 0.1), np.arange(60.0, 90.0, 1.0)]),
        np.concatenate([np.geomspace(10.0, 300.0, 400), np.geomspace(300.0, 10.0, 400)]),  # up and down
    ],
)
def test_no_spacing_of_rows_is_a_hole(frequency_hz):
    assert holes(frequency_hz) == ()
    assert len(pieces_of(SweepLog(path="x", frequency_hz=frequency_hz, traces=()))) == 1


def test_missing_rows_are_a_hole_and_no_fault_of_sensors():
    """Three sensors came loose, and the rate was 3.9 oct/min."""
    result = with_hole()
    assert kinds(result) == [IssueKind.HOLE]
    assert result.quality[0].band_hz == pytest.approx((55.0, 120.0), rel=0.02)
    assert result.sweep.rate == pytest.approx(RATE, rel=1e-3)
    assert result.sweep.duration_s == pytest.approx(whole().sweep.duration_s, abs=0.1)
    assert result.sweep.cycles == pytest.approx(whole().sweep.cycles, rel=1e-3)


def test_no_mode_is_listed_where_no_row_is():
    for channel in with_hole().channels:
        assert [each.frequency_hz for each in channel.resonances] == [pytest.approx(40.0, rel=2e-3)]


CLAUSES = (
    requirement("lowest natural frequency", "30 Hz", "frequency"),
    requirement("amplification", "60"),
    requirement("amplification", "60", band_hz=(25.0, 50.0)),
    requirement("frequency range"),
    requirement("control tolerance", "10 %"),
)


def verdicts(result):
    made = job(*CLAUSES)
    return [each.outcome for each in judge(made, (result,), (), ())]


def test_a_clause_whose_band_covers_a_hole_is_not_evaluated():
    passed, lacking = Outcome.PASS, Outcome.NOT_EVALUATED
    assert verdicts(whole()) == [passed] * 5
    assert verdicts(with_hole()) == [passed, lacking, passed, lacking, lacking]


def test_a_hole_below_the_limit_hides_the_lowest_frequency():
    made = job(requirement("lowest natural frequency", "110 Hz", "frequency", band_hz=(50.0, 200.0)))
    (verdict,) = judge(made, (with_hole(),), (), ())
    assert verdict.outcome is Outcome.NOT_EVALUATED
    assert "no row between" in told(verdict.reason)


def test_a_failure_beside_a_hole_stays_one():
    made = job(requirement("amplification", "5"))
    (verdict,) = judge(made, (with_hole(),), (), ())
    assert verdict.outcome is Outcome.FAIL


def test_a_hole_in_a_log_through_a_filter_makes_no_mode_and_no_peak_beside_it():
    """The examples' boom without its rows from 45 to 250 Hz: 70 s, two modes for one, twenty peaks left over."""
    folder = Path(__file__).parents[2] / "example_logs" / "sensor_boom"
    made, _ = read_job(folder / "job.toml", CHECKS)
    assert made is not None
    run = next(each for each in made.runs if each.log.name == "x_sweep.csv")
    log, _ = read_log(made, run)
    assert isinstance(log, SweepLog)
    holed = rows_of(log, np.flatnonzero((log.frequency_hz < 45.0) | (log.frequency_hz > 250.0)))
    begin = time.process_time()
    result = compute_run(made, run, holed, lambda _: None)
    seconds = time.process_time() - begin
    for channel in result.channels:
        assert channel.unexplained == ()
        assert [each.frequency_hz for each in channel.resonances] == pytest.approx([10.757, 396.448, 658.357], rel=2e-4)
    assert seconds < 15.0
