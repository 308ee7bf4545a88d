"""Wind sensor arm: two specimens, three axes, a sweep that was aborted and made anew, one that was stopped and resumed.

Along Y and Z the arm bends as a clamped beam with a head; along X, its own length, it is stiff and its seat moves.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tests.simulator.cantilever import arm
from tests.simulator.course import Course, Dip, G, HandStep, Table, profile_level, sweep
from tests.simulator.example_run import PAIR, ExampleRun
from tests.simulator.log_file import Dialect
from tests.simulator.recorder import Fault, Laboratory, Noise
from tests.simulator.structure import Sensor, Structure, TrueMode

Floats = NDArray[np.float64]

HEAD = 0.20
"""Mass of the sensor's head over that of the arm."""
FIRST_HZ = {"Y": 39.0, "Z": 47.0}
BENDING_Q = {"Y": (34.0, 28.0, 22.0), "Z": (24.0, 26.0, 21.0)}
SHEAR = (0.0, 0.006, 0.020)
"""How far shear and rotary inertia pull the real arm below the slender theory."""
PLACES = {"A1": 1.0, "A2": 0.5}
SEAT = ((372.0, 21.0), (815.0, 17.0))
SEAT_SHARES = {"A1": (0.85, 0.35), "A2": (0.50, -0.40)}
OF_RUN = {"pre": (1.0, 1.0), "sweep": (0.995, 0.93), "post": (0.993, 0.98)}
"""Factors of frequency and Q: as delivered, at full level, after the sweep."""
OF_SECOND = (0.985, 1.04)
"""The second specimen's factors against the first."""

LOW_HZ, HIGH_HZ, RATE = 10.0, 1000.0, 2.0
SURVEY = profile_level([(LOW_HZ, 0.5, "g"), (HIGH_HZ, 0.5, "g")])
QUALIFICATION = profile_level([(LOW_HZ, 1.0, "mm"), (22.3, 1.0, "mm"), (22.3, 2.0, "g"), (HIGH_HZ, 2.0, "g")])
NOTCH_HZ, NOTCH_G, NOTCH_AIM = (33.0, 45.0), 30.0, 0.84
"""Band of the notch along Y, its limit on A1, and the share of it that the controller aims at: behind the resonance the
arm still swings while the table comes up again."""
ABORTED_AT_HZ, STOPPED_AT_HZ, RESUMED_AT_HZ = 31.0, 210.0, 200.0
BY_HAND = (HandStep(12.0, -3.0), HandStep(16.0, +3.0))
"""Along Z the level was turned down for the look of the cable, and up again."""
CABLE_S = 2.5
"""For so long the broken cable of A1 rattles before the abort limit ends the run."""

LABORATORY = Laboratory(
    row_s=0.1,
    controls=PAIR,
    control_noise=Noise(floor=5e-4 * G, share=0.003),
    default_noise=Noise(floor=2e-3 * G, share=0.004),
)
PLAIN = Dialect(time_format="%.1f")
GERMAN = Dialect(
    delimiter=";", decimal=",", encoding="cp1252", newline="\r\n", unit_style="row", names=("Zeit", "Frequenz"),
    phase_name="Phase", degrees="°", time_format="%.1f", renamed=(("C1", "Regler C1"), ("C2", "Regler C2")),
)  # fmt: skip
METRIC = Dialect(
    delimiter="\t", unit="m/s²", unit_style="()", time_format="%.1f",
    renamed=(("A1", "Sensor 3"), ("A2", "Sensor 4")),
)  # fmt: skip


def wind_sensor_arm(axis: str, part: str, second: bool = False) -> Structure:
    """An arm along one axis as a part of the test (``pre``, ``sweep``, ``post``) found it."""
    frequency, q = OF_RUN[part]
    if second:
        frequency, q = frequency * OF_SECOND[0], q * OF_SECOND[1]
    modes, shares = (SEAT, SEAT_SHARES) if axis == "X" else _bending(axis)
    return Structure(
        tuple(TrueMode(each_hz * frequency, each_q * q) for each_hz, each_q in modes),
        tuple(Sensor(name, of_modes) for name, of_modes in shares.items()),
    )


def _bending(axis: str) -> tuple[tuple[tuple[float, float], ...], dict[str, tuple[float, ...]]]:
    # Few elements and rounding make every machine see the same arm.
    shape = arm(HEAD, len(SHEAR), elements=40)
    hertz = [FIRST_HZ[axis] * round(float(r), 6) * (1.0 - s) for r, s in zip(shape.ratios, SHEAR, strict=True)]
    shares = {name: tuple(round(shape.share(k, at), 6) for k in range(len(SHEAR))) for name, at in PLACES.items()}
    return tuple(zip(hertz, BENDING_Q[axis], strict=True)), shares


