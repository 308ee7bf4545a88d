"""Makes the logs and drawings of the example jobs: ``python -m tests.simulator.examples``.

The job files, notes and READMEs of the examples are written by hand and stay as they are; what is made here follows
from the constants below alone, byte for byte.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from tests.simulator.cantilever import arm
from tests.simulator.course import Dip, G, HandStep, Table, dwell, profile_level, sweep
from tests.simulator.equipment_rack import equipment_rack_runs
from tests.simulator.example_run import PAIR, ExampleRun
from tests.simulator.log_file import Dialect, log_bytes
from tests.simulator.recorder import Fault, Filter, Laboratory, Noise
from tests.simulator.ring_down import Blow, Joint, micro_slip, ring_down
from tests.simulator.signal_lamp import signal_lamp_runs
from tests.simulator.structure import Sensor, Structure, TrueMode
from tests.simulator.time_history import pluck_record
from tests.simulator.wind_sensor_arm import wind_sensor_arm_runs

EXAMPLES = Path(__file__).resolve().parents[2] / "example_logs"

# --- sensor boom: a clamped arm with a head of a tenth of its mass -------------------------------------------------

BOOM_FIRST_HZ = 10.80
BOOM_HEAD = 0.10
BOOM_Q = (46.0, 38.0, 33.0, 28.0, 24.0, 9.0, 8.0, 7.0)
BOOM_SHEAR = (0.0, 0.002, 0.006, 0.012, 0.020, 0.030, 0.040, 0.050)
"""How far shear and rotary inertia pull the real arm below the slender theory."""
BOOM_DAMPED = 2e-5
"""Share of the theoretical response left of modes 6 to 8: the arm's foam core swallows them."""
BOOM_SENSORS = {"A1": 1.00, "A2": 0.55}

SURVEY_BOOM = profile_level([(5.0, 0.03, "g"), (40.0, 0.3, "g"), (2000.0, 0.3, "g")])
QUALIFICATION_BOOM = profile_level([(5.0, 0.5, "mm"), (31.5, 0.5, "mm"), (31.5, 2.0, "g"), (2000.0, 2.0, "g")])


def boom(frequency_factor: float = 1.0, q_factor: float = 1.0) -> Structure:
    """The boom; factors for what level and test did to it."""
    # Few elements keep the eigenvalue problem well conditioned, and rounding makes every machine see the same arm.
    shape = arm(BOOM_HEAD, len(BOOM_Q), elements=40)
    modes = tuple(
        TrueMode(BOOM_FIRST_HZ * round(float(ratio), 6) * (1.0 - shear) * frequency_factor, q * q_factor)
        for ratio, shear, q in zip(shape.ratios, BOOM_SHEAR, BOOM_Q, strict=True)
    )
    sensors = []
    for name, place in BOOM_SENSORS.items():
        shares = [round(shape.share(k, place), 6) * (1.0 if k < 5 else BOOM_DAMPED) for k in range(len(modes))]
        sensors.append(Sensor(name, tuple(shares)))
    return Structure(modes, tuple(sensors))


BOOM_LABORATORY = Laboratory(
    row_s=0.1,
    tracking=Filter(hz=10.0),
    controls=PAIR,
    control_noise=Noise(floor=2e-4 * G, share=0.002),
    default_noise=Noise(floor=1.5e-3 * G, share=0.003),
)


def _dips(structure: Structure, db: float) -> tuple[Dip, ...]:
    return tuple(Dip(mode.frequency_hz * 1.004, db, 1.2 / mode.q) for mode in structure.modes[:5])


def boom_runs() -> list[ExampleRun]:
    """Survey, qualification sweep, dwell and survey of the boom."""
    fresh, loud, tired = boom(), boom(0.996, 0.94), boom(0.9925, 0.97)
    resonance = loud.modes[0].frequency_hz
    plain = Dialect()
    noted = replace(plain, preamble=("# vibration laboratory, exciter 2", "# X axis, boom clamped at the root flange"))
    by_hand = (HandStep(8.4, -6.0), HandStep(16.0, +6.0))
    through = sweep(5.0, 2000.0, 2.0)
    standing = Table(profile_level([(5.0, 0.25, "mm"), (31.5, 0.25, "mm")]), ripple=0.006, ripple_s=20.0, seed=13)
    return [
        ExampleRun("logs/x_pre.csv", fresh, through, _survey(fresh, 11), replace(BOOM_LABORATORY, seed=21), noted),
        ExampleRun(
            "logs/x_sweep.csv",
            loud,
            through,
            Table(QUALIFICATION_BOOM, ripple=0.012, steps=by_hand, dips=_dips(loud, -0.35), seed=12),
            replace(BOOM_LABORATORY, seed=22),
            noted,
        ),
        ExampleRun(
            "logs/x_dwell.csv",
            loud,
            dwell(round(resonance, 2), 2000.0),
            standing,
            replace(BOOM_LABORATORY, row_s=1.0, seed=23),
            plain,
        ),
        ExampleRun("logs/x_post.csv", tired, through, _survey(tired, 14), replace(BOOM_LABORATORY, seed=24), noted),
    ]


