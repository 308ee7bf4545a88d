"""Logs and notes joined: numbers, contradictions, gaps, corrections."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reportgen.compute.modes.beam import frequency_ratio
from reportgen.compute.modes.modes import join_modes
from reportgen.compute.modes.observation import notes_that_count
from reportgen.judge.checks import CHECKS
from reportgen.read.job.job_file import read_job
from reportgen.read.notes.operator_notes import read_notes
from reportgen.records.job import (
    Beam,
    Boundary,
    Correction,
    Job,
    Party,
    ReportIdentity,
    RunKind,
    RunPlan,
    RunStatus,
    Specimen,
)  # fmt: skip
from reportgen.records.message import Message, Place, message
from reportgen.records.note import MotionKind, MotionSeen, NodesSeen, Note
from reportgen.records.result import ChannelResult, IssueKind, Observed, QualityIssue, Resonance, RunResult, SweepFacts
from reportgen.records.stretch import Direction
from reportgen.render.catalogue import said
from reportgen.units import parse_quantity

# Common practice, no source: natural frequencies of a beam with a heavy tip, and the nodes counted at them.
PRACTICE = ((7.4, 0), (84.0, 1), (268.0, 2), (557.0, 3), (940.0, 4), (1450.0, 5), (3540.0, 8))
PRACTICE_HZ = tuple(hz for hz, _ in PRACTICE)
CANTILEVER = Beam(boundary=Boundary.CLAMPED_FREE, length=parse_quantity("420 mm"))


def job_of(beam: Beam | None = CANTILEVER, runs=None, corrections=()) -> Job:
    plans = runs or (
        ("X-PRE", RunKind.SURVEY, "X", datetime(2026, 3, 12, 9, 14)),
        ("X-SWEEP", RunKind.SWEEP, "X", datetime(2026, 3, 12, 11, 0)),
        ("X-POST", RunKind.SURVEY, "X", datetime(2026, 3, 12, 15, 0)),
    )
    return Job(
        folder=Path("job"),
        file=Path("job/job.toml"),
        report=ReportIdentity(number="1", title="t", date=date(2026, 3, 20)),
        laboratory=Party(name="laboratory"),
        customer=Party(name="customer"),
        specimen=Specimen(name="boom", beam=beam),
        runs=tuple(RunPlan(id=i, kind=k, log=Path("x.csv"), axis=a, started=t) for i, k, a, t in plans),
        corrections=tuple(corrections),
    )


def resonance(hz: float, q: float = 50.0, **more) -> Resonance:
    return Resonance(
        frequency_hz=hz, frequency_std_hz=2e-4 * hz, q=q, q_std=0.5, damping_ratio=0.5 / q, amplification=q, **more
    )


def run_of(run: str, frequencies, axis: str | None = "X", channels=("A1", "A2"), kind: str = "survey", q: float = 50.0):
    facts = SweepFacts(
        direction=Direction.UP, first_hz=5.0, last_hz=2000.0, lowest_hz=5.0, highest_hz=2000.0, rows=2000, rate=2.0,
        rate_unit="oct/min", duration_s=260.0,
    )  # fmt: skip
    found = tuple(resonance(hz, q) for hz in frequencies)
    empty = np.array([5.0, 2000.0])
    return RunResult(
        id=run,
        kind=kind,
        axis=axis,
        sweep=facts,
        control=None,
        channels=tuple(
            ChannelResult(id=each, frequency_hz=empty, magnitude=empty, phase_deg=None, resonances=found)
            for each in channels
        ),
    )


def counted(hz: float, count: int, line: int, run: str | None = "X-PRE", **more) -> Note:
    fact = NodesSeen(frequency_hz=hz, count=count, resolution_hz=0.1, **more)
    return Note(source="notes.txt", line=line, text=f"{hz} Hz: {count} nodes", run=run, facts=(fact,))


def moving(hz: float, motion: MotionKind, line: int, run: str | None = "X-PRE") -> Note:
    fact = MotionSeen(motion=motion, frequency_hz=hz, resolution_hz=1.0)
    return Note(source="notes.txt", line=line, text=f"{hz} Hz {motion}", run=run, facts=(fact,))


def notes_of(pairs, run: str | None = "X-PRE"):
    return tuple(counted(hz, count, line, run) for line, (hz, count) in enumerate(pairs, 1))


def seen_near(modes, hz: float):
    """The mode seen nearest to a frequency; what is missing was not seen."""
    return min((mode for mode in modes if not mode.missing), key=lambda mode: abs(mode.frequency_hz - hz))


def codes(text) -> set[str]:
    """Codes of a message and of all messages in it."""
    if isinstance(text, tuple):
        return {code for each in text for code in codes(each)}
    return {text.code, *codes(tuple(value for _, value in text.values))} if isinstance(text, Message) else set()


def told(what: str, *texts) -> bool:
    """Whether any of the flags, or the findings, says a code, in itself or in what it quotes."""
    return any(what in codes(getattr(each, "message", each)) for each in texts)


def numbers(modes):
    return [(mode.mode, mode.missing) for mode in modes]


# Joining and numbering


def test_a_mode_that_was_not_seen_has_no_frequency_but_an_expectation():
    """Fault: it stood in the results with the frequency that beam theory expects, as if it had been measured."""
    _, modes, _, _ = join_modes(job_of(), (run_of("X-PRE", PRACTICE_HZ),), notes_of(PRACTICE))
    for mode in modes[6:8]:
        assert (mode.missing, mode.frequency_hz, mode.frequency_std_hz, mode.residual) == (True, None, None, None)
        assert mode.expected_hz is not None
    assert [mode.place_hz for mode in modes] == sorted(mode.place_hz for mode in modes)


@pytest.mark.parametrize("written, step", [("1374", 1.0), ("1374.50", 0.01), ("9.5", 0.1)])
def test_a_frequency_from_the_notes_has_its_digits_and_no_standard_uncertainty(written, step):
    """Fault: U = 0.57 Hz was derived from the last digit that the operator happened to write."""
    note = Note(
        source="notes.txt", line=1, text=f"{written} Hz: 6 nodes", run="X-PRE",
        facts=(NodesSeen(frequency_hz=float(written), count=6, resolution_hz=step),),
    )  # fmt: skip
    _, (mode,), _, _ = join_modes(job_of(None), (run_of("X-PRE", []),), (note,))
    assert (mode.frequency_hz, mode.frequency_std_hz, mode.resolution_hz) == (float(written), None, step)
    assert mode.seen_in == ("notes",)


def test_every_mode_gets_its_number_and_the_gap_is_named():
    runs, modes, (fit,), findings = join_modes(job_of(), (run_of("X-PRE", PRACTICE_HZ),), notes_of(PRACTICE))
    assert numbers(modes) == [(n, n in (7, 8)) for n in range(1, 10)]
    assert all(mode.seen_in == ("log", "notes") for mode in modes if not mode.missing)
    assert [each.mode for each in runs[0].channels[1].resonances] == [1, 2, 3, 4, 5, 6, 9]
    assert abs(fit.worst_residual) < 0.01
    assert fit.tip_mass_ratio == pytest.approx(1.3, abs=0.05)
    (gap,) = [each for each in findings if "missing" in said(each.message)]
    assert "1 to 6, 9" in said(gap.message)
    assert str(gap.where) == "notes.txt:7"
    for mode in modes[6:8]:
        assert f"{mode.mode} (expected near {mode.expected_hz:.4g} Hz)" in said(gap.message)
        assert mode.seen_in == ()
        assert "outside what was swept" in said(mode.flags[1])
        assert 1450 < mode.expected_hz < 3540


def test_one_mode_in_several_runs_is_one_row_led_by_the_first_survey():
    runs = (
        run_of("X-SWEEP", [7.35, 83.5, 267.0], kind="sweep"),
        run_of("X-PRE", [7.4, 84.0, 268.0]),
        run_of("X-POST", [7.1, 81.0, 258.0]),
    )
    numbered, modes, _, _ = join_modes(job_of(), runs, notes_of(PRACTICE[:3]))
    assert numbers(modes) == [(1, False), (2, False), (3, False)]
    assert [mode.frequency_hz for mode in modes] == [7.4, 84.0, 268.0]
    assert all(mode.runs == ("X-PRE", "X-POST", "X-SWEEP") for mode in modes)
    for run in numbered:
        assert [each.mode for each in run.channels[0].resonances] == [1, 2, 3]


def test_seen_in_the_log_alone_has_no_number_only_an_expectation():
    _, modes, _, _ = join_modes(
        job_of(), (run_of("X-PRE", PRACTICE_HZ[:6]),), notes_of((*PRACTICE[:3], *PRACTICE[4:6]))
    )
    (log_only,) = [mode for mode in modes if mode.seen_in == ("log",)]
    assert log_only.mode is None
    (near,) = [flag for flag in log_only.flags if flag.code == "modes.unnumbered-near-beam"]
    assert near.value("mode") == 4
    (missing,) = [mode for mode in modes if mode.missing]
    assert missing.mode == 4
    assert told("modes.unnumbered-may-be-it", *missing.flags)


def test_seen_in_the_notes_alone_is_kept():
    _, modes, _, _ = join_modes(job_of(), (run_of("X-PRE", [7.4, 84.0, 557.0]),), notes_of(PRACTICE[:4]))
    (alone,) = [mode for mode in modes if mode.seen_in == ("notes",)]
    assert (alone.mode, alone.frequency_hz, alone.notes, alone.runs) == (3, 268.0, (Place("notes.txt", 3),), ())
    assert told("modes.notes-alone", *alone.flags)


def test_free_free_bar():
    """Counts 2, 3, 4, 5 of a free bar are its elastic modes 1 to 4; measured frequencies of pyuff's data."""
    beam = Beam(boundary=Boundary.FREE_FREE)
    seen = ((51.52, 2), (142.18, 3), (278.67, 4), (460.40, 5))
    _, modes, (fit,), findings = join_modes(job_of(beam), (run_of("X-PRE", [hz for hz, _ in seen]),), notes_of(seen))
    assert numbers(modes) == [(n, False) for n in (1, 2, 3, 4)]
    assert abs(fit.worst_residual) < 0.002
    assert fit.tip_mass_ratio is None
    assert findings == ()


