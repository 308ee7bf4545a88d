"""No clause on frequency, amplification or shift passes beside a peak that nothing explains."""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from reportgen.judge.verdicts import judge
from reportgen.records.message import message
from reportgen.records.result import IssueKind, QualityIssue, Quotient, UnexplainedPeak
from reportgen.records.verdict import Outcome
from tests.judge.test_several_specimens import edits

_spec = importlib.util.spec_from_file_location("small_job", Path(__file__).parent / "small_job" / "small_job.py")
small = importlib.util.module_from_spec(_spec)
sys.modules["small_job"] = small
_spec.loader.exec_module(small)

PASSED = (Outcome.PASS, Outcome.CONDITIONAL_PASS)
CHECKS = ("lowest natural frequency", "amplification", "frequency shift", "amplification shift")


def with_peak(run, channel_id, frequency_hz):
    """The run with one peak more on a channel, audited: small, and no mode."""
    peak = UnexplainedPeak(frequency_hz=frequency_hz, height=12.0, magnitude=1.3)
    channels = tuple(
        replace(each, peaks=len(each.resonances) + 1, unexplained=(peak,)) if each.id == channel_id else each
        for each in run.channels
    )
    return replace(run, channels=channels)


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    return small.small_job(tmp_path_factory.mktemp("job"))


def verdicts(found, runs):
    kinds = {each.id: each.check for each in found.job.requirements}
    told = judge(found.job, runs, found.modes, found.shifts)
    return {each.requirement: each for each in told if kinds[each.requirement] in CHECKS}


def test_the_job_passes_without_such_a_peak(found):
    told = verdicts(found, found.runs)
    assert {each.outcome for each in told.values()} <= set(PASSED)
    assert len(told) >= 3


@pytest.mark.parametrize("frequency_hz", [30.0, 60.0])
def test_nothing_passes_beside_a_peak_that_nothing_explains(found, frequency_hz):
    """Tried on every run and channel in turn: whatever rests on that channel of that run must not pass."""
    needed = {each.id: each for each in found.job.requirements}
    blocked = set()
    for k, run in enumerate(found.runs):
        for channel in run.channels:
            changed = with_peak(run, channel.id, frequency_hz)
            runs = (*found.runs[:k], changed, *found.runs[k + 1 :])
            for name, verdict in verdicts(found, runs).items():
                rests = run.id in (needed[name].before, needed[name].after, *(needed[name].run or ()), needed[name].run)
                rests |= needed[name].axis is not None and run.kind in ("survey", "sweep")
                if rests and needed[name].channel in (None, channel.id):
                    assert verdict.outcome not in PASSED, f"{name} beside {channel.id} of {run.id}: {verdict.reason}"
                    blocked.add(needed[name].check)
    assert {"lowest natural frequency", "amplification", "frequency shift"} <= blocked


def unaudited(run, quotient, unit):
    """The run as if nothing had been audited, with a high peak at 60 Hz in every curve, in some unit."""
    bump = {c.id: 1.0 + 40.0 / (1.0 + ((c.frequency_hz / 60.0 - 1.0) * 100.0) ** 2) for c in run.channels}
    channels = tuple(
        replace(each, peaks=None, quotient=quotient, unit=unit, magnitude=each.magnitude * bump[each.id])
        if len(each.magnitude)
        else each
        for each in run.channels
    )
    return replace(run, channels=channels)


@pytest.mark.parametrize(
    ("quotient", "unit"), [(Quotient.RATIO, ""), (Quotient.ACCELERANCE, "(m/s²)/N"), (Quotient.OTHER, "1/(m/s²)")]
)
def test_nothing_passes_beside_a_peak_of_a_curve_that_was_not_audited(found, quotient, unit):
    """Over a force the lowest natural frequency and both shifts passed beside a peak forty times as high."""
    runs = tuple(unaudited(run, quotient, unit) for run in found.runs)
    for verdict in verdicts(found, runs).values():
        assert verdict.outcome not in PASSED, verdict.reason


def test_a_peak_above_the_limit_of_the_lowest_natural_frequency_does_not_matter_to_it(found):
    runs = tuple(with_peak(run, "A1", 900.0) if run.kind in ("survey", "sweep") else run for run in found.runs)
    (lowest,) = (each for each in found.job.requirements if each.check == "lowest natural frequency")
    assert verdicts(found, runs)[lowest.id].outcome in PASSED


