"""A small job in every file format that is read: raw material for damage. Its numbers are invented, none is checked."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import numpy as np

JOB_FILE = """# Monitoring unit of a harbour crane
[report]
number = "VTR-0201"
title = "Sine vibration of a monitoring unit"
date = 2026-03-20

[laboratory]
name = "Harbour Test House"

[customer]
name = "Quayside Instruments"

[specimen]
name = "Monitoring unit"
mass = "1.2 kg"

[specimen.beam]
boundary = "clamped-free"
length = "420 mm"

[[instrument]]
id = "ACC-1"
calibrated = 2026-01-10
due = 2027-01-10
expanded_uncertainty = "1.5 %"

[[channel]]
id = "C1"
role = "control"
instrument = "ACC-1"

[[channel]]
id = "A1"
role = "response"
instrument = "ACC-1"

[[profile]]
id = "SURVEY"
sweep_rate = "2 oct/min"
breakpoints = [["20 Hz", "0.5 g"], ["500 Hz", "0.5 g"]]
tolerance = "10 %"

[[run]]
id = "X-PRE"
kind = "survey"
axis = "X"
log = "logs/LOG"
started = 2026-03-12T09:14:00
profile = "SURVEY"
COLUMNS

[[requirement]]
id = "R1"
check = "lowest natural frequency"
run = "X-PRE"
limit = "50 Hz"

[[requirement]]
id = "R2"
check = "calibration"

[[correction]]
run = "X-PRE"
channel = "A1"
frequency = "50 Hz"
action = "reject"
reason = "mains pick-up"
by = "Test engineer"
"""

NOTES = """12.03.2026 09:14 X-PRE survey begun
118 Hz: 1 node at 0.77 L
strobe 117 Hz, appears at 1 Hz
level -6 dB
deviation: the lamp over the table failed at 09:20
torsion at 240 Hz; nodes at 212 mm, 366 mm
"""

Log = tuple[str, bytes, str]
"""File name, content, and the lines that name its columns in the job file."""


def _rows(count: int = 60) -> dict[str, np.ndarray]:
    frequency = np.geomspace(20.0, 500.0, count)
    ratio = frequency / 118.0
    response = (1 + 1j * ratio / 20.0) / (1 - ratio**2 + 1j * ratio / 20.0)
    return {
        "time [s]": np.log2(frequency / 20.0) * 30.0,
        "frequency [Hz]": frequency,
        "C1 [g]": np.full(count, 0.5),
        "A1 [g]": 0.5 * np.abs(response),
        "A1 phase [deg]": np.degrees(np.angle(response)),
    }


def _text(delimiter: str = ",", decimal: str = ".") -> str:
    columns = _rows()
    lines = ["# recorded at table 2", delimiter.join(columns)]
    for row in zip(*columns.values(), strict=True):
        lines.append(delimiter.join(f"{value:.6g}".replace(".", decimal) for value in row))
    return "\n".join(lines) + "\n"


def comma_log() -> Log:
    return "x.csv", _text().encode(), ""


def semicolon_log() -> Log:
    return "x.txt", _text(";", ",").replace("\n", "\r\n").encode("cp1252"), ""


def utf16_log() -> Log:
    return "x.tsv", _text("\t").encode("utf-16"), ""


def sheet_log() -> Log:
    import openpyxl

    book = openpyxl.Workbook()
    columns = _rows(40)
    book.active.append(list(columns))
    for row in zip(*columns.values(), strict=True):
        book.active.append([float(value) for value in row])
    stream = io.BytesIO()
    book.save(stream)
    return "x.xlsx", stream.getvalue(), ""


def _history(seconds: float = 4.0, rate: float = 1000.0) -> np.ndarray:
    time = np.arange(int(seconds * rate)) / rate
    phase = 2 * np.pi * (20.0 * time + 12.0 * time**2)
    return np.column_stack([0.5 * np.sin(phase), 0.8 * np.sin(phase - 1.0)])


def wave_log() -> Log:
    import soundfile

    stream = io.BytesIO()
    soundfile.write(stream, _history(), 1000, format="WAV", subtype="FLOAT")
    return "x.wav", stream.getvalue(), '[run.columns]\n"C1" = "channel 1 / (1 g)"\n"A1" = "channel 2 / (1 g)"\n'


def hdf5_log() -> Log:
    import h5py

    stream = io.BytesIO()
    with h5py.File(stream, "w") as file:
        file.attrs["sample_rate"] = 1000.0
        for name, column in zip(("control", "response"), _history().T, strict=True):
            data = file.create_dataset(f"run/{name}", data=column, compression="gzip")
            data.attrs["sample_rate"] = 1000.0
            data.attrs["unit"] = "g"
    return "x.h5", stream.getvalue(), '[run.columns]\n"C1" = "run/control / g"\n"A1" = "run/response / g"\n'


def mat_log() -> Log:
    from scipy.io import savemat

    stream = io.BytesIO()
    history = _history()
    savemat(stream, {"c1": history[:, 0], "a1": history[:, 1], "fs": 1000.0})
    return "x.mat", stream.getvalue(), '[run.columns]\n"C1" = "c1 / g"\n"A1" = "a1 / g"\n'


def universal_log() -> Log:
    parts = []
    for number, column in enumerate(_history().T, start=1):
        head = [
            "    -1",
            "    58",
            f"channel {number}",
            "NONE",
            "12-Mar-26 09:14:00",
            "NONE",
            "NONE",
            f"    1         {number}    0         0  NONE               {number}   3  NONE               0   0",
            f"         4{len(column):10d}         1  0.00000E+00  1.00000E-03  0.00000E+00",
            "        17    0    0    0 Time                 s                   ",
            "        12    0    0    0 Acceleration         g                   ",
            "         0    0    0    0 NONE                 NONE                ",
            "         0    0    0    0 NONE                 NONE                ",
        ]
        rows = [column[i : i + 4] for i in range(0, len(column), 4)]
        parts += [*head, *("".join(f"{value:20.11E}" for value in row) for row in rows), "    -1"]
    return (
        "x.uff",
        ("\n".join(parts) + "\n").encode(),
        '[run.columns]\n"C1" = "channel 1 / g"\n"A1" = "channel 2 / g"\n',
    )


def time_table_log() -> Log:
    rows = ["time [s],C1 [g],A1 [g]"]
    rows += [f"{n / 1000:.4f},{c:.5f},{a:.5f}" for n, (c, a) in enumerate(_history())]
    return "x_time.csv", ("\n".join(rows) + "\n").encode(), ""


LOGS: tuple[Callable[[], Log], ...] = (
    comma_log,
    semicolon_log,
    utf16_log,
    sheet_log,
    wave_log,
    hdf5_log,
    mat_log,
    universal_log,
    time_table_log,
)


def job_of(log: Log) -> dict[str, bytes]:
    """Files of the job folder by name."""
    name, content, columns = log
    job_file = JOB_FILE.replace("LOG", name).replace("COLUMNS", columns)
    return {"job.toml": job_file.encode(), "notes.txt": NOTES.encode(), f"logs/{name}": content}


def write_job(files: dict[str, bytes], folder: Path) -> Path:
    """The job folder on disk."""
    for name, content in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content)
    return folder
