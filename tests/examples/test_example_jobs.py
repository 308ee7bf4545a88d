"""The example jobs give the verdicts and the modes that their READMEs promise."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest

from reportgen.cores import cores
from reportgen.judge.checks import CHECKS
from reportgen.pipeline import Settings, build_job, check_job
from reportgen.read.job.job_file import read_job
from reportgen.records.finding import Severity
from reportgen.render.axis_runs import axis_runs
from reportgen.render.figures.axis_figures import axis_response
from reportgen.render.figures.drawings import Drawings
from reportgen.render.results import results_json
from reportgen.render.rows.clause import proof
from reportgen.render.rows.language import Language
from reportgen.render.terminal import finding_line
from reportgen.resources import data_dir
from tests.simulator.course import G
from tests.simulator.equipment_rack import equipment_rack
from tests.simulator.examples import BRACKET, BRACKET_AFTER, BRACKET_BEFORE, EXAMPLES, boom, box, bracket_joint
from tests.simulator.signal_lamp import signal_lamp
from tests.simulator.wind_sensor_arm import wind_sensor_arm

JOBS = ("sensor_boom", "controller_box", "bolted_bracket", "wind_sensor_arm", "signal_lamp", "equipment_rack")

OVERALL = ("pass", "fail", "pass", "fail", "fail", "pass")


def promised(folder: str) -> dict[str, str]:
    """Requirement to verdict, from the table in the folder's README (``R1``, ``R1, R2``, ``R1 to R3``)."""
    text = (EXAMPLES / folder / "README.md").read_text(encoding="utf-8")
    verdicts: dict[str, str] = {}
    for names, verdict in re.findall(
        r"^\| \**(R\d+(?:(?:, | to )R\d+)?)[^|]*\| \**([a-z ]+?)\** *\|", text, re.MULTILINE
    ):
        numbers = [int(number) for number in re.findall(r"R(\d+)", names)]
        every = range(numbers[0], numbers[-1] + 1) if " to " in names else numbers
        verdicts |= {f"R{number}": verdict for number in every}
    return verdicts


@pytest.fixture(scope="module")
def results(example_report):
    """What results.json says of each job."""
    return {name: json.loads(results_json(example_report(name))) for name in JOBS}


@pytest.mark.parametrize("name", JOBS)
def test_the_job_has_nothing_to_complain_about(name):
    assert [
        finding_line(each) for each in check_job(EXAMPLES / name).findings if each.severity is not Severity.NOTE
    ] == []


@pytest.mark.parametrize("name", JOBS)
def test_every_requirement_has_the_promised_verdict(results, name):
    found = {each["requirement"]: each["result"] for each in results[name]["verdicts"]}
    assert found == promised(name)


@pytest.mark.parametrize("name, overall", list(zip(JOBS, OVERALL, strict=True)))
def test_the_whole_job_has_the_promised_verdict(results, name, overall):
    assert f"Overall: **{overall}**" in (EXAMPLES / name / "README.md").read_text(encoding="utf-8")
    assert results[name]["overall"] == overall


def test_every_requirement_of_the_job_is_in_the_readme():
    for name in JOBS:
        job, _ = read_job(EXAMPLES / name, CHECKS)
        assert job is not None
        assert {each.id for each in job.requirements} == set(promised(name))


def _run(results: dict, run_id: str) -> dict:
    return next(run for run in results["runs"] if run["id"] == run_id)


def _true_modes():
    boom_runs = {"X-PRE": boom(), "X-SWEEP": boom(0.996, 0.94), "X-POST": boom(0.9925, 0.97)}
    yield from (("sensor_boom", run, structure) for run, structure in boom_runs.items())
    factors = {"PRE": (1.0, 1.0), "SWEEP": (0.991, 0.93), "POST": (0.994, 0.98)}
    for axis in "XYZ":
        yield from (("controller_box", f"{axis}-{run}", box(axis, *factor)) for run, factor in factors.items())
    for run, axis in {"X": "X", "Y": "Y", "Z": "Z", "S13-Y": "Y"}.items():
        for part in ("PRE", "SWEEP", "POST"):
            second = run.startswith("S13")
            yield "wind_sensor_arm", f"{run}-{part}", wind_sensor_arm(axis, part.lower(), second)
    for part in ("PRE", "SWEEP", "POST"):
        yield "signal_lamp", f"Z-{part}", signal_lamp(part.lower())
        yield from (("equipment_rack", f"{axis}-{part}", equipment_rack(axis, part.lower())) for axis in "XYZ")


TRUE = list(_true_modes())
LOST = (("controller_box", "Y-SWEEP", "A3"), ("signal_lamp", "Z-SWEEP", "A3"), ("signal_lamp", "Z-POST", "A3"))
"""A sensor that came loose, and one whose cable broke."""


