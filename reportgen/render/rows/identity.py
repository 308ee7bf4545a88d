"""Who, what, where, with what: the parts of the report that the job states."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import date

from reportgen.records.job import Channel, Instrument, Job, Party, RunPlan, Specimen
from reportgen.records.report import Report
from reportgen.records.result import RunCondition
from reportgen.records.verdict import ProvedBy
from reportgen.render.names import anchor
from reportgen.render.rows.language import Fact, Language
from reportgen.render.rows.run import condition_range


@dataclass(frozen=True, slots=True, kw_only=True)
class IdentityRow:
    """What identifies a report, and who stands for it."""

    number: str
    revision: str
    title: str
    date: str
    date_iso: str
    tested: str
    standard: str
    summary: str
    purpose: str
    opinions_by: str
    software: str
    supplied: str
    distribution: tuple[str, ...]
    authorised: tuple[Signatory, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Signatory:
    """Somebody who signs."""

    role: str
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PartyRow:
    """A laboratory or a customer."""

    name: str
    facts: tuple[Fact, ...]
    address: str
    contact: str
    reference: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SpecimenRow:
    """What was tested."""

    name: str
    part: str
    serial: str
    facts: tuple[Fact, ...]
    several: tuple[OneSpecimen, ...] = ()
    """Each of them, where there are several."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OneSpecimen:
    """What one of several specimens has for itself."""

    id: str
    serial: str
    mass: str
    received: str
    condition: str


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentRow:
    """One instrument with its calibration."""

    id: str
    anchor: str
    kind: str
    make: str
    serial: str
    calibrated: str
    due: str
    uncertainty: str
    certificate: str
    clock: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelRow:
    """One channel with its place and its instrument."""

    id: str
    role: str
    location: str
    direction: str
    position: str
    instrument: str
    instrument_anchor: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedRun:
    """One run as it was planned."""

    id: str
    anchor: str
    kind: str
    axis: str
    started: str
    profile: str
    control: str
    filter: str
    apparatus: tuple[ApparatusUsed, ...]
    logs: tuple[LogNamed, ...]
    status: str
    """What became of it where it does not count; empty for any other."""
    remark: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LogNamed:
    """A log of a run, with the anchor of the file."""

    log: str
    anchor: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ApparatusUsed:
    """An instrument that a run used, by what it did."""

    label: str
    id: str
    anchor: str


@dataclass(frozen=True, slots=True, kw_only=True)
class InspectionRow:
    """One look at the specimen."""

    when: str
    what: str
    result: str
    css: str
    remark: str


def identity(report: Report, language: Language) -> IdentityRow:
    """Number, revision, title, dates and the statement of the period of test."""
    own, job = report.job.report, report.job
    days = _days(report)
    period = " – ".join(dict.fromkeys(language.numbers.day(day) for day in (days[:1] + days[-1:])))
    return IdentityRow(
        number=own.number,
        revision=own.revision,
        title=own.title,
        date=language.numbers.day(own.date),
        date_iso=own.date.isoformat(),
        tested=period,
        standard=own.standard or "",
        summary=own.summary or "",
        purpose=own.purpose or "",
        opinions_by=own.opinions_by or "",
        software=report.software,
        supplied=_supplied(job, language),
        distribution=own.distribution,
        authorised=tuple(Signatory(role=p.role, name=p.name) for p in job.persons),
    )


_ISO_DAY = re.compile(r"(?<!\d)(\d{4})-(\d{2})-(\d{2})(?!\d)")
_POINTED_DAY = re.compile(r"(?<!\d)(\d{1,2})\.(\d{1,2})\.(\d{4})(?!\d)")


def _days(report: Report) -> list[date]:
    """Days of the test in order: those of the runs, and of the inspections where a verdict rests on them."""
    found = {run.started.date() for run in report.job.runs if run.started is not None}
    if found and any(each.proved_by is ProvedBy.INSPECTIONS for each in report.verdicts):
        found |= {day for each in report.job.inspections for day in _days_in(each.when)}
    return sorted(found)


def _days_in(text: str) -> Iterator[date]:
    """Days written as 2026-03-12 or 12.03.2026."""
    numbers = [each.groups() for each in _ISO_DAY.finditer(text)]
    numbers += [each.groups()[::-1] for each in _POINTED_DAY.finditer(text)]
    for year, month, day in numbers:
        with suppress(ValueError):  # 31.02.2026 is no day
            yield date(int(year), int(month), int(day))


