"""The job file's format: every table and key, and what may stand there."""

from __future__ import annotations

from datetime import date, datetime
from functools import partial
from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PlainValidator, ValidationInfo, field_validator

from reportgen.read.job.job_values import (
    AMPLITUDES,
    band_of,
    breakpoints_of,
    check_of,
    condition_of,
    confidence_of,
    day_of,
    detector_of,
    limit_of,
    moment_of,
    names_of,
    percentage,
    position_of,
    positive,
    refuse,
    revision_of,
    small_share,
    sweep_cycles_of,
    sweep_rate_of,
    text_of,
    texts_of,
    tolerance_of,
    tracking_filter_of,
    whole_number,
)
from reportgen.records.check import Check, check_named
from reportgen.records.job import (
    Annex,
    Boundary,
    Breakpoint,
    ChannelRole,
    ControlStrategy,
    DecisionRule,
    PhotoMetadata,
    RunKind,
    RunStatus,
    Surveys,
    SweepRate,
    ToleranceBand,
    TrackingFilter,
)
from reportgen.records.message import message
from reportgen.units import Detector, Quantity

Text = Annotated[str, BeforeValidator(text_of)]
Revision = Annotated[str, BeforeValidator(revision_of)]
Texts = Annotated[tuple[Text, ...], BeforeValidator(texts_of)]
Names = Annotated[tuple[Text, ...], BeforeValidator(names_of)]
Day = Annotated[date, PlainValidator(day_of)]
Moment = Annotated[datetime, PlainValidator(moment_of)]
Whole = Annotated[int, PlainValidator(whole_number)]


def _of(sample: str, *dimensions: str) -> PlainValidator:
    return PlainValidator(partial(positive, dimensions=dimensions, sample=sample))


Length = Annotated[Quantity, _of("420 mm", "displacement")]
Mass = Annotated[Quantity, _of("1.2 kg", "mass")]
Force = Annotated[Quantity, _of("10 kN", "force")]
Velocity = Annotated[Quantity, _of("1.8 m/s", "velocity")]
Acceleration = Annotated[Quantity, _of("100 g", "acceleration")]
Frequency = Annotated[Quantity, _of("50 Hz", "frequency")]
Amplitude = Annotated[Quantity, _of("25 g", *AMPLITUDES)]
Band = Annotated[tuple[float, float], PlainValidator(band_of)]
Tolerance = Annotated[tuple[ToleranceBand, ...], PlainValidator(tolerance_of)]


