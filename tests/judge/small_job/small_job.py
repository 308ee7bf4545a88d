"""A small job whose evidence is made from closed forms, whole or broken in one way.

The job file is read by the program's own reader; sweeps, control, quality and shifts are computed by it from rows made
here. Resonances are the true ones with stated uncertainties, so that what is tested is the judging and not the
identification.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from reportgen.compute.comparison.run_comparison import compare_quality
from reportgen.compute.comparison.shift import run_shifts
from reportgen.compute.identification.swept_response import SweptResponse
from reportgen.compute.quality.quality import data_quality
from reportgen.compute.sweep.control import combine_control, control_result
from reportgen.compute.sweep.dwell import dwell_result
from reportgen.compute.sweep.profile import profile_level
from reportgen.compute.sweep.sweep_facts import sweep_facts
from reportgen.judge.checks import CHECKS
from reportgen.judge.verdicts import judge
from reportgen.read.job.job_file import read_job
from reportgen.records.job import Exclusion, Job, RunKind, RunPlan
from reportgen.records.log import Floats, SweepLog, Trace
from reportgen.records.report import RunShift
from reportgen.records.result import ChannelResult, Mode, Resonance, RunResult
from reportgen.records.verdict import Verdict

HERE = Path(__file__).parent
BROKEN = tomllib.loads((HERE / "broken_jobs.toml").read_text(encoding="utf-8"))["job"]
SHARES = {"A1": (1.0, 0.5), "A2": (0.6, -0.8)}
"""Share of each mode in each channel."""


@dataclass
class Truth:
    """What one run was like; faults change it before its rows are made."""

    frequencies: list[float] = field(default_factory=lambda: [120.0, 420.0])
    qs: list[float] = field(default_factory=lambda: [25.0, 30.0])
    f: Floats = field(default_factory=lambda: np.empty(0))
    t: Floats | None = None
    level: Callable[[Floats], Floats] = lambda f: np.ones(len(f))
    channels: dict[str, Callable[[Floats, Floats], Floats]] = field(default_factory=dict)
    absent: set[str] = field(default_factory=set)
    q_share: float = 0.01
    uncertain: bool = False
    rejected: dict[int, str] = field(default_factory=dict)
    unnumbered: bool = False
    phase: Callable[[Floats], Floats] | None = None
    hidden: set[tuple[str, int]] = field(default_factory=set)


@dataclass(frozen=True)
class Evidence:
    """All that a judge is given."""

    job: Job
    runs: tuple[RunResult, ...]
    modes: tuple[Mode, ...]
    shifts: tuple[RunShift, ...]

    def verdicts(self) -> dict[str, Verdict]:
        return {each.requirement: each for each in judge(self.job, self.runs, self.modes, self.shifts)}


def sweep_rows(low: float, high: float, rate: float = 2.0, step: float = 0.25) -> tuple[Floats, Floats]:
    duration = abs(np.log2(high / low)) * 60.0 / rate
    t = np.append(np.arange(0.0, duration, step), duration)
    return low * 2.0 ** (np.sign(high - low) * rate * t / 60.0), t


def small_job(folder: Path, edits: Sequence[Sequence[str]] = (), faults: Sequence[dict[str, Any]] = ()) -> Evidence:
    """The evidence of the small job after text edits of its job file and faults of its runs."""
    text = (HERE / "job.toml").read_text(encoding="utf-8")
    for old, new in edits:
        assert text.count(old) >= 1, f"{old!r} is not in the small job"
        text = text.replace(old, new, 1)
    (folder / "job.toml").write_text(text, encoding="utf-8")
    for name in ("pre", "sweep", "dwell", "post"):
        (folder / f"{name}.csv").write_text("time [s],frequency [Hz],C1 [g]\n", encoding="utf-8")
    job, findings = read_job(folder, CHECKS)
    assert job is not None, findings
    return evidence(job, faults)


def evidence(job: Job, faults: Sequence[dict[str, Any]] = ()) -> Evidence:
    runs = []
    for plan in job.runs:
        truth = _truth(plan)
        for fault in faults:
            if fault["run"] == plan.id:
                FAULTS[fault["kind"]](truth, fault)
        runs.append(_run(job, plan, truth))
    compared = compare_quality(job, [run for run in runs if job.counts(run.id)])
    by_id = {run.id: run for run in (*runs, *compared)}
    every = tuple(by_id[run.id] for run in runs)
    return Evidence(job=job, runs=every, modes=modes_of(compared), shifts=run_shifts(job, compared))


def modes_of(runs: Sequence[RunResult]) -> tuple[Mode, ...]:
    """A mode table as the results give it: one row for each number and run."""
    found: dict[tuple[str, int], list[tuple[str, Resonance]]] = {}
    axes = {run.id: run.axis for run in runs}
    for run in runs:
        for channel in run.channels:
            for each in channel.resonances:
                if each.rejected is None and each.mode is not None:
                    found.setdefault((run.id, each.mode), []).append((channel.id, each))
    return tuple(
        Mode(
            axis=axes[run], mode=number, nodes=None, frequency_hz=seen[0][1].frequency_hz,
            frequency_std_hz=seen[0][1].frequency_std_hz, seen_in=("log",), runs=(run,),
            channels=tuple(c for c, _ in seen),
        )
        for (run, number), seen in found.items()
    )  # fmt: skip


def _truth(plan: RunPlan) -> Truth:
    truth = Truth()
    if plan.kind is RunKind.DWELL:
        truth.t = np.arange(0.0, 900.5, 0.5)
        truth.f = np.full(len(truth.t), 120.0)
    else:
        truth.f, truth.t = sweep_rows(10.0, 1000.0)
    return truth


def _mode(f: Floats, f0: float, q: float, share: float) -> Any:
    """Share of a mode in the transmissibility of a base-driven structure (Ewins, Modal Testing)."""
    return share * (f / f0) ** 2 / (1.0 - (f / f0) ** 2 + 1j * f / f0 / q)


def _transmissibility(f: Floats, truth: Truth, shares: tuple[float, ...]) -> Any:
    modes = zip(truth.frequencies, truth.qs, _padded(shares, truth), strict=True)
    return 1.0 + sum(_mode(f, f0, q, share) for f0, q, share in modes)


def _run(job: Job, plan: RunPlan, truth: Truth) -> RunResult:
    profile = job.profile(plan.profile)
    f = truth.f
    required = profile_level(profile, f) if profile is not None else np.full(len(f), 4.9)
    filled = np.interp(f, f[np.isfinite(required)], required[np.isfinite(required)]) if len(f) else required
    control = filled * truth.level(f)
    traces = [Trace(channel="C1", dimension="acceleration", amplitude=control)]
    for c, shares in SHARES.items():
        if c in truth.absent:
            continue
        h = _transmissibility(f, truth, shares)
        change = truth.channels.get(c, lambda _, a: a)
        phase = np.rad2deg(np.angle(h)) if truth.phase is None else truth.phase(f)
        amplitude = change(f, np.abs(h) * control)
        traces.append(Trace(channel=c, dimension="acceleration", amplitude=amplitude, phase_deg=phase))
    log = SweepLog(path=plan.log.as_posix(), frequency_hz=f, time_s=truth.t, traces=tuple(traces))
    level = combine_control(log, ["C1"], plan.strategy)
    dwelling = plan.kind is RunKind.DWELL
    return RunResult(
        id=plan.id, kind=str(plan.kind), axis=plan.axis, sweep=sweep_facts(log, profile, level),
        control=control_result(log, ["C1"], plan.strategy, profile, job.excluded_on(plan.id)),
        channels=tuple(
            _without_excluded(_channel(trace, level, f, truth, dwelling), job.excluded_on(plan.id))
            for trace in traces[1:]
        ),
        dwell=dwell_result(_swept(log, level)) if dwelling else None,
        quality=data_quality(plan, log, level, profile, ("C1",)),
    )  # fmt: skip


def _padded(shares: tuple[float, ...], truth: Truth) -> list[float]:
    return [shares[min(k, len(shares) - 1)] for k in range(len(truth.frequencies))]


def _channel(trace: Trace, level: Floats, f: Floats, truth: Truth, dwelling: bool) -> ChannelResult:
    resonances = []
    for k, (f0, q) in enumerate(zip(truth.frequencies, truth.qs, strict=True)):
        if dwelling or not f.min() <= f0 <= f.max() or (trace.channel, k + 1) in truth.hidden:
            continue
        peak = float(abs(_transmissibility(np.array([f0]), truth, SHARES[trace.channel])[0]))
        known = not truth.uncertain
        resonances.append(
            Resonance(
                frequency_hz=f0, frequency_std_hz=1e-4 * f0 if known else None, q=q, q_std=truth.q_share * q,
                damping_ratio=0.5 / q, amplification=peak, amplification_std=0.015 * peak if known else None,
                amplification_std_fit=0.005 * peak if known else None,
                residue=complex(0.0, _padded(SHARES[trace.channel], truth)[k]),
                mode=None if truth.unnumbered else k + 1, rejected=truth.rejected.get(k + 1),
            )
        )  # fmt: skip
    magnitude = trace.amplitude / level
    return ChannelResult(
        id=trace.channel, frequency_hz=f, magnitude=magnitude, phase_deg=trace.phase_deg, resonances=tuple(resonances)
    )  # fmt: skip


def _without_excluded(channel: ChannelResult, excluded: Sequence[Exclusion]) -> ChannelResult:
    """As a run gives it: the bands that are not used, and no resonance in them."""
    bands = tuple(each.band_hz for each in excluded if each.concerns(channel.id))
    left = (each for each in channel.resonances if not any(a <= each.frequency_hz <= b for a, b in bands))
    return replace(channel, excluded_hz=bands, resonances=tuple(left))


def _swept(log: SweepLog, level: Floats) -> SweptResponse:
    responses = [trace for trace in log.traces if trace.channel != "C1"]
    return SweptResponse(
        frequency_hz=log.frequency_hz, control=level, time_s=log.time_s,
        responses=np.column_stack([trace.amplitude for trace in responses]),
        phases_deg=np.column_stack([np.asarray(trace.phase_deg) for trace in responses]),
        channels=tuple(trace.channel for trace in responses), dimensions=tuple("acceleration" for _ in responses),
    )  # fmt: skip


# --- faults, by the name the table gives them -------------------------------------------------------------------------


def _scale_level(truth: Truth, fault: dict[str, Any]) -> None:
    low, high, factor = fault["from_hz"], fault["to_hz"], fault["factor"]
    before = truth.level
    truth.level = lambda f: before(f) * np.where((f >= low) & (f <= high), factor, 1.0)


def _sweep_from_to(truth: Truth, fault: dict[str, Any]) -> None:
    truth.f, truth.t = sweep_rows(fault["from_hz"], fault["to_hz"], fault.get("rate", 2.0))


def _rate_from(truth: Truth, fault: dict[str, Any]) -> None:
    first, t1 = sweep_rows(10.0, fault["from_hz"])
    second, t2 = sweep_rows(fault["from_hz"], 1000.0, fault["rate"])
    truth.f, truth.t = np.append(first, second[1:]), np.append(t1, t1[-1] + t2[1:])


def _linear(truth: Truth, fault: dict[str, Any]) -> None:
    truth.t = np.arange(0.0, 199.01, 0.25)
    truth.f = np.minimum(10.0 + 5.0 * truth.t, 1000.0)


def _hold(truth: Truth, fault: dict[str, Any]) -> None:
    assert truth.t is not None
    k = int(np.argmin(np.abs(truth.f - fault["at_hz"])))
    rows = int(fault["seconds"] / 0.25)
    truth.f = np.concatenate([truth.f[:k], np.full(rows, truth.f[k]), truth.f[k:]])
    truth.t = np.concatenate([truth.t[:k], truth.t[k] + 0.25 * np.arange(rows), truth.t[k:] + fault["seconds"]])


def _no_rows(truth: Truth, fault: dict[str, Any]) -> None:
    keep = (truth.f < fault["from_hz"]) | (truth.f > fault["to_hz"])
    truth.f, truth.t = truth.f[keep], None if truth.t is None else truth.t[keep]


def _no_time(truth: Truth, fault: dict[str, Any]) -> None:
    truth.t = None


def _clock_back(truth: Truth, fault: dict[str, Any]) -> None:
    assert truth.t is not None
    truth.t = np.where(np.arange(len(truth.t)) > len(truth.t) // 2, truth.t - fault["seconds"], truth.t)


def _move_mode(truth: Truth, fault: dict[str, Any]) -> None:
    k = fault["mode"] - 1
    truth.frequencies[k] *= fault.get("frequency_factor", 1.0)
    truth.qs[k] *= fault.get("q_factor", 1.0)


def _lose_mode(truth: Truth, fault: dict[str, Any]) -> None:
    k = fault["mode"] - 1
    del truth.frequencies[k], truth.qs[k]


def _new_mode(truth: Truth, fault: dict[str, Any]) -> None:
    truth.frequencies.append(fault["at_hz"])
    truth.qs.append(30.0)


def _unidentified(truth: Truth, fault: dict[str, Any]) -> None:
    truth.hidden |= {(c, fault["mode"]) for c in fault.get("channels", list(SHARES))}


def _channel_fault(change: Callable[[dict[str, Any]], Callable[[Floats, Floats], Floats]]) -> Callable[..., None]:
    def spoil(truth: Truth, fault: dict[str, Any]) -> None:
        truth.channels[fault["channel"]] = change(fault)

    return spoil


def _rattle(f: Floats, a: Floats, from_hz: float) -> Floats:
    noise = np.random.default_rng(4).normal(0.0, 0.5, len(f))
    return a * np.where(f > from_hz, np.abs(1.0 + noise), 1.0)


def _reject(truth: Truth, fault: dict[str, Any]) -> None:
    truth.rejected[fault["mode"]] = "mains pick-up, A. Nobody"


def _dwell(truth: Truth, fault: dict[str, Any]) -> None:
    truth.t = np.arange(0.0, fault.get("seconds", 900.0) + 0.5, 0.5)
    truth.f = np.full(len(truth.t), fault.get("at_hz", 120.0))


def _dwell_drift(truth: Truth, fault: dict[str, Any]) -> None:
    truth.phase = lambda f: np.linspace(-90.0, -90.0 + fault["degrees"], len(f))


def _absent(truth: Truth, fault: dict[str, Any]) -> None:
    truth.absent.add(fault["channel"])


def _ideal_notch(truth: Truth, fault: dict[str, Any]) -> None:
    """The control falls in a band just so far that a channel stays at a limit (g); or ``deeper_db`` below that."""
    low, high, before = fault["from_hz"], fault["to_hz"], truth.level
    deeper = 10.0 ** (-fault.get("deeper_db", 0.0) / 20.0)

    def level(f: Floats) -> Floats:
        response = 3.0 * np.abs(_transmissibility(f, truth, SHARES[fault["channel"]]))
        inside = (f >= low) & (f <= high)
        return before(f) * np.where(inside, deeper * np.minimum(1.0, fault["limit_g"] / response), 1.0)

    truth.level = level


def _control_gaps(truth: Truth, fault: dict[str, Any]) -> None:
    truth.level = lambda f: np.where(np.arange(len(f)) % 10 == 0, np.nan, 1.0)


def _set(name: str, value: Any) -> Callable[..., None]:
    return lambda truth, fault: setattr(truth, name, value)


FAULTS: dict[str, Callable[..., None]] = {
    "level": _scale_level, "range": _sweep_from_to, "rate": _rate_from, "linear": _linear, "hold": _hold,
    "ideal notch": _ideal_notch,
    "no rows": _no_rows, "no time": _no_time, "clock": _clock_back, "mode": _move_mode, "lost mode": _lose_mode,
    "new mode": _new_mode, "unidentified": _unidentified, "reject": _reject, "dwell": _dwell, "drift": _dwell_drift,
    "absent": _absent, "no uncertainty": _set("uncertain", True), "no numbers": _set("unnumbered", True),
    "control gaps": _control_gaps, "weak": _set("q_share", 0.5),
    "clipped": _channel_fault(lambda fault: lambda f, a: np.minimum(a, fault["share"] * a.max())),
    "dead": _channel_fault(lambda fault: lambda f, a: np.zeros(len(a))),
    "loose": _channel_fault(lambda fault: lambda f, a: a * np.where(f > fault["from_hz"], 0.3, 1.0)),
    "rattles": _channel_fault(lambda fault: lambda f, a: _rattle(f, a, fault["from_hz"])),
    "gain": _channel_fault(lambda fault: lambda f, a: a * fault["factor"]),
    "gaps": _channel_fault(lambda fault: lambda f, a: np.where(np.arange(len(a)) % 10 == 0, np.nan, a)),
}  # fmt: skip


def without_run(found: Evidence, name: str) -> Evidence:
    """The evidence with one run's result missing."""
    return replace(found, runs=tuple(run for run in found.runs if run.id != name))
