"""Identification: modes from a moving sweep, freed of what the sweep did to the log."""

from reportgen.compute.identification.mode_report import CRITERION
from reportgen.compute.identification.procedure import identify_modes
from reportgen.compute.identification.recorded_peak import (
    eta_of_loss,
    fastest_rate,
    iso_7626_2_rate,
    observed,
    swept_curve,
)
from reportgen.compute.identification.swept_response import ChannelFit, Identification, SweptResponse

__all__ = [
    "CRITERION",
    "ChannelFit",
    "Identification",
    "SweptResponse",
    "eta_of_loss",
    "fastest_rate",
    "identify_modes",
    "iso_7626_2_rate",
    "observed",
    "swept_curve",
]