def test_the_wrong_boundary_is_said():
    seen = ((51.52, 2), (142.18, 3), (278.67, 4), (460.40, 5), (687.17, 6), (958.54, 7))
    _, _, (fit,), findings = join_modes(job_of(), (run_of("X-PRE", [hz for hz, _ in seen]),), notes_of(seen))
    assert any("free-free fits" in said(each.message) and "clearly better" in said(each.message) for each in findings)
    assert dict(fit.alternatives)["free-free"] < 0.002 < fit.rms_residual


def test_supports_that_were_counted_are_taken_off():
    beam = replace(CANTILEVER, supports_counted=True)
    seen = tuple((hz, count + 1) for hz, count in PRACTICE[:4])
    _, modes, _, _ = join_modes(job_of(beam), (run_of("X-PRE", PRACTICE_HZ[:4]),), notes_of(seen))
    assert [(mode.mode, mode.nodes) for mode in modes] == [(1, 0), (2, 1), (3, 2), (4, 3)]


def test_without_a_beam_a_count_gives_no_number():
    _, modes, fits, _ = join_modes(job_of(None), (run_of("X-PRE", [84.0]),), notes_of([(84.0, 1)]))
    assert (modes[0].mode, modes[0].nodes, fits) == (None, 1, ())
    assert told("modes.no-boundary", *modes[0].flags)


