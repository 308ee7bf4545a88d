"""Words of a report in its language: one gettext catalogue a language, read as it is written."""

from __future__ import annotations

import re
from functools import lru_cache
from pathlib import Path

from babel.messages.pofile import read_po

from reportgen.errors import RenderError

LANGUAGES = ("en", "de")
_PLACE = re.compile(r"%\((\w+)\)s")
_PLAIN_NUMBER = re.compile(r"(?<![\w.])-?\d+\.\d+(?![\w.])")


class Words:
    """Says things in one language. What a catalogue does not know is said as it stands, in English."""

    def __init__(self, language: str, catalogue: dict[str, str], decimal_comma: bool = False) -> None:
        self.language = language
        self._catalogue = catalogue
        self._decimal_comma = decimal_comma
        self._sentences = [(_pattern(each), said) for each, said in catalogue.items() if _PLACE.search(each)]

    def say(self, text: str, **values: str) -> str:
        """``text`` in the report's language, its ``%(name)s`` filled in; a percent sign is written ``%%``."""
        said = self._catalogue.get(text) or text
        return said % values if values else said.replace("%%", "%")

    def sentence(self, text: str) -> str:
        """A sentence made by another room: known sentences are translated with their numbers and names in place."""
        if text in self._catalogue:
            return self._catalogue[text]
        for pattern, said in self._sentences:
            match = pattern.fullmatch(text)
            if match:
                return said % {name: self._in_place(value) for name, value in match.groupdict().items()}
        return self._localised(text)

    def knows(self, text: str) -> bool:
        """Whether ``text`` is said in the report's own language."""
        return self.language == "en" or text in self._catalogue or any(p.fullmatch(text) for p, _ in self._sentences)

    def _in_place(self, value: str) -> str:
        return self._catalogue.get(value) or self._localised(value)

    def _localised(self, text: str) -> str:
        return _PLAIN_NUMBER.sub(lambda m: m.group().replace(".", ","), text) if self._decimal_comma else text


def _pattern(message: str) -> re.Pattern[str]:
    parts = _PLACE.split(message)
    return re.compile("".join(f"(?P<{part}>.+?)" if i % 2 else re.escape(part) for i, part in enumerate(parts)))


@lru_cache(maxsize=8)
def words(folder: Path, language: str) -> Words:
    """Words of ``language`` from ``folder`` (``de.po``, ``en.po``). Raises RenderError where there is no catalogue."""
    path = folder / f"{language}.po"
    if language not in LANGUAGES or not path.is_file():
        raise RenderError(f"{path}: no catalogue for language {language!r}; known are {', '.join(LANGUAGES)}")
    with path.open("rb") as file:
        catalogue = read_po(file, locale=language)
    known = {str(m.id): str(m.string) for m in catalogue if m.id and m.string}
    return Words(language, known, decimal_comma=language == "de")
