"""A clause that could not be evaluated prints the limit it would have been held against, never a dash."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

from reportgen.judge.verdicts import judge
from reportgen.records.verdict import Outcome
from reportgen.render.catalogue import told

_spec = importlib.util.spec_from_file_location("small_job", Path(__file__).parent / "small_job" / "small_job.py")
small = importlib.util.module_from_spec(_spec)
sys.modules["small_job"] = small
_spec.loader.exec_module(small)

STATED = {
    "AMPLIFICATION": (None, 40.0, True, ""), "LOWEST": (None, 80.0, False, "Hz"), "SHIFT": (None, 5.0, True, "%"),
    "CHANGE": (None, 20.0, True, "%"), "TIME": (None, 10.0, False, "min"), "CYCLES": (None, 60000.0, False, "cycles"),
    "RATE": (-10.0, 10.0, True, "%"),
}  # fmt: skip


@pytest.mark.parametrize("name", STATED)
def test_the_limit_of_a_clause_that_was_not_evaluated_is_stated(name, tmp_path):
    found = small.small_job(tmp_path)
    verdicts = {each.requirement: each for each in judge(found.job, (), (), ())}
    verdict = verdicts[name]
    assert (verdict.outcome, verdict.measured) == (Outcome.NOT_EVALUATED, None)
    assert (verdict.limit_low, verdict.limit, verdict.at_most, verdict.unit) == STATED[name]


def test_a_limit_on_control_tolerance_is_stated_on_both_sides(tmp_path):
    edit = [
        'check = "control tolerance"\nrun = "SWEEP"',
        'check = "control tolerance"\nrun = "SWEEP"\nlimit = "1.5 dB"',
    ]
    verdict = next(iter(judge(small.small_job(tmp_path, [edit]).job, (), (), ())))
    assert (verdict.outcome, verdict.limit_low, verdict.limit, verdict.unit) == (
        Outcome.NOT_EVALUATED, -1.5, 1.5, "dB",
    )  # fmt: skip


def test_a_dwell_is_said_in_hours_minutes_and_seconds(tmp_path):
    """Fault: 33.333 min beside 33 min 20 s; and rounding must not hide a side of the limit."""
    longer = {"run": "DWELL", "kind": "dwell", "seconds": 2000.0}
    verdict = small.small_job(tmp_path, (), [longer]).verdicts()["TIME"]
    assert "33 min 20 s against at least 10 min" in told(verdict.reason)
    shorter = {"run": "DWELL", "kind": "dwell", "seconds": 599.5}
    verdict = small.small_job(tmp_path, (), [shorter]).verdicts()["TIME"]
    assert verdict.outcome is Outcome.FAIL
    assert "9 min 59.5 s" in told(verdict.reason)
