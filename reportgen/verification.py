"""Verification: an archive or report.pdf computed and printed again by the very steps that built it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reportgen.cores import cores
from reportgen.errors import ArchiveError
from reportgen.pipeline import Settings, as_results, compute_report, read_inputs, render_outputs
from reportgen.progress import Say, silent
from reportgen.records.message import message
from reportgen.records.report import Report

if TYPE_CHECKING:
    from reportgen.archive.verify import Verified


def verify_archive(
    path: Path, progress: Say = silent, *, trusted: Sequence[Path] = (), branding: Path | None = None
) -> Verified:
    """Check every digest of an archive or report.pdf, recompute every number, print every page and compare.

    ``branding`` is the laboratory's own templates, where the report was printed by some.
    """
    from reportgen.archive.verify import Kind, Line, verify

    computed: dict[Path, Report] = {}

    def report_of(folder: Path) -> Report:
        if folder not in computed:
            computed[folder] = _as_it_was(compute_report(read_inputs(folder, progress), progress, cores=cores()))
        return computed[folder]

    def results_of(folder: Path) -> dict[str, Any]:
        return as_results(report_of(folder))

    def pages_of(folder: Path) -> dict[str, bytes]:
        how = Settings(cores=cores(), branding=branding)
        outputs, _ = render_outputs(report_of(folder), how, progress)
        return {name: content for name, content in outputs.items() if isinstance(content, bytes)}

    verified = verify(path, results_of, pages_of, trusted=trusted, branding=branding)
    if any(report.draft for report in computed.values()):
        told = Line(kind=Kind.NOTE, what=message("verify.draft"))
        return replace(verified, found=(told, *verified.found))
    return verified


def _as_it_was(report: Report) -> Report:
    """A report recomputed, as the amendment and the draft it was. Raises ArchiveError."""
    from reportgen.archive.amendment import SUPERSEDED, kept_amendment, kept_as_draft
    from reportgen.render.catalogue import can_say

    report = kept_as_draft(kept_amendment(report))
    changes = report.amendment.changes if report.amendment is not None else ()
    if not all(can_say(text) for each in changes for text in (each.what, each.before, each.after)):
        raise ArchiveError(message("amend.unknown-words", name=SUPERSEDED))
    return report
