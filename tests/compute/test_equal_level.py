"""Frequencies of two runs are compared at one level of the mode: a shift with level is no damage, at equal level it is.

The logs are integrated in time from the equation of motion of a softening joint (tests/simulator/nonlinear.py).
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from reportgen.compute.comparison.shift import compare_runs, run_shifts
from reportgen.compute.run import compute_run
from reportgen.judge.verdicts import judge
from reportgen.records.job import (
    Channel,
    ChannelRole,
    Job,
    Party,
    ReportIdentity,
    Requirement,
    RunKind,
    RunPlan,
    Specimen,
)
from reportgen.records.log import SweepLog, Trace
from reportgen.records.report import LevelBasis, Report
from reportgen.records.result import (
    Backbone,
    BackboneLaw,
    ChannelResult,
    ControlResult,
    Observed,
    Resonance,
    RunResult,
    SweepFacts,
)
from reportgen.records.verdict import Outcome
from reportgen.render.catalogue import catalogue, told
from reportgen.render.results import results
from reportgen.resources import data_dir
from reportgen.units import parse_quantity
from tests.simulator.course import G, sweep
from tests.simulator.nonlinear import Cubic, Moving, relative_acceleration

HZ, Q = 60.0, 30.0
DRIFT = -0.03
"""Of the frequency at 15 g of relative acceleration, the peak of a run at 0.5 g: 3/8 α x̂²/ω₀²."""
ROWS = 200


def joint(hz: float) -> Moving:
    omega = 2 * np.pi * hz
    alpha = DRIFT * 8 / 3 * omega**2 / (15.0 * G / omega**2) ** 2
    return Moving(omega, Q, lambda: Cubic(omega, alpha))


@cache
def log(hz: float, level_g: float) -> SweepLog:
    """A survey from 40 to 80 Hz at that level, 0.3 % of noise."""
    course = sweep(40.0, 80.0, 3.0)
    rows = np.linspace(0.2, course.duration_s - 0.2, ROWS)
    rng = np.random.default_rng(int(100 * level_g + hz))
    y = level_g * G + relative_acceleration(joint(hz), course, level_g * G, rows)
    y = y * (1 + 0.003 * (rng.standard_normal(ROWS) + 1j * rng.standard_normal(ROWS)))
    traces = (
        Trace(channel="C1", dimension="acceleration", amplitude=np.full(ROWS, level_g * G)),
        Trace(channel="A1", dimension="acceleration", amplitude=np.abs(y), phase_deg=np.degrees(np.angle(y))),
    )
    return SweepLog(path="x.csv", frequency_hz=course.frequency(rows), time_s=rows, traces=traces)


def plan(name: str) -> RunPlan:
    return RunPlan(id=name, kind=RunKind.SURVEY, log=Path("x.csv"), axis="X", control=("C1",))


JOB = Job(
    folder=Path(), file=Path("job.toml"), laboratory=Party(name="L"), customer=Party(name="C"),
    specimen=Specimen(name="S"), report=ReportIdentity(number="1", title="t", date=date(2026, 1, 1)),
    runs=(plan("PRE"), plan("POST")),
    channels=(Channel(id="C1", role=ChannelRole.CONTROL), Channel(id="A1", role=ChannelRole.RESPONSE)),
    requirements=(
        Requirement(id="R1", clause="1", text="t", check="frequency shift", before="PRE", after="POST",
                    limit=parse_quantity("1 %", "ratio")),
    ),
)  # fmt: skip


@cache
def run(name: str, hz: float, level_g: float) -> RunResult:
    return compute_run(JOB, plan(name), log(hz, level_g), lambda _: None)


def compared(after_hz: float, before_g: float = 0.2, after_g: float = 0.5):
    """The verdict on a shift of at most 1 %, and the row it stands on."""
    runs = (run("PRE", HZ, before_g), run("POST", after_hz, after_g))
    rows = run_shifts(JOB, runs)
    (row,) = (each for each in rows if each.frequency_shift is not None)
    (verdict,) = judge(JOB, runs, (), rows, ())
    return verdict, row


def test_a_softening_joint_at_two_levels_has_not_shifted():
    """The frequencies of the peaks differ by more than 1 %, which was called a shift; at equal level there is none."""
    verdict, row = compared(HZ)
    assert row.after_hz / row.before_hz - 1.0 < -0.01
    assert row.level_basis is LevelBasis.EQUAL_LEVEL
    assert abs(row.frequency_shift) < 0.003
    assert row.before_level < 0.5 * row.after_level
    assert row.level <= 1.1 * row.before_level
    assert verdict.outcome in (Outcome.PASS, Outcome.CONDITIONAL_PASS)


def test_a_mode_that_fell_at_equal_level_has_shifted_though_it_softens():
    verdict, row = compared(0.97 * HZ)
    assert row.frequency_shift == pytest.approx(-0.03, abs=0.003)
    assert verdict.outcome is Outcome.FAIL


def test_damage_is_not_hidden_by_a_lower_level_after():
    """Surveyed at 0.5 g before and 0.2 g after, a mode that fell by 2 % peaks where it did."""
    runs = (run("PRE", HZ, 0.5), run("POST", 0.98 * HZ, 0.2))
    (row,) = (each for each in run_shifts(JOB, runs) if each.frequency_shift is not None)
    assert abs(row.after_hz / row.before_hz - 1.0) < 0.01
    assert row.frequency_shift == pytest.approx(-0.02, abs=0.003)


def test_the_sentence_says_at_which_level_in_both_languages():
    verdict, row = compared(0.97 * HZ)
    level = f"{row.level:#.3g}"
    assert f"both at {level} g on A1" in told(verdict.reason)
    german = catalogue(data_dir("templates") / "words", "de").text(verdict.reason)
    assert f"beides bei {level.replace('.', ',')} g an A1" in german


def test_results_hold_the_level_as_a_field_of_its_own():
    runs = (run("PRE", HZ, 0.2), run("POST", HZ, 0.5))
    report = Report(
        job=JOB, software="", inputs=(), notes=(), runs=runs, modes=(), beam_fits=(), verdicts=(),
        overall=Outcome.PASS, findings=(), shifts=run_shifts(JOB, runs),
    )  # fmt: skip
    (row,) = (each for each in results(report)["shifts"] if each["frequency_shift"] is not None)
    assert row["level"] > 0
    assert (row["level_unit"], row["level_channel"]) == ("g", "A1")
    assert row["level_basis"] == str(LevelBasis.EQUAL_LEVEL)
    assert row["before_at_level_hz"] == pytest.approx(row["after_at_level_hz"], rel=0.003)


# What follows are records made by hand: which value is compared, and on what evidence.

LEVELS = (1.0, 2.0, 4.0, 8.0)


def backbone(first: float = 100.0, levels=LEVELS, slope: float = -0.005) -> Backbone:
    """Frequency falls by ``slope`` a g."""
    f = tuple(first * (1 + slope * x) for x in levels)
    n = len(levels)
    return Backbone(
        channel="A1", unit="g", levels=tuple(levels), frequency_hz=f, frequency_std_hz=(0.01,) * n,
        damping_ratio=(0.01,) * n, damping_ratio_std=(1e-4,) * n, law=BackboneLaw.POLYNOMIAL,
    )  # fmt: skip


def made(name: str, peak_g: float, hz: float, curve: Backbone | None = None) -> RunResult:
    """A run whose only mode reached that level."""
    each = Resonance(
        frequency_hz=hz, frequency_std_hz=0.01, q=50.0, q_std=0.5, damping_ratio=0.01, amplification=50.0,
        observed=Observed(amplification=50.0), backbone=curve, level=None if curve is None else curve.levels[-1],
    )  # fmt: skip
    f = np.array([50.0, 100.0, 200.0])
    channel = ChannelResult(id="A1", frequency_hz=f, magnitude=np.ones(3), phase_deg=None, resonances=(each,))
    control = ControlResult(
        frequency_hz=f, level=np.full(3, peak_g * G / 50.0), required=None, lower=None, upper=None
    )  # fmt: skip
    facts = SweepFacts(direction="up", first_hz=50.0, last_hz=200.0, lowest_hz=50.0, highest_hz=200.0, rows=3,
                       rate=1.0, rate_unit="oct/min")  # fmt: skip
    return RunResult(id=name, kind="survey", axis="X", sweep=facts, control=control, channels=(channel,))


def row_of(before: RunResult, after: RunResult, *others: RunResult):
    (row,) = compare_runs(before, after, others)
    return row


def test_one_run_with_a_backbone_is_compared_at_the_level_of_the_other():
    row = row_of(made("PRE", 2.0, 99.0), made("POST", 8.0, 96.0, backbone()))
    assert (row.level_basis, row.level) == (LevelBasis.EQUAL_LEVEL, pytest.approx(2.0))
    assert row.frequency_shift == pytest.approx(0.0, abs=1e-6)


def test_levels_that_do_not_overlap_are_not_evaluated_without_a_backbone_that_reaches():
    row = row_of(made("PRE", 0.2, 99.9), made("POST", 8.0, 96.0, backbone()))
    assert row.level_basis is LevelBasis.NOT_COMPARABLE
    assert row.frequency_shift is None
    assert "no run of the axis shows how" in told(row.flags)
    runs = (made("PRE", 0.2, 99.9), made("POST", 8.0, 96.0, backbone()))
    (verdict,) = judge(JOB, runs, (), run_shifts(JOB, runs), ())
    assert verdict.outcome is Outcome.NOT_EVALUATED


def test_a_backbone_is_continued_a_little_and_that_is_counted_as_uncertainty():
    row = row_of(made("PRE", 0.75, 99.6), made("POST", 8.0, 96.0, backbone()))
    assert row.level_basis is LevelBasis.CONTINUED
    assert row.after_at_level_hz == pytest.approx(99.625, abs=1e-3)
    # The whole change of the continuation, 0.25 g at 0.5 Hz a g, beside 0.01 Hz on either side.
    assert row.frequency_shift_std == pytest.approx(np.hypot(0.125, np.hypot(0.01, 0.01)) / 99.6, rel=0.02)


def test_another_run_of_the_axis_leads_from_one_level_to_the_other():
    full = made("FULL", 8.0, 96.0, backbone())
    row = row_of(made("PRE", 1.0, 99.5), made("POST", 4.0, 98.0), full)
    assert row.level_basis is LevelBasis.AXIS_BACKBONE
    assert row.frequency_shift == pytest.approx(0.0, abs=1e-6)
    fell = row_of(made("PRE", 1.0, 99.5), made("POST", 4.0, 0.98 * 98.0), full)
    assert fell.frequency_shift == pytest.approx(-0.02, abs=1e-6)


def test_modes_that_are_not_seen_to_move_stand_over_a_decade_of_level_and_no_further():
    near = row_of(made("PRE", 1.0, 100.0), made("POST", 4.0, 99.0))
    assert near.level_basis is LevelBasis.NOT_SEEN_TO_MOVE
    assert near.frequency_shift == pytest.approx(-0.01)
    plain = row_of(made("PRE", 4.0, 100.0), made("POST", 4.0, 99.0))
    assert plain.level_basis is LevelBasis.EQUAL_LEVEL
    assert near.frequency_shift_std > 2.0 * plain.frequency_shift_std
    assert row_of(made("PRE", 0.3, 100.0), made("POST", 4.0, 99.0)).level_basis is LevelBasis.NOT_COMPARABLE


def test_a_mode_that_moves_is_not_compared_where_no_level_is_known():
    unknown = replace(made("PRE", 4.0, 99.0), control=None)
    row = row_of(unknown, made("POST", 8.0, 96.0, backbone()))
    assert (row.level_basis, row.frequency_shift) == (LevelBasis.NOT_COMPARABLE, None)
    still = row_of(unknown, made("POST", 8.0, 99.0))
    assert (still.level_basis, still.level) == (LevelBasis.LEVEL_UNKNOWN, None)
    assert still.frequency_shift == pytest.approx(0.0)


def decay_run_of(level: float, hz: float, name: str, *, drift: float = 0.04, rate: float = 500.0) -> RunResult:
    """A released mode whose frequency falls with its level, ω = ω₀(1 − drift·a²) with a in g, by averaging."""
    from reportgen.compute.decay.decay import identify_decay
    from reportgen.records.result import DecayCurve

    t = np.arange(4000) / rate
    amplitude = level * np.exp(-0.006 * 2 * np.pi * hz * t)
    phase = 2 * np.pi * np.cumsum(hz * (1 - drift * amplitude**2)) / rate
    noise = 1e-3 * level * np.random.default_rng(len(name)).standard_normal(len(t))
    y = G * (amplitude * np.cos(phase) + noise)
    found = identify_decay(y[:, None], rate, ["A1"], ["g"])
    curve = DecayCurve(channel="A1", time_s=t, response=y, envelope=None, unit="g")
    return RunResult(id=name, kind="decay", axis="X", sweep=None, control=None, channels=found.channels, decay=(curve,))


def test_two_decays_begun_at_other_levels_are_compared_at_one():
    """A harder blow states a lower frequency of a softening joint; the structure is the same."""
    hard, soft = decay_run_of(1.0, 40.0, "HARD"), decay_run_of(0.4, 40.0, "SOFT")
    top = [run.channels[0].resonances[0].backbone.frequency_hz[-1] for run in (hard, soft)]
    assert top[1] / top[0] - 1 > 0.02
    (row,) = compare_runs(hard, soft)
    assert row.level_basis is LevelBasis.EQUAL_LEVEL
    assert row.level_unit == "g"
    assert row.level <= 0.41
    assert abs(row.frequency_shift) < 3e-4
    assert any(flag.code == "shift.equal-level" for flag in row.flags)


def test_a_decay_that_moves_and_one_that_does_not_are_compared_at_a_level_of_both():
    (row,) = compare_runs(decay_run_of(1.0, 40.0, "HARD"), decay_run_of(0.1, 39.6, "WEAK", drift=0.0))
    assert row.level_basis is LevelBasis.EQUAL_LEVEL
    assert 0.009 < row.level < 0.11
    assert row.frequency_shift == pytest.approx(-0.01, abs=1e-3)


def test_two_decays_that_do_not_move_say_their_level():
    first, second = decay_run_of(1.0, 40.0, "ONE", drift=0.0), decay_run_of(0.5, 39.6, "OTHER", drift=0.0)
    (row,) = compare_runs(first, second)
    assert row.level_basis is LevelBasis.EQUAL_LEVEL
    assert row.level_unit == "g"
    assert row.frequency_shift == pytest.approx(-0.01, abs=2e-4)
