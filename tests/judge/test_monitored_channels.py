"""Strain, temperature and the like are recorded beside: curves of their own, no modes, no evidence of the structure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from reportgen.compute.run import compute_run
from reportgen.progress import silent
from reportgen.records.job import Channel, ChannelRole, Job, Party, ReportIdentity, RunKind, RunPlan, Specimen
from reportgen.records.log import SweepLog, Trace
from tests.judge.small_job import small_job as small
from tests.judge.small_job.small_job import sweep_rows


def swept(role: ChannelRole):
    """A run with a response of one mode at 60 Hz, Q = 20, and a strain of another at 90 Hz; closed form."""
    f, t = sweep_rows(20.0, 200.0, step=0.5)

    def mode(at_hz: float, q: float):
        return (f / at_hz) ** 2 / (1.0 - (f / at_hz) ** 2 + 1j * f / at_hz / q)

    a, e = 1.0 + 1.5 * mode(60.0, 20.0), 1e-6 * mode(90.0, 20.0)
    traces = (
        Trace(channel="C1", dimension="acceleration", amplitude=np.full(len(f), 9.8)),
        Trace(channel="A1", dimension="acceleration", amplitude=9.8 * np.abs(a), phase_deg=np.degrees(np.angle(a))),
        Trace(channel="S1", dimension="strain", amplitude=9.8 * np.abs(e), phase_deg=np.degrees(np.angle(e)),
              display_unit="µm/m"),
    )  # fmt: skip
    run = RunPlan(id="R", kind=RunKind.SURVEY, axis="X")
    job = Job(
        folder=run.log, file=run.log, laboratory=Party(name="L"), customer=Party(name="C"), specimen=Specimen(name="S"),
        report=small_identity(), runs=(run,),
        channels=(Channel(id="C1", role=ChannelRole.CONTROL), Channel(id="A1", role=ChannelRole.RESPONSE),
                  Channel(id="S1", role=role)),
    )  # fmt: skip
    return compute_run(job, run, SweepLog(path="r", frequency_hz=f, traces=traces, time_s=t), silent)


def small_identity() -> ReportIdentity:
    from datetime import date

    return ReportIdentity(number="1", title="T", date=date(2026, 6, 1))


def test_a_monitored_strain_has_its_curve_and_no_modes():
    result = swept(ChannelRole.MONITOR)
    by_id = {channel.id: channel for channel in result.channels}
    assert [each.frequency_hz for each in by_id["A1"].resonances] == [pytest.approx(60.0, rel=2e-3)]
    assert by_id["S1"].resonances == ()
    assert by_id["S1"].unit == "1/(m/s²)"
    # |strain / control| at 90 Hz is Q/1e6 by the closed form
    assert np.nanmax(by_id["S1"].magnitude) == pytest.approx(20e-6, rel=0.02)


def test_the_same_strain_as_a_response_does_take_part_in_the_search():
    """The counterproof: it is the role that keeps it out."""
    result = swept(ChannelRole.RESPONSE)
    found = {round(each.frequency_hz) for channel in result.channels for each in channel.resonances}
    assert found == {60, 90}


def test_a_monitored_channel_is_no_evidence_and_no_gap(tmp_path):
    """A dead response leaves clauses open; a dead channel that is recorded beside does not."""
    dead = [{"run": each, "kind": "dead", "channel": "A2"} for each in ("PRE", "SWEEP", "POST")]
    role = ['id = "A2"\nrole = "response"', 'id = "A2"\nrole = "monitor"']
    (tmp_path / "response").mkdir()
    open_, whole = small.small_job(tmp_path / "response", faults=dead), small.small_job(tmp_path, [role], dead)
    assert str(open_.verdicts()["AMPLIFICATION"].outcome) == "not evaluated"
    assert str(whole.verdicts()["AMPLIFICATION"].outcome) == "pass"


def test_a_channel_recorded_beside_that_differs_between_runs_spoils_nothing(tmp_path):
    role = ['id = "A2"\nrole = "response"', 'id = "A2"\nrole = "monitor"']
    gain = [{"run": "POST", "kind": "gain", "channel": "A2", "factor": 3.0}]
    found = small.small_job(tmp_path, [role], gain)
    assert not [issue for run in found.runs for issue in run.quality if issue.channel == "A2"]
    assert replace(found.job, channels=()).monitors == frozenset()
