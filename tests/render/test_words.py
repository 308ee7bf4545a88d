"""Both languages say everything: no template and no row falls back to English unnoticed."""

from __future__ import annotations

from pathlib import Path

import pytest
from babel.messages.extract import extract_from_dir
from babel.messages.pofile import read_po

from reportgen.errors import RenderError
from reportgen.records.finding import Severity
from reportgen.records.job import Boundary, ChannelRole, ControlStrategy, DecisionRule, RunKind, RunStatus
from reportgen.records.note import MotionKind
from reportgen.records.result import IssueKind
from reportgen.records.verdict import Outcome
from reportgen.render import words as module
from reportgen.render.words import Words, words
from tests.archive.words import telling
from tests.printed import render_html

ROOT = Path(__file__).resolve().parents[2]
ENUMS = (
    IssueKind,
    Outcome,
    DecisionRule,
    RunKind,
    RunStatus,
    ChannelRole,
    ControlStrategy,
    Boundary,
    MotionKind,
    Severity,
)


def messages():
    """What gettext's extractor finds in templates and code."""
    kinds = (
        (ROOT / "templates", [("**.j2", "jinja2.ext:babel_extract")]),
        (ROOT / "reportgen/render", [("**.py", "python")]),
    )
    for folder, methods in kinds:
        for _, _, message, _, _ in extract_from_dir(
            folder, methods, {"**.j2": {"silent": "false"}}, keywords={"_": None, "say": None}
        ):
            yield message if isinstance(message, str) else message[0]


def test_every_message_is_said_in_german(templates):
    german = words(templates / "words", "de")
    wanted = {*messages(), *(str(each) for kind in ENUMS for each in kind)}
    assert len(wanted) > 250
    assert sorted(each for each in wanted if not german.knows(each)) == []


def test_no_german_is_kept_for_what_nothing_says():
    """Fault: ten sentences and labels of earlier reports were still translated."""
    with (ROOT / "templates/words/de.po").open("rb") as file:
        known = {each.id for each in read_po(file) if each.id}
    files = [each for room in ("reportgen", "templates") for each in (ROOT / room).rglob("*.*")]
    sources = "".join(each.read_text("utf-8") for each in files if each.suffix in (".py", ".j2", ".toml"))
    assert sorted(each for each in known - set(messages()) if each.replace('"', '\\"') not in sources) == []


def test_labels_that_are_not_literals_are_said_in_german_too(german, templates, monkeypatch):
    asked: set[str] = set()
    say = Words.say

    def remember(self, text, **values):
        asked.add(text)
        return say(self, text, **values)

    monkeypatch.setattr(Words, "say", remember)
    module_words = words(templates / "words", "de")
    render_html(german, templates=templates)
    assert sorted(each for each in asked if not module_words.knows(each)) == []


def test_a_percent_sign_is_written_twice_in_the_words():
    assert Words("de", {"pass": "bestanden"}).say("5 %%") == "5 %"
    assert Words("de", {"n %(n)s": "Nr. %(n)s"}).say("n %(n)s", n="3") == "Nr. 3"


def test_an_unknown_language_is_an_error(templates):
    with telling(RenderError, match="no catalogue"):
        module.words(templates / "words", "fr")


@pytest.mark.soak
@pytest.mark.parametrize("job", ["sensor_boom", "controller_box"])
def test_the_reasons_of_the_example_reports_are_german_all_through(job, templates, example_report):
    from reportgen.render.catalogue import catalogue

    german, english = (catalogue(templates / "words", language) for language in ("de", "en"))
    for verdict in example_report(job).verdicts:
        assert german.text(verdict.reason) != english.text(verdict.reason)
