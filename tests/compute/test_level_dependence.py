"""Level dependence: survey and full level along one axis side by side."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pytest

from reportgen.compute.comparison.level_dependence import level_dependence
from reportgen.records.job import RunKind
from reportgen.records.message import message
from reportgen.records.result import ChannelResult, ControlResult, Resonance, RunResult, SweepFacts
from reportgen.records.stretch import Direction

G = 9.80665


@dataclass(frozen=True)
class Plan:
    id: str
    kind: RunKind
    axis: str = "X"
    started: datetime | None = None
    counts: bool = True


@dataclass(frozen=True)
class Plans:
    runs: tuple[Plan, ...]


def resonance(f, q):
    return Resonance(
        frequency_hz=f, frequency_std_hz=1e-4 * f, q=q, q_std=0.01 * q, damping_ratio=0.5 / q, amplification=q
    )


def run(name, level, *found, axis="X"):
    f = np.geomspace(5.0, 500.0, 400)
    channel = ChannelResult(
        id="A1", frequency_hz=f, magnitude=np.ones(400), phase_deg=None, resonances=tuple(resonance(*x) for x in found)
    )
    control = ControlResult(frequency_hz=f, level=np.broadcast_to(level, 400), required=None, lower=None, upper=None)
    sweep = SweepFacts(direction=Direction.UP, first_hz=5.0, last_hz=500.0, lowest_hz=5.0, highest_hz=500.0, rows=400,
                       rate=2.0, rate_unit="oct/min")  # fmt: skip
    return RunResult(id=name, kind="sweep", axis=axis, sweep=sweep, control=control, channels=(channel,))


JOB = Plans((Plan("PRE", RunKind.SURVEY), Plan("FULL", RunKind.SWEEP), Plan("POST", RunKind.SURVEY)))


def test_change_from_survey_to_full_level_with_its_uncertainty():
    rows = level_dependence(JOB, (run("PRE", 0.5 * G, (100.0, 40.0)), run("FULL", 5.0 * G, (98.8, 36.0))))
    (row,) = rows
    assert (row.survey, row.sweep) == ("PRE", "FULL")
    assert (row.survey_level, row.sweep_level) == pytest.approx((0.5 * G, 5.0 * G))
    assert row.frequency_change == pytest.approx(-0.012)
    assert row.q_change == pytest.approx(-0.1)
    # u(b/a) = (b/a) √2 u_r for equal relative uncertainties (JCGM 100, 5.1.6).
    assert row.frequency_change_std == pytest.approx(0.988 * math.sqrt(2) * 1e-4)
    assert row.q_change_std == pytest.approx(0.9 * math.sqrt(2) * 0.01)
    assert row.reason is None


def test_level_is_that_at_the_resonance():
    f = np.geomspace(5.0, 500.0, 400)
    (row,) = level_dependence(JOB, (run("PRE", 0.5 * G, (100.0, 40.0)), run("FULL", f * G / 20.0, (98.8, 36.0))))
    assert row.sweep_level == pytest.approx(4.94 * G, rel=1e-3)


def test_what_cannot_be_compared_is_null_with_a_reason():
    pre = run("PRE", 0.5 * G, (100.0, 40.0), (300.0, 20.0))
    alone = level_dependence(JOB, (pre, run("FULL", 5.0 * G, (98.8, 36.0))))
    assert [each.frequency_change is None for each in alone] == [False, True]
    assert alone[1].reason == message("level.not-seen", run="FULL")
    assert alone[1].survey_hz == 300.0
    assert alone[1].sweep_hz is None
    (same, _) = level_dependence(JOB, (pre, run("FULL", 0.52 * G, (98.8, 36.0), (299.0, 20.0))))
    assert same.frequency_change is None
    assert same.reason == message("level.same")


def test_a_sweep_is_paired_with_the_survey_before_it():
    runs = (run("PRE", 0.5 * G, (100.0, 40.0)), run("FULL", 5.0 * G, (98.8, 36.0)), run("POST", 0.5 * G, (99.0, 38.0)))
    assert [(row.survey, row.sweep) for row in level_dependence(JOB, runs)] == [("PRE", "FULL")]
    only = Plans(JOB.runs[1:])
    assert [(row.survey, row.sweep) for row in level_dependence(only, runs)] == [("POST", "FULL")]
    assert level_dependence(Plans(JOB.runs[:1]), runs) == ()
