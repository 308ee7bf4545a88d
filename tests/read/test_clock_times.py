"""Clocks coarser than the rows, and what the rest of the times is worth; whole formats are among the odd logs."""

from __future__ import annotations

import numpy as np
import pytest

from reportgen.read.log import read_bare_log
from reportgen.read.table.clock import read_clock
from reportgen.read.table.time_column import joined, spread
from reportgen.render.catalogue import said


def write(path, times, name="Uhrzeit"):
    count = len(times)
    frequency = np.geomspace(20.0, 400.0, count)
    rows = [f"{t},{f:.4f},0.5,{0.5 + i % 7 / 50:.3f}" for i, (t, f) in enumerate(zip(times, frequency, strict=True))]
    path.write_text(f"{name},frequency [Hz],C1 [g],A1 [g]\n" + "\n".join(rows) + "\n", encoding="utf-8")
    return path


def whole(t):
    return f"09:{14 + int(t) // 60:02}:{int(t) % 60:02}"


@pytest.mark.parametrize("interval", [0.1, 0.25, 0.37])
def test_whole_seconds_that_several_rows_share(tmp_path, interval):
    """Evenly spaced rows come back to within a hundredth of a second, up to the half second nobody can know."""
    true = np.arange(600) * interval
    log, _, findings = read_bare_log(write(tmp_path / "a.csv", [whole(t) for t in true]), None)
    off = log.time_s - true
    assert np.ptp(off) < 0.01 + 0.001 * true[-1]
    assert abs(np.polyfit(true, log.time_s, 1)[0] - 1.0) < 1e-3
    assert "the clock goes in steps of 1 s that several rows share" in said(findings[0].message)
    assert "evenly spaced rows explain every stamp" in said(findings[0].message)


def test_uneven_rows_are_spread_between_the_stamps_they_share():
    rng = np.random.default_rng(2)
    true = np.cumsum(rng.uniform(0.05, 0.25, 900) * (1 + np.arange(900) / 300))
    found = spread(np.floor(true))
    assert not found.evenly
    off = found.time_s - true
    assert np.max(np.abs(off - np.median(off))) < 1.0
    assert (np.diff(found.time_s) > 0).all()


def test_too_few_stamps_for_a_rate_are_not_used(tmp_path):
    path = write(tmp_path / "a.csv", [f"12.03.2026 09:{14 + i // 120}" for i in range(600)], "Datum/Zeit")
    log, _, findings = read_bare_log(path, None)
    assert log.time_s is None
    assert "in steps of 60 s, too few for a rate: time is not used" in said(findings[0].message)


def test_a_fine_clock_is_left_alone():
    assert spread(np.arange(100) * 0.5) is None
    assert spread(np.repeat(np.arange(100.0), 1)) is None


def test_pieces_of_a_clock_that_starts_anew_more_than_once():
    time = np.concatenate([np.arange(10), np.arange(8), np.arange(5)]) * 0.5
    found = joined(time)
    assert found.starts == (10, 18)
    assert found.time_s == pytest.approx(np.arange(23) * 0.5)
    assert joined(np.array([0.0, 0.5, 0.2, 0.7, 0.3, 0.8, 0.1])) is None
    assert joined(np.arange(9.0)) is None


def test_minutes_and_seconds_that_pass_the_hour_are_not_a_clock_that_was_set():
    found = read_clock(["59:59.5", "00:00.0", "00:00.5"])
    assert found.seconds.tolist() == [0.0, 0.5, 1.0]
    assert found.set_by_an_hour == ()


def test_zones_apart_from_their_times():
    for words in (["2026-03-12 09:14:00 +0100", "2026-03-12 09:14:00.5 +0100"], ["09:14:00 UTC", "09:14:00.5 UTC"]):
        assert read_clock(words).seconds.tolist() == [0.0, 0.5]


def test_a_pause_of_an_hour_that_begins_at_no_full_hour_is_a_pause():
    assert read_clock(["09:14:00", "09:14:01", "10:14:02", "10:14:03"]).seconds[-1] == 3603.0
