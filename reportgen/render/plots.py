"""Every figure of a report as a file of its own."""

from __future__ import annotations

from reportgen.render.document import Document


def plots_of(document: Document[object]) -> dict[str, bytes]:
    """SVG files by name, the same drawings that stand in the report."""
    drawings = document.drawings.values()
    return {f"{drawing.key.removeprefix('fig-')}.svg": drawing.svg.encode("utf-8") for drawing in drawings}
