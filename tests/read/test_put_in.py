"""Readings put in and samples taken anew of known sinusoids: the error stays within what the report states of it."""

from __future__ import annotations

import io

import numpy as np
import pytest
import scipy.io

from reportgen.read.time_history import read_time_history
from reportgen.render.catalogue import said

G = 9.80665
ROWS, RATE = 2000, 1000.0
LONG = np.round(np.concatenate([[0.0], np.cumsum(np.where(np.arange(ROWS - 1) % 7 == 3, 2.5e-3, 0.75e-3))]), 9)
"""A clock that pauses at every seventh sample: intervals of 0.75 and 2.5 ms."""
SPREAD = np.concatenate([[0.0], np.cumsum(1e-3 * (1.0 + 0.8 * np.random.default_rng(3).uniform(-1, 1, ROWS - 1)))])
"""A clock whose intervals lie anywhere between 0.2 and 1.8 ms."""


def read(folder, times, frequency_hz, blank=(), phase=0.3):
    """What is read of a sinusoid of 1 g, in g, the truth at its moments, and what is said."""
    motion = np.sin(2 * np.pi * frequency_hz * times + phase)
    cells = ["" if row in blank else f"{each:.12g}" for row, each in enumerate(motion)]
    lines = [f"{moment:.12f},{cell}" for moment, cell in zip(times, cells, strict=True)]
    (folder / "a.csv").write_text("\n".join(["time [s],A1 [g]", *lines]) + "\n", encoding="utf-8")
    history, findings = read_time_history(folder / "a.csv", "a.csv")
    assert history is not None, findings
    moments = times[0] + np.arange(history.samples) / history.sample_rate_hz
    told = " ".join(said(each.message) for each in findings)
    return history.read()[:, 0] / G, np.sin(2 * np.pi * frequency_hz * moments + phase), told


@pytest.mark.parametrize("times", [LONG, SPREAD], ids=["pauses", "spread"])
def test_samples_taken_anew_are_as_good_as_is_said(tmp_path, times):
    """5/384 (ω h)⁴ bounds the error of a cubic spline, h being the longest interval (Hall and Meyer, 1976)."""
    longest = float(np.diff(times).max())
    for share in (1.0, 0.5):
        frequency_hz = share * 0.149 / longest
        found, truth, told = read(tmp_path, times, frequency_hz)
        assert np.max(np.abs(found - truth)) <= 5.0 / 384.0 * (2 * np.pi * frequency_hz * longest) ** 4
        assert f"good to 1\xa0% up to {0.149 / longest:.3g} Hz" in told


def test_blank_readings_of_an_uneven_clock_are_put_in_where_they_belong(tmp_path):
    """Fault: they were put in as if rows lay evenly, off by a quarter at 40 Hz where 1 % was said up to 60 Hz."""
    blank = {*range(50, ROWS - 50, 202), *range(51, ROWS - 50, 404)}
    found, truth, told = read(tmp_path, LONG, 40.0, blank)
    assert "blank" in told
    assert np.max(np.abs(found - truth)) < 0.01


@pytest.mark.parametrize("blank", [{999}, {1000}, {1001}, {998}, {999, 1000}, {1000, 1001}])
def test_blank_readings_beside_a_lost_sample_are_as_good_as_is_said(tmp_path, blank):
    """Fault: neighbours beyond a lost sample were taken for one sample nearer, off by 5 to 16 % at 50 Hz."""
    times = np.delete(np.arange(ROWS), 1000) / RATE
    found, truth, told = read(tmp_path, times, 50.0, blank)
    assert "1 sample is missing" in told
    assert np.max(np.abs(found - truth)) < 0.01


def test_the_frequency_said_of_blank_readings_falls_with_the_distance_of_their_neighbours(tmp_path):
    """Two blank readings around a lost one: |(t − t₁) … (t − t₄)| = 2 · 1 · 3 · 4 samples⁴, by hand."""
    times = np.delete(np.arange(ROWS), 1000) / RATE
    for blank, product in (({999, 1000}, 2.0 * 1.0 * 3.0 * 4.0), ({500, 501}, 2.0 * 1.0 * 2.0 * 3.0)):
        expected_hz = (24.0 * 0.01 / product) ** 0.25 * RATE / (2.0 * np.pi)
        assert f"up to {expected_hz:.3g} Hz" in read(tmp_path, times, 20.0, blank)[2]


def test_a_told_rate_makes_labels_of_the_times_of_a_mat_file(tmp_path):
    """Fault: the remedy that the report names for a labelled clock was not heard: samples were still taken anew."""
    even = np.arange(ROWS) / RATE
    motion = np.sin(2 * np.pi * 100.0 * even)
    content = io.BytesIO()
    scipy.io.savemat(content, {"t": SPREAD, "data": motion[:, None], "unit": "g"})
    (tmp_path / "a.mat").write_bytes(content.getvalue())
    history, findings = read_time_history(tmp_path / "a.mat", "a.mat", [("sample rate", "1 kHz"), ("A1", "data / g")])
    assert history is not None, findings
    np.testing.assert_allclose(history.read()[:, 0] / G, motion, atol=1e-9)
    assert history.sample_rate_hz == RATE
    assert not any("uneven" in said(each.message) for each in findings)


def test_blank_readings_of_a_file_without_a_rate_are_told(tmp_path):
    """Fault: where the job told the rate of a MAT file, readings were put in without a word."""
    motion = np.sin(2 * np.pi * 20.0 * np.arange(ROWS) / RATE)
    motion[70] = np.nan
    content = io.BytesIO()
    scipy.io.savemat(content, {"data": motion[:, None], "unit": "g"})
    (tmp_path / "a.mat").write_bytes(content.getvalue())
    _, findings = read_time_history(tmp_path / "a.mat", "a.mat", [("sample rate", "1 kHz"), ("A1", "data / g")])
    assert any("1 reading is blank" in said(each.message) for each in findings)
