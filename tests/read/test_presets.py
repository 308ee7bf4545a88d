"""Presets fill a job in, name their source, and every shipped one is a requirement that can be read."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from reportgen.judge.checks import CHECKS
from reportgen.read.job.job_tables import JobTables
from reportgen.read.job.presets import expand_presets
from reportgen.records.finding import Severity
from reportgen.records.job import Profile, Requirement
from reportgen.records.message import Place
from reportgen.render.catalogue import said

SHIPPED = Path(__file__).resolve().parents[2] / "templates" / "presets"
FILES = sorted(SHIPPED.glob("*.toml"))


def entries(section):
    return [
        (f"{path.stem}/{name}", entry)
        for path in FILES
        for name, entry in tomllib.loads(path.read_text(encoding="utf-8")).get(section, {}).items()
    ]


def at(path):
    return Place("job.toml", 7)


def record(kind, table):
    return JobTables(lambda path: Place("job.toml"), CHECKS).record(kind, table)


def expand(raw, *folders):
    return expand_presets(raw, at, folders or (SHIPPED,))


@pytest.mark.parametrize("name, entry", entries("requirement"))
def test_every_shipped_requirement_can_be_used(name, entry):
    raw = {"requirement": [{"id": "R", "preset": name, "run": "X", "before": "A", "after": "B"}]}
    filled, findings = expand(raw)
    (table,) = filled["requirement"]
    assert "verify" in table["source"]
    assert record(Requirement, table).limit.value > 0
    (found,) = findings
    assert found.severity is Severity.NOTE
    assert entry["limit"] in said(found.message)


@pytest.mark.parametrize("name, entry", entries("tolerance"))
def test_every_shipped_tolerance_can_be_used(name, entry):
    raw = {"profile": [{"id": "P", "breakpoints": [["10 Hz", "1 g"], ["99 Hz", "1 g"]], "tolerance": f"preset:{name}"}]}
    filled, _ = expand(raw)
    assert record(Profile, filled["profile"][0]).tolerance
    assert raw["profile"][0]["tolerance"] == f"preset:{name}"  # what was read stays as it was


def test_iec_tolerances_are_those_of_the_standard():
    # IEC 60068-2-6:2007, 4.1 (from memory): ±15 % at the reference point, ±10 % on the sweep rate.
    raw = {"requirement": [{"id": "R", "preset": "iec-60068-2-6/sweep-rate", "run": "X"},
                           {"id": "S", "preset": "iec-60068-2-6/control", "run": "X"}]}  # fmt: skip
    filled, _ = expand(raw)
    assert [table["limit"] for table in filled["requirement"]] == ["10 %", "15 %"]


def test_what_the_job_says_itself_goes_first():
    raw = {"requirement": [{"id": "R", "preset": "before-and-after/frequency-5-percent", "limit": "3 %"}]}
    filled, _ = expand(raw)
    assert (filled["requirement"][0]["limit"], filled["requirement"][0]["check"]) == ("3 %", "frequency shift")


def test_a_file_beside_the_job_is_used_instead(tmp_path):
    own = '[requirement.control]\ncheck = "control tolerance"\nlimit = "7 %"\nsource = "our own"\n'
    (tmp_path / "iec-60068-2-6.toml").write_text(own, encoding="utf-8")
    filled, _ = expand({"requirement": [{"id": "R", "preset": "iec-60068-2-6/control"}]}, tmp_path, SHIPPED)
    assert filled["requirement"][0]["limit"] == "7 %"


@pytest.mark.parametrize(
    "preset, message",
    [
        ("iec-60068-2-6", "FILE/NAME"),
        ("iec-60068-2-7/control", "did you mean 'iec-60068-2-6'"),
        ("iec-60068-2-6/sweeprate", "did you mean 'sweep-rate'"),
        ("../secret/control", "is not known|no preset file|has no"),
        (5, "FILE/NAME"),
    ],
)
def test_a_preset_that_is_not_there(preset, message):
    _, (found,) = expand({"requirement": [{"id": "R", "preset": preset}]})
    assert found.severity is Severity.ERROR
    assert str(found.where) == "job.toml:7"
    import re

    assert re.search(message, said(found.message))


def test_a_limit_without_a_source_is_refused(tmp_path):
    (tmp_path / "own.toml").write_text('[requirement.x]\ncheck = "sweep rate"\nlimit = "1 %"\n', encoding="utf-8")
    _, (found,) = expand({"requirement": [{"id": "R", "preset": "own/x"}]}, tmp_path)
    assert "source is missing" in said(found.message)


def test_a_job_without_presets_is_left_alone():
    raw = {"requirement": [{"id": "R", "check": "calibration"}], "profile": "not a table"}
    assert expand(raw) == (raw, ())
