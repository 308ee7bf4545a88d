"""Code and catalogue agree: every message that is made has its sentence in every language, with the values it needs."""

from __future__ import annotations

import ast
import re
from datetime import date
from enum import StrEnum
from pathlib import Path

import pytest

from reportgen.errors import RenderError
from reportgen.records.message import Place, message
from reportgen.render.catalogue import Catalogue, catalogue, fields_of

ROOT = Path(__file__).resolve().parents[2]
WORDS = ROOT / "templates" / "words"
LANGUAGES = ("en", "de")


def messages_made() -> dict[str, tuple[set[str], str]]:
    """Code of each call of ``message`` in the package, with the names of its values and where it stands."""
    made: dict[str, tuple[set[str], str]] = {}
    for path in (ROOT / "reportgen").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "message":
                where = f"{path.relative_to(ROOT)}:{node.lineno}"
                assert node.args, f"{where}: a message without a code"
                code = node.args[0]
                assert isinstance(code, ast.Constant), f"{where}: write the code out, so that it can be found"
                names = {keyword.arg for keyword in node.keywords if keyword.arg is not None}
                assert len(names) == len(node.keywords), f"{where}: write the values out"
                made.setdefault(code.value, (names, where))
    return made


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_message_has_its_sentence_with_its_values(language):
    sentences = catalogue(WORDS, language).sentences
    for code, (names, where) in messages_made().items():
        assert code in sentences, f"{where}: {code} has no sentence in {language}.toml"
        unknown = fields_of(sentences[code]) - names
        assert not unknown, f"{where}: {language}.toml asks of {code} for {sorted(unknown)}"


def test_the_languages_say_the_same_messages_and_none_is_left_over():
    english, german = (catalogue(WORDS, language).sentences for language in LANGUAGES)
    assert sorted(english) == sorted(german)
    assert sorted(set(english) - set(messages_made())) == []
    assert [code for code, text in english.items() if text == german[code] and has_words(text)] == []


def has_words(sentence: str) -> bool:
    """Whether there is more in a sentence than values, their units and tables of the job file (``[[run]]``)."""
    return re.search(r"[A-Za-z]{3,}", re.sub(r"\{[^}]*\}|\[+[a-z.]+\]+", "", sentence)) is not None


class Kind(StrEnum):
    SURVEY = "survey"


def test_values_are_printed_as_their_kind_asks():
    german = Catalogue(
        "de",
        {
            "a": "{name}: {f:.4g} Hz, {share:.1%}, {n:|Zeile|Zeilen}, {none:.2f}",
            "b": "{names:and} in {kind}; {inner}; {day}; {place}",
            "c": "{name} fehlt",
        },
        {"survey": "Suchlauf"},
    )
    said = german.say(message("a", name="clause 5.3", f=-17.25, share=0.0125, n=1, none=None))
    assert said == "clause 5.3: −17,25 Hz, 1,2\u00a0%, 1 Zeile, –"
    inner = message("c", name="a1")
    said = german.say(
        message("b", names=("A1", "A2", "A3"), kind=Kind.SURVEY, inner=inner, day=date(2026, 3, 5), place=Place("x", 3))
    )
    assert said == "A1, A2 und A3 in Suchlauf; a1 fehlt; 5. März 2026; x:3"
    assert german.sentence(inner) == "a1 fehlt.", "what the user wrote keeps its letters"


def test_a_message_without_a_sentence_is_an_error():
    with pytest.raises(RenderError, match="no sentence"):
        Catalogue("en", {}).say(message("nothing-known"))
