"""Lines for the terminal: findings and errors in words, English as all of the terminal."""

from __future__ import annotations

from collections.abc import Iterable

from reportgen.errors import ReportError
from reportgen.records.finding import Finding
from reportgen.records.message import Said
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


def _line(each: Finding | Said) -> str:
    return finding_line(each) if isinstance(each, Finding) else said(each)
