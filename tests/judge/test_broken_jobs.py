"""Small jobs, each broken in one way, give the right verdict and the right reason (``small_job/broken_jobs.toml``)."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

from reportgen.judge.checks import CHECKS
from reportgen.records.verdict import Outcome, overall
from reportgen.render.catalogue import told

_spec = importlib.util.spec_from_file_location("small_job", Path(__file__).parent / "small_job" / "small_job.py")
small = importlib.util.module_from_spec(_spec)
sys.modules["small_job"] = small
_spec.loader.exec_module(small)


def test_the_whole_job_meets_every_requirement(tmp_path):
    verdicts = small.small_job(tmp_path).verdicts()
    assert {each.check for each in verdicts.values()} == {each.name for each in CHECKS}
    assert {name: each.outcome for name, each in verdicts.items()} == dict.fromkeys(verdicts, Outcome.PASS), verdicts
    assert overall(each.outcome for each in verdicts.values()) is Outcome.PASS


@pytest.mark.parametrize("broken", small.BROKEN, ids=lambda each: each["name"])
def test_a_job_broken_in_one_way(broken, tmp_path):
    found = small.small_job(tmp_path, broken.get("edits", ()), broken.get("faults", ()))
    verdict = found.verdicts()[broken["requirement"]]
    assert verdict.outcome == broken["result"], told(verdict.reason)
    reason = told(verdict.reason)
    for words in broken["reason"]:
        assert words.casefold() in reason.casefold()
    assert "nan" not in reason.split()


def test_there_are_at_least_thirty_and_every_check_breaks():
    assert len(small.BROKEN) >= 30
    assert len({each["name"] for each in small.BROKEN}) == len(small.BROKEN)
    bad = {each["requirement"] for each in small.BROKEN if each["result"] not in ("pass", "conditional pass")}
    assert len(bad) == len(CHECKS)
