"""What was computed is what is archived: a file that changes while it is read or computed with is named as an error."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from reportgen import pipeline
from reportgen.archive.sources import bag_job
from reportgen.archive.verify import verify
from reportgen.errors import ReadError
from reportgen.judge.checks import CHECKS
from reportgen.pipeline import Settings, build_job
from reportgen.read import run_log as log_module
from reportgen.read.input_files import stamps_of_job_file, watch_inputs
from reportgen.read.job.job_file import read_job
from reportgen.read.notes import operator_notes
from reportgen.render.results import results_json
from tests.archive.words import telling
from tests.soak.small_job import comma_log, job_of, write_job

ALONE = Settings(results_only=True)


@pytest.fixture
def job(tmp_path) -> Path:
    return write_job(job_of(comma_log()), tmp_path / "job")


def after(monkeypatch, module, name: str, then) -> None:
    """Let something happen once a function has done its work."""
    work = getattr(module, name)

    def wrapped(*args, **kwargs):
        done = work(*args, **kwargs)
        then()
        return done

    monkeypatch.setattr(module, name, wrapped)


def refused(job: Path, name: str) -> None:
    with telling(ReadError, match=rf"{name}: was changed, or replaced, while it was being read"):
        build_job(job, None, ALONE)
    assert not (job / "report").exists()


def test_a_log_changed_between_reading_and_hashing_was_archived_in_another_state(job, monkeypatch):
    log = job / "logs" / "x.csv"
    after(monkeypatch, log_module, "read_run", lambda: log.write_bytes(log.read_bytes() + b"1,500,0.5,0.1,0\n"))
    refused(job, r"logs/x\.csv")


def test_a_log_changed_and_changed_back_with_its_times_is_noticed(job, monkeypatch):
    """What was read may have been the state between: only the time of the entry, which nobody sets, tells."""
    log = job / "logs" / "x.csv"

    def there_and_back() -> None:
        content, status = log.read_bytes(), log.stat()
        log.write_bytes(content.replace(b"0.5", b"0.6"))
        log.write_bytes(content)
        os.utime(log, ns=(status.st_atime_ns, status.st_mtime_ns))

    after(monkeypatch, log_module, "read_run", there_and_back)
    refused(job, r"logs/x\.csv")


def test_a_log_exchanged_for_another_file_of_the_same_content_s_length(job, monkeypatch, tmp_path):
    log = job / "logs" / "x.csv"
    (tmp_path / "other.csv").write_bytes(log.read_bytes().replace(b"0.5", b"0.7"))
    after(monkeypatch, log_module, "read_run", lambda: (tmp_path / "other.csv").replace(log))
    refused(job, r"logs/x\.csv")


def test_notes_changed_after_they_were_read(job, monkeypatch):
    after(monkeypatch, operator_notes, "read_notes", lambda: (job / "notes.txt").write_text("118 Hz: 3 nodes\n"))
    refused(job, r"notes\.txt")


def test_a_log_changed_while_runs_were_computed(job, monkeypatch):
    """Records larger than memory are read in pieces then."""
    log = job / "logs" / "x.csv"
    after(monkeypatch, pipeline, "compute_report", lambda: log.write_bytes(b"time"))
    refused(job, r"logs/x\.csv")


def test_the_job_file_changed_after_it_was_read(job):
    before = stamps_of_job_file(job)
    read, _ = read_job(job, CHECKS)
    (job / "job.toml").write_bytes((job / "job.toml").read_bytes() + b"# more\n")
    with telling(ReadError, match=r"job\.toml: was changed"):
        watch_inputs(read, before)


def test_inputs_that_stay_are_no_fault(job):
    assert build_job(job, None, ALONE).folder == job / "report"
    assert build_job(job, None, ALONE).files == ("results.json",)


PRESET = """[requirement.crane]
check = "lowest natural frequency"
limit = "50 Hz"
source = "invented for this test"

[requirement.other]
check = "lowest natural frequency"
limit = "60 Hz"
source = "invented for this test"
"""
USES_PRESET = """
[[requirement]]
id = "R9"
clause = "4"
text = "as the preset says"
preset = "yard/crane"
run = "X-PRE"
channel = "A1"
"""


@pytest.fixture
def job_with_preset(job):
    (job / "presets").mkdir()
    (job / "presets" / "yard.toml").write_text(PRESET, encoding="utf-8")
    (job / "presets" / "unused.toml").write_text(PRESET, encoding="utf-8")
    with (job / "job.toml").open("a", encoding="utf-8") as file:
        file.write(USES_PRESET)
    return job


def test_a_preset_of_the_job_was_read_but_neither_hashed_nor_archived(job_with_preset, tmp_path):
    """Fault: such a job could be verified in its own folder only."""
    report = pipeline.compute_report(pipeline.read_inputs(job_with_preset))
    assert "presets/yard.toml" in [each.path for each in report.inputs]
    assert "presets/unused.toml" not in [each.path for each in report.inputs]
    with (tmp_path / "a.zip").open("w+b") as stream:
        bag_job(report, {"results.json": results_json(report)})(stream)
    verified = verify(tmp_path / "a.zip", recomputed)
    assert "verify.numbers-follow" in [line.what.code for line in verified.found]


def recomputed(folder):
    return pipeline.as_results(pipeline.compute_report(pipeline.read_inputs(folder)))


def test_a_preset_changed_after_it_was_read(job_with_preset):
    before = stamps_of_job_file(job_with_preset)
    read, _ = read_job(job_with_preset, CHECKS)
    (job_with_preset / "presets" / "yard.toml").write_text(PRESET.replace("50 Hz", "40 Hz"), encoding="utf-8")
    with telling(ReadError, match=r"presets/yard\.toml: was changed"):
        watch_inputs(read, before)
