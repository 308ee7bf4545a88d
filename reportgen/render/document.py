"""Assembles a report: every row, every figure, ready for the templates of page and screen."""

from __future__ import annotations

from collections.abc import Container, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

from reportgen.records.finding import Finding, warning
from reportgen.records.job import PhotoMetadata, RunKind
from reportgen.records.message import message
from reportgen.records.report import Report
from reportgen.records.result import RunResult
from reportgen.records.rounding import coverage_factor
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
from reportgen.render.rows import conformity, identity, input, method, mode, note, resonance, run
from reportgen.render.rows.axis_page import AxisPage, axis_page, comparison_of
from reportgen.render.rows.budget import budgets
from reportgen.render.rows.clause import clause_groups
from reportgen.render.rows.hazard import hazards
from reportgen.render.rows.language import Language, Row
from reportgen.render.rows.run_list import run_list
from reportgen.render.rows.sequence import sequence
from reportgen.render.rows.trusted import spoiled


@dataclass(frozen=True, slots=True)
class Document:
    """A report in finished strings, with its figures and photos by key."""

    language: Language
    paper: str
    context: Row
    drawings: Gallery
    pictures: dict[str, Picture]
    draft: bool = False


@lru_cache(maxsize=2)
def assemble(report: Report, templates: Path) -> Document:
    """All that templates need of ``report``. Kept for the last reports, since page, screen and summary share it.

    Raises RenderError for a language without catalogue or a photo that cannot be read.
    """
    own = report.job.report
    language = Language.of(own.language, templates).for_customer()
    sketches = [sketch(plot, language.numbers) for plot in _plots(report, language)]
    sketches += _beam_sketches(report, language)
    pictures = [picture(report.job, each, anchor("photo", n)) for n, each in enumerate(report.job.photos, start=1)]
    check = GlyphCheck(characters(templates / "fonts"))
    context = check.all(_context(report, language, {each.key for each in sketches}, pictures))
    context["findings"] += _glyph_findings(check, language)
    drawings = gallery(sketches, check)
    return Document(language, own.paper, context, drawings, {each.key: each for each in pictures}, report.draft)


def gallery(sketches: Sequence[Sketch], check: GlyphCheck) -> Gallery:
    """Figures of which every character can be drawn."""

    def drawn(each: Sketch) -> Drawing:
        drawing = each.draw()
        return replace(drawing, alt=check.text(drawing.alt), svg=check.text(drawing.svg))

    return Gallery([replace(each, alt=check.text(each.alt)) for each in sketches], drawn)


