"""Lines for the terminal, from records and messages; English, as all of the terminal."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from pathlib import Path

from reportgen.errors import ReportError
from reportgen.records.finding import Finding, Severity
from reportgen.records.message import Message, message
from reportgen.records.note import Note, fact_message
from reportgen.records.report import Report
from reportgen.records.verdict import Outcome, Verdict
from reportgen.render.catalogue import english, said


def finding_line(finding: Finding) -> str:
    """``logs/x_pre.csv:118: warning: …``, as editors and continuous integration read it."""
    return english().say(finding.whole)


def finding_lines(findings: Iterable[Finding]) -> list[str]:
    """One line for each finding, in their order."""
    return [finding_line(each) for each in findings]


def error_lines(error: ReportError) -> tuple[str, ...]:
    """An error, and indented below it what belongs to it, line by line."""
    return (said(error.said), *(f"  {_line(each)}" for each in error.more))


def _line(each: Finding | Message) -> str:
    return finding_line(each) if isinstance(each, Finding) else said(each)


def checked_lines(findings: Iterable[Finding], notes: Iterable[Note], open_items: Iterable[Message]) -> list[str]:
    """What ``check`` says: each finding, what was understood of each note, and what the report still lacks."""
    read = english().all(_read_as(each) for each in notes)
    return [*finding_lines(findings), *read, *map(said, open_items)]


def _read_as(each: Note) -> Message:
    facts = tuple(map(fact_message, each.facts))
    text = each.text.strip()
    if not facts:
        return message("check.kept-as-note", where=each.where, text=text)
    return message("check.read-as", where=each.where, facts=facts, text=text)


def checked_upshot(job: str, findings: Iterable[Finding]) -> str:
    """How many errors and warnings there are."""
    count = Counter(each.severity for each in findings)
    errors, warnings = count[Severity.ERROR], count[Severity.WARNING]
    return said(message("check.upshot", job=job, errors=errors, warnings=warnings))


def built_lines(report: Report, folder: Path, files: Iterable[str], changed: Iterable[str], *, same: bool) -> list[str]:
    """What a build ends with: the verdict, what did not pass and why, and the files that matter.

    ``same``: the same content stood there already, but for the files that were ``changed`` since.
    """
    identity = report.job.report
    number, revision = identity.number, identity.revision
    lines = [message("build.verdict", number=number, revision=revision, outcome=report.overall)]
    lines += [_unmet(each) for each in report.verdicts if each.outcome is not Outcome.PASS]
    passed = sum(each.outcome is Outcome.PASS for each in report.verdicts)
    lines.append(message("build.passed", passed=passed, requirements=len(report.verdicts)))
    if same:
        lines.append(message("build.same", folder=str(folder)))
        lines += [message("build.changed-since", path=str(folder / name)) for name in changed]
    else:
        lines += [message("build.file", path=str(folder / name)) for name in files]
    return english().all(lines)


def _unmet(verdict: Verdict) -> Message:
    reason = english().text(verdict.reason)
    return message("build.unmet", requirement=verdict.requirement, outcome=verdict.outcome, reason=reason or None)
