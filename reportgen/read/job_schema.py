"""The job file's format: every table and key, what may stand there, and what to write where it does not."""

from __future__ import annotations

import contextlib
import itertools
import math
from datetime import date, datetime
from functools import partial
from typing import Annotated, Any, Literal

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainValidator,
    ValidationInfo,
    field_validator,
)
from pydantic_core import PydanticCustomError

from reportgen.errors import UnitError
from reportgen.records.job import (
    Boundary,
    Breakpoint,
    ChannelRole,
    ControlStrategy,
    DecisionRule,
    RunKind,
    SweepRate,
    ToleranceBand,
    TrackingFilter,
)
from reportgen.units import Detector, Quantity, parse_quantity, parse_unit

LONGEST_TEXT = 20_000
"""Characters of one text; more is a file pasted by mistake."""

LIMIT_DIMENSIONS: dict[str, tuple[str, ...]] = {
    "control tolerance": ("ratio", "level"),
    "frequency range": ("ratio",),
    "sweep rate": ("ratio",),
    "lowest natural frequency": ("frequency",),
    "amplification": ("ratio",),
    "frequency shift": ("ratio",),
    "amplification shift": ("ratio",),
    "dwell duration": ("time",),
    "dwell cycles": ("count",),
    "calibration": (),
    "inspection": (),
}
"""Every check, and what its limit measures; empty: the check takes no limit."""

LIMIT_EXAMPLES = {
    "control tolerance": "10 %",
    "frequency range": "1 %",
    "sweep rate": "10 %",
    "lowest natural frequency": "80 Hz",
    "amplification": "25",
    "frequency shift": "5 %",
    "amplification shift": "20 %",
    "dwell duration": "30 min",
    "dwell cycles": "1000000 cycles",
}


def refuse(message: str) -> PydanticCustomError:
    """Make an error whose message is shown as it stands."""
    return PydanticCustomError("job", "{message}", {"message": message})


def _text(value: object) -> str:
    if isinstance(value, int) and not isinstance(value, bool):
        value = str(value)
    if not isinstance(value, str):
        raise refuse(f'{shown(value)} is not text; write it in quotes: "{value}"')
    if not value.strip():
        raise refuse("is empty; write the text, or remove the line")
    if len(value) > LONGEST_TEXT:
        raise refuse(f"is {len(value)} characters long; at most {LONGEST_TEXT} are taken")
    if any(ord(c) < 32 and c not in "\n\t\r" for c in value):
        raise refuse("holds a control character; remove it")
    return value.strip()


def shown(value: object) -> str:
    """A value as a user may recognise it, shortened."""
    text = repr(value) if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _texts(value: object) -> object:
    return [value] if isinstance(value, str) else value


def _measured(text: object, dimensions: tuple[str, ...], sample: str) -> Quantity:
    if not isinstance(text, str):
        raise refuse(f'{shown(text)} has no unit; write a number and its unit in quotes, such as "{sample}"')
    try:
        return parse_quantity(text, *dimensions)
    except UnitError as failure:
        hint = "" if sample in str(failure) else f'; write for example "{sample}"'
        raise refuse(f"{failure}{hint}") from None


def _positive(text: object, dimensions: tuple[str, ...], sample: str) -> Quantity:
    quantity = _measured(text, dimensions, sample)
    if not quantity.si > 0:
        raise refuse(f'{text!r} must be more than zero; write for example "{sample}"')
    return quantity


def _percentage(text: object, sample: str = "5 %") -> Quantity:
    quantity = _positive(text, ("ratio",), sample)
    if quantity.unit.symbol != "%":
        raise refuse(f'{text!r} has no unit; write it with its percent sign, such as "{sample}"')
    return quantity


def _position(text: object) -> Quantity:
    if isinstance(text, str) and text.strip().endswith(("L", "l")):
        number = _measured(text.strip()[:-1].strip() + " 1", ("ratio",), "0.9 L")
        quantity = Quantity(text.strip(), number.value, parse_unit("1"))
    else:
        quantity = _measured(text, ("displacement", "ratio"), "380 mm")
    if quantity.si < 0 or (quantity.dimension == "ratio" and quantity.si > 1):
        raise refuse(f'{text!r} lies outside the beam; write "380 mm" from its first named end, or "0.9 L"')
    return quantity


