"""One file of a report by itself, as tests ask for it; the pipeline prints all of them from one document."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

from reportgen.records.report import Report
from reportgen.render.document import assemble
from reportgen.render.figures.gallery import Gallery
from reportgen.render.figures.plot import Drawing
from reportgen.render.html import report_html
from reportgen.render.pdf import annex_pdf, report_pdf
from reportgen.render.plots import plots_of
from reportgen.render.summary import summary_pdf
from reportgen.resources import data_dir


def render_html(report: Report, *, templates: Path, branding: Path | None = None) -> str:
    return report_html(assemble(report, templates), templates=templates, branding=branding)


def page_of_words(report: Report, *, templates: Path, branding: Path | None = None) -> str:
    """The report on screen with its figures left white, which are most of its cost: for tests that read its words."""
    document = assemble(report, templates)
    sketches = [replace(each, plot=None) for each in document.drawings.sketches.values()]
    white = Gallery(sketches, lambda each: Drawing(key=each.key, alt=each.alt, svg="<svg/>"))
    return report_html(replace(document, drawings=white), templates=templates, branding=branding)


def render_pdf(
    report: Report,
    *,
    templates: Path,
    branding: Path | None = None,
    attachments: Mapping[str, bytes] | None = None,
    drawn: Callable[[], Mapping[str, Drawing]] | None = None,
) -> bytes:
    document = assemble(report, templates)
    return report_pdf(document, templates=templates, branding=branding, attachments=attachments, drawn=drawn)


def render_annex_pdf(report: Report, *, templates: Path) -> bytes:
    return annex_pdf(assemble(report, templates), templates=templates)


def render_plots(report: Report) -> dict[str, bytes]:
    return plots_of(assemble(report, data_dir("templates")))


def render_summary_pdf(report: Report, *, templates: Path, branding: Path | None = None) -> bytes:
    return summary_pdf(report, assemble(report, templates), templates=templates, branding=branding)
