"""What a build puts out: kinds that the job chooses, tables in archive and manifest, attachments, amendments."""

from __future__ import annotations

import hashlib
import io
import json
import os
import zipfile
from collections.abc import Mapping
from datetime import date

import pytest
from PIL import Image

from reportgen.archive.bag import ArchiveInfo, write_archive
from reportgen.archive.open_archive import open_archive
from reportgen.errors import ArchiveError, ReportError
from reportgen.pipeline import Settings, build_job, check_job
from reportgen.records.finding import Severity
from reportgen.render import plots
from reportgen.render.catalogue import said
from reportgen.verification import verify_archive
from tests.archive.words import lines
from tests.soak.small_job import comma_log, job_of, write_job

PDF = b"%PDF-1.4\n%\xe2\xe3\xcf\xd3\n1 0 obj <<>> endobj\ntrailer <<>>\n%%EOF\n"


def job_with(tmp_path, report_keys: str = "", end: str = ""):
    job = write_job(job_of(comma_log()), tmp_path / "job")
    text = (job / "job.toml").read_text().replace("[report]", f"[report]\n{report_keys}", 1)
    (job / "job.toml").write_text(text + end)
    return job


def errors(job) -> list[str]:
    return [said(each.message) for each in check_job(job).findings if each.severity is Severity.ERROR]


ATTACHMENT = '\n[[attachment]]\nfile = "attachments/fixture.pdf"\ntitle = "Drawing of the fixture"\n'


@pytest.fixture(scope="module")
def files(tmp_path_factory) -> Mapping[str, bytes]:
    """What the archive of a job with tables and an attachment holds, by name."""
    job = attached(tmp_path_factory.mktemp("tables"), outputs='["html", "xlsx", "csv"]')
    (archive,) = build_job(job).folder.glob("*.zip")
    assert verify_archive(archive).exit_code == 0
    with open_archive(archive) as bag:
        return {name: (bag.job_folder.parent / name).read_bytes() for name in bag.found}


