"""The operator's own words, what was understood in them, deviations, observations, and the engineer's corrections."""

from __future__ import annotations

from reportgen.records.deviation import Deviation, DeviationCode
from reportgen.records.job import Correction
from reportgen.records.note import Note, Remark, fact_message
from reportgen.records.report import Report
from reportgen.render.names import anchor
from reportgen.render.rows.language import Language, Row


def note(each: Note, language: Language) -> Row:
    """One line as it was written, and the facts understood in it."""
    return {
        "where": str(each.where),
        "line": str(each.line),
        "anchor": anchor("note", str(each.where)),
        "text": each.text.strip("\r\n"),
        "run": each.run or "",
        "facts": language.sentences(map(fact_message, each.facts)),
        "unread": language.sentences(each.unread),
    }


def deviation(each: Deviation, language: Language) -> Row:
    """One deviation: what, and what the laboratory says of its effect and who agreed."""
    where = str(each.where) if each.where is not None else ""
    noted = each.where is not None and each.code in (DeviationCode.NOTED, DeviationCode.LEVEL_CHANGE)
    return {
        "key": each.key,
        "kind": language.catalogue.format_field(each.code, ""),
        "text": language.whole(each.message),
        "where": where,
        "anchor": anchor("note", where) if noted else "",
        "run": each.run or "",
        "effect": each.effect or "",
        "agreed_by": each.agreed_by or "",
    }


def remarks(report: Report, heading: str) -> list[Row]:
    """Every ``deviation`` or ``observation`` of the notes, with its place."""
    return [
        {"text": fact.text, "where": str(each.where), "anchor": anchor("note", str(each.where)), "run": each.run or ""}
        for each in report.notes
        for fact in each.facts
        if isinstance(fact, Remark) and fact.heading == heading
    ]


def correction(each: Correction, language: Language) -> Row:
    """What the engineer decided, and why."""
    action = language.say(each.action)
    if each.action == "renumber" and each.mode is not None:
        action = language.say("renumbered as mode %(n)s", n=str(each.mode))
    place = [part for part in (each.run, each.channel) if part is not None]
    return {
        "what": " · ".join([*place, f"{language.numbers.plain(each.frequency_hz)} Hz"]),
        "action": action,
        "reason": each.reason,
        "by": each.by,
        "where": str(each.where),
    }
