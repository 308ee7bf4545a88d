"""What was computed: sweeps as really run, control, resonances with uncertainties, modes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from reportgen.records.holes import inside_any
from reportgen.records.identified_fact import IdentifiedFact
from reportgen.records.job import Annotation, ControlStrategy
from reportgen.records.log import Floats
from reportgen.records.message import Message, Place
from reportgen.records.note import MotionKind
from reportgen.records.stretch import Direction


class NotJudgedCause(StrEnum):
    """Why a stretch of the control is not held against the tolerance."""

    JUMP = "jump in the profile"
    """Within one row or 1 % of it: a controller takes time to follow."""
    OUTSIDE_PROFILE = "outside the profile"
    NO_READING = "no reading of the control"
    EXCLUDED = "not used, as the engineer decided"


@dataclass(frozen=True, slots=True, kw_only=True)
class NotJudged:
    """A stretch of the control that is not held against the tolerance."""

    from_hz: float
    to_hz: float
    cause: NotJudgedCause

    @property
    def band_hz(self) -> tuple[float, float]:
        """Lowest and highest frequency."""
        return self.from_hz, self.to_hz


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepFacts:
    """The sweep as really run."""

    direction: Direction
    rate: float | None
    """Positive; None with ``rate_reason`` where it cannot be had."""
    rate_unit: str
    """``oct/min`` or ``Hz/s``."""
    rate_reason: Message | None = None
    first_hz: float
    last_hz: float
    lowest_hz: float
    highest_hz: float
    rows: int
    duration_s: float | None = None
    cycles: float | None = None
    rate_from: float | None = None
    rate_to: float | None = None
    """Slowest and fastest local rate, robust against row jitter."""
    rate_outside: tuple[tuple[float, float], ...] = ()
    """Bands (Hz) where the local rate differs by more than 10 % from the median."""
    sweep_cycles: float | None = None
    """Times the range was travelled once in each direction (IEC 60068-2-6): one sweep up is half a cycle."""
    holds: tuple[tuple[float, float], ...] = ()
    """(frequency Hz, seconds) of stretches that stood still."""
    level_steps: tuple[tuple[float, float], ...] = ()
    """(frequency Hz, step dB) where the control level was changed against the profile or its own course."""
    rate_std: float | None = None
    """Standard uncertainty of ``rate``, from the scatter of the rows about the law."""
    local_rate_std: float | None = None
    """Standard uncertainty of one local rate, as ``rate_from`` and ``rate_to`` are."""
    first_spacing_hz: float | None = None
    """Distance of the first two different frequencies: how finely the start is known."""
    last_spacing_hz: float | None = None
    pieces: tuple[tuple[float, float], ...] = ()
    """First and last frequency, Hz, of each piece of a sweep that was interrupted; empty where it ran through."""
    holes: tuple[tuple[float, float], ...] = ()
    """Bands, Hz, between the lowest and the highest frequency in which the log has no row."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NotchResult:
    """A notch held against its own limit."""

    channel: str
    from_hz: float
    to_hz: float
    limit: float
    """Peak, SI of ``dimension``."""
    dimension: str
    text: str
    highest: float | None
    """Highest level of the channel in the band, peak, SI of ``dimension``; None with ``reason``."""
    at_hz: float | None = None
    outside_bands: tuple[tuple[float, float], ...] = ()
    lowest_control_db: float | None = None
    """How far the control went below the profile in the band."""
    reason: Message | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ControlResult:
    """Control against profile."""

    frequency_hz: Floats
    level: Floats
    """Combined control acceleration, m/s² peak, shape (n,)."""
    required: Floats | None
    """Profile at those frequencies, m/s² peak; NaN inside a jump and outside the profile."""
    lower: Floats | None
    upper: Floats | None
    abort_lower: Floats | None = None
    abort_upper: Floats | None = None
    deviation_db: Floats | None = None
    channels: tuple[str, ...] = ()
    dimension: str = "acceleration"
    """Of the reference: ``force`` where ``level`` is one, in N."""
    strategy: ControlStrategy = ControlStrategy.AVERAGE
    time_s: Floats | None = None
    """Shape (n,), where the log has time."""
    not_judged_bands: tuple[NotJudged, ...] = ()
    notches: tuple[NotchResult, ...] = ()
    notched_line: Floats | None = None
    """Level to which the agreed notches let the control fall, m/s² peak, shape (n,); NaN outside them."""
    time_at_level_s: float | None = None
    """Seconds with the control at or above its lower tolerance limit (or the profile, where there is none)."""
    worst_deviation_db: float | None = None
    at_hz: float | None = None
    outside_bands: tuple[tuple[float, float], ...] = ()
    outside_share: float | None = None
    """Share of the judged sweep outside tolerance, by time where known, else by rows."""
    spread_db: float | None = None
    """Largest over smallest control channel at the row where they differ most; None with one channel."""
    spread_at_hz: float | None = None
    aborted_bands: tuple[tuple[float, float], ...] = ()
    reason: Message | None = None
    """Why nothing could be compared."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Observed:
    """What the log shows as recorded, not freed of the sweep's effect. None where it cannot be read off."""

    peak_hz: float | None = None
    amplification: float | None = None
    response_mps2: float | None = None
    """Peak acceleration of the response at ``peak_hz``; None where the response is no motion or the control a force."""
    half_power_q: float | None = None
    half_power_reason: Message | None = None
    sweep_reduction: float | None = None
    """Recorded peak over steady-state peak."""
    sweep_parameter: float | None = None
    """η = Q² |df/dt| / f²."""
    fastest_rate: float | None = None
    """Rate that would have kept the reduction of the peak below 5 %, in the run's own unit; None where no rate would:
    more is missing than the rate takes."""
    fastest_rate_unit: str = "oct/min"
    iso_7626_2_rate: float | None = None
    """Limit of ISO 7626-2 for the rate, for comparison, in the same unit."""
    iso_7626_2_reduction: float | None = None
    """Recorded peak over steady-state peak at that rate."""
    iso_7626_2_half_power: float | None = None
    """Half-power Q over Q at that rate."""


