"""Messages in words: the catalogue of a language, keyed by code, and how the values of a message are printed.

A sentence of the catalogue holds its values in braces, with how each is printed behind a colon:

==========================  =========================================================================================
``{channel}``               text letter for letter, a term in the language's word, a number as one would write it
``{frequency_hz:.4g}``      a number in that format, with the language's decimal mark and a true minus
``{share:.0%}``             a fraction in percent, with a no-break space before the sign
``{rows:|row|rows}``        a count with its noun in the singular or the plural
``{names:and}``             several values: ``A1, A2 and A3``
``{reasons:joined; }``      several values with what stands behind ``joined`` between them
``{limit}``                 an amount: the number as one would write it, with its unit
``{measured:beside}``       an amount beside the limit it was held against, with as many digits as show on which side
                            of it the number lies; a length of time in hours, minutes and seconds
``{names:quoted}``          several values, each in quotes: ``'A1', 'A2'``
``{name:field}``            a field of results.json by the word under ``field NAME`` of the terms, else by its own name;
``{name:entry}``            one entry of a list there, likewise
==========================  =========================================================================================

A value that is itself a message is printed in its own words. Behind `` || `` stands what whoever made the input is to
do: the terminal says it behind a semicolon, a customer's document leaves it out.
"""

from __future__ import annotations

import math
import string
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime, time
from enum import Enum
from functools import lru_cache
from pathlib import Path
from typing import Any

from reportgen.errors import RenderError
from reportgen.records.message import Amount, Message, Place, message
from reportgen.records.rounding import places
from reportgen.render.numbers import COUNTED, SECONDS, Numbers
from reportgen.resources import data_dir

INSTRUCTION = " || "
"""Between what was found and what to do about it."""
_JOINED = "joined"
_BESIDE = "beside"
_QUOTED = "quoted"
_OF_RESULTS = ("field", "entry")
"""Formats of a name in results.json, and the first word of its term."""
_AND = {"en": "and", "de": "und"}
_LARGEST_IN_DIGITS = 1e6
"""From here on a number with fewer digits than places is printed as a power of ten."""
_LONGEST_VALUE = 2000
"""Characters; a word of the input can be as long as the input."""


