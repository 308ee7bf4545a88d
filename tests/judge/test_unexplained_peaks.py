"""No clause on frequency, amplification or shift passes beside a peak that nothing explains."""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from reportgen.judge.verdicts import judge
from reportgen.records.result import Quotient, UnexplainedPeak
from reportgen.records.verdict import Outcome

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
