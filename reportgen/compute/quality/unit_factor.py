"""Factors by which a reading is off where its unit was taken for another."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from reportgen.units import STANDARD_GRAVITY

TOLERANCE = 0.03
"""Two sensors of 1.5 % calibration each, as a fraction: as near as a factor can be told."""


class UnitPair(StrEnum):
    """Two units, or ways to state an amplitude, of which one is taken for the other."""

    MPS2_AND_G = "m/s² and g"
    THOUSANDTH = "a unit and its thousandth"
    INCH_AND_MM = "inch and millimetre"
    PEAK_TO_PEAK_AND_RMS = "peak-to-peak and rms"
    PEAK_TO_PEAK_AND_PEAK = "peak-to-peak and peak"
    PEAK_AND_RMS = "peak and rms"


@dataclass(frozen=True, slots=True)
class UnitFactor:
    """A factor and what it comes from."""

    value: float
    units: UnitPair
    orientation: bool = False
    """Whether a sensor at an angle (cos 45°, cos 60°) reads as much less."""


FACTORS = (
    UnitFactor(STANDARD_GRAVITY, UnitPair.MPS2_AND_G),
    UnitFactor(1000.0, UnitPair.THOUSANDTH),
    UnitFactor(25.4, UnitPair.INCH_AND_MM),
    UnitFactor(2.0 * math.sqrt(2.0), UnitPair.PEAK_TO_PEAK_AND_RMS),
    UnitFactor(2.0, UnitPair.PEAK_TO_PEAK_AND_PEAK, orientation=True),
    UnitFactor(math.sqrt(2.0), UnitPair.PEAK_AND_RMS, orientation=True),
)


def unit_factor(ratio: float) -> UnitFactor | None:
    """The factor that a ratio, or its inverse, is within ``TOLERANCE``; None where there is none.

    >>> str(unit_factor(9.79).units), str(unit_factor(0.5003).units)
    ('m/s² and g', 'peak-to-peak and peak')
    >>> unit_factor(1.01) is None
    True
    """
    if not (math.isfinite(ratio) and ratio > 0):
        return None
    larger = max(ratio, 1.0 / ratio)
    return next((each for each in FACTORS if abs(larger / each.value - 1.0) <= TOLERANCE), None)
