"""Fonts that travel with the report, and the check that they have every character that is to be printed."""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace
from functools import lru_cache
from io import BytesIO
from pathlib import Path
from typing import Any

FACES = (
    ("Report Sans", "400", "normal", "IBMPlexSans-Regular.woff2"),
    ("Report Sans", "600", "normal", "IBMPlexSans-SemiBold.woff2"),
    ("Report Sans", "400", "italic", "IBMPlexSans-Italic.woff2"),
    ("Report Mono", "400", "normal", "IBMPlexMono-Regular.woff2"),
)
"""Family, weight, style, file in ``templates/fonts``."""
_INVISIBLE = frozenset("\n\t")
_DROPPED = frozenset("\r\u200b\u200c\u200d\u2060\ufeff\u00ad\u200e\u200f\ufe0f")


@lru_cache(maxsize=4)
def characters(folder: Path) -> frozenset[int]:
    """Code points that every upright face of the text family in ``folder`` can draw."""
    from fontTools.ttLib import TTFont

    found: set[int] | None = None
    for family, _weight, _style, name in FACES:
        if family == "Report Sans":
            with TTFont(folder / name, lazy=True) as font:
                covered = set(font.getBestCmap())
            found = covered if found is None else found & covered
    return frozenset(found or ())


@lru_cache(maxsize=8)
def unpacked(path: Path) -> bytes:
    """Font file without its compression, as pages are set with it: half a second for the four, spent once a process."""
    from fontTools.ttLib import woff2

    out = BytesIO()
    woff2.decompress(BytesIO(path.read_bytes()), out)
    return out.getvalue()


class GlyphCheck:
    """Replaces what no font can draw by its code, visibly, and remembers each such character."""

    def __init__(self, known: frozenset[int]) -> None:
        self._known = known
        self.missing: dict[str, str] = {}
        """Character to the first text it was found in."""

    def text(self, text: str) -> str:
        """``text`` with every character that no font has written as ``[U+4E2D]``; control characters are dropped."""
        if not any(self._needs_care(character) for character in set(text)):
            return text
        return "".join(self._drawn(character, text) for character in text)

    def _needs_care(self, character: str) -> bool:
        return ord(character) not in self._known and character not in _INVISIBLE

    def _drawn(self, character: str, text: str) -> str:
        if not self._needs_care(character):
            return character
        if character in _DROPPED:
            return ""
        if not character.isprintable() and not character.isspace():
            return f"[U+{ord(character):04X}]" if ord(character) > 0x9F else ""
        if character.isspace():
            return " "
        self.missing.setdefault(character, text.strip())
        return f"[U+{ord(character):04X}]"

    def all(self, value: Any) -> Any:
        """Every text inside lists, dictionaries and records; drawings and other values are left as they are."""
        if type(value) is str:
            return self.text(value)
        if isinstance(value, dict):
            return {key: self.all(each) for key, each in value.items()}
        if isinstance(value, list):
            return [self.all(each) for each in value]
        if isinstance(value, tuple):
            return tuple(self.all(each) for each in value)
        if is_dataclass(value) and not isinstance(value, type):
            return replace(value, **{each.name: self.all(getattr(value, each.name)) for each in fields(value)})
        return value
