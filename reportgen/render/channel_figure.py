"""One figure of a run's channel by itself, as report.html shows it, with the rows of its log."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from markupsafe import Markup

from reportgen.records.report import Report
from reportgen.records.result import RunResult
from reportgen.render.document import channel_plots, gallery
from reportgen.render.figures.canvas import sketch
from reportgen.render.figures.drawings import Drawings
from reportgen.render.figures.figure_data import FigureData
from reportgen.render.figures.plot import Drawing, Plot
from reportgen.render.fonts import GlyphCheck, characters
from reportgen.render.names import anchor
from reportgen.render.rows.language import Language

_FIGURE = Markup(
    '<figure id="{key}" class="plot" data-panels="{panels}">\n{svg}\n<figcaption>{alt}</figcaption>\n</figure>'
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureShown:
    """A figure for a page: its element, and the arrays that its ``data-panels`` names, packed."""

    html: str
    data: dict[str, list[object]]


def channel_figure(
    report: Report, run: str, channel: str, language: Language, templates: Path, *, beside: str | None = None
) -> FigureShown | None:
    """A channel of a run, if need be with the same channel of the run ``beside``; None where there is no curve."""
    plot = _compared(report, beside, run, channel, language) if beside else _single(report, run, channel, language)
    if plot is None:
        return None
    drawn = sketch(plot, language.numbers)
    drawing = gallery([drawn], GlyphCheck(characters(templates / "fonts")))[drawn.key]
    packed = FigureData([drawn])
    html = _element(drawing, packed.geometry(drawing))
    return FigureShown(html=html, data=json.loads(packed.json()))


def _run(report: Report, run: str) -> RunResult | None:
    return next((each for each in report.runs if each.id == run), None)


def _single(report: Report, run: str, channel: str, language: Language) -> Plot | None:
    """The response over frequency, else the free decay, else the course of the dwell."""
    found = _run(report, run)
    if found is None:
        return None
    wanted = [anchor("fig", run, channel), anchor("fig", run, "decay", channel), anchor("fig", run, "dwell")]
    plots = {plot.key: plot for plot in channel_plots(report, found, language)}
    return next((plots[key] for key in wanted if key in plots), None)


def _compared(report: Report, before: str, after: str, channel: str, language: Language) -> Plot | None:
    first, second = _run(report, before), _run(report, after)
    if first is None or second is None:
        return None
    return Drawings(language.words, language.numbers).comparison(first, second, channel, tall=True)


def _element(drawing: Drawing, panels: list[dict[str, object]]) -> str:
    """The figure as ``templates/parts/macros.html.j2`` lays it out, its text for those who do not see it below."""
    geometry = json.dumps(panels, ensure_ascii=False, separators=(",", ":"))
    names = {"key": drawing.key, "panels": geometry, "svg": Markup(drawing.svg), "alt": drawing.alt}
    return str(_FIGURE.format(**names))
