"""Verification: an archive or report.pdf computed and printed again by the very steps that built it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reportgen.cores import cores
from reportgen.errors import ArchiveError, ReportError
from reportgen.outputs import render_outputs
from reportgen.pipeline import as_results, compute_report, read_inputs
from reportgen.progress import Say, silent
from reportgen.records.message import Message, message
from reportgen.records.report import Report

if TYPE_CHECKING:
    from reportgen.archive.verify import Verified


def verify_archive(
    path: Path, progress: Say = silent, *, trusted: Sequence[Path] = (), branding: Path | None = None
) -> Verified:
    """Check every digest of an archive or report.pdf, recompute every number, print every page and compare.

    ``branding`` is the laboratory's own templates, where the report was printed by some.
    """
    from reportgen.archive.bounded import Doing, bounds_of_computing, held
    from reportgen.archive.verify import Kind, Line, verify

    computed: dict[Path, _Again] = {}

    def again(folder: Path) -> _Again:
        if folder not in computed:
            progress(message("progress.computing-again"))
            bounds = bounds_of_computing(folder)
            computed[folder] = held(_again, bounds, folder, branding, doing=Doing.COMPUTING)
        return computed[folder]

    def pages_of(folder: Path) -> Mapping[str, bytes]:
        found = again(folder)
        if found.problem is not None:
            raise ReportError(found.problem)
        return found.pages

    verified = verify(path, lambda folder: again(folder).results, pages_of, trusted=trusted, branding=branding)
    if any(each.draft for each in computed.values()):
        told = Line(kind=Kind.NOTE, what=message("verify.draft"))
        return replace(verified, found=(told, *verified.found))
    return verified


@dataclass(frozen=True, slots=True, kw_only=True)
class _Again:
    """What the sources of an archive give here and now."""

    results: dict[str, Any]
    pages: Mapping[str, bytes]
    problem: Message | None
    """Why the pages cannot be printed; None where they could be."""
    draft: bool


def _again(folder: Path, branding: Path | None) -> _Again:
    """Compute and print once more; runs in a process that may take so long and so much. Raises ArchiveError."""
    try:
        report = _as_it_was(compute_report(read_inputs(folder, silent, alone=True), silent, cores=cores()))
        results = as_results(report)
    except ArchiveError:
        raise
    except ReportError as problem:
        raise ArchiveError(problem.said) from problem
    try:
        outputs, _ = render_outputs(report, branding=branding, cores=cores())
    except ReportError as problem:
        return _Again(results=results, pages={}, problem=problem.said, draft=report.draft)
    pages = {name: content for name, content in outputs.items() if isinstance(content, bytes)}
    return _Again(results=results, pages=pages, problem=None, draft=report.draft)


def _as_it_was(report: Report) -> Report:
    """A report recomputed, as the amendment and the draft it was. Raises ArchiveError."""
    from reportgen.archive.amendment import SUPERSEDED, kept_amendment, kept_as_draft, with_amendment_findings
    from reportgen.render.catalogue import can_say

    report = with_amendment_findings(kept_as_draft(kept_amendment(report)))
    changes = report.amendment.changes if report.amendment is not None else ()
    if not all(can_say(text) for each in changes for text in (each.what, each.before, each.after)):
        raise ArchiveError(message("amend.unknown-words", name=SUPERSEDED))
    return report
