"""Identification against the Cramér-Rao bound, the usual script and a steady-state fit, in one process.

The usual script is scipy's ``find_peaks`` on |response/control| with the half-power bandwidth read between rows; the
steady-state fit is the same least squares told that every row is steady (no time column). Logs are integrated in the
time domain by the simulator of the tests, at 1 % noise unless a column says otherwise.
"""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np

from reportgen.compute.identification import SweptResponse, identify_modes
from reportgen.compute.identification.recorded_peak import half_power
from tests.accuracy.compare import compare
from tests.accuracy.reach import coverage, efficiency
from tests.accuracy.scenarios import KINDS, ensemble
from tests.simulator.course import G, Table, profile_level, sweep
from tests.simulator.recorder import Laboratory, Noise
from tests.simulator.structure import Sensor, Structure, TrueMode

NEAR = 0.04
"""A found frequency counts as the mode's within this share of it."""


def run() -> None:
    """Print all tables."""
    over_sweep_parameter()
    over_noise()
    over_spacing()
    against_the_bound()
    over_size()


def recorded(modes, shares, *, eta=1.0, noise=0.01, span=2.2, seed=1) -> tuple[Structure, SweptResponse]:
    """One run past ``modes`` whose first has the sweep parameter ``eta``."""
    structure = Structure(tuple(modes), tuple(Sensor(f"A{k + 1}", tuple(row)) for k, row in enumerate(shares)))
    first = modes[0]
    rate = eta * first.frequency_hz / (0.0115525 * first.q**2)
    course = sweep(first.frequency_hz / span, modes[-1].frequency_hz * span, rate)
    passage = max(
        first.q / (np.pi * first.frequency_hz), first.frequency_hz / first.q / (rate * first.frequency_hz / 86.6)
    )
    row_s = float(np.clip(passage / 12, course.duration_s / 4000, course.duration_s / 600))
    laboratory = Laboratory(row_s=row_s, default_noise=Noise(floor=2e-4 * G, share=noise), seed=seed)
    made = laboratory.record(structure, course, Table(profile_level([(0.1, 0.5, "g"), (9000.0, 0.5, "g")])))
    names = tuple(made.response)
    swept = SweptResponse(
        frequency_hz=made.frequency_hz,
        time_s=made.time_s,
        control=np.abs(next(iter(made.control.values()))),
        responses=np.stack([np.abs(made.response[each]) for each in names], axis=1),
        phases_deg=np.stack([made.relative_phase_deg(each) for each in names], axis=1),
        channels=names,
        dimensions=("acceleration",) * len(names),
    )
    return structure, swept


Found = tuple[float, float | None, float | None]
"""Frequency (Hz), Q and amplification of a mode."""


def usual_script(swept: SweptResponse) -> list[Found]:
    """(frequency, half-power Q, amplification) of every peak that scipy finds on the first channel."""
    from scipy.signal import find_peaks

    ratio = swept.responses[:, 0] / swept.control
    peaks, _ = find_peaks(ratio, height=2.0, prominence=0.1 * np.max(ratio) ** 0.5)
    return [
        (float(swept.frequency_hz[k]), half_power(swept.frequency_hz, ratio, int(k))[0], float(ratio[k])) for k in peaks
    ]


def identified(swept: SweptResponse) -> list[Found]:
    """The same of the identification."""
    return [(r.frequency_hz, r.q, r.amplification) for r in identify_modes(swept).channels[0].resonances]


def steady_fit(swept: SweptResponse) -> list[Found]:
    """The same of the fit that takes every row as steady."""
    return identified(replace(swept, time_s=None))


WAYS = {"identification": identified, "steady-state fit": steady_fit, "usual script": usual_script}


