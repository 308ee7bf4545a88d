"""The room hands on messages: no finding, refusal or error of it carries a finished sentence, and every one is said."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from reportgen.judge.checks import CHECKS
from reportgen.read.job.job_file import read_job
from reportgen.read.log import read_bare_log
from reportgen.records.finding import error
from reportgen.records.message import Message, Place, message
from reportgen.render.catalogue import catalogue
from reportgen.render.terminal import finding_line

ROOT = Path(__file__).resolve().parents[2]
ROOM = ROOT / "reportgen" / "read"
ODD = Path(__file__).parent / "odd_logs"
JOB = ROOT / "example_logs" / "sensor_boom"
LANGUAGES = tuple(catalogue(ROOT / "templates" / "words", language) for language in ("en", "de"))
MADE_WITH = {"error", "warning", "note", "refuse", "ReadError", "RecordError"}
BINARY_FORMATS = "formats"


def sentences_in(path: Path) -> list[str]:
    """Calls that make a finding, a refusal or an error of text that is written out."""
    calls = [node for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(node, ast.Call)]
    return [
        f"{path.name}:{call.lineno}"
        for call in calls
        if isinstance(call.func, ast.Name)
        and call.func.id in MADE_WITH
        and call.args
        and isinstance(call.args[-1], ast.JoinedStr | ast.Constant | ast.BinOp)
    ]


def test_no_finding_of_the_room_carries_a_sentence():
    files = [path for path in ROOM.rglob("*.py") if path.parent.name != BINARY_FORMATS]
    assert len(files) > 30
    assert [each for path in files for each in sentences_in(path)] == []


@pytest.mark.parametrize("name", sorted(path.name for path in ODD.iterdir() if path.suffix != ".py"))
def test_findings_of_odd_logs_are_said_in_every_language(name):
    _, _, findings = read_bare_log(ODD / name, None)
    for finding in findings:
        assert isinstance(finding.message, Message), finding
        assert isinstance(finding.where, Place)
        english, german = (language.say(finding.message) for language in LANGUAGES)
        assert "Message(" not in english + german
        assert english != german


def broken_jobs(text: str):
    """The job with each of its lines left out, and with each of its values made nonsense."""
    lines = text.split("\n")
    for i, line in enumerate(lines):
        yield "\n".join([*lines[:i], *lines[i + 1 :]])
        if "=" in line and '"' in line:
            yield "\n".join([*lines[:i], f'{line.split("=")[0]}= "5.3 furlong"', *lines[i + 1 :]])


def test_faults_of_the_job_are_said_in_every_language(tmp_path):
    text = (JOB / "job.toml").read_text(encoding="utf-8")
    path, codes = tmp_path / "job.toml", set()
    for broken in broken_jobs(text):
        path.write_text(broken, encoding="utf-8")
        for finding in read_job(path, CHECKS)[1]:
            assert isinstance(finding.message, Message), finding
            english, german = (language.say(finding.message) for language in LANGUAGES)
            assert "Message(" not in english + german
            for written in re.findall(r"5\.3 furlong", english):
                assert written in german, "what the user wrote keeps its letters in any language"
            codes.add(finding.message.code)
    assert len(codes) > 15


def test_a_finding_on_the_terminal_is_place_severity_and_words():
    finding = error(Place("logs/x.csv", 118), message("row.columns", found=3, expected=5))
    assert finding_line(finding) == "logs/x.csv:118: error: has 3 columns where 5 are expected"
    assert finding.line == 118
