"""What is left out of every verdict is a finding, in a report and in a quick look."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from reportgen.compute.quality.quality_findings import quality_findings
from reportgen.pipeline import quicklook
from reportgen.records.finding import Severity
from reportgen.records.log import SweepLog
from reportgen.records.message import message
from reportgen.records.result import IssueKind, QualityIssue, RunResult
from tests.compute.test_interrupted_sweeps import G, computed, job, resumed_log, swept


def test_a_channel_that_carries_no_verdict_is_a_finding():
    clipped = message("quality.clipped", channel="A1", rows=9, low_hz=20.0, high_hz=21.0)
    noise = message("quality.noise-floor", channel="A2", share=0.1, low_hz=20.0, high_hz=21.0)
    lost = QualityIssue(kind=IssueKind.CLIPPING, message=clipped, channel="A1", spoils=True)
    noted = QualityIssue(kind=IssueKind.NOISE_FLOOR, message=noise, channel="A2")
    run = RunResult(id="R", kind="survey", axis="X", sweep=None, control=None, quality=(lost, noted))
    (finding,) = quality_findings(job(), (run,))
    assert (finding.severity, str(finding.where)) == (Severity.WARNING, "x.csv:1")
    assert finding.message == message("quality.left-out", channel="A1", run="R", why=clipped)


def test_a_resumption_is_a_finding():
    (finding,) = quality_findings(job(), (computed(resumed_log()),))
    assert finding.message.value("what").value("from_hz") == pytest.approx(65.0, rel=0.001)


def written(log: SweepLog, path, restart: int = 0):
    control, *responses = log.traces
    time = log.time_s - np.where(np.arange(len(log.time_s)) >= restart, log.time_s[restart], 0.0)
    names = ["time [s]", "frequency [Hz]", "C1 [g]"]
    columns = [time, log.frequency_hz, control.amplitude / G]
    for each in responses:
        names += [f"{each.channel} [g]", f"{each.channel} phase [deg]"]
        columns += [each.amplitude / G, each.phase_deg]
    rows = [",".join(f"{value:.6g}" for value in row) for row in zip(*columns, strict=True)]
    path.write_text("\n".join([",".join(names), *rows]) + "\n")
    return path


def loose(log: SweepLog) -> SweepLog:
    control, a1, a2 = log.traces
    gone = np.where(log.frequency_hz > 60.0, 0.2, 1.0)
    return replace(log, traces=(control, replace(a1, amplitude=a1.amplitude * gone), a2))


def test_a_quick_look_says_which_channel_it_left_out(tmp_path):
    """The channel was dropped in silence: the table had no row of it, and nothing said why."""
    said: list[str] = []
    quicklook(written(loose(swept(20.0, 160.0)), tmp_path / "x.csv"), None, said.append)
    assert any("channel A1" in line and "is left out" in line for line in said)
    assert any(line.split()[0] == "A2" for line in said if line.split())


def test_a_clock_that_starts_anew_at_a_resumption_goes_on(tmp_path):
    """Time was dropped, steady state assumed, and two modes more than there are were listed."""
    said: list[str] = []
    begun = len(swept(20.0, 75.0).frequency_hz)
    quicklook(written(resumed_log(), tmp_path / "x.csv", restart=begun), None, said.append)
    assert any("the clock starts anew" in line for line in said)
    assert sum(line.split()[0] == "A1" for line in said if line.split()) == 2
