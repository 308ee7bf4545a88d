"""What was read, by digest, and what was found to be said about it."""

from __future__ import annotations

from dataclasses import dataclass

from reportgen.records.finding import Finding
from reportgen.records.job import Attachment
from reportgen.records.report import InputFile, Report
from reportgen.render.names import anchor
from reportgen.render.rows.language import Language


@dataclass(frozen=True, slots=True, kw_only=True)
class InputRow:
    """One file that was read."""

    path: str
    anchor: str
    sha256: str
    size: str
    runs: str
    rows: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AttachmentRow:
    """A file that goes with the report."""

    title: str
    path: str
    sha256: str
    size: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingRow:
    """One finding, with its place in the inputs."""

    severity: str
    css: str
    where: str
    message: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AmendmentRow:
    """The report that this one replaces."""

    number: str
    revision: str
    sha256: str
    date: str
    """Of its issue; empty where it does not say."""
    reason: str
    """Why it was replaced; empty where the job does not say."""
    changes: tuple[ChangeRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeRow:
    """One thing that differs from it."""

    what: str
    before: str
    after: str


def input_file(report: Report, each: InputFile, language: Language) -> InputRow:
    """One file with its digest; a log says its run and its rows."""
    plans = [plan for plan in report.job.runs if each.path in map(str, plan.logs)]
    rows = [
        language.numbers.count(run.sweep.rows)
        for run in report.runs
        if run.sweep is not None and run.id in {plan.id for plan in plans}
    ]
    return InputRow(
        path=each.path,
        anchor=anchor("file", each.path),
        sha256=each.sha256,
        size=language.numbers.size(each.bytes),
        runs=", ".join(plan.id for plan in plans),
        rows=", ".join(rows) or language.numbers.ABSENT,
    )


def attachment(report: Report, each: Attachment, language: Language) -> AttachmentRow:
    """One attachment with the digest of the file that the archive keeps."""
    kept = next((file for file in report.inputs if file.path == each.file.as_posix()), None)
    return AttachmentRow(
        title=each.title,
        path=each.file.as_posix(),
        sha256=kept.sha256 if kept else "",
        size=language.numbers.size(kept.bytes) if kept else language.numbers.ABSENT,
    )


def finding(each: Finding, language: Language) -> FindingRow:
    """One finding, with its place in the inputs."""
    return FindingRow(
        severity=language.say(str(each.severity)),
        css=f"is-{each.severity}",
        where=str(each.where),
        message=language.sentence(each.message),
    )


def amendment(report: Report, language: Language) -> AmendmentRow | None:
    """What this report replaces and what differs (ISO/IEC 17025:2017, 7.8.8); None for a first issue."""
    old = report.amendment
    if old is None:
        return None
    return AmendmentRow(
        number=old.number,
        revision=old.revision,
        sha256=old.sha256,
        date="" if old.date is None else language.numbers.day(old.date),
        reason=report.job.report.amendment_reason or "",
        changes=tuple(
            [
                ChangeRow(
                    what=language.sentence(c.what),
                    before=language.sentence(c.before),
                    after=language.sentence(c.after),
                )
                for c in old.changes
            ]
        ),
    )