def _survey(structure: Structure, seed: int) -> Table:
    return Table(SURVEY_BOOM, ripple=0.010, dips=_dips(structure, -0.4), seed=seed)


def boom_decay() -> bytes:
    """Free decay after a pluck at the head, drive off: a time history."""
    record = pluck_record(
        boom(0.9925, 0.97), (2.2 * G, 0.5 * G, *[0.0] * 6), 400.0, 9.0, quiet_s=0.8, noise=2e-3 * G, seed=31
    )
    columns = [("time", "s", "%.4f", record.time_s)]
    columns += [(name, "g", "%.5f", values / G) for name, values in record.channels.items()]
    return log_bytes(columns, Dialect(preamble=("# X axis, plucked at the head by hand, drive off",)))


# --- controller box: three axes, not a beam -------------------------------------------------------------------------

BOX_MODES = {
    "X": ((168.0, 22.0), (412.0, 16.0), (905.0, 20.0)),
    "Y": ((141.0, 18.0), (366.0, 24.0), (768.0, 17.0)),
    "Z": ((118.0, 29.0), (287.0, 15.0), (640.0, 19.0)),
}
BOX_SHARES = {
    "X": {"A1": (0.90, 0.30, -0.15), "A2": (0.62, -0.45, 0.22), "A3": (0.40, 0.55, 0.30)},
    "Y": {"A1": (0.75, 0.42, -0.20), "A2": (0.98, -0.38, 0.25), "A3": (0.35, 0.62, 0.28)},
    "Z": {"A1": (0.55, 0.48, -0.22), "A2": (1.15, -0.30, 0.20), "A3": (0.60, 0.35, 0.33)},
}
SURVEY_BOX = profile_level([(20.0, 0.5, "g"), (2000.0, 0.5, "g")])
QUALIFICATION_BOX = profile_level([(20.0, 0.75, "mm"), (40.7, 0.75, "mm"), (40.7, 5.0, "g"), (2000.0, 5.0, "g")])

GERMAN = Dialect(
    delimiter=";", decimal=",", encoding="cp1252", newline="\r\n", unit_style="row", names=("Zeit", "Frequenz"),
    phase_name="Phase", degrees="°",
    renamed=(("C1", "Regler 1"), ("C2", "Regler 2"), ("A1", "Deckel"), ("A2", "Platine"), ("A3", "Träger")),
)  # fmt: skip
WIDE = Dialect(delimiter="\t", encoding="utf-16", newline="\r\n", unit_style="()", unit="m/s²")
PREAMBLE = Dialect(
    unit="m/s² rms", hide_detector=True, unit_style="/",
    preamble=(
        "Test laboratory, sine control", "Specimen: controller box, serial 0031", "Axis: Z",
        "Amplitudes: effective values", "",
    ),
)  # fmt: skip
BOX_DIALECTS = {"X": GERMAN, "Y": WIDE, "Z": PREAMBLE}
BOX_LABORATORY = Laboratory(
    row_s=0.1,
    controls=PAIR,
    control_noise=Noise(floor=1e-3 * G, share=0.003),
    default_noise=Noise(floor=4e-3 * G, share=0.005),
)
LOOSE_FROM_HZ = 300.0
"""The sweep of the Y axis runs down; at this frequency sensor A3 comes off."""


def box(axis: str, frequency_factor: float = 1.0, q_factor: float = 1.0) -> Structure:
    """The box along one axis."""
    modes = tuple(TrueMode(f * frequency_factor, q * q_factor) for f, q in BOX_MODES[axis])
    return Structure(modes, tuple(Sensor(name, shares) for name, shares in BOX_SHARES[axis].items()))


