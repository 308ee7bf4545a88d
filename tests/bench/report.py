"""Speed of a large report: more than sixty figures of 20,000 points and forty pages, against default figures.

Both reports are set whole, one after the other in one process; nothing is extrapolated.
"""

from __future__ import annotations

import io
import re
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from reportgen.render.document import Document, _plots, assemble
from reportgen.render.figures.plot import Drawing, Plot
from reportgen.render.pdf import paper_pdf
from reportgen.render.rows.language import Language
from reportgen.resources import data_dir
from tests.render.sample_report import large_report

SECONDS = 20.0
"""Wanted for the whole report on two idle cores."""


def default_drawing(plot: Plot) -> Drawing:
    """The same curves as matplotlib draws them when nothing is set: automatic layout, full grid, every point."""
    from matplotlib import pyplot

    figure, axes = pyplot.subplots(len(plot.panels), squeeze=False, layout="constrained")
    for panel, ax in zip(plot.panels, axes[:, 0], strict=True):
        ax.set_xscale(plot.x_scale)
        ax.set_yscale(panel.y_scale)
        for curve in panel.curves:
            ax.plot(curve.x, curve.y, label=curve.label)
        ax.grid(which="both")
        ax.legend()
    out = io.BytesIO()
    figure.savefig(out, format="svg")
    pyplot.close(figure)
    svg = re.sub(r"^.*?(?=<svg)", "", out.getvalue().decode(), flags=re.DOTALL)
    return Drawing(key=plot.key, alt=plot.alt, svg=svg)


def _set(document: Document[object], templates: Path) -> bytes:
    return paper_pdf(document, "report.html.j2", templates, None, {})


def run() -> dict[str, float]:
    """Seconds of wall and of processor for both; prints them. Returns them by name."""
    import pikepdf
    import weasyprint  # noqa: F401 - loaded before the clock starts

    templates, result = data_dir("templates"), {}
    with tempfile.TemporaryDirectory() as folder:
        report = large_report(Path(folder))
        start, cpu = time.perf_counter(), time.process_time()
        document = assemble(report, templates)
        drawn = dict(document.drawings)
        figures = time.perf_counter() - start
        content = _set(document, templates)
        result = {"wall_s": time.perf_counter() - start, "cpu_s": time.process_time() - cpu, "figures_s": figures}
        with pikepdf.open(io.BytesIO(content)) as pdf:
            result |= {"pages": float(len(pdf.pages)), "figures": float(len(document.drawings))}
        start, cpu = time.perf_counter(), time.process_time()
        language = Language.of(report.job.report.language, templates)
        plain = {plot.key: default_drawing(plot) for plot in _plots(report, language)}
        default = _set(replace(document, drawings=document.drawings.taken_from(lambda: drawn | plain)), templates)
        result |= {"default_wall_s": time.perf_counter() - start, "default_cpu_s": time.process_time() - cpu}
        result |= {"bytes": float(len(content)), "default_bytes": float(len(default))}
    verdict = "within" if result["wall_s"] <= SECONDS else "MORE THAN"
    print(
        f"report: {result['figures']:.0f} figures of 20,000 points, {result['pages']:.0f} pages: "
        f"{result['wall_s']:.1f} s ({verdict} {SECONDS:.0f} s; processor {result['cpu_s']:.1f} s, "
        f"figures {result['figures_s']:.1f} s, {result['bytes'] / 1e6:.1f} MB); default figures "
        f"{result['default_wall_s']:.1f} s (processor {result['default_cpu_s']:.1f} s, "
        f"{result['default_bytes'] / 1e6:.1f} MB)"
    )
    return result


if __name__ == "__main__":
    run()
