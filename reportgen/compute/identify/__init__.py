"""Identification: modes from a moving sweep, freed of what the sweep did to the log."""

from reportgen.compute.identify.identify import CRITERION, identify_modes
from reportgen.compute.identify.observed import eta_of_loss, fastest_rate, iso_7626_2_rate, observed, swept_curve
from reportgen.compute.identify.sweep import ChannelFit, Identification, SweptResponse

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
