"""What a profile asks of an exciter, against the closed forms of sinusoidal motion."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from reportgen.compute.sweep.exciter import exciter_check, level_demand, profile_demand
from reportgen.records.job import (
    Breakpoint,
    Exciter,
    Job,
    Party,
    Profile,
    ReportIdentity,
    RunKind,
    RunPlan,
    Specimen,
)  # fmt: skip
from reportgen.records.message import message
from reportgen.records.result import ControlResult, RunResult
from reportgen.units import parse_quantity

G = 9.80665


def point(f, amplitude, dimension="acceleration"):
    return Breakpoint(frequency_hz=f, amplitude=amplitude, dimension=dimension, text=(f"{f}", f"{amplitude}"))


def test_the_corners_of_an_exciter():
    # 10 kN, 51 mm p-p, 1.8 m/s, 50 kg: corners v/(πD) = 11.2345 Hz and a/(2πv) = 17.6839 Hz (closed form).
    v, stroke, a = 1.8, 0.051, 10e3 / 50.0
    made = Profile(
        id="P",
        breakpoints=(point(5, stroke / 2, "displacement"), point(11.2345, stroke / 2, "displacement"),
                     point(17.6839, v, "velocity"), point(17.6839, a), point(2000, a)),
    )  # fmt: skip
    needed = profile_demand(made, 50.0)
    assert needed["stroke"][0] == pytest.approx(stroke, rel=1e-6)
    assert needed["velocity"][0] == pytest.approx(v, rel=1e-4)
    assert needed["acceleration"][0] == pytest.approx(200.0)
    assert needed["force"][0] == pytest.approx(10e3)


def test_one_g_at_a_hundred_hertz():
    # 1 g at 100 Hz: 0.0156078 m/s and 0.0248405 mm peak (ISO 2041).
    used = level_demand(np.array([100.0, np.nan]), np.array([G, 1e9]), None)
    assert used["velocity"][0] == pytest.approx(0.0156078, rel=1e-5)
    assert used["stroke"][0] == pytest.approx(2 * 0.0248405e-3, rel=1e-5)
    assert "force" not in used
    assert math.isclose(used["acceleration"][1], 100.0)


def test_rows_without_a_reading_ask_nothing():
    assert level_demand(np.array([10.0]), np.array([np.nan]), 5.0) == {}


def test_each_run_gets_a_row_for_every_ability(tmp_path):
    job = Job(
        folder=tmp_path, file=tmp_path / "job.toml", laboratory=Party(name="L"), customer=Party(name="C"),
        report=ReportIdentity(number="1", title="t", date=date(2026, 1, 1)),
        specimen=Specimen(name="S", mass=parse_quantity("2 kg", "mass")),
        exciter=Exciter(force=parse_quantity("1 kN", "force"), moving_mass=parse_quantity("8 kg", "mass")),
        profiles=(Profile(id="P", breakpoints=(point(10, 50.0), point(100, 50.0))),),
        runs=(RunPlan(id="X", kind=RunKind.SWEEP, log=tmp_path / "x.csv", profile="P"),),
    )  # fmt: skip
    f = np.array([10.0, 100.0])
    control = ControlResult(frequency_hz=f, level=np.array([50.0, 60.0]), required=None, lower=None, upper=None)
    rows = {row.quantity: row for row in exciter_check(job, [run_of("X", control)])}
    assert set(rows) == {"force", "stroke", "velocity", "acceleration"}
    force = rows["force"]
    assert (force.rated, force.needed, force.used) == (1000.0, 500.0, 600.0)
    assert (force.used_at_hz, force.share) == (100.0, 0.6)
    assert rows["stroke"].rated is None
    assert rows["stroke"].reason == message("exciter.no-rating", quantity="stroke")
    light = replace(job, exciter=replace(job.exciter, moving_mass=None))
    no_force = {row.quantity: row for row in exciter_check(light, [run_of("X", control)])}["force"]
    assert (no_force.needed, no_force.used, no_force.share) == (None, None, None)
    assert no_force.reason == message("exciter.no-moving-mass")
    assert exciter_check(replace(job, exciter=None), [run_of("X", control)]) == ()


def run_of(name, control):
    return RunResult(id=name, kind="sweep", axis="X", sweep=None, control=control)
