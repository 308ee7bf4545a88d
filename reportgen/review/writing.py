"""A decision written into the job file or the notes: read again before it stands, refused where somebody else wrote."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from reportgen.archive.publish import write_whole
from reportgen.errors import ReportError
from reportgen.pipeline import JobInError
from reportgen.read.job.toml_lines import TomlLines
from reportgen.read.notes.note_line import parse_line
from reportgen.read.table.text_encoding import encoding_of
from reportgen.records.finding import Finding
from reportgen.records.job import Correction, Job
from reportgen.records.message import Message, message
from reportgen.records.note import NodesSeen
from reportgen.render.rows.language import Language
from reportgen.review.asked import Asked, Faults
from reportgen.review.decisions import TABLES, Kind
from reportgen.review.entries import EntryError, Plain, appended, line_added, line_removed, with_values

FIELDS = {"frequency": "frequency_hz", "band": "band_hz", "effect": "text"}
"""Fields of a page by keys of the job file, where they differ."""
FREQUENCY_DIGITS = 6
"""Significant digits of a frequency in an entry: more than any log resolves."""


class ChangedOutsideError(ReportError):
    """A file that somebody else wrote since it was read; nothing was written."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Files:
    """The files that decisions go to, with the digests by which they were read."""

    job_file: Path
    digests: Mapping[str, str]
    """SHA-256 by the path as the job names it."""

    def seen(self, path: Path) -> bytes | None:
        """The content of a file, as it was read; None where there is none. Raises ChangedOutsideError.

        Raises EntryError for a link: what it leads to would not be written whole, and may be another job's.
        """
        name = path.relative_to(self.job_file.parent).as_posix()
        if path.is_symlink():
            raise EntryError(message("review.is-link", path=name))
        content = path.read_bytes() if path.is_file() else None
        if (None if content is None else hashlib.sha256(content).hexdigest()) != self.digests.get(name):
            raise ChangedOutsideError(message("review.changed-outside", path=name))
        return content

    def replace(self, path: Path, new: bytes, proved: Callable[[Path], object] = lambda _: None) -> None:
        """Write a file whole, if it still is what was read and ``proved`` finds nothing wrong with the new one."""

        def check(part: Path) -> None:
            proved(part)
            self.seen(path)

        write_whole(path, new, check)

    def change_job(self, change: Callable[[str], str], proved: Callable[[Path], object]) -> None:
        """Write the job file anew. Raises ChangedOutsideError, EntryError, ArchiveError and what ``proved`` raises."""
        content = self.seen(self.job_file)
        if content is None:
            raise ChangedOutsideError(message("review.changed-outside", path=self.job_file.name))
        self.replace(self.job_file, change(content.decode("utf-8")).encode("utf-8"), proved)

    def change_notes(self, path: Path, change: Callable[[str], str]) -> None:
        """Write the notes anew, in their own encoding. Raises ChangedOutsideError, EntryError and ArchiveError."""
        content = self.seen(path) or b""
        encoding, mark = encoding_of(content)
        try:
            new = content[:mark] + change(content[mark:].decode(encoding)).encode(encoding)
        except UnicodeError:
            raise Faults(("text", message("review.notes-encoding", path=path.name, encoding=encoding))) from None
        self.replace(path, new)


def job_change(asked: Asked, job: Job, now: datetime) -> Callable[[str], str]:
    """How the text of the job file changes by a decision."""
    table, values = TABLES[asked.kind], _values(asked, now)
    if asked.kind is Kind.DEVIATION:
        keys = [each.key for each in job.deviations]
        if asked.deviation in keys:
            index = keys.index(asked.deviation)
            stated = {key: values[key] for key in ("effect", "agreed_by")}
            return lambda text: with_values(text, table, index, stated)
    return lambda text: appended(text, table, values)