@pytest.mark.parametrize("name, run_id, structure", TRUE, ids=[f"{name}-{run}" for name, run, _ in TRUE])
def test_no_mode_is_missed_invented_or_wrong(results, name, run_id, structure):
    """Truth is what the simulator integrated: frequency to 0.05 %, Q and amplification to 3 %."""
    seen = 5 if name == "sensor_boom" else len(structure.modes)
    modes = structure.modes[:seen]
    for c, sensor in enumerate(structure.sensors):
        channel = next(each for each in _run(results[name], run_id)["channels"] if each["id"] == sensor.id)
        if (name, run_id, sensor.id) in LOST:
            continue
        found = [each for each in channel["resonances"] if not each.get("rejected")]
        for resonance in found:
            k = min(range(seen), key=lambda k: abs(modes[k].frequency_hz - resonance["frequency_hz"]))
            assert resonance["frequency_hz"] == pytest.approx(modes[k].frequency_hz, rel=5e-4), sensor.id
            assert resonance["q"] == pytest.approx(modes[k].q, rel=0.03), sensor.id
            if structure.prominence(c, k) > 1.0:
                assert resonance["amplification"] == pytest.approx(structure.peak(c, k), rel=0.03), sensor.id
        prominent = [k for k in range(seen) if structure.prominence(c, k) > 1.0]
        for k in prominent:
            assert any(abs(r["frequency_hz"] / modes[k].frequency_hz - 1) < 5e-4 for r in found), (sensor.id, k)
        assert len(found) <= seen, sensor.id


def test_the_boom_has_seven_modes_and_a_gap(results):
    modes = results["sensor_boom"]["modes"]
    present = {mode["mode"]: mode for mode in modes if not mode.get("missing")}
    assert sorted(present) == [1, 2, 3, 4, 5, 7, 8]
    assert [mode["mode"] for mode in modes if mode.get("missing")] == [6]
    for number in range(1, 6):
        assert set(present[number]["seen_in"]) == {"log", "notes"}
        # As common practice has it, a cantilever's bending mode number is the node count plus one (no source).
        assert present[number]["nodes"] == number - 1
    for number in (7, 8):
        assert present[number]["seen_in"] == ["notes"]
        assert present[number]["nodes"] == number - 1


def test_the_first_resonance_is_recorded_too_low_and_freed_of_it(results):
    channel = next(each for each in _run(results["sensor_boom"], "X-PRE")["channels"] if each["id"] == "A1")
    first = channel["resonances"][0]
    assert first["observed"]["amplification"] < 0.9 * first["amplification"]
    assert first["observed"]["peak_hz"] > first["frequency_hz"]


def test_the_dwell_counts_its_cycles(results):
    dwell = _run(results["sensor_boom"], "X-DWELL")["dwell"]
    assert dwell["duration_s"] == pytest.approx(2000.0, rel=2e-3)
    assert dwell["cycles"] == pytest.approx(2000.0 * dwell["frequency_hz"], rel=2e-3)


def test_the_decay_has_the_surveys_modes(results):
    channel = next(each for each in _run(results["sensor_boom"], "X-DECAY")["channels"] if each["id"] == "A1")
    truth = boom(0.9925, 0.97).modes
    for k, resonance in enumerate(channel["resonances"][:2]):
        assert resonance["frequency_hz"] == pytest.approx(truth[k].frequency_hz, rel=5e-4)
        assert resonance["q"] == pytest.approx(truth[k].q, rel=0.03)
        assert resonance["amplification"] is None


def test_the_level_turned_by_hand_is_seen(results):
    steps = _run(results["sensor_boom"], "X-SWEEP")["level_steps"]
    assert [(round(step["at_hz"]), round(step["db"])) for step in steps] == [(8, -6), (16, 6)]


def test_the_loose_sensor_is_named(results):
    issues = _run(results["controller_box"], "Y-SWEEP")["quality"]
    assert any(issue["channel"] == "A3" and issue["kind"] == "loose sensor" for issue in issues)
    others = [
        run["id"] for run in results["controller_box"]["runs"] for i in run["quality"] if i["kind"] == "loose sensor"
    ]
    assert set(others) == {"Y-SWEEP"}


def test_the_deviation_is_carried(results):
    headings = [
        (fact["heading"], note["where"])
        for note in results["controller_box"]["notes"]
        for fact in note["facts"]
        if fact.get("heading")
    ]
    assert [heading for heading, _ in headings] == ["observation", "deviation"]


