"""Equipment rack: twelve response channels along three axes, a survey, a sweep and a survey along each.

Four shelves with three sensors each: left and right post of the frame, and the unit that stands on the shelf.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.simulator.course import Dip, G, Table, profile_level, sweep
from tests.simulator.example_run import PAIR, ExampleRun
from tests.simulator.log_file import Dialect
from tests.simulator.recorder import Laboratory, Noise
from tests.simulator.structure import Sensor, Structure, TrueMode

MODES = {
    "X": ((62.0, 21.0), (148.0, 17.0), (331.0, 19.0)),
    "Y": ((48.0, 24.0), (133.0, 18.0), (290.0, 16.0)),
    "Z": ((84.0, 19.0), (205.0, 22.0), (402.0, 17.0)),
}
SHELVES = (0.25, 0.50, 0.75, 1.00)
"""Height of each shelf over that of the rack."""
PLACES = ((1.00, 0.90, 0.55), (0.94, 0.82, -0.48), (1.06, 1.15, 0.70))
"""Left post, right post and unit: how much each moves in the modes, over the middle of its shelf."""
OF_RUN = {"pre": (1.0, 1.0), "sweep": (0.994, 0.95), "post": (0.997, 0.99)}
"""Factors of frequency and Q: as delivered, at full level, after the sweep."""

LOW_HZ, HIGH_HZ, RATE = 20.0, 500.0, 2.0
SURVEY = profile_level([(LOW_HZ, 0.2, "g"), (HIGH_HZ, 0.2, "g")])
QUALIFICATION = profile_level([(LOW_HZ, 0.5, "mm"), (22.3, 0.5, "mm"), (22.3, 1.0, "g"), (HIGH_HZ, 1.0, "g")])

LABORATORY = Laboratory(
    row_s=0.3,
    controls=PAIR,
    control_noise=Noise(floor=3e-4 * G, share=0.003),
    default_noise=Noise(floor=1e-3 * G, share=0.004),
)
DIALECT = Dialect(time_format="%.1f", frequency_format="%.3f", amplitude_format="%.4g", phase_format="%.1f")


def _shares(shelf: float, place: tuple[float, float, float]) -> tuple[float, ...]:
    """The rack sways, bends once, and its shelves move against each other."""
    of_modes = (1.20 * shelf, 0.60 * np.sin(1.45 * np.pi * shelf), 0.40 * np.sin(2.4 * np.pi * shelf))
    return tuple(round(float(shape) * part, 3) for shape, part in zip(of_modes, place, strict=True))


def equipment_rack(axis: str, part: str) -> Structure:
    """The rack along one axis as a part of the test (``pre``, ``sweep``, ``post``) found it."""
    frequency, q = OF_RUN[part]
    every = [_shares(shelf, place) for shelf in SHELVES for place in PLACES]
    return Structure(
        tuple(TrueMode(hertz * frequency, each_q * q) for hertz, each_q in MODES[axis]),
        tuple(Sensor(f"A{k}", shares) for k, shares in enumerate(every, start=1)),
    )


def _run(axis: str, part: str, seed: int) -> ExampleRun:
    structure = equipment_rack(axis, part)
    table = Table(
        QUALIFICATION if part == "sweep" else SURVEY, ripple=0.010, seed=seed,
        dips=tuple(Dip(mode.frequency_hz, -0.3, 1.0 / mode.q) for mode in structure.modes),
    )  # fmt: skip
    laboratory = replace(LABORATORY, seed=seed + 500)
    name = f"logs/{axis.lower()}_{part}.csv"
    return ExampleRun(name, structure, sweep(LOW_HZ, HIGH_HZ, RATE), table, laboratory, DIALECT)


def equipment_rack_runs() -> list[ExampleRun]:
    """Survey, sweep and survey of each axis."""
    parts = list(enumerate(("pre", "sweep", "post")))
    return [_run(axis, part, 601 + 10 * "XYZ".index(axis) + k) for axis in "XYZ" for k, part in parts]
