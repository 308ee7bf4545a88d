"""Report set: what a build says of its set of outputs before and after it is made, and under which names it is put."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from reportgen.archive.folder import Output
from reportgen.archive.issue import ReportSet, Standing
from reportgen.archive.manifest import versions
from reportgen.archive.sources import archive_info, draft_name
from reportgen.records.job import Job, OutputKind
from reportgen.records.report import InputFile, Report

CHIEF = ("report.pdf", "report.html", "summary.pdf", "annex.pdf", "tables.xlsx")
"""Outputs that a reader opens, besides the archive."""

_NEEDS_PDF = {OutputKind.PDF: "report.pdf", OutputKind.SUMMARY: "summary.pdf"}
"""Outputs that cannot be made where nothing can set pages."""


def stated_set(job: Job, files: Sequence[InputFile], standing: Standing, *, alone: bool) -> ReportSet:
    """What a set is before it is made: which report it is of, what it was made from, and what it is worth.

    ``alone``: results without a report.
    """
    return ReportSet(
        number=job.report.number,
        revision=job.report.revision,
        standing=standing,
        alone=alone,
        inputs={file.path: file.sha256 for file in files},
    )


def finished_set(stated: ReportSet, report: Report, outputs: Mapping[str, Output], branding: Path | None) -> ReportSet:
    """What a finished set is: where a PDF that it is to have could not be made, it is not issued yet."""
    archive = _archive_name(report)
    asked = [name for kind, name in _NEEDS_PDF.items() if kind in report.job.report.outputs]
    lacks_pdf = not stated.alone and any(draft_or_not(report, name) not in outputs for name in asked)
    return replace(
        stated,
        revision=report.job.report.revision,
        standing=Standing.INTERIM if lacks_pdf and stated.standing is Standing.ISSUED else stated.standing,
        archive=archive if archive in outputs else "",
        supersedes=report.amendment.sha256 if report.amendment is not None else "",
        versions=versions(branding),
    )


def draft_or_not(report: Report, name: str) -> str:
    """Name of an output as it stands in the folder."""
    return draft_name(name) if report.draft else name


def chief_files(report: Report, outputs: Mapping[str, Output]) -> tuple[str, ...]:
    """Names of the outputs that matter, of those that are there: report, summary and archive; else the results."""
    names = (*(draft_or_not(report, name) for name in CHIEF), _archive_name(report))
    return tuple(name for name in names if name in outputs) or (draft_or_not(report, "results.json"),)


def _archive_name(report: Report) -> str:
    return f"{archive_info(report).name}.zip"
