"""The error family. Whatever is raised outside it is a bug and keeps its traceback.

An error carries a message; its words are made where it is shown (``reportgen/render/terminal.py``).
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Self

from reportgen.records.finding import Finding
from reportgen.records.message import Message, Place, message


class ReportError(Exception):
    """Something the user can mend: it says where, what was found, what was expected, what to do."""

    def __init__(self, said: Message) -> None:
        super().__init__(f"{said.code} {dict(said.values)}" if isinstance(said, Message) else said)
        self.said = said

    def __reduce__(self) -> tuple[Any, ...]:
        """So that an error raised in another process arrives whole."""
        return _raised_again, (type(self), self.args, self.__dict__)

    more: tuple[Finding | Message, ...] = ()
    """What belongs below the message, such as each of several findings."""

    def listing(self, more: Iterable[Finding | Message]) -> Self:
        """The same error with what belongs below it."""
        self.more = tuple(more)
        return self


def _raised_again(kind: type[ReportError], args: tuple[object, ...], state: dict[str, object]) -> ReportError:
    error = kind.__new__(kind, *args)
    error.args = args
    error.__dict__.update(state)
    return error


class UnitError(ReportError):
    """A unit that is not known, or of the wrong kind."""


class RecordError(ReportError):
    """A record that cannot be: the values contradict what the record stands for."""


class ReadError(ReportError):
    """A file that cannot be read as what it is meant to be."""

    def __init__(self, where: Place | str, what: Message) -> None:
        super().__init__(message("error.at", where=where, what=what))
        self.where = where
        self.what = what


class ComputeError(ReportError):
    """A quantity that these data cannot give."""


class RenderError(ReportError):
    """A template, a figure or a page that could not be made."""


class PdfUnavailableError(RenderError):
    """The system's text layout library (Pango) is missing; HTML can still be made."""


class ArchiveError(ReportError):
    """An archive that could not be written, opened or trusted."""
