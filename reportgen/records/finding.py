"""Findings: what the tool has to say about its inputs, with file and line."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from reportgen.records.message import Message, Place, Said


class Severity(StrEnum):
    """How much a finding weighs. Only an error stops a build."""

    ERROR = "error"
    WARNING = "warning"
    NOTE = "note"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One sentence about one place: what was found, what was expected, what to do."""

    severity: Severity
    where: str
    """Place, as ``path:line`` with the path as named in the job (``job.toml:13``, ``logs/x_pre.csv:118``)."""
    message: Said

    def __str__(self) -> str:
        return f"{self.where}: {self.severity}: {self.message}"


LONGEST_MESSAGE = 2000
"""Characters; a word of the input can be as long as the input."""


def _bounded(message: Said) -> Said:
    return (
        message if isinstance(message, Message) or len(message) <= LONGEST_MESSAGE else f"{message[:LONGEST_MESSAGE]} …"
    )


def error(where: Place | str, message: Said) -> Finding:
    """Make an error: the build stops."""
    return Finding(severity=Severity.ERROR, where=str(where), message=_bounded(message))


def warning(where: Place | str, message: Said) -> Finding:
    """Make a warning: the build goes on, the report shows it."""
    return Finding(severity=Severity.WARNING, where=str(where), message=_bounded(message))


def note(where: Place | str, message: Said) -> Finding:
    """Make a note: worth knowing, nothing to mend."""
    return Finding(severity=Severity.NOTE, where=str(where), message=_bounded(message))