def other_sheets(content: bytes) -> bytes:
    """A workbook that speaks of another run."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for each in old.infolist():
            new.writestr(each, old.read(each).replace(b"X-PRE", b"X-PRO"))
    return out.getvalue()


FORGERIES = {
    "number in a text": ("tables/resonances.csv", lambda table: table.replace(b"X-PRE", b"X-PRO"), 1),
    "number in a workbook": ("tables.xlsx", other_sheets, 1),
    "no workbook": ("tables.xlsx", lambda table: b"no workbook", 1),
    "workbook taken out": ("tables.xlsx", lambda table: None, 5),
    "table of nobody": ("tables/extra.csv", lambda table: b"a,b\n1,2\n", 5),
    "another attachment": ("job/attachments/fixture.pdf", lambda attachment: PDF + b"% another\n", 1),
}
"""File, what becomes of it, and the exit code of verify."""


@pytest.mark.parametrize("forgery", FORGERIES)
def test_a_table_or_attachment_that_says_something_else_is_found_by_verify(tmp_path, files, forgery):
    """With every checksum made anew, as a forger would."""
    name, forge, exit_code = FORGERIES[forgery]
    content = forge(files.get(name, b""))
    changed = {each: content if each == name else files[each] for each in (*files, name)}
    assert changed != files
    info = ArchiveInfo(
        number="VTR-0201", revision="A", title="t", date=date(2026, 3, 20), laboratory="l", customer="c", software="s"
    )
    forged = tmp_path / "forged.zip"
    with forged.open("w+b") as stream:
        write_archive({each: told for each, told in changed.items() if told is not None}, info, stream)
    verified = verify_archive(forged)
    assert verified.exit_code == exit_code
    told = name if exit_code == 5 or name.startswith("tables") else "tables/attachments.csv"
    assert any(told in line for line in lines(verified))


@pytest.mark.parametrize(
    "chosen, there, absent",
    [
        ('["html"]', {"report.html"}, {"report.pdf", "summary.pdf", "tables.xlsx", "tables"}),
        ('["html", "xlsx"]', {"report.html", "tables.xlsx"}, {"report.pdf", "tables"}),
        ('["csv", "html"]', {"report.html", "tables"}, {"tables.xlsx", "summary.pdf"}),
    ],
)
def test_outputs_chooses(tmp_path, chosen, there, absent):
    built = build_job(job_with(tmp_path, f"outputs = {chosen}"))
    names = {path.name for path in built.folder.iterdir()}
    assert there | {"results.json", "plots", "manifest-sha256.txt"} <= names
    assert not absent & names
    assert built.missing_pdf is None
    (archive,) = built.folder.glob("*.zip")
    assert verify_archive(archive).exit_code == 0
    sets = json.loads((built.folder / "reportgen-sets.json").read_text())
    assert "issued" in json.dumps(sets)


@pytest.mark.parametrize(
    "value, told",
    [
        ('["pdf", "docx"]', "'docx'"),
        ("3", "is 3"),
        ('["xlsx", "csv"]', "names no report"),
        ("[]", "names no report"),
        ("[[1]]", "[1]"),
    ],
)
def test_outputs_that_cannot_be_made_are_refused(tmp_path, value, told):
    (text,) = errors(job_with(tmp_path, f"outputs = {value}"))
    assert told in text
    assert "outputs" in text


def test_a_draft_marks_the_names_of_its_tables(tmp_path):
    built = build_job(job_with(tmp_path, 'outputs = ["html", "xlsx", "csv"]'), how=Settings(draft=True))
    assert (built.folder / "tables-draft.xlsx").is_file()
    assert (built.folder / "tables-draft" / "resonances-draft.csv").is_file()
    assert not (built.folder / "tables.xlsx").exists()


# Attachments


def attached(tmp_path, content: bytes = PDF, name: str = "fixture.pdf", outputs: str = '["html", "csv"]'):
    job = job_with(tmp_path, f"outputs = {outputs}", ATTACHMENT.replace("fixture.pdf", name))
    (job / "attachments").mkdir()
    (job / "attachments" / name).write_bytes(content)
    return job


def test_attachments_are_listed_with_their_digest(files):
    digest = hashlib.sha256(PDF).hexdigest().encode()
    assert b"Drawing of the fixture" in files["report.html"]
    assert digest in files["report.html"]
    assert digest in files["tables/attachments.csv"]


def test_an_attachment_is_listed_where_there_is_no_annex(tmp_path):
    job = attached(tmp_path)
    text = (job / "job.toml").read_text().replace("[report]", '[report]\nannex = "none"', 1)
    (job / "job.toml").write_text(text)
    assert hashlib.sha256(PDF).hexdigest() in (build_job(job).folder / "report.html").read_text()


KINDS = {
    "a.jpg": b"\xff\xd8\xff\xe0" + bytes(30),
    "a.png": b"\x89PNG\r\n\x1a\n" + bytes(30),
    "a.gif": b"GIF89a" + bytes(30),
    "a.tif": b"II*\0" + bytes(30),
    "a.bmp": b"BM" + bytes(30),
    "a.webp": b"RIFF\x10\0\0\0WEBPVP8 " + bytes(30),
    "a.heic": b"\0\0\0\x18ftypheic" + bytes(30),
    "a.txt": "Prüfplan, 22 °C\n".encode(),
    "latin.txt": "Prüfplan, 22 °C\n".encode("cp1252"),
    "a.svg": b"<svg xmlns='http://www.w3.org/2000/svg'/>",
    "odd.name": PDF,
}


@pytest.mark.parametrize("name", KINDS)
def test_pdf_pictures_and_text_are_taken_by_their_content(tmp_path, name):
    assert errors(attached(tmp_path, KINDS[name], name)) == []


@pytest.mark.parametrize(
    "content", [b"", b"PK\x03\x04" + bytes(40), b"\x7fELF" + bytes(range(256)), b"\x1f\x8b" + bytes(40), bytes(900)]
)
def test_other_files_are_no_attachments(tmp_path, content):
    (text,) = errors(attached(tmp_path, content, "fixture.pdf"))
    assert "attachments/fixture.pdf" in text


def test_pipes_links_out_and_large_files_are_no_attachments(tmp_path, monkeypatch):
    job = attached(tmp_path)
    file = job / "attachments" / "fixture.pdf"
    file.unlink()
    assert "does not exist" in errors(job)[0]
    os.mkfifo(file)
    assert "is not a file" in errors(job)[0]
    file.unlink()
    (tmp_path / "secret.pdf").write_bytes(PDF)
    file.symlink_to(tmp_path / "secret.pdf")
    assert "leads out of the job folder" in errors(job)[0]
    file.unlink()
    file.write_bytes(PDF)
    monkeypatch.setattr("reportgen.read.job.attachments.LARGEST_ATTACHMENT", 10)
    assert "at most 10" in errors(job)[0]
    text = (job / "job.toml").read_text()
    for named in ("../secret.pdf", "/etc/hostname", "C:/x.pdf"):
        (job / "job.toml").write_text(text.replace("attachments/fixture.pdf", named))
        assert "leads out of the job folder" in errors(job)[0]


def test_a_photo_is_no_attachment_as_well(tmp_path):
    """It would leave without its metadata as a photo, and byte for byte as an attachment: one would be untrue."""
    picture = io.BytesIO()
    Image.new("RGB", (8, 8)).save(picture, format="PNG")
    job = attached(tmp_path, picture.getvalue(), "a.png")
    text = (job / "job.toml").read_text() + '\n[[photo]]\nfile = "attachments/a.png"\n'
    (job / "job.toml").write_text(text)
    assert any("is a photo of the job, too" in each for each in errors(job))


def test_check_says_what_a_picture_tells(tmp_path):
    picture = io.BytesIO()
    exif = Image.Exif()
    exif[0x013B] = "A. Photographer"  # Artist (Exif 2.32)
    Image.new("RGB", (8, 8)).save(picture, format="JPEG", exif=exif)
    job = attached(tmp_path, picture.getvalue(), "a.jpg")
    told = [said(each.message) for each in check_job(job).findings if each.severity is Severity.WARNING]
    assert any("attachments/a.jpg tells who took it" in each for each in told)


def test_an_attachment_changed_while_it_is_built_reaches_no_archive(tmp_path, monkeypatch):
    job = attached(tmp_path)
    made = plots.plots_of

    def change(document):
        (job / "attachments" / "fixture.pdf").write_bytes(PDF + b"% more\n")
        return made(document)

    monkeypatch.setattr(plots, "plots_of", change)
    with pytest.raises(ReportError):
        build_job(job)
    assert not (job / "report").exists()


# Amendments


def test_an_amendment_states_reason_and_the_day_of_the_earlier_issue(tmp_path):
    job = job_with(tmp_path, 'outputs = ["html", "csv"]')
    first = build_job(job)
    (archive,) = first.folder.glob("*.zip")
    text = (job / "job.toml").read_text().replace("date = 2026-03-20", "date = 2026-04-02")
    (job / "job.toml").write_text(
        text.replace("[report]", '[report]\namendment_reason = "Serial number of the sensor corrected."', 1)
    )
    second = build_job(job, how=Settings(supersedes=archive))
    page = (second.folder / "report.html").read_text()
    assert "Serial number of the sensor corrected." in page
    assert "Revision A was issued 20 March 2026." in page
    told = json.loads((second.folder / "results.json").read_text())["supersedes"]
    assert (told["date"], told["reason"]) == ("2026-03-20", "Serial number of the sensor corrected.")
    verified = verify_archive(second.folder / "VTR-0201-B.zip")
    assert verified.exit_code == 0, lines(verified)


def findings_of(built) -> str:
    return " ".join(each["code"] for each in json.loads((built.folder / "results.json").read_text())["findings"])


def test_an_amendment_without_reason_or_with_the_earlier_date_is_told_and_one_dated_before_is_refused(tmp_path):
    job = job_with(tmp_path, 'outputs = ["html"]\namendment_reason = "?"')
    first = build_job(job)
    assert "amend.reason-alone" in findings_of(first)
    (archive,) = first.folder.glob("*.zip")
    text = (job / "job.toml").read_text().replace('amendment_reason = "?"\n', "")
    (job / "job.toml").write_text(text.replace("2026-03-20", "2026-03-19"))
    with pytest.raises(ArchiveError) as refused:
        build_job(job, how=Settings(supersedes=archive))
    assert "issued on 20 March 2026" in said(refused.value.said)
    (job / "job.toml").write_text(text)
    told = findings_of(build_job(job, how=Settings(supersedes=archive)))
    assert "amend.no-reason" in told
    assert "amend.same-date" in told
    assert verify_archive(job / "report" / "VTR-0201-B.zip").exit_code == 0
