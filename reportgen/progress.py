"""Progress on the terminal: one line that is rewritten, silent when piped."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import TextIO

from reportgen.records.message import Message
from reportgen.terminal import printable

Say = Callable[[Message], object]
"""Takes the step that begins now."""

PATIENCE_S = 1.0
"""Seconds that a person waits without a word and thinks nothing of it."""
_LONGEST_LINE = 100
"""Characters, so that the line can be rewritten in a narrow terminal."""


class Progress:
    """Says what is being done once it has taken longer than a second; silent unless the stream is a terminal."""

    def __init__(self, stream: TextIO | None = None, *, patience_s: float = PATIENCE_S) -> None:
        self._stream = sys.stderr if stream is None else stream
        self._shows = self._stream.isatty()
        self._begun = time.monotonic()
        self._patience_s = patience_s
        self._written = 0

    def __call__(self, what: Message) -> None:
        """Say the step that begins now."""
        if not self._shows or time.monotonic() - self._begun < self._patience_s:
            return
        from reportgen.render.catalogue import said

        line = printable(said(what), self._stream)[:_LONGEST_LINE]
        self._stream.write("\r" + line.ljust(self._written))
        self._stream.flush()
        self._written = len(line)

    def done(self) -> None:
        """Clear the line."""
        if self._written:
            self._stream.write("\r" + " " * self._written + "\r")
            self._stream.flush()
            self._written = 0


def silent(_what: Message) -> None:
    """Progress for callers that have nobody to tell."""