def changed(found, run_ids, change):
    """Verdicts where ``change`` was made to every channel of some runs."""
    runs = tuple(
        replace(run, channels=tuple(map(change, run.channels))) if run.id in run_ids else run for run in found.runs
    )
    told = judge(found.job, runs, found.modes, found.shifts)
    return {each.requirement: each for each in told}


def spoilt(found, channel_id):
    """The evidence with one sensor at fault in every run, so that other channels have to carry the verdicts."""
    issue = QualityIssue(kind=IssueKind.CLIPPING, message=message("judge.unknown"), channel=channel_id, spoils=True)
    return replace(found, runs=tuple(replace(run, quality=(*run.quality, issue)) for run in found.runs))


def test_a_peak_a_little_above_the_limit_may_be_of_a_mode_below(found):
    """A sweep shifts peaks; how far is not known of one that nothing explains. At 80.3 Hz it passed for 80 Hz."""
    runs = tuple(with_peak(run, "A1", 80.3) if run.kind == "survey" else run for run in found.runs)
    assert verdicts(found, runs)["LOWEST"].outcome is Outcome.NOT_EVALUATED


def test_a_channel_that_is_left_out_may_still_show_a_peak_that_nothing_explains(found):
    """Frequency clauses rest on the channels left; what the lost one showed was told by nobody."""
    lost = spoilt(found, "A2")
    assert {verdicts(lost, lost.runs)[each].outcome for each in ("LOWEST", "SHIFT")} <= set(PASSED)
    audited = tuple(with_peak(run, "A2", 60.0) for run in lost.runs)
    unheard = tuple(
        replace(run, channels=tuple(replace(c, peaks=0) if c.id == "A2" else c for c in one.channels))
        for run, one in zip(lost.runs, (unaudited(run, Quotient.RATIO, "") for run in lost.runs), strict=True)
    )  # its readings were taken out before anything looked for peaks
    for runs in (audited, unheard):
        assert {verdicts(lost, runs)[each].outcome for each in ("LOWEST", "SHIFT")} == {Outcome.NOT_EVALUATED}


def test_a_sweep_that_begins_on_the_upper_side_of_a_peak_shows_no_lowest_frequency(found):
    """Far below its first resonance a specimen follows its table; fifteen times the input and falling is a peak."""

    def cut(channel):
        beside = 1.0 + 14.0 / (1.0 + ((channel.frequency_hz / 10.0 - 1.0) * 20.0) ** 2)
        return replace(channel, magnitude=channel.magnitude * beside) if len(channel.magnitude) else channel

    assert changed(found, {"PRE"}, cut)["LOWEST"].outcome is Outcome.NOT_EVALUATED


def test_a_reading_above_the_limit_at_the_end_of_the_sweep_lets_no_amplification_pass(found):
    """All resonances passed, and the last rows read twice the limit."""

    def rising(channel):
        end = 1.0 + 4000.0 * np.maximum(0.0, channel.frequency_hz / 900.0 - 1.0)
        return replace(channel, magnitude=channel.magnitude * end) if len(channel.magnitude) else channel

    assert changed(found, {"PRE"}, rising)["AMPLIFICATION"].outcome is Outcome.NOT_EVALUATED


def test_no_resonance_beside_peaks_is_no_lowest_frequency_beyond_the_sweep(found):
    """Without a resonance, but with peaks above the limit, the end of the sweep was stated as the least value."""
    peak = UnexplainedPeak(frequency_hz=300.0, height=12.0, magnitude=1.3)
    bare = replace(found, modes=())
    told = changed(bare, {"PRE", "SWEEP", "POST"}, lambda c: replace(c, resonances=(), peaks=1, unexplained=(peak,)))
    assert told["LOWEST"].outcome is Outcome.NOT_EVALUATED
    assert told["LOWEST"].measured is None


def test_a_peak_on_a_second_specimen_blocks_the_clause_about_both(tmp_path):
    found = small.small_job(tmp_path, edits())
    for name in ("S2-PRE", "S2-SWEEP", "S2-POST"):
        runs = tuple(with_peak(run, "A1", 60.0) if run.id == name else run for run in found.runs)
        told = verdicts(found, runs)["LOWEST"]
        assert [part.outcome in PASSED for part in told.parts] == [True, False]
        assert told.outcome is Outcome.NOT_EVALUATED