class BackboneLaw(StrEnum):
    """How the dependence on level was modelled."""

    NONE = "independent of level"
    POLYNOMIAL = "polynomial in level"
    FRICTION = "dry friction"
    POWER = "power law of level"


@dataclass(frozen=True, slots=True, kw_only=True)
class Backbone:
    """Frequency and damping of a mode against its own level, within the levels that it was seen at."""

    channel: str
    """Sensor whose amplitude the level is."""
    unit: str
    """Unit of ``levels``: g for an acceleration, else the record's own."""
    law: BackboneLaw
    levels: tuple[float, ...]
    """Amplitude (peak), rising."""
    frequency_hz: tuple[float, ...]
    """Undamped natural frequency at each level."""
    frequency_std_hz: tuple[float, ...]
    damping_ratio: tuple[float, ...]
    damping_ratio_std: tuple[float, ...]

    @property
    def frequency_range_hz(self) -> tuple[float, float]:
        """Lowest and highest frequency over the levels."""
        return min(self.frequency_hz), max(self.frequency_hz)

    @property
    def q_range(self) -> tuple[float, float]:
        """Lowest and highest Q over the levels."""
        return 0.5 / max(self.damping_ratio), 0.5 / min(self.damping_ratio)


class WhyUnexplained(StrEnum):
    """Why a peak is no mode."""

    NOTHING_FITS = "no mode of the model fits it"
    UNCERTAIN = "the frequency of a mode there is not known well enough"
    CHANCE = "a mode there explains no more than chance"
    ONE_ROW = "a mode there would rest on one row"
    MISFIT = "it does not stand out of what the model leaves elsewhere"
    EDGE = "it lies at the end of the range, with too few rows beside it"


@dataclass(frozen=True, slots=True, kw_only=True)
class UnexplainedPeak:
    """A peak that stands out of the noise and is neither a mode nor has a cause that could be named."""

    frequency_hz: float
    height: float
    """Amplitude over that of the noise at its place."""
    magnitude: float | None = None
    """As recorded, in the unit of the channel's magnitude; None where that is not what was looked at."""
    why: WhyUnexplained = WhyUnexplained.NOTHING_FITS


@dataclass(frozen=True, slots=True, kw_only=True)
class FrequencyBudget:
    """Standard uncertainties that make up that of a natural frequency, Hz."""

    fit: float
    """Of the fit to the record: its noise."""
    clock: float
    filter: float
    """By what the log leaves open of the delay of a tracking filter; 0 where none is open."""
    misfit: float
    """By what the model does not follow and no averaging takes away."""
    floor: float
    """Least that the combination may be."""
    clock_stated: bool
    """False where no instrument states the uncertainty of its clock."""

    @property
    def combined(self) -> float:
        """Root of the sum of squares (JCGM 100:2008, 5.1.2), not below the floor."""
        return max(math.hypot(self.fit, self.clock, self.filter, self.misfit), self.floor)


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedFor:
    """A resonance that the engineer asked for and the search did not give: what the data say for and against it."""

    frequency_hz: float
    """As it was asked for."""
    meets_criterion: bool
    """Whether it meets the criterion that the search holds every mode to."""
    over_noise: float
    """Its height on this channel over noise and misfit."""
    speaks_for: tuple[Message, ...]
    speaks_against: tuple[Message, ...]
    by: str = ""
    reason: str = ""
    when: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class NotAdded:
    """A resonance that the engineer asked for and that could not be fitted."""

    frequency_hz: float
    channel: str | None
    """None: on every channel."""
    why: Message


