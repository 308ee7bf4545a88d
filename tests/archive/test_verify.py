"""Verification: what is wrong is told apart, and a changed byte anywhere is found."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pikepdf
import pytest

from reportgen.archive import manifest, open_archive
from reportgen.archive.manifest import manifest_text
from reportgen.archive.verify import Kind, Verified, verify
from reportgen.errors import ArchiveError, ComputeError
from reportgen.render.catalogue import said
from tests.archive.bags import archive_bytes, archive_files, rebuild, recompute, small_pdf, small_zip
from tests.archive.words import lines, words


def kinds(report: Verified) -> set[Kind]:
    return {line.kind for line in report.found}


def repacked(tmp_path: Path, **changed: bytes) -> Path:
    """A sound archive of other contents: every checksum is right."""
    path = tmp_path / "other.zip"
    path.write_bytes(archive_bytes({**archive_files(tmp_path), **changed}))
    return path


def printed_as(path: Path):
    """A renderer that prints that file."""
    content = path.read_bytes()
    return lambda job_folder: {"report.pdf": content}


def parts(report: Verified) -> list[object]:
    """What is named as not verified."""
    named = [line.part for line in report.found if line.kind is Kind.UNCHECKED]
    return [part if isinstance(part, str) else said(part) for part in named]


def test_a_sound_archive(tmp_path):
    report = verify(small_zip(tmp_path), recompute, rebuild)
    assert report.exit_code == 0, " ".join(lines(report))
    assert kinds(report) == {Kind.SAME}
    assert lines(report)[-1].endswith("everything is as it was reported")


def test_a_sound_pdf_that_nobody_signed_is_told_as_unsigned(tmp_path):
    path = small_pdf(tmp_path)
    report = verify(path, recompute, printed_as(path))
    assert report.exit_code == 0, " ".join(lines(report))
    assert lines(report)[-1].endswith("everything is as it was reported; it is not signed")


# Not verified ----------------------------------------------------------------------------------------------------


def test_forged_pages_behind_forged_versions_are_not_verified(tmp_path):
    """The version of a library is changed, so that nobody prints again, and the page with it; all digests are right."""
    stated = json.dumps({**manifest.versions(), "weasyprint": "1.0"}).encode()
    path = repacked(tmp_path, **{"versions.json": stated, "report.pdf": b"%PDF-1.7 forged"})
    report = verify(path, recompute, rebuild)
    assert (report.exit_code, parts(report)) == (5, ["report.pdf"])
    assert "everything" not in lines(report)[-1]
    assert "NOT VERIFIED: report.pdf" in lines(report)[-1]


def test_pages_that_other_software_prints_alike_are_verified(tmp_path):
    stated = json.dumps({**manifest.versions(), "weasyprint": "1.0"}).encode()
    assert verify(repacked(tmp_path, **{"versions.json": stated}), recompute, rebuild).exit_code == 0


@pytest.mark.parametrize("name", ["certificate.pdf", "plots/X-PRE-A9.svg", "job/logs/other.csv", "job/approved.txt"])
def test_a_file_added_to_an_archive_with_its_digest_is_named(tmp_path, name):
    report = verify(repacked(tmp_path, **{name: b"approved"}), recompute, rebuild)
    assert (report.exit_code, parts(report)) == (5, [name.removeprefix("job/")])
    assert "everything" not in lines(report)[-1]


def test_pages_missing_from_an_archive_and_its_manifest_are_named(tmp_path):
    files = archive_files(tmp_path)
    del files["report.pdf"]
    path = tmp_path / "short.zip"
    path.write_bytes(archive_bytes(files))
    report = verify(path, recompute, rebuild)
    assert (report.exit_code, parts(report)) == (5, ["report.pdf"])


def test_results_missing_from_an_archive_and_its_manifest_are_named(tmp_path):
    files = archive_files(tmp_path)
    del files["results.json"]
    path = tmp_path / "short.zip"
    path.write_bytes(archive_bytes(files))
    report = verify(path, recompute, rebuild)
    assert (report.exit_code, parts(report)) == (5, ["the numbers"])


def test_without_printing_again_the_pages_are_not_verified(tmp_path):
    for path in (small_zip(tmp_path), small_pdf(tmp_path)):
        assert verify(path, recompute).exit_code == 5


def test_a_summary_says_what_it_is_and_what_to_verify(tmp_path):
    from weasyprint import HTML

    folder = tmp_path / "delivered"
    folder.mkdir()
    path = folder / "summary.pdf"
    HTML(string="<html lang=en><title>Summary VTR-0201 rev. A: Crane</title><p>pass").write_pdf(path)
    report = verify(path, recompute, rebuild)
    text = " ".join(lines(report))
    assert report.exit_code == 5
    assert "Summary VTR-0201 rev. A" in text
    assert "Verify the report.pdf or the archive zip" in text
    assert "damaged" not in text
    (folder / "VTR-0201-A.zip").write_bytes(b"")
    (folder / "report.pdf").write_bytes(b"")
    assert "lies beside it: VTR-0201-A.zip, report.pdf" in " ".join(lines(verify(path, recompute, rebuild)))


# What differs ----------------------------------------------------------------------------------------------------


def test_a_number_that_does_not_follow_is_named_and_measured(tmp_path):
    results = json.loads(archive_files(tmp_path)["results.json"])
    resonance = results["runs"][0]["channels"][0]["resonances"][0]
    resonance["q"] *= 1.01
    report = verify(repacked(tmp_path, **{"results.json": json.dumps(results).encode()}), recompute)
    assert report.exit_code == 1
    assert Kind.ALTERED not in kinds(report)
    (line,) = [line for line in report.found if line.kind is Kind.NUMBER]
    assert "runs[X-PRE].channels[A1].resonances[0].q" in words(line)
    assert "off by 0.99 %" in words(line)


def test_other_software_is_said_and_is_no_fault_by_itself(tmp_path):
    versions = {**manifest.versions(), "numpy": "1.0", "weasyprint": "1.0"}
    report = verify(repacked(tmp_path, **{"versions.json": json.dumps(versions).encode()}), recompute, rebuild)
    assert report.exit_code == 0
    said = [words(line) for line in report.found if line.kind is Kind.VERSION]
    assert len(said) == 2
    assert "numpy was 1.0" in said[0]
    assert "the pages, not the numbers" in said[1]


def test_a_laboratorys_own_templates_are_not_taken_for_damage(tmp_path):
    (tmp_path / "own").mkdir()
    (tmp_path / "own" / "report.css").write_text("h1 { color: navy }")
    versions = manifest.versions_json(tmp_path / "own")
    report = verify(repacked(tmp_path, **{"versions.json": versions}), recompute, lambda job: {"report.pdf": b"plain"})
    assert report.exit_code == 5
    assert [words(line)[:12] for line in report.found if line.kind is Kind.VERSION] == ["branding was"]


def test_a_laboratory_s_own_report_could_not_be_verified_for_want_of_its_templates(tmp_path):
    """Fault: verify knew no branding, so that such a report was never the same; and without it says what to name."""
    own = tmp_path / "own"
    own.mkdir()
    (own / "brand.css").write_text("h1 { color: navy }")
    path = repacked(tmp_path, **{"versions.json": manifest.versions_json(own)})
    assert verify(path, recompute, rebuild, branding=own).exit_code == 0
    without = verify(path, recompute, lambda job: {"report.pdf": b"plain"})
    assert without.exit_code == 5
    assert "verify.branding-needed" in [line.what.code for line in without.found]
    (own / "brand.css").write_text("h1 { color: red }")
    assert any(line.kind is Kind.VERSION for line in verify(path, recompute, rebuild, branding=own).found)


def test_the_software_named_in_the_results_is_not_a_number(tmp_path):
    def by_other_software(job_folder):
        return {**recompute(job_folder), "software": "reportgen 9.9"}

    assert verify(small_zip(tmp_path), by_other_software, rebuild).exit_code == 0


def test_numbers_that_cannot_be_recomputed_are_not_called_same(tmp_path):
    def fail(job_folder):
        raise ComputeError("logs/x_pre.csv: too short")

    report = verify(small_zip(tmp_path), fail, fail)
    assert report.exit_code == 5
    assert any(line.kind is Kind.UNCHECKED and "too short" in words(line) for line in report.found)


@pytest.mark.parametrize("results", [b"", b"[", b"NaN", b"[" * 100_000, b"1" * 10_000, b'"text"', b"\xff"])
def test_spoilt_results(tmp_path, results):
    assert verify(repacked(tmp_path, **{"results.json": results}), recompute).exit_code == 1


@pytest.mark.parametrize("stated", [b"[]", b"{", b"null"])
def test_spoilt_versions(tmp_path, stated):
    report = verify(repacked(tmp_path, **{"versions.json": stated}), recompute)
    assert Kind.UNCHECKED in kinds(report)


def test_many_differences_are_counted(tmp_path):
    results = {"numbers": list(range(200))}
    path = repacked(tmp_path, **{"results.json": json.dumps(results).encode()})
    report = verify(path, lambda job: {"numbers": [n + 1 for n in range(200)]})
    assert "and 150 more" in " ".join(lines(report))


def test_no_archive_at_all(tmp_path):
    report = verify(tmp_path / "nowhere.zip", recompute)
    assert (report.exit_code, kinds(report)) == (1, {Kind.DAMAGED})


# Pages -----------------------------------------------------------------------------------------------------------


def test_pages_printed_again(tmp_path):
    path = small_zip(tmp_path)
    same = verify(path, recompute, lambda job: {"report.pdf": b"%PDF-1.7 pages"})
    assert "same to the last byte" in " ".join(lines(same))
    report = verify(path, recompute, lambda job: {"report.pdf": b"%PDF-1.7 other"})
    assert (report.exit_code, Kind.PAGES in kinds(report)) == (1, True)


def test_pages_that_cannot_be_printed_again(tmp_path):
    def fail(job_folder):
        raise ArchiveError("no text layout library")

    report = verify(small_zip(tmp_path), recompute, fail)
    assert (report.exit_code, parts(report)) == (5, ["the pages"])


@pytest.mark.parametrize("count", [12, pytest.param(400, marks=pytest.mark.soak)])
def test_any_byte_of_a_pdf_is_found_where_its_pages_can_be_printed_again(tmp_path, count):
    path = small_pdf(tmp_path)
    sound = path.read_bytes()
    assert verify(path, recompute, lambda job: {"report.pdf": sound}).exit_code == 0
    chance = random.Random(7)
    for at in chance.sample(range(len(sound)), count):
        path.write_bytes(sound[:at] + bytes([sound[at] ^ 1 << chance.randrange(8)]) + sound[at + 1 :])
        assert verify(path, recompute, lambda job: {"report.pdf": sound}).exit_code == 1, at
    path.write_bytes(sound + b"\n")
    assert verify(path, recompute, lambda job: {"report.pdf": sound}).exit_code == 1


def test_a_pdf_that_leaves_a_large_log_to_the_archive(tmp_path):
    digests = {"job/logs/x_long.csv": "0" * 64}
    path = small_pdf(tmp_path, **{"held-in-archive.txt": manifest_text(digests).encode()})
    with pikepdf.open(path) as pdf:
        stream = pdf.attachments["manifest-sha256.txt"].obj.EF.F
        stream.write(stream.read_bytes() + manifest_text(digests).encode())
        pdf.save(tmp_path / "held.pdf")
    report = verify(tmp_path / "held.pdf", recompute)
    assert report.exit_code == 5
    assert Kind.MISSING not in kinds(report)
    assert "job/logs/x_long.csv is too large for a PDF and lies in the archive zip; verify that" in " ".join(
        lines(report)
    )


# A changed byte anywhere in an archive ---------------------------------------------------------------------------


@pytest.fixture
def here(monkeypatch):
    """Archives are opened in this process: a process for each of many would take most of the time."""
    monkeypatch.setattr(open_archive, "bounded", lambda work, *given: work(*given))


def _find_changes(tmp_path: Path, places: int | None, masks: int) -> int:
    """Change single bytes of a sound archive; how many changes were tried. Each must be found."""
    path = small_zip(tmp_path)
    sound = path.read_bytes()
    chance = random.Random(20260320)
    where = range(len(sound)) if places is None else sorted(chance.sample(range(len(sound)), places))
    for at in where:
        for mask in chance.sample(range(1, 256), masks):
            path.write_bytes(sound[:at] + bytes([sound[at] ^ mask]) + sound[at + 1 :])
            report = verify(path, recompute, rebuild)
            assert report.exit_code == 1, f"byte {at} changed by {mask:#x} was not found"
    return len(where) * masks


def test_a_changed_byte_anywhere_is_found(tmp_path, here):
    assert _find_changes(tmp_path, places=250, masks=1) == 250


@pytest.mark.soak
def test_each_changed_byte_is_found(tmp_path, here):
    print(_find_changes(tmp_path, places=None, masks=3), "changes of one byte, each found")


def test_a_cut_or_longer_archive_is_found(tmp_path):
    path = small_zip(tmp_path)
    sound = path.read_bytes()
    for changed in (sound[:-1], sound[:100], sound[1:], sound + b"\0", sound * 2, b""):
        path.write_bytes(changed)
        assert verify(path, recompute).exit_code == 1


def _endless(folder: Path) -> dict[str, object]:
    import time

    time.sleep(60)
    return {}


def _vast(folder: Path) -> int:
    return len(bytearray(8 << 30))


@pytest.mark.parametrize("work, words", [(_endless, "bounds.time"), (_vast, "bounds.memory")])
def test_computing_again_is_held_to_time_and_memory(tmp_path, work, words):
    """A log inside an archive may be made to keep the computation busy, or to fill the machine."""
    from reportgen.archive.bounded import BoundError, Bounds, Doing, held

    with pytest.raises(BoundError, match=words):
        held(work, Bounds(seconds=1.0 if work is _endless else 30.0, memory=1 << 30), tmp_path, doing=Doing.COMPUTING)


def test_what_computes_beyond_its_bounds_is_not_verified(tmp_path, monkeypatch):
    """The outcome names the reason, and is neither the same nor different."""
    from reportgen.archive import bounded
    from reportgen.cli import main
    from tests.soak.small_job import comma_log, job_of, write_job

    job = write_job(job_of(comma_log()), tmp_path / "job")
    text = (job / "job.toml").read_text()
    (job / "job.toml").write_text(text.replace("[report]", '[report]\noutputs = ["html"]', 1))
    assert main(["build", str(job)]) == 0
    archive = next((job / "report").glob("*.zip"))
    assert main(["verify", str(archive)]) == 0
    monkeypatch.setattr(bounded, "COMPUTING_SECONDS", 0.0)
    monkeypatch.setattr(bounded, "COMPUTING_SECONDS_A_MEGABYTE", 0.0)
    assert main(["verify", str(archive)]) == 5
