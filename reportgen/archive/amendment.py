"""Amendment: what a new revision changes against the one it replaces (ISO/IEC 17025:2017, 7.8.8)."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

from reportgen.archive.bag import JOB, RESULTS
from reportgen.archive.changes import changes
from reportgen.archive.open_archive import digest_of, open_archive, read_json
from reportgen.archive.reason import reason_of
from reportgen.errors import ArchiveError
from reportgen.records.finding import note, warning
from reportgen.records.job import ReportIdentity
from reportgen.records.message import Message, Value, message
from reportgen.records.report import Amendment, Change, Report

SUPERSEDED = "supersedes.json"
"""Name in the archive of the amendment, so that the amended report can be made again without the old archive."""

LABORATORY = "laboratory/"
"""Folder in the job folder of an archive that holds the laboratory file and its register."""
_SHOWN = 80
"""Characters shown of a value that does not belong where it stands."""
LONGEST_REVISION = 40
"""Characters, as the job file has it; beyond, nothing is counted up."""

_TEXT = (".toml", ".txt", ".md", ".csv")
"""Endings of job file and notes that are compared line by line."""


def amendment_of(superseded: Path, report: Report, results: Mapping[str, Any]) -> Amendment:
    """What ``report``, with these results, changes against the report of an archive.

    Raises ArchiveError where the archive cannot be read, or is not what was archived: a revision must not be held
    against a spoilt original; or where it is of another report.
    """
    with open_archive(superseded) as archive:
        if archive.problems:
            what = archive.problems[0].what
            raise ArchiveError(message("amend.not-the-original", archive=str(superseded), what=what))
        old = archive.json(RESULTS)
        texts = _texts_of(report)
        names = {*texts, *(name.removeprefix(JOB) for name in archive.found if _is_text(name))}
        old_texts = {name: text for name in names if (text := archive.text(JOB + name)) is not None}
    number, revision = _identity(old, superseded)
    if is_draft(old):
        raise ArchiveError(message("amend.draft", archive=str(superseded)))
    if number != report.job.report.number:
        found = report.job.report.number
        file = report.job.file.name
        raise ArchiveError(
            message("amend.other-report", archive=str(superseded), number=number, found=found, file=file)
        )
    return Amendment(
        number=number,
        revision=revision,
        sha256=digest_of(superseded),
        changes=changes(old, results, old_texts, texts),
        date=_issued(old, report.job.report, superseded),
    )


def _issued(results: Any, own: ReportIdentity, superseded: Path) -> date | None:
    """Day on which the report was issued that results are of; None where they do not say.

    Raises ArchiveError where the amendment is dated before it.
    """
    earlier = _day(results["job"].get("date"))
    if earlier is not None and own.date < earlier:
        raise ArchiveError(message("amend.before", archive=str(superseded), issued=earlier, found=own.date))
    return earlier


def _day(text: Any) -> date | None:
    try:
        return date.fromisoformat(text) if isinstance(text, str) else None
    except ValueError:
        return None


def amended(report: Report, amendment: Amendment) -> Report:
    """The report as an amendment; it gets the next revision where the job file still states the one replaced."""
    identity = report.job.report
    if identity.revision == amendment.revision:
        identity = replace(identity, revision=next_revision(amendment.revision))
    return replace(report, job=replace(report.job, report=identity), amendment=amendment)


def with_amendment_findings(report: Report) -> Report:
    """The report with what is to be said of its being an amendment, or of its being none.

    An amendment without a reason, one dated as what it replaces, and a reason without an amendment.
    """
    own, old = report.job.report, report.amendment
    found = []
    if old is None and own.amendment_reason is not None:
        found.append(note(own.where, message("amend.reason-alone")))
    if old is not None and own.amendment_reason is None:
        found.append(warning(own.where, message("amend.no-reason", revision=old.revision)))
    if old is not None and old.date == own.date:
        found.append(note(own.where, message("amend.same-date", revision=old.revision, issued=own.date)))
    return replace(report, findings=(*report.findings, *found))


def kept_amendment(report: Report) -> Report:
    """A report recomputed from an unpacked archive, as the amendment it was; unchanged where it was none.

    Raises ArchiveError where what the archive keeps of the amendment cannot be read.
    """
    kept = report.job.folder.parent / SUPERSEDED
    if not kept.is_file():
        return report
    return amended(report, read_amendment(kept.read_text(encoding="utf-8", errors="replace"), kept.name))


def kept_as_draft(report: Report) -> Report:
    """A report recomputed from an unpacked archive, as the draft it was; unchanged where it was none."""
    kept = report.job.folder.parent / RESULTS
    try:
        old = read_json(kept.read_text(encoding="utf-8", errors="replace"), kept.name)
    except (OSError, ArchiveError):  # what is wrong with them is told where they are compared
        return report
    return replace(report, draft=is_draft(old))


def is_draft(results: Any) -> bool:
    """Whether results, as in results.json, say that they are those of a draft."""
    identity = results.get("job") if isinstance(results, dict) else None
    return isinstance(identity, dict) and identity.get("draft") is True


def _identity(results: Any, superseded: Path) -> tuple[str, str]:
    """Number and revision of the report that results are of."""
    identity = results.get("job") if isinstance(results, dict) else None
    found = tuple(identity.get(key) for key in ("number", "revision")) if isinstance(identity, dict) else ()
    match found:
        case (str(number), str(revision)) if len(revision) <= LONGEST_REVISION:
            return number, revision
    raise ArchiveError(message("amend.no-number", archive=str(superseded), name=RESULTS))


def _texts_of(report: Report) -> dict[str, str]:
    """The job file, the notes and what lies with the laboratory file, where they are text."""
    paths = [Path(report.job.file.name), *report.job.notes_files]
    own = {
        path.as_posix(): (report.job.folder / path).read_text(encoding="utf-8", errors="replace")
        for path in paths
        if path.suffix in _TEXT
    }
    shared = {
        each.name.as_posix(): each.content.decode(errors="replace")
        for each in report.job.laboratory_files
        if each.name.suffix in _TEXT
    }
    return own | shared


def _is_text(name: str) -> bool:
    """Whether an archived file is the job file or notes, at the top of the job folder, or the laboratory's."""
    plain = name.removeprefix(JOB).removeprefix(LABORATORY)
    return name.startswith(JOB) and "/" not in plain and plain.endswith(_TEXT)


