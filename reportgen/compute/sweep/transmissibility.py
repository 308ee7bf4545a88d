"""Response over control, row by row."""

from __future__ import annotations

import numpy as np

from reportgen.errors import ComputeError
from reportgen.records.log import Floats, Trace
from reportgen.records.message import message
from reportgen.records.result import Quotient
from reportgen.units import DIFFERENTIATIONS, Dimension

OVER_FORCE = {"accelerance": "acceleration", "mobility": "velocity", "receptance": "displacement"}
"""Motion of each quantity that ISO 7626-1 names over a force (from memory)."""
DECLARED_UNIT = {
    "force": "N/(m/s²)",
    "voltage": "V/(m/s²)",
    "strain": "1/(m/s²)",
    "pressure": "Pa/(m/s²)",
    "current": "A/(m/s²)",
    "temperature": "K/(m/s²)",
    "ratio": "1/(m/s²)",
}


def is_motion(trace: Trace) -> bool:
    """Whether the channel is a motion, so that response over control is a pure ratio."""
    return trace.dimension in DIFFERENTIATIONS


def acceleration_of(trace: Trace, frequency_hz: Floats) -> Floats:
    """Peak acceleration of a motion channel, m/s², shape (n,): a = (2πf)² d = 2πf v (ISO 2041).

    Raises ComputeError for a channel that is no motion.
    """
    if not is_motion(trace):
        raise ComputeError(message("control.no-motion", channel=trace.channel, found=Dimension(trace.dimension)))
    return np.asarray(trace.amplitude * (2.0 * np.pi * frequency_hz) ** DIFFERENTIATIONS[trace.dimension])


def reference_level(trace: Trace, frequency_hz: Floats) -> Floats:
    """Level of a control channel, peak, shape (n,): acceleration of a motion in m/s², or a force in N (ISO 7626-1).

    Raises ComputeError for any other quantity.
    """
    return trace.amplitude if trace.dimension == "force" else acceleration_of(trace, frequency_hz)


def magnitude_ratio(response: Trace, control_level: Floats, frequency_hz: Floats) -> Floats:
    """|response / control|, shape (n,); dimensionless for motions, else SI of the response per m/s².

    NaN where either has no reading or the control is zero: there is no ratio to nothing.
    """
    level = acceleration_of(response, frequency_hz) if is_motion(response) else response.amplitude
    ratio = np.full(level.shape, np.nan)
    known = np.isfinite(level) & np.isfinite(control_level) & (control_level > 0)
    ratio[known] = level[known] / control_level[known]
    return ratio


def ratio_unit(response: Trace, control_dimension: str = "acceleration") -> tuple[Quotient, str]:
    """(what it is, unit) of response over control: a motion over a motion, accelerance over a force."""
    if is_motion(response) == (control_dimension != "force"):
        return Quotient.RATIO, ""
    if is_motion(response):
        return Quotient.ACCELERANCE, "(m/s²)/N"
    return Quotient.OTHER, DECLARED_UNIT.get(response.dimension, "1/(m/s²)")


def phase_of_acceleration(response: Trace, control_dimension: str = "acceleration") -> Floats | None:
    """Phase of the response's acceleration against the control's or the force, degrees, shape (n,), −180 … 180.

    A log gives the phase between the quantities it measured; every differentiation turns it by +90°.
    None where the log has no phase.
    """
    if response.phase_deg is None:
        return None
    turns = DIFFERENTIATIONS.get(response.dimension, 0) - DIFFERENTIATIONS.get(control_dimension, 0)
    return np.asarray(180.0 - (180.0 - (response.phase_deg + 90.0 * turns)) % 360.0)
