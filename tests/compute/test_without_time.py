"""A swept log whose time is not there or not understood: steady state is assumed, said first, and doubted."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from reportgen.bare_file import quicklook
from reportgen.compute.identification import swept_curve
from reportgen.compute.sweep.without_time import FASTEST_OCT_PER_MIN, FLAG, HARDLY_MATTERS, doubted, may_be_swept
from reportgen.records.job import Profile, SweepRate
from reportgen.records.result import ChannelResult, Resonance

ROOT = Path(__file__).resolve().parents[2]
SLOW, FAST = (
    Profile(id="P", breakpoints=(), sweep_rate=SweepRate(value=value, unit="oct/min")) for value in (0.05, 2.0)
)


def channel(*modes):
    import numpy as np

    none = np.empty(0)
    found = [
        Resonance(frequency_hz=f, frequency_std_hz=0.01, q=q, q_std=0.1, damping_ratio=0.5 / q, amplification=q,
                  amplification_std=0.1, amplification_std_fit=0.1)
        for f, q in modes
    ]  # fmt: skip
    return ChannelResult(id="A1", frequency_hz=none, magnitude=none, phase_deg=None, resonances=tuple(found))


def test_the_sweep_hardly_matters_below_a_tenth():
    """Closed form of the swept resonance (Lewis, Trans. ASME 54 (1932) 253): 0.2 % low, 0.06 bandwidths late."""
    peak, late = swept_curve(HARDLY_MATTERS)
    assert 0.998 < peak < 1.0
    assert late < 0.065


def test_eta_by_hand():
    """η = Q² S ln 2 / (60 f): at 4 oct/min, 100 Hz and Q = 50 it is 1.155; at 0.05 oct/min 0.0144."""
    assert FASTEST_OCT_PER_MIN == 4.0
    assert may_be_swept(100.0, 50.0, None)
    assert may_be_swept(100.0, 50.0, FAST.sweep_rate)
    assert not may_be_swept(100.0, 50.0, SLOW.sweep_rate)
    assert may_be_swept(10.0, 30.0, SweepRate(value=0.2, unit="Hz/s"))
    assert not may_be_swept(10.0, 5.0, SweepRate(value=0.2, unit="Hz/s"))


def test_a_doubtful_mode_states_no_uncertainty_and_says_why():
    sharp, broad = doubted((channel((100.0, 50.0), (100.0, 4.0)),), None)[0].resonances
    assert sharp.doubtful
    assert (sharp.frequency_std_hz, sharp.q_std, sharp.amplification_std) == (None, None, None)
    assert dict(sharp.reasons).keys() >= {"frequency_std_hz", "q_std", "amplification_std"}
    assert sharp.flags[0] == FLAG
    assert not broad.doubtful
    assert broad.q_std == 0.1
    assert not doubted((channel((100.0, 50.0)),), SLOW)[0].resonances[0].doubtful
    assert replace(sharp, doubtful=False) != sharp


@pytest.mark.parametrize("told", ["nothing", "shift numbers"])
def test_the_first_line_of_a_quick_look_says_that_steady_state_is_assumed(tmp_path, told):
    lines = (ROOT / "example_logs/sensor_boom/logs/x_pre.csv").read_text(encoding="utf-8").splitlines()
    rows = [line.split(",") for line in lines if not line.startswith("#")][::4]
    for i, row in enumerate(rows[1:]):
        row[0] = f"shift {i}"
    cells = [row if told == "shift numbers" else row[1:] for row in rows]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(map(",".join, cells)) + "\n", encoding="utf-8")
    said: list[str] = []
    quicklook(path, None, lambda line: said.append(str(line)))
    assert said[0].startswith("Steady state is assumed for log.csv: the log has no time that could be used")
    assert "are doubtful for it and stand without uncertainty" in said[0]
    first = next(line for line in said if line.split()[:1] == ["A1"])
    assert " ?" in first
    assert "±" not in first
    page = (tmp_path / "log.csv.quicklook.html").read_text(encoding="utf-8")
    assert page.index("Steady state is assumed") < page.index("Made at the bench")


def test_doubtful_modes_carry_no_verdict():
    """Neither a pass nor a fail rests on modes that a sweep without time may have made up."""
    from datetime import date

    from reportgen.judge.verdicts import judge
    from reportgen.records.job import Job, Party, ReportIdentity, Requirement, RunKind, RunPlan, Specimen
    from reportgen.records.result import RunResult
    from reportgen.records.verdict import Outcome
    from reportgen.render.catalogue import told as in_words
    from reportgen.units import parse_quantity

    channels = doubted((channel((100.0, 50.0)),), FAST)
    runs = tuple(
        RunResult(id=name, kind="survey", axis="X", sweep=None, control=None, channels=channels,
                  steady_state_assumed=True) for name in ("PRE", "POST")
    )  # fmt: skip
    shift = Requirement(
        id="R1", check="frequency shift", before="PRE", after="POST", limit=parse_quantity("5 %", "ratio")
    )
    amplification = Requirement(id="R2", check="amplification", run="PRE", limit=parse_quantity("60", "ratio"))
    job = Job(
        folder=Path(), file=Path("job.toml"), report=ReportIdentity(number="1", title="T", date=date(2026, 3, 20)),
        laboratory=Party(name="L"), customer=Party(name="C"), specimen=Specimen(name="S"),
        runs=tuple(RunPlan(id=run.id, kind=RunKind.SURVEY, axis="X", log=Path("x.csv")) for run in runs),
        requirements=(shift, amplification),
    )  # fmt: skip
    for verdict in judge(job, runs, (), (), ()):
        assert verdict.outcome is Outcome.NOT_EVALUATED, verdict
        assert "steady state was assumed for run PRE" in in_words(verdict.reason).casefold().replace("pre", "PRE")


def test_a_mode_that_is_not_doubtful_is_uncertain_by_the_lag_of_the_fastest_sweep():
    """Fault: 398.45 ± 0.32 Hz for 398.04 of a log without time. 4 oct/min, Q 4: ln 2 · 4/60 · 4/π = 0.0588 Hz."""
    (broad,) = doubted((channel((100.0, 4.0)),), None)[0].resonances
    assert broad.frequency_std_hz == pytest.approx((0.01**2 + 0.0588**2 / 3.0) ** 0.5, rel=1e-3)
