"""One file of a report by itself, as tests ask for it; the pipeline prints all of them from one document."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

from reportgen.records.report import Report
from reportgen.render.document import assemble
from reportgen.render.figures.gallery import Gallery
from reportgen.render.figures.plot import Drawing, Sketch
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


def white_figures(report: Report) -> dict[str, Drawing]:
    """Figures of the right size with nothing on them, for tests that count pages."""
    sketches = assemble(report, data_dir("templates")).drawings.sketches.values()
    return {each.key: Drawing(key=each.key, alt=each.alt, svg=_white(each)) for each in sketches}


def _white(sketch: Sketch) -> str:
    size = f'width="{sketch.width:g}" height="{sketch.height:g}" viewBox="0 0 {sketch.width:g} {sketch.height:g}"'
    return f'<svg xmlns="http://www.w3.org/2000/svg" {size}/>'


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


def render_annex_pdf(report: Report, *, templates: Path, drawn: Callable[[], Mapping[str, Drawing]]) -> bytes:
    document = assemble(report, templates)
    return annex_pdf(replace(document, drawings=document.drawings.taken_from(drawn)), templates=templates)


def render_plots(report: Report) -> dict[str, bytes]:
    return plots_of(assemble(report, data_dir("templates")))


def render_summary_pdf(report: Report, *, templates: Path, branding: Path | None = None) -> bytes:
    return summary_pdf(report, assemble(report, templates), templates=templates, branding=branding)
