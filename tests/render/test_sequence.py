"""The table of all that happened to the specimen, in order of time; and what is said of runs that do not count."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, time
from pathlib import Path

import pytest

from reportgen.read.job.happenings import with_places
from reportgen.records.job import (
    Inspection,
    Job,
    Party,
    ReportIdentity,
    RunKind,
    RunPlan,
    RunStatus,
    Specimen,
    Step,
)
from reportgen.records.note import Note
from reportgen.records.report import Report
from reportgen.records.verdict import Outcome
from reportgen.render.rows.identity import status
from reportgen.render.rows.language import Language
from reportgen.render.rows.sequence import sequence

WORDS = Path(__file__).resolve().parents[2] / "templates"


def plan(name: str, hour: int | None, **more: object) -> RunPlan:
    started = None if hour is None else datetime(2026, 6, 10, hour)
    return RunPlan(id=name, kind=RunKind.SWEEP, log=Path(f"{name}.csv"), axis="Y", started=started, **more)


JOB = Job(
    folder=Path(), file=Path("job.toml"), laboratory=Party(name="L"), customer=Party(name="C"),
    report=ReportIdentity(number="1", title="T", date=datetime(2026, 6, 12).date()), specimen=Specimen(name="S"),
    runs=(plan("Y1", 14, repeats="Y0"),
          plan("Y0", 13, status=RunStatus.ABORTED, reason="cable"), plan("Z1", 16)),
)  # fmt: skip


def rows(job: Job, notes: tuple[Note, ...] = (), language: str = "en"):
    report = Report(
        job=with_places(job), software="x", inputs=(), notes=notes, runs=(), modes=(), beam_fits=(), verdicts=(),
        overall=Outcome.PASS, findings=(),
    )  # fmt: skip
    return sequence(report, Language.of(language, WORDS))


def step(when: str, what: str) -> Step:
    return Step(when=when, what=what)


def test_runs_steps_inspections_and_notes_stand_in_order_of_time():
    job = replace(
        JOB,
        steps=(step("2026-06-10 15:00", "turned"), step("after Y0", "cable mended"), step("before Y0", "mounted"),
               step("at noon", "lunch"), step("after the test", "taken down")),
        inspections=(Inspection(when="before the test", what="visual", result="pass"),),
    )  # fmt: skip
    notes = (
        Note(source="n.txt", line=1, text="a", when=time(13, 30)),
        Note(source="n.txt", line=2, text="b", when=datetime(2026, 6, 10, 13, 40)),
        Note(source="n.txt", line=3, text="c"),
        Note(source="n.txt", line=4, text="d", when=time(15, 30), run="Z1"),
    )
    found = rows(job, notes)
    assert [each.what for each in found] == [
        "visual: pass", "mounted", "Y0, sweep, axis Y", "cable mended", "a", "b", "Y1, sweep, axis Y",
        "turned", "d", "Z1, sweep, axis Y", "taken down", "lunch",
    ]  # fmt: skip
    assert [each.what for each in found if not each.placed] == ["lunch"]
    assert "cable" in found[2].remark


@pytest.mark.parametrize(
    ("written", "shown"),
    [
        ("2026-06-10 13:30 lid off", "lid off"),
        ("10.06.2026, 13:30: lid off", "lid off"),
        ("13:30 22 °C in the hall", "22 °C in the hall"),
        ("13:30:05 – 70.3 Hz: 1 node at 0.84 L", "70.3 Hz: 1 node at 0.84 L"),
        ("70.3 Hz at 13:30", "70.3 Hz at 13:30"),
        ("13:30", "13:30"),
        ("13:30 " + "granules " * 20, "granules " * 7 + "…"),
        ("13:30 " + "z" * 90, "z" * 71 + " …"),
    ],
)
def test_a_note_is_told_in_its_own_words(written, shown):
    """Fault: the table named notes by file and line alone, several at once: "notes.txt:11 – notes.txt:13"."""
    found = rows(JOB, (Note(source="n.txt", line=7, text=written, when=time(13, 30)),))
    (told,) = [each for each in found if each.kind == "Notes"]
    assert (told.what, told.remark) == (shown, "n.txt:7")


def test_runs_without_a_start_stand_as_they_are_listed():
    job = replace(JOB, runs=tuple(replace(run, started=None) for run in JOB.runs), steps=(step("after Y0", "mended"),))
    assert [each.what.split(",")[0] for each in rows(job)] == ["Y1", "Y0", "mended", "Z1"]


def test_a_job_of_runs_alone_has_no_such_table():
    assert rows(replace(JOB, runs=(plan("Z1", 16),))) == ()


@pytest.mark.parametrize(
    ("language", "aborted", "again"),
    [
        ("en", "Does not count: aborted, cable.", "Repeats Y0."),
        ("de", "Zählt nicht: abgebrochen, cable.", "Wiederholt Y0."),
    ],
)
def test_what_became_of_a_run_is_said_in_the_language_of_the_report(language, aborted, again):
    spoken = Language.of(language, WORDS)
    assert status(JOB.runs[1], spoken) == aborted
    assert status(JOB.runs[0], spoken) == again
    assert status(JOB.runs[2], spoken) == ""
