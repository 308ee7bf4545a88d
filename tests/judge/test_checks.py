"""One record a check: schema, help of the job file and README follow from it, and no document says otherwise."""

from __future__ import annotations

import ast
import re
from dataclasses import replace
from pathlib import Path

import pytest

from reportgen.judge.checks import CHECKS
from reportgen.judge.verdicts import judge
from reportgen.records.check import Check
from reportgen.records.job import Requirement
from reportgen.render.catalogue import said
from reportgen.render.words import words
from reportgen.units import parse_quantity
from tests.compute.test_quality import JOB

ROOT = Path(__file__).resolve().parents[2]
JUDGE = ROOT / "reportgen" / "judge"


def readme_row(check: Check) -> str:
    """The line of README's table."""
    needs = ", ".join(" or ".join(f"`{key}`" for key in group) for group in check.needs) or "–"
    limit = f'`"{check.limit_example}"`' if check.limit_example else "–"
    kinds = ", ".join(check.run_kinds) or "–"
    return f"| `{check.name}` | {needs} | {limit} | {kinds} | {said(check.compares)} |"


def test_readme_lists_every_check_as_it_is():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    header = "| check | needs | a limit | kinds of run | what is compared |\n|---|---|---|---|---|\n"
    assert header + "\n".join(map(readme_row, CHECKS)) + "\n\n" in text


def test_the_job_file_explains_every_check_with_an_example_of_its_limit():
    text = (ROOT / "templates" / "job" / "job.toml").read_text(encoding="utf-8")
    for check in CHECKS:
        (line,) = re.findall(rf'^# "{check.name}" +(.*)$', text, re.MULTILINE)
        for group in check.needs:
            assert all(key in line for key in group), (check.name, line)
        if ("limit",) in check.needs:
            assert f'"{check.limit_example}"' in line, (check.name, line)
    listed = re.findall(r'^# "([a-z ]+)"  +', text, re.MULTILINE)
    assert set(listed) <= {check.name for check in CHECKS}


def test_every_check_is_whole():
    german = words(ROOT / "templates" / "words", "de")
    assert len({check.name for check in CHECKS}) == len(CHECKS)
    for check in CHECKS:
        assert german.knows(check.name), f"{check.name}: no German name in de.po"
        assert bool(check.limit_dimensions) == bool(check.limit_example)
        if check.limit_example:
            assert parse_quantity(check.limit_example, *check.limit_dimensions).si > 0


def test_a_check_made_in_a_file_of_the_judge_is_in_the_registry():
    """Fault to come: a new check is written and never asked."""
    made = set()
    for path in JUDGE.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Check":
                made |= {k.value.value for k in node.keywords if k.arg == "name"}  # type: ignore[attr-defined]
    assert made == {check.name for check in CHECKS}


@pytest.mark.parametrize("written", ["{}", "  {} "])
def test_a_check_is_proved_as_it_is_judged_however_it_is_written(written):
    """Tables and figures of a verdict hang on a fact of its check, not on the letters of its name."""
    for check in CHECKS:
        name = written.format(check.name.upper())
        asked = Requirement(id="R1", check=name)
        (verdict,) = judge(replace(JOB, requirements=(asked,)), (), (), ())
        assert verdict.proved_by is check.proved_by
