"""Evidence ends where a run ended: a clause about what was not travelled, or about more than was, is not proved.

The small job's modes lie at 120 and 420 Hz, its profiles go from 10 to 1000 Hz.
"""

from __future__ import annotations

import pytest

from reportgen.records.verdict import Outcome
from tests.judge.small_job import small_job as small

FIRST = '[[requirement]]\nid = "CONTROL"'
PASSED = (Outcome.PASS, Outcome.CONDITIONAL_PASS)


def stops(run: str, at_hz: float) -> dict[str, object]:
    return {"run": run, "kind": "range", "from_hz": 10.0, "to_hz": at_hz}


def asked(folder, text: str, faults=()):
    edit = [FIRST, f'[[requirement]]\nid = "ASKED"\n{text}\n{FIRST}']
    return small.small_job(folder, [edit], faults).verdicts()["ASKED"]


@pytest.mark.parametrize("clause", ["AMPLIFICATION", "SHIFT", "CHANGE"])
def test_surveys_that_stopped_before_the_next_mode_passed_for_the_first(clause, tmp_path):
    """Both stop at 200 Hz, where neither can show the mode at 420 Hz."""
    found = small.small_job(tmp_path, [], [stops("PRE", 200.0), stops("POST", 200.0)]).verdicts()[clause]
    assert found.outcome is Outcome.NOT_EVALUATED
    assert found.reason[0].code == "judge.band-not-swept"


def test_a_level_without_a_band_passed_on_the_first_part_of_a_sweep(tmp_path):
    text = 'check = "response level"\nrun = "SWEEP"\nlimit = "900 g"'
    (tmp_path / "whole").mkdir()
    assert asked(tmp_path / "whole", text).outcome in PASSED
    assert asked(tmp_path, text, [stops("SWEEP", 200.0)]).outcome is Outcome.NOT_EVALUATED


@pytest.mark.parametrize(
    "text",
    [
        'check = "amplification"\nrun = "PRE"\nlimit = "60"',
        'check = "control tolerance"\nrun = "SWEEP"',
        'check = "frequency shift"\nbefore = "PRE"\nafter = "POST"\nlimit = "5 %"',
    ],
)
def test_a_band_of_which_a_part_was_travelled_passed_for_all_of_it(text, tmp_path):
    for band, good in (('["100 Hz", "900 Hz"]', True), ('["100 Hz", "3000 Hz"]', False)):
        folder = tmp_path / str(good)
        folder.mkdir()
        found = asked(folder, f"{text}\nband = {band}")
        assert (found.outcome in PASSED) is good


def test_a_clause_about_one_mode_needs_no_more_than_that_mode(tmp_path):
    text = 'check = "amplification"\nrun = "PRE"\nlimit = "60"\nmode = 1'
    assert asked(tmp_path, text, [stops("PRE", 200.0)]).outcome in PASSED
