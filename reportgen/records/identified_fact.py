"""What the identification says about a run, a channel or a resonance, as facts: a code and its values."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class FactCode(StrEnum):
    """What may be said. Behind a code: the values that go with it, where there are any."""

    # of a run that is not identified
    TOO_FEW_ROWS = "too few rows"  # rows, least_rows
    NOTHING_READ = "nothing read"
    # of a run
    NO_TIME = "no time"
    STEADY_ROWS = "steady rows"
    STEADY_STATED = "steady stated"
    FILTER_UNSTATED = "filter unstated"  # bandwidth_hz
    FILTER_SUSPECTED = "filter suspected"  # bandwidth_hz
    FILTER_REFITTED = "filter refitted"  # bandwidth_hz, poles
    FILTER_DELAY_OPEN = "filter delay open"  # delay_std_s
    PHASE_TURNED = "phase turned"
    MAINS_LINES = "mains lines"
    COMPLEX_RESIDUES = "complex residues"
    MISFIT_SHARE = "misfit share"  # share: of the response, what the model leaves at the median mode
    SEARCH_BROKEN_OFF = "search broken off"
    # of a channel
    NO_READINGS = "no readings"
    NO_PHASE = "no phase"
    NOISE_ROWS = "noise rows"  # rows
    # of a resonance on a channel
    NO_PEAK = "no peak"
    AT_RANGE_END = "at range end"
    OVERLAPS_NEIGHBOUR = "overlaps neighbour"
    PEAK_REDUCED = "peak reduced"  # share
    CALIBRATION_UNSTATED = "calibration unstated"
    MISFIT = "misfit"  # inflation
    LEVEL_DEPENDENT = "level dependent"  # share: change of the frequency over the levels


@dataclass(frozen=True, slots=True, kw_only=True)
class IdentifiedFact:
    """A fact; a value that does not go with its code is None."""

    code: FactCode
    rows: int | None = None
    least_rows: int | None = None
    bandwidth_hz: float | None = None
    """Two-sided, −3 dB."""
    share: float | None = None
    """Recorded peak over steady-state peak, or what stands beside the code."""
    inflation: float | None = None
    """Of the noise variance."""
    poles: int | None = None
    """Of a tracking filter."""
    delay_std_s: float | None = None
    """Standard uncertainty of the delay of a stated tracking filter."""
