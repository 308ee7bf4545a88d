"""Which items of the report that a job cannot fill yet (ISO/IEC 17025:2017, 7.8.2.1 and 7.8.3.1; IEC 60068-2-6).

Clause letters of ISO/IEC 17025 follow the published text; the items of IEC 60068-2-6's report clause are from memory:
verify against your edition.
"""

from __future__ import annotations

from collections.abc import Callable

from reportgen.records.job import Job
from reportgen.records.message import Message, message

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
        lambda j: j.specimen.serial_number or j.specimen.part_number,
    ),
    ("ISO/IEC 17025 7.8.2.1 g", message("checklist.condition"), lambda j: j.specimen.condition),
    ("ISO/IEC 17025 7.8.2.1 h", message("checklist.received"), lambda j: j.specimen.received),
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
