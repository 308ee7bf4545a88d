"""Findings: what the tool has to say about its inputs, with file and line."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from reportgen.records.message import Message, Place, message


class Severity(StrEnum):
    """How much a finding weighs. Only an error stops a build."""

    ERROR = "error"
    WARNING = "warning"
    NOTE = "note"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One message about one place: what was found, what was expected, what to do."""

    severity: Severity
    where: Place
    """The path as named in the job (``job.toml``, ``logs/x_pre.csv``), with the line where there is one."""
    message: Message

    @property
    def line(self) -> int:
        """Line of its place; 0 where it has none, so that it sorts first."""
        return self.where.line or 0

    @property
    def whole(self) -> Message:
        """Place, severity and message as one message, for terminals and errors."""
        return message("finding", where=self.where, severity=self.severity, what=self.message)


def error(where: Place | str, what: Message) -> Finding:
    """Make an error: the build stops."""
    return _finding(Severity.ERROR, where, what)


def warning(where: Place | str, what: Message) -> Finding:
    """Make a warning: the build goes on, the report shows it."""
    return _finding(Severity.WARNING, where, what)


def note(where: Place | str, what: Message) -> Finding:
    """Make a note: worth knowing, nothing to mend."""
    return _finding(Severity.NOTE, where, what)


def _finding(severity: Severity, where: Place | str, what: Message) -> Finding:
    return Finding(severity=severity, where=where if isinstance(where, Place) else Place(where), message=what)
