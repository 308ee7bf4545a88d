"""The operator's own words, what was understood in them, deviations, observations, and the engineer's corrections."""

from __future__ import annotations

from dataclasses import dataclass

from reportgen.records.deviation import Deviation, DeviationCode
from reportgen.records.job import Annotation, Correction, Exclusion
from reportgen.records.note import Note, Remark, fact_message
from reportgen.records.report import Report
from reportgen.render.names import anchor
from reportgen.render.rows.language import Language


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteRow:
    """One line of the notes, and what was understood of it."""

    where: str
    line: str
    anchor: str
    text: str
    run: str
    facts: tuple[str, ...]
    unread: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviationRow:
    """One deviation, with its effect and who agreed."""

    key: str
    kind: str
    text: str
    where: str
    anchor: str
    run: str
    effect: str
    agreed_by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RemarkRow:
    """What the operator noted as an observation or deviation."""

    text: str
    where: str
    anchor: str
    run: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrectionRow:
    """What the engineer decided, and why."""

    what: str
    action: str
    reason: str
    by: str
    where: str


def note(each: Note, language: Language) -> NoteRow:
    """One line as it was written, and the facts understood in it."""
    return NoteRow(
        where=str(each.where),
        line=str(each.line),
        anchor=anchor("note", str(each.where)),
        text=each.text.strip("\r\n"),
        run=each.run or "",
        facts=tuple(language.sentences(map(fact_message, each.facts))),
        unread=tuple(language.sentences(each.unread)),
    )


def deviation(each: Deviation, language: Language) -> DeviationRow:
    """One deviation: what, and what the laboratory says of its effect and who agreed."""
    where = str(each.where) if each.where is not None else ""
    noted = each.where is not None and each.code in (DeviationCode.NOTED, DeviationCode.LEVEL_CHANGE)
    return DeviationRow(
        key=each.key,
        kind=language.catalogue.format_field(each.code, ""),
        text=language.whole(each.message),
        where=where,
        anchor=anchor("note", where) if noted else "",
        run=each.run or "",
        effect=each.effect or "",
        agreed_by=each.agreed_by or "",
    )


def remarks(report: Report, heading: str) -> list[RemarkRow]:
    """Every ``deviation`` or ``observation`` of the notes, with its place."""
    return [
        RemarkRow(text=fact.text, where=str(each.where), anchor=anchor("note", str(each.where)), run=each.run or "")
        for each in report.notes
        for fact in each.facts
        if isinstance(fact, Remark) and fact.heading == heading
    ]


def correction(each: Correction, language: Language) -> CorrectionRow:
    """What the engineer decided, and why."""
    action = language.say(each.action)
    if each.action == "renumber" and each.mode is not None:
        action = language.say("renumbered as mode %(n)s", n=str(each.mode))
    elif each.action == "add":
        action = language.say("asked for")
    place = [part for part in (each.run, each.channel) if part is not None]
    return CorrectionRow(
        what=" · ".join([*place, f"{language.numbers.plain(each.frequency_hz)} Hz"]),
        action=action,
        reason=each.reason,
        by=_by(each),
        where=str(each.where),
    )


def exclusion(each: Exclusion, language: Language) -> CorrectionRow:
    """A band that the engineer does not use, and why."""
    place = [part for part in (each.run, each.channel) if part is not None]
    return CorrectionRow(
        what=" · ".join([*place, language.band(each.band_hz)]),
        action=language.say("not used"),
        reason=each.reason,
        by=_by(each),
        where=str(each.where),
    )


def annotation(each: Annotation, number: int | None, language: Language) -> str:
    """An annotation as it is listed: under its figure with its ``number`` there, elsewhere with its run and channel."""
    hertz = f"{language.numbers.plain(each.frequency_hz)} Hz"
    place = f"[{number}] {hertz}" if number is not None else " · ".join([each.run, each.channel, hertz])
    where = f"; {each.where}" if number is None else ""
    return f"{place}: {each.text} ({_by(each)}{where})"


def _by(each: Correction | Exclusion | Annotation) -> str:
    """Who decided, and when where the job tells."""
    return each.by if each.when is None else f"{each.by}, {each.when}"