class Catalogue(string.Formatter):
    """Says messages in one language."""

    def __init__(
        self,
        language: str,
        sentences: Mapping[str, str],
        terms: Mapping[str, str] | None = None,
        *,
        instructs: bool = True,
    ) -> None:
        self.language = language
        self._instructs = instructs
        self.sentences = sentences
        self._terms = terms or {}
        self._numbers = Numbers(language)

    def say(self, what: Message) -> str:
        """The message as a clause, as it stands in the catalogue. Raises RenderError where the catalogue lacks it.

        >>> from reportgen.records.message import message
        >>> german = Catalogue("de", {"rows": "{n:|Zeile|Zeilen} von {channel} ab {at_hz:.4g} Hz"})
        >>> german.say(message("rows", n=3, channel="Kanal 5.3", at_hz=17.25))
        '3 Zeilen von Kanal 5.3 ab 17,25 Hz'
        """
        text = self.sentences.get(what.code)
        if text is None:
            raise RenderError(message("render.no-sentence", language=self.language, asked=what.code))
        told, _, instruction = text.partition(INSTRUCTION)
        if instruction and self._instructs:
            told = f"{told}; {instruction}"
        return self.vformat(told, (), dict(what.values))

    def sentence(self, what: Message) -> str:
        """The message as a whole sentence: a capital at its start and a full stop at its end.

        What begins with a name or a text of the user keeps its first letter as it was written.
        """
        said = self.say(what)
        if self._begins_with_word(what):
            said = said[:1].upper() + said[1:]
        return said if said.endswith((".", "!", "?", "…")) else said + "."

    def text(self, messages: Iterable[Message]) -> str:
        """Messages as sentences, one after the other; what would be printed twice is printed once."""
        return " ".join(dict.fromkeys(map(self.sentence, messages)))

    def _begins_with_word(self, what: Message) -> bool:
        """Whether the catalogue's own words stand first, if need be those of the message that stands first."""
        literal, name, _, _ = next(iter(string.Formatter().parse(self.sentences[what.code])), ("", None, "", None))
        if literal or name is None:
            return True
        first = what.value(name)
        if isinstance(first, tuple) and first:
            first = first[0]
        return self._begins_with_word(first) if isinstance(first, Message) else isinstance(first, Enum)

    def term(self, text: str) -> str | None:
        """The word of a term; None where the catalogue has none."""
        return self._terms.get(str(text))

    def all(self, messages: Iterable[Message]) -> list[str]:
        """Every message as a clause."""
        return [self.say(message) for message in messages]

    def format_field(self, value: Any, format_spec: str) -> Any:
        """One value of a sentence as the module's table says."""
        if format_spec.startswith("|"):
            singular, plural = format_spec[1:].split("|")
            return f"{self._numbers.count(value)} {singular if value == 1 else plural}"
        if format_spec in ("and", _QUOTED) or format_spec.startswith(_JOINED):
            return self._several(value, format_spec)
        if format_spec in _OF_RESULTS:
            return self._terms.get(f"{format_spec} {value}") or self._text(str(value).replace("_", " "))
        if isinstance(value, Message):
            return self.say(value)
        if isinstance(value, Amount):
            return self._amount(value, format_spec)
        if isinstance(value, Enum):
            return self._terms.get(str(value.value), str(value.value))
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            return self._number(value, format_spec)
        return self._text(value)

    def _several(self, values: Sequence[Any], format_spec: str) -> str:
        if all(type(value) is str for value in values):  # words of the input, of which there can be without end
            values = [*_within(values, _LONGEST_VALUE)]
        said = [str(self.format_field(value, "")) for value in values]
        if format_spec == _QUOTED:
            return ", ".join(f"'{each}'" for each in said) or Numbers.ABSENT
        if format_spec != "and":
            return format_spec.removeprefix(_JOINED).join(said)
        *most, last = said or [Numbers.ABSENT]
        return f"{', '.join(most)} {_AND[self.language]} {last}" if most else last

    def _amount(self, amount: Amount, format_spec: str) -> str:
        if not math.isfinite(amount.value):
            return Numbers.ABSENT
        size = SECONDS.get(amount.unit)
        if format_spec == _BESIDE and size is not None and amount.limit is not None:
            return self._numbers.duration_beside(size * amount.value, size * amount.limit)
        unit = self._terms.get(amount.unit, amount.unit)
        number = self._beside(amount) if format_spec == _BESIDE else self._numbers.plain(amount.value)
        return f"{number} {unit}" if unit and unit != "1" else number

    def _beside(self, amount: Amount) -> str:
        value, limit = amount.value, amount.limit
        decimals = places(
            value,
            amount.uncertainty,
            resolution=amount.resolution,
            most_digits=amount.most_digits,
            whole=amount.unit in COUNTED,
        )
        if limit is None:
            return self._numbers.decimal(value, decimals)
        return self._numbers.beside_limit(value, limit, decimals)[0]

    def _number(self, value: float, format_spec: str) -> str:
        if not math.isfinite(value):
            return Numbers.ABSENT
        if not format_spec:
            # A whole number keeps its digits together: it may be a line or an identification.
            return f"{value}".replace("-", "−") if isinstance(value, int) else self._numbers.plain(value)
        if format_spec.endswith("%"):
            decimals = int(format_spec.strip("+.%") or 0)
            sign = "+" if format_spec.startswith("+") and round(100 * value, decimals) > 0 else ""
            return sign + self._numbers.percent(value, decimals)
        text = format(value, format_spec)
        if "e+" in text and abs(value) < _LARGEST_IN_DIGITS:  # two digits of 100 are "1e+02"
            return self._numbers.decimal(float(text), 0)
        return self._numbers.localised(text)

    def _text(self, value: object) -> str:
        match value:
            case None:
                return Numbers.ABSENT
            case datetime() | time():
                return self._numbers.moment(value)
            case date():
                return self._numbers.day(value)
            case tuple():
                return self._several(value, _JOINED + ", ")
            case Place():
                return str(value)
        text = str(value)
        return text if len(text) <= _LONGEST_VALUE else f"{text[:_LONGEST_VALUE]} …"


def _within(words: Iterable[str], length: int) -> Iterator[str]:
    """Words up to that many characters together, and three dots for the rest."""
    for word in words:
        length -= len(word)
        if length < 0:
            yield "…"
            return
        yield word


def without_instructions(of: Catalogue) -> Catalogue:
    """The same words for a reader who did not make the inputs.

    >>> said = Catalogue("en", {"a": "{n:|time|times} not read || log them with more digits"})
    >>> said.say(Message("a", (("n", 2),))), without_instructions(said).say(Message("a", (("n", 2),)))
    ('2 times not read; log them with more digits', '2 times not read')
    """
    return Catalogue(of.language, of.sentences, of._terms, instructs=False)


@lru_cache(maxsize=8)
def catalogue(folder: Path, language: str) -> Catalogue:
    """Catalogue of ``language`` from ``folder`` (``en.toml``, ``de.toml``). Raises FileNotFoundError."""
    path = folder / f"{language}.toml"
    if not path.is_file():
        raise FileNotFoundError(path)  # there are no words in which to say it
    with path.open("rb") as file:
        words = tomllib.load(file)
    return Catalogue(language, words["messages"], words.get("terms"))


def english() -> Catalogue:
    """The language of the terminal and of results.json."""
    return catalogue(data_dir("templates") / "words", "en")


def said(text: Message) -> str:
    """A message in English."""
    return english().say(text)


def told(messages: Iterable[Message]) -> str:
    """Messages as English sentences."""
    return english().text(messages)


def can_say(text: Message) -> bool:
    """Whether a message that was read from a file, which anybody may have written, has words and all their values."""
    try:
        said(text)
    except (RenderError, LookupError, TypeError, ValueError, AttributeError, RecursionError):
        return False
    return True
