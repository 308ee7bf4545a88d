"""A job with a laboratory file: its archive needs nothing outside, and a changed laboratory file is another input."""

from __future__ import annotations

import shutil
from datetime import date
from pathlib import Path

import pytest

from reportgen import pipeline
from reportgen.archive.sources import bag_job, pdf_sources
from reportgen.archive.verify import verify
from reportgen.cli import main
from reportgen.errors import ReadError
from reportgen.pipeline import Settings, build_job, check_job, compute_report, read_inputs
from reportgen.records.finding import Severity
from reportgen.render.catalogue import said
from reportgen.render.results import results_json
from reportgen.render.terminal import finding_line
from tests.archive.words import telling
from tests.soak.small_job import comma_log, job_of, write_job

HERE = Path(__file__).parent
SHARED = HERE.parent / "read" / "laboratory_job"
USES = """
[test]
exciter = "ED-2"
people = ["adler"]
instruments = ["ACC-31"]
"""


@pytest.fixture
def job(tmp_path) -> Path:
    folder = write_job(job_of(comma_log()), tmp_path / "all" / "job")
    with (folder / "job.toml").open("a", encoding="utf-8") as file:
        file.write(USES)
    for name in ("laboratory.toml", "instruments.csv"):
        shutil.copy(SHARED / name, folder.parent / name)
    return folder


def archived(job: Path, target: Path) -> Path:
    report = compute_report(read_inputs(job))
    with target.open("w+b") as stream:
        bag_job(report, {"results.json": results_json(report)})(stream)
    return target


def recomputed(folder: Path):
    return pipeline.as_results(compute_report(read_inputs(folder, alone=True)))


def test_the_archive_holds_the_laboratory_file_and_the_register_and_needs_nothing_outside(job, tmp_path):
    report = compute_report(read_inputs(job))
    paths = [each.path for each in report.inputs]
    assert {"laboratory/laboratory.toml", "laboratory/instruments.csv"} <= {*paths}
    assert paths == sorted(paths)
    assert {"job/laboratory/laboratory.toml", "job/laboratory/instruments.csv"} <= pdf_sources(report, b"{}").keys()
    archive = archived(job, tmp_path / "a.zip")
    shutil.rmtree(job.parent)
    codes = [line.what.code for line in verify(archive, recomputed).found]
    assert "verify.numbers-follow" in codes


def test_a_rebuild_from_the_archive_gives_the_same_results_beside_another_laboratory_file(job, tmp_path):
    before = results_json(compute_report(read_inputs(job)))
    shutil.unpack_archive(archived(job, tmp_path / "a.zip"), tmp_path / "out")
    (tmp_path / "laboratory.toml").write_text('[laboratory]\nname = "Another laboratory"\n', encoding="utf-8")
    (unpacked,) = (tmp_path / "out").rglob("job.toml")
    assert results_json(compute_report(read_inputs(unpacked.parent))) == before


def test_a_job_archived_without_a_laboratory_file_takes_none_where_it_is_unpacked(tmp_path):
    folder = write_job(job_of(comma_log()), tmp_path / "job")
    shutil.unpack_archive(archived(folder, tmp_path / "a.zip"), tmp_path / "out")
    (tmp_path / "laboratory.toml").write_text('[laboratory]\nname = "Another"\nlanguage = "de"\n', encoding="utf-8")
    (unpacked,) = (tmp_path / "out").rglob("job.toml")
    assert read_inputs(unpacked.parent).job.laboratory_files == ()
    assert read_inputs(folder).job.laboratory_files != ()


def test_a_changed_laboratory_file_is_another_input_wherever_it_lies(job):
    before = read_inputs(job).files
    with (job.parent / "instruments.csv").open("a", encoding="utf-8") as file:
        file.write("ACC-77;accelerometer\n")
    after = read_inputs(job).files
    assert {each.path for each in set(after) - set(before)} == {"laboratory/instruments.csv"}


def test_the_same_laboratory_file_elsewhere_gives_the_same_results(job, tmp_path):
    before = results_json(compute_report(read_inputs(job)))
    other = tmp_path / "elsewhere"
    other.mkdir()
    for name in ("laboratory.toml", "instruments.csv"):
        shutil.move(job.parent / name, other / name)
    assert results_json(compute_report(read_inputs(job, laboratory=other / "laboratory.toml"))) == before


def test_a_laboratory_file_that_changes_while_logs_are_read_does_not_part_numbers_and_archive(
    job, tmp_path, monkeypatch
):
    from reportgen.read import log

    read = log.read_log

    def meanwhile(*given):
        (job.parent / "laboratory.toml").write_text("", encoding="utf-8")
        return read(*given)

    monkeypatch.setattr(log, "read_log", meanwhile)
    report = compute_report(read_inputs(job))
    (kept,) = (each.kept for each in report.inputs if each.path == "laboratory/laboratory.toml")
    assert kept == (SHARED / "laboratory.toml").read_bytes()


