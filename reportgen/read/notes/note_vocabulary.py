"""Vocabulary of the operator's notes: one file of words a language, read together; the grammar is one for all.

A word of another language means an English one, by which the rules decide; what is quoted is as it was written.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from reportgen.resources import data_dir

_FIRST = "en.toml"
"""Read before the others: a word that two languages share is English, as it stands."""
_SPELT_OUT = str.maketrans({"ä": "(?:ä|ae)", "ö": "(?:ö|oe)", "ü": "(?:ü|ue)", "ß": "(?:ß|ss)"})
_NOTHING = "(?!)"
"""Matches nowhere: a part that no language fills."""
_PLACE = re.compile(r"@([A-Z_]+)@")


@dataclass(frozen=True, slots=True)
class Vocabulary:
    """Words of all languages."""

    patterns: Mapping[str, str]
    """Name of a phrase or part to one pattern of all its words, the longest first."""
    meanings: Mapping[str, tuple[tuple[re.Pattern[str], str], ...]]
    """Name to patterns with the English word that they mean."""
    words: Mapping[str, frozenset[str]]
    headings: tuple[tuple[str, re.Pattern[str]], ...]
    """What a column of a table holds, and how it is headed."""

    def filled(self, grammar: str) -> str:
        """A grammar with the words in the places that it leaves for them (``@NODES@``)."""

        def words(place: re.Match[str]) -> str:
            return self.patterns.get(place.group(1), _NOTHING).replace("/", r"\/")  # which ends a pattern there

        return _PLACE.sub(words, grammar)

    def meant(self, name: str, text: str) -> str:
        """The English word that a word of the phrase ``name`` means; the word itself where it stands for itself.

        >>> vocabulary().meant("NUMBER_WORD", "zwei"), vocabulary().meant("NUMBER_WORD", "two")
        ('two', 'two')
        """
        found = (english for pattern, english in self.meanings.get(name, ()) if pattern.fullmatch(text))
        return next(found, "") or text


@lru_cache(maxsize=1)
def vocabulary() -> Vocabulary:
    """The words of every language there is a file of."""
    return read_vocabulary(data_dir("templates") / "words" / "notes")


def read_vocabulary(folder: Path) -> Vocabulary:
    """Read every ``.toml`` of a folder, English first."""
    paths = sorted(folder.glob("*.toml"), key=lambda path: (path.name != _FIRST, path.name))
    files = [tomllib.loads(path.read_text(encoding="utf-8")) for path in paths]
    entries = [entry for file in files for entry in _entries(file)]
    names = dict.fromkeys(name for name, _, _ in entries)
    return Vocabulary(
        patterns={name: _joined(pattern for own, _, pattern in entries if own == name) for name in names},
        meanings={
            name: tuple((re.compile(pattern), meant) for own, meant, pattern in entries if own == name)
            for name in names
        },
        words=_words(files),
        headings=tuple((role, re.compile(text)) for file in files for role, text in file.get("headings", {}).items()),
    )


def _entries(file: Mapping[str, Any]) -> Iterator[tuple[str, str, str]]:
    """Name, English word (empty: as it stands) and pattern of every word of a file."""
    for name, listed in (*file.get("phrases", {}).items(), *file.get("parts", {}).items()):
        for meant, patterns in listed.items() if isinstance(listed, dict) else (("", listed),):
            yield from ((name, meant, pattern.translate(_SPELT_OUT)) for pattern in patterns)


def _joined(patterns: Iterable[str]) -> str:
    ordered = sorted(patterns, key=len, reverse=True)
    return f"(?:{'|'.join(ordered)})" if ordered else _NOTHING


def _words(files: Iterable[Mapping[str, Any]]) -> dict[str, frozenset[str]]:
    found: dict[str, frozenset[str]] = {}
    for file in files:
        for name, listed in file.get("words", {}).items():
            found[name] = found.get(name, frozenset()) | frozenset(listed)
    return found