class Table(BaseModel):
    """A table of the job file: no key but those named here, no infinity, no NaN."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, arbitrary_types_allowed=True)


class ReportTable(Table):
    """``[report]``."""

    number: Text
    title: Text
    date: Day
    revision: Revision | None = None
    photo_metadata: PhotoMetadata | None = None
    annex: Annex | None = None
    confidence: Annotated[float, PlainValidator(confidence_of)] | None = None
    decision_rule: DecisionRule | None = None
    language: Literal["en", "de"] | None = None
    paper: Literal["A4", "Letter"] | None = None
    distribution: Texts | None = None
    standard: Text | None = None
    summary: Text | None = None
    purpose: Text | None = None
    opinions_by: Text | None = None
    opinions: Texts | None = None
    notes: Texts | None = None


class PartyTable(Table):
    """``[laboratory]`` and ``[customer]``."""

    name: Text
    address: Text | None = None
    reference: Text | None = None
    location: Text | None = None
    contact: Text | None = None
    accreditation: Text | None = None


class BeamTable(Table):
    """``[specimen.beam]``."""

    boundary: Boundary
    length: Length | None = None
    mass: Mass | None = None
    tip_mass: Mass | None = None
    thickness: Length | None = None
    supports_counted: bool | None = None


class SpecimenTable(Table):
    """``[specimen]``."""

    name: Text
    part_number: Text | None = None
    serial_number: Text | None = None
    mass: Mass | None = None
    received: Day | None = None
    condition: Text | None = None
    description: Text | None = None
    mounting: Text | None = None
    torque: Text | None = None
    quantity: Whole | None = None
    operating_state: Text | None = None
    monitoring: Text | None = None
    fixture: Text | None = None
    axes: dict[Text, Text] | None = None
    beam: BeamTable | None = None


class EnvironmentTable(Table):
    """``[environment]``, as written."""

    temperature: Annotated[str, PlainValidator(partial(condition_of, sample="23 °C"))] | None = None
    humidity: Annotated[str, PlainValidator(partial(condition_of, sample="45 % rh"))] | None = None
    pressure: Annotated[str, PlainValidator(partial(condition_of, sample="1013 hPa"))] | None = None


class PersonTable(Table):
    """``[[person]]``."""

    role: Text
    name: Text


class InstrumentTable(Table):
    """``[[instrument]]``."""

    id: Text
    kind: Text | None = None
    manufacturer: Text | None = None
    model: Text | None = None
    serial: Text | None = None
    calibrated: Day | None = None
    due: Day | None = None
    expanded_uncertainty: Annotated[Quantity, PlainValidator(partial(percentage, sample="1.5 %"))] | None = None
    certificate: Text | None = None
    calibration_laboratory: Text | None = None
    frequency_uncertainty: Annotated[Quantity, PlainValidator(small_share)] | None = None


class ChannelTable(Table):
    """``[[channel]]``."""

    id: Text
    role: ChannelRole
    location: Text | None = None
    direction: Text | None = None
    instrument: Text | None = None
    position: Annotated[Quantity, PlainValidator(position_of)] | None = None


class PhotoTable(Table):
    """``[[photo]]``."""

    file: Text
    caption: Text | None = None


def _as_written(value: object) -> object:
    """A day or a moment of TOML as text; anything else as it is."""
    if isinstance(value, datetime):
        return value.isoformat(sep=" ")
    return str(value) if isinstance(value, date) else value


class InspectionTable(Table):
    """``[[inspection]]``."""

    when: Text
    what: Text
    result: Literal["pass", "fail"]
    remark: Text | None = None

    @field_validator("when", mode="before")
    @classmethod
    def _day_as_written(cls, value: object) -> object:
        return _as_written(value)


class StepTable(Table):
    """``[[step]]``: what was done with the specimen, or happened to it."""

    when: Text
    what: Text
    remark: Text | None = None

    @field_validator("when", mode="before")
    @classmethod
    def _day_as_written(cls, value: object) -> object:
        return _as_written(value)


class NotchTable(Table):
    """One entry of ``notch`` in ``[[profile]]``."""

    channel: Text
    band: Band
    limit: Amplitude


class ProfileTable(Table):
    """``[[profile]]``."""

    id: Text
    breakpoints: Annotated[tuple[Breakpoint, ...], PlainValidator(breakpoints_of)]
    sweep_rate: Annotated[SweepRate, PlainValidator(sweep_rate_of)] | None = None
    tolerance: Tolerance | None = None
    abort: Tolerance | None = None
    notch: tuple[NotchTable, ...] | None = None
    duration: Annotated[Quantity, _of("30 min", "time", "count")] | None = None
    sweep_cycles: Annotated[float, PlainValidator(sweep_cycles_of)] | None = None
    source: Text | None = None


class RunTable(Table):
    """``[[run]]``."""

    id: Text
    kind: RunKind
    log: Names
    status: RunStatus | None = None
    repeats: Text | None = None
    reason: Text | None = None
    axis: Text | None = None
    started: Moment | None = None
    profile: Text | None = None
    amplitude: Annotated[Detector, PlainValidator(detector_of)] | None = None
    control: Texts | None = None
    strategy: ControlStrategy | None = None
    tracking_filter: Annotated[TrackingFilter, PlainValidator(tracking_filter_of)] | None = None
    tracking_filter_tolerance: Annotated[Quantity, PlainValidator(partial(percentage, sample="5 %"))] | None = None
    controller: Text | None = None
    acquisition: Text | None = None
    filter: Text | None = None
    steady_state: bool | None = None
    columns: dict[Text, Text] | None = None
    sweep: Whole | None = None
    remark: Text | None = None


class RequirementTable(Table):
    """``[[requirement]]``."""

    id: Text
    check: Annotated[str, PlainValidator(lambda value, info: check_of(_checks(info), value))]
    clause: Text | None = None
    text: Text | None = None
    run: Names | None = None
    axis: Text | None = None
    kind: RunKind | None = None
    surveys: Surveys | None = None
    before: Text | None = None
    after: Text | None = None
    channel: Text | None = None
    what: Text | None = None
    mode: Whole | None = None
    limit: Annotated[Quantity | None, PlainValidator(lambda value, info: _limit(value, info))] = None
    band: Band | None = None
    source: Text | None = None

    @field_validator("clause", mode="before")
    @classmethod
    def _clause_in_quotes(cls, value: object) -> object:
        # 7.10 as a number would lose its zero.
        if isinstance(value, float):
            raise refuse(message("value.clause-number", found=str(value)))
        return value


def _limit(value: object, info: ValidationInfo) -> Quantity | None:
    # Where the check itself is not known, what its limit measures is not known either.
    check = check_named(_checks(info), info.data.get("check", ""))
    return None if check is None else limit_of(check, value)


def _checks(info: ValidationInfo) -> tuple[Check, ...]:
    """The checks there are, as the reader was given them."""
    checks: tuple[Check, ...] = (info.context or {})["checks"]
    return checks


class ExciterTable(Table):
    """``[exciter]``."""

    name: Text | None = None
    force: Force | None = None
    stroke: Length | None = None
    velocity: Velocity | None = None
    acceleration: Acceleration | None = None
    moving_mass: Mass | None = None


class CorrectionTable(Table):
    """``[[correction]]``."""

    run: Text | None = None
    channel: Text | None = None
    frequency: Frequency
    action: Literal["accept", "reject", "renumber"]
    reason: Text
    by: Text
    mode: Whole | None = None


class DeviationTable(Table):
    """``[[deviation]]``: one that the report found, by its ``key``, or one that only the job knows, in ``what``."""

    key: Text | None = None
    what: Text | None = None
    when: Text | None = None
    effect: Text | None = None
    agreed_by: Text | None = None

    @field_validator("when", mode="before")
    @classmethod
    def _day_as_written(cls, value: object) -> object:
        return _as_written(value)


class JobTable(Table):
    """The whole file."""

    report: ReportTable
    laboratory: PartyTable
    customer: PartyTable
    specimen: SpecimenTable
    run: Annotated[tuple[RunTable, ...], Field(min_length=1)]
    environment: EnvironmentTable | None = None
    person: tuple[PersonTable, ...] = ()
    instrument: tuple[InstrumentTable, ...] = ()
    channel: tuple[ChannelTable, ...] = ()
    photo: tuple[PhotoTable, ...] = ()
    inspection: tuple[InspectionTable, ...] = ()
    step: tuple[StepTable, ...] = ()
    profile: tuple[ProfileTable, ...] = ()
    requirement: tuple[RequirementTable, ...] = ()
    exciter: ExciterTable | None = None
    correction: tuple[CorrectionTable, ...] = ()
    deviation: tuple[DeviationTable, ...] = ()


TABLES: dict[tuple[str, ...], type[Table]] = {
    (): JobTable,
    ("report",): ReportTable,
    ("laboratory",): PartyTable,
    ("customer",): PartyTable,
    ("specimen",): SpecimenTable,
    ("specimen", "beam"): BeamTable,
    ("environment",): EnvironmentTable,
    ("person",): PersonTable,
    ("instrument",): InstrumentTable,
    ("channel",): ChannelTable,
    ("photo",): PhotoTable,
    ("inspection",): InspectionTable,
    ("step",): StepTable,
    ("profile",): ProfileTable,
    ("profile", "notch"): NotchTable,
    ("run",): RunTable,
    ("requirement",): RequirementTable,
    ("exciter",): ExciterTable,
    ("correction",): CorrectionTable,
    ("deviation",): DeviationTable,
}
"""Every table by its path without indices."""

ARRAYS = {
    "person",
    "instrument",
    "channel",
    "photo",
    "inspection",
    "step",
    "profile",
    "run",
    "requirement",
    "correction",
    "deviation",
}
"""Tables written with two brackets."""

EXAMPLES: dict[str, dict[str, str]] = {
    "report": {
        "number": '"VTR-0147"',
        "title": '"Sine vibration qualification of a sensor boom"',
        "date": "2026-03-20",
    },
    "laboratory": {
        "name": '"Vibration laboratory"',
    },
    "customer": {
        "name": '"Customer"',
    },
    "specimen": {
        "name": '"Sensor boom"',
    },
    "specimen.beam": {
        "boundary": '"clamped-free"',
    },
    "person": {
        "role": '"Test engineer"',
        "name": '"A. Person"',
    },
    "instrument": {
        "id": '"ACC-1"',
    },
    "channel": {
        "id": '"A1"',
        "role": '"response"',
    },
    "photo": {
        "file": '"photos/setup.jpg"',
    },
    "inspection": {
        "when": '"after the sweep"',
        "what": '"visual"',
        "result": '"pass"',
    },
    "step": {
        "when": "2026-03-12T11:05:00",
        "what": '"turned to axis Y"',
    },
    "profile": {
        "id": '"QUALIFICATION"',
        "breakpoints": '[["5 Hz", "10 mm"], ["21.7 Hz", "10 mm"]]',
    },
    "profile.notch": {
        "channel": '"A1"',
        "band": '["110 Hz", "130 Hz"]',
        "limit": '"25 g"',
    },
    "run": {
        "id": '"X-PRE"',
        "kind": '"survey"',
        "log": '"logs/x_pre.csv"',
    },
    "requirement": {
        "id": '"R1"',
        "check": '"frequency shift"',
    },
    "correction": {
        "frequency": '"50 Hz"',
        "action": '"reject"',
        "reason": '"mains pick-up"',
        "by": '"Test engineer"',
    },
}
"""What a missing key could look like, by table."""