def _box_run(axis: str, index: int, name: str) -> ExampleRun:
    factors = {"pre": (1.0, 1.0), "sweep": (0.991, 0.93), "post": (0.994, 0.98)}[name]
    structure = box(axis, *factors)
    loud = name == "sweep"
    ends = (2000.0, 20.0) if axis == "Y" else (20.0, 2000.0)
    course = sweep(*ends, 1.0 if loud else 2.0)
    seed = 100 + 10 * "XYZ".index(axis) + index
    table = Table(
        QUALIFICATION_BOX if loud else SURVEY_BOX, ripple=0.012, seed=seed,
        dips=tuple(Dip(mode.frequency_hz, -0.3, 1.0 / mode.q) for mode in structure.modes),
    )  # fmt: skip
    laboratory = replace(BOX_LABORATORY, row_s=0.2 if loud else 0.1, seed=seed + 500)
    if axis == "Y" and loud:
        off = float(np.log2(2000.0 / LOOSE_FROM_HZ) * 60.0)
        laboratory = replace(laboratory, faults=(Fault("A3", "loose", from_s=off),))
    return ExampleRun(
        f"logs/{axis.lower()}_{name}.{'txt' if axis == 'Y' else 'csv'}",
        structure,
        course,
        table,
        laboratory,
        BOX_DIALECTS[axis],
    )


def box_runs() -> list[ExampleRun]:
    """Survey, sweep and survey of each axis of the box."""
    return [_box_run(axis, k, name) for axis in "XYZ" for k, name in enumerate(("pre", "sweep", "post"))]


# --- bolted bracket: a lap joint that slips, struck and left to ring down ---------------------------------------------

BRACKET = Structure(
    (TrueMode(46.0, 450.0), TrueMode(131.0, 85.0)), (Sensor("A1", (1.0, 0.25)), Sensor("A2", (0.62, -0.40)))
)
"""Modes with the lap joint's slipping elements left out, and what each sensor sees of them."""
BRACKET_JOINT = (1.0, 0.25)
"""Motion of the lap joint in each mode."""
BRACKET_SLIP, BRACKET_EXPONENT, BRACKET_REACH_M = 0.06, -0.5, 1.2e-3
"""Stiffness of the joint over that of the first mode, exponent of its loss, way at which all of it slips."""
BRACKET_RATE_HZ, BRACKET_SECONDS, BRACKET_BLOW_S = 640.0, 5.0, 0.006
BRACKET_BEFORE, BRACKET_AFTER = (1.0, 6.0), (0.92, 6.3)
"""Stiffness of the joint over that as delivered, and the first amplitude of the dummy mass in g."""


def bracket_joint(stiffness: float) -> Joint:
    """The lap joint, as stiff as delivered or less."""
    omega = 2 * np.pi * BRACKET.modes[0].frequency_hz
    return micro_slip(stiffness * BRACKET_SLIP * omega**2, BRACKET_EXPONENT, BRACKET_REACH_M)


def bracket_decay(stiffness: float, level_g: float, seed: int) -> bytes:
    """A blow of a soft hammer, half a sine long, and what follows: a time history."""
    omega = 2 * np.pi * BRACKET.modes[0].frequency_hz
    blow = Blow(0.3, BRACKET_BLOW_S, level_g * G * np.pi / (2 * omega * BRACKET_BLOW_S))
    record = ring_down(
        BRACKET, bracket_joint(stiffness), BRACKET_JOINT, BRACKET_RATE_HZ, BRACKET_SECONDS,
        blows=(blow,), noise=3e-3 * G, seed=seed,
    )  # fmt: skip
    columns = [("time", "s", "%.5f", record.time_s)]
    columns += [(name, "g", "%.4f", values / G) for name, values in record.channels.items()]
    return log_bytes(columns, Dialect(preamble=("# Z axis, struck once with a soft hammer",)))


def write_examples(root: Path = EXAMPLES) -> list[Path]:
    """Write every log below ``root``; returns the files."""
    contents = {f"sensor_boom/{run.file}": run.content() for run in boom_runs()}
    contents["sensor_boom/logs/x_decay.csv"] = boom_decay()
    contents |= {f"controller_box/{run.file}": run.content() for run in box_runs()}
    contents |= {f"wind_sensor_arm/{run.file}": run.content() for run in wind_sensor_arm_runs()}
    contents |= {f"signal_lamp/{run.file}": run.content() for run in signal_lamp_runs()}
    contents |= {f"equipment_rack/{run.file}": run.content() for run in equipment_rack_runs()}
    contents["bolted_bracket/logs/z_before.csv"] = bracket_decay(*BRACKET_BEFORE, seed=41)
    contents["bolted_bracket/logs/z_after.csv"] = bracket_decay(*BRACKET_AFTER, seed=42)
    for name, content in contents.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    return [root / name for name in contents]


if __name__ == "__main__":
    from tests.simulator.drawings import write_drawings

    for written in [*write_examples(), *write_drawings(EXAMPLES)]:
        print(f"{written.relative_to(EXAMPLES.parent)}  {written.stat().st_size} bytes")
