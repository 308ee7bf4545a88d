"""The steady-state response straight from a record as a check on the modes fitted to its rows."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from reportgen.compute.demodulation.cross_check import agreement, cross_check, disagreements
from reportgen.compute.run import compute_run, sweep_of
from reportgen.records.job import Channel, ChannelRole, Job, Party, ReportIdentity, RunKind, RunPlan, Specimen
from tests.compute.test_demodulation import STRUCTURE, TABLE, recorded
from tests.simulator.course import sweep
from tests.simulator.time_history import sweep_record


def silent(_text):
    pass


@pytest.fixture(scope="module")
def built():
    """4 oct/min over three modes, η up to 9 at 18 Hz; 3 % noise on every sample."""
    record = sweep_record(STRUCTURE, sweep(10.0, 200.0, 4.0), TABLE, 2560.0, noise=0.3, harmonics=(0.05, 0.02))
    history = recorded(record)
    run = RunPlan(id="X-1", kind=RunKind.SURVEY, log=Path("x.wav"), control=("C1",))
    roles = [(each, ChannelRole.RESPONSE) for each in ("A1", "A2")] + [("C1", ChannelRole.CONTROL)]
    job = Job(
        folder=Path(), file=Path("job.toml"), report=ReportIdentity(number="1", title="t", date=date(2026, 1, 1)),
        laboratory=Party(name="l"), customer=Party(name="c"), specimen=Specimen(name="s"), runs=(run,),
        channels=(*(Channel(id=each, role=role) for each, role in roles), Channel(id="DRIVE", role=ChannelRole.DRIVE)),
    )  # fmt: skip
    return history, sweep_of(job, run, history, silent), compute_run(job, run, history, silent)


def test_a_sound_run_agrees_with_its_record_and_says_so(built):
    history, rows, result = built
    compared = cross_check(history, rows, ("C1",), result.channels)
    assert {each.channel for each in compared} == {"A1", "A2"}
    assert len({each.frequency_hz for each in compared}) >= 2
    for each in compared:
        assert each.ratio == pytest.approx(1.0, abs=0.02)
    assert not [each for each in result.quality if each.kind == "cross-check"]
    (told,) = agreement(compared)
    assert told in result.flags
    assert (told.value("agree"), told.value("compared")) == (len(compared), len(compared))


def test_a_fit_that_is_off_by_a_tenth_is_found(built):
    history, rows, result = built
    wrong = tuple(
        replace(each, fitted=each.fitted * 1.1) if each.id == "A1" else each for each in result.channels
    )  # fmt: skip
    issues = disagreements(cross_check(history, rows, ("C1",), wrong))
    assert issues
    assert {each.channel for each in issues} == {"A1"}
    assert all(not each.spoils for each in issues)
    assert all(issue.message.value("ratio") == pytest.approx(1 / 1.1, abs=0.02) for issue in issues)


def test_several_controls_or_another_quantity_are_not_compared(built):
    history, rows, result = built
    assert cross_check(history, rows, ("C1", "A2"), result.channels) == ()
    as_strain = replace(history, dimensions=tuple("strain" if each == "A1" else kind for each, kind in
                                                  zip(history.channels, history.dimensions, strict=True)))  # fmt: skip
    assert {each.channel for each in cross_check(as_strain, rows, ("C1",), result.channels)} == {"A2"}


def test_a_resonance_at_the_end_of_the_sweep_is_not_compared(built):
    history, rows, result = built
    short = replace(rows, frequency_hz=np.minimum(rows.frequency_hz, 118.0))
    assert all(each.frequency_hz < 100 for each in cross_check(history, short, ("C1",), result.channels))