def next_revision(revision: str) -> str:
    """The revision after this one.

    >>> [next_revision(each) for each in ("A", "Z", "AZ", "1", "09", "B2")]
    ['B', 'AA', 'BA', '2', '10', 'B3']
    """
    stem = revision.rstrip("0123456789")
    if stem != revision:
        number = revision[len(stem) :]
        return stem + str(int(number) + 1).zfill(len(number))
    if not (revision.isascii() and revision.isalpha()):
        return f"{revision}.1"
    head, last = revision[:-1], revision[-1]
    if last not in "zZ":
        return head + chr(ord(last) + 1)
    first = "a" if last == "z" else "A"
    return (next_revision(head) if head else first) + first


def amendment_json(record: Amendment) -> bytes:
    """``supersedes.json``: the amendment as the archive keeps it."""
    fields = {
        "number": record.number,
        "revision": record.revision,
        "sha256": record.sha256,
        **({} if record.date is None else {"date": record.date.isoformat()}),
        "changes": [
            {"what": _kept(each.what), "before": _kept(each.before), "after": _kept(each.after)}
            for each in record.changes
        ],
    }
    return (json.dumps(fields, indent=1, ensure_ascii=False, sort_keys=True) + "\n").encode()


def _kept(value: Value) -> Any:
    """A message as code and values, in whatever depth; its words are made anew in the language of the report."""
    match value:
        case Message():
            return {"code": value.code, "values": {name: _kept(each) for name, each in value.values}}
        case tuple():
            return [_kept(each) for each in value]
        case None | int() | float() | str():
            return value
    raise TypeError(type(value))


def read_amendment(text: str, where: str) -> Amendment:
    """The amendment that an archive keeps. Raises ArchiveError."""
    fields = read_json(text, where)
    try:
        own = {"changes": tuple(_change(each) for each in fields["changes"]), "date": _day(fields.get("date"))}
        found = Amendment(**{**fields, **own})
    except (TypeError, KeyError, AttributeError, ArchiveError) as problem:
        raise ArchiveError(message("archive.not-of-a-build", where=where, reason=reason_of(problem))) from problem
    if not isinstance(found.revision, str) or len(found.revision) > LONGEST_REVISION:
        raise ArchiveError(message("amend.long-revision", where=where, most=LONGEST_REVISION))
    return found


def _change(fields: dict[str, Any]) -> Change:
    return Change(**{name: _said(value) for name, value in fields.items()})


def _said(value: Any) -> Message:
    """What ``_kept`` wrote; a text, as versions up to 0.6 wrote it, stays as written. Raises ArchiveError."""
    found = _value(value)
    if isinstance(found, str):
        return message("as-written", text=found)
    if not isinstance(found, Message):
        raise ArchiveError(message("amend.no-text", found=str(value)[:_SHOWN]))
    return found


def _value(value: Any) -> Value:
    if isinstance(value, dict):
        return Message(str(value["code"]), tuple((str(name), _value(each)) for name, each in value["values"].items()))
    if isinstance(value, list):
        return tuple(_value(each) for each in value)
    found: Value = value
    return found