def test_torsion_and_axial_stand_apart():
    runs = (run_of("X-PRE", [7.4, 84.0, 268.0, 557.0, 700.0]),)
    notes = (*notes_of(PRACTICE[:4]), counted(545.0, 1, 10, motion=MotionKind.TORSION),
             moving(700.0, MotionKind.AXIAL, 11))  # fmt: skip
    _, modes, _, findings = join_modes(job_of(), runs, notes)
    assert [mode.mode for mode in modes] == [1, 2, 3, None, 4, None]
    torsion, axial = modes[3], modes[5]
    assert (torsion.motion, torsion.nodes, torsion.seen_in) == (MotionKind.TORSION, 1, ("notes",))
    assert (axial.motion, axial.seen_in) == (MotionKind.AXIAL, ("log", "notes"))
    assert not told("modes.motion-contradicted", *findings)


def test_two_kinds_of_motion_at_one_resonance_are_a_question():
    notes = (counted(84.0, 1, 1), moving(84.0, MotionKind.TORSION, 2))
    _, modes, _, findings = join_modes(job_of(), (run_of("X-PRE", [84.0]),), notes)
    assert modes[0].mode is None
    assert told("modes.motion-contradicted", *findings)


# Contradictions


def test_two_modes_with_one_number():
    seen = ((7.4, 0), (84.0, 1), (268.0, 1))
    _, modes, _, findings = join_modes(job_of(), (run_of("X-PRE", [7.4, 84.0, 268.0]),), notes_of(seen))
    assert any("mode number 2 stands at 84 Hz of axis X and at 268 Hz" in said(each.message) for each in findings)
    assert [mode.mode for mode in modes] == [1, 2, 2]
    assert all(any("number 2 stands" in said(flag) for flag in mode.flags) for mode in modes[1:])