def score(structure: Structure, found: list[Found]) -> tuple[int, int, float, float, float]:
    """Missed, false, and the largest error (%) of frequency, Q and amplification of the modes that were found."""
    left, worst, missed = list(found), np.zeros(3), 0
    for k, mode in enumerate(structure.modes):
        near = [each for each in left if abs(each[0] / mode.frequency_hz - 1) < NEAR]
        if not near:
            missed += 1
            continue
        best = min(near, key=lambda each: abs(each[0] - mode.frequency_hz))
        left.remove(best)
        peak = structure.peak(0, k)
        errors = (
            best[0] / mode.frequency_hz,
            (best[1] or np.nan) / mode.q,
            (best[2] or np.nan) / peak if peak else 1.0,
        )
        worst = np.fmax(worst, np.abs(np.array(errors) - 1) * 100)
    return missed, len(left), *worst


def _head(first: str) -> None:
    print(f"{first:>10s}  {'way':18s} {'missed':>6s} {'false':>6s} {'f %':>9s} {'Q %':>9s} {'ampl. %':>9s}")


def _rows(label: str, structure: Structure, swept: SweptResponse) -> None:
    for name, way in WAYS.items():
        missed, false, f, q, a = score(structure, way(swept))
        print(f"{label:>10s}  {name:18s} {missed:6d} {false:6d} {f:9.4f} {q:9.3f} {a:9.3f}", flush=True)
        label = ""


def over_sweep_parameter() -> None:
    """Three modes; η of the first."""
    _head("eta")
    modes = (TrueMode(20.0, 50.0), TrueMode(55.0, 30.0), TrueMode(130.0, 20.0))
    for eta in (0.01, 0.1, 0.3, 1.0, 3.0, 10.0):
        _rows(f"{eta:g}", *recorded(modes, [(1.2, 0.8, -0.5)], eta=eta))


def over_noise() -> None:
    """The same at η = 1 and rising noise."""
    print()
    _head("noise %")
    modes = (TrueMode(20.0, 50.0), TrueMode(55.0, 30.0), TrueMode(130.0, 20.0))
    for noise in (0.001, 0.01, 0.05):
        _rows(f"{100 * noise:g}", *recorded(modes, [(1.2, 0.8, -0.5)], noise=noise))


def over_spacing() -> None:
    """Two modes of Q = 40 at distances in bandwidths, η = 0.3, two channels."""
    print()
    _head("spacing")
    for spacing in (0.5, 1.0, 2.0, 5.0):
        modes = (TrueMode(100.0, 40.0), TrueMode(100.0 * (1 + spacing / 40), 40.0))
        _rows(f"{spacing:g}", *recorded(modes, [(1.0, 0.6), (0.8, -0.7)], eta=0.3))


def against_the_bound(runs: int = 12) -> None:
    """Root-mean-square error over the Cramér-Rao bound, and how often 95 % intervals hold."""
    outcomes = []
    for seed in range(500, 500 + runs):
        scenario = ensemble(seed)
        recording = scenario.recording()
        outcomes.append(compare(scenario, recording, identify_modes(scenario.swept(recording))))
    print(f"\n{runs} random runs: rms error over the Cramér-Rao bound, share of 95 % intervals that hold")
    for quantity in ("frequency", "Q", "amplification"):
        share, n = coverage(outcomes, quantity)
        print(f"{quantity:>14s} {efficiency(outcomes, quantity):6.2f} {100 * share:7.1f} % of {n}", flush=True)


def over_size() -> None:
    """Processor time by rows and channels."""
    print(f"\n{'rows':>6s} {'channels':>9s} {'seconds':>8s} {'s/channel':>10s}")
    scenario = KINDS["many_channels"](3)
    for rows, channels in ((1000, 12), (2000, 12), (4000, 12), (4000, 3), (16000, 3)):
        spacing = scenario.course.duration_s / rows
        made = replace(
            scenario,
            laboratory=replace(scenario.laboratory, row_s=spacing),
            structure=replace(scenario.structure, sensors=scenario.structure.sensors[:channels]),
        )
        swept = made.swept()
        begin = time.process_time()
        identify_modes(swept)
        seconds = time.process_time() - begin
        print(f"{rows:6d} {channels:9d} {seconds:8.2f} {seconds / channels:10.3f}", flush=True)
