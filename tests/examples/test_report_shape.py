"""The report is short: what a reader needs in a few pages, the rest in an annex; and nothing is lost by it.

Fault: the box example took 42 pages for nine short sweeps, the boom 24, a job of 24 channels and three runs 113.
The items asked of a report are those of ISO/IEC 17025:2017, 7.8.2 to 7.8.6, and IEC 60068-2-6:2007, clause 13 (from
memory), each looked for at its own place.
"""

from __future__ import annotations

import io
import re
from dataclasses import replace

import pikepdf
import pytest

from reportgen.records.job import Annex
from reportgen.render.document import assemble
from reportgen.resources import data_dir
from tests.examples.test_golden import text_of
from tests.printed import page_of_words, render_annex_pdf, render_pdf, white_figures

TEMPLATES = data_dir("templates")
MOST_PAGES = {"controller_box": 15, "equipment_rack": 15, "sensor_boom": 11, "signal_lamp": 11}
"""Asked of the body of each example; the annex comes after."""


def with_report(report, **changes):
    own = replace(report.job.report, **changes)
    return replace(report, job=replace(report.job, report=own))


def body_pages(report) -> int:
    short = with_report(report, annex=Annex.NONE)
    content = render_pdf(short, templates=TEMPLATES, drawn=lambda: white_figures(short))
    with pikepdf.open(io.BytesIO(content)) as opened:
        return len(opened.pages)


@pytest.fixture(scope="module", params=sorted(MOST_PAGES))
def name(request) -> str:
    return request.param


@pytest.fixture(scope="module")
def report(name, example_report):
    return example_report(name)


@pytest.fixture(scope="module")
def html(name, example_words) -> str:
    return example_words(name)


def test_the_body_of_each_example_is_short(name, report):
    assert body_pages(report) <= MOST_PAGES[name]


def test_the_longest_language_on_the_shortest_sheet_is_short_too(example_report):
    """Fault: the box in German on Letter took 17 pages: contents on a page of their own, each axis on a new one."""
    report = with_report(example_report("controller_box"), language="de", paper="Letter")
    assert body_pages(report) <= MOST_PAGES["controller_box"]


def many_channels(report, channels: int):
    """Three runs along one axis with so many response channels."""
    runs = tuple(run for run in report.runs if run.axis == "Z")

    def more(run):
        copies = tuple(replace(run.channels[n % len(run.channels)], id=f"A{n + 1}", flags=()) for n in range(channels))
        return replace(run, channels=copies, quality=())

    listed = tuple(replace(report.job.channels[2], id=f"A{n + 1}", location=f"place {n + 1}") for n in range(channels))
    first = [shift for shift in report.shifts if shift.before == "Z-PRE" and shift.channel == "A1"]
    shifts = tuple(replace(shift, channel=f"A{n + 1}") for n in range(channels) for shift in first)
    plans = tuple(plan for plan in report.job.runs if plan.axis == "Z")
    job = replace(report.job, channels=(*report.job.channels[:2], *listed), runs=plans)
    return replace(report, job=job, runs=tuple(map(more, runs)), shifts=shifts)


def test_a_job_of_24_channels_and_three_runs_is_short(example_report):
    assert body_pages(many_channels(example_report("controller_box"), 24)) <= 15


def test_every_clause_has_its_table_and_what_has_a_figure_its_figure(report, html):
    document = assemble(report, TEMPLATES)
    clauses = [clause for group in document.context.groups for clause in group.clauses]
    assert sorted(each.id for each in clauses) == sorted(verdict.requirement for verdict in report.verdicts)
    printed = set(re.findall(r'\bid="([^"]+)"', html))
    for each in clauses:
        assert each.proof.table in printed, each.id
        assert not each.proof.figure or each.proof.figure in printed, each.id
    assert sum(bool(each.proof.figure) for each in clauses) >= len(clauses) // 2


PLACES = {
    "title, number and verdict": '<header class="cover">',
    "laboratory and customer (7.8.2.1 b, e)": 'id="subject"',
    "channels": 'id="table-channels"',
    "instruments and calibration": 'id="table-instruments"',
    "profiles (IEC 60068-2-6, 13)": 'id="table-profiles"',
    "runs": 'id="table-runs"',
    "statement of conformity and decision rule (7.8.6)": 'id="table-conformity"',
    "deviations (7.8.2.1 n)": 'id="remarks"',
    "uncertainty (7.8.3.1 c)": 'id="table-budgets"',
    "methods (7.8.2.1 f)": 'id="methods"',
    "revision (7.8.8)": 'id="table-revisions"',
    "who authorises (7.8.2.1 o)": 'class="signatures"',
}