def test_a_number_that_falls_while_frequency_rises():
    seen = ((7.4, 0), (84.0, 2), (268.0, 1))
    _, _, _, findings = join_modes(job_of(), (run_of("X-PRE", [7.4, 84.0, 268.0]),), notes_of(seen))
    assert any("falls from 3 at 84 Hz" in said(each.message) and str(each.where) == "notes.txt:3" for each in findings)


def test_a_number_that_beam_theory_doubts():
    seen = (*PRACTICE[:5], (1450.0, 6))
    _, modes, _, findings = join_modes(job_of(), (run_of("X-PRE", [hz for hz, _ in seen]),), notes_of(seen))
    (doubt,) = [each for each in findings if "uniform beam" in said(each.message)]
    assert str(doubt.where) == "notes.txt:6"
    assert "has mode 6" in said(doubt.message)
    assert seen_near(modes, 1450.0).mode == 7


def test_two_corrections_that_disagree_give_no_number():
    two = [correct("renumber", 84.0, mode=2), correct("renumber", 84.0, mode=3, run="X-POST")]
    runs = (run_of("X-PRE", [84.0]), run_of("X-POST", [83.5]))
    _, modes, _, findings = join_modes(job_of(corrections=two), runs, ())
    assert modes[0].mode is None
    assert any("numbers 2 and 3" in said(each.message) for each in findings)


def test_counts_that_contradict_each_other_give_no_number():
    notes = (counted(84.0, 1, 1), counted(84.1, 2, 2))
    _, modes, _, findings = join_modes(job_of(), (run_of("X-PRE", [84.0]),), notes)
    assert modes[0].mode is None
    assert told("modes.counts-contradict", *findings)


def test_the_trap_of_base_drive():
    runs = (run_of("X-PRE", [40.0, 250.7]),)
    notes = (counted(42.0, 1, 1, positions=(0.19,)), counted(250.7, 1, 2))
    _, modes, _, findings = join_modes(job_of(), runs, notes)
    assert [(mode.mode, mode.nodes) for mode in modes] == [(1, 0), (2, 1)]
    assert modes[0].node_positions == ()
    assert any("counted 5.0\u00a0% above the resonance" in said(flag) for flag in modes[0].flags)
    assert any(str(each.where) == "notes.txt:1" and told("count.new-node-taken-off", each) for each in findings)


