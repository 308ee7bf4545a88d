# ruff: noqa: E501 — tables of cases, one a line
"""Dates of a job held against each other: after before before, a report older than its test, calibration to come."""

from __future__ import annotations

from datetime import date

import pytest

from reportgen.judge.checks import CHECKS
from reportgen.pipeline import check_job
from reportgen.read.job.job_dates import date_findings
from reportgen.read.job.job_file import read_job
from reportgen.records.finding import Severity
from reportgen.render.catalogue import said
from reportgen.render.terminal import finding_line

ROWS = "time [s],frequency [Hz],C1 [g],A1 [g]\n" + "".join(f"{i},{10 + i},0.5,0.{i}\n" for i in range(10, 40))
JOB = """[report]
number = "1"
title = "T"
date = {issued}
[laboratory]
name = "L"
[customer]
name = "C"
[specimen]
name = "S"
received = {received}
[[instrument]]
id = "I1"
calibrated = {calibrated}
due = 2028-01-01
[[inspection]]
when = "{inspected}, after the sweep"
what = "visual"
result = "pass"
[[run]]
id = "PRE"
kind = "survey"
axis = "X"
log = "a.csv"
started = {pre}
[[run]]
id = "SWEEP"
kind = "sweep"
axis = "X"
log = "b.csv"
started = {sweep}
[[run]]
id = "POST"
kind = "survey"
axis = "X"
log = "c.csv"
started = {post}
[[requirement]]
id = "R1"
check = "frequency shift"
before = "PRE"
after = "POST"
limit = "5 %"
"""
SOUND = {
    "issued": "2026-03-20", "received": "2026-03-01", "calibrated": "2026-01-10", "inspected": "2026-03-12",
    "pre": "2026-03-12T09:00:00", "sweep": "2026-03-12T10:00:00", "post": "2026-03-12T11:00:00",
}  # fmt: skip


def findings(folder, **dates):
    (folder / "job.toml").write_text(JOB.format(**SOUND | dates), encoding="utf-8")
    for name in "abc":
        (folder / f"{name}.csv").write_text(ROWS, encoding="utf-8")
    _, found = read_job(folder, CHECKS)
    return [
        finding_line(each)
        for each in found
        if "profile" not in said(each.message) and "control" not in said(each.message)
    ]


def test_sound_dates_say_nothing(tmp_path):
    assert findings(tmp_path) == []
    assert date_findings({"run": "x", "instrument": [{"calibrated": "soon"}]}, lambda *_: "job.toml:1") == ()


@pytest.mark.parametrize(
    ("dates", "said"),
    [
        ({"post": "2026-03-12T08:00:00"}, "job.toml:42: error: [[requirement]] R1: run POST, the one after, started at"),
        ({"post": "2026-03-12T09:00:00"}, "job.toml:42: error: [[requirement]] R1: run POST, the one after, started at"),
        ({"post": "2026-03-12T09:30:00"}, "job.toml:42: warning: [[requirement]] R1: no sweep or dwell was run between"),
        ({"pre": "2026-03-12T10:30:00"}, "job.toml:42: warning: [[requirement]] R1: no sweep or dwell was run between"),
        ({"issued": "2026-03-11", "inspected": "2026-03-10"}, "job.toml:25: error: [[run]] PRE started on 12 March 2026"),
        ({"calibrated": "2026-03-25"}, "job.toml:14: warning: [[instrument]] I1 was calibrated on 25 March 2026, after the"),
        ({"calibrated": "2026-03-15"}, "job.toml:14: warning: [[instrument]] I1 was calibrated on 15 March 2026, after [["),
        ({"received": "2026-03-13"}, "job.toml:11: warning: [specimen] was received on 13 March 2026, after [[run]] PRE"),
        ({"inspected": "2026-04-01"}, "job.toml:17: warning: [[inspection]] 1 is of 1 April 2026, after the report's date"),
        ({"sweep": "2026-03-12T11:00:00"}, "job.toml:37: warning: [[run]] POST started at 2026-03-12 11:00, as [[run]]"),
    ],
)  # fmt: skip
def test_dates_that_contradict_each_other(tmp_path, dates, said):
    found = findings(tmp_path, **dates)
    assert any(each.startswith(said) for each in found), found


def test_a_run_in_the_future_is_told_by_check_and_does_not_change_a_build(tmp_path):
    assert findings(tmp_path) == []
    told = [
        each for each in check_job(tmp_path, today=date(2026, 3, 11)).findings if "still to come" in said(each.message)
    ]
    assert [each.severity for each in told] == [Severity.WARNING] * 4
    assert "[[run]] PRE started on 12 March 2026, which is still to come (today is 11 March 2026)" in said(
        told[0].message
    )
    assert not [e for e in check_job(tmp_path, today=date(2026, 3, 20)).findings if "still to come" in said(e.message)]
