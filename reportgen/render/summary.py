"""The summary: one page that a customer reads first and forwards."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from pathlib import Path

from reportgen.records.report import Report
from reportgen.records.rounding import coverage_factor
from reportgen.records.verdict import Outcome
from reportgen.render.axis_runs import carried
from reportgen.render.document import Document
from reportgen.render.names import anchor
from reportgen.render.pdf import paper_pdf
from reportgen.render.rows.clause import proof
from reportgen.render.rows.conformity import VerdictRow
from reportgen.render.rows.language import Language
from reportgen.render.rows.note import DeviationRow
from reportgen.render.rows.report_pages import ReportPages
from reportgen.render.rows.resonance import measured
from reportgen.render.rows.run import change
from reportgen.render.rows.trusted import Trusted, largest_amplification, trusted

_MOST_LISTED = 7
"""Clauses listed beside the figure on one page; those that passed beyond it are named by their ids."""
_MOST_DEVIATIONS = 4
"""Deviations printed; how many more there are is said."""
_MOST_NAMED = 40
"""Ids of clauses named in a line."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyNumber:
    """A number that a customer looks for first."""

    label: str
    value: str
    unit: str
    where: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """What only the summary prints."""

    numbers: tuple[KeyNumber, ...]
    figure: str
    caption: str
    listed: tuple[VerdictRow, ...]
    passed: str
    """Ids of the clauses that passed and are not listed."""
    further: str
    """Ids of those that did not pass and found no room."""
    axes: str
    deviations: tuple[DeviationRow, ...]
    more_deviations: str
    next: tuple[str, ...]
    """What happens next: one sentence for what failed, one for what is open."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SummaryPages(ReportPages):
    """What the template of the summary may print."""

    summary: Summary


def summary_pdf(
    report: Report, document: Document[ReportPages], *, templates: Path, branding: Path | None = None
) -> bytes:
    """One page: verdict, what was tested, three numbers, the figure that proves it, deviations, what happens next.

    ``document`` is that of ``report``. Raises as ``report_pdf`` does.
    """
    return paper_pdf(summary_document(report, document), "summary.html.j2", templates, branding, {})


def summary_document(report: Report, document: Document[ReportPages]) -> Document[SummaryPages]:
    """The document with what only the summary prints."""
    figure, caption = _figure(report, document)
    pages = document.context
    listed = _listed(pages.verdicts)
    left = [each.id for each in pages.verdicts if each not in listed and each.outcome.key == Outcome.PASS]
    further = [each.id for each in pages.verdicts if each not in listed and each.outcome.key != Outcome.PASS]
    chosen = Summary(
        numbers=tuple(_numbers(report, document.language)),
        figure=figure,
        caption=caption,
        listed=listed,
        passed=_named(left),
        further=_named(further),
        axes=", ".join(dict.fromkeys(run.axis for run in report.runs if run.axis)),
        deviations=pages.deviations[:_MOST_DEVIATIONS],
        more_deviations=str(max(0, len(pages.deviations) - _MOST_DEVIATIONS)),
        next=tuple(_next(report, document.language)),
    )
    return Document(
        language=document.language,
        paper=document.paper,
        date=document.date,
        context=SummaryPages(**{each.name: getattr(pages, each.name) for each in fields(pages)}, summary=chosen),
        drawings=document.drawings.only([figure] if figure else []),
        pictures={},
        draft=document.draft,
    )


def _named(ids: list[str]) -> str:
    return ", ".join(ids[:_MOST_NAMED]) + (" …" if len(ids) > _MOST_NAMED else "")


def _listed(verdicts: tuple[VerdictRow, ...]) -> tuple[VerdictRow, ...]:
    """Every verdict, or those that did not pass, as many as fit on the page."""
    if len(verdicts) <= _MOST_LISTED:
        return verdicts
    return tuple(each for each in verdicts if each.outcome.key != Outcome.PASS)[:_MOST_LISTED]


def _next(report: Report, language: Language) -> Iterator[str]:
    """What follows from clauses that failed or are open; that nothing is open where all passed."""
    failed = [v.requirement for v in report.verdicts if v.outcome in (Outcome.FAIL, Outcome.CONDITIONAL_FAIL)]
    unseen = [v.requirement for v in report.verdicts if v.outcome is Outcome.NOT_EVALUATED]
    if failed:
        yield language.say(
            "Not met: %(list)s. The customer decides whether the specimen is changed and tested again, or accepted as "
            "it is.",
            list=", ".join(failed),
        )
    if unseen:
        yield language.say(
            "Open: %(list)s. It needs another run, or the customer's consent to leave it open.", list=", ".join(unseen)
        )
    if report.verdicts and not failed and not unseen:
        yield language.say("No requirement is open.")


def _number(language: Language, label: str, value: str, unit: str, where: str) -> KeyNumber:
    return KeyNumber(label=language.say(label), value=value, unit=unit, where=where)


def _numbers(report: Report, language: Language) -> list[KeyNumber]:
    """The three numbers that matter: lowest natural frequency, largest amplification, largest change or deviation."""
    found, k = trusted(report), coverage_factor(report.job.report.confidence)
    chosen = [_lowest(report, found, k, language), _largest(found, k, language), _change(report, language)]
    return [each for each in chosen if each is not None]


def _lowest(report: Report, found: list[Trusted], k: float, language: Language) -> KeyNumber | None:
    """The lowest natural frequency that any run or note shows: what the checks of conformity take for it, too.

    The table of modes gives each mode once, as its first run shows it; a later run at a higher level may lie lower.
    """
    low = min((t for t in found if t.resonance.has_peak), key=lambda t: t.resonance.frequency_hz, default=None)
    noted = [mode for mode in report.modes if mode.frequency_hz is not None and "log" not in mode.seen_in]
    by_hand = min(noted, key=lambda mode: mode.place_hz, default=None)
    if by_hand is not None and (low is None or by_hand.place_hz < low.resonance.frequency_hz):
        shown = language.numbers.noted(by_hand.frequency_hz, by_hand.resolution_hz)
        return _number(language, "Lowest natural frequency", shown, "Hz", ", ".join(map(str, by_hand.notes)))
    if low is None:
        return None
    shown = _beside(*measured(low.resonance, k, language)[0])
    return _number(language, "Lowest natural frequency", shown, "Hz", f"{low.run.id}, {low.channel.id}")


def _largest(found: list[Trusted], k: float, language: Language) -> KeyNumber | None:
    top = largest_amplification(found)
    if top is None:
        return None
    each = top.resonance
    std = each.amplification_std
    shown = _beside(*language.numbers.with_uncertainty(each.amplification, None if std is None else k * std))
    where = f"{top.run.id}, {top.channel.id}, {language.numbers.significant(each.frequency_hz, 4)} Hz"
    return _number(language, "Largest amplification", shown, "", where)


def _change(report: Report, language: Language) -> KeyNumber | None:
    """The largest shift on channels that carry evidence in both runs; without a comparison the worst control."""
    axes = {run.id: run.axis for run in report.runs}  # of one specimen: others may differ
    own = [shift for shift in report.shifts if axes.get(shift.before) == axes.get(shift.after)]
    shifted = [shift for shift in own if shift.frequency_shift is not None and carried(report, shift)]
    if shifted:
        worst = max(shifted, key=lambda shift: abs(shift.frequency_shift or 0.0))
        value, uncertainty = change(worst.frequency_shift, worst.frequency_shift_std, report, language)
        where = f"{worst.before} → {worst.after}, {worst.channel}"
        return _number(language, "Largest shift of frequency", _beside(value, uncertainty), "%", where)
    valid = [run for run in report.runs if report.job.counts(run.id)]
    judged = [(run, run.control) for run in valid if run.control and run.control.worst_deviation_db is not None]
    if not judged:
        return None
    run, control = max(judged, key=lambda item: abs(item[1].worst_deviation_db or 0.0))
    where = f"{run.id}, {language.numbers.significant(control.at_hz, 4)} Hz"
    value = language.numbers.signed(control.worst_deviation_db, 2)
    return _number(language, "Largest deviation of control", value, "dB", where)


def _beside(value: str, uncertainty: str) -> str:
    return value if uncertainty == "–" else f"{value} ± {uncertainty}"


def _figure(report: Report, document: Document[ReportPages]) -> tuple[str, str]:
    """What proves the first clause that failed, else that is open; else the curve of the largest amplification."""
    say = document.language.say
    for verdict in sorted(report.verdicts, key=lambda each: list(Outcome).index(each.outcome)):
        key = proof(report, verdict).figure
        if verdict.outcome is not Outcome.PASS and key in document.drawings:
            text = say(
                "What decides %(id)s: %(what)s", id=verdict.requirement, what=document.drawings.sketches[key].alt
            )
            return key, text
    top = largest_amplification(trusted(report))
    if top is None:
        return "", ""
    run, channel = top.run, top.channel
    for shift in report.shifts:
        key = anchor("fig", shift.before, shift.after, channel.id)
        if shift.channel == channel.id and run.id in (shift.before, shift.after) and key in document.drawings:
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
