"""Code and catalogue agree: every message that is made has its sentence in every language, with the values it needs."""

from __future__ import annotations

import ast
import re
import string
from datetime import date
from enum import StrEnum
from pathlib import Path

import pytest

from reportgen.errors import RenderError
from reportgen.records.message import Amount, Place, message
from reportgen.render.catalogue import Catalogue, catalogue

ROOT = Path(__file__).resolve().parents[2]
WORDS = ROOT / "templates" / "words"
LANGUAGES = ("en", "de")


def fields_of(sentence: str) -> set[str]:
    """Names of the values a sentence needs."""
    return {name for _, name, _, _ in string.Formatter().parse(sentence) if name is not None}


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


@pytest.mark.parametrize(
    "amount, english, german",
    [
        (Amount(25.04, "g", limit=25.0), "25.04 g", "25,04 g"),
        (Amount(24.0, "g", limit=25.0), "24.0 g", "24,0 g"),
        (Amount(9.96, "%", limit=10.0), "9.96 %", "9,96 %"),
        (Amount(-12.0, "%", limit=-10.0), "−12.0 %", "−12,0 %"),
        (Amount(70.3, "Hz", limit=80.0, resolution=0.01), "70.30 Hz", "70,30 Hz"),
        (Amount(1799.96 / 60.0, "min", limit=30.0), "29 min 59.96 s", "29 min 59,96 s"),
        (Amount(54000.0, "cycles", limit=1e6), "54\u202f000 cycles", "54\u202f000 Schwingspiele"),
        (Amount(1.25, "", limit=None), "1.25", "1,25"),
    ],
)
def test_a_value_beside_its_limit_lies_on_its_own_side_of_it(amount, english, german):
    """As records.rounding.beside_limit says: 25.04 is beyond 25 on paper, too; a time is in hours, minutes, seconds."""
    sentences = {"a": "{measured:beside}"}
    said = message("a", measured=amount)
    assert Catalogue("en", sentences).say(said) == english
    assert Catalogue("de", sentences, {"cycles": "Schwingspiele"}).say(said) == german


def test_a_limit_is_printed_as_it_is_stated():
    catalogue = Catalogue("de", {"a": "mindestens {limit}"})
    assert catalogue.say(message("a", limit=Amount(30.0, "min"))) == "mindestens 30 min"
    assert catalogue.say(message("a", limit=Amount(0.5, "1"))) == "mindestens 0,5"


def test_a_hundred_to_two_digits_is_a_hundred():
    """Fault: "1e+02 % of the judged sweep"."""
    catalogue = Catalogue("en", {"a": "{share:.2g} %", "b": "{f:.4g} Hz", "c": "{f:.2g}"})
    assert catalogue.say(message("a", share=100.0)) == "100 %"
    assert catalogue.say(message("b", f=21520.4)) == "21\u202f520 Hz"
    assert catalogue.say(message("c", f=2.04e7)) == "2·10⁷"


def test_a_sentence_begins_with_a_capital_unless_a_name_stands_first():
    catalogue = Catalogue(
        "en", {"a": "{what} is {held}", "b": "amplification of {x}", "c": "{pace} rate", "d": "{x} ends"}
    )
    inner = message("b", x="a1")
    assert catalogue.sentence(message("a", what=inner, held=1)) == "Amplification of a1 is 1."
    assert catalogue.sentence(message("c", pace=Kind.SURVEY)) == "Survey rate."
    assert catalogue.sentence(message("a", what=message("d", x="a1"), held=1)) == "a1 ends is 1."
    assert catalogue.text([inner, message("d", x="a1"), inner]) == "Amplification of a1. a1 ends."


def test_a_message_without_a_sentence_is_an_error():
    with pytest.raises(RenderError, match="no-sentence"):
        Catalogue("en", {}).say(message("nothing-known"))
