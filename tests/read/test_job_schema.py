"""The records describe the job file whole: every key can be read, refused, and shown where it is missing."""

from __future__ import annotations

import tomllib
from datetime import time

import pytest

from reportgen.judge.checks import CHECKS
from reportgen.read.job.job_schema import EXAMPLES, KEYS, TABLES
from reportgen.read.job.job_tables import JobTables
from reportgen.records.finding import Severity
from reportgen.records.job import Job, Requirement, RunPlan
from reportgen.records.message import Place

EVERY_KEY = [(path, key) for path, record in TABLES.items() for key in KEYS[record]]


def tables():
    return JobTables(lambda path: Place("job.toml", len(path)), CHECKS)


@pytest.mark.parametrize("path, key", EVERY_KEY, ids=[".".join((*path, key.name)) for path, key in EVERY_KEY])
def test_every_key_is_read_by_something_that_can_refuse(path, key):
    """No key of the job takes a time of day."""
    reading = tables()
    assert reading.record(TABLES[path], {"check": "frequency shift", key.name: time(9, 14)}, path) is None
    assert key.name in [dict(each.message.values).get("key") for each in reading.findings]


@pytest.mark.parametrize("path", [path for path in TABLES if path], ids=".".join)
def test_the_example_of_a_missing_key_is_one_that_is_accepted(path):
    record, samples = TABLES[path], EXAMPLES.get(".".join(path), {})
    assert {key.name for key in KEYS[record] if key.needed} <= samples.keys()
    reading = tables()
    raw = tomllib.loads("".join(f"{key} = {text}\n" for key, text in samples.items()))
    assert reading.record(record, raw) is not None, reading.findings


def test_the_tables_that_a_job_needs():
    assert [key.name for key in KEYS[Job] if key.needed] == ["report", "laboratory", "customer", "specimen", "run"]


def test_a_field_that_is_no_key_cannot_be_written():
    keys = {record: {key.name for key in KEYS[record]} for record in (Job, RunPlan, Requirement)}
    assert not keys[Job] & {"folder", "file", "persons", "notes_files", "preset_files"}
    assert not keys[RunPlan] & {"where", "log_where"}
    assert "band" in keys[Requirement]
    assert "band_hz" not in keys[Requirement]


@pytest.mark.parametrize("written, meant", [(True, True), ("yes", True), ("off", False), (0, False), (1.0, True)])
def test_a_truth_is_taken_as_other_formats_write_it(written, meant):
    raw = {"id": "X", "kind": "survey", "log": "a.csv", "steady_state": written}
    run = tables().record(RunPlan, raw)
    assert run is not None
    assert run.steady_state is meant


def test_what_is_no_truth_is_refused():
    reading = tables()
    raw = {"id": "X", "kind": "survey", "log": "a.csv", "steady_state": "perhaps"}
    assert reading.record(RunPlan, raw) is None
    (found,) = reading.findings
    assert found.severity is Severity.ERROR
    assert dict(found.message.values)["what"].code == "value.no-truth"