def _glyph_findings(check: GlyphCheck, language: Language) -> list[Row]:
    return [
        input.finding(_without_glyph(character, check.text(text)), language)
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
        for channel in each.channels:
            if sweeps(channel.frequency_hz):
                yield make.response(each, channel)
        for curve in each.decay:
            yield make.decay(each, curve)
        for number, backbone in enumerate(backbones(each), start=1):
            yield make.backbone(each, number, backbone)
        dwell = make.dwell(report.job, each)
        if dwell is not None:
            yield dwell
    for before, after, channel_id in _pairs(report):
        plot = make.comparison(before, after, channel_id, tall=(before.id, after.id, channel_id) in compared)
        if plot is not None:
            pair = (before.id, after.id, channel_id)
            shifts = [s for s in report.shifts if (s.before, s.after, s.channel) == pair]
            yield comparison_insets(make, report, plot, shifts)


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


def _context(report: Report, language: Language, drawings: set[str], pictures: Sequence[Picture]) -> Row:
    job = report.job
    pages = [axis_page(report, of, language, drawings) for of in axis_runs(report)]
    pages = [page for page in pages if page.rows or page.control_figure or page.response_figure or page.other_figures]
    in_body = _in_body(pages)
    return {
        "groups": clause_groups(report, language),
        "run_list": run_list(report, language),
        "sequence": sequence(report, language),
        "eventful": bool(job.steps) or any(not each.counts for each in job.runs),
        "pages": pages,
        "in_body": in_body,
        "budgets": budgets(report, language),
        "annex": job.report.annex.name.lower(),
        "language": language.words.language,
        "paper": job.report.paper,
        "report": identity.identity(report, language),
        "amendment": input.amendment(report, language),
        "overall": conformity.overall(report, language),
        "rule": conformity.decision_rule(report, language),
        "verdicts": [conformity.verdict(report, each, language) for each in report.verdicts],
        "laboratory": identity.party(job.laboratory, language),
        "customer": identity.party(job.customer, language),
        "specimen": identity.specimen(job, language),
        "environment": identity.environment(job, language),
        "instruments": [identity.instrument(each, language) for each in job.instruments],
        "channels": [identity.channel(each, language) for each in job.channels],
        "inspections": identity.inspections(job, language),
        "profiles": [run.profile(each, job, report.runs, language) for each in job.profiles],
        "plans": [identity.planned_run(job, each, language) for each in job.runs],
        "runs": [_run(report, each, language, drawings - set(in_body)) for each in report.runs],
        "swept": any(each.sweep is not None and each.dwell is None for each in report.runs),
        "hazards": hazards(report),
        "beamlike": job.specimen.beam is not None,
        "comparisons": _comparisons(report, language, drawings - set(in_body)),
        "levels": _levels(report, language),
        "axes": _axes(report, language, drawings),
        "exciter": [run.exciter_row(each, language) for each in report.exciter],
        "exciter_name": (job.exciter.name if job.exciter else None) or "",
        "deviations": [note.deviation(each, language) for each in report.deviations],
        "observations": note.remarks(report, "observation"),
        "opinions": list(dict.fromkeys((*report.opinions, *job.report.opinions))),
        "notes": [note.note(each, language) for each in report.notes],
        "corrections": [note.correction(each, language) for each in job.corrections],
        "quality": [run.quality(issue, each.id, language) for each in report.runs for issue in each.quality],
        "findings": [input.finding(each, language) for each in report.findings],
        "methods": method.methods(report, language),
        "inputs": [input.input_file(report, each, language) for each in report.inputs],
        "attachments": [input.attachment(report, each, language) for each in job.attachments],
        "photos": [{"key": each.key, "caption": each.caption} for each in pictures],
        "photos_bare": job.report.photo_metadata is PhotoMetadata.REMOVE,
        "budget": _budget(report, language),
        "frequency_budget": _frequency_budget(report, language),
        "assumptions": language.sentences(report.assumptions),
    }


def _in_body(pages: Sequence[AxisPage]) -> list[str]:
    """Keys of the figures that stand on the pages of the axes, and so not in the annex."""
    keys = [
        key
        for page in pages
        for key in (
            page.control_figure,
            page.response_figure,
            page.comparison_figure,
            *(other.key for other in page.other_figures),
        )
    ]
    return [key for key in keys if key]


def _run(report: Report, each: RunResult, language: Language, drawings: Container[str]) -> Row:
    confidence = report.job.report.confidence
    return {
        "id": each.id,
        "anchor": anchor("run", each.id),
        "kind": language.say(each.kind),
        "axis": each.axis or "",
        "title": _run_title(each, language),
        "status": _status(report, each, language),
        "log": run.planned(report.job, each),
        "log_anchor": anchor("file", run.planned(report.job, each)),
        "rows": language.numbers.count(each.sweep.rows) if each.sweep else "",
        "sweep": run.sweep_facts(each.sweep, language) if each.sweep else [],
        "control": run.control_facts(each.control, language) if each.control else [],
        "notches": [run.notch_row(notch, language) for notch in each.control.notches] if each.control else [],
        "dwell_figure": _drawn(drawings, anchor("fig", each.id, "dwell")),
        "control_figure": _drawn(drawings, anchor("fig", each.id, "control")),
        "control_compared": each.control is not None and each.control.deviation_db is not None,
        "dwell": run.dwell_facts(each.dwell, report.job, each.id, language) if each.dwell else [],
        "decays": [key for curve in each.decay if (key := anchor("fig", each.id, "decay", curve.channel)) in drawings],
        "backbones": [
            key
            for number in range(1, len(backbones(each)) + 1)
            if (key := anchor("fig", each.id, "backbone", number)) in drawings
        ],
        "is_decay": each.kind == RunKind.DECAY,
        "channels": [
            {
                "id": channel.id,
                "figure": _drawn(drawings, anchor("fig", each.id, channel.id)),
                "rows": resonance.resonance_rows(each, channel, confidence, language),
                "height": resonance.height_name(channel, language),
                "nothing": resonance.nothing_found(channel, language),
                "excluded": _excluded(each, channel.id, language),
                "remarks": language.sentences(channel.flags),
            }
            for channel in each.channels
        ],
        "unexplained": [row for channel in each.channels for row in resonance.unexplained_rows(channel, language)],
        "sentence": resonance.steady_state_sentence((each,), language) or resonance.sweep_sentence(each, language),
        "method": language.whole(each.method) if each.method else "",
        "remarks": language.sentences(each.flags),
    }


def _status(report: Report, each: RunResult, language: Language) -> str:
    plan = report.job.run(each.id)
    return identity.status(plan, language) if plan is not None else ""


def _excluded(each: RunResult, channel: str, language: Language) -> str:
    """Why a channel carries no evidence in a run; empty where it does."""
    why = [issue.message for issue in each.quality if issue.spoils and issue.channel in (None, channel)]
    return "; ".join(language.sentences(why))


def _run_title(each: RunResult, language: Language) -> str:
    axis = " · " + language.say("axis %(axis)s", axis=each.axis) if each.axis else ""
    return f"{each.id} · {language.say(each.kind)}{axis}"


def _drawn(drawings: Container[str], key: str) -> str:
    return key if key in drawings else ""


def _comparisons(report: Report, language: Language, drawings: Container[str]) -> list[Row]:
    result = []
    for before, after in dict.fromkeys((shift.before, shift.after) for shift in report.shifts):
        shifts = [shift for shift in report.shifts if (shift.before, shift.after) == (before, after)]
        result.append(
            {
                "before": before,
                "after": after,
                "anchor": anchor("compare", before, after),
                "rows": [run.shift_row(report, shift, language) for shift in shifts],
                "figures": [
                    {"key": anchor("fig", before, after, channel), "channel": channel}
                    for channel in dict.fromkeys(shift.channel for shift in shifts)
                    if anchor("fig", before, after, channel) in drawings
                ],
            }
        )
    return result


def _levels(report: Report, language: Language) -> list[Row]:
    """Survey and full level side by side, with a row a mode."""
    return [
        {
            "survey": survey,
            "sweep": sweep,
            "anchor": anchor("levels", survey, sweep),
            "rows": [
                run.level_row(report, each, language)
                for each in report.level_dependence
                if (each.survey, each.sweep) == (survey, sweep)
            ],
        }
        for survey, sweep in dict.fromkeys((each.survey, each.sweep) for each in report.level_dependence)
    ]


def _axes(report: Report, language: Language, drawings: Container[str]) -> list[Row]:
    confidence = report.job.report.confidence
    return [
        {
            "axis": axis or "",
            "anchor": anchor("modes", axis or "all"),
            "numbered": any(
                each.mode is not None or each.nodes is not None for each in report.modes if each.axis == axis
            ),
            "modes": [mode.mode(each, confidence, language) for each in report.modes if each.axis == axis],
            "fits": [mode.beam_fit(fit, language) for fit in report.beam_fits if fit.axis == axis],
            "beam": _drawn(drawings, anchor("fig-beam", axis or "all")),
            "ladder": _drawn(drawings, anchor("fig-ladder", axis or "all")),
        }
        for axis in dict.fromkeys(each.axis for each in report.modes)
    ]


def _budget(report: Report, language: Language) -> list[Row]:
    """Uncertainty of the largest amplification of every channel and run."""
    found = []
    for each in report.runs:
        for channel in each.channels:
            rows = resonance.resonance_rows(each, channel, report.job.report.confidence, language)
            known = [
                (found_one.amplification or 0.0, row)
                for found_one, row in zip(channel.resonances, rows, strict=True)
                if row["uncertain"] is not None and not found_one.rejected
            ]
            if known and not spoiled(each, channel.id):
                found.append({"run": each.id, **max(known, key=lambda pair: pair[0])[1]})
    return found


def _frequency_budget(report: Report, language: Language) -> list[Row]:
    """Uncertainty of the frequency that is known worst, of every run."""
    k, found = coverage_factor(report.job.report.confidence), []
    for each in report.runs:
        stated = [
            (resonance_.frequency_budget.combined / resonance_.frequency_hz, channel, number, resonance_)
            for channel in each.channels
            if not spoiled(each, channel.id)
            for number, resonance_ in enumerate(channel.resonances, start=1)
            if resonance_.frequency_budget is not None and not resonance_.rejected
        ]
        if stated:
            _, channel, number, worst = max(stated, key=lambda item: item[0])
            row = resonance.resonance(each, channel, worst, number, report.job.report.confidence, language)
            found.append({"run": each.id, **row, "uncertain": resonance.frequency_budget(worst, k, language)})
    return found
