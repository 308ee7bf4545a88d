"""Every figure of a report as a file of its own."""

from __future__ import annotations

from reportgen.records.report import Report
from reportgen.render.document import assemble
from reportgen.resources import data_dir


def render_plots(report: Report) -> dict[str, bytes]:
    """SVG files by name, the same drawings that stand in the report."""
    drawings = assemble(report, data_dir("templates")).drawings.values()
    return {f"{drawing.key.removeprefix('fig-')}.svg": drawing.svg.encode("utf-8") for drawing in drawings}