def _notched(structure: Structure) -> Callable[[Floats], Floats]:
    """The profile, lowered in the notch where A1 would exceed its limit in steady state."""

    def level(f: Floats) -> Floats:
        held = NOTCH_AIM * NOTCH_G * G / np.abs(structure.steady(f)[0])
        inside = (f >= NOTCH_HZ[0]) & (f <= NOTCH_HZ[1])
        return np.where(inside, np.minimum(QUALIFICATION(f), held), QUALIFICATION(f))

    return level


def _run(
    file: str, axis: str, part: str, seed: int, dialect: Dialect, *,
    second: bool = False, ends: tuple[float, float] = (LOW_HZ, HIGH_HZ), faults: tuple[Fault, ...] = (),
    steps: tuple[HandStep, ...] = (),
) -> ExampleRun:  # fmt: skip
    structure = wind_sensor_arm(axis, part, second)
    loud = _notched(structure) if axis == "Y" else QUALIFICATION
    table = Table(
        loud if part == "sweep" else SURVEY, ripple=0.010, seed=seed, steps=steps,
        dips=tuple(Dip(mode.frequency_hz * 1.004, -0.3, 1.0 / mode.q) for mode in structure.modes),
    )  # fmt: skip
    laboratory = replace(LABORATORY, seed=seed + 500, faults=faults)
    return ExampleRun(f"logs/{file}", structure, _course(ends), table, laboratory, dialect)


def _course(ends: tuple[float, float]) -> Course:
    return sweep(*ends, RATE)


def _said(dialect: Dialect, *lines: str) -> Dialect:
    return replace(dialect, preamble=lines)


def _english(start: str, axis: str, serial: str = "0012") -> Dialect:
    return _said(PLAIN, f"# wind sensor arm {serial}, axis {axis}, exciter ED-2", f"# start 2026-06-{start}")


def _german(start: str) -> Dialect:
    return _said(GERMAN, "Windgeberarm 0012, Achse Y", f"Beginn {start}")


def _metric(start: str) -> Dialect:
    return _said(METRIC, "wind sensor arm 0012, axis Z", f"recorded {start}")


def wind_sensor_arm_runs() -> list[ExampleRun]:
    """Every log of the job in the order of time."""
    rattle = Fault("A1", "loose", from_s=float(np.log2(ABORTED_AT_HZ / LOW_HZ)) / RATE * 60.0 - CABLE_S)
    return [
        _run("x_pre.csv", "X", "pre", 301, _english("09 09:14", "X")),
        _run("x_sweep.csv", "X", "sweep", 302, _english("09 09:41", "X")),
        _run("x_post.csv", "X", "post", 303, _english("09 10:08", "X")),
        _run("y_pre.csv", "Y", "pre", 311, _german("09.06.2026 11:02")),
        _run("y_sweep_0.csv", "Y", "sweep", 312, _german("09.06.2026 11:34"),
             ends=(LOW_HZ, ABORTED_AT_HZ), faults=(rattle,)),
        _run("y_sweep_1.csv", "Y", "sweep", 313, _german("09.06.2026 13:10"), ends=(LOW_HZ, STOPPED_AT_HZ)),
        _run("y_sweep_2.csv", "Y", "sweep", 314, _german("09.06.2026 13:31"), ends=(RESUMED_AT_HZ, HIGH_HZ)),
        _run("y_post.csv", "Y", "post", 315, _german("09.06.2026 13:58")),
        _run("z_pre.txt", "Z", "pre", 321, _metric("2026-06-10 08:36")),
        _run("z_sweep.txt", "Z", "sweep", 322, _metric("2026-06-10 09:05"), steps=BY_HAND),
        _run("z_post.txt", "Z", "post", 323, _metric("2026-06-10 09:28")),
        _run("s13_y_pre.csv", "Y", "pre", 331, _english("10 11:15", "Y", "0013"), second=True),
        _run("s13_y_sweep.csv", "Y", "sweep", 332, _english("10 11:40", "Y", "0013"), second=True),
        _run("s13_y_post.csv", "Y", "post", 333, _english("10 12:06", "Y", "0013"), second=True),
    ]  # fmt: skip
