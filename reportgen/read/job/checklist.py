"""Which items of the report that a job cannot fill yet (ISO/IEC 17025:2017, 7.8.2.1 and 7.8.3.1; IEC 60068-2-6).

Clause letters of ISO/IEC 17025 follow the published text; the items of IEC 60068-2-6's report clause are from memory:
verify against your edition.
"""

from __future__ import annotations

from collections.abc import Callable

from reportgen.records.job import Job

_ITEMS: tuple[tuple[str, str, Callable[[Job], object]], ...] = (
    ("ISO/IEC 17025 7.8.2.1 b", "laboratory address: [laboratory] address", lambda j: j.laboratory.address),
    ("ISO/IEC 17025 7.8.2.1 c", "location of the test: [laboratory] location", lambda j: j.laboratory.location),
    (
        "ISO/IEC 17025 7.8.2.1 e",
        "customer's contact: [customer] address or contact",
        lambda j: j.customer.address or j.customer.contact,
    ),
    ("ISO/IEC 17025 7.8.2.1 f", "method: [report] standard", lambda j: j.report.standard),
    (
        "ISO/IEC 17025 7.8.2.1 g",
        "unambiguous identification of the specimen: [specimen] serial_number or part_number",
        lambda j: j.specimen.serial_number or j.specimen.part_number,
    ),
    ("ISO/IEC 17025 7.8.2.1 g", "condition of the specimen: [specimen] condition", lambda j: j.specimen.condition),
    ("ISO/IEC 17025 7.8.2.1 h", "date of receipt: [specimen] received", lambda j: j.specimen.received),
    (
        "ISO/IEC 17025 7.8.2.1 i",
        "day of the test: started of every [[run]]",
        lambda j: bool(j.runs) and all(run.started for run in j.runs),
    ),
    ("ISO/IEC 17025 7.8.2.1 o", "who authorizes the report: [[person]]", lambda j: j.persons),
    (
        "ISO/IEC 17025 7.8.3.1 a",
        "conditions of the test: [environment] temperature and humidity",
        lambda j: j.environment.temperature and j.environment.humidity,
    ),
    ("ISO/IEC 17025 7.8.3.1 b", "requirement: [[requirement]] with clause and text", lambda j: j.requirements),
    (
        "ISO/IEC 17025 7.8.3.1 c",
        "uncertainty of calibration: expanded_uncertainty of every [[instrument]] that a [[channel]] names",
        lambda j: (
            bool(j.channels)
            and all(
                (instrument := j.instrument(channel.instrument)) is not None and instrument.expanded_uncertainty
                for channel in j.channels
            )
        ),
    ),
    ("IEC 60068-2-6 report", "mounting of the specimen: [specimen] mounting", lambda j: j.specimen.mounting),
    ("IEC 60068-2-6 report", "test apparatus: [exciter]", lambda j: j.exciter),
    (
        "IEC 60068-2-6 report",
        "place of every sensor: location of every [[channel]]",
        lambda j: bool(j.channels) and all(channel.location for channel in j.channels),
    ),
    ("IEC 60068-2-6 report", "severity: [[profile]] of every run that is a sweep or survey", lambda j: j.profiles),
    (
        "IEC 60068-2-6 report",
        "initial and final examination: [[inspection]] before and after",
        lambda j: len(j.inspections) >= 2,
    ),
    ("IEC 60068-2-6 report", "distribution: [report] distribution", lambda j: j.report.distribution),
)


def report_checklist(job: Job) -> list[str]:
    """Lines for the items that ``job`` leaves open; empty where it fills them all."""
    return [f"not yet filled ({source}): {item}" for source, item, filled in _ITEMS if not filled(job)]
