"""Frequency responses are steady by nature, and a force is a reference: nothing of them is doubtful."""

from __future__ import annotations

import numpy as np
import pytest

from reportgen.bare_file import _bare_job
from reportgen.compute.run import compute_run
from reportgen.progress import silent
from reportgen.read.log import read_bare_log
from reportgen.records.identified_fact import FactCode
from reportgen.records.result import Quotient

F = np.arange(20.0, 220.0, 0.25)
W = 2 * np.pi * F
MODES = ((60.0, 50.0, 0.4), (140.0, 80.0, 0.25))
"""(Hz, Q, 1/kg)."""


def _accelerance() -> np.ndarray:
    """−ω² Σ φ²/m / (ω₀² − ω² + iωω₀/Q), (m/s²)/N, with 0.2 % of noise."""
    total = sum(a * -(W**2) / ((2 * np.pi * f) ** 2 - W**2 + 1j * W * 2 * np.pi * f / q) for f, q, a in MODES)
    rng = np.random.default_rng(4)
    return total * (1 + 0.002 * (rng.standard_normal(len(F)) + 1j * rng.standard_normal(len(F))))


def _run(path, control=None):
    log, controls, findings = read_bare_log(path, control)
    assert log is not None
    assert controls, findings
    job = _bare_job(path, controls)
    return compute_run(job, job.runs[0], log, silent)


def _check(run):
    (channel,) = run.channels
    assert not run.steady_state_assumed
    assert FactCode.STEADY_STATED in {fact.code for fact in run.facts}
    assert len(channel.resonances) == len(MODES)
    for each, (f, q, _) in zip(channel.resonances, MODES, strict=True):
        assert not each.doubtful
        assert each.frequency_hz == pytest.approx(f, rel=1e-3)
        assert each.q == pytest.approx(q, rel=0.02)
        assert each.frequency_std_hz is not None
        assert each.amplification_std is not None


def test_real_and_imaginary_columns_over_a_force_need_no_control_column(tmp_path):
    """They were refused for want of a control, and doubtful for want of a time."""
    h = _accelerance()
    path = tmp_path / "frf.csv"
    rows = "\n".join(f"{f:.2f},{x.real:.8g},{x.imag:.8g}" for f, x in zip(F, h, strict=True))
    path.write_text(f"frequency [Hz],P1 real [(m/s^2)/N],P1 imag [(m/s^2)/N]\n{rows}\n")
    run = _run(path)
    _check(run)
    assert (run.channels[0].quotient, run.channels[0].unit) == (Quotient.ACCELERANCE, "(m/s²)/N")


@pytest.mark.parametrize(("quantity", "unit", "power"), [("mobility", "m/s", 1), ("receptance", "m", 2)])
def test_mobility_and_receptance_are_read_as_the_acceleration_they_mean(tmp_path, quantity, unit, power):
    h = _accelerance() / (1j * W) ** power
    path = tmp_path / f"{quantity}.csv"
    rows = "\n".join(f"{f:.2f},{x.real:.10g},{x.imag:.10g}" for f, x in zip(F, h, strict=True))
    head = "(m/s)/N" if unit == "m/s" else "m/N"
    path.write_text(f"frequency [Hz],P1 real [{head}],P1 imag [{head}]\n{rows}\n")
    _check(_run(path))


def test_a_force_is_a_control(tmp_path):
    """'channel F is a force; an acceleration, velocity or displacement is needed here'."""
    h, force = _accelerance(), 2.0 + np.sin(F / 30.0)
    path = tmp_path / "forced.csv"
    rows = "\n".join(
        f"{f:.2f},{n:.8g},{abs(x) * n:.8g},{np.degrees(np.angle(x)):.5f}" for f, n, x in zip(F, force, h, strict=True)
    )
    path.write_text(f"frequency [Hz],F [N],A1 [m/s^2],A1 phase [deg]\n{rows}\n")
    run = _run(path)
    assert run.control is not None
    assert run.control.dimension == "force"
    assert [round(each.frequency_hz) for each in run.channels[0].resonances] == [60, 140]
    assert run.steady_state_assumed  # magnitude and phase alone do not say how the rows were taken
