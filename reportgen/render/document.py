"""Assembles a report: every row, every figure, ready for the templates of page and screen."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date
from pathlib import Path
from typing import Any, Generic, TypeVar

from reportgen.records.finding import Finding, warning
from reportgen.records.message import message
from reportgen.records.report import Report
from reportgen.records.result import RunResult
from reportgen.render.axis_runs import axis_runs, sweeps
from reportgen.render.figures.axis_figures import axis_response, comparison_insets
from reportgen.render.figures.beam import sketch_beam, sketch_ladder
from reportgen.render.figures.canvas import sketch
from reportgen.render.figures.drawings import Drawings, backbones, beams
from reportgen.render.figures.gallery import Gallery
from reportgen.render.figures.plot import Drawing, Plot, Sketch
from reportgen.render.fonts import GlyphCheck, characters
from reportgen.render.names import anchor
from reportgen.render.photos import Picture, picture
from reportgen.render.rows.axis_page import comparison_of
from reportgen.render.rows.input import FindingRow, finding
from reportgen.render.rows.language import Language
from reportgen.render.rows.report_pages import PhotoRow, ReportPages, report_pages

Pages = TypeVar("Pages", covariant=True)
"""A frozen record of what the templates of one kind of document may print."""


@dataclass(frozen=True, slots=True)
class Document(Generic[Pages]):
    """A report in finished strings, with its figures and photos by key; made once, and handed on to every output."""

    language: Language
    paper: str
    date: date
    """Of issue."""
    context: Pages
    drawings: Gallery
    pictures: dict[str, Picture]
    draft: bool = False

    def names(self) -> dict[str, Any]:
        """What a template may use, by name."""
        record: Any = self.context
        return {each.name: getattr(record, each.name) for each in fields(record)}


def assemble(report: Report, templates: Path) -> Document[ReportPages]:
    """All that templates need of ``report``.

    Raises RenderError for a language without catalogue or a photo that cannot be read.
    """
    own = report.job.report
    language = Language.of(own.language, templates).for_customer()
    sketches = [sketch(plot, language.numbers) for plot in _plots(report, language)]
    sketches += _beam_sketches(report, language)
    pictures = [picture(report.job, each, anchor("photo", n)) for n, each in enumerate(report.job.photos, start=1)]
    photos = [PhotoRow(key=each.key, caption=each.caption) for each in pictures]
    check = GlyphCheck(characters(templates / "fonts"))
    pages: ReportPages = check.all(report_pages(report, language, frozenset(each.key for each in sketches), photos))
    pages = replace(pages, findings=(*pages.findings, *_glyph_findings(check, language)))
    by_key = {each.key: each for each in pictures}
    return Document(language, own.paper, own.date, pages, gallery(sketches, check), by_key, report.draft)


def gallery(sketches: Sequence[Sketch], check: GlyphCheck) -> Gallery:
    """Figures of which every character can be drawn."""

    def drawn(each: Sketch) -> Drawing:
        drawing = each.draw()
        return replace(drawing, alt=check.text(drawing.alt), svg=check.text(drawing.svg))

    return Gallery([replace(each, alt=check.text(each.alt)) for each in sketches], drawn)


def _glyph_findings(check: GlyphCheck, language: Language) -> list[FindingRow]:
    return [
        finding(_without_glyph(character, check.text(text)), language)
        for character, text in sorted(check.missing.items())
    ]


_SHOWN = 80
"""Characters shown of the text in which a character stands that no font has."""


def _without_glyph(character: str, text: str) -> Finding:
    return warning(f"U+{ord(character):04X}", message("render.no-glyph", text=text[:_SHOWN]))


def _plots(report: Report, language: Language) -> Iterator[Plot]:
    make, axes = Drawings(language.words, language.numbers), axis_runs(report)
    compared = {comparison_of(report, of) for of in axes}
    leads = {run.id for of in axes for run in (of.sweep, of.lead) if run is not None}
    for of in axes:
        plot = axis_response(make, report, of)
        if plot is not None:
            yield plot
    for profile in report.job.profiles:
        if len(profile.breakpoints) > 1:
            yield make.profile(profile)
    for each in report.runs:
        if each.control is not None and sweeps(each.control.frequency_hz):
            yield make.control(report.job, each, each.control, tall=each.id in leads)
        yield from channel_plots(report, each, language)
    for before, after, channel_id in _pairs(report):
        plot = make.comparison(before, after, channel_id, tall=(before.id, after.id, channel_id) in compared)
        if plot is not None:
            pair = (before.id, after.id, channel_id)
            shifts = [s for s in report.shifts if (s.before, s.after, s.channel) == pair]
            yield comparison_insets(make, report, plot, shifts)


def channel_plots(report: Report, run: RunResult, language: Language) -> Iterator[Plot]:
    """What a run shows on its channels: responses over frequency, free decays, backbones, the course of a dwell."""
    make = Drawings(language.words, language.numbers)
    for channel in run.channels:
        if sweeps(channel.frequency_hz):
            yield make.response(run, channel)
    for curve in run.decay:
        yield make.decay(run, curve)
    for number, backbone in enumerate(backbones(run), start=1):
        yield make.backbone(run, number, backbone)
    dwell = make.dwell(report.job, run)
    if dwell is not None:
        yield dwell


def _pairs(report: Report) -> Iterator[tuple[RunResult, RunResult, str]]:
    """Runs that were compared, channel by channel, each once."""
    runs = {each.id: each for each in report.runs}
    for before, after, channel in dict.fromkeys((s.before, s.after, s.channel) for s in report.shifts):
        if before in runs and after in runs:
            yield runs[before], runs[after], channel


def _beam_sketches(report: Report, language: Language) -> Iterator[Sketch]:
    for axis, pictures in beams(report.pictures).items():
        yield sketch_beam(axis, pictures, language.words, language.numbers)
    for axis in dict.fromkeys(each.axis for each in report.modes):
        modes = [each for each in report.modes if each.axis == axis and each.place_hz > 0]
        if len(modes) > 1 and any(each.mode is not None for each in modes):
            yield sketch_ladder(axis, modes, language.words, language.numbers)
