"""Factors by which a reading is off where its unit was taken for another."""

from __future__ import annotations

import math
from dataclasses import dataclass

from reportgen.units import STANDARD_GRAVITY

TOLERANCE = 0.03
"""Two sensors of 1.5 % calibration each, as a fraction: as near as a factor can be told."""


@dataclass(frozen=True, slots=True)
class UnitFactor:
    """A factor and what it comes from."""

    value: float
    what: str
    orientation: bool = False
    """Whether a sensor at an angle (cos 45°, cos 60°) reads as much less."""


FACTORS = (
    UnitFactor(STANDARD_GRAVITY, "m/s² and g"),
    UnitFactor(1000.0, "a unit and its thousandth"),
    UnitFactor(25.4, "inch and millimetre"),
    UnitFactor(2.0 * math.sqrt(2.0), "peak-to-peak and rms"),
    UnitFactor(2.0, "peak-to-peak and peak", orientation=True),
    UnitFactor(math.sqrt(2.0), "peak and rms", orientation=True),
)


def unit_factor(ratio: float) -> UnitFactor | None:
    """The factor that a ratio, or its inverse, is within ``TOLERANCE``; None where there is none.

    >>> unit_factor(9.79).what
    'm/s² and g'
    >>> unit_factor(0.5003).what
    'peak-to-peak and peak'
    >>> unit_factor(1.01) is None
    True
    """
    if not (math.isfinite(ratio) and ratio > 0):
        return None
    larger = max(ratio, 1.0 / ratio)
    return next((each for each in FACTORS if abs(larger / each.value - 1.0) <= TOLERANCE), None)
