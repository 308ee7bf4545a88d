"""The report's language in one hand: words and numbers."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from reportgen.records.message import Message
from reportgen.render.catalogue import Catalogue, catalogue, without_instructions
from reportgen.render.numbers import Numbers
from reportgen.render.words import Words, words


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """A label and what is stated under it."""

    label: str
    value: str


@dataclass(frozen=True, slots=True)
class Language:
    """Words and numbers of one language."""

    words: Words
    numbers: Numbers
    catalogue: Catalogue

    @classmethod
    def of(cls, language: str, templates: Path) -> Language:
        """Read the catalogue below ``templates``. Raises RenderError where the language is unknown."""
        folder = templates / "words"
        return cls(words(folder, language), Numbers(language), catalogue(folder, language))

    def for_customer(self) -> Language:
        """The same without instructions to whoever made the inputs."""
        return replace(self, catalogue=without_instructions(self.catalogue))

    def say(self, text: str, **values: str) -> str:
        """``text`` in this language."""
        return self.words.say(text, **values)

    def sentence(self, text: Message) -> str:
        """What another room has to say, in this language."""
        return self.catalogue.say(text)

    def term(self, text: str) -> str:
        """A term of the trade, such as a member of an enumeration, in this language."""
        return self.catalogue.term(text) or self.words.say(text)

    def whole(self, text: Message) -> str:
        """The same as a whole sentence: a capital at its start, a full stop at its end."""
        return self.catalogue.sentence(text)

    def sentences(self, texts: Iterable[Message]) -> list[str]:
        """What another room has to say, in this language."""
        return [self.sentence(text) for text in texts]

    def text(self, messages: Iterable[Message]) -> str:
        """Messages as sentences, one after the other."""
        return self.catalogue.text(messages)

    def pairs(self, *pairs: tuple[str, object]) -> tuple[Fact, ...]:
        """Label and value, in order; what was not stated is left out."""
        return tuple(
            Fact(label=self.say(label), value=str(value)) for label, value in pairs if value not in (None, "", "–")
        )

    def band(self, band: tuple[float, float]) -> str:
        """A band of frequency."""
        low, high = (self.numbers.significant(edge, 4) for edge in band)
        return f"{low} Hz" if low == high else f"{low} – {high} Hz"
