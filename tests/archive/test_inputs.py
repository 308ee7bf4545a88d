"""What was computed is what is archived: a file that changes while it is read or computed with is named as an error."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from reportgen import pipeline
from reportgen.errors import ReadError
from reportgen.judge.checks import CHECKS
from reportgen.pipeline import Settings, build_job
from reportgen.read import log as log_module
from reportgen.read.input_files import stamp_of_job_file, watch_inputs
from reportgen.read.job.job_file import read_job
from reportgen.read.notes import operator_notes
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
    with pytest.raises(ReadError, match=rf"{name}: was changed, or replaced, while it was being read"):
        build_job(job, None, ALONE)
    assert not (job / "report").exists()


def test_a_log_changed_between_reading_and_hashing_was_archived_in_another_state(job, monkeypatch):
    log = job / "logs" / "x.csv"
    after(monkeypatch, log_module, "read_log", lambda: log.write_bytes(log.read_bytes() + b"1,500,0.5,0.1,0\n"))
    refused(job, r"logs/x\.csv")


def test_a_log_changed_and_changed_back_with_its_times_is_noticed(job, monkeypatch):
    """What was read may have been the state between: only the time of the entry, which nobody sets, tells."""
    log = job / "logs" / "x.csv"

    def there_and_back() -> None:
        content, status = log.read_bytes(), log.stat()
        log.write_bytes(content.replace(b"0.5", b"0.6"))
        log.write_bytes(content)
        os.utime(log, ns=(status.st_atime_ns, status.st_mtime_ns))

    after(monkeypatch, log_module, "read_log", there_and_back)
    refused(job, r"logs/x\.csv")


def test_a_log_exchanged_for_another_file_of_the_same_content_s_length(job, monkeypatch, tmp_path):
    log = job / "logs" / "x.csv"
    (tmp_path / "other.csv").write_bytes(log.read_bytes().replace(b"0.5", b"0.7"))
    after(monkeypatch, log_module, "read_log", lambda: (tmp_path / "other.csv").replace(log))
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
    before = stamp_of_job_file(job)
    read, _ = read_job(job, CHECKS)
    (job / "job.toml").write_bytes((job / "job.toml").read_bytes() + b"# more\n")
    with pytest.raises(ReadError, match=r"job\.toml: was changed"):
        watch_inputs(read, before)


def test_inputs_that_stay_are_no_fault(job):
    assert build_job(job, None, ALONE).folder == job / "report"
    assert build_job(job, None, ALONE).lines[-1].endswith("results.json")
