"""Sources: what of a report goes into its archive, and what travels inside report.pdf."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path, PurePosixPath
from typing import BinaryIO

from reportgen.archive.amendment import SUPERSEDED, amendment_json
from reportgen.archive.bag import RESULTS, VERSIONS, ArchiveInfo, job_name, write_archive
from reportgen.archive.digest import Content, sha256
from reportgen.archive.manifest import MANIFEST, manifest_text, versions_json
from reportgen.archive.open_archive import HELD_ELSEWHERE
from reportgen.archive.publish import Output
from reportgen.errors import ArchiveError
from reportgen.records.message import message
from reportgen.records.report import InputFile, Report

LARGEST_IN_PDF = 20_000_000
"""Bytes of inputs that report.pdf carries; larger ones lie in the archive, and the PDF holds their digests."""


def archive_info(report: Report) -> ArchiveInfo:
    """What the archive says of itself."""
    identity = report.job.report
    return ArchiveInfo(
        number=identity.number,
        revision=identity.revision,
        title=identity.title,
        date=identity.date,
        laboratory=report.job.laboratory.name,
        customer=report.job.customer.name,
        software=report.software,
        draft=report.draft,
    )


def marked_names(report: Report, outputs: Mapping[str, Output]) -> dict[str, Output]:
    """Outputs under the names of a draft; that of its archive is marked already."""
    archive = f"{archive_info(report).name}.zip"
    return {name if name == archive else draft_name(name): output for name, output in outputs.items()}


def draft_name(name: str) -> str:
    """The name of an output, marked as that of a draft.

    >>> [draft_name(each) for each in ("report.pdf", "plots/x-pre-a1.svg")]
    ['report-draft.pdf', 'plots-draft/x-pre-a1-draft.svg']
    """
    *folders, last = PurePosixPath(name).parts
    path = PurePosixPath(last)
    return "/".join((*(f"{folder}-draft" for folder in folders), f"{path.stem}-draft{path.suffix}"))


def bag_job(report: Report, outputs: Mapping[str, bytes], branding: Path | None = None) -> Output:
    """The archive of a report with its outputs, as a function that writes it: long logs are never held in memory.

    Raises ArchiveError when it is called and an input has changed since it was read.
    """

    def write(stream: BinaryIO) -> None:
        files: dict[str, Content] = {job_name(file.path): _kept(report, file) for file in report.inputs}
        read = {job_name(file.path): file.sha256 for file in report.inputs}
        write_archive(
            {**files, **outputs, **_statements(report, branding)}, archive_info(report), stream, expected=read
        )

    return write


def _kept(report: Report, file: InputFile) -> Content:
    return report.job.folder / file.path if file.kept is None else file.kept


def _statements(report: Report, branding: Path | None) -> dict[str, bytes]:
    """What is added to inputs and outputs: the software, and what this report replaces."""
    found = {VERSIONS: versions_json(branding)}
    if report.amendment is not None:
        found[SUPERSEDED] = amendment_json(report.amendment)
    return found


def pdf_sources(report: Report, results: bytes, branding: Path | None = None) -> dict[str, bytes]:
    """Attachments of report.pdf by name, in the order of the names' bytes: inputs, results, versions, manifest.

    Inputs are taken from the smallest up until ``LARGEST_IN_PDF``; of the rest the digests are carried. Raises
    ArchiveError where an input has changed since it was read.
    """
    carried, held = {RESULTS: results, **_statements(report, branding)}, {}
    room = LARGEST_IN_PDF
    for file in sorted(report.inputs, key=lambda each: (each.bytes, each.path)):
        if file.bytes <= room:
            room -= file.bytes
            carried[job_name(file.path)] = file.kept or _unchanged(report, file.path, file.sha256)
        else:
            held[job_name(file.path)] = file.sha256
    if held:
        carried[HELD_ELSEWHERE] = manifest_text(held).encode()
    listed = {name: sha256(content) for name, content in carried.items()}
    carried[MANIFEST] = manifest_text({**listed, **held}).encode()
    return dict(sorted(carried.items(), key=lambda item: item[0].encode()))


def _unchanged(report: Report, path: str, digest: str) -> bytes:
    content = (report.job.folder / path).read_bytes()
    if sha256(content) != digest:
        raise ArchiveError(message("archive.input-changed", path=path))
    return content