@pytest.mark.parametrize(
    "name", [pytest.param(each, marks=[] if each == "bolted_bracket" else [pytest.mark.soak]) for each in JOBS]
)
def test_a_build_by_the_user_gives_the_same_bytes_again(name, example_report, tmp_path: Path):
    """Built as a user builds it; computed anew, on all cores."""
    built = build_job(EXAMPLES / name, tmp_path / "again", Settings(results_only=True, cores=cores()))
    assert (built.folder / "results.json").read_bytes() == results_json(example_report(name))


@pytest.mark.parametrize("axis", ["X", "Y", "Z"])
def test_the_box_has_three_modes_along_each_axis(results, axis):
    """What a loose sensor rattles is no mode."""
    found = [mode["frequency_hz"] for mode in results["controller_box"]["modes"] if mode["axis"] == axis]
    assert found == pytest.approx([mode.frequency_hz for mode in box(axis).modes], rel=5e-4)


@pytest.mark.parametrize("run, stiffness", [("Z-BEFORE", BRACKET_BEFORE[0]), ("Z-AFTER", BRACKET_AFTER[0])])
def test_the_bracket_has_one_first_mode_with_the_joints_backbone(results, run, stiffness):
    """Truth by averaging over the joint's elements, whose motion the simulator stepped through."""
    found = _run(results["bolted_bracket"], run)
    for channel in found["channels"]:
        assert [round(each["frequency_hz"]) for each in channel["resonances"]] == [47, 131], channel["id"]
        assert channel.get("unexplained", []) == []
    curve = found["channels"][0]["resonances"][0]["backbone"]
    level = G * np.array(curve["levels"])
    omega = 2 * np.pi * BRACKET.modes[0].frequency_hz
    amplitude = level / omega**2
    for _ in range(9):  # displacement of that acceleration
        f, zeta = bracket_joint(stiffness).backbone(omega, BRACKET.modes[0].damping_ratio, amplitude)
        amplitude = level / (2 * np.pi * f) ** 2
    assert curve["frequency_hz"] == pytest.approx(f, rel=1e-3)
    assert curve["damping_ratio"] == pytest.approx(zeta, rel=0.05)
    assert zeta[-1] > 2.4 * zeta[0]


def test_the_brackets_harmonics_have_their_cause(results):
    for name in ("Z-BEFORE", "Z-AFTER"):
        run = _run(results["bolted_bracket"], name)
        assert "decay.harmonic" in [each["code"] for each in run["flag_messages"]]
        assert [len(channel["resonances"]) for channel in run["channels"]] == [2, 2]
        assert not any(channel["unexplained"] for channel in run["channels"])


def test_an_aborted_run_is_told_and_decides_nothing(results):
    arm = results["wind_sensor_arm"]
    assert [run["id"] for run in arm["runs"] if run["status"] == "aborted"] == ["Y-SWEEP-0"]
    assert "abort Y-SWEEP-0" in [each["key"] for each in arm["deviations"]]
    parts = {part["run"] for verdict in arm["verdicts"] for part in verdict["parts"]}
    assert parts & {"Y-SWEEP-0", "Y-SWEEP", "S13-Y-SWEEP"} == {"Y-SWEEP", "S13-Y-SWEEP"}


def test_the_arm_s_job_is_as_short_as_was_asked():
    text = (EXAMPLES / "wind_sensor_arm" / "job.toml").read_text(encoding="utf-8")
    assert len(text.splitlines()) <= 150


def test_the_arm_s_modes_are_numbered_by_german_notes(results):
    """As common practice has it, a cantilever's bending mode number is the node count plus one (no source)."""
    modes = results["wind_sensor_arm"]["modes"]
    noted = [(mode["mode"], mode["nodes"]) for mode in modes if "notes" in mode["seen_in"]]
    assert noted == [(1, 0), (2, 1), (3, 2)] * 3


@pytest.mark.parametrize(("axis", "mark"), [("Y · 0012", "R4: 41.7"), ("Y · 0013", "R4: 43.3")])
def test_only_the_worst_run_of_a_clause_over_several_was_marked_in_its_figure(axis, mark, example_report):
    report = example_report("wind_sensor_arm")
    language = Language.of("en", data_dir("templates"))
    of = next(each for each in axis_runs(report) if each.axis == axis)
    plot = axis_response(Drawings(language.words, language.numbers), report, of)
    assert plot is not None
    assert mark in [each.text for panel in plot.panels for each in panel.marks if each.kind == "evidence"]


def test_a_difference_between_specimens_was_proved_by_the_list_of_runs(example_report):
    report = example_report("wind_sensor_arm")
    found = proof(report, next(each for each in report.verdicts if each.requirement == "R6"))
    assert found.table == "table-compare-Y-PRE-S13-Y-PRE"
    assert found.figure.startswith("fig-Y-PRE-S13-Y-PRE-A")