def _day(value: object) -> date:
    if isinstance(value, datetime):
        return value.date()
    if isinstance(value, date):
        return value
    if isinstance(value, str):
        try:
            return datetime.fromisoformat(value.strip()).date()
        except ValueError:
            pass
    raise refuse(f"{shown(value)} is not a date; write year, month and day, such as 2026-03-20")


def _moment(value: object) -> datetime:
    """The laboratory's own clock: an offset that is written along is not carried on."""
    if isinstance(value, str):
        with contextlib.suppress(ValueError):
            value = datetime.fromisoformat(value.strip())
    if isinstance(value, datetime):
        return value.replace(tzinfo=None)
    if isinstance(value, date):
        return datetime(value.year, value.month, value.day)
    raise refuse(f"{shown(value)} is not a date and time; write it such as 2026-03-12T09:14:00")


def _sweep_rate(text: object) -> SweepRate:
    quantity = _positive(text, ("logarithmic sweep rate", "linear sweep rate"), "2 oct/min")
    unit = "oct/min" if quantity.dimension == "logarithmic sweep rate" else "Hz/s"
    return SweepRate(value=quantity.si, unit=unit, text=quantity.text)


def _tracking_filter(text: object) -> TrackingFilter:
    quantity = _positive(text, ("frequency", "ratio"), "10 Hz")
    if quantity.dimension == "frequency":
        return TrackingFilter(bandwidth_hz=quantity.si, text=quantity.text)
    return TrackingFilter(fraction=_percentage(text).si, text=quantity.text)


def peak_of(quantity: Quantity) -> float:
    """Peak in SI: the detector the unit names is applied (``20 mm p-p`` is 0.01 m)."""
    detector = quantity.unit.detector or Detector.PEAK
    return quantity.si * detector.to_peak


_AMPLITUDES = ("acceleration", "displacement", "velocity")


def _breakpoint(value: object) -> Breakpoint:
    if not isinstance(value, list | tuple) or len(value) not in (2, 3):
        raise refuse(
            f"{shown(value)} is not a breakpoint; write frequency and amplitude, such as "
            '["5 Hz", "10 mm"], and the slope to the next one where it has a slope: ["20 Hz", "1 g", "6 dB/oct"]'
        )
    frequency = _positive(value[0], ("frequency",), "5 Hz")
    amplitude = _positive(value[1], _AMPLITUDES, "10 mm")
    slope = _measured(value[2], ("slope",), "6 dB/oct").si if len(value) == 3 else None
    return Breakpoint(
        frequency_hz=frequency.si,
        amplitude=peak_of(amplitude),
        dimension=amplitude.dimension,
        text=(frequency.text, amplitude.text),
        slope_to_next_db_per_oct=slope,
    )


def _breakpoints(value: object) -> tuple[Breakpoint, ...]:
    if not isinstance(value, list):
        raise refuse('must be a list of breakpoints, such as [["5 Hz", "10 mm"], ["100 Hz", "10 mm"]]')
    points = tuple(_breakpoint(each) for each in value)
    if len(points) < 2:
        raise refuse(
            'has fewer than two breakpoints; write at least the two ends: [["5 Hz", "1 g"], ["2000 Hz", "1 g"]]'
        )
    for before, after in itertools.pairwise(points):
        if after.frequency_hz < before.frequency_hz:
            raise refuse(f"falls from {before.text[0]} to {after.text[0]}; write the breakpoints in rising frequency")
    if not points[-1].frequency_hz > points[0].frequency_hz:
        raise refuse(f"begins and ends at {points[0].text[0]}; a profile needs a range of frequency")
    return points


def _decibels(text: object, sign: int) -> float:
    """One side of a tolerance in dB: a percentage p is 20·lg(1 + p)."""
    quantity = _measured(text, ("ratio", "level"), "10 %")
    size = math.copysign(abs(quantity.si), sign)
    if quantity.dimension == "level":
        return size
    if quantity.unit.symbol != "%":
        raise refuse(f'{text!r} has no unit; write "10 %" or "3 dB"')
    if not size > -1:
        raise refuse(f'{text!r} leaves no lower limit; a tolerance is smaller than 100 %, such as "10 %" or "3 dB"')
    return 20.0 * math.log10(1.0 + size)