_BY_LABORATORY = (
    "Received", "Condition on receipt", "Mounting", "Torque", "Fixture", "Number tested", "State during vibration",
    "Monitoring during vibration",
)  # fmt: skip
"""What a laboratory sees and does itself with a specimen; the rest of its data are the customer's (ISO/IEC 17025:2017,
7.8.2.2)."""


def _supplied(job: Job, language: Language) -> str:
    """Which data the customer supplied, and what of the specimen's are the laboratory's own."""
    stated = {label for label, value in _of_specimen(job, language) if value not in (None, "", "–")}
    own = [language.say(label) for label in _BY_LABORATORY if label in stated]
    if not own:
        return language.say(
            "Data under Customer and Specimen were supplied by the customer unless the operator's notes say otherwise."
        )
    return language.say(
        "Data under Customer and Specimen were supplied by the customer unless the operator's notes say otherwise, but "
        "for what the laboratory recorded itself: %(own)s.",
        own=", ".join(own),
    )


def party(which: Party, language: Language) -> PartyRow:
    """Name and all that was stated of a laboratory or customer."""
    return PartyRow(
        name=which.name,
        facts=tuple(
            language.pairs(
                ("Address", which.address),
                ("Place of the test", which.location),
                ("Reference", which.reference),
                ("Contact", which.contact),
                ("Accreditation", which.accreditation),
            )
        ),
        address=which.address or "",
        contact=which.contact or "",
        reference=which.reference or "",
    )


def specimen(job: Job, language: Language) -> SpecimenRow:
    """What was tested, and what is known of it as a beam."""
    it, beam = job.specimen, job.specimen.beam
    facts = language.pairs(*_of_specimen(job, language))
    if beam is not None:
        facts += language.pairs(
            ("Held as a beam", language.term(beam.boundary)),
            ("Length", _quantity(beam.length)),
            ("Mass of the beam alone", _quantity(beam.mass)),
            ("Mass at its end", _quantity(beam.tip_mass)),
            ("Depth in bending", _quantity(beam.thickness)),
            ("Bends as a beam along", ", ".join(beam.axes)),
        )
    serials = ", ".join(each.serial_number for each in (job.specimens or (it,)) if each.serial_number)
    several = job.specimens if len(job.specimens) > 1 else ()
    return SpecimenRow(
        name=it.name,
        part=it.part_number or "",
        serial=serials,
        facts=tuple(facts),
        several=tuple(_one_of_several(each, language) for each in several),
    )


def _one_of_several(each: Specimen, language: Language) -> OneSpecimen:
    """What a specimen has for itself."""
    absent = language.numbers.ABSENT
    return OneSpecimen(
        id=each.id or absent,
        serial=each.serial_number or absent,
        mass=_quantity(each.mass) or absent,
        received=language.numbers.day(each.received),
        condition=each.condition or absent,
    )


def _of_specimen(job: Job, language: Language) -> tuple[tuple[str, object], ...]:
    it = job.specimen
    return (
        ("Specimen", it.name),
        ("Part number", it.part_number),
        ("Serial number", it.serial_number),
        ("Mass", _quantity(it.mass)),
        ("Received", language.numbers.day(it.received)),
        ("Condition on receipt", it.condition),
        ("Description", it.description),
        ("Mounting", it.mounting),
        ("Torque", it.torque),
        ("Fixture", it.fixture),
        ("Number tested", None if it.quantity is None else str(it.quantity)),
        ("State during vibration", it.operating_state),
        ("Monitoring during vibration", it.monitoring),
        *((language.say("Axis %(axis)s", axis=axis), text) for axis, text in it.axes),
    )


def _quantity(quantity: object) -> str | None:
    return None if quantity is None else str(quantity)


def environment(report: Report, language: Language) -> tuple[Fact, ...]:
    """Conditions in the laboratory, and axis by axis where the logs tell them."""
    stated = report.job.environment
    return (
        *language.pairs(
            ("Temperature", stated.temperature), ("Humidity", stated.humidity), ("Air pressure", stated.pressure)
        ),
        *_environment_by_axis(report, language),
    )


