"""A mapping that ``reportgen inspect`` offers, pasted into a job, passes ``reportgen check``: for records of any shape.

Drawn by hypothesis: delimiter, decimal sign, names, units, clock unit, preamble, encoding, marker line.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from reportgen.cli import main
from reportgen.read.inspect_file import describe_file
from reportgen.render.catalogue import said

JOB = """
[report]
number = "VTR-0001"
revision = "A"
title = "Pasted"
date = 2026-03-20

[laboratory]
name = "A laboratory"

[customer]
name = "A customer"

[specimen]
name = "A beam"

[[run]]
id = "RUN"
kind = "decay"
axis = "X"
log = "logs/{log}"
"""
NAME = st.text(alphabet="abcXYZ0189 _-#.'\"\\äµΩ%", min_size=1, max_size=12).filter(
    lambda text: text.strip() == text and text.strip("_-#.'\" 0189%\\")
)
UNITS = ("g", "m/s^2", "m/s²", "mm/s", "µm", "N", "mg")
CLOCKS = {"time [s]": 1.0, "t [ms]": 1e3, "Zeit (µs)": 1e6, "Time/s": 1.0}


@st.composite
def records(draw):
    """Text of a released mode on one to three channels, and how it is encoded."""
    delimiter, comma = draw(st.sampled_from([(",", False), (";", False), (";", True), ("\t", False), ("\t", True)]))
    names = draw(st.lists(NAME, min_size=1, max_size=3, unique_by=lambda text: text.casefold()))
    units = [draw(st.sampled_from(UNITS)) for _ in names]
    clock = draw(st.sampled_from(sorted(CLOCKS)))
    t = np.arange(240) / 200.0
    columns = [np.exp(-2 * t) * np.cos(2 * np.pi * 17 * t + k) for k in range(len(names))]
    rows = [[f"{CLOCKS[clock] * a:.6g}", *(f"{c[i]:.6f}" for c in columns)] for i, a in enumerate(t)]
    body = "\n".join(delimiter.join(cell.replace(".", ",") if comma else cell for cell in row) for row in rows)
    quoted = ['"' + f"{n} [{u}]".replace('"', '""') + '"' for n, u in zip(names, units, strict=True)]
    preamble = draw(st.sampled_from(["", "# recorded at the bench\n", "Bench record\nOperator\tN. N.\n\n"]))
    header = delimiter.join([clock, *quoted])
    return f"{preamble}{header}\n{body}\n", draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]))


def checked(text, encoding, change=lambda mapping: mapping):
    """What inspect offers for a record, and the exit code of check on a job into which it was pasted."""
    with tempfile.TemporaryDirectory() as folder:
        job = Path(folder)
        (job / "logs").mkdir()
        log = job / "logs" / "record.txt"
        log.write_text(text, encoding=encoding)
        offered = describe_file(log, said)
        mapping = change(offered[offered.index("\n[run.columns]\n") :])
        (job / "job.toml").write_text(JOB.format(log=log.name) + mapping, encoding="utf-8")
        return offered, main(["check", str(job)])


@settings(max_examples=40, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(records())
def test_a_pasted_mapping_passes_check(record):
    offered, code = checked(*record)
    assert code == 0, offered


def test_a_mapping_to_a_column_that_is_not_there_does_not():
    rows = "\n".join(f"{k / 200:.3f},{np.cos(0.5 * k) * np.exp(-0.01 * k):.6f}" for k in range(240))
    text = f"time [s],A1 [g]\n{rows}\n"
    assert checked(text, "utf-8")[1] == 0
    assert checked(text, "utf-8", lambda mapping: mapping.replace('= "A1', '= "A7'))[1] == 1