@dataclass(frozen=True, slots=True, kw_only=True)
class Resonance:
    """One mode as seen on one channel."""

    frequency_hz: float
    """Undamped natural frequency of the mode."""
    frequency_std_hz: float | None
    frequency_budget: FrequencyBudget | None = None
    """What ``frequency_std_hz`` is made of; None where none is stated."""
    q: float | None
    """1/(2ζ) of the mode."""
    q_std: float | None
    damping_ratio: float | None
    decrement: float | None = None
    """Logarithmic decrement, from a free decay."""
    amplification: float | None = None
    """Steady-state |response/control| at its peak here."""
    amplification_std: float | None = None
    """Combined: fit and calibration."""
    amplification_std_fit: float | None = None
    amplification_std_calibration: float | None = None
    """None with a flag where an instrument states no uncertainty."""
    phase_deg: float | None = None
    """Phase of the response against the control at the undamped natural frequency, steady state."""
    observed: Observed = Observed()
    residue: complex | None = None
    """Residue of the fitted pole on this channel; its sign carries the shape."""
    mode: int | None = None
    flags: tuple[Message, ...] = ()
    facts: tuple[IdentifiedFact, ...] = ()
    """What the identification says of it: decide on these. ``flags`` says the same in words, and more."""
    reasons: tuple[tuple[str, Message], ...] = ()
    """(field, why it is None)."""
    rejected: str | None = None
    """The engineer's reason and name, where a correction rejected it."""
    doubtful: bool = False
    """True where its numbers hang on steady state that nothing shows: no uncertainty is stated then, and beats after
    a resonance may have been read as this mode."""
    has_peak: bool = True
    """Whether the channel shows a peak of this mode, not only a shoulder or a dip of others."""
    calibration_stated: bool = True
    """False where an instrument states no uncertainty, so that ``amplification_std`` lacks the calibration's share."""
    frequency_std_filter_hz: float = 0.0
    """Part of ``frequency_std_hz`` by what the log leaves open of the delay of a tracking filter."""
    backbone: Backbone | None = None
    """Where the mode depends on level; ``frequency_hz`` and ``q`` are then those at ``level``."""
    level: float | None = None
    """Amplitude (peak) on the channel of ``backbone`` that they are given at, in its unit."""
    asked: AskedFor | None = None
    """None for a mode that the search gave."""

    @property
    def clock_stated(self) -> bool:
        """Whether the log's clock is known; where not, a frequency carries no more than five digits."""
        return self.frequency_budget is not None and self.frequency_budget.clock_stated


