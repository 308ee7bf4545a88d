"""The job as the laboratory states it: what was tested, for whom, with what, against which requirement.

Every amplitude is SI and peak; ``where`` of a record is its place in the job file, for findings. These records are the
description of the file, too: a table for each, a key for each field (``reportgen.records.job_key`` says how).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Literal

from reportgen.records.job_key import NO_KEY, Form, Key, Written
from reportgen.records.message import Place
from reportgen.units import Detector, Dimension, Quantity

Length = Annotated[Quantity, Written(Form.QUANTITY, "420 mm", ("displacement",))]
Mass = Annotated[Quantity, Written(Form.QUANTITY, "1.2 kg", ("mass",))]
Force = Annotated[Quantity, Written(Form.QUANTITY, "10 kN", ("force",))]
Velocity = Annotated[Quantity, Written(Form.QUANTITY, "1.8 m/s", ("velocity",))]
Acceleration = Annotated[Quantity, Written(Form.QUANTITY, "100 g", ("acceleration",))]
Amplitude = Annotated[Quantity, Written(Form.QUANTITY, "25 g", ("acceleration", "displacement", "velocity"))]
Duration = Annotated[Quantity, Written(Form.QUANTITY, "30 min", ("time", "count"))]
When = Annotated[str, Written(Form.WHEN)]

IN_JOB_FILE = Place("job.toml")
"""Where a record stands whose line is not known."""


class DecisionRule(StrEnum):
    """How a measured value with uncertainty meets a limit (JCGM 106:2012, ILAC-G8:09/2019)."""

    SIMPLE = "simple acceptance"
    GUARDED = "guarded acceptance"


class RunKind(StrEnum):
    """What a run was for."""

    SURVEY = "survey"
    SWEEP = "sweep"
    DWELL = "dwell"
    DECAY = "decay"


class RunStatus(StrEnum):
    """What became of a run; only a valid one decides anything."""

    VALID = "valid"
    ABORTED = "aborted"
    """Stopped before its end."""
    VOID = "void"
    """Run to its end and of no worth: a wrong profile, a sensor that came loose."""
    REPEATED = "repeated"
    """Of no worth by itself, since another run was made in its place."""


class Surveys(StrEnum):
    """Which two surveys of an axis a requirement compares."""

    BEFORE_AND_AFTER = "before and after"
    """The last valid one before the axis' first valid sweep or dwell and the first valid one after its last."""


class ChannelRole(StrEnum):
    """What a channel does in the test."""

    CONTROL = "control"
    RESPONSE = "response"
    DRIVE = "drive"
    MONITOR = "monitor"
    """Recorded beside, and no response of the structure: shown as a curve, kept out of the search for modes."""


class ControlStrategy(StrEnum):
    """How several control channels become one (IEC 60068-2-6, fictitious reference point)."""

    AVERAGE = "average"
    MAXIMUM = "maximum"
    MINIMUM = "minimum"


class Boundary(StrEnum):
    """How the ends of a beam are held; the first named end is where positions are measured from."""

    CLAMPED_FREE = "clamped-free"
    CLAMPED_PINNED = "clamped-pinned"
    CLAMPED_CLAMPED = "clamped-clamped"
    FREE_FREE = "free-free"
    PINNED_PINNED = "pinned-pinned"