def _values(asked: Asked, now: datetime) -> dict[str, Plain]:
    """Keys of the entry, in the order in which a hand writes them; what is not stated is left out."""
    if asked.kind is Kind.DEVIATION:
        told: dict[str, Plain | None] = {
            "key": asked.deviation, "effect": asked.text, "agreed_by": asked.agreed_by,
        }  # fmt: skip
    else:
        correction = TABLES[asked.kind] == "correction"
        told = {
            "run": asked.run,
            "channel": asked.channel,
            "frequency": None if asked.frequency_hz is None else _hertz(asked.frequency_hz),
            "band": None if asked.band_hz is None else [_hertz(each) for each in asked.band_hz],
            "action": str(asked.kind) if correction else None,
            "mode": asked.mode if asked.kind in (Kind.RENUMBER, Kind.ADD) else None,
            "text": asked.text if asked.kind is Kind.ANNOTATE else None,
            "reason": None if asked.kind is Kind.ANNOTATE else asked.reason,
            "by": asked.by,
            "when": now.replace(second=0, microsecond=0, tzinfo=None),
        }
    if asked.kind is Kind.EXCLUDE:
        told["frequency"] = None
    return {key: value for key, value in told.items() if value is not None}


def as_stated(frequency_hz: float) -> float:
    """A frequency with the digits that an entry gives it."""
    return float(f"{frequency_hz:.{FREQUENCY_DIGITS}g}")


def _hertz(frequency_hz: float) -> str:
    return f"{frequency_hz:.{FREQUENCY_DIGITS}g} Hz"


def as_correction(asked: Asked) -> Correction:
    """The correction that the entry will be read as."""
    assert asked.frequency_hz is not None
    return Correction(
        run=asked.run,
        channel=asked.channel,
        frequency_hz=as_stated(asked.frequency_hz),
        action=asked.kind.value,  # type: ignore[arg-type]
        reason=asked.reason or "",
        by=asked.by or "",
        mode=asked.mode,
    )


def faults_of(error: JobInError, part: Path, table: str) -> Faults:
    """What the reader of the job says of the last entry of a table in ``part``, by the field it is about."""
    lines = TomlLines(part.read_bytes().decode("utf-8-sig").replace("\r\n", "\n"))
    index = 0
    while lines.end_of((table, index + 1)) is not None:
        index += 1
    keys = {
        lines.line_of((table, index, key)): key
        for key in ("run", "channel", "frequency", "band", "action", "mode", "text", "reason", "by", "when", "effect")
        if lines.end_of((table, index, key)) is not None
    }
    return Faults(*((_field(each, part.name, keys), each.message) for each in error.errors))


def _field(finding: Finding, name: str, keys: Mapping[int, str]) -> str:
    key = keys.get(finding.line, "") if finding.where.path == name else ""
    return FIELDS.get(key, key)


NOTES = "notes.txt"
"""Where nodes go in a job that has no notes yet."""
TEXTS = (".txt", ".md")
"""Kinds of notes to which a line can be added."""


def notes_of(job: Job) -> Path:
    """The file of notes that a line is added to. Raises Faults where the job names none that is a text."""
    texts = [each for each in job.notes_files if each.suffix.lower() in TEXTS]
    if texts:
        return job.folder / texts[0]
    if job.report.notes is None:
        return job.folder / NOTES
    raise Faults(("nodes", message("review.notes-no-text", files=tuple(map(str, job.notes_files)))))


def nodes_line(asked: Asked, job: Job, language: Language, now: datetime) -> str:
    """The line of the notes that says what was seen. Raises Faults where the notes' own reader does not read it so."""
    known = tuple(run.id for run in job.runs)
    if asked.run not in known:
        raise Faults(("run", message("review.no-such-run", runs=known)))
    assert asked.frequency_hz is not None
    reason = asked.reason or asked.text
    by: Message = message("review.nodes-by", by=asked.by)
    if reason:
        by = message("review.nodes-by-why", by=asked.by, reason=reason)
    for run in (asked.run, f"run {asked.run}"):
        line = language.sentence(
            message(
                "review.nodes-line",
                when=f"{now:%Y-%m-%d %H:%M}",
                run=run,
                frequency=f"{asked.frequency_hz:.{FREQUENCY_DIGITS}g}",
                nodes=asked.nodes,
                by=by,
            )
        )
        note = parse_line(line, runs=known)
        meant = NodesSeen(frequency_hz=as_stated(asked.frequency_hz), count=asked.nodes or 0)
        if note.facts == (meant,) and note.run == asked.run and not note.unread:
            return line
    raise Faults(("reason" if reason else "run", message("review.nodes-not-read", line=line)))


def with_line(line: str) -> Callable[[str], str]:
    """How the notes change by one more line."""
    return lambda text: line_added(text, line)


def without_line(line: str) -> Callable[[str], str]:
    """How the notes change by a line that is taken out."""
    return lambda text: line_removed(text, line)
