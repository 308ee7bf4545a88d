"""Words of a report in its language: one gettext catalogue a language, read as it is written."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from babel.messages.pofile import read_po

from reportgen.errors import RenderError
from reportgen.records.message import message

LANGUAGES = ("en", "de")


class Words:
    """Says things in one language. What a catalogue does not know is said as it stands, in English."""

    def __init__(self, language: str, catalogue: dict[str, str]) -> None:
        self.language = language
        self._catalogue = catalogue

    def say(self, text: str, **values: str) -> str:
        """``text`` in the report's language, its ``%(name)s`` filled in; a percent sign is written ``%%``."""
        said = self._catalogue.get(text) or text
        return said % values if values else said.replace("%%", "%")

    def knows(self, text: str) -> bool:
        """Whether the catalogue has words for ``text``."""
        return bool(self._catalogue.get(text))


@lru_cache(maxsize=8)
def words(folder: Path, language: str) -> Words:
    """Words of ``language`` from ``folder`` (``de.po``, ``en.po``). Raises RenderError where there is no catalogue."""
    path = folder / f"{language}.po"
    if language not in LANGUAGES or not path.is_file():
        raise RenderError(message("render.no-language", path=str(path), language=language, known=LANGUAGES))
    with path.open("rb") as file:
        catalogue = read_po(file, locale=language)
    known = {str(entry.id): str(entry.string) for entry in catalogue if entry.id and entry.string and not entry.context}
    return Words(language, known)