class Quotient(StrEnum):
    """What a response over its control is."""

    RATIO = "ratio"
    """Of like quantities, so that an amplification can be read off it."""
    ACCELERANCE = "accelerance"
    """An acceleration over a force (ISO 7626-1)."""
    OTHER = "other"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChannelResult:
    """One response channel of one run."""

    id: str
    frequency_hz: Floats
    """Shape (n,), in the order of the log."""
    magnitude: Floats
    """|response / control| as recorded, shape (n,)."""
    phase_deg: Floats | None
    fitted: Floats | None = None
    """Steady-state magnitude of the fitted model at ``frequency_hz``, shape (n,)."""
    fitted_swept: Floats | None = None
    """Magnitude of the model as the sweep saw it, shape (n,)."""
    noise_floor: float | None = None
    """Estimated, in units of ``magnitude``."""
    quotient: Quotient = Quotient.RATIO
    unit: str = ""
    """Unit of ``magnitude`` where it is not a ratio."""
    dimension: str = "acceleration"
    """What the channel measured."""
    time_s: Floats | None = None
    """Shape (n,), where the log has time."""
    flags: tuple[Message, ...] = ()
    resonances: tuple[Resonance, ...] = ()
    peaks: int | None = None
    """Peaks of the recorded curve that stand out of the noise, all of them; None where none were looked for."""
    unexplained: tuple[UnexplainedPeak, ...] = ()
    """Peaks of the recorded curve that stand out of the noise and that nothing explains."""
    annotations: tuple[Annotation, ...] = ()
    """Of the engineer's, numbered from 1 on the figure."""
    excluded_hz: tuple[tuple[float, float], ...] = ()
    """Bands whose rows the engineer does not use: drawn, and evidence of nothing."""

    @property
    def used(self) -> NDArray[np.bool_]:
        """Rows that may be evidence, shape (n,)."""
        return ~inside_any(self.excluded_hz, self.frequency_hz)

    @property
    def pure_ratio(self) -> bool:
        """Whether an amplification can be read off the curve."""
        return self.quotient is Quotient.RATIO


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """Slope of a straight line against time, with its standard uncertainty and the degrees of freedom of that."""

    per_minute: float
    std: float
    freedom: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DwellResult:
    """A dwell: how long, how many cycles, how steady."""

    frequency_hz: float
    frequency_from_hz: float
    frequency_to_hz: float
    duration_s: float | None
    cycles: float | None
    level_mps2: float | None
    level_drift_db: float | None
    phase_drift_deg: float | None
    response_drift_db: float | None
    build_up: float | None
    """Share of the steady amplitude reached at the start of counting; None with the reason in ``flags``."""
    level_trend_db: Trend | None = None
    """None without time or with too few rows, as for the two below."""
    response_trend_db: Trend | None = None
    """Of response over control."""
    phase_trend_deg: Trend | None = None
    channel: str | None = None
    flags: tuple[Message, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DecayCurve:
    """A free decay of one channel, for the figure."""

    channel: str
    time_s: Floats
    response: Floats
    envelope: Floats | None
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossAxis:
    """Motion on a channel across the axis of the run, over the control as recorded."""

    channel: str
    ratio: float | None = None
    """The largest, where limits are stated that which uses most of its own; None with ``reason``."""
    at_hz: float | None = None
    limit: float | None = None
    """As the job states it at ``at_hz``; None where it states none."""
    outside_bands: tuple[tuple[float, float], ...] = ()
    """Hz, where the ratio exceeds the limit."""
    reason: Message | None = None
    """Why there is no ratio, or which limit has no row to be held against."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RunCondition:
    """A temperature or humidity that was logged during a run."""

    channel: str
    dimension: str
    """``temperature`` or ``humidity``."""
    unit: str
    """``°C`` or ``% rh``, in which the numbers are."""
    lowest: float
    highest: float
    frequency_hz: Floats
    """Shape (n,), in the order of the log."""
    values: Floats
    """Shape (n,), NaN where a row has no reading."""
    ambient: bool = False
    """Whether it is that of the room."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RunResult:
    """Everything computed of one run."""

    id: str
    kind: str
    axis: str | None
    sweep: SweepFacts | None
    control: ControlResult | None
    dwell: DwellResult | None = None
    decay: tuple[DecayCurve, ...] = ()
    channels: tuple[ChannelResult, ...] = ()
    quality: tuple[QualityIssue, ...] = ()
    method: Message | None = None
    """One sentence: how the resonances of this run were identified."""
    steady_state_assumed: bool = False
    """True where the log has no time that could be used, so that the sweep's effect could not be taken out."""
    criterion: Message | None = None
    """When a mode counts as found; None where none was sought."""
    facts: tuple[IdentifiedFact, ...] = ()
    """What the identification says of the run: decide on these. ``flags`` says the same in words, and more."""
    flags: tuple[Message, ...] = ()
    specimen: str | None = None
    """Which of several was run, as the job states it; so are the fields below."""
    status: str = "valid"
    status_reason: str | None = None
    """Why the run does not count."""
    repeats: str | None = None
    logs: tuple[str, ...] = ()
    """Logs of its parts, in order."""
    cross: tuple[CrossAxis, ...] = ()
    """Of the channels that the job names for it."""
    not_added: tuple[NotAdded, ...] = ()
    """Resonances that were asked for, and none was fitted."""
    undecided: RunResult | None = None
    """The run as its log alone gives it; None where the engineer left no band out and asked for no resonance."""
    conditions: tuple[RunCondition, ...] = ()
    """Temperatures and humidities that its log holds."""


class IssueKind(StrEnum):
    """What is the matter with data; decisions hang on this, the message is for people."""

    CLIPPING = "clipping"
    DROP_OUT = "drop-out"
    LOOSE_SENSOR = "loose sensor"
    DEAD_CHANNEL = "dead channel"
    PHASE_JUMP = "phase jump"
    NOISE_FLOOR = "noise floor"
    ANTIRESONANCE = "antiresonance"
    MAINS = "mains"
    SHORT_RUN = "short run"
    CLOCK = "clock"
    LEVEL_DIFFERS = "level differs"
    RATE_DIFFERS = "rate differs"
    CROSS_CHECK = "cross-check"
    HOLE = "hole"
    """No row in a band between the ends of the sweep: what rests on that band has no evidence."""
    RESUMED = "resumed sweep"
    JUMP = "jump"
    """All channels step together: the structure, not a sensor."""
    GAIN_DIFFERS = "gain differs"
    """A channel reads differently from one run to another where it ought not to."""
    NOISE_DIFFERS = "noise differs"
    WRONG_UNIT = "wrong unit"
    CONTROLS_DISAGREE = "controls disagree"
    SWAPPED = "columns swapped"


@dataclass(frozen=True, slots=True, kw_only=True)
class QualityIssue:
    """Something about the data that weighs on what can be concluded."""

    kind: IssueKind
    channel: str | None = None
    band_hz: tuple[float, float] | None = None
    spoils: bool = False
    """True where evidence from this channel (or, without a channel, of this run) can carry no verdict."""
    message: Message


@dataclass(frozen=True, slots=True, kw_only=True)
class Mode:
    """A mode of the structure along one axis, from logs and notes together."""

    axis: str | None
    mode: int | None
    """Bending mode number; None where nothing tells it."""
    nodes: int | None
    frequency_hz: float | None
    """None for a mode that nobody saw; what theory expects of it is ``expected_hz``."""
    frequency_std_hz: float | None = None
    """None where the frequency was noted by hand: its last digit tells how it was written, not how well it is known."""
    resolution_hz: float | None = None
    """Step of the last digit of a frequency noted by hand; None for one from a log."""
    clock_stated: bool = False
    """Whether the clock of the log is known; where not, the frequency carries no more than five digits."""
    q: float | None = None
    q_std: float | None = None
    damping_ratio: float | None = None
    motion: MotionKind | None = None
    seen_in: tuple[str, ...] = ()
    """``log``, ``notes`` or both."""
    runs: tuple[str, ...] = ()
    channels: tuple[str, ...] = ()
    node_positions: tuple[float, ...] = ()
    """Observed, as fractions of the length."""
    expected_positions: tuple[float, ...] = ()
    expected_hz: float | None = None
    """From beam theory fitted to the numbered modes; a witness, never a correction."""
    residual: float | None = None
    """frequency / expected − 1."""
    missing: bool = False
    """True for a number that was skipped: nothing was seen, ``frequency_hz`` is None."""
    notes: tuple[Place, ...] = ()
    """``notes.txt:12`` of each observation."""
    flags: tuple[Message, ...] = ()

    @property
    def place_hz(self) -> float:
        """Where the mode stands in a table or figure: its frequency, else what is expected; NaN without either."""
        known = self.frequency_hz if self.frequency_hz is not None else self.expected_hz
        return math.nan if known is None else known


@dataclass(frozen=True, slots=True, kw_only=True)
class BeamFit:
    """Beam theory held beside the numbered modes of one axis."""

    axis: str | None
    boundary: str
    scale_hz: float
    """f1 of the fitted beam without tip mass ratio taken out: f_n = scale · (z_n / z_1)²."""
    tip_mass_ratio: float | None
    rms_residual: float
    worst_residual: float
    roots: tuple[float, ...]
    """β_n L for n = 1 …"""
    alternatives: tuple[tuple[str, float], ...] = ()
    """(boundary, rms residual) of the others."""
    flags: tuple[Message, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ModePicture:
    """What is drawn of one mode of a beam: its shape, nodes, antinodes and sensors.

    Positions are fractions of the length from the first-named end.
    """

    axis: str | None
    mode: int
    x: Floats
    """Shape (n,), rising from 0 to 1."""
    shape: Floats
    """Expected displacement, largest magnitude 1, shape (n,)."""
    boundary: str = "clamped-free"
    frequency_hz: float | None = None
    nodes: tuple[float, ...] = ()
    """Expected, without supports."""
    antinodes: tuple[float, ...] = ()
    observed: tuple[float, ...] = ()
    """Nodes as the operator placed them."""
    sensors: tuple[tuple[str, float], ...] = ()
    """(channel, position)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ExciterUse:
    """One ability of the exciter: what a run's profile needs, what the run used, what there is. SI, peak."""

    run: str
    quantity: str
    """``force``, ``stroke`` (peak to peak), ``velocity`` or ``acceleration``."""
    unit: str
    rated: float | None
    needed: float | None
    """By the profile; None with ``reason``."""
    needed_at_hz: float | None = None
    used: float | None = None
    """By the control as recorded."""
    used_at_hz: float | None = None
    reason: Message | None = None

    @property
    def share(self) -> float | None:
        """The larger of needed and used, over rated; above 1 the exciter cannot do it."""
        most = max((x for x in (self.needed, self.used) if x is not None), default=None)
        return None if most is None or not self.rated else most / self.rated
