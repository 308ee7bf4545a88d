"""Amendments name every number, verdict and text that changed (ISO/IEC 17025:2017, 7.8.8.1)."""

from __future__ import annotations

import hashlib
import io
import json
from datetime import date
from pathlib import Path

import pytest

from reportgen.archive.amendment import (
    amended,
    amendment_json,
    amendment_of,
    next_revision,
    read_amendment,
)
from reportgen.archive.bag import write_archive
from reportgen.archive.manifest import MANIFEST, read_manifest
from reportgen.archive.open_archive import open_archive
from reportgen.archive.sources import archive_info, bag_job, pdf_sources
from reportgen.errors import ArchiveError
from reportgen.records.job import Job, Party, ReportIdentity, Specimen
from reportgen.records.message import Message, message
from reportgen.records.report import InputFile, Report
from reportgen.records.verdict import Outcome
from reportgen.render.catalogue import can_say, catalogue, said
from reportgen.resources import data_dir
from tests.archive.words import telling

JOB = '[report]\nnumber = "VTR-0201"\nrevision = "A"\n[customer]\nname = "Quayside Instruments"\n'
NOTES = "09:14 X-PRE\n312 Hz: 2 nodes\n"
RESULTS = {
    "schema": 1,
    "software": "reportgen 0.1.0",
    "job": {"number": "VTR-0201", "revision": "A"},
    "runs": [{"id": "X-PRE", "channels": [{"id": "A1", "resonances": [{"frequency_hz": 117.4, "q": 38.1}]}]}],
    "verdicts": [{"requirement": "R3", "result": "pass", "measured": 0.8}],
}


def report_in(folder: Path, job: str = JOB, notes: str = NOTES, log: bytes = b"5,1\n6,1\n", revision="A") -> Report:
    contents = {"job.toml": job.encode(), "notes.txt": notes.encode(), "logs/x_pre.csv": log}
    for name, content in contents.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content)
    identity = ReportIdentity(number="VTR-0201", title="Sine vibration", date=date(2026, 3, 20), revision=revision)
    inputs = [
        InputFile(path=name, sha256=hashlib.sha256(content).hexdigest(), bytes=len(content))
        for name, content in contents.items()
    ]
    return Report(
        job=Job(
            folder=folder,
            file=folder / "job.toml",
            report=identity,
            laboratory=Party(name="Harbour Test House"),
            customer=Party(name="Quayside Instruments"),
            specimen=Specimen(name="Monitoring unit"),
            notes_files=(Path("notes.txt"),),
        ),
        software="reportgen 0.1.0",
        inputs=tuple(inputs),
        notes=(),
        runs=(),
        modes=(),
        beam_fits=(),
        verdicts=(),
        overall=Outcome.NOT_EVALUATED,
        findings=(),
    )


def results_of(report: Report, **changed) -> dict:
    inputs = [{"path": each.path, "sha256": each.sha256, "bytes": each.bytes} for each in report.inputs]
    return json.loads(json.dumps({**RESULTS, "inputs": inputs, **changed}))


@pytest.fixture
def original(tmp_path) -> Path:
    report = report_in(tmp_path / "first")
    path = tmp_path / "VTR-0201-A.zip"
    with path.open("w+b") as stream:
        write = bag_job(report, {"results.json": json.dumps(results_of(report)).encode()})
        write(stream)
    return path


def test_everything_that_changed_is_listed_and_nothing_else(tmp_path, original):
    job = JOB.replace("Quayside Instruments", "Quayside Instruments Ltd")
    report = report_in(tmp_path / "second", job, NOTES.replace("2 nodes", "3 nodes"), b"5,1\n6,2\n")
    results = results_of(report, verdicts=[{"requirement": "R3", "result": "fail", "measured": 6.1}])
    results["runs"][0]["channels"][0]["resonances"][0]["q"] = 39.0
    found = amendment_of(original, report, results)
    assert (found.number, found.revision) == ("VTR-0201", "A")
    assert found.sha256 == hashlib.sha256(original.read_bytes()).hexdigest()
    listed = {said(each.what): (said(each.before), said(each.after)) for each in found.changes}
    digests = [listed.pop(f"file {name}") for name in ("job.toml", "notes.txt", "logs/x_pre.csv")]
    assert all(before != after for before, after in digests)
    assert listed == {
        "run X-PRE, channel A1, resonance at 117.4 Hz: Q": ("38.1", "39.0"),
        "requirement R3: result": ("pass", "fail"),
        "requirement R3: measured": ("0.8", "6.1"),
        "job.toml customer.name": ("Quayside Instruments", "Quayside Instruments Ltd"),
        "notes.txt:2": ("312 Hz: 2 nodes", "312 Hz: 3 nodes"),
    }


def test_nothing_changed(tmp_path, original):
    report = report_in(tmp_path / "second")
    assert amendment_of(original, report, results_of(report)).changes == ()


def test_a_spoilt_original_or_another_report_is_refused(tmp_path, original):
    report = report_in(tmp_path / "second")
    sound = original.read_bytes()
    original.write_bytes(sound.replace(b"VTR-0201", b"VTR-0202", 1))
    with telling(ArchiveError, match="an amendment needs the original"):
        amendment_of(original, report, results_of(report))
    other = {"results.json": json.dumps({"job": {"number": "VTR-0999", "revision": "A"}}).encode()}
    for files, words in ((other, "is report VTR-0999"), ({"results.json": b"[]"}, "does not say which report")):
        stream = io.BytesIO()
        write_archive(files, archive_info(report), stream)
        original.write_bytes(stream.getvalue())
        with telling(ArchiveError, match=words):
            amendment_of(original, report, results_of(report))