def test_the_trap_without_position_leaves_the_number_open_until_accepted():
    runs = (run_of("X-PRE", [40.0]),)
    notes = (counted(42.0, 1, 1),)
    _, modes, _, _ = join_modes(job_of(), runs, notes)
    assert seen_near(modes, 40.0).mode is None
    accepted = Correction(run="X-PRE", frequency_hz=42.0, action="accept", reason="recounted", by="M. Adler")
    _, modes, _, _ = join_modes(job_of(corrections=[accepted]), runs, notes)
    assert seen_near(modes, 40.0).mode == 2
    assert any("accepted by M. Adler: recounted" in said(flag) for flag in seen_near(modes, 40.0).flags)


def test_off_the_peak_the_resonances_below_count():
    runs = (run_of("X-PRE", [40.0, 250.7]),)
    _, modes, _, findings = join_modes(job_of(), runs, (counted(40.0, 0, 1), counted(257.0, 1, 2)))
    assert [(mode.mode, mode.frequency_hz) for mode in modes] == [(1, 40.0), (2, 250.7)]
    assert any(str(each.where) == "notes.txt:2" and told("count.above-resonance", each) for each in findings)


def test_the_phase_of_the_log_is_looked_at():
    """A heavily damped resonance: 4 % above it lies within half a bandwidth, yet the log shows the phase turned."""
    hz = np.geomspace(20.0, 80.0, 2001)
    lag = np.where(hz < 40.4, 90.0, 170.0)
    channel = ChannelResult(
        id="A1", frequency_hz=hz, magnitude=np.ones_like(hz), phase_deg=-lag,
        resonances=(resonance(40.0, 10.0, phase_deg=-90.0),),
    )  # fmt: skip
    run = replace(run_of("X-PRE", []), channels=(channel,))
    _, modes, _, _ = join_modes(job_of(), (run,), (counted(41.6, 1, 1),))
    assert seen_near(modes, 40.0).mode is None
    assert any("turned by 80°" in said(flag) for flag in seen_near(modes, 40.0).flags)
    _, modes, _, _ = join_modes(
        job_of(), (replace(run, channels=(replace(channel, phase_deg=None),)),), (counted(41.6, 1, 1),)
    )
    assert seen_near(modes, 40.0).mode == 2


def test_the_peak_that_the_sweep_moved_is_where_the_operator_saw_it():
    """A fast sweep shows the peak of an 18 Hz mode at 18.6 Hz; a count noted there was taken at the peak."""
    moved = replace(resonance(18.0, 60.0), observed=Observed(peak_hz=18.6))
    run = run_of("X-PRE", [])
    run = replace(run, channels=(replace(run.channels[0], resonances=(moved,)),))
    _, modes, _, findings = join_modes(job_of(), (run,), (counted(18.6, 1, 1),))
    assert seen_near(modes, 40.0).mode == 2
    assert not told("count.may-be-one-high", *findings)


def test_a_mode_on_a_loose_sensor_alone_is_marked():
    zero = message("quality.reads-zero", channel="A2")
    loose = QualityIssue(kind=IssueKind.DEAD_CHANNEL, message=zero, channel="A2", spoils=True)
    run = run_of("X-PRE", [84.0])
    ghost = replace(run.channels[1], resonances=(*run.channels[1].resonances, resonance(256.0)))
    run = replace(run, channels=(run.channels[0], ghost), quality=(loose,))
    _, modes, _, _ = join_modes(job_of(), (run,), ())
    assert [told("modes.without-evidence", *mode.flags) for mode in modes] == [False, True]
    assert "A2 of X-PRE" in said(modes[1].flags[0])


# Positions


def test_positions_beside_expected_ones():
    notes = (*notes_of(PRACTICE[:2]), counted(268.0, 2, 3, positions=(0.232, 0.414), position_unit="m"),
             counted(557.0, 3, 4, positions=(0.30, 0.69, 0.99)))  # fmt: skip
    _, modes, _, findings = join_modes(job_of(), (run_of("X-PRE", PRACTICE_HZ[:4]),), notes)
    assert modes[2].node_positions == pytest.approx((0.232 / 0.42, 0.414 / 0.42))
    assert modes[2].expected_positions == pytest.approx(modes[2].node_positions, abs=0.02)
    assert not told("modes.node-misplaced", *modes[2].flags)
    (off,) = [each for each in findings if told("modes.node-misplaced", each)]
    assert str(off.where) == "notes.txt:4"
    assert "0.300 L" in said(off.message)