def _sides(limit: object) -> tuple[float, float, str]:
    """Lower and upper limit in dB, and the text, of ``"10 %"``, ``"3 dB"`` or ``["-10 %", "+5 %"]``."""
    if isinstance(limit, str):
        bare = limit.replace("±", "").replace("+/-", "").strip()
        if not _measured(bare, ("ratio", "level"), "10 %").si > 0:
            raise refuse(f'{limit!r} must be more than zero, such as "10 %"; two sides are written ["-10 %", "+5 %"]')
        return _decibels(bare, -1), _decibels(bare, +1), limit.strip()
    if isinstance(limit, list) and len(limit) == 2 and all(isinstance(each, str) for each in limit):
        lower, upper = (_measured(each, ("ratio", "level"), "10 %") for each in limit)
        if lower.si > 0 or upper.si < 0:
            raise refuse(f'{shown(limit)}: write the lower limit first, then the upper one: ["-10 %", "+5 %"]')
        return _decibels(limit[0], -1), _decibels(limit[1], +1), f"{limit[0].strip()} {limit[1].strip()}"
    raise refuse(f'{shown(limit)} is not a tolerance; write "10 %", "3 dB" or ["-10 %", "+5 %"]')


def band_of(value: object) -> tuple[float, float]:
    """Two rising frequencies, Hz, of ``["5 Hz", "100 Hz"]``."""
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise refuse(f'{shown(value)} is not a band; write its two ends, such as ["5 Hz", "100 Hz"]')
    low, high = (_measured(each, ("frequency",), "5 Hz").si for each in value)
    if not 0 <= low < high:
        raise refuse(f"{shown(value)} is not a rising band; write the lower frequency first")
    return low, high


def _tolerance_band(entry: object) -> ToleranceBand:
    if not isinstance(entry, dict) or set(entry) != {"band", "limit"}:
        raise refuse(
            f'{shown(entry)} is not a band of tolerance; write {{ band = ["5 Hz", "100 Hz"], limit = "10 %" }}'
        )
    low, high = band_of(entry["band"])
    lower, upper, text = _sides(entry["limit"])
    return ToleranceBand(lower_db=lower, upper_db=upper, from_hz=low, to_hz=high, text=text)


def _tolerance(value: object) -> tuple[ToleranceBand, ...]:
    if isinstance(value, list) and value and not any(isinstance(each, str) for each in value):
        bands = tuple(sorted((_tolerance_band(each) for each in value), key=lambda band: band.from_hz))
        for low, high in itertools.pairwise(bands):
            if high.from_hz < low.to_hz:
                raise refuse(f"has bands that overlap from {high.from_hz:g} Hz to {low.to_hz:g} Hz")
        return bands
    lower, upper, text = _sides(value)
    return (ToleranceBand(lower_db=lower, upper_db=upper, text=text),)


def _detector(value: object) -> Detector:
    if isinstance(value, str):
        if value.strip().casefold() in {each.value for each in Detector}:
            return Detector(value.strip().casefold())
        try:
            found = parse_unit(f"g {value.strip()}").detector
        except UnitError:
            found = None
        if found is not None:
            return found
    raise refuse(f'{shown(value)} is not a way to give an amplitude; write "peak", "rms" or "peak-to-peak"')


def _confidence(value: object) -> float:
    if isinstance(value, str):
        value = _measured(value, ("ratio",), "95 %").si
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0.5 <= value < 1.0:
        raise refuse(f"{shown(value)} is not a coverage between 0.5 and 1; write for example 0.95")
    return float(value)


