"""Reason: what an exception says, to stand in a message: a message of our own, or the words of a library."""

from __future__ import annotations

from reportgen.errors import ReportError
from reportgen.records.finding import Finding
from reportgen.records.message import Message, message


def reason_of(problem: BaseException) -> Message:
    """What was said where the error is one of ours; else its text letter for letter, or its kind where it has none."""
    if isinstance(problem, ReportError):
        return problem.said
    if isinstance(problem, OSError) and problem.strerror:
        return message("as-written", text=str(problem.strerror))
    return message("as-written", text=str(problem) or type(problem).__name__)


def all_of(error: ReportError) -> tuple[Message, ...]:
    """An error with what belongs below it."""
    return (error.said, *(each.whole if isinstance(each, Finding) else each for each in error.more))
