"""Deviations make themselves known; none hangs on somebody's remembering it (ISO/IEC 17025:2017, 7.8.2.1 n)."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from reportgen.judge.deviations import find_deviations, open_items
from reportgen.records.deviation import DeviationCode
from reportgen.records.job import Correction, Job, Party, ReportIdentity, Specimen, StatedDeviation
from reportgen.records.message import Place, message
from reportgen.records.note import LevelChanged, Note, Remark
from reportgen.records.result import (
    ChannelResult,
    ControlResult,
    IssueKind,
    QualityIssue,
    Resonance,
    RunResult,
    SweepFacts,
)
from reportgen.records.verdict import Outcome, Verdict

EMPTY = np.empty(0)


def job(**more):
    return Job(
        folder=Path(), file=Path(), report=ReportIdentity(number="1", title="t", date=date(2026, 1, 1)),
        laboratory=Party(name="l"), customer=Party(name="c"), specimen=Specimen(name="s"), **more,
    )  # fmt: skip


def run(steps=(), outside=(), aborted=(), quality=(), **sweep):
    f = np.geomspace(5.0, 2000.0, 400)
    facts = SweepFacts(
        direction="up", first_hz=5.0, last_hz=2000.0, lowest_hz=5.0, highest_hz=2000.0, rows=400, rate=2.0,
        rate_unit="oct/min", level_steps=tuple(steps), **sweep,
    )  # fmt: skip
    deviation = np.zeros(400)
    for low, high in outside:
        deviation[(f >= low) & (f <= high)] = -1.7
    control = ControlResult(
        frequency_hz=f, level=np.ones(400), required=None, lower=None, upper=None, deviation_db=deviation,
        outside_bands=tuple(outside), aborted_bands=tuple(aborted),
    )  # fmt: skip
    mode = Resonance(frequency_hz=10.757, frequency_std_hz=0.001, q=43.0, q_std=0.1, damping_ratio=0.0116)
    channel = ChannelResult(id="A1", frequency_hz=EMPTY, magnitude=EMPTY, phase_deg=None, resonances=(mode,))
    return RunResult(
        id="X-SWEEP", kind="sweep", axis="X", sweep=facts, control=control, channels=(channel,), quality=tuple(quality)
    )


def note(line, text, fact):
    return Note(source="notes.txt", line=line, text=text, run="X-SWEEP", facts=(fact,))


def found(of=None, runs=(), verdicts=(), notes=()):
    return find_deviations(of or job(), runs, verdicts, notes)[0]


def issue(kind, channel=None, spoils=False):
    what = message("quality.dead-channel", channel="A2", highest=0.0)
    return QualityIssue(kind=kind, message=what, channel=channel, spoils=spoils, band_hz=(100.0, 200.0))


def test_a_level_turned_down_over_a_mode_is_one_deviation_from_step_to_step():
    """Fault: the boom's level was 6 dB low over its first mode, and the report said "no deviation"."""
    notes = (note(14, "8.4 Hz: level -6 dB", LevelChanged(by_db=-6.0, frequency_hz=8.4)),)
    lowered = run(steps=[(8.487, -6.1), (16.02, 6.1)], outside=[(8.5, 16.0)])
    (each,) = found(runs=[lowered], notes=notes)
    assert (each.code, each.run, each.bands_hz) == (DeviationCode.LEVEL_CHANGE, "X-SWEEP", ((8.487, 16.02),))
    assert each.value == pytest.approx(-6.1)
    assert each.message.code == "deviation.level-over-modes"
    assert each.message.value("modes") == (10.76,)
    assert str(each.where) == "notes.txt:14"


def test_a_level_change_may_be_called_as_check_called_it_before_the_log_was_looked_through():
    """Fault: check offered "level change notes.txt:14", and the effect stated under that key was lost at the build."""
    notes = (note(14, "8.4 Hz: level -6 dB", LevelChanged(by_db=-6.0, frequency_hz=8.4)),
             note(15, "16 Hz: level +6 dB", LevelChanged(by_db=6.0, frequency_hz=16.0)))  # fmt: skip
    stated = tuple(StatedDeviation(key=f"level change notes.txt:{line}", effect="none") for line in (14, 15))
    lowered = run(steps=[(8.487, -6.1), (16.02, 6.1)])
    (each,), findings = find_deviations(job(deviations=stated), [lowered], (), notes)
    assert (each.key, each.effect, findings) == ("level change X-SWEEP 8.49 Hz", "none", ())


def test_a_level_never_turned_back_lasts_to_the_end():
    (each,) = found(runs=[run(steps=[(100.0, -3.0)])])
    assert each.bands_hz == ((100.0, 2000.0),)


def test_without_a_profile_a_step_is_a_step_and_no_changed_level_for_the_rest_of_the_sweep():
    """Fault: the level turned back up at 16 Hz was told as "changed by +8.3 dB from 16.02 Hz to 1999 Hz"."""
    stepped = run(steps=[(16.02, 8.3)])
    (each,) = found(runs=[replace(stepped, control=replace(stepped.control, deviation_db=None))])
    assert (each.message.code, each.bands_hz) == ("deviation.level-step", ((16.02, 16.02),))


def test_two_steps_down_and_one_back_are_told_each():
    bands = [each.bands_hz[0] for each in found(runs=[run(steps=[(20.0, -3.0), (30.0, -3.0), (50.0, 6.0)])])]
    assert bands == [(20.0, 30.0), (30.0, 50.0)]