ASSUMED_CLOCK = 100e-6
"""Half width, as a share, within which a clock without certificate is taken to run: quartz oscillators of instruments
are specified to 25 to 100 ppm with temperature and years of ageing (from memory); the widest is taken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """How well the frequencies and times of a log are known: all of them share the error of its clock."""

    relative_std: float
    """Relative standard uncertainty."""
    stated: bool
    """False where no instrument states it, so that it is assumed."""
    instrument: str | None = None


NO_CLOCK_STATED = Clock(relative_std=ASSUMED_CLOCK / math.sqrt(3.0), stated=False)
"""Any value within the half width is as likely as another (JCGM 100:2008, 4.3.7)."""


class Annex(StrEnum):
    """Where the annex goes: runs and channels one by one, notes, quality of the data, digests."""

    IN_REPORT = "in report"
    SEPARATE = "separate"
    """A file of its own, ``annex.pdf``; the page on screen holds it all the same."""
    NONE = "none"
    """Not printed; the numbers stand in results.json, the inputs in the archive."""


class OutputKind(StrEnum):
    """A kind of file that a report goes out as; results.json, curves and archive are made whatever is chosen."""

    PDF = "pdf"
    """``report.pdf``, and ``annex.pdf`` where the annex goes apart."""
    HTML = "html"
    SUMMARY = "summary"
    XLSX = "xlsx"
    """``tables.xlsx``: every table, a sheet each."""
    CSV = "csv"
    """``tables/*.csv``: every table, a file each."""


class PhotoMetadata(StrEnum):
    """Whether photos leave the laboratory with the position, owner and camera that they tell."""

    REMOVE = "remove"
    KEEP = "keep"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportIdentity:
    """The report's own data."""

    number: str
    title: str
    date: date
    revision: Annotated[str, Written(Form.REVISION)] = "A"
    photo_metadata: PhotoMetadata = PhotoMetadata.REMOVE
    annex: Annex = Annex.IN_REPORT
    confidence: Annotated[float, Written(Form.COVERAGE)] = 0.95
    decision_rule: DecisionRule = DecisionRule.SIMPLE
    language: Literal["en", "de"] = "en"
    paper: Literal["A4", "Letter"] = "A4"
    distribution: tuple[str, ...] = ()
    standard: str | None = None
    """Test method, such as ``IEC 60068-2-6:2007``."""
    summary: str | None = None
    purpose: str | None = None
    """What the test was for."""
    opinions_by: str | None = None
    """Who is entitled to the opinions and gave them (ISO/IEC 17025:2017, 7.8.7.1)."""
    opinions: tuple[str, ...] = ()
    """Opinions and interpretations, printed apart from results (ISO/IEC 17025:2017, 7.8.7)."""
    outputs: Annotated[tuple[OutputKind, ...], Written(Form.OUTPUTS)] = tuple(OutputKind)
    amendment_reason: str | None = None
    """Why the report was amended (ISO/IEC 17025:2017, 7.8.8.1); printed where it is an amendment."""
    notes: tuple[Path, ...] | None = None
    """Files of notes as the job names them; None: those that have one of the usual names."""
    where: Place = IN_JOB_FILE


@dataclass(frozen=True, slots=True, kw_only=True)
class Party:
    """A laboratory or a customer."""

    name: str
    address: str | None = None
    reference: str | None = None
    location: str | None = None
    contact: str | None = None
    accreditation: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Beam:
    """A beam-like specimen, for which mode numbers follow from node counts."""

    boundary: Boundary
    length: Length | None = None
    mass: Mass | None = None
    """Mass of the beam itself, without what sits on its end."""
    tip_mass: Mass | None = None
    thickness: Length | None = None
    """Depth of the section in the direction of bending."""
    supports_counted: bool = False
    """True where the operator counted clamps and pins among the nodes."""
    axes: tuple[str, ...] = ()
    """Axes along which it bends as a beam; empty: all of the test."""
    where: Place = IN_JOB_FILE


@dataclass(frozen=True, slots=True, kw_only=True)
class Specimen:
    """What was tested."""

    name: str
    id: str | None = None
    """By which runs name it, where there are several."""
    part_number: str | None = None
    serial_number: str | None = None
    mass: Mass | None = None
    received: date | None = None
    condition: str | None = None
    description: str | None = None
    mounting: str | None = None
    torque: str | None = None
    quantity: int | None = None
    """How many were tested."""
    operating_state: str | None = None
    """Whether and how it worked during vibration."""
    monitoring: str | None = None
    """How its function was watched during vibration."""
    fixture: str | None = None
    axes: tuple[tuple[str, str], ...] = ()
    """Axis to its direction in the specimen, as written."""
    beam: Beam | None = None
    where: Place = IN_JOB_FILE


@dataclass(frozen=True, slots=True, kw_only=True)
class Environment:
    """Conditions in the laboratory, as written."""

    temperature: Annotated[str, Written(Form.CONDITION, "23 °C")] | None = None
    humidity: Annotated[str, Written(Form.CONDITION, "45 % rh")] | None = None
    pressure: Annotated[str, Written(Form.CONDITION, "1013 hPa")] | None = None
    from_notes: bool = False
    """Whether what is not stated is taken from the operator's notes."""
    from_logs: bool = False
    """Whether what is not stated is taken from columns of the logs, before the notes."""
    where: Place = IN_JOB_FILE


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """Somebody who tested, reviewed or authorises."""

    role: str
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Instrument:
    """One instrument with its calibration."""

    id: str
    kind: str | None = None
    manufacturer: str | None = None
    model: str | None = None
    serial: str | None = None
    calibrated: date | None = None
    due: date | None = None
    expanded_uncertainty: Annotated[Quantity, Written(Form.PERCENTAGE, "1.5 %")] | None = None
    """Relative, coverage factor 2."""
    certificate: str | None = None
    calibration_laboratory: str | None = None
    frequency_uncertainty: Annotated[Quantity, Written(Form.SMALL_SHARE)] | None = None
    """Of its clock: relative, expanded, coverage factor 2."""
    where: Place = IN_JOB_FILE

    @property
    def relative_standard_uncertainty(self) -> float | None:
        """Half the expanded uncertainty, as a fraction; None where none is stated."""
        return None if self.expanded_uncertainty is None else self.expanded_uncertainty.si / 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """A measuring channel."""

    id: str
    role: ChannelRole
    location: str | None = None
    direction: str | None = None
    instrument: str | None = None
    position: Annotated[Quantity, Written(Form.POSITION)] | None = None
    """Along a beam, from its first named end: a length or a ratio."""
    where: Place = IN_JOB_FILE


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """A picture of the set-up."""

    file: Path
    caption: str = ""
    """The file's name, without its ending, where the job has none."""
    where: Place = IN_JOB_FILE


class Beside(StrEnum):
    """On which side of a run, or of the test, something happened."""

    BEFORE = "before"
    AFTER = "after"


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """When something happened: at a moment, or beside a run, or beside the test as a whole, if need be on that day."""

    moment: datetime | None = None
    beside: Beside | None = None
    run: str | None = None
    """The run it happened beside; None with ``beside``: the test as a whole."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Attachment:
    """A document that goes with the report, kept byte for byte in its archive."""

    file: Path
    title: str
    where: Place = IN_JOB_FILE
    file_where: Place = IN_JOB_FILE


BY_REFERENCE = "reference"
"""What a requirement gives for the run before, where the run after is held against an earlier report."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """An earlier report that this one is held against."""

    archive: Path
    """Its archive, or its report.pdf with sources; relative to the job folder."""
    specimen: str | None = None
    """Which of that report's specimens, where it has several: its id or serial number."""
    where: Place = IN_JOB_FILE
    archive_where: Place = IN_JOB_FILE
    specimen_where: Place = IN_JOB_FILE


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspection:
    """A look at the specimen."""

    when: When
    what: str
    result: Literal["pass", "fail"]
    remark: str | None = None
    placed: Annotated[Placed | None, NO_KEY] = None
    """``when`` as understood; None where it tells no place in the sequence."""
    where: Place = IN_JOB_FILE


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """Something that was done with the specimen, or happened to it, beside runs and inspections."""

    when: When
    """A moment, or words such as ``after X-SWEEP``."""
    what: str
    remark: str | None = None
    placed: Annotated[Placed | None, NO_KEY] = None
    """``when`` as understood; None where it tells no place in the sequence."""
    where: Place = IN_JOB_FILE


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepRate:
    """Rate of change of frequency: exponential in oct/min or linear in Hz/s."""

    value: float
    unit: str
    """``oct/min`` or ``Hz/s``."""
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Breakpoint:
    """A corner of a profile; two at one frequency are a jump in level or a crossover."""

    frequency_hz: float
    amplitude: float
    """Peak, SI of ``dimension``."""
    dimension: str
    """``displacement``, ``velocity`` or ``acceleration``."""
    text: tuple[str, str]
    slope_to_next_db_per_oct: float | None = None
    """Stated slope of the segment that starts here, in dB/oct of acceleration; None: constant or interpolated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ToleranceBand:
    """Permitted deviation of control from profile, in dB of amplitude, over a band of frequency."""

    lower_db: float
    """Negative."""
    upper_db: float
    from_hz: float = 0.0
    to_hz: float = float("inf")
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RatioBand:
    """Largest ratio that is permitted over a band of frequency."""

    limit: float
    from_hz: float = 0.0
    to_hz: float = float("inf")
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Notch:
    """The input may fall so that a channel's response stays below a limit in a band."""

    channel: str
    band_hz: Annotated[tuple[float, float], Key("band")]
    stated: Annotated[Amplitude, Key("limit")]
    """Limit as the job has it."""
    agreed_by: str | None = None
    where: Place = IN_JOB_FILE

    @property
    def from_hz(self) -> float:
        """Lower end of the band."""
        return self.band_hz[0]

    @property
    def to_hz(self) -> float:
        """Upper end of the band."""
        return self.band_hz[1]

    @property
    def limit(self) -> float:
        """Limit of the response: peak, SI of ``dimension``."""
        return self.stated.peak

    @property
    def dimension(self) -> Dimension:
        """What the limit measures."""
        return self.stated.dimension

    @property
    def text(self) -> str:
        """The limit as written."""
        return self.stated.text


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """Required amplitude against frequency."""

    id: str
    breakpoints: tuple[Breakpoint, ...]
    sweep_rate: SweepRate | None = None
    tolerance: tuple[ToleranceBand, ...] = ()
    abort: tuple[ToleranceBand, ...] = ()
    notches: Annotated[tuple[Notch, ...], Key("notch")] = ()
    duration: Duration | None = None
    sweep_cycles: Annotated[float, Written(Form.SWEEP_CYCLES)] | None = None
    """Times the range is to be travelled once in each direction (IEC 60068-2-6), along each axis."""
    source: str | None = None
    where: Place = IN_JOB_FILE


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackingFilter:
    """Bandwidth of the filter that made the log: fixed in Hz, or a fraction of the frequency."""

    bandwidth_hz: float | None = None
    fraction: float | None = None
    text: str = ""
    tolerance: float | None = None
    """Half width, as a share, within which the bandwidth is known; None where it is not stated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunPlan:
    """One run as the job states it."""

    id: str
    kind: RunKind
    log: Annotated[Path, NO_KEY] = Path()
    """As named in the job, relative to the job folder; of a run in parts the first."""
    further_logs: Annotated[tuple[Path, ...], NO_KEY] = ()
    """Logs of the further parts of the run, in the order in which they were run."""
    named_logs: Annotated[tuple[Path, ...], Key("log", needed=True, some=True)] = ()
    """As the job has them; ``log`` and ``further_logs`` are made of them."""
    status: RunStatus = RunStatus.VALID
    repeats: str | None = None
    """The run in whose place this one was made."""
    reason: str | None = None
    """Why the run does not count."""
    specimen: str | None = None
    """Which of several was run."""
    axis: str | None = None
    """As written; where there are several specimens with the specimen behind it, so that they are kept apart."""
    plain_axis: Annotated[str | None, NO_KEY] = None
    """As written, empty where it is not, where there are several specimens."""
    started: datetime | None = None
    profile: str | None = None
    amplitude: Detector = Detector.PEAK
    control: tuple[str, ...] = ()
    strategy: ControlStrategy = ControlStrategy.AVERAGE
    cross: tuple[str, ...] = ()
    """Response channels whose direction lies across the axis, for the motion there over the control."""
    cross_axis: tuple[RatioBand, ...] = ()
    """Largest that the motion on each of them may be, of the control; empty: it is told and not judged."""
    tracking_filter: TrackingFilter | None = None
    tracking_filter_tolerance: Annotated[Quantity, Written(Form.PERCENTAGE, "5 %")] | None = None
    """As the job has it; the filter itself carries it as ``tolerance``."""
    controller: str | None = None
    """Instrument that controlled the run; ``acquisition`` and ``filter`` are those that logged and filtered it."""
    acquisition: str | None = None
    filter: str | None = None
    steady_state: bool = False
    """True where the job says that every row was waited for: stepped sine, or a frequency response."""
    columns: tuple[tuple[str, str], ...] = ()
    """Channel id to ``column / unit`` as written."""
    common_columns: Annotated[tuple[str, ...], NO_KEY] = ()
    """Those of ``columns`` that hold for the whole job, and so only where the log has such a column."""
    sweep: int | None = None
    """Which sweep of a log that holds several, from 1; None: the only one."""
    remark: str | None = None
    where: Place = IN_JOB_FILE
    log_where: Place = IN_JOB_FILE
    """Place where the log is named."""

    @property
    def logs(self) -> tuple[Path, ...]:
        """Logs of all parts of the run, in order."""
        return (self.log, *self.further_logs)

    @property
    def log_names(self) -> str:
        """The logs as they are spoken of."""
        return ", ".join(each.as_posix() for each in self.logs)

    @property
    def written_axis(self) -> str | None:
        """The axis without the specimen."""
        return self.axis if self.plain_axis is None else self.plain_axis or None

    @property
    def counts(self) -> bool:
        """Whether the run can decide a requirement."""
        return self.status is RunStatus.VALID


@dataclass(frozen=True, slots=True, kw_only=True)
class Requirement:
    """One clause to be held against results."""

    id: str
    check: Annotated[str, Written(Form.CHECK)]
    clause: Annotated[str, Written(Form.CLAUSE)] | None = None
    text: str | None = None
    run: Annotated[str | None, NO_KEY] = None
    """The one run it names; None where it names none, or several."""
    runs: Annotated[tuple[str, ...], NO_KEY] = ()
    """The runs it names where there are several."""
    named_runs: Annotated[tuple[str, ...], Key("run", some=True)] = ()
    """As the job has them; ``run`` and ``runs`` are made of them."""
    axis: str | None = None
    specimen: str | None = None
    """Of several, the one it is about; None: every one."""
    kind: RunKind | None = None
    surveys: Surveys | None = None
    before: str | None = None
    after: str | None = None
    channel: str | None = None
    what: str | None = None
    mode: int | None = None
    limit: Annotated[Quantity, Written(Form.LIMIT)] | None = None
    band_hz: Annotated[tuple[float, float] | None, Key("band")] = None
    source: str | None = None
    where: Place = IN_JOB_FILE


@dataclass(frozen=True, slots=True, kw_only=True)
class Exciter:
    """What the exciter can do; SI."""

    name: str | None = None
    force: Force | None = None
    stroke: Length | None = None
    """Peak to peak."""
    velocity: Velocity | None = None
    acceleration: Acceleration | None = None
    moving_mass: Mass | None = None
    """Armature, fixture and whatever else moves, without the specimen."""
    frequency_uncertainty: Annotated[Quantity, Written(Form.SMALL_SHARE)] | None = None
    """Of its controller's clock: relative, expanded, coverage factor 2."""
    where: Place = IN_JOB_FILE


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """The engineer's own decision about a resonance or an observation; always shown in the report."""

    run: str | None = None
    channel: str | None = None
    frequency_hz: Annotated[float, Written(Form.HERTZ, "50 Hz"), Key("frequency")]
    action: Literal["accept", "reject", "renumber", "add"]
    """``add`` asks the identification for a mode there, on one run."""
    reason: str
    by: str
    when: When | None = None
    mode: int | None = None
    where: Place = IN_JOB_FILE


@dataclass(frozen=True, slots=True, kw_only=True)
class Exclusion:
    """A band of a run whose rows the engineer does not use, for identification or as evidence; always shown."""

    run: str
    channel: str | None = None
    """None: no channel of the run is used there, the control neither."""
    band_hz: Annotated[tuple[float, float], Key("band")]
    reason: str
    by: str
    when: When | None = None
    where: Place = IN_JOB_FILE

    def concerns(self, channel: str) -> bool:
        """Whether a channel of its run is not used there."""
        return self.channel in (None, channel)


@dataclass(frozen=True, slots=True, kw_only=True)
class Annotation:
    """A remark of the engineer's at a point of a curve."""

    run: str
    channel: str
    frequency_hz: Annotated[float, Written(Form.HERTZ, "50 Hz"), Key("frequency")]
    text: str
    by: str
    when: When | None = None
    where: Place = IN_JOB_FILE


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedDeviation:
    """What the job says of a deviation: one that the report found, by its ``key``, or one of its own."""

    key: str | None = None
    what: str | None = None
    when: When | None = None
    effect: str | None = None
    """Effect on the result."""
    agreed_by: str | None = None
    where: Place = IN_JOB_FILE


@dataclass(frozen=True, slots=True)
class LaboratoryFile:
    """The laboratory file, or a file that it names, as it was read: it may lie outside the job folder."""

    name: Path
    """Among the inputs, relative to the job folder."""
    path: Path
    content: bytes = field(repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """A whole job folder, read and checked but not yet computed."""

    folder: Annotated[Path, NO_KEY]
    file: Annotated[Path, NO_KEY]
    report: ReportIdentity
    laboratory: Party
    customer: Party
    specimen: Specimen
    """The one that was tested, or the first of several of one type."""
    specimens: Annotated[tuple[Specimen, ...], NO_KEY] = ()
    """All of them."""
    environment: Environment = Environment()
    persons: Annotated[tuple[Person, ...], Key("person")] = ()
    instruments: Annotated[tuple[Instrument, ...], Key("instrument")] = ()
    channels: Annotated[tuple[Channel, ...], Key("channel")] = ()
    photos: Annotated[tuple[Photo, ...], Key("photo")] = ()
    attachments: Annotated[tuple[Attachment, ...], Key("attachment")] = ()
    inspections: Annotated[tuple[Inspection, ...], Key("inspection")] = ()
    steps: Annotated[tuple[Step, ...], Key("step")] = ()
    profiles: Annotated[tuple[Profile, ...], Key("profile")] = ()
    runs: Annotated[tuple[RunPlan, ...], Key("run", needed=True)] = ()
    requirements: Annotated[tuple[Requirement, ...], Key("requirement")] = ()
    reference: Reference | None = None
    exciter: Exciter | None = None
    corrections: Annotated[tuple[Correction, ...], Key("correction")] = ()
    exclusions: Annotated[tuple[Exclusion, ...], Key("exclusion")] = ()
    annotations: Annotated[tuple[Annotation, ...], Key("annotation")] = ()
    deviations: Annotated[tuple[StatedDeviation, ...], Key("deviation")] = ()
    notes_files: Annotated[tuple[Path, ...], NO_KEY] = ()
    """Relative to the job folder."""
    preset_files: Annotated[tuple[Path, ...], NO_KEY] = ()
    """Presets of the job's own that it names, relative to its folder."""
    laboratory_files: Annotated[tuple[LaboratoryFile, ...], NO_KEY] = ()
    branding: Annotated[Path | None, NO_KEY] = None
    """Folder of the laboratory's own templates, as its laboratory file names it."""
    branding_where: Annotated[Place | None, NO_KEY] = None

    def run(self, run_id: str | None) -> RunPlan | None:
        """The run of that id, or None."""
        return next((run for run in self.runs if run.id == run_id), None)

    def beam_along(self, axis: str | None) -> Beam | None:
        """The beam that the specimen is along the axis of a run; None where it is none, or not along that one."""
        beam = self.specimen.beam
        if beam is None or not beam.axes or axis is None:
            return beam
        written = next((run.written_axis for run in self.runs if run.axis == axis), axis)
        return beam if written in beam.axes else None

    def is_by_reference(self, asked: Requirement) -> bool:
        """Whether a requirement is held against the earlier report; a run of that name comes first."""
        return asked.before == BY_REFERENCE and self.run(BY_REFERENCE) is None

    def counts(self, run_id: str | None) -> bool:
        """Whether the job knows of nothing that keeps a run from deciding."""
        run = self.run(run_id)
        return run is None or run.counts

    def asked_on(self, run_id: str) -> tuple[Correction, ...]:
        """Resonances that the engineer asks for on a run."""
        return tuple(each for each in self.corrections if each.action == "add" and each.run == run_id)

    def excluded_on(self, run_id: str) -> tuple[Exclusion, ...]:
        """Bands of a run that the engineer does not use."""
        return tuple(each for each in self.exclusions if each.run == run_id)

    @property
    def undecided(self) -> Job:
        """The job without what the engineer decided about its data; annotations decide nothing."""
        return replace(self, corrections=(), exclusions=())

    def profile(self, profile_id: str | None) -> Profile | None:
        """The profile of that id, or None."""
        return next((profile for profile in self.profiles if profile.id == profile_id), None)

    def channel(self, channel_id: str | None) -> Channel | None:
        """The channel of that id, or None."""
        return next((channel for channel in self.channels if channel.id == channel_id), None)

    def instrument(self, instrument_id: str | None) -> Instrument | None:
        """The instrument of that id, or None."""
        return next((each for each in self.instruments if each.id == instrument_id), None)

    @property
    def monitors(self) -> frozenset[str]:
        """Channels that are recorded beside."""
        return frozenset(each.id for each in self.channels if each.role is ChannelRole.MONITOR)

    def clock_of(self, run: RunPlan | None) -> Clock:
        """Clock of a run's log: of the acquisition or controller it names, else the worst that is stated at all.

        An assumed one where none is.
        """
        named = (run.acquisition, run.controller) if run is not None else ()
        first = [self.instrument(each) for each in named if each is not None]
        for several in (first, self.instruments):
            known = [each for each in several if each is not None and each.frequency_uncertainty is not None]
            if known:
                worst = max(known, key=lambda each: each.frequency_uncertainty.si)  # type: ignore[union-attr]
                assert worst.frequency_uncertainty is not None
                return Clock(relative_std=worst.frequency_uncertainty.si / 2.0, stated=True, instrument=worst.id)
            if several:
                break
        exciter = self.exciter
        if exciter is not None and exciter.frequency_uncertainty is not None and not any(named):
            return Clock(relative_std=exciter.frequency_uncertainty.si / 2.0, stated=True, instrument=exciter.name)
        return NO_CLOCK_STATED

    def control_of(self, run: RunPlan) -> tuple[str, ...]:
        """Control channels of a run: those it names, else every channel whose role is control."""
        return run.control or tuple(each.id for each in self.channels if each.role is ChannelRole.CONTROL)
