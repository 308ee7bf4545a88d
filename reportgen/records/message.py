"""Messages: what is to be said, as a fact. Their words stand in ``templates/words``, one file a language."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, time
from typing import TypeAlias, Union

Value: TypeAlias = Union[str, int, float, date, time, "Message", "Place", "Amount", tuple["Value", ...], None]
"""What a message may carry. Text is what the user wrote, or a name, and is printed letter for letter; a member of an
enumeration is a term, and is printed in the words of the language."""


@dataclass(frozen=True, slots=True)
class Message:
    """A code of the catalogue with the values its sentence needs.

    >>> message("quality.dead-channel", channel="A1", highest=0.004)
    Message(code='quality.dead-channel', values=(('channel', 'A1'), ('highest', 0.004)))
    """

    code: str
    """``room.what`` in lower case: the key of its sentence in every language, and of scripts that read results.json."""
    values: tuple[tuple[str, Value], ...] = ()

    def value(self, name: str) -> Value:
        """The value of that name. Raises KeyError where the message has none."""
        return dict(self.values)[name]


def message(code: str, **values: Value) -> Message:
    """Make a message; ``code`` is written out at the call, so that a test can hold code and catalogue together."""
    return Message(code, tuple(values.items()))


def as_written(texts: Iterable[str]) -> tuple[Message, ...]:
    """Texts of the user or of a file, each as a message that is printed letter for letter in any language.

    >>> as_written(["sensor A1 was glued anew"])
    (Message(code='as-written', values=(('text', 'sensor A1 was glued anew'),)),)
    """
    return tuple(message("as-written", text=text) for text in texts)


@dataclass(frozen=True, slots=True)
class Place:
    """A place in an input: the path as the job names it, and the line where there is one.

    >>> str(Place("logs/x_pre.csv", 118)), str(Place("job.toml"))
    ('logs/x_pre.csv:118', 'job.toml')
    """

    path: str
    line: int | None = None

    def __str__(self) -> str:
        return self.path if self.line is None else f"{self.path}:{self.line}"


@dataclass(frozen=True, slots=True)
class Amount:
    """A number with its unit and, for one that was held against a limit, what its digits have to show.

    >>> Amount(25.04, "g", limit=25.0)
    Amount(value=25.04, unit='g', limit=25.0, resolution=None, uncertainty=None, most_digits=None)
    """

    value: float
    """In ``unit``."""
    unit: str = ""
    """Symbol; empty for a ratio."""
    limit: float | None = None
    """The limit that lies nearest, in ``unit``: the printed number has to lie on the same side of it."""
    resolution: float | None = None
    """Step of the last digit of a value noted by hand, in ``unit``; None for one that was computed."""
    uncertainty: float | None = None
    """Expanded, in ``unit``; None where none is known."""
    most_digits: int | None = None
    """Most significant digits that may be printed; None where only the uncertainty bounds them."""
