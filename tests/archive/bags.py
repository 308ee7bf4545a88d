"""A small archive for the tests of this room: contents are invented, the recomputation is a sum."""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

from reportgen.archive.bag import ArchiveInfo, write_archive
from reportgen.archive.digest import Content
from reportgen.archive.manifest import manifest_text, versions_json
from reportgen.errors import ReadError

INFO = ArchiveInfo(
    number="VTR-0201",
    revision="A",
    title="Sine vibration of a crane's monitoring unit",
    date=date(2026, 3, 20),
    laboratory="Harbour Test House\nBagging-Date: 1999-01-01",
    customer="Quayside Instruments",
    software="reportgen 0.1.0",
)

JOB_FILE = b'[report]\nnumber = "VTR-0201"\n'
LOG = b"time [s],frequency [Hz],C1 [g]\n" + b"".join(b"%d,%d,1.5\n" % (n, 5 + n) for n in range(50))


def recompute(job_folder: Path) -> dict[str, Any]:
    """Stands for the pipeline: some numbers that depend on every byte of the log and of the job file."""
    if not (job_folder / "logs" / "x_pre.csv").is_file() or not (job_folder / "job.toml").is_file():
        raise ReadError("job.toml", "a file of the job is missing")
    log = (job_folder / "logs" / "x_pre.csv").read_bytes()
    return {
        "schema": 1,
        "software": "reportgen 0.1.0",
        "job": {"number": (job_folder / "job.toml").read_text(errors="replace")},
        "inputs": [_input(job_folder, name.removeprefix("job/")) for name in job_files()],
        "runs": [{"id": "X-PRE", "channels": [{"id": "A1", "resonances": [{"q": sum(log) / 7.0}]}]}],
    }


def _input(job_folder: Path, name: str) -> dict[str, Any]:
    content = (job_folder / name).read_bytes() if (job_folder / name).is_file() else b""
    return {"path": name, "sha256": hashlib.sha256(content).hexdigest(), "bytes": len(content)}


def rebuild(job_folder: Path) -> dict[str, bytes]:
    """Stands for the renderer, for the small zip."""
    return {"report.pdf": b"%PDF-1.7 pages"}


def job_files() -> dict[str, bytes]:
    return {"job/job.toml": JOB_FILE, "job/notes.txt": b"312 Hz: 2 nodes\n", "job/logs/x_pre.csv": LOG}


def archive_files(tmp_path: Path) -> dict[str, Content]:
    """Job, results and pages, results recomputed from the job so that they agree."""
    folder = tmp_path / "source"
    for name, content in job_files().items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content)
    results = json.dumps(recompute(folder / "job")).encode()
    files: dict[str, Content] = {name: folder / name for name in job_files()}
    return {**files, "results.json": results, "versions.json": versions_json(), "report.pdf": b"%PDF-1.7 pages"}


def archive_bytes(files: Mapping[str, Content]) -> bytes:
    stream = io.BytesIO()
    write_archive(files, INFO, stream)
    return stream.getvalue()


def small_zip(tmp_path: Path, name: str = "archive.zip") -> Path:
    path = tmp_path / name
    path.write_bytes(archive_bytes(archive_files(tmp_path)))
    return path


def zip_of(path: Path, entries: Mapping[str, bytes] | list[tuple[zipfile.ZipInfo | str, bytes]]) -> Path:
    """Any zip at all, for hostile ones."""
    with zipfile.ZipFile(path, "w") as goal:
        for entry, content in entries.items() if isinstance(entries, Mapping) else entries:
            goal.writestr(entry, content, zipfile.ZIP_DEFLATED)
    return path


def small_pdf(tmp_path: Path, name: str = "report.pdf", **extra: bytes) -> Path:
    """A PDF/A-3 with the sources attached, made by the library that makes the reports."""
    from datetime import UTC, datetime

    from weasyprint import HTML, Attachment

    files = {name: content for name, content in archive_files(tmp_path).items() if name != "report.pdf"}
    contents = {name: c if isinstance(c, bytes) else c.read_bytes() for name, c in files.items()} | extra
    listed = {name: hashlib.sha256(content).hexdigest() for name, content in contents.items()}
    contents["manifest-sha256.txt"] = manifest_text(listed).encode()
    when = datetime(2026, 3, 20, tzinfo=UTC)
    attachments = [
        Attachment(string=contents[name], name=name, created=when, modified=when, relationship="Source")
        for name in sorted(contents)
    ]
    html = "<html lang=en><title>Report</title><meta name=dcterms.created content=2026-03-20><p>Pages"
    path = tmp_path / name
    HTML(string=html).write_pdf(path, attachments=attachments, pdf_variant="pdf/a-3u")
    return path
