"""An agreed notch holds whatever the tolerance is called, and the verdict says what was agreed.

Fault: a ``limit`` on ``control tolerance`` cancelled the notch silently: an ideally notched run failed at −88 %.
The runs are closed forms: the control falls row by row to where the notched channel stands exactly at its limit.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from reportgen.records.verdict import Outcome
from reportgen.render.catalogue import told

_spec = importlib.util.spec_from_file_location("small_job", Path(__file__).parent / "small_job" / "small_job.py")
small = importlib.util.module_from_spec(_spec)
sys.modules["small_job"] = small
_spec.loader.exec_module(small)

AS_IT_IS = 'notch = [{ channel = "A1", band = ["110 Hz", "125 Hz"], limit = "80 g" }]'
DEEP = 'notch = [{ channel = "A1", band = ["100 Hz", "140 Hz"], limit = "9 g" }]'
IDEAL = {"run": "SWEEP", "kind": "ideal notch", "channel": "A1", "from_hz": 100, "to_hz": 140, "limit_g": 9.0}
CHECK = 'check = "control tolerance"\nrun = "SWEEP"'


def judged(folder, notch=DEEP, faults=(IDEAL,), limit=None, edits=()):
    """Verdict on the control of the sweep with that notch, and the run's control."""
    said = [] if limit is None else [[CHECK, f'{CHECK}\nlimit = "{limit}"']]
    found = small.small_job(folder, [[AS_IT_IS, notch], *said, *edits], faults)
    control = next(run.control for run in found.runs if run.id == "SWEEP")
    return found.verdicts()["CONTROL"], control


@pytest.mark.parametrize("limit", [None, "10 %", "1 dB", "3 dB", "25 %"])
def test_a_limit_on_control_tolerance_does_not_cancel_the_agreed_notch(limit, tmp_path):
    verdict, control = judged(tmp_path, limit=limit)
    assert np.nanmin(control.deviation_db) < -18.0  # −88 % of the profile, as the notch was agreed
    assert verdict.outcome is Outcome.PASS, told(verdict.reason)
    assert "judged against the notched line, as agreed: A1 at most 9 g" in told(verdict.reason)


@pytest.mark.parametrize("rule", ["simple acceptance", "guarded acceptance"])
def test_what_is_low_outside_the_notch_fails_all_the_same(rule, tmp_path):
    low = {"run": "SWEEP", "kind": "level", "from_hz": 141, "to_hz": 160, "factor": 0.8}
    edits = [['decision_rule = "simple acceptance"', f'decision_rule = "{rule}"']]
    verdict, _ = judged(tmp_path, faults=(IDEAL, low), limit="10 %", edits=edits)
    assert (verdict.outcome, verdict.unit) == (Outcome.FAIL, "%")
    assert verdict.measured == pytest.approx(-20.0)


def test_a_limit_that_is_guarded_leaves_the_notched_channel_at_its_limit_conditional(tmp_path):
    edits = [['decision_rule = "simple acceptance"', 'decision_rule = "guarded acceptance"']]
    verdict, _ = judged(tmp_path, limit="10 %", edits=edits)
    assert verdict.outcome is Outcome.CONDITIONAL_PASS  # exactly at 9 g: inside, by less than its uncertainty


def test_a_response_beyond_the_agreed_limit_fails_under_a_limit_of_the_requirement_too(tmp_path):
    verdict, _ = judged(tmp_path, notch=DEEP.replace("9 g", "8 g"), limit="3 dB")
    assert (verdict.outcome, verdict.unit) == (Outcome.FAIL, "g")
    assert verdict.measured == pytest.approx(9.0, rel=1e-6)


def test_control_above_the_profile_inside_a_notch_fails(tmp_path):
    high = {"run": "SWEEP", "kind": "level", "from_hz": 101, "to_hz": 103, "factor": 1.3}
    notch = DEEP.replace("9 g", "80 g")
    verdict, _ = judged(tmp_path, notch=notch, faults=(high,), limit="10 %")
    assert verdict.outcome is Outcome.FAIL
    assert verdict.measured == pytest.approx(30.0)


def test_rows_at_the_edges_of_the_band_belong_to_the_notch_and_the_next_row_does_not(tmp_path):
    notch, as_agreed = DEEP.replace("140 Hz", "130 Hz"), {**IDEAL, "to_hz": 130.0}
    inside, control = judged(tmp_path, notch=notch, faults=(as_agreed,), limit="10 %")
    line = np.isfinite(control.notched_line)
    assert control.frequency_hz[line].min() >= 100.0
    assert control.frequency_hz[line].max() <= 130.0
    wide, _ = judged(tmp_path, notch=notch, faults=({**IDEAL, "to_hz": 132.0},), limit="10 %")
    assert (inside.outcome, wide.outcome) == (Outcome.PASS, Outcome.FAIL)
    assert 130.0 < wide.evidence[0].frequency_hz < 132.0


