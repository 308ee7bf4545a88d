"""A requirement over several runs is one clause with one verdict; runs that do not count decide nothing."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from itertools import product
from pathlib import Path

import pytest

from reportgen.judge.deviations import find_deviations
from reportgen.judge.verdicts import judge
from reportgen.records.asked_runs import asked_runs, repetition_of, surveys_around
from reportgen.records.deviation import DeviationCode
from reportgen.records.job import RunKind, RunStatus
from reportgen.records.verdict import Outcome
from reportgen.render.catalogue import said
from tests.judge.small_job import small_job as small

RANGE = '[[requirement]]\nid = "RANGE"\ncheck = "frequency range"\nrun = "SWEEP"\n'
SHIFT = 'check = "frequency shift"\nbefore = "PRE"\nafter = "POST"\n'
GUARDED = ['decision_rule = "simple acceptance"', 'decision_rule = "guarded acceptance"']
FIRST_REQUIREMENT = '[[requirement]]\nid = "CONTROL"'


def run(name: str, axis: str, hour: int, more: str = "", kind: str = "sweep") -> str:
    return (
        f'[[run]]\nid = "{name}"\nkind = "{kind}"\naxis = "{axis}"\nlog = "{name}.csv"\nprofile = "LOW"\n'
        f"started = 2026-04-21T{hour:02d}:00:00\n{more}\n"
    )


def ends_at(name: str, hz: float) -> dict[str, object]:
    return {"run": name, "kind": "range", "from_hz": 10.0, "to_hz": hz}


def judged(folder: Path, runs: str, asked: str, faults=(), edits=()):
    """The verdict RANGE of the small job with further runs and another demand for them."""
    changed = RANGE.replace('run = "SWEEP"\n', asked)
    found = small.small_job(folder, [[FIRST_REQUIREMENT, runs + FIRST_REQUIREMENT], [RANGE, changed], *edits], faults)
    return found, found.verdicts()["RANGE"]


TWO = run("Y1", "Y", 9) + run("Z1", "Z", 10)


def test_a_list_of_runs_is_one_verdict_with_a_row_a_run(tmp_path):
    found, verdict = judged(tmp_path, TWO, 'run = ["SWEEP", "Y1", "Z1"]\n')
    assert verdict.outcome is Outcome.PASS
    assert [part.run for part in verdict.parts] == ["SWEEP", "Y1", "Z1"]
    assert len(found.verdicts()) == len(found.job.requirements)
    for part in verdict.parts:
        assert {item.run for item in part.evidence} == {part.run}
    assert len(verdict.evidence) == sum(len(part.evidence) for part in verdict.parts)


def test_a_list_of_one_run_is_that_run(tmp_path):
    _, one = judged(tmp_path, TWO, 'run = "Y1"\n')
    _, listed = judged(tmp_path, TWO, 'run = ["Y1"]\n')
    assert one == listed
    assert one.parts == ()
    assert one.run == "Y1"


@pytest.mark.parametrize("asked", ['run = ["SWEEP", "Y1", "Z1"]\n', 'kind = "sweep"\n'])
def test_the_worst_run_decides_whatever_the_order(asked, tmp_path):
    """Fail goes before not evaluated, and that before pass."""
    _, verdict = judged(tmp_path, TWO, asked, [ends_at("Y1", 900.0)])
    assert verdict.outcome is Outcome.FAIL
    assert verdict.measured == pytest.approx(10.0, abs=0.3)
    assert verdict.evidence[0].run == "Y1"
    assert verdict.run is None
    hole = {"run": "Z1", "kind": "no rows", "from_hz": 300.0, "to_hz": 500.0}
    _, verdict = judged(tmp_path, TWO, asked, [hole])
    assert verdict.outcome is Outcome.NOT_EVALUATED
    assert [part.outcome for part in verdict.parts] == [Outcome.PASS, Outcome.PASS, Outcome.NOT_EVALUATED]
    _, verdict = judged(tmp_path, TWO, asked, [hole, ends_at("Y1", 900.0)])
    assert verdict.outcome is Outcome.FAIL


def test_the_reason_named_one_run_where_several_fail(tmp_path):
    """Whoever reads the cover alone must not think that the others passed."""
    _, verdict = judged(tmp_path, TWO, 'kind = "sweep"\n', [ends_at("Y1", 900.0), ends_at("Z1", 800.0)])
    assert said(verdict.reason[0]).startswith("of 3 runs Z1 decides, and the same holds for Y1")


def test_of_equal_results_the_smaller_margin_decides(tmp_path):
    _, verdict = judged(tmp_path, TWO, 'kind = "sweep"\n', [ends_at("Y1", 998.0), ends_at("Z1", 994.0)])
    assert verdict.outcome is Outcome.PASS
    assert verdict.evidence[0].run == "Z1"
    assert verdict.measured == pytest.approx(0.6, abs=0.05)


def test_the_decision_rule_holds_run_by_run(tmp_path):
    """991 Hz misses 1000 Hz by 0.9 %, which rows hertz apart do not separate from 1 %: conditional when guarded."""
    faults = [ends_at("Y1", 991.0)]
    _, simple = judged(tmp_path, TWO, 'kind = "sweep"\n', faults)
    _, guarded = judged(tmp_path, TWO, 'kind = "sweep"\n', faults, [GUARDED])
    assert simple.outcome is Outcome.PASS
    assert guarded.outcome is Outcome.CONDITIONAL_PASS
    assert {part.run: part.outcome for part in guarded.parts}["Y1"] is Outcome.CONDITIONAL_PASS
    assert guarded.false_acceptance is not None
    assert guarded.coverage_factor == pytest.approx(1.96, abs=0.01)


def test_an_axis_and_a_kind_ask_for_their_runs_alone(tmp_path):
    runs = TWO + run("YS", "Y", 11, kind="survey")
    assert [part.run for part in judged(tmp_path, runs, 'axis = "Y"\n')[1].parts] == ["Y1", "YS"]
    assert judged(tmp_path, runs, 'axis = "Y"\nkind = "survey"\n')[1].run == "YS"
    _, none = judged(tmp_path, runs, 'axis = "Z"\nkind = "survey"\n')
    assert none.outcome is Outcome.NOT_EVALUATED
    assert none.parts == ()


CUT = run("Y0", "Y", 8, 'status = "aborted"\nreason = "limit at 12 Hz"\n')
AGAIN = run("Y1", "Y", 9, 'repeats = "Y0"\n')
STOPPED = ends_at("Y0", 12.0)


@pytest.mark.parametrize("asked", ['kind = "sweep"\n', 'axis = "Y"\n', 'run = ["Y0", "Y1"]\n', 'run = "Y0"\n'])
def test_declaring_a_run_aborted_turned_a_clause_that_valid_runs_prove_into_not_evaluated(asked, tmp_path):
    _, verdict = judged(tmp_path, CUT + AGAIN, asked, [STOPPED])
    assert verdict.outcome is Outcome.PASS
    assert "Y0 does not count (aborted: limit at 12 Hz); run Y1 stands in its place" in said(verdict.reason[-1])


def test_the_lowest_natural_frequency_of_an_axis_passes_beside_an_aborted_run(tmp_path):
    """The case it was seen in: a sweep that stopped at 12 Hz cannot show a mode at 80 Hz."""
    cut = run("X0", "X", 8, 'status = "aborted"\nreason = "limit at 12 Hz"\n')
    found, _ = judged(tmp_path, cut, 'run = "SWEEP"\n', [ends_at("X0", 12.0)])
    assert found.verdicts()["LOWEST"].outcome is Outcome.PASS
    assert found.verdicts()["DATES"].outcome is Outcome.PASS


def test_the_same_run_without_a_status_does_keep_the_clause_open(tmp_path):
    """The counterproof: it is the status that takes the run out, and nothing else."""
    found, _ = judged(tmp_path, run("X0", "X", 8), 'run = "SWEEP"\n', [ends_at("X0", 12.0)])
    assert found.verdicts()["LOWEST"].outcome is Outcome.NOT_EVALUATED


@pytest.mark.parametrize("asked", ['run = "Y0"\n', 'axis = "Y"\n', 'run = ["SWEEP", "Y0"]\n', 'kind = "sweep"\n'])
def test_an_aborted_run_alone_proves_nothing(asked, tmp_path):
    _, verdict = judged(tmp_path, CUT, asked, [STOPPED])
    assert verdict.outcome is Outcome.NOT_EVALUATED
    assert any("Y0 was aborted and does not count: limit at 12 Hz" in said(each) for each in verdict.reason)


def test_a_void_run_does_not_fail_a_clause_either(tmp_path):
    """Its log breaks the limit; the run that repeats it keeps it."""
    void = run("Y0", "Y", 8, 'status = "void"\nreason = "wrong profile loaded"\n')
    found, verdict = judged(tmp_path, void + AGAIN, 'axis = "Y"\n', [ends_at("Y0", 500.0)])
    assert verdict.outcome is Outcome.PASS
    _, verdict = judged(tmp_path, run("Y0", "Y", 8) + run("Y1", "Y", 9), 'axis = "Y"\n', [ends_at("Y0", 500.0)])
    assert verdict.outcome is Outcome.FAIL
    deviations, _ = find_deviations(found.job, found.runs, tuple(found.verdicts().values()))
    (told,) = [each for each in deviations if each.run == "Y0"]
    assert told.code is DeviationCode.VOID_RUN
    assert "wrong profile loaded" in said(told.message)


def test_an_aborted_run_is_one_deviation_and_not_all_that_its_log_shows(tmp_path):
    found, _ = judged(tmp_path, CUT + AGAIN, 'axis = "Y"\n', [STOPPED])
    deviations, _ = find_deviations(found.job, found.runs, ())
    assert [each.key for each in deviations if each.run == "Y0"] == ["abort Y0"]


def test_a_run_tried_three_times_is_judged_by_the_last(tmp_path):
    runs = CUT + run("Y1", "Y", 9, 'status = "void"\nreason = "cable"\nrepeats = "Y0"\n')
    runs += run("Y2", "Y", 10, 'repeats = "Y1"\n')
    found, verdict = judged(tmp_path, runs, 'run = "Y0"\n', [STOPPED])
    first = found.job.run("Y0")
    assert first is not None
    assert repetition_of(found.job, first) is found.job.run("Y2")
    assert verdict.outcome is Outcome.PASS
    assert verdict.run == "Y2"


def around(folder, runs="", faults=()):
    edits = [[FIRST_REQUIREMENT, runs + FIRST_REQUIREMENT], [SHIFT, SHIFT.replace(
        'before = "PRE"\nafter = "POST"\n', 'surveys = "before and after"\n')]]  # fmt: skip
    found = small.small_job(folder, edits, faults)
    return found, found.verdicts()["SHIFT"]


Y_SURVEYS = run("YA", "Y", 7, kind="survey") + run("Y1", "Y", 9) + run("YB", "Y", 12, kind="survey")


def test_surveys_before_and_after_are_a_pair_an_axis(tmp_path):
    found, verdict = around(tmp_path, Y_SURVEYS)
    assert verdict.outcome is Outcome.PASS
    assert [(part.before, part.after) for part in verdict.parts] == [("PRE", "POST"), ("YA", "YB")]
    assert {(row.before, row.after) for row in found.shifts} >= {("PRE", "POST"), ("YA", "YB")}


def test_a_shift_on_one_axis_fails_the_clause(tmp_path):
    _, verdict = around(tmp_path, Y_SURVEYS, [{"run": "YB", "kind": "mode", "mode": 1, "frequency_factor": 0.9}])
    assert verdict.outcome is Outcome.FAIL
    assert verdict.measured == pytest.approx(10.0, abs=0.1)
    assert [part.outcome for part in verdict.parts] == [Outcome.PASS, Outcome.FAIL]


def test_the_surveys_next_to_the_test_are_taken_and_void_ones_passed_over(tmp_path):
    runs = run("YA", "Y", 6, kind="survey") + run("YA2", "Y", 7, kind="survey") + run("Y1", "Y", 9)
    runs += run("YB0", "Y", 10, 'status = "void"\nreason = "sensor fell off"\n', kind="survey")
    runs += run("YB", "Y", 12, kind="survey") + run("YB2", "Y", 13, kind="survey")
    found, verdict = around(tmp_path, runs)
    assert [(part.before, part.after) for part in verdict.parts][1] == ("YA2", "YB")
    before, after = surveys_around(found.job, "Y")
    assert before is not None
    assert after is not None
    assert (before.id, after.id) == ("YA2", "YB")
    assert "YB0 does not count (void: sensor fell off); run YB stands in its place" in said(verdict.reason[-1])


def test_an_axis_without_a_survey_after_is_not_evaluated_and_says_which(tmp_path):
    _, verdict = around(tmp_path, run("YA", "Y", 7, kind="survey") + run("Y1", "Y", 9))
    assert verdict.outcome is Outcome.NOT_EVALUATED
    assert "axis Y has no valid survey after" in said(verdict.reason[1])
    assert said(verdict.reason[0]) == "of 2 pairs of runs axis Y decides", "was: of 2 runs or pairs of runs – decides"
    assert [(part.axis, part.after) for part in verdict.parts] == [(None, "POST"), ("Y", None)]


def test_a_pair_that_names_a_void_survey_takes_its_repetition(tmp_path):
    again = run("POST2", "X", 14, 'repeats = "POST"\n', kind="survey")
    edits = [['log = "post.csv"\n', 'log = "post.csv"\nstatus = "void"\nreason = "sensor fell off"\n'],
             [FIRST_REQUIREMENT, again + FIRST_REQUIREMENT]]  # fmt: skip
    found = small.small_job(tmp_path, edits)
    verdict = found.verdicts()["SHIFT"]
    assert verdict.outcome is Outcome.PASS
    assert (verdict.before, verdict.after) == ("PRE", "POST2")
    (tmp_path / "alone").mkdir()
    alone = small.small_job(tmp_path / "alone", edits[:1]).verdicts()["SHIFT"]
    assert alone.outcome is Outcome.NOT_EVALUATED


def test_a_requirement_about_one_run_is_its_own_only_part(tmp_path):
    found = small.small_job(tmp_path)
    for each in found.job.requirements:
        if each.run is not None:
            assert asked_runs(found.job, each).parts == (each,)


VOID = 'status = "void"\nreason = "cable"\n'


def test_a_second_repetition_of_a_run_was_not_found_behind_a_void_one(tmp_path):
    """Fault: Y1 and Y2 both repeat Y0 and Y1 is void: nothing stood in for Y0, though Y2 was made in its place."""
    runs = (
        run("Y0", "Y", 8, VOID) + run("Y1", "Y", 9, VOID + 'repeats = "Y0"\n') + run("Y2", "Y", 10, 'repeats = "Y0"\n')
    )
    found, verdict = judged(tmp_path, runs, 'run = "Y0"\n')
    assert (verdict.outcome, verdict.run) == (Outcome.PASS, "Y2")
    ring = [replace(each, repeats={"Y0": "Y1", "Y1": "Y0"}.get(each.id)) for each in found.job.runs if each.id != "Y2"]
    circle = replace(found.job, runs=tuple(ring))
    assert [repetition_of(circle, each) for each in ring if not each.counts] == [None, None]


def test_a_void_test_moved_the_state_before_behind_its_damage(tmp_path):
    """Fault: Y1 broke the mode and was declared void; the survey after it then was the state before its repetition."""
    moved = [{"run": each, "kind": "mode", "mode": 1, "frequency_factor": 0.9} for each in ("YB", "Y2", "YC")]
    for number, status in enumerate(("", VOID)):
        runs = run("YA", "Y", 6, kind="survey") + run("Y1", "Y", 7, status) + run("YB", "Y", 8, kind="survey")
        runs += run("Y2", "Y", 9, 'repeats = "Y1"\n' if status else "") + run("YC", "Y", 10, kind="survey")
        folder = tmp_path / str(number)
        folder.mkdir()
        _, verdict = around(folder, runs, moved)
        assert verdict.outcome is Outcome.FAIL
        assert [(part.before, part.after) for part in verdict.parts][1] == ("YA", "YC")


def test_a_survey_before_was_repeated_after_the_test_and_stood_in_all_the_same(tmp_path):
    """Fault: both surveys then were made of the damaged structure, and it had not shifted."""
    again = run("PRE2", "X", 12, 'repeats = "PRE"\n', kind="survey").replace("04-21", "04-20")
    edits = [['log = "pre.csv"\n', 'log = "pre.csv"\n' + VOID], [FIRST_REQUIREMENT, again + FIRST_REQUIREMENT]]
    moved = [{"run": each, "kind": "mode", "mode": 1, "frequency_factor": 0.9} for each in ("POST", "PRE2")]
    verdict = small.small_job(tmp_path, edits, moved).verdicts()["SHIFT"]
    assert verdict.outcome is Outcome.NOT_EVALUATED
    assert verdict.reason[0].code == "judge.repeated-too-late"
    (tmp_path / "in time").mkdir()
    in_time = [edits[0], [FIRST_REQUIREMENT, again.replace("T12:00", "T09:30") + FIRST_REQUIREMENT]]
    verdict = small.small_job(tmp_path / "in time", in_time, moved[:1]).verdicts()["SHIFT"]
    assert (verdict.outcome, verdict.before) == (Outcome.FAIL, "PRE2")


def test_a_dwell_at_one_resonance_stood_in_for_that_at_another(tmp_path):
    """Fault: two dwells of one axis and profile, the one that was too short declared void: ten minutes at the other."""
    second = run("D2", "X", 12, kind="dwell").replace("LOW", "STAND")
    edits = [[FIRST_REQUIREMENT, second + FIRST_REQUIREMENT], ['log = "dwell.csv"\n', 'log = "dwell.csv"\n' + VOID],
             ['check = "dwell duration"\nrun = "DWELL"\n', 'check = "dwell duration"\nkind = "dwell"\n']]  # fmt: skip
    verdict = small.small_job(tmp_path, edits).verdicts()["TIME"]
    assert verdict.outcome is Outcome.NOT_EVALUATED
    assert [part.outcome for part in verdict.parts] == [Outcome.NOT_EVALUATED, Outcome.PASS]


def test_a_run_that_a_clause_names_was_answered_by_its_neighbour_in_the_list(tmp_path):
    """Fault: of two runs asked for by name one was void and repeated by none, and the other proved both."""
    _, verdict = judged(tmp_path, run("Y0", "Y", 8, VOID) + run("Y1", "Y", 9), 'run = ["Y0", "Y1"]\n')
    assert verdict.outcome is Outcome.NOT_EVALUATED
    assert [part.run for part in verdict.parts] == ["Y0", "Y1"]


def test_a_repetition_with_another_profile_stood_in_without_a_word_of_it(tmp_path):
    """Fault: a sweep at full level was replaced by one at a sixth of it, and no clause or deviation said so."""
    again = run("Y1", "Y", 9, 'repeats = "Y0"\n')
    first = run("Y0", "Y", 8, VOID).replace('"LOW"', '"FULL"')
    found, verdict = judged(tmp_path, first + again, 'run = "Y0"\n')
    assert "run Y1 stands in its place, with profile LOW and not FULL" in said(verdict.reason[-1])
    deviations, _ = find_deviations(found.job, found.runs, (verdict,))
    assert "with profile LOW and not FULL" in said(next(each.message for each in deviations if each.run == "Y0"))


RUNS_OF_Y = {"YA": ("survey", 6), "Y1": ("sweep", 7), "YB": ("survey", 8), "Y2": ("sweep", 9), "YC": ("survey", 10)}
ASKED = {
    'kind = "sweep"\n': ("Y1", "Y2"), 'axis = "Y"\n': tuple(RUNS_OF_Y), 'run = ["Y1", "Y2"]\n': ("Y1", "Y2"),
    'run = "Y1"\n': ("Y1",), 'axis = "Y"\nkind = "survey"\n': ("YA", "YB", "YC"),
}  # fmt: skip


@pytest.fixture(scope="module")
def short_runs(tmp_path_factory):
    """A job of five runs along Y in which one after the other stops at 900 Hz; and its evidence without any status."""
    folder = tmp_path_factory.mktemp("short")
    runs = "".join(run(name, "Y", hour, kind=kind) for name, (kind, hour) in RUNS_OF_Y.items())
    edits = [[FIRST_REQUIREMENT, runs + FIRST_REQUIREMENT]]
    return {name: small.small_job(folder, edits, [ends_at(name, 900.0)]) for name in RUNS_OF_Y}


@pytest.mark.parametrize("asked", ASKED)
@pytest.mark.parametrize("short", RUNS_OF_Y)
def test_no_status_of_another_run_turns_the_fail_of_a_valid_one_into_a_pass(short_runs, asked, short):
    """Every status on every other run, with and without a repetition: a valid run that fails fails its clause."""
    found = short_runs[short]
    demand = next(each for each in found.job.requirements if each.id == "RANGE")
    own = tomllib.loads(asked)
    named = own.get("run")
    demand = replace(
        demand, run=named if isinstance(named, str) else None, runs=tuple(named) if isinstance(named, list) else (),
        axis=own.get("axis"), kind=RunKind(own["kind"]) if "kind" in own else None,
    )  # fmt: skip
    others = [name for name in RUNS_OF_Y if name != short]
    for status, lost, again in product(list(RunStatus)[1:], others, [None, *RUNS_OF_Y]):
        history = {lost: {"status": status, "reason": "r"}}
        if again is not None and again != lost:
            history[again] = {"repeats": lost}
        runs = tuple(replace(each, **history.get(each.id, {})) for each in found.job.runs)
        verdict = judge(replace(found.job, runs=runs, requirements=(demand,)), found.runs, found.modes, found.shifts)[0]
        if short in ASKED[asked]:
            assert verdict.outcome is Outcome.FAIL, (status, lost, again)
        assert lost not in {item.run for item in verdict.evidence}
