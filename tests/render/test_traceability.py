"""What a report shall hold, item by item, each found in the document by its own place.

ISO/IEC 17025:2017, 7.8.2.1, 7.8.3.1, 7.8.6.2 and 7.8.7, and the information that IEC 60068-2-6:2007 asks for in the
test report (clause 13). The clauses are from memory: verify against your edition.
"""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from reportgen.read.job.checklist import report_checklist
from reportgen.records.deviation import Deviation, DeviationCode
from reportgen.records.job import Inspection, TrackingFilter
from reportgen.records.message import message
from reportgen.units import parse_quantity
from tests.examples.test_golden import text_of
from tests.printed import page_of_words


def filled(report):
    """The sample report with every item of the checklist stated."""
    job = report.job
    instruments = tuple(
        replace(
            each, certificate="K-1", calibration_laboratory="Calibration Service South",
            frequency_uncertainty=parse_quantity("20 ppm"), expanded_uncertainty=parse_quantity("1.5 %"),
        )
        for each in job.instruments
    )  # fmt: skip
    first = instruments[0].id
    job = replace(
        job,
        report=replace(job.report, purpose="Proof of strength", opinions_by="B. Example, head of laboratory"),
        specimen=replace(
            job.specimen, quantity=2, operating_state="powered at 24 V", monitoring="output watched",
            fixture="steel cube", axes=tuple((axis, f"along {axis} of the drawing") for axis in "XYZ"),
        ),
        instruments=instruments,
        channels=tuple(replace(each, instrument=each.instrument or first) for each in job.channels),
        profiles=tuple(replace(each, sweep_cycles=10.0) for each in job.profiles),
        runs=tuple(
            replace(
                each, controller=first, acquisition=first, filter=first,
                tracking_filter=TrackingFilter(bandwidth_hz=10.0, text="10 Hz", tolerance=0.05),
            )
            for each in job.runs
        ),
        inspections=(
            Inspection(when="before the test", what="visual", result="pass"),
            Inspection(when="after the test", what="visual", result="pass"),
        ),
    )  # fmt: skip
    deviation = Deviation(
        code=DeviationCode.STATED, key="stated job.toml:9", message=message("deviation.stated", text="hall at 28 °C"),
        effect="none on the result", agreed_by="C. Customer",
    )  # fmt: skip
    return replace(report, job=job, deviations=(deviation,))


@pytest.fixture(scope="module")
def whole(report):
    return filled(report)


@pytest.fixture(scope="module")
def text(whole, templates):
    return text_of(page_of_words(whole, templates=templates))


PLACES = {
    "17025 7.8.2.1 a, title": r"^Test report$",
    "17025 7.8.2.1 b, laboratory": r"^Address \| 4 Pier Road",
    "17025 7.8.2.1 b, contact": r"^Contact \| lab@breakwater\.example",
    "17025 8.1.2, accreditation": r"^Accreditation \| TL-0000",
    "17025 7.8.2.1 c, place": r"^Place of the test \| Hall 2",
    "17025 7.8.2.1 d, identification and end": r"^End of report VTR-0147",
    "17025 7.8.2.1 e, customer": r"^Customer \| Northquay",
    "17025 7.8.2.1 f, method": r"^Method \| IEC 60068-2-6",
    "17025 7.8.2.1 g, specimen": r"^Serial number \| 0034",
    "17025 7.8.2.1 g, condition": r"^Condition on receipt \| new",
    "17025 7.8.2.1 h, received": r"^Received \| 9 March 2026",
    "17025 7.8.2.1 i, dates of test": r"^Tested: ",
    "17025 7.8.2.1 l, items tested only": r"The results relate only to the items tested",
    "17025 7.8.2.1 n, deviations": r"^stated \| hall at 28 °C\. \| none on the result \| C\. Customer",
    "17025 7.8.2.1 o, authorises": r"^Date, signature",
    "17025 7.8.3.1 a, conditions": r"^Conditions\. Temperature",
    "17025 7.8.3.1 c, uncertainty": r"U is the expanded uncertainty for a coverage of",
    "17025 7.8.6.2, decision rule": r"^Decision rule\.",
    "17025 7.8.7, author of opinions": r"Given by B\. Example, head of laboratory",
    "17025 6.5, calibrated by": r"K-1, Calibration Service South",
    "60068-2-6 13, purpose": r"^Purpose of the test\. Proof of strength",
    "60068-2-6 13, quantity": r"^Number tested \| 2",
    "60068-2-6 13, operating state": r"^State during vibration \| powered at 24 V",
    "60068-2-6 13, monitoring": r"^Monitoring during vibration \| output watched",
    "60068-2-6 13, mounting": r"^Mounting \| root clamped",
    "60068-2-6 13, fixture": r"^Fixture \| steel cube",
    "60068-2-6 13, axes": r"^Axis X \| along X of the drawing",
    "60068-2-6 13, apparatus": r"Controller: \S+; Acquisition: \S+; Tracking filter: \S+",
    "60068-2-6 13, filter": r"10 Hz ± 5 %",
    "60068-2-6 13, sweep cycles required": r"Sweep cycles required along each axis: 10",
    "60068-2-6 13, severity": r"Sweep rate: \d",
    "60068-2-6 13, examinations": r"^after the test \| visual \| pass",
    "clock": r"clock 20 ppm",
}


@pytest.mark.parametrize("item", PLACES)
def test_each_item_stands_at_its_own_place(text, item):
    assert re.search(PLACES[item], text, re.MULTILINE), item


def test_a_job_that_states_all_has_no_open_item_and_a_bare_one_names_each(whole, report):
    assert [each.value("item").code for each in report_checklist(whole.job)] == []
    bare = {each.value("item").code for each in report_checklist(report.job)}
    named = "purpose quantity operating-state monitoring fixture axes apparatus-of-runs sweep-cycles clock opinions-by"
    assert {f"checklist.{each}" for each in named.split()} <= bare


@pytest.mark.parametrize("key", ["controller", "acquisition"])
def test_a_run_without_controller_or_acquisition_is_named(whole, key):
    first, *rest = whole.job.runs
    job = replace(whole.job, runs=(replace(first, **{key: None}), *rest))
    assert [each.value("item").code for each in report_checklist(job)] == ["checklist.apparatus-of-runs"]


def test_no_instruction_to_the_operator_stands_in_a_customers_document(report, templates):
    """Fault: "Look there again, or say why not" in the report that the customer read."""
    missing = message("modes.numbers-missing", seen="1 to 5", missing="6")
    found = replace(report.findings[0], message=missing)
    text = text_of(page_of_words(replace(report, findings=(found,)), templates=templates))
    assert "modes seen: 1 to 5; missing: 6" in text
    assert "again" not in text[text.index("modes seen: 1 to 5") :][:80]


def test_no_deviation_is_said_only_where_there_is_none(report, whole, templates):
    none = "No deviation from the method was found or noted."
    assert none in text_of(page_of_words(replace(report, deviations=()), templates=templates))
    assert none not in text_of(page_of_words(whole, templates=templates))
