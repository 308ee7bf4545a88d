"""Which items of the report that a job cannot fill yet (ISO/IEC 17025:2017, 7.8.2.1 and 7.8.3.1; IEC 60068-2-6).

Clause letters of ISO/IEC 17025 follow the published text; the items of IEC 60068-2-6's report clause are from memory:
verify against your edition.
"""

from __future__ import annotations

from collections.abc import Callable

from reportgen.records.job import Job, RunKind, Specimen
from reportgen.records.message import Message, message


def _axes_defined(job: Job) -> bool:
    """Whether every axis of a run is said in words; none has to be where no run names one."""
    return {run.written_axis for run in job.runs if run.written_axis is not None} <= dict(job.specimen.axes).keys()


def _sweep_cycles_stated(job: Job) -> bool:
    """Whether every profile that a sweep at test level follows says how often."""
    swept = [job.profile(run.profile) for run in job.runs if run.kind is RunKind.SWEEP]
    return all(each is None or each.sweep_cycles is not None for each in swept)


def _each_specimen(told: Callable[[Specimen], object]) -> Callable[[Job], bool]:
    """Whether a job tells something of every specimen, for all are identified in the report."""
    return lambda job: all(map(told, job.specimens or (job.specimen,)))


_ITEMS: tuple[tuple[str, Message, Callable[[Job], object]], ...] = (
    ("ISO/IEC 17025 7.8.2.1 b", message("checklist.address"), lambda j: j.laboratory.address),
    ("ISO/IEC 17025 7.8.2.1 c", message("checklist.location"), lambda j: j.laboratory.location),
    (
        "ISO/IEC 17025 7.8.2.1 e",
        message("checklist.customer-contact"),
        lambda j: j.customer.address or j.customer.contact,
    ),
    ("ISO/IEC 17025 7.8.2.1 f", message("checklist.method"), lambda j: j.report.standard),
    (
        "ISO/IEC 17025 7.8.2.1 g",
        message("checklist.specimen-identification"),
        _each_specimen(lambda it: it.serial_number or it.part_number),
    ),
    ("ISO/IEC 17025 7.8.2.1 g", message("checklist.condition"), _each_specimen(lambda it: it.condition)),
    ("ISO/IEC 17025 7.8.2.1 h", message("checklist.received"), _each_specimen(lambda it: it.received)),
    (
        "ISO/IEC 17025 7.8.2.1 i",
        message("checklist.started"),
        lambda j: bool(j.runs) and all(run.started for run in j.runs),
    ),
    ("ISO/IEC 17025 7.8.2.1 o", message("checklist.authorizes"), lambda j: j.persons),
    (
        "ISO/IEC 17025 7.8.3.1 a",
        message("checklist.conditions"),
        lambda j: j.environment.temperature and j.environment.humidity,
    ),
    ("ISO/IEC 17025 7.8.3.1 b", message("checklist.requirement"), lambda j: j.requirements),
    (
        "ISO/IEC 17025 7.8.3.1 c",
        message("checklist.uncertainty"),
        lambda j: (
            bool(j.channels)
            and all(
                (instrument := j.instrument(channel.instrument)) is not None and instrument.expanded_uncertainty
                for channel in j.channels
            )
        ),
    ),
    ("ISO/IEC 17025 7.8.2.1 b", message("checklist.laboratory-contact"), lambda j: j.laboratory.contact),
    (
        "ISO/IEC 17025 7.8.7.1",
        message("checklist.opinions-by"),
        lambda j: not j.report.opinions or j.report.opinions_by,
    ),
    ("ISO/IEC 17025 8.1.2", message("checklist.accreditation"), lambda j: j.laboratory.accreditation),
    ("ISO/IEC 17025 7.8.6.2", message("checklist.clauses"), lambda j: all(each.clause for each in j.requirements)),
    (
        "ISO/IEC 17025 6.5.1",
        message("checklist.calibration-laboratory"),
        lambda j: all(each.certificate and each.calibration_laboratory for each in j.instruments),
    ),
    ("ISO/IEC 17025 7.6", message("checklist.clock"), lambda j: all(j.clock_of(run).stated for run in j.runs)),
    (
        "ISO/IEC 17025 7.6",
        message("checklist.filter-tolerance"),
        lambda j: all(run.tracking_filter is None or run.tracking_filter.tolerance is not None for run in j.runs),
    ),
    ("IEC 60068-2-6 report", message("checklist.purpose"), lambda j: j.report.purpose),
    ("IEC 60068-2-6 report", message("checklist.quantity"), lambda j: j.specimen.quantity or len(j.specimens) > 1),
    ("IEC 60068-2-6 report", message("checklist.operating-state"), lambda j: j.specimen.operating_state),
    ("IEC 60068-2-6 report", message("checklist.monitoring"), lambda j: j.specimen.monitoring),
    ("IEC 60068-2-6 report", message("checklist.fixture"), lambda j: j.specimen.fixture),
    ("IEC 60068-2-6 report", message("checklist.axes"), _axes_defined),
    (
        "IEC 60068-2-6 report",
        message("checklist.apparatus-of-runs"),
        lambda j: all((run.controller or run.kind is RunKind.DECAY) and run.acquisition for run in j.runs),
    ),
    ("IEC 60068-2-6 report", message("checklist.sweep-cycles"), _sweep_cycles_stated),
    ("IEC 60068-2-6 report", message("checklist.mounting"), lambda j: j.specimen.mounting),
    ("IEC 60068-2-6 report", message("checklist.apparatus"), lambda j: j.exciter),
    (
        "IEC 60068-2-6 report",
        message("checklist.sensors"),
        lambda j: bool(j.channels) and all(channel.location for channel in j.channels),
    ),
    ("IEC 60068-2-6 report", message("checklist.severity"), lambda j: j.profiles),
    (
        "IEC 60068-2-6 report",
        message("checklist.examination"),
        lambda j: len(j.inspections) >= 2,
    ),
    ("IEC 60068-2-6 report", message("checklist.distribution"), lambda j: j.report.distribution),
)


def report_checklist(job: Job) -> tuple[Message, ...]:
    """One message for each item that ``job`` leaves open; empty where it fills them all."""
    return tuple(
        message("checklist.open", source=source, item=item) for source, item, filled in _ITEMS if not filled(job)
    )