@pytest.mark.parametrize("stated, expected", [("A", "B"), ("C", "C")])
def test_the_next_revision_is_taken_where_the_job_still_states_the_last(tmp_path, original, stated, expected):
    report = report_in(tmp_path / "second", revision=stated)
    found = amended(report, amendment_of(original, report, results_of(report)))
    assert found.job.report.revision == expected
    assert found.amendment is not None
    assert archive_info(found).name == f"VTR-0201-{expected}"


@pytest.mark.parametrize("revision", ["A", "Z", "ZZ", "a", "z", "0", "9", "B2", "1.9", "-", "", "rev A", "Ä"])
def test_the_next_revision_is_another_one(revision):
    assert next_revision(revision) != revision


def test_the_archive_keeps_the_amendment(tmp_path, original):
    report = report_in(tmp_path / "second", notes="other\n")
    found = amended(report, amendment_of(original, report, results_of(report)))
    path = tmp_path / "VTR-0201-B.zip"
    with path.open("w+b") as stream:
        bag_job(found, {"results.json": b"{}"})(stream)
    with open_archive(path) as archive:
        assert archive.problems == []
        assert read_amendment(archive.text("supersedes.json"), "supersedes.json") == found.amendment


@pytest.mark.parametrize("text", ["{}", "[]", "null", '{"changes": [1]}', '{"changes": [{"odd": 1}]}', "{"])
def test_a_spoilt_record_of_an_amendment(text):
    with pytest.raises(ArchiveError):
        read_amendment(text, "supersedes.json")


def test_amendments_survive_the_archive(tmp_path, original):
    report = report_in(tmp_path / "second", notes="<b>&\u2028ü\n")
    found = amendment_of(original, report, results_of(report))
    assert read_amendment(amendment_json(found).decode(), "") == found


# What travels inside report.pdf -----------------------------------------------------------------------------------


def test_the_pdf_carries_inputs_results_versions_and_their_manifest(tmp_path):
    report = report_in(tmp_path / "job")
    carried = pdf_sources(report, b"{}")
    names = ["job/job.toml", "job/logs/x_pre.csv", "job/notes.txt", MANIFEST, "results.json", "versions.json"]
    assert list(carried) == names
    listed = read_manifest(carried[MANIFEST].decode(), MANIFEST)
    assert listed == {n: hashlib.sha256(c).hexdigest() for n, c in carried.items() if n != MANIFEST}


def test_a_log_too_large_for_the_pdf_is_named_with_its_digest(tmp_path, monkeypatch):
    from reportgen.archive import sources

    monkeypatch.setattr(sources, "LARGEST_IN_PDF", 500)
    report = report_in(tmp_path / "job", log=b"5,1\n" * 1000)
    carried = pdf_sources(report, b"{}")
    assert "job/logs/x_pre.csv" not in carried
    digest = hashlib.sha256(b"5,1\n" * 1000).hexdigest()
    assert read_manifest(carried["held-in-archive.txt"].decode(), "") == {"job/logs/x_pre.csv": digest}
    assert read_manifest(carried[MANIFEST].decode(), "")["job/logs/x_pre.csv"] == digest


def test_an_input_changed_since_it_was_read_reaches_neither_pdf_nor_archive(tmp_path):
    report = report_in(tmp_path / "job")
    (tmp_path / "job" / "notes.txt").write_text("changed")
    with telling(ArchiveError, match=r"notes\.txt was changed after it was read"):
        pdf_sources(report, b"{}")
    with telling(ArchiveError, match=r"notes\.txt was changed after it was read"):
        bag_job(report, {})(io.BytesIO())


def test_changes_lost_their_language_in_the_archive(tmp_path, original):
    """What an archive keeps of an amendment gives the same words again, in either language; old archives, too."""
    report = report_in(tmp_path / "second", JOB.replace("Quayside Instruments", "Quayside Ltd"))
    made = amendment_of(original, report, results_of(report))
    assert read_amendment(amendment_json(made).decode(), "supersedes.json") == made
    german = catalogue(data_dir("templates") / "words", "de")
    assert any(german.say(each.what).startswith("Datei ") for each in made.changes if isinstance(each.what, Message))
    old = {
        "number": "1",
        "revision": "A",
        "sha256": "0",
        "changes": [{"what": "run X: Q", "before": "1", "after": "2"}],
    }
    assert read_amendment(json.dumps(old), "supersedes.json").changes[0].what == message("as-written", text="run X: Q")


@pytest.mark.parametrize(
    "code, values",
    [("unheard-of", {}), ("change.at", {}), ("change.field", 1)],
)
def test_an_archive_with_words_that_nobody_knows_is_no_fault_of_the_program(code, values):
    what = {"code": code, "values": values}
    kept = {"number": "1", "revision": "A", "sha256": "0", "changes": [{"what": what, "before": "", "after": ""}]}
    try:
        read = read_amendment(json.dumps(kept), "supersedes.json")
    except ArchiveError:
        return
    assert not can_say(read.changes[0].what)