def test_a_file_of_the_job_under_the_name_of_the_laboratory_file(job):
    (job / "laboratory").mkdir()
    shutil.copy(job / "logs" / "x.csv", job / "laboratory" / "instruments.csv")
    text = (job / "job.toml").read_text(encoding="utf-8")
    (job / "job.toml").write_text(text.replace("logs/x.csv", "laboratory/instruments.csv"), encoding="utf-8")
    with telling(ReadError, match="is the name under which the archive keeps"):
        pipeline.read_inputs(job)


def test_branding_of_the_laboratory_file_is_used_and_told_where_it_is_not_there(job):
    path = job.parent / "laboratory.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("[laboratory]", '[laboratory]\nbranding = "house"'), encoding="utf-8")
    with telling(ReadError, match=r"laboratory\.toml:\d+: \[laboratory\]: there is no folder .*house"):
        build_job(job, None, Settings(results_only=True))
    assert any(each.message.code == "laboratory.no-branding" for each in check_job(job).findings)
    assert read_inputs(job)  # as an archive is verified, which holds no templates
    (job.parent / "house").mkdir()
    assert read_inputs(job).job.branding == job.parent / "house"


def test_templates_are_taken_from_no_laboratory_file_in_the_job_folder(job, tmp_path):
    """Templates print anything: whoever sends a job, or an archive, would print the report."""
    path = job.parent / "laboratory.toml"
    text = path.read_text(encoding="utf-8").replace("[laboratory]", '[laboratory]\nbranding = "house"', 1)
    path.write_text(text, encoding="utf-8")
    (job.parent / "house").mkdir()
    before = results_json(compute_report(read_inputs(job)))
    shutil.unpack_archive(archived(job, tmp_path / "a.zip"), tmp_path / "out")
    (unpacked,) = (tmp_path / "out").rglob("job.toml")
    (unpacked.parent / "laboratory" / "house").mkdir()
    assert read_inputs(unpacked.parent).job.branding is None
    assert build_job(unpacked.parent, None, Settings(results_only=True)).files == ("results.json",)
    assert results_json(compute_report(read_inputs(unpacked.parent))) == before
    assert any(each.message.code == "laboratory.branding-not-taken" for each in check_job(unpacked.parent).findings)


# check ------------------------------------------------------------------------------------------------------------


def test_check_of_a_laboratory_file_names_what_runs_out_within_sixty_days(job, capsys):
    path = job.parent / "laboratory.toml"
    lines = [finding_line(each) for each in check_job(path, today=date(2026, 8, 10)).findings]
    soon = [line for line in lines if "runs out" in line]
    assert [line.split()[3] for line in soon] == ["ACC-11", "ACC-12", "STR-2"]  # STR-2: 2026-10-05, 56 days
    assert soon[0].startswith(
        "instruments.csv:2: warning: [[instrument]] ACC-11 runs out of calibration on 1 September"
    )
    assert "in 22 days" in soon[0]
    lines = [finding_line(each) for each in check_job(path, today=date(2026, 9, 2)).findings]
    assert [line.split()[3] for line in lines if "ran out" in line] == ["ACC-11", "ACC-12"]
    assert not [
        line for line in map(finding_line, check_job(path, today=date(2026, 7, 2)).findings) if "runs out" in line
    ]
    assert main(["check", str(path)]) == 0
    assert "6 instruments, 3 persons, 1 exciter, 1 channel set, 1 profile" in capsys.readouterr().out


def test_check_of_a_laboratory_file_finds_what_jobs_would_stumble_over(job):
    path = job.parent / "laboratory.toml"
    text = path.read_text(encoding="utf-8")
    text = text.replace('"ACC-12"]', '"ACC-12", 4]').replace('tolerance = "10 %"', 'tolerance = "10"')
    text = text.replace('id = "haas"\n', "").replace('language = "de"', 'language = "dt"')
    path.write_text(text, encoding="utf-8")
    lines = [finding_line(each) for each in check_job(path).findings if each.severity is Severity.ERROR]
    for expected in ("has 5 cells, expected 4", "tolerance", "[[person]] 3 has no id", "language"):
        assert sum(expected in line and line.startswith("laboratory.toml:") for line in lines) == 1, (expected, lines)


def test_check_of_a_job_says_which_laboratory_file_it_takes_from(job):
    lines = [finding_line(each) for each in check_job(job, today=date(2026, 8, 10)).findings]
    assert any(str(job.parent / "laboratory.toml") in line for line in lines)


def test_an_amendment_tells_the_lines_of_the_laboratory_file_that_changed(job, tmp_path):
    archive = archived(job, tmp_path / "a.zip")
    path = job.parent / "laboratory.toml"
    path.write_text(path.read_text(encoding="utf-8").replace('force = "10 kN"', 'force = "12 kN"'), encoding="utf-8")
    amended = pipeline.amend(compute_report(read_inputs(job)), archive)
    told = [(said(each.what), said(each.before), said(each.after)) for each in amended.amendment.changes]
    assert any("laboratory/laboratory.toml" in what and "12 kN" in after for what, _, after in told), told
    again = archived(job, tmp_path / "b.zip")
    assert "verify.numbers-follow" in [line.what.code for line in verify(again, recomputed).found]