def test_several_notches_hold_each_and_where_they_overlap_the_deeper_one(tmp_path):
    two = DEEP.replace(" }]", ' }, { channel = "A2", band = ["120 Hz", "200 Hz"], limit = "5 g" }]')
    second = {"run": "SWEEP", "kind": "ideal notch", "channel": "A2", "from_hz": 140.0, "to_hz": 200, "limit_g": 4.9}
    both = {"run": "SWEEP", "kind": "level", "from_hz": 120, "to_hz": 140, "factor": 0.6}
    verdict, _ = judged(tmp_path, notch=two, faults=(IDEAL, second, both), limit="3 dB")
    assert verdict.outcome is Outcome.PASS, told(verdict.reason)
    assert "A1 at most 9 g" in told(verdict.reason)
    assert "A2 at most 5 g" in told(verdict.reason)
    assert {(each.channel, each.unit) for each in verdict.evidence} == {(None, "dB"), ("A1", "g"), ("A2", "g")}


def test_a_notch_on_the_control_channel_is_a_limit_of_the_input(tmp_path):
    notch = 'notch = [{ channel = "C1", band = ["100 Hz", "140 Hz"], limit = "1.2 g" }]'
    low = {"run": "SWEEP", "kind": "level", "from_hz": 100, "to_hz": 140, "factor": 0.4}
    verdict, control = judged(tmp_path, notch=notch, faults=(low,), limit="10 %")
    assert verdict.outcome is Outcome.PASS, told(verdict.reason)
    assert np.nanmax(control.notched_line) == pytest.approx(1.2 * 9.80665)
    over, _ = judged(tmp_path, notch=notch, faults=({**low, "factor": 0.5},), limit="10 %")
    assert over.outcome is Outcome.FAIL


def test_tolerance_bands_of_the_profile_keep_the_notch_too(tmp_path):
    bands = [
        ['notch = [{ channel = "A1", band = ["100', 'abort = "6 dB"\nnotch = [{ channel = "A1", band = ["100'],
        ['["1000 Hz", "3 g"]]\ntolerance = "10 %"', '["1000 Hz", "3 g"]]\ntolerance = '
         '[{ band = ["10 Hz", "120 Hz"], limit = "10 %" }, { band = ["120 Hz", "1000 Hz"], limit = "1 dB" }]'],
    ]  # fmt: skip
    verdict, control = judged(tmp_path, edits=bands)
    assert verdict.outcome is Outcome.PASS, told(verdict.reason)
    assert {each.unit for each in verdict.evidence} <= {"%", "dB", "g"}
    assert control.aborted_bands == ()


def test_a_passing_notch_is_not_listed_as_beyond_an_abort_limit(tmp_path):
    abort = [['notch = [{ channel = "A1", band = ["100', 'abort = "3 dB"\nnotch = [{ channel = "A1", band = ["100']]
    verdict, control = judged(tmp_path, limit="10 %", edits=abort)
    assert control.aborted_bands == ()
    assert "abort" not in told(verdict.reason)
    high = {"run": "SWEEP", "kind": "level", "from_hz": 110, "to_hz": 112, "factor": 20.0}
    _, over = judged(tmp_path, faults=(IDEAL, high), limit="10 %", edits=abort)
    assert over.aborted_bands  # above the abort limit a notch excuses nothing


def test_a_notch_deeper_than_agreed_is_said(tmp_path):
    verdict, _ = judged(tmp_path, faults=({**IDEAL, "deeper_db": 6.0},), limit="10 %")
    assert "6.0 dB below the notched line of A1: deeper than the agreed notch needs" in told(verdict.reason)


def test_every_number_of_evidence_carries_its_own_unit(tmp_path):
    """Fault: a control deviation of 2.213 % was printed as 2.213 g, a response of 33.20 g as 33.20 %."""
    high = {"run": "SWEEP", "kind": "level", "from_hz": 300, "to_hz": 320, "factor": 1.02213}
    verdict, _ = judged(tmp_path, faults=(IDEAL, high), limit="10 %")
    told = {(each.unit, round(each.measured, 3)) for each in verdict.evidence}
    assert ("%", 2.213) in told
    assert ("g", 9.0) in told
    assert verdict.unit == verdict.evidence[0].unit


def test_the_edges_of_a_notch_are_no_change_of_level_by_hand(tmp_path):
    """A notch that was set in advance falls and rises at once; it was agreed, and nobody turned the level."""
    flat = {"run": "SWEEP", "kind": "level", "from_hz": 100, "to_hz": 140, "factor": 0.1}
    verdict, _ = judged(tmp_path, faults=(flat,), limit="10 %")
    assert verdict.outcome is Outcome.PASS
    assert "the level changed" not in told(verdict.reason).casefold()
    turned = {"run": "SWEEP", "kind": "level", "from_hz": 300, "to_hz": 1000, "factor": 0.5}
    by_hand, _ = judged(tmp_path, faults=(flat, turned), limit="10 %")
    assert "The level changed by −6.0 dB at" in told(by_hand.reason)
