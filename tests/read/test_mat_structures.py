"""Structures and cell arrays of MAT files, written by scipy.io (v5) and, as v7.3 has them, by h5py."""

from __future__ import annotations

import tomllib

import h5py
import numpy as np
import pytest
import scipy.io

from reportgen.errors import ReadError
from reportgen.read.describe_record import describe_record
from reportgen.read.time_history import open_recording, read_time_history
from reportgen.render.catalogue import said
from tests.archive.words import telling
from tests.shared import SHARED

G = 9.80665
N, RATE = 2000, 1024.0
T = np.arange(N) / RATE
A = np.random.default_rng(1).normal(size=(N, 3))
JOINTED = SHARED / "real/jointed_beam"


def pasted(path):
    """The record as the mapping that inspect offers reads it."""
    text = describe_record(path, said)
    mapping = tomllib.loads(text[text.index("[run.columns]") :])["run"]["columns"]
    history, findings = read_time_history(path, path.name, list(mapping.items()))
    assert history is not None, findings
    return history


STRUCTURES = {
    "one_structure": {"data": {"time": T, "acc1": A[:, 0], "acc2": A[:, 1], "units": "s, g"}},
    "rows_not_columns": {"data": {"t": T[None, :], "acc1": A[None, :, 0], "acc2": A[None, :, 1], "unit": "g"}},
    "rate_in_the_structure": {"run": {"fs": RATE, "signals": {"x": A[:, 0], "y": A[:, 1], "units": "g"}}},
    "rate_beside": {"fs": RATE, "run": {"inner": {"deep": {"x": A[:, 0], "y": A[:, 1], "unit": "g"}}}},
    "a_matrix_inside": {"run": {"dt": 1 / RATE, "y": A[:, :2], "units": "g"}},
    "words_beside": {
        "info": {"who": "N. N.", "when": "today"},
        "run": {"fs": RATE, "x": A[:, 0], "y": A[:, 1], "unit": "g"},
    },
}


@pytest.mark.parametrize("name", STRUCTURES)
def test_structures_are_walked_and_offered_by_path(tmp_path, name):
    path = tmp_path / "a.mat"
    scipy.io.savemat(path, STRUCTURES[name])
    history = pasted(path)
    assert history.sample_rate_hz == pytest.approx(RATE)
    np.testing.assert_allclose(history.read(), A[:, :2] * G, atol=1e-9)


def test_cells_are_walked_and_numbered_from_one(tmp_path):
    cell = np.empty(2, dtype=object)
    cell[0] = {"t": T, "y": A[:, 0]}
    cell[1] = {"t": T, "y": A[:, 1]}
    path = tmp_path / "a.mat"
    scipy.io.savemat(path, {"sensors": cell})
    history, findings = read_time_history(path, "a.mat", [("A1", "sensors{2}.y / g")])
    assert history is not None, findings
    np.testing.assert_allclose(history.read()[:, 0], A[:, 1] * G, atol=1e-9)


def test_a_structure_array_is_numbered(tmp_path):
    array = np.zeros(2, dtype=[("y", object), ("fs", object)])
    for k in range(2):
        array[k] = (A[:, k], RATE)
    path = tmp_path / "a.mat"
    scipy.io.savemat(path, {"run": array})
    assert [each.name for each in open_recording(path, "a.mat").channels] == ["run[1].y", "run[2].y"]


def test_of_structures_with_other_rates_the_most_common_is_taken_and_the_rest_said(tmp_path):
    path = tmp_path / "a.mat"
    scipy.io.savemat(path, {
        "fast": {"fs": 4 * RATE, "y": A[:, 2]}, "one": {"fs": RATE, "y": A[:, 0]}, "two": {"fs": RATE, "y": A[:, 1]},
    })  # fmt: skip
    recording = open_recording(path, "a.mat")
    assert [each.name for each in recording.channels] == ["one.y", "two.y"]
    assert recording.sample_rate_hz == RATE
    assert any("fast.y: 2000 samples at 4096 Hz" in said(text) for text in recording.refused)


def test_readings_against_frequency_say_the_way_out(tmp_path):
    path = tmp_path / "a.mat"
    scipy.io.savemat(path, {"FR": {"frequency": np.linspace(10, 20, 41), "force": A[:41, 0], "phase": A[:41, 1]}})
    with telling(ReadError, match=r"against frequency.*write one table a run"):
        open_recording(path, "a.mat")


def test_no_numbers_of_length_says_what_is_longest(tmp_path):
    path = tmp_path / "a.mat"
    scipy.io.savemat(path, {"cfg": {"gain": [1.0, 2.0, 3.0]}})
    with telling(ReadError, match=r"the longest, cfg\.gain, has 3 values"):
        open_recording(path, "a.mat")


def version_7_3(path):
    """What MATLAB's v7.3 holds: groups for structures, references for cells, characters as 16-bit numbers."""
    with h5py.File(path, "w", userblock_size=512) as file:
        refs = file.create_group("#refs#")
        for k, name in enumerate("ab"):
            element = refs.create_group(name)
            element["y"] = A[None, :, k]
            element["t"] = T[None, :]
        cell = file.create_dataset("sensors", (1, 2), dtype=h5py.ref_dtype)
        cell[0, 0], cell[0, 1] = refs["a"].ref, refs["b"].ref
        cell.attrs["MATLAB_class"] = np.bytes_("cell")
        run = file.create_group("run")
        run["acc"], run["fs"] = A[None, :, 2], RATE
        words = run.create_dataset(
            "comment", data=np.frombuffer("a comment of more than 16".encode("utf-16-le"), "u2")[:, None]
        )
        words.attrs["MATLAB_class"] = np.bytes_("char")


def test_version_7_3_with_cells_structures_and_words(tmp_path):
    path = tmp_path / "a.mat"
    version_7_3(path)
    names = [each.name for each in open_recording(path, "a.mat").channels]
    assert sorted(names) == ["/run/acc", "/sensors{1}/y", "/sensors{2}/y"]
    history, findings = read_time_history(path, "a.mat", [("A1", "/sensors{2}/y / g"), ("A2", "/run/acc / g")])
    assert history is not None, findings
    assert history.sample_rate_hz == pytest.approx(RATE)
    np.testing.assert_allclose(history.read(), A[:, [1, 2]] * G, atol=1e-9)


@pytest.mark.skipif(not JOINTED.exists(), reason="the measured jointed beam is not on this machine")
def test_the_measured_records_are_read_or_refused_with_the_way_out():
    history = pasted(JOINTED / "HammerImpact.mat")
    assert history.samples == 65536
    assert history.sample_rate_hz == 12800
    assert history.display_units == ("m/s²",) * 3
    with telling(ReadError, match="write one table a run"):
        open_recording(JOINTED / "ForcedFrequencyResponses.mat", "f.mat")