def _environment_by_axis(report: Report, language: Language) -> Iterator[Fact]:
    """The room's temperature and humidity during the valid runs of each axis, where there are several."""
    of_axis: dict[str, dict[str, list[RunCondition]]] = {}
    for run in report.runs:
        for each in run.conditions if report.job.counts(run.id) else ():
            if each.ambient:
                of_axis.setdefault(run.axis or "", {}).setdefault(each.dimension, []).append(each)
    for axis, found in of_axis.items() if len(of_axis) > 1 else ():
        label = language.say("axis %(axis)s", axis=axis) if axis else language.say("no axis named")
        yield Fact(label=label, value=", ".join(condition_range(each, language) for each in found.values()))


def instrument(each: Instrument, language: Language) -> InstrumentRow:
    """One instrument with its calibration."""
    numbers = language.numbers
    return InstrumentRow(
        id=each.id,
        anchor=anchor("instrument", each.id),
        kind=each.kind or "–",
        make=" ".join(filter(None, (each.manufacturer, each.model))) or numbers.ABSENT,
        serial=each.serial or numbers.ABSENT,
        calibrated=each.calibrated.isoformat() if each.calibrated else language.say("not stated"),
        due=each.due.isoformat() if each.due else language.say("not stated"),
        uncertainty=_quantity(each.expanded_uncertainty) or language.say("not stated"),
        certificate=", ".join(filter(None, (each.certificate, each.calibration_laboratory))) or numbers.ABSENT,
        clock=_quantity(each.frequency_uncertainty) or "",
    )


def channel(each: Channel, language: Language) -> ChannelRow:
    """One channel with its place and its instrument."""
    absent = language.numbers.ABSENT
    return ChannelRow(
        id=each.id,
        role=language.say(str(each.role)),
        location=each.location or absent,
        direction=each.direction or absent,
        position=_quantity(each.position) or absent,
        instrument=each.instrument or "",
        instrument_anchor=anchor("instrument", each.instrument) if each.instrument else "",
    )


def planned_run(job: Job, plan: RunPlan, language: Language) -> PlannedRun:
    """One run as it was planned, for the overview of runs."""
    control = job.control_of(plan)
    strategy = f" ({language.term(plan.strategy)})" if len(control) > 1 else ""
    return PlannedRun(
        id=plan.id,
        anchor=anchor("run", plan.id),
        kind=language.say(str(plan.kind)),
        axis=plan.axis or language.numbers.ABSENT,
        started=language.numbers.moment(plan.started),
        profile=plan.profile or language.numbers.ABSENT,
        control=", ".join(control) + strategy if plan.profile else language.numbers.ABSENT,
        filter=_filter(plan, language),
        apparatus=tuple(_apparatus(plan, language)),
        logs=tuple(LogNamed(log=str(log), anchor=anchor("file", log)) for log in plan.logs),
        status=status(plan, language),
        remark=plan.remark or "",
    )


def status(plan: RunPlan, language: Language) -> str:
    """What became of a run that does not count, and why, and which run one was made in the place of; empty: nothing."""
    said = []
    if not plan.counts:
        became = language.say(str(plan.status))
        said.append(
            language.say("Does not count: %(status)s", status=became) + (f", {plan.reason}" if plan.reason else "")
        )
    if plan.repeats is not None:
        said.append(language.say("Repeats %(run)s", run=plan.repeats))
    return ". ".join(said) + "." if said else ""


def _apparatus(plan: RunPlan, language: Language) -> list[ApparatusUsed]:
    """Instruments that controlled, logged and filtered a run."""
    used = (("Controller", plan.controller), ("Acquisition", plan.acquisition), ("Tracking filter", plan.filter))
    return [
        ApparatusUsed(label=language.say(label), id=each, anchor=anchor("instrument", each))
        for label, each in used
        if each is not None
    ]


def _filter(plan: RunPlan, language: Language) -> str:
    own = plan.tracking_filter
    if own is None:
        return language.numbers.ABSENT
    return own.text if own.tolerance is None else f"{own.text} ± {language.numbers.plain(100 * own.tolerance)} %"


def inspections(job: Job, language: Language) -> list[InspectionRow]:
    """Looks at the specimen before and after."""
    return [
        InspectionRow(
            when=each.when,
            what=each.what,
            result=language.say(each.result),
            css=f"is-{anchor(each.result)}",
            remark=each.remark or "",
        )
        for each in job.inspections
    ]
