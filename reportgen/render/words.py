"""Words of a report in its language: one gettext catalogue a language, read as it is written."""

from __future__ import annotations

import re
from functools import lru_cache
from pathlib import Path

from babel.messages.pofile import read_po

from reportgen.errors import RenderError
from reportgen.records.message import message

LANGUAGES = ("en", "de")
NARROW_SPACE = "\u202f"
SENTENCE = "sentence"
"""Context (msgctxt) of messages that other rooms make; their ``%(names)s`` match whatever stands there."""
_PLACE = re.compile(r"%\((\w+)\)s")
_FULL_STOP = re.compile(r"(?<=\.) (?=[A-ZÄÖÜ])")
_PLAIN_NUMBER = re.compile(r"(?<![\w.])-?\d+\.\d+(?![\w.])")
_UNIT = r" (?:%|dB|°|Hz|g|mm|s|to|bis|cycles|searches|rows|Zyklen|Schwingspiele|Suchen|Zeilen)(?!\w)"
_HYPHEN_FOR_MINUS = re.compile(r"(?<![\w.-])-(?=\d+(?:[.,]\d+)?" + _UNIT + ")")
"""A hyphen before a number with its unit; others may belong to a name."""
_UNGROUPED = re.compile(r"(?<![\w.,-])[1-9]\d{4,}(?=(?:[.,]\d+)?" + _UNIT + ")")
"""Five digits and more before a unit (ISO 80000-1, 7.3.1: groups of three); others may be the number of a part."""


class Words:
    """Says things in one language. What a catalogue does not know is said as it stands, in English."""

    def __init__(self, language: str, catalogue: dict[str, str], sentences: dict[str, str]) -> None:
        self.language = language
        self._catalogue = catalogue
        self._sentences = sentences
        exact_first = sorted(sentences.items(), key=lambda item: -len(_PLACE.sub("", item[0])))
        self._patterns = [(_pattern(each), said) for each, said in exact_first if _PLACE.search(each)]

    def say(self, text: str, **values: str) -> str:
        """``text`` in the report's language, its ``%(name)s`` filled in; a percent sign is written ``%%``."""
        said = self._catalogue.get(text) or text
        return said % values if values else said.replace("%%", "%")

    def sentence(self, text: str) -> str:
        """A sentence made by another room: what is known of it is translated, with its numbers and names in place."""
        return _with_signs(self._said(text))

    def _said(self, text: str) -> str:
        several = _FULL_STOP.split(text)
        if len(several) > 1:
            return " ".join(self._said(each) for each in several)
        known = self._known(text)
        if known is not None:
            return known
        clauses = text.split("; ")
        if len(clauses) > 1 and any(self._known(each) is not None for each in clauses):
            return "; ".join(self._said(each) for each in clauses)
        return self._localised(text)

    def knows(self, text: str) -> bool:
        """Whether the catalogue says the whole of ``text``."""
        return self._known(text) is not None

    def _known(self, text: str) -> str | None:
        """``text`` in this language, with or without the full stop of a sentence; None where it is not known."""
        known = self._sentences.get(text) or self._catalogue.get(text)
        if known:
            return known.replace("%%", "%")
        for pattern, said in self._patterns:
            match = pattern.fullmatch(text)
            if match:
                return said % {name: self._in_place(value) for name, value in match.groupdict().items()}
        if text.endswith(".") and len(text) > 2:
            clause = self._known(text[0].lower() + text[1:-1])
            return None if clause is None else clause[:1].upper() + clause[1:] + "."
        return None

    def _in_place(self, value: str) -> str:
        """What stands at a place of a sentence: another sentence, or a number or name."""
        return self._said(value) if " " in value else self._sentences.get(value) or self._localised(value)

    def _localised(self, text: str) -> str:
        """``text`` with the minus and the decimal mark of print."""
        mark = "," if self.language == "de" else "."
        return _PLAIN_NUMBER.sub(lambda m: m.group().replace("-", "−").replace(".", mark), text)


def _with_signs(text: str) -> str:
    """``text`` with a minus for a hyphen before a number with its unit, and long whole numbers in groups of three."""
    return _UNGROUPED.sub(lambda m: f"{int(m.group()):,}".replace(",", NARROW_SPACE), _HYPHEN_FOR_MINUS.sub("−", text))


def _pattern(sentence: str) -> re.Pattern[str]:
    parts = _PLACE.split(sentence)
    literal = (re.escape(part.replace("%%", "%")) for part in parts)
    return re.compile("".join(f"(?P<{parts[i]}>.+?)" if i % 2 else text for i, text in enumerate(literal)))


@lru_cache(maxsize=8)
def words(folder: Path, language: str) -> Words:
    """Words of ``language`` from ``folder`` (``de.po``, ``en.po``). Raises RenderError where there is no catalogue."""
    path = folder / f"{language}.po"
    if language not in LANGUAGES or not path.is_file():
        raise RenderError(message("render.no-language", path=str(path), language=language, known=LANGUAGES))
    with path.open("rb") as file:
        catalogue = read_po(file, locale=language)
    known: dict[str | None, dict[str, str]] = {None: {}, SENTENCE: {}}
    for entry in catalogue:
        if entry.id and entry.string:
            known[entry.context or None][str(entry.id)] = str(entry.string)
    return Words(language, known[None], known[SENTENCE])
