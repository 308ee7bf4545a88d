"""A band that the engineer does not use proves nothing: no clause passes by it, and what it cannot change is judged."""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from reportgen.judge.deviations import find_deviations
from reportgen.records.deviation import DeviationCode
from reportgen.records.job import Exclusion
from reportgen.records.report import Pairing
from reportgen.records.result import NotJudgedCause
from reportgen.records.verdict import Outcome
from reportgen.render.catalogue import told

_spec = importlib.util.spec_from_file_location("small_job", Path(__file__).parent / "small_job" / "small_job.py")
small = importlib.util.module_from_spec(_spec)
sys.modules["small_job"] = small
_spec.loader.exec_module(small)

PASSED = (Outcome.PASS, Outcome.CONDITIONAL_PASS)


def excluded(run, low, high, channel=None):
    return Exclusion(run=run, channel=channel, band_hz=(low, high), reason="a cable struck", by="Reviewer")


def judged_with(found, *exclusions, faults=()):
    return small.evidence(replace(found.job, exclusions=exclusions), faults)


def outcomes(found):
    return {name: each.outcome for name, each in found.verdicts().items()}


FAILING = {
    each["requirement"]: each
    for each in small.BROKEN
    if each["result"] not in ("pass", "conditional pass") and "faults" in each
}
"""One a clause."""
HIDING = [lambda run: excluded(run, 0.1, 1e4), lambda run: excluded(run, 100.0, 225.0)]


@pytest.mark.parametrize("broken", FAILING.values(), ids=lambda each: each["name"])
def test_no_clause_passes_by_an_exclusion(broken, tmp_path):
    """Whatever is wrong with a run, leaving it out, or where it is wrong, does not mend it."""
    found = small.small_job(tmp_path, broken.get("edits", ()), broken["faults"])
    runs = {fault["run"] for fault in broken["faults"]}
    for hide in HIDING:
        left = judged_with(found, *map(hide, sorted(runs)), faults=broken["faults"])
        verdict = left.verdicts()[broken["requirement"]]
        assert verdict.outcome not in PASSED, told(verdict.reason)


def test_a_level_outside_tolerance_in_a_band_not_used_is_neither_pass_nor_fail(tmp_path):
    fault = {"run": "SWEEP", "kind": "level", "from_hz": 200, "to_hz": 220, "factor": 1.12}
    found = judged_with(small.small_job(tmp_path), excluded("SWEEP", 195.0, 225.0), faults=[fault])
    verdict = found.verdicts()["CONTROL"]
    assert verdict.outcome is Outcome.NOT_EVALUATED
    assert "not used from 195 Hz to 225 Hz, as Reviewer decided (a cable struck)" in told(verdict.reason)
    sweep = next(run for run in found.runs if run.id == "SWEEP")
    (band,) = [each for each in sweep.control.not_judged_bands if each.cause is NotJudgedCause.EXCLUDED]
    assert 195.0 <= band.from_hz <= band.to_hz <= 225.0
    assert sweep.control.outside_bands == ()


def test_what_a_band_not_used_cannot_change_is_judged(tmp_path):
    """A response channel proves nothing of the control; a band above the limit hides no lowest frequency below it."""
    found = small.small_job(tmp_path)
    on_channel = outcomes(judged_with(found, excluded("PRE", 600.0, 700.0, "A2")))
    assert {name for name, each in on_channel.items() if each is not Outcome.PASS} == {
        "AMPLIFICATION",
        "LEVEL",
        "SHIFT",
        "CHANGE",
    }
    above = judged_with(found, excluded("PRE", 600.0, 700.0)).verdicts()["LOWEST"]
    assert above.outcome is Outcome.PASS
    assert "not used from 600 Hz to 700 Hz" in told(above.reason)
    outside = replace(found.job, requirements=tuple(
        replace(each, band_hz=(20.0, 500.0)) for each in found.job.requirements if each.id in ("AMPLIFICATION", "LEVEL")
    ))  # fmt: skip
    assert set(outcomes(judged_with(replace(found, job=outside), excluded("PRE", 600.0, 700.0))).values()) == {
        Outcome.PASS
    }


def test_a_lowest_frequency_is_not_that_above_a_band_not_used(tmp_path):
    """Fault: with all modes above the limit left out, the end of the sweep was the lowest frequency, and passed."""
    verdict = judged_with(small.small_job(tmp_path), excluded("PRE", 90.0, 1000.0)).verdicts()["LOWEST"]
    assert verdict.outcome is Outcome.NOT_EVALUATED


def test_a_mode_in_a_band_not_used_has_not_vanished(tmp_path):
    found = judged_with(small.small_job(tmp_path), excluded("POST", 400.0, 450.0))
    assert {row.pairing for row in found.shifts if row.after_hz is None} == {Pairing.NOT_COVERED}
    assert outcomes(found)["SHIFT"] is Outcome.NOT_EVALUATED


def test_a_band_not_used_is_a_deviation(tmp_path):
    found = judged_with(small.small_job(tmp_path), excluded("SWEEP", 600.0, 700.0, "A2"))
    deviations, _ = find_deviations(found.job, found.runs, ())
    (only,) = [each for each in deviations if each.code is DeviationCode.EXCLUSION]
    assert (only.key, only.bands_hz, only.open) == (
        "exclusion SWEEP A2 600 Hz", ((600.0, 700.0),), ("effect", "agreed_by"),
    )  # fmt: skip