def test_each_item_of_the_checklist_stands_before_the_annex(html):
    body = html.partition('id="annex"')[0]
    assert [what for what, place in PLACES.items() if place not in body] == []


ITEMS = {
    "17025 7.8.2.1 a, title": r"^Test report$",
    "17025 7.8.2.1 b, laboratory": r"^Address \| Hall 4",
    "17025 7.8.2.1 c, place": r"^Place of the test \| Exciter",
    "17025 7.8.2.1 d, identification and end": r"^End of report VTR-\d+ rev",
    "17025 7.8.2.1 e, customer": r"^Customer \| Crane Monitoring Department",
    "17025 7.8.2.1 f, method": r"^Method \| IEC 60068-2-6",
    "17025 7.8.2.1 g, item and its condition": r"^Condition on receipt \| new",
    "17025 7.8.2.1 h, received": r"^Received \| \d",
    "17025 7.8.2.1 i and j, dates": r"^Dates \| Tested .*, issued \d",
    "17025 7.8.2.1 l, items tested only": r"The results relate only to the items tested",
    "17025 7.8.2.1 m, results with units": r"^Mode \| Channel \| Natural frequency / Hz|Natural frequency / Hz",
    "17025 7.8.2.1 n, deviations": r"^Deviations from the method$",
    "17025 7.8.2.1 o, authorises": r"^Date, signature",
    "17025 7.8.3.1 a, conditions": r"^Conditions\. Temperature",
    "17025 7.8.3.1 c, uncertainty": r"U is the expanded uncertainty for a coverage of",
    "17025 7.8.6.2, decision rule": r"^Decision rule\.",
    "60068-2-6 13, purpose": r"^Purpose of the test\. ",
    "60068-2-6 13, mounting": r"^Mounting \| ",
    "60068-2-6 13, operating state": r"^State during vibration \| ",
    "60068-2-6 13, axes": r"^Axis [XZ] \| ",
    "60068-2-6 13, severity": r"Sweep rate: \d",
    "60068-2-6 13, control of several points": r"^C2 \| control",
    "60068-2-6 13, examinations": r"^before the test, .* \| visual inspection.* \| pass",
}
"""ISO/IEC 17025:2017, 7.8.2 to 7.8.6, and IEC 60068-2-6:2007, clause 13 (from memory: verify against your edition)."""


def test_each_item_of_the_standards_stands_at_its_own_place(html):
    text = text_of(html)
    assert [item for item, place in ITEMS.items() if not re.search(place, text, re.MULTILINE)] == []


def test_nothing_of_the_runs_is_lost_with_the_annex_in_the_report(report, html):
    if report.job.report.annex is Annex.NONE:
        pytest.skip("this example has no annex")
    for run in report.runs:
        for channel in run.channels:
            for number, _ in enumerate(channel.resonances, start=1):
                assert f'id="row-{run.id}-{channel.id}-{number}"' in html


def test_no_two_things_of_a_page_have_one_name(html):
    """Fault: the curves of a figure of several panels had the same names in each."""
    names = re.findall(r'\bid="([^"]+)"', html)
    assert len(set(names)) == len(names)


def test_without_annex_links_into_it_are_text(report):
    html = page_of_words(with_report(report, annex=Annex.NONE), templates=TEMPLATES)
    assert 'id="annex"' not in html
    printed = set(re.findall(r'\bid="([^"]+)"', html))
    assert set(re.findall(r'href="#([^"]+)"', html)) <= printed


def test_a_separate_annex_is_a_document_of_its_own(example_report):
    report = with_report(example_report("sensor_boom"), annex=Annex.SEPARATE)
    content = render_annex_pdf(report, templates=TEMPLATES, drawn=lambda: white_figures(report))
    with pikepdf.open(io.BytesIO(content)) as opened:
        assert 5 < len(opened.pages) < 20
        assert str(opened.docinfo["/Title"]).startswith("Annex")
