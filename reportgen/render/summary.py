"""The summary: two pages that a customer reads first."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time
from pathlib import Path

from reportgen.records.report import Report
from reportgen.records.result import ChannelResult, Resonance, RunResult
from reportgen.render.document import Document, assemble
from reportgen.render.names import anchor
from reportgen.render.numbers import coverage_factor
from reportgen.render.pdf import paper_pdf
from reportgen.render.rows.language import Language, Row

Found = tuple[RunResult, ChannelResult, Resonance]


def render_summary_pdf(report: Report, *, templates: Path, branding: Path | None = None) -> bytes:
    """At most two pages: verdict, what was tested, three numbers, one figure, deviations, whom to ask.

    Raises as ``render_pdf`` does.
    """
    document = assemble(report, templates)
    moment = datetime.combine(report.job.report.date, time(), tzinfo=UTC)
    return paper_pdf(summary_document(report, document), "summary.html.j2", templates, branding, {}, moment)


def summary_document(report: Report, document: Document) -> Document:
    """The document with what only the summary prints."""
    figure, caption = _figure(report, document)
    chosen = {"numbers": _numbers(report, document.language), "chosen_figure": figure, "chosen_caption": caption}
    kept = {figure: document.drawings[figure]} if figure else {}
    return replace(document, context={**document.context, **chosen}, drawings=kept, pictures={})


def _found(report: Report) -> list[Found]:
    return [
        (run, channel, each)
        for run in report.runs
        for channel in run.channels
        for each in channel.resonances
        if not each.rejected
    ]


def _number(language: Language, label: str, value: str, unit: str, where: str) -> Row:
    return {"label": language.say(label), "value": value, "unit": unit, "where": where}


def _numbers(report: Report, language: Language) -> list[Row]:
    """The three numbers that matter: lowest natural frequency, largest amplification, largest change or deviation."""
    found, k = _found(report), coverage_factor(report.job.report.confidence)
    chosen = [_lowest(report, found, k, language), _largest(found, k, language), _change(report, k, language)]
    return [each for each in chosen if each is not None]


def _lowest(report: Report, found: list[Found], k: float, language: Language) -> Row | None:
    seen = [mode for mode in report.modes if not mode.missing]
    if seen:
        mode = min(seen, key=lambda each: each.frequency_hz)
        std, hertz, where = mode.frequency_std_hz, mode.frequency_hz, ", ".join(mode.runs)
    elif found:
        run, channel, each = min(found, key=lambda item: item[2].frequency_hz)
        std, hertz, where = each.frequency_std_hz, each.frequency_hz, f"{run.id}, {channel.id}"
    else:
        return None
    value, uncertainty = language.numbers.with_uncertainty(hertz, None if std is None else k * std)
    return _number(language, "Lowest natural frequency", _beside(value, uncertainty), "Hz", where)


def _largest(found: list[Found], k: float, language: Language) -> Row | None:
    amplified = [item for item in found if item[2].amplification is not None]
    if not amplified:
        return None
    run, channel, each = max(amplified, key=lambda item: item[2].amplification or 0.0)
    std = each.amplification_std
    value, uncertainty = language.numbers.with_uncertainty(each.amplification, None if std is None else k * std)
    where = f"{run.id}, {channel.id}, {language.numbers.significant(each.frequency_hz, 4)} Hz"
    return _number(language, "Largest amplification", _beside(value, uncertainty), "", where)


def _change(report: Report, k: float, language: Language) -> Row | None:
    shifted = [shift for shift in report.shifts if shift.frequency_shift is not None]
    if shifted:
        worst = max(shifted, key=lambda shift: abs(shift.frequency_shift or 0.0))
        std, percent = worst.frequency_shift_std, 100 * (worst.frequency_shift or 0.0)
        value, uncertainty = language.numbers.with_uncertainty(percent, None if std is None else 100 * k * std, 2)
        where = f"{worst.before} → {worst.after}, {worst.channel}"
        return _number(language, "Largest shift of frequency", _beside(value, uncertainty), "%", where)
    judged = [(run, run.control) for run in report.runs if run.control and run.control.worst_deviation_db is not None]
    if not judged:
        return None
    run, control = max(judged, key=lambda item: abs(item[1].worst_deviation_db or 0.0))
    where = f"{run.id}, {language.numbers.significant(control.at_hz, 4)} Hz"
    value = language.numbers.signed(control.worst_deviation_db, 2)
    return _number(language, "Largest deviation of control", value, "dB", where)


def _beside(value: str, uncertainty: str) -> str:
    return value if uncertainty == "–" else f"{value} ± {uncertainty}"


def _figure(report: Report, document: Document) -> tuple[str, str]:
    """The curve of the largest amplification: before and after where two runs were compared."""
    say = document.language.say
    amplified = [item for item in _found(report) if item[2].amplification is not None]
    if not amplified:
        return "", ""
    run, channel, _ = max(amplified, key=lambda item: item[2].amplification or 0.0)
    for shift in report.shifts:
        key = anchor("fig", shift.before, shift.after, channel.id)
        if shift.channel == channel.id and key in document.drawings:
            text = say(
                "Channel %(channel)s as recorded before (%(before)s, dashed) and after (%(after)s, solid).",
                channel=channel.id,
                before=shift.before,
                after=shift.after,
            )
            return key, text
    key = anchor("fig", run.id, channel.id)
    text = say("Run %(run)s, channel %(channel)s: response over control.", run=run.id, channel=channel.id)
    return (key, text) if key in document.drawings else ("", "")
