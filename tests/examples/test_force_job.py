"""A job driven by a force: accelerance, mobility and receptance (ISO 7626-1) from log to page, rows in steady state."""

from __future__ import annotations

import cmath
import math
import random
from pathlib import Path

import pytest

from reportgen.cli import main
from reportgen.pipeline import compute_report, read_inputs
from reportgen.records.result import Quotient
from reportgen.records.verdict import Outcome
from reportgen.render.catalogue import told
from reportgen.resources import data_dir
from tests.printed import page_of_words

MODES = ((60.0, 50.0, 0.4), (140.0, 80.0, 0.25))
"""(Hz, Q, 1/kg)."""
RUNS = (("ACC", 0, "m/s^2", "X"), ("ACC2", 0, "m/s^2", "X"), ("MOB", 1, "m/s", "Y"), ("REC", 2, "mm", "Z"))
"""(run, integrations of the acceleration, unit of the column, axis)."""
HEAD = """
[report]
number = "FJ-1"
title = "Force excitation"
date = 2026-05-04
language = "{language}"
confidence = 0.95
decision_rule = "simple acceptance"
[laboratory]
name = "Laboratory"
[customer]
name = "Customer"
[specimen]
name = "Bracket"
[[instrument]]
id = "I1"
calibrated = 2026-01-10
due = 2027-01-10
expanded_uncertainty = "2 %"
[[channel]]
id = "F"
role = "control"
instrument = "I1"
[[channel]]
id = "A1"
role = "response"
instrument = "I1"
[[requirement]]
id = "R1"
clause = "1"
text = "Lowest natural frequency"
check = "lowest natural frequency"
axis = "X"
limit = "50 Hz"
[[requirement]]
id = "R2"
clause = "2"
text = "Amplification"
check = "amplification"
run = "ACC"
limit = "30"
[[requirement]]
id = "R3"
clause = "3"
text = "Shift"
check = "frequency shift"
before = "ACC"
after = "ACC2"
limit = "2 %"
"""


def write_job(folder: Path, language: str = "en") -> Path:
    """The job with its four logs: rows of magnitude and phase over a measured force, 0.2 % of noise."""
    rng = random.Random(3)
    text = HEAD.format(language=language)
    for name, power, unit, axis in RUNS:
        text += f'[[run]]\nid = "{name}"\nkind = "survey"\naxis = "{axis}"\nlog = "{name}.csv"\ncontrol = ["F"]\n'
        text += "steady_state = true\n"
        rows = [f"frequency [Hz],F [N],A1 [{unit}],A1 phase [deg]"]
        for i in range(600):
            f = 20.0 + 0.3 * i
            w = 2 * math.pi * f
            h = sum(a * -w * w / ((2 * math.pi * g) ** 2 - w * w + 1j * w * 2 * math.pi * g / q) for g, q, a in MODES)
            h *= (1 + 0.002 * complex(rng.gauss(0, 1), rng.gauss(0, 1))) / (1j * w) ** power
            force = (2 + math.sin(f / 30)) * (1 + 0.001 * rng.gauss(0, 1))
            size = abs(h) * force * (1000.0 if unit == "mm" else 1.0)
            rows.append(f"{f:.2f},{force:.6g},{size:.8g},{math.degrees(cmath.phase(h)):.4f}")
        (folder / f"{name}.csv").write_text("\n".join(rows) + "\n")
    (folder / "job.toml").write_text(text)
    return folder


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    return compute_report(read_inputs(write_job(tmp_path_factory.mktemp("force"))))


def test_every_form_gives_the_same_modes_in_the_unit_of_an_accelerance(report):
    for run in report.runs:
        assert run.control.dimension == "force"
        assert not run.steady_state_assumed
        (channel,) = run.channels
        assert (channel.quotient, channel.unit) == (Quotient.ACCELERANCE, "(m/s²)/N")
        for each, (f, q, a) in zip(channel.resonances, MODES, strict=True):
            assert each.frequency_hz == pytest.approx(f, rel=1e-3)
            assert each.q == pytest.approx(q, rel=0.02)
            assert not each.doubtful
            # At its own peak an accelerance is about Q times the modal 1/kg.
            assert each.amplification == pytest.approx(a * q, rel=0.03)


def test_verdicts_are_of_what_a_force_can_show(report):
    found = {each.requirement: each for each in report.verdicts}
    assert found["R1"].outcome is Outcome.PASS
    assert found["R3"].outcome is Outcome.PASS
    assert found["R2"].outcome is Outcome.NOT_EVALUATED
    assert "is driven by a force" in told(found["R2"].reason)  # it said "is no motion and has no amplification"
    assert "no motion" not in told(found["R2"].reason)


def test_the_page_names_the_quantity_and_its_unit(report):
    """The heights of an accelerance stood under "Amplification", and a force against a profile that there was not."""
    page = page_of_words(report, templates=data_dir("templates"))
    assert "Accelerance / ((m/s²)/N)" in page
    assert ">Amplification</th>" not in page
    assert "control against its profile" not in page
    assert "there is nothing to hold it against" in page
    assert "Response over measured control at the same row; magnitude of a pure ratio" not in page
    assert "ISO 7626-1:2011" in page
    assert "steady vibration, as the job or the form of the log says" in page


def test_the_german_page_names_it_as_well(tmp_path):
    german = compute_report(read_inputs(write_job(tmp_path, "de")))
    page = page_of_words(german, templates=data_dir("templates"))
    assert "Akzeleranz / ((m/s²)/N)" in page
    assert "es gibt nichts, woran sie zu messen wäre" in page
    assert "wird von einer Kraft getrieben" in page


@pytest.mark.soak
def test_the_archive_verifies(tmp_path):
    write_job(tmp_path)
    assert main(["build", str(tmp_path)]) == 0
    assert main(["verify", str(tmp_path / "report" / "FJ-1-A.zip")]) == 0