def test_a_noted_change_of_level_that_no_log_shows_is_not_forgotten():
    notes = (note(3, "level -6 dB", LevelChanged(by_db=-6.0)),)
    (each,) = found(runs=[run()], notes=notes)
    assert each.key == "level change notes.txt:3"


@pytest.mark.parametrize(
    "runs, code",
    [
        ([run(outside=[(300.0, 320.0), (400.0, 420.0)])], DeviationCode.OUT_OF_TOLERANCE),
        ([run(aborted=[(300.0, 320.0)])], DeviationCode.ABORT),
        ([run(quality=[issue(IssueKind.SHORT_RUN)])], DeviationCode.ABORT),
        ([run(quality=[issue(IssueKind.RESUMED)])], DeviationCode.INTERRUPTION),
        ([run(quality=[issue(IssueKind.HOLE)])], DeviationCode.INTERRUPTION),
        ([run(pieces=((5.0, 100.0), (90.0, 2000.0)))], DeviationCode.INTERRUPTION),
        ([run(quality=[issue(IssueKind.RATE_DIFFERS)])], DeviationCode.RATE),
        ([run(quality=[issue(IssueKind.DEAD_CHANNEL, "A2", spoils=True)])], DeviationCode.LOST_SENSOR),
        ([run(quality=[issue(IssueKind.CLOCK, spoils=True)])], DeviationCode.LOST_RUN),
    ],
)
def test_what_went_wrong_in_a_run_is_a_deviation(runs, code):
    (each,) = found(runs=runs)
    assert each.code is code
    assert each.run == "X-SWEEP"


def test_two_faults_of_one_sensor_are_two_deviations_with_keys_of_their_own():
    """Fault: the second of them had the key of the first and was dropped without a word."""
    faults = [issue(kind, "A2", spoils=True) for kind in (IssueKind.DEAD_CHANNEL, IssueKind.WRONG_UNIT)]
    faults = [replace(each, message=message("as-written", text=str(each.kind))) for each in faults]
    both = found(runs=[run(quality=[*faults, faults[0]])])
    assert [each.key for each in both] == ["lost sensor X-SWEEP A2 100 Hz", "lost sensor X-SWEEP A2 100 Hz (2)"]
    assert both[0].message != both[1].message


def test_a_run_without_fault_has_none():
    assert found(runs=[run(quality=[issue(IssueKind.NOISE_FLOOR, "A1")])]) == ()


def test_a_band_out_of_tolerance_states_its_worst_value():
    (each,) = found(runs=[run(outside=[(300.0, 320.0)])])
    assert (each.value, each.unit) == (pytest.approx(-1.7), "dB")


def test_a_clause_not_evaluated_is_one_and_a_failed_one_is_not():
    verdicts = [
        Verdict(requirement=name, check="dwell cycles", clause="6.3", text=None, outcome=outcome, reason=())
        for name, outcome in (("R1", Outcome.NOT_EVALUATED), ("R2", Outcome.FAIL), ("R3", Outcome.PASS))
    ]
    (each,) = found(verdicts=verdicts)
    assert (each.code, each.requirement) == (DeviationCode.NOT_EVALUATED, "R1")


@pytest.mark.parametrize(
    "action, code",
    [("reject", DeviationCode.EXCLUSION), ("accept", DeviationCode.CORRECTION), ("renumber", DeviationCode.CORRECTION)],
)
def test_the_engineers_own_decisions_are_deviations(action, code):
    made = Correction(run="X-PRE", frequency_hz=50.0, action=action, reason="mains", by="Test engineer", mode=2)
    (each,) = found(job(corrections=(made,)))
    assert each.code is code
    assert each.key == f"{code} X-PRE 50 Hz"


def test_the_job_answers_by_key_and_what_it_leaves_empty_is_named():
    notes = (note(9, "deviation: fixture exchanged", Remark(heading="deviation", text="fixture exchanged")),)
    stated = StatedDeviation(key="noted notes.txt:9", effect="none: same stiffness")
    (each,) = found(job(deviations=(stated,)), notes=notes)
    assert each.effect == "none: same stiffness"
    assert each.open == ("agreed_by",)
    (item,) = open_items([each])
    assert item.value("key") == "noted notes.txt:9"
    assert open_items([replace(each, agreed_by="B. Customer")]) == ()


def test_an_entry_whose_key_matches_nothing_is_a_warning_with_the_keys_there_are():
    stated = StatedDeviation(key="noted notes.txt:8", effect="none", where=Place("job.toml", 70))
    notes = (note(9, "deviation: late", Remark(heading="deviation", text="late")),)
    deviations, findings = find_deviations(job(deviations=(stated,)), (), (), notes)
    assert len(deviations) == 1
    assert findings[0].message.value("known") == ("noted notes.txt:9",)
    assert findings[0].line == 70


def test_a_deviation_of_the_job_alone_stands_with_the_others():
    stated = StatedDeviation(what="hall at 28 °C", when="2026-03-12", effect="none", agreed_by="B. Customer")
    (each,) = found(job(deviations=(stated,)))
    assert each.code is DeviationCode.STATED
    assert each.open == ()


def test_keys_are_stable_and_no_two_are_alike():
    runs = [run(steps=[(8.487, -6.1), (16.02, 6.1), (100.0, -3.0), (200.0, 3.0)], outside=[(300.0, 320.0)])]
    keys = [each.key for each in found(runs=runs)]
    assert keys == [each.key for each in found(runs=runs)]
    assert keys == ["level change X-SWEEP 8.49 Hz", "level change X-SWEEP 100 Hz", "out of tolerance X-SWEEP 300 Hz"]