def test_positions_that_cannot_be_used_are_said():
    beam = Beam(boundary=Boundary.CLAMPED_FREE)
    note = counted(84.0, 1, 1, positions=(0.36,), position_unit="m")
    _, modes, _, findings = join_modes(job_of(beam), (run_of("X-PRE", [84.0]),), (note,))
    assert modes[0].node_positions == ()
    assert told("observation.length-needed", *findings)
    beyond = counted(84.0, 1, 1, positions=(0.6,), position_unit="m")
    _, modes, _, findings = join_modes(job_of(), (run_of("X-PRE", [84.0]),), (beyond,))
    assert modes[0].node_positions == ()
    assert told("observation.node-beyond-beam", *findings)


# Axes, runs and times

TWO_AXES = (
    ("X-PRE", RunKind.SURVEY, "X", datetime(2026, 3, 12, 9, 14)),
    ("Y-PRE", RunKind.SURVEY, "Y", datetime(2026, 3, 12, 13, 0)),
)


def test_axes_are_numbered_apart():
    runs = (run_of("X-PRE", [7.4, 84.0]), run_of("Y-PRE", [12.0, 136.0], axis="Y"))
    notes = (*notes_of([(7.4, 0), (84.0, 1)]), *notes_of([(12.0, 0), (136.0, 1)], run="Y-PRE"))
    _, modes, fits, _ = join_modes(job_of(runs=TWO_AXES), runs, notes)
    assert [(mode.axis, mode.mode) for mode in modes] == [("X", 1), ("X", 2), ("Y", 1), ("Y", 2)]
    assert [fit.axis for fit in fits] == ["X", "Y"]


def test_a_beam_along_one_axis_is_none_along_the_other():
    """Counts along the other axis stay counts: no number, no beam theory, no missing modes, and no advice."""
    runs = (run_of("X-PRE", [7.4, 84.0]), run_of("Y-PRE", [12.0, 136.0], axis="Y"))
    notes = (*notes_of([(7.4, 0), (84.0, 1)]), *notes_of([(12.0, 0), (300.0, 3)], run="Y-PRE"))
    _, modes, fits, findings = join_modes(job_of(replace(CANTILEVER, axes=("X",)), runs=TWO_AXES), runs, notes)
    assert [(mode.axis, mode.mode) for mode in modes if mode.axis == "X"] == [("X", 1), ("X", 2)]
    other = [mode for mode in modes if mode.axis == "Y"]
    assert {mode.mode for mode in other} == {None}
    assert 3 in {mode.nodes for mode in other}
    assert [fit.axis for fit in fits] == ["X"]
    assert not told("modes.no-boundary", *(flag for mode in other for flag in mode.flags), *findings)


def test_a_note_without_run_is_placed_by_its_time():
    runs = (run_of("X-PRE", [84.0]), run_of("Y-PRE", [84.5], axis="Y"))
    for when in (time(13, 2), datetime(2026, 3, 12, 13, 2)):
        note = replace(counted(84.2, 1, 1, run=None), when=when)
        _, modes, _, _ = join_modes(job_of(runs=TWO_AXES), runs, (note,))
        assert [(mode.axis, mode.mode) for mode in modes if mode.seen_in and "notes" in mode.seen_in] == [("Y", 2)]
        assert told("observation.run-by-time", *(flag for mode in modes for flag in mode.flags))


def test_a_note_without_run_goes_with_the_void_run_in_whose_time_it_was_made():
    """Fault: what was seen in a void run counted as evidence where the note did not name the run."""
    job = job_of()
    void = replace(job.runs[0], status=RunStatus.VOID, reason="clamp loose")
    job = replace(job, runs=(void, *job.runs[1:]))
    runs = (run_of("X-PRE", PRACTICE_HZ), run_of("X-SWEEP", PRACTICE_HZ, kind="sweep"))
    notes = [replace(counted(84.2, 1, line, run=None), when=when) for line, when in
             enumerate((time(9, 16), datetime(2026, 3, 12, 9, 16), time(11, 2), time(10, 30), None), 1)]  # fmt: skip
    assert [note.line for note in notes_that_count(job, runs, [*notes, counted(84.2, 1, 6)])] == [3, 4, 5]


