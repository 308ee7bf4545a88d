"""Every figure of a report as a file of its own."""

from __future__ import annotations

from reportgen.records.report import Report
from reportgen.render.document import Document, assemble
from reportgen.resources import data_dir


def render_plots(report: Report) -> dict[str, bytes]:
    """SVG files by name, the same drawings that stand in the report."""
    return plots_of(assemble(report, data_dir("templates")))


def plots_of(document: Document[object]) -> dict[str, bytes]:
    """The same of a document that is assembled already."""
    drawings = document.drawings.values()
    return {f"{drawing.key.removeprefix('fig-')}.svg": drawing.svg.encode("utf-8") for drawing in drawings}
