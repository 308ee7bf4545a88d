"""Every kind of dataset 58 as pyuff writes it, text and binary: read as meant, or refused with the way out."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest
import pyuff

from reportgen.bare_file import quicklook
from reportgen.errors import ReadError
from reportgen.read.describe_record import describe_record
from reportgen.read.log import read_bare_log
from reportgen.read.time_history import open_recording
from reportgen.records.log import SweepLog, TimeHistory
from reportgen.render.catalogue import said
from tests.archive.words import telling
from tests.shared import SHARED

FREE_BEAM = SHARED / "real/free_beam"
F = np.arange(1001) * 0.25
KINDS = {0: "general", 2: "auto spectrum", 3: "cross", 6: "coherence", 9: "power spectral density"}


def response(f, modes=((60.0, 80.0), (141.0, 120.0))):
    """Accelerance of damped modes, m/s² per N."""
    return sum(-(f**2) / (f0**2 - f**2 + 1j * f0 * f / q) for f0, q in modes)


def written(path, sets, binary=0):
    """Sets of (function, node, direction, data, further fields) in one file."""
    uff = pyuff.UFF(str(path))
    for k, (function, node, direction, data, more) in enumerate(sets):
        fields = {
            "type": 58, "binary": binary, "func_type": function, "rsp_node": node, "rsp_dir": direction, "ref_node": 1,
            "ref_dir": 3, "data": data, "x": F[: len(data)], "n_bytes": 0,
            "id1": f"record {k + 1}", "rsp_ent_name": "beam",
            "ref_ent_name": "beam", "abscissa_spec_data_type": 18, "ordinate_spec_data_type": 12,
            "orddenom_spec_data_type": 13, "abscissa_axis_units_lab": "Hz", "ordinate_axis_units_lab": "m/s^2",
            "orddenom_axis_units_lab": "N",
        }  # fmt: skip
        uff.write_sets({**fields, **more}, mode="add")  # its "overwrite" loses what it wrote before binary numbers
    return path


@pytest.mark.parametrize("binary", [0, 1])
def test_frequency_responses_become_rows_with_their_reference(tmp_path, binary):
    path = written(tmp_path / "a.uff", [(4, 7, 3, response(F), {}), (4, 8, -1, 0.5 * response(F), {})], binary)
    log, controls, findings = read_bare_log(path, None)
    assert isinstance(log, SweepLog), findings
    assert controls == ("reference 1+Z",)
    assert [each.channel for each in log.traces] == ["reference 1+Z", "7+Z", "8-X"]
    assert any("over a reference of 1 N" in said(each.message) for each in findings)
    np.testing.assert_allclose(log.frequency_hz, F[1:])
    np.testing.assert_allclose(log.traces[2].amplitude, np.abs(0.5 * response(F[1:])), rtol=1e-5)
    turned = np.exp(1j * np.radians(log.traces[1].phase_deg))
    np.testing.assert_allclose(turned, np.exp(1j * np.angle(response(F[1:]))), atol=1e-4)


@pytest.mark.parametrize("kind, power", [(8, 2), (11, 1)])
def test_receptance_and_mobility_become_accelerance(tmp_path, kind, power):
    """Specific data types 8 and 11 are displacement and velocity (universal file format, dataset 58)."""
    data = np.divide(response(F), (2j * np.pi * F) ** power, out=np.zeros(len(F), complex), where=F > 0)
    told = {"ordinate_spec_data_type": kind, "ordinate_axis_units_lab": "NONE"}
    path = written(tmp_path / "a.uff", [(4, 7, 3, data, told)])
    log, _, _ = read_bare_log(path, None)
    np.testing.assert_allclose(log.traces[1].amplitude, np.abs(response(F[1:])), rtol=1e-4)


def test_their_resonances_are_found_by_the_quick_look(tmp_path):
    path = written(tmp_path / "a.uff", [(4, 7, 3, response(F), {})])
    said: list[str] = []
    quicklook(path, None, lambda line: said.append(str(line)))
    rows = [line.split() for line in said if line.lstrip().startswith("7+Z ")]
    assert [float(row[1]) for row in rows] == pytest.approx([60.0, 141.0], rel=1e-3)


def test_another_reference_is_said_and_not_mixed(tmp_path):
    other = (4, 9, 3, response(F), {"ref_node": 2})
    path = written(tmp_path / "a.uff", [(4, 7, 3, response(F), {}), (4, 8, 3, response(F), {}), other])
    log, _, findings = read_bare_log(path, None)
    assert [each.channel for each in log.traces[1:]] == ["7+Z", "8+Z"]
    assert any("set 3: a frequency response of another reference" in said(each.message) for each in findings)


def test_the_offered_mapping_of_responses_can_be_pasted(tmp_path):
    from reportgen.read.formats.frequency_responses import read_frequency_responses

    path = written(tmp_path / "a.uff", [(4, 7, 3, response(F), {}), (4, 8, 3, response(F), {})])
    text = describe_record(path, said)
    mapping = tomllib.loads(text[text.index("[run.columns]") :])["run"]["columns"]
    log, findings = read_frequency_responses(path, "a.uff", list(mapping.items()))
    assert log is not None, findings
    assert [each.channel for each in log.traces[1:]] == ["A1", "A2"]


@pytest.mark.parametrize("binary", [0, 1])
@pytest.mark.parametrize("function", KINDS)
@pytest.mark.parametrize("complex_values", [False, True])
def test_spectra_are_refused_by_their_name_with_the_way_out(tmp_path, function, complex_values, binary):
    data = np.abs(response(F)) * (1j if complex_values else 1.0)
    path = written(tmp_path / "a.uff", [(function, 7, 3, data, {})], binary)
    with telling(ReadError, match=rf"{KINDS[function]}.*export time responses or frequency responses"):
        open_recording(path, "a.uff")


@pytest.mark.parametrize("binary", [0, 1])
def test_spectra_beside_time_responses_are_said(tmp_path, binary):
    time = {"x": np.arange(1001) / 512.0, "abscissa_spec_data_type": 17, "abscissa_axis_units_lab": "s"}
    path = written(tmp_path / "a.uff", [(1, 7, 3, np.sin(F), time), (9, 7, 3, np.abs(response(F)), {})], binary)
    log, _, findings = read_bare_log(path, None)
    assert isinstance(log, TimeHistory)
    assert log.sample_rate_hz == pytest.approx(512.0)
    assert any("power spectral density" in said(each.message) for each in findings)


@pytest.mark.skipif(not FREE_BEAM.exists(), reason="the measured free beam is not on this machine")
def test_a_unit_in_utf_8_is_read():
    recording = open_recording(FREE_BEAM / "time-history-not-all-columns-filled.uff", "a.uff")
    assert recording.channels[0].unit == "m/s²"
    assert recording.samples == 13


@pytest.mark.skipif(not FREE_BEAM.exists(), reason="the measured free beam is not on this machine")
def test_a_measured_density_says_what_it_is():
    with telling(ReadError, match="a power spectral density"):
        open_recording(FREE_BEAM / "sample_dataset58_psd.uff", "a.uff")
