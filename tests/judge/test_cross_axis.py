"""Motion across the axis of a run: told where channels are named, a deviation where the job states a limit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from reportgen.compute.sweep.cross_axis import with_cross_axis
from reportgen.judge.checks import CHECKS
from reportgen.judge.deviations import find_deviations
from reportgen.read.job.job_file import read_job
from reportgen.records.deviation import DeviationCode
from reportgen.records.message import message
from reportgen.records.result import IssueKind, QualityIssue
from reportgen.render.results import encoded
from tests.judge.small_job import small_job as small

ACROSS = ['id = "A2"\n', 'id = "A2"\ndirection = "+Y"\n']
LOG = 'log = "pre.csv"\n'


def job_of(folder, keys: str, across=ACROSS):
    return small.small_job(folder, [across, [LOG, LOG + keys]])


def crossed(found, change=lambda run: run):
    run = change(found.runs[0])
    return with_cross_axis(found.job.runs[0], run)


def deviations(found, run):
    every, _ = find_deviations(found.job, (run, *found.runs[1:]), (), ())
    return [each for each in every if each.code is DeviationCode.CROSS_AXIS]


def test_the_largest_ratio_is_told_with_its_frequency(tmp_path):
    """Against the closed form of the rows: 1 + the sum of the modes (Ewins, Modal Testing)."""
    found = job_of(tmp_path, 'cross = ["A2"]\n')
    (one,) = crossed(found).cross
    f = np.linspace(10.0, 1000.0, 200_001)
    modes = ((120.0, 25.0, 0.6), (420.0, 30.0, -0.8))
    modal = [share * (f / f0) ** 2 / (1 - (f / f0) ** 2 + 1j * f / f0 / q) for f0, q, share in modes]
    true = np.abs(1.0 + np.sum(modal, axis=0))
    assert one.at_hz == pytest.approx(f[np.argmax(true)], rel=0.01)
    assert one.ratio == pytest.approx(true.max(), rel=0.1)
    assert (one.limit, one.outside_bands) == (None, ())


def test_without_a_limit_it_is_no_deviation(tmp_path):
    found = job_of(tmp_path, 'cross = ["A2"]\n')
    assert deviations(found, crossed(found)) == []


@pytest.mark.parametrize(("limit", "number"), [("50 %", 1), ("10000 %", 0)])
def test_beyond_a_stated_limit_it_is_a_deviation(limit, number, tmp_path):
    found = job_of(tmp_path, f'cross = ["A2"]\ncross_axis = "{limit}"\n')
    run = crossed(found)
    told = deviations(found, run)
    assert len(told) == number
    for each in told:
        assert each.value == pytest.approx(100.0 * run.cross[0].ratio)
        assert any(low <= run.cross[0].at_hz <= high for low, high in each.bands_hz)


def test_an_unsound_channel_has_a_reason_and_no_ratio(tmp_path):
    found = job_of(tmp_path, 'cross = ["A2"]\ncross_axis = "50 %"\n')
    issue = QualityIssue(
        kind=IssueKind.CLIPPING, channel="A2", spoils=True, message=message("as-written", text="clipped")
    )
    run = crossed(found, lambda run: replace(run, quality=(issue,)))
    assert run.cross[0].ratio is None
    assert run.cross[0].reason is not None
    assert deviations(found, run) == []


def test_a_channel_without_reading_has_a_reason(tmp_path):
    found = job_of(tmp_path, 'cross = ["A2"]\n')
    (one,) = crossed(found, lambda run: replace(run, channels=run.channels[:1])).cross
    assert (one.ratio, one.reason.code) == (None, "cross.not-logged")


def test_results_hold_it_only_where_channels_are_named(tmp_path):
    found = job_of(tmp_path, 'cross = ["A2"]\n')
    assert encoded(crossed(found))["cross"][0]["channel"] == "A2"
    assert "cross" not in encoded(found.runs[1])


def test_a_limit_may_differ_from_band_to_band(tmp_path):
    """The mode at 120 Hz is the higher one; only above 200 Hz is the limit so low that it is exceeded."""
    bands = '[{ band = ["10 Hz", "200 Hz"], limit = "10000 %" }, { band = ["200 Hz", "1000 Hz"], limit = "150 %" }]'
    found = job_of(tmp_path, f'cross = ["A2"]\ncross_axis = {bands}\n')
    run = crossed(found)
    (one,) = run.cross
    assert one.limit == pytest.approx(1.5)
    assert one.at_hz == pytest.approx(420.0, rel=0.02)
    assert all(low >= 200.0 for low, _ in one.outside_bands)
    assert len(deviations(found, run)) == 1


def test_beyond_the_last_band_nothing_is_judged(tmp_path):
    keys = 'cross = ["A2"]\ncross_axis = [{ band = ["10 Hz", "20 Hz"], limit = "10000 %" }]\n'
    (one,) = crossed(job_of(tmp_path, keys)).cross
    assert one.outside_bands == ()
    assert one.at_hz <= 20.0
    assert one.reason is None


def test_a_limit_of_a_band_that_was_not_travelled_is_told(tmp_path):
    """Fault: it was left out in silence, and the table read as if the job stated none."""
    keys = 'cross = ["A2"]\ncross_axis = [{ band = ["3000 Hz", "4000 Hz"], limit = "50 %" }]\n'
    (one,) = crossed(job_of(tmp_path, keys)).cross
    assert one.ratio is not None
    assert (one.limit, one.reason.code) == (None, "cross.not-reached")


@pytest.mark.parametrize(
    ("keys", "direction", "code"),
    [
        ('cross = ["A9"]\n', "+Y", "cross.unknown"),
        ('cross = ["C1"]\n', "+Y", "cross.no-response"),
        ('cross = ["A2"]\n', "-X", "cross.along"),
        ('cross = ["A1"]\n', "+Y", "cross.direction-unknown"),
        ('cross_axis = "50 %"\n', "+Y", "cross.limit-alone"),
        ('cross = ["A2"]\n', "+Y", "cross.decay"),
        ('cross = ["A2"]\ncross_axis = [{ band = ["10 Hz", "20 Hz"] }]\n', "+Y", "job.value"),
        ('cross = ["A2"]\ncross_axis = []\n', "+Y", "job.value"),
    ],
)
def test_what_lies_not_across_is_an_error(keys, direction, code, tmp_path):
    text = (small.HERE / "job.toml").read_text(encoding="utf-8")
    text = text.replace(ACROSS[0], ACROSS[1].replace("+Y", direction), 1).replace(LOG, LOG + keys, 1)
    if code == "cross.decay":
        text = text.replace('kind = "survey"', 'kind = "decay"', 1)
    (tmp_path / "job.toml").write_text(text, encoding="utf-8")
    _, findings = read_job(tmp_path, CHECKS)
    assert code in {each.message.code for each in findings}
