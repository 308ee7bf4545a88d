"""What the identification is given and what it returns: one run's swept response, and the modes found in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reportgen.errors import ComputeError
from reportgen.records.identified_fact import FactCode, IdentifiedFact
from reportgen.records.job import TrackingFilter
from reportgen.records.log import Floats
from reportgen.records.message import Message, message
from reportgen.records.result import Resonance, UnexplainedPeak


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SweptResponse:
    """Control and responses of one run, rows in the order of time; SI, peak."""

    frequency_hz: Floats
    """Drive frequency, shape (n,)."""
    control: Floats
    """Combined control amplitude as measured, shape (n,); the drive of every mode."""
    responses: Floats
    """Response amplitudes, shape (n, c); NaN where a row has no reading."""
    channels: tuple[str, ...]
    dimensions: tuple[str, ...]
    """Dimension of each response channel: ``acceleration``, ``velocity``, ``displacement``, ``force``, ``strain`` …"""
    control_dimension: str = "acceleration"
    time_s: Floats | None = None
    """Shape (n,), rising; None: steady state is assumed, and said."""
    drive_cycles: Floats | None = None
    """Phase of the drive in cycles, shape (n,), where the source gives it exactly; None: frequency is integrated."""
    steady: bool = False
    """True where the rows are known to show steady vibration; ``time_s`` is None then."""
    phases_deg: Floats | None = None
    """Phase of each response against the control, shape (n, c); a column of NaN where a channel has none."""
    tracking_filter: TrackingFilter | None = None
    calibration: tuple[float | None, ...] | None = None
    """Relative standard uncertainty of each response channel's calibration, as a fraction."""
    control_calibration: float | None = None
    """Relative standard uncertainty of the control's calibration, as a fraction."""
    sweep_rate_unit: str = "oct/min"
    """Unit in which rates are reported: ``oct/min`` or ``Hz/s``."""

    def __post_init__(self) -> None:
        n = len(self.frequency_hz)
        if self.responses.ndim != 2 or self.responses.shape != (n, len(self.channels)):
            raise ComputeError(message("swept.shape"))
        for name in ("control", "time_s", "drive_cycles", "phases_deg"):
            values = getattr(self, name)
            if values is not None and len(values) != n:
                raise ComputeError(message("swept.rows", name=name, rows=len(values), expected=n))
        if len(self.dimensions) != len(self.channels):
            raise ComputeError(message("swept.dimension"))
        if self.calibration is not None and len(self.calibration) != len(self.channels):
            raise ComputeError(message("swept.calibration"))

    def calibration_std(self, channel: int) -> float | None:
        """Relative standard uncertainty of response over control; None where one of them states none."""
        own = None if self.calibration is None else self.calibration[channel]
        control = self.control_calibration
        return None if own is None or control is None else float(np.hypot(own, control))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChannelFit:
    """What was identified on one channel."""

    channel: str
    resonances: tuple[Resonance, ...]
    """In the order of frequency."""
    fitted: Floats
    """Steady-state |response/control| of the model at every row, shape (n,)."""
    fitted_swept: Floats
    """|response/control| of the model as the sweep saw it, shape (n,)."""
    noise_floor: float | None
    """Standard deviation of the additive noise, in units of |response/control| at the median control level."""
    unexplained: tuple[UnexplainedPeak, ...] = ()
    """Peaks of the recorded curve that stand out of the noise and that nothing explains."""
    peaks: int | None = None
    """All peaks that stand out of the noise; None where they were not looked for."""
    flags: tuple[Message, ...] = ()
    """The facts, in words."""
    facts: tuple[IdentifiedFact, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Identification:
    """The modes of one run."""

    channels: tuple[ChannelFit, ...]
    method: Message
    """How the resonances were identified."""
    criterion: Message
    """By what criterion a mode counts as found."""
    flags: tuple[Message, ...] = ()
    """The facts, in words."""
    facts: tuple[IdentifiedFact, ...] = ()

    def channel(self, channel_id: str) -> ChannelFit | None:
        """The fit of that channel, or None."""
        return next((fit for fit in self.channels if fit.channel == channel_id), None)


def steadiness(sweep: SweptResponse) -> FactCode:
    """Why the rows of a run that is fitted as steady state are taken for that."""
    if sweep.steady:
        return FactCode.STEADY_STATED
    return FactCode.NO_TIME if sweep.time_s is None else FactCode.STEADY_ROWS


def usable_rows(sweep: SweptResponse) -> np.ndarray:
    """Rows whose frequency, control (and time) can drive the model: finite and positive; shape (n,), bool."""
    keep = np.isfinite(sweep.frequency_hz) & (sweep.frequency_hz > 0) & np.isfinite(sweep.control) & (sweep.control > 0)
    for column in (sweep.time_s, sweep.drive_cycles):
        if column is not None:
            keep &= np.isfinite(column)
    return keep
