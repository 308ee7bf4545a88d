"""Both example reports and their summaries, in both languages and on both sheets, before other people's checkers.

HTML: html5lib's strict parser (WHATWG HTML) and the accessibility rules of axe-core (WCAG 2.2 A and AA, best practices)
in headless Chromium, on a wide and on a narrow screen. PDF: the structural guard of the printed report, qpdf's syntax
check through pikepdf, and pdfua, a checker of those rules of PDF/UA-1 (Matterhorn Protocol) that need no eye.
"""

from __future__ import annotations

import io
import shutil
from dataclasses import replace

import html5lib
import pikepdf
import pytest

from reportgen.resources import data_dir
from tests.printed import render_html, render_pdf, render_summary_pdf
from tests.render.test_browser import FLAGS
from tests.render.test_pdf import guard

CHROMIUM = shutil.which("chromium")
SHEETS = [
    ("sensor_boom", "en", "A4"),
    ("sensor_boom", "de", "Letter"),
    ("controller_box", "de", "A4"),
    ("controller_box", "en", "Letter"),
]


def sheets(in_make_test: int) -> pytest.MarkDecorator:
    """The report on each sheet: the first so many in ``make test``, the rest as soak (8 to 15 s a printed one)."""
    every = [
        pytest.param(sheet, id="-".join(sheet), marks=[pytest.mark.soak] if k >= in_make_test else [])
        for k, sheet in enumerate(SHEETS)
    ]
    return pytest.mark.parametrize("report", every, indirect=True)


@pytest.fixture(scope="module")
def report(request, example_report):
    name, language, paper = request.param
    found = example_report(name)
    identity = replace(found.job.report, language=language, paper=paper)
    return replace(found, job=replace(found.job, report=identity))


def is_sensor_boom(report, example_report) -> bool:
    """Whether it is the example as its job has it, which other tests print as well."""
    return report.job.report == example_report("sensor_boom").job.report


def findings_of(content, tmp_path):
    pdfua = pytest.importorskip("pdfua")
    path = tmp_path / "checked.pdf"
    path.write_bytes(content)
    return [f"{each.rule_id}: {each.message}" for each in pdfua.validate(str(path)).findings]


@sheets(in_make_test=1)
def test_the_report_on_paper(report, example_report, example_pdf, tmp_path):
    if is_sensor_boom(report, example_report):
        content = example_pdf("sensor_boom")
    else:
        content = render_pdf(report, templates=data_dir("templates"), attachments={"results.json": b"{}"})
    assert guard(content) == []
    assert findings_of(content, tmp_path) == []


@sheets(in_make_test=2)
def test_the_summary_on_paper(report, tmp_path):
    content = render_summary_pdf(report, templates=data_dir("templates"))
    assert guard(content) == []
    assert findings_of(content, tmp_path) == []
    with pikepdf.open(io.BytesIO(content)) as opened:
        assert len(opened.pages) == 1


def test_the_checker_of_accessible_pdf_can_fail(tmp_path):
    with pikepdf.new() as pdf:
        pdf.add_blank_page()
        out = io.BytesIO()
        pdf.save(out)
    assert findings_of(out.getvalue(), tmp_path)


@pytest.fixture(scope="module")
def page():
    playwright = pytest.importorskip("playwright.sync_api")
    if CHROMIUM is None:
        pytest.skip("no chromium on this machine (apt-get install chromium)")
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        # The page's own policy forbids foreign scripts; the checker is one.
        yield browser.new_context(bypass_csp=True, offline=True).new_page()
        browser.close()


def violations(page):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    found = axe.Axe().run(page).response["violations"]
    return [f"{each['id']}: {node['html'][:200]}" for each in found for node in each["nodes"]]


@pytest.mark.browser
@sheets(in_make_test=2)
def test_the_report_on_screen(report, example_report, example_page, page, tmp_path):
    printed_elsewhere = is_sensor_boom(report, example_report)
    html = example_page("sensor_boom") if printed_elsewhere else render_html(report, templates=data_dir("templates"))
    html5lib.HTMLParser(strict=True).parse(html)
    path = tmp_path / "report.html"
    path.write_text(html, encoding="utf-8")
    narrow = report.job.report.language == "de"
    page.set_viewport_size({"width": 400 if narrow else 1280, "height": 900})
    page.goto(path.as_uri())
    page.wait_for_function("window.ready === 1")
    assert page.evaluate("document.documentElement.scrollWidth") <= (400 if narrow else 1280)
    assert violations(page) == []


@pytest.mark.browser
@pytest.mark.parametrize("width", [400, 1280])
def test_the_report_on_a_dark_screen(width, example_page, page, tmp_path):
    """All that the script adds in use: a zoomed figure, a second cursor, the folded controls, a sorted table."""
    path = tmp_path / "report.html"
    path.write_text(example_page("bolted_bracket"), encoding="utf-8")
    page.set_viewport_size({"width": width, "height": 900})
    page.emulate_media(color_scheme="dark")
    page.goto(path.as_uri())
    page.wait_for_function("window.ready === 1")
    page.locator("figure[data-panels] svg").first.focus()
    for key in ("ArrowRight", "c", "ArrowRight", "+", "i"):
        page.keyboard.press(key)
    page.locator(".plot-bar summary").first.click()
    page.locator(".sorts").first.click()
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert violations(page) == []
    page.emulate_media(color_scheme="light")


@pytest.mark.browser
def test_the_accessibility_checker_can_fail(page):
    page.set_content("<title>t</title><img src='data:,'><p style='color:#ccc'>too faint to read</p>")
    assert {each.partition(":")[0] for each in violations(page)} >= {"image-alt", "html-has-lang", "color-contrast"}