def test_a_note_that_fits_two_axes_asks_for_its_run():
    runs = (run_of("X-PRE", [84.0]), run_of("Y-PRE", [84.5], axis="Y"))
    _, _, _, findings = join_modes(job_of(runs=TWO_AXES), runs, (counted(84.2, 1, 1, run=None),))
    assert any("name the run" in said(each.message) for each in findings)


def test_a_note_that_fits_no_axis_is_kept_without_beam_theory():
    runs = (run_of("X-PRE", [84.0]), run_of("Y-PRE", [84.5], axis="Y"))
    _, modes, fits, findings = join_modes(job_of(runs=TWO_AXES), runs, (counted(400.0, 3, 1, run=None),))
    (alone,) = [mode for mode in modes if mode.seen_in == ("notes",)]
    assert alone.axis is None
    assert not [mode for mode in modes if mode.missing]
    assert fits == ()
    assert told("modes.axis-unknown", *findings)


# Corrections


def correct(action: str, hz: float, **more) -> Correction:
    return Correction(run=more.pop("run", "X-PRE"), frequency_hz=hz, action=action, reason="mains pick-up",
                      by="Test engineer", where="job.toml:90", **more)  # fmt: skip


def test_a_rejected_resonance_stays_visible_and_is_no_mode():
    rejected = correct("reject", 50.0, channel="A1")
    runs, modes, _, findings = join_modes(
        job_of(corrections=[rejected]), (run_of("X-PRE", [7.4, 50.1, 84.0], channels=("A1",)),), notes_of(PRACTICE[:2])
    )
    assert [mode.frequency_hz for mode in modes] == [7.4, 84.0]
    gone = runs[0].channels[0].resonances[1]
    assert gone.rejected == "mains pick-up (Test engineer)"
    assert gone.mode is None
    assert any(str(each.where) == "job.toml:90" and told("correction.rejected", each) for each in findings)


def test_a_renumbered_resonance():
    runs, modes, _, _ = join_modes(
        job_of(corrections=[correct("renumber", 268.0, mode=3)]),
        (run_of("X-PRE", [7.4, 84.0, 268.0]),),
        notes_of(PRACTICE[:2]),
    )
    assert numbers(modes) == [(1, False), (2, False), (3, False)]
    assert [each.mode for each in runs[0].channels[0].resonances] == [1, 2, 3]
    decided = message("correction.renumbered", mode=3, by="Test engineer", reason="mains pick-up")
    assert decided in runs[0].channels[0].resonances[2].flags
    assert told("correction.renumbered", *modes[2].flags)


def test_a_rejected_observation_numbers_nothing():
    _, modes, _, findings = join_modes(
        job_of(corrections=[correct("reject", 300.0)]), (run_of("X-PRE", [84.0]),), (counted(300.0, 4, 8),)
    )
    assert [mode.seen_in for mode in modes] == [("log",)]
    assert any(
        message("correction.observation", where=Place("notes.txt", 8)) in each.message.value("to") for each in findings
    )


def test_a_correction_that_matches_nothing_names_the_nearest():
    _, _, _, findings = join_modes(job_of(corrections=[correct("reject", 60.0)]), (run_of("X-PRE", [84.0]),), ())
    (found,) = [each for each in findings if str(each.where) == "job.toml:90"]
    assert str(found.severity) == "warning"
    nearest = message("correction.resonance", run="X-PRE", channel="A1", frequency_hz=84.0)
    assert found.message.value("hint") == message("correction.nearest", resonance=nearest)


def test_renumber_without_a_mode_is_refused():
    _, modes, _, findings = join_modes(job_of(corrections=[correct("renumber", 84.0)]), (run_of("X-PRE", [84.0]),), ())
    assert modes[0].mode is None
    assert told("correction.mode-needed", *findings)


