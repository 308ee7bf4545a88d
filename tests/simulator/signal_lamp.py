"""Signal lamp on its bracket: a sweep that fails in three ways and loses a sensor, a survey before and one after.

The controller cannot hold the table through the first mode, the lamp's head moves more than it may, and a screw of the
bracket turns during the sweep, so that everything is softer afterwards. The cable of the lens's sensor breaks.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.simulator.course import Dip, G, Table, profile_level, sweep
from tests.simulator.example_run import PAIR, ExampleRun
from tests.simulator.log_file import Dialect
from tests.simulator.recorder import Fault, Laboratory, Noise
from tests.simulator.structure import Sensor, Structure, TrueMode

MODES = ((58.0, 31.0), (143.0, 22.0), (318.0, 18.0))
SHARES = {
    "A1": (1.30, 0.42, -0.20),
    "A2": (0.55, -0.60, 0.30),
    "A3": (1.05, 0.70, 0.45),
    "A4": (0.32, 0.40, 0.50),
}
"""Lamp head, middle of the bracket, lens, cable gland."""
OF_RUN = {"pre": (1.0, 1.0), "sweep": (0.985, 0.94), "post": (0.92, 0.85)}
"""Factors of frequency and Q: as delivered, at full level, with the screw that has turned."""

LOW_HZ, HIGH_HZ, RATE = 10.0, 500.0, 2.0
SURVEY = profile_level([(LOW_HZ, 0.3, "g"), (HIGH_HZ, 0.3, "g")])
QUALIFICATION = profile_level([(LOW_HZ, 2.0, "mm"), (19.3, 2.0, "mm"), (19.3, 3.0, "g"), (HIGH_HZ, 3.0, "g")])
DIP_DB = {"pre": -0.4, "sweep": -1.9, "post": -0.4}
"""How far the table falls behind the first mode; at full level the amplifier has no more to give."""
BROKEN_AT_HZ = 96.0
"""Where in the sweep the cable of A3 breaks."""

LABORATORY = Laboratory(
    row_s=0.2,
    controls=PAIR,
    control_noise=Noise(floor=5e-4 * G, share=0.003),
    default_noise=Noise(floor=2e-3 * G, share=0.004),
)
DIALECT = Dialect(time_format="%.1f", preamble=("# signal lamp 0007 on its bracket, axis Z",))


def signal_lamp(part: str) -> Structure:
    """The lamp as a part of the test (``pre``, ``sweep``, ``post``) found it."""
    frequency, q = OF_RUN[part]
    return Structure(
        tuple(TrueMode(hertz * frequency, each_q * q) for hertz, each_q in MODES),
        tuple(Sensor(name, shares) for name, shares in SHARES.items()),
    )


def _run(part: str, seed: int, faults: tuple[Fault, ...] = ()) -> ExampleRun:
    structure = signal_lamp(part)
    first, *others = structure.modes
    dips = (
        Dip(first.frequency_hz, DIP_DB[part], 1.0 / first.q),
        *(Dip(mode.frequency_hz, -0.3, 1.0 / mode.q) for mode in others),
    )
    table = Table(QUALIFICATION if part == "sweep" else SURVEY, ripple=0.010, seed=seed, dips=dips)
    laboratory = replace(LABORATORY, seed=seed + 500, faults=faults)
    return ExampleRun(f"logs/z_{part}.csv", structure, sweep(LOW_HZ, HIGH_HZ, RATE), table, laboratory, DIALECT)


def signal_lamp_runs() -> list[ExampleRun]:
    """Survey, sweep and survey along Z."""
    broken_s = float(np.log2(BROKEN_AT_HZ / LOW_HZ)) / RATE * 60.0
    return [
        _run("pre", 401),
        _run("sweep", 402, (Fault("A3", "drop-out", from_s=broken_s),)),
        _run("post", 403, (Fault("A3", "dead"),)),
    ]
