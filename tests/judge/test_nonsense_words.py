"""Nothing hangs on a text: with every sentence of the catalogue turned to nonsense no number and no verdict moves.

Fault: two sentences of the identification were reworded, and a guarded verdict turned from "not evaluated" into "pass".
"""

from __future__ import annotations

import importlib.util
import json
import shutil
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from reportgen import cli
from reportgen.judge.verdicts import judge
from reportgen.records.job import DecisionRule
from reportgen.render import catalogue as module
from reportgen.render.catalogue import Catalogue, english
from tests.simulator.examples import EXAMPLES

_spec = importlib.util.spec_from_file_location("small_job", Path(__file__).parent / "small_job" / "small_job.py")
small = importlib.util.module_from_spec(_spec)
sys.modules["small_job"] = small
_spec.loader.exec_module(small)

TEXTS = {"reason", "text", "message", "method", "criterion", "flags", "reasons", "unread", "sweep_rate_reason", "what"}
"""Keys of results.json whose value is a sentence in words; their codes and values stand beside them."""


@pytest.fixture
def nonsense(monkeypatch):
    """Every sentence says the same, and nothing."""
    real = english()
    empty = Catalogue("en", dict.fromkeys(real.sentences, "passt nicht zu: no peak, jump, numbered, unstated"))
    return lambda: monkeypatch.setattr(module, "english", lambda: empty)


def facts(value: Any) -> Any:
    """A result without its words."""
    if isinstance(value, dict):
        return {key: facts(each) for key, each in value.items() if key not in TEXTS}
    return [facts(each) for each in value] if isinstance(value, list) else value


def judged(folder: Path, broken: dict[str, Any], rule: DecisionRule) -> Any:
    found = small.small_job(folder, broken.get("edits", ()), broken.get("faults", ()))
    job = replace(found.job, report=replace(found.job.report, decision_rule=rule))
    verdicts = judge(job, found.runs, found.modes, found.shifts)
    pairs = [(row.channel, row.pairing, row.before_hz, row.after_hz) for row in found.shifts]
    numbers = [(v.outcome, v.measured, v.limit, v.expanded_uncertainty, v.bands_hz, len(v.evidence)) for v in verdicts]
    return numbers, pairs, [verdict.reason for verdict in verdicts]


def test_no_verdict_and_no_pairing_hangs_on_words(tmp_path, nonsense):
    cases = [({}, rule) for rule in DecisionRule] + [(each, DecisionRule.GUARDED) for each in small.BROKEN[::3]]
    before = [judged(tmp_path, *case) for case in cases]
    nonsense()
    assert [judged(tmp_path, *case) for case in cases] == before


def built(folder: Path) -> tuple[int, Any]:
    code = cli.main(["build", str(folder), "--results-only", "--strict"])
    return code, facts(json.loads((folder / "report" / "results.json").read_text(encoding="utf-8")))


@pytest.mark.soak
def test_no_number_and_no_exit_code_hangs_on_words(tmp_path, nonsense):
    job = Path(shutil.copytree(EXAMPLES / "sensor_boom", tmp_path / "job", ignore=shutil.ignore_patterns("report")))
    before = built(job)
    assert len(before[1]["verdicts"]) > 5
    nonsense()
    assert built(job) == before
    assert "no peak, jump" in (job / "report" / "results.json").read_text(encoding="utf-8")
