"""Verification: what is wrong is told apart, and a changed byte anywhere is found."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pikepdf
import pytest

from reportgen.archive import manifest
from reportgen.archive.manifest import manifest_text
from reportgen.archive.verify import Kind, Verified, verify
from reportgen.errors import ArchiveError, ComputeError
from tests.archive.bags import archive_bytes, archive_files, recompute, small_pdf, small_zip


def kinds(report: Verified) -> set[Kind]:
    return {line.kind for line in report.found}


def repacked(tmp_path: Path, **changed: bytes) -> Path:
    """A sound archive of other contents: every checksum is right."""
    path = tmp_path / "other.zip"
    path.write_bytes(archive_bytes({**archive_files(tmp_path), **changed}))
    return path


@pytest.mark.parametrize("make", [small_zip, small_pdf])
def test_a_sound_archive(tmp_path, make):
    report = verify(make(tmp_path), recompute)
    assert report.exit_code == 0, " ".join(report.lines)
    assert kinds(report) == {Kind.SAME, Kind.NOTE}
    assert report.lines[-1].endswith("everything is as it was reported")


def test_a_number_that_does_not_follow_is_named_and_measured(tmp_path):
    results = json.loads(archive_files(tmp_path)["results.json"])
    resonance = results["runs"][0]["channels"][0]["resonances"][0]
    resonance["q"] *= 1.01
    report = verify(repacked(tmp_path, **{"results.json": json.dumps(results).encode()}), recompute)
    assert report.exit_code == 1
    assert Kind.ALTERED not in kinds(report)
    (line,) = [line for line in report.found if line.kind is Kind.NUMBER]
    assert "runs[X-PRE].channels[A1].resonances[0].q" in line.text
    assert "off by 0.99 %" in line.text


def test_other_software_is_said_and_is_no_fault_by_itself(tmp_path):
    versions = {**manifest.versions(), "numpy": "1.0", "weasyprint": "1.0"}
    report = verify(repacked(tmp_path, **{"versions.json": json.dumps(versions).encode()}), recompute, lambda job: {})
    assert report.exit_code == 0
    said = [line.text for line in report.found if line.kind is Kind.VERSION]
    assert len(said) == 2
    assert "numpy was 1.0" in said[0]
    assert "the pages, not the numbers" in said[1]


def test_a_laboratorys_own_templates_are_not_taken_for_damage(tmp_path):
    (tmp_path / "own").mkdir()
    (tmp_path / "own" / "report.css").write_text("h1 { color: navy }")
    versions = manifest.versions_json(tmp_path / "own")
    report = verify(repacked(tmp_path, **{"versions.json": versions}), recompute, lambda job: {"report.pdf": b"plain"})
    assert report.exit_code == 0
    assert [line.text[:12] for line in report.found if line.kind is Kind.VERSION] == ["branding was"]


def test_the_software_named_in_the_results_is_not_a_number(tmp_path):
    def by_other_software(job_folder):
        return {**recompute(job_folder), "software": "reportgen 9.9"}

    assert verify(small_zip(tmp_path), by_other_software).exit_code == 0


def test_numbers_that_cannot_be_recomputed_are_not_called_same(tmp_path):
    def fail(job_folder):
        raise ComputeError("logs/x_pre.csv: too short")

    report = verify(small_zip(tmp_path), fail)
    assert report.exit_code == 1
    assert any(line.kind is Kind.UNCHECKED and "too short" in line.text for line in report.found)


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
    assert len(report.differences) == 200
    assert "and 150 more" in " ".join(report.lines)


def test_no_archive_at_all(tmp_path):
    report = verify(tmp_path / "nowhere.zip", recompute)
    assert (report.exit_code, kinds(report)) == (1, {Kind.DAMAGED})


# Pages -----------------------------------------------------------------------------------------------------------


def test_pages_printed_again(tmp_path):
    path = small_zip(tmp_path)
    same = verify(path, recompute, lambda job: {"report.pdf": b"%PDF-1.7 pages"})
    assert "same to the last byte" in " ".join(same.lines)
    report = verify(path, recompute, lambda job: {"report.pdf": b"%PDF-1.7 other"})
    assert (report.exit_code, Kind.PAGES in kinds(report)) == (1, True)


def test_pages_that_cannot_be_printed_again(tmp_path):
    def fail(job_folder):
        raise ArchiveError("no text layout library")

    report = verify(small_zip(tmp_path), recompute, fail)
    assert (report.exit_code, Kind.UNCHECKED in kinds(report)) == (1, True)


def test_any_byte_of_a_pdf_is_found_where_its_pages_can_be_printed_again(tmp_path):
    path = small_pdf(tmp_path)
    sound = path.read_bytes()
    assert verify(path, recompute, lambda job: {"report.pdf": sound}).exit_code == 0
    chance = random.Random(7)
    for at in chance.sample(range(len(sound)), 40):
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
    assert report.exit_code == 1
    assert Kind.MISSING not in kinds(report)
    assert "job/logs/x_long.csv is too large for a PDF and lies in the archive zip; verify that" in " ".join(
        report.lines
    )


# A changed byte anywhere in an archive ---------------------------------------------------------------------------


def _find_changes(tmp_path: Path, places: int | None, masks: int) -> int:
    """Change single bytes of a sound archive; how many changes were tried. Each must be found."""
    path = small_zip(tmp_path)
    sound = path.read_bytes()
    chance = random.Random(20260320)
    where = range(len(sound)) if places is None else sorted(chance.sample(range(len(sound)), places))
    for at in where:
        for mask in chance.sample(range(1, 256), masks):
            path.write_bytes(sound[:at] + bytes([sound[at] ^ mask]) + sound[at + 1 :])
            report = verify(path, recompute)
            assert report.exit_code == 1, f"byte {at} changed by {mask:#x} was not found"
    return len(where) * masks


def test_a_changed_byte_anywhere_is_found(tmp_path):
    assert _find_changes(tmp_path, places=250, masks=1) == 250


@pytest.mark.soak
def test_each_changed_byte_is_found(tmp_path):
    print(_find_changes(tmp_path, places=None, masks=3), "changes of one byte, each found")


def test_a_cut_or_longer_archive_is_found(tmp_path):
    path = small_zip(tmp_path)
    sound = path.read_bytes()
    for changed in (sound[:-1], sound[:100], sound[1:], sound + b"\0", sound * 2, b""):
        path.write_bytes(changed)
        assert verify(path, recompute).exit_code == 1