def _whole(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value < 1:
        raise refuse(f"{shown(value)} is not a whole number from 1; write for example 1")
    return value


def _environment(value: object, sample: str) -> str:
    if not isinstance(value, str):
        raise refuse(f'{shown(value)} has no unit; write it in quotes with its unit, such as "{sample}"')
    return _text(value)


Text = Annotated[str, BeforeValidator(_text)]
Texts = Annotated[tuple[Text, ...], BeforeValidator(_texts)]
Day = Annotated[date, PlainValidator(_day)]
Moment = Annotated[datetime, PlainValidator(_moment)]
Whole = Annotated[int, PlainValidator(_whole)]


def _of(sample: str, *dimensions: str) -> PlainValidator:
    return PlainValidator(partial(_positive, dimensions=dimensions, sample=sample))


Length = Annotated[Quantity, _of("420 mm", "displacement")]
Mass = Annotated[Quantity, _of("1.2 kg", "mass")]
Force = Annotated[Quantity, _of("10 kN", "force")]
Velocity = Annotated[Quantity, _of("1.8 m/s", "velocity")]
Acceleration = Annotated[Quantity, _of("100 g", "acceleration")]
Frequency = Annotated[Quantity, _of("50 Hz", "frequency")]
Amplitude = Annotated[Quantity, _of("25 g", *_AMPLITUDES)]
Band = Annotated[tuple[float, float], PlainValidator(band_of)]
Tolerance = Annotated[tuple[ToleranceBand, ...], PlainValidator(_tolerance)]


class Table(BaseModel):
    """A table of the job file: no key but those named here, no infinity, no NaN."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, arbitrary_types_allowed=True)


class ReportTable(Table):
    """``[report]``."""

    number: Text
    title: Text
    date: Day
    revision: Text | None = None
    confidence: Annotated[float, PlainValidator(_confidence)] | None = None
    decision_rule: DecisionRule | None = None
    language: Literal["en", "de"] | None = None
    paper: Literal["A4", "Letter"] | None = None
    distribution: Texts | None = None
    standard: Text | None = None
    summary: Text | None = None
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
    beam: BeamTable | None = None


class EnvironmentTable(Table):
    """``[environment]``, as written."""

    temperature: Annotated[str, PlainValidator(partial(_environment, sample="23 °C"))] | None = None
    humidity: Annotated[str, PlainValidator(partial(_environment, sample="45 % rh"))] | None = None
    pressure: Annotated[str, PlainValidator(partial(_environment, sample="1013 hPa"))] | None = None


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
    expanded_uncertainty: Annotated[Quantity, PlainValidator(partial(_percentage, sample="1.5 %"))] | None = None
    certificate: Text | None = None


class ChannelTable(Table):
    """``[[channel]]``."""

    id: Text
    role: ChannelRole
    location: Text | None = None
    direction: Text | None = None
    instrument: Text | None = None
    position: Annotated[Quantity, PlainValidator(_position)] | None = None


class PhotoTable(Table):
    """``[[photo]]``."""

    file: Text
    caption: Text | None = None


class InspectionTable(Table):
    """``[[inspection]]``."""

    when: Text
    what: Text
    result: Literal["pass", "fail"]
    remark: Text | None = None

    @field_validator("when", mode="before")
    @classmethod
    def _day_as_written(cls, value: object) -> object:
        return (
            value.isoformat(sep=" ")
            if isinstance(value, datetime)
            else str(value)
            if isinstance(value, date)
            else value
        )


class NotchTable(Table):
    """One entry of ``notch`` in ``[[profile]]``."""

    channel: Text
    band: Band
    limit: Amplitude


class ProfileTable(Table):
    """``[[profile]]``."""

    id: Text
    breakpoints: Annotated[tuple[Breakpoint, ...], PlainValidator(_breakpoints)]
    sweep_rate: Annotated[SweepRate, PlainValidator(_sweep_rate)] | None = None
    tolerance: Tolerance | None = None
    abort: Tolerance | None = None
    notch: tuple[NotchTable, ...] | None = None
    duration: Annotated[Quantity, _of("30 min", "time", "count")] | None = None
    source: Text | None = None


class RunTable(Table):
    """``[[run]]``."""

    id: Text
    kind: RunKind
    log: Text
    axis: Text | None = None
    started: Moment | None = None
    profile: Text | None = None
    amplitude: Annotated[Detector, PlainValidator(_detector)] | None = None
    control: Texts | None = None
    strategy: ControlStrategy | None = None
    tracking_filter: Annotated[TrackingFilter, PlainValidator(_tracking_filter)] | None = None
    columns: dict[Text, Text] | None = None
    sweep: Whole | None = None
    remark: Text | None = None


class RequirementTable(Table):
    """``[[requirement]]``."""

    id: Text
    check: Literal[
        "control tolerance", "frequency range", "sweep rate", "lowest natural frequency", "amplification",
        "frequency shift", "amplification shift", "dwell duration", "dwell cycles", "calibration", "inspection",
    ]  # fmt: skip
    clause: Text | None = None
    text: Text | None = None
    run: Text | None = None
    axis: Text | None = None
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
            raise refuse(f'{value} is a number; a clause is text, write it in quotes: "{value}"')
        return value


def _limit(value: object, info: ValidationInfo) -> Quantity | None:
    check = info.data.get("check")
    if check is None:
        return None  # the check itself is already a finding; what its limit measures is not known
    dimensions = LIMIT_DIMENSIONS[check]
    if not dimensions:
        raise refuse(f"is not used by the check {check!r}; remove it")
    sample = LIMIT_EXAMPLES[check]
    if not isinstance(value, bool) and isinstance(value, int | float) and check in ("amplification", "dwell cycles"):
        value = f"{value} cycles" if check == "dwell cycles" else str(value)
    text = value.strip().lstrip("±≤≥<>=").removeprefix("+/-").strip() if isinstance(value, str) else value
    in_decibels = "level" in dimensions and isinstance(text, str) and "%" not in text
    if check in ("amplification", "lowest natural frequency", "dwell duration", "dwell cycles") or in_decibels:
        quantity = _positive(text, dimensions, sample)
    else:
        quantity = _percentage(text, sample)
    return Quantity(str(value).strip(), quantity.value, quantity.unit)


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
    profile: tuple[ProfileTable, ...] = ()
    requirement: tuple[RequirementTable, ...] = ()
    exciter: ExciterTable | None = None
    correction: tuple[CorrectionTable, ...] = ()


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
    ("profile",): ProfileTable,
    ("profile", "notch"): NotchTable,
    ("run",): RunTable,
    ("requirement",): RequirementTable,
    ("exciter",): ExciterTable,
    ("correction",): CorrectionTable,
}
"""Every table by its path without indices."""

ARRAYS = {"person", "instrument", "channel", "photo", "inspection", "profile", "run", "requirement", "correction"}
"""Tables written with two brackets."""

EXAMPLES: dict[tuple[str, str], Any] = {
    ("report", "number"): '"VTR-0147"',
    ("report", "title"): '"Sine vibration qualification of a sensor boom"',
    ("report", "date"): "2026-03-20",
    ("laboratory", "name"): '"Vibration laboratory"',
    ("customer", "name"): '"Customer"',
    ("specimen", "name"): '"Sensor boom"',
    ("specimen.beam", "boundary"): '"clamped-free"',
    ("person", "role"): '"Test engineer"',
    ("person", "name"): '"A. Person"',
    ("instrument", "id"): '"ACC-1"',
    ("channel", "id"): '"A1"',
    ("channel", "role"): '"response"',
    ("photo", "file"): '"photos/setup.jpg"',
    ("inspection", "when"): '"after the sweep"',
    ("inspection", "what"): '"visual"',
    ("inspection", "result"): '"pass"',
    ("profile", "id"): '"QUALIFICATION"',
    ("profile", "breakpoints"): '[["5 Hz", "10 mm"], ["21.7 Hz", "10 mm"]]',
    ("profile.notch", "channel"): '"A1"',
    ("profile.notch", "band"): '["110 Hz", "130 Hz"]',
    ("profile.notch", "limit"): '"25 g"',
    ("run", "id"): '"X-PRE"',
    ("run", "kind"): '"survey"',
    ("run", "log"): '"logs/x_pre.csv"',
    ("requirement", "id"): '"R1"',
    ("requirement", "check"): '"frequency shift"',
    ("correction", "frequency"): '"50 Hz"',
    ("correction", "action"): '"reject"',
    ("correction", "reason"): '"mains pick-up"',
    ("correction", "by"): '"Test engineer"',
}
"""What a missing key could look like."""