# Properties


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(5.0, 2000.0), max_size=8),
    st.lists(st.floats(5.0, 2000.0), max_size=8),
    st.lists(
        st.tuples(st.floats(5.0, 2000.0), st.integers(0, 9), st.sampled_from(["X-PRE", "X-POST", None])), max_size=8
    ),
    st.sampled_from([*Boundary, None]),
)
def test_nothing_is_lost_whatever_was_seen(before, after, seen, boundary):
    runs = (run_of("X-PRE", sorted(before)), run_of("X-POST", sorted(after)))
    notes = tuple(counted(hz, count, line, run) for line, (hz, count, run) in enumerate(seen, 1))
    beam = None if boundary is None else Beam(boundary=boundary)
    numbered, modes, _, _ = join_modes(job_of(beam), runs, notes)
    assert sorted(str(where) for mode in modes for where in mode.notes) == sorted(str(note.where) for note in notes)
    for old, new in zip(runs, numbered, strict=True):
        for was, now in zip(old.channels, new.channels, strict=True):
            assert [r.frequency_hz for r in was.resonances] == [r.frequency_hz for r in now.resonances]
            here = {mode.mode for mode in modes if new.id in mode.runs}
            assert {r.mode for r in now.resonances} <= here
    for mode in modes:
        assert mode.seen_in or mode.missing
        assert np.isfinite(mode.place_hz)
        assert (mode.frequency_hz is None) == mode.missing


@settings(max_examples=25, deadline=None)
@given(st.floats(5.0, 60.0), st.integers(2, 7), st.randoms(use_true_random=False))
def test_an_ideal_cantilever_is_numbered_without_a_finding(first, count, random):
    frequencies = [first * frequency_ratio(Boundary.CLAMPED_FREE, mode) for mode in range(1, count + 1)]
    notes = [counted(round(hz, 1), n, n + 1) for n, hz in enumerate(frequencies)]
    random.shuffle(notes)
    _, modes, (fit,), findings = join_modes(job_of(), (run_of("X-PRE", frequencies),), tuple(notes))
    assert numbers(modes) == [(n, False) for n in range(1, count + 1)]
    assert abs(fit.worst_residual) < 1e-3
    assert findings == ()


# The example jobs, with the true values of their README in place of identified ones

EXAMPLES = Path(__file__).parents[2] / "example_logs"


def test_the_boom_of_the_examples_has_one_missing_mode():
    job, _ = read_job(EXAMPLES / "sensor_boom", CHECKS)
    assert job is not None
    notes, unread = read_notes(job)
    assert unread == ()
    true = (10.8, 70.3, 200.8, 398.0, 661.0)
    _, modes, (fit,), findings = join_modes(
        job, (run_of("X-PRE", true), run_of("X-POST", [0.9925 * hz for hz in true])), notes
    )
    assert numbers(modes) == [(n, n == 6) for n in range(1, 9)]
    assert [mode.nodes for mode in modes] == list(range(8))
    assert [mode.seen_in for mode in modes] == [("log", "notes")] * 5 + [()] + [("notes",)] * 2
    (gap,) = [each for each in findings if "missing" in said(each.message)]
    assert [each.value("mode") for each in gap.message.value("missing")] == [6]
    assert [str(each.severity) for each in findings if each is not gap] == ["note"]
    assert abs(fit.worst_residual) < 0.03


def test_the_box_of_the_examples_is_no_beam():
    job, _ = read_job(EXAMPLES / "controller_box", CHECKS)
    assert job is not None
    notes, unread = read_notes(job)
    assert unread == ()
    assert len(notes) == len((EXAMPLES / "controller_box" / "notes.txt").read_text(encoding="utf-8").splitlines())
    _, modes, fits, findings = join_modes(job, (run_of("Z-PRE", [117.4], axis="Z"),), notes)
    assert [(mode.axis, mode.mode) for mode in modes] == [("Z", None)]
    assert fits == ()
    assert findings == ()
