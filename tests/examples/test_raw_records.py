"""One run of the boom, kept as a recorder keeps it: from WAV and dataset 58 the same modes as from its sweep log."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import pyuff
from scipy.io import wavfile

from reportgen.bare_file import quicklook
from reportgen.pipeline import Settings, build_job
from tests.simulator.course import G, Table, sweep
from tests.simulator.examples import SURVEY_BOOM, boom
from tests.simulator.log_file import Dialect, write_sweep_log
from tests.simulator.recorder import Laboratory, Noise
from tests.simulator.time_history import Record, sweep_record

RATE_HZ = 1024.0
FULL_SCALE_G = {"C1": 2.0, "A1": 20.0, "A2": 20.0}
COURSE = sweep(5.0, 120.0, 2.0)
TABLE = Table(SURVEY_BOOM, ripple=0.01, seed=5)
STRUCTURE = boom()
JOB = """
[report]
number = "VTR-0147"
title = "A run from its raw record"
date = 2026-03-20
[laboratory]
name = "Vibration Laboratory"
[customer]
name = "Crane Monitoring Department"
[specimen]
name = "Sensor boom"
{channels}
[[run]]
id = "X-PRE"
kind = "survey"
axis = "X"
log = "{log}"
{columns}
"""


@pytest.fixture(scope="module")
def record() -> Record:
    """Two modes of the boom, noise on every sample, a little second and third harmonic on the table."""
    return sweep_record(STRUCTURE, COURSE, TABLE, RATE_HZ, noise=2e-3 * G, harmonics=(0.01, 0.005), seed=8)


def built(folder: Path, log: str, columns: dict[str, str], *, drive: bool) -> dict[str, list[dict]]:
    """Resonances by channel of a job with this log."""
    roles = {"C1": "control", "A1": "response", "A2": "response"} | ({"DRIVE": "drive"} if drive else {})
    channels = "\n".join(f'[[channel]]\nid = "{name}"\nrole = "{role}"' for name, role in roles.items())
    mapping = "\n".join(f'"{name}" = "{column}"' for name, column in columns.items())
    text = JOB.format(channels=channels, log=log, columns=f"[run.columns]\n{mapping}" if mapping else "")
    (folder / "job.toml").write_text(text, encoding="utf-8")
    result = build_job(folder, None, Settings(results_only=True))
    run = json.loads((result.folder / "results.json").read_bytes())["runs"][0]
    return {channel["id"]: channel["resonances"] for channel in run["channels"]}


@pytest.fixture(scope="module")
def from_log(tmp_path_factory: pytest.TempPathFactory):
    folder = tmp_path_factory.mktemp("log")
    quiet = Noise(floor=1e-4 * G, share=0.002)
    lab = Laboratory(row_s=0.1, control_noise=quiet, default_noise=quiet, seed=9)
    write_sweep_log(folder / "x.csv", lab.record(STRUCTURE, COURSE, TABLE), Dialect())
    return built(folder, "x.csv", {}, drive=False)


@pytest.fixture(scope="module")
def from_wav(record, tmp_path_factory: pytest.TempPathFactory):
    folder = tmp_path_factory.mktemp("wav")
    names = ["DRIVE", *FULL_SCALE_G]
    scaled = [record.channels[name] / (FULL_SCALE_G.get(name, 1.25 / G) * G) for name in names]
    wavfile.write(folder / "x.wav", int(RATE_HZ), np.stack(scaled, axis=1).astype(np.float32))
    columns = {"DRIVE": "channel 1 / (1.25 V)"}
    columns |= {name: f"channel {k} / ({scale:g} g)" for k, (name, scale) in enumerate(FULL_SCALE_G.items(), start=2)}
    return built(folder, "x.wav", columns, drive=True)


@pytest.fixture(scope="module")
def dataset_58(record, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("uff")
    datasets = []
    for k, (name, values) in enumerate(record.channels.items()):
        volts = name == "DRIVE"
        datasets.append(
            {
                "type": 58, "func_type": 1, "rsp_node": k + 1, "rsp_dir": 1, "ref_node": 0, "ref_dir": 0, "id1": name,
                "rsp_ent_name": name, "data": values, "x": record.time_s, "abscissa_spec_data_type": 17,
                "abscissa_spacing": 1, "abscissa_inc": 1.0 / RATE_HZ,
                "ordinate_spec_data_type": 0 if volts else 12, "orddenom_spec_data_type": 0,
                "ordinate_axis_units_lab": "V" if volts else "m/s^2", "abscissa_axis_units_lab": "s",
            }
        )  # fmt: skip
    pyuff.UFF(str(folder / "x.uff")).write_sets(datasets, "overwrite")
    return folder / "x.uff"


@pytest.fixture(scope="module")
def from_dataset_58(dataset_58: Path):
    return built(dataset_58.parent, dataset_58.name, {}, drive=True)


def test_a_quick_look_reads_a_record_as_well(dataset_58):
    said: list[str] = []
    quicklook(dataset_58, None, lambda line: said.append(str(line)))
    rows = [line.split() for line in said if line.lstrip().startswith("A1 ")]
    truth = [mode.frequency_hz for mode in STRUCTURE.modes[:2]]
    assert [float(row[1]) for row in rows] == pytest.approx(truth, rel=5e-4)
    assert said[-1] == f"curves: {dataset_58}.quicklook.html"


@pytest.mark.parametrize("source", ["from_wav", "from_dataset_58", "from_log"])
def test_modes_against_truth(source, request: pytest.FixtureRequest):
    for name, resonances in request.getfixturevalue(source).items():
        sensor = [each.id for each in STRUCTURE.sensors].index(name)
        assert len(resonances) == 2, name
        for k, resonance in enumerate(resonances):
            assert resonance["frequency_hz"] == pytest.approx(STRUCTURE.modes[k].frequency_hz, rel=5e-4)
            assert resonance["q"] == pytest.approx(STRUCTURE.modes[k].q, rel=0.02)
            assert resonance["amplification"] == pytest.approx(STRUCTURE.peak(sensor, k), rel=0.03)


@pytest.mark.parametrize("source", ["from_wav", "from_dataset_58"])
def test_raw_record_and_sweep_log_agree_within_their_uncertainties(source, from_log, request: pytest.FixtureRequest):
    for name, resonances in request.getfixturevalue(source).items():
        for raw, log in zip(resonances, from_log[name], strict=True):
            for key, std in (("frequency_hz", "frequency_std_hz"), ("q", "q_std")):
                # Four standard deviations of the difference: met by chance in all but one of sixteen thousand.
                allowed = 4.0 * np.hypot(raw[std], log[std])
                assert abs(raw[key] - log[key]) < allowed, (name, key)
