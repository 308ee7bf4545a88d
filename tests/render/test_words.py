"""Both languages say everything: no template and no row falls back to English unnoticed."""

from __future__ import annotations

from pathlib import Path

import pytest
from babel.messages.extract import extract_from_dir

from reportgen.errors import RenderError
from reportgen.records.finding import Severity
from reportgen.records.job import Boundary, ChannelRole, ControlStrategy, DecisionRule, RunKind
from reportgen.records.note import MotionKind
from reportgen.records.result import IssueKind
from reportgen.records.verdict import Outcome
from reportgen.render import words as module
from reportgen.render.html import render_html
from reportgen.render.words import Words, words

ROOT = Path(__file__).resolve().parents[2]
ENUMS = (IssueKind, Outcome, DecisionRule, RunKind, ChannelRole, ControlStrategy, Boundary, MotionKind, Severity)


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


def test_labels_that_are_not_literals_are_said_in_german_too(german, templates, monkeypatch):
    asked: set[str] = set()
    say = Words.say

    def remember(self, text, **values):
        asked.add(text)
        return say(self, text, **values)

    monkeypatch.setattr(Words, "say", remember)
    module_words = words(templates / "words", "de")
    from reportgen.render.document import assemble

    assemble.cache_clear()
    render_html(german, templates=templates)
    assert sorted(each for each in asked if not module_words.knows(each)) == []


def test_a_sentence_keeps_its_numbers_and_names():
    known = Words("de", {"pass": "bestanden"}, {"%(f)s Hz: %(n)s nodes": "%(f)s Hz: %(n)s Knoten", "sure": "gewiss"})
    assert known.sentence("84.5 Hz: 2 nodes") == "84,5 Hz: 2 Knoten"
    assert known.sentence("sure") == "gewiss"
    assert known.sentence("1.25 apples") == "1,25 apples"
    assert known.say("5 %%") == "5 %"


def test_an_unknown_language_is_an_error(templates):
    with pytest.raises(RenderError, match="no catalogue"):
        module.words(templates / "words", "fr")


@pytest.mark.soak
@pytest.mark.parametrize("job", ["sensor_boom", "controller_box"])
def test_the_example_reports_are_german_all_through(job, templates):
    """Reasons of verdicts, flags and issues of quality that the example jobs really bring are all known sentences."""
    from reportgen.pipeline import compute_report, read_inputs

    known = words(templates / "words", "de")
    report = compute_report(read_inputs(ROOT / "example_logs" / job))
    said = {verdict.reason for verdict in report.verdicts}
    for run in report.runs:
        said |= {issue.message for issue in run.quality} | {run.method}
        said |= {flag for channel in run.channels for each in channel.resonances for flag in each.flags}
    said |= {flag for mode in report.modes for flag in mode.flags}
    texts = [each for each in said if isinstance(each, str)]  # messages: test_catalogue
    assert sorted(each for each in texts if each and known.sentence(each) == each) == []
