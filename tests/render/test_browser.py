"""The HTML report in real headless Chromium: no network, no message on the console, every control does its work."""

from __future__ import annotations

import csv
import io
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from reportgen.resources import data_dir
from tests.printed import render_html
from tests.render.sample_report import sample_report

playwright = pytest.importorskip("playwright.sync_api")
CHROMIUM = shutil.which("chromium")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine (apt-get install chromium)"),
]
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    return sample_report(tmp_path_factory.mktemp("sample"))


@pytest.fixture(scope="module")
def html_file(report, tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(render_html(report, templates=data_dir("templates")), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def browser() -> Iterator:
    with playwright.sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield chromium
        chromium.close()


class Opened:
    """A page with everything it complained about and asked for."""

    def __init__(self, page, path):
        self.page = page
        self.complaints: list[str] = []
        self.requests: list[str] = []
        page.on("console", lambda message: self.complaints.append(message.text))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("request", lambda request: self.requests.append(request.url))
        page.goto(path.as_uri())
        page.wait_for_function("window.ready === 1")


@pytest.fixture
def opened(browser, html_file):
    context = browser.new_context(offline=True, viewport={"width": 1200, "height": 900})
    yield Opened(context.new_page(), html_file)
    context.close()


def response_figure(page):
    """A transmissibility figure: two panels, resonance marks, a recorded and a steady-state curve."""
    found = page.locator("figure[data-panels*='steady']").first
    assert found.count() == 1
    return found


def test_the_page_is_silent_and_asks_for_nothing(opened):
    assert opened.complaints == []
    assert [url for url in opened.requests if not url.startswith(("file:", "data:"))] == []
    assert len([url for url in opened.requests if url.startswith("file:")]) == 1


def test_arrow_keys_read_values_in_the_units_of_the_axis(opened):
    figure = response_figure(opened.page)
    figure.locator("svg").focus()
    opened.page.keyboard.press("ArrowRight")
    first = figure.locator("output").inner_text()
    assert re.match(r"[\d.,]+ Hz · ", first), first
    opened.page.keyboard.press("Shift+ArrowRight")
    second = figure.locator("output").inner_text()
    assert float(second.split()[0].replace(",", ".")) > float(first.split()[0].replace(",", "."))


def rows_of(job_report, figure):
    """Frequency, magnitude and phase of the channel that a response figure shows, from the records."""
    for run in job_report.runs:
        for channel in run.channels:
            if figure.get_attribute("id") == f"fig-{run.id}-{channel.id}":
                return channel.frequency_hz, channel.magnitude, (channel.phase_deg + 180.0) % 360.0 - 180.0
    raise AssertionError(figure.get_attribute("id"))


def number_after(label, text):
    found = re.search(re.escape(label) + r" (−?[\d.]+)", text)
    assert found, text
    return float(found.group(1).replace("−", "-"))


def test_page_down_goes_to_the_row_nearest_to_the_marked_resonance(opened, report):
    figure = response_figure(opened.page)
    marks = opened.page.evaluate("id => JSON.parse(document.getElementById(id).dataset.panels)[0].marks.map(m => m.x)",
                                 figure.get_attribute("id"))  # fmt: skip
    f = rows_of(report, figure)[0]
    figure.locator("svg").focus()
    for mark in sorted(marks)[:2]:
        opened.page.keyboard.press("PageDown")
        read = float(figure.locator("output").inner_text().split()[0])
        assert read == pytest.approx(f[np.abs(f - mark).argmin()], rel=1e-5)


def test_the_cursor_reads_rows_of_the_log_and_no_point_between_them(opened, report):
    """Fault: readings came from the thinned line of the drawing, off by up to its tolerance, or by a whole peak."""
    figure, page = response_figure(opened.page), opened.page
    f, magnitude, phase = rows_of(report, figure)
    figure.locator("svg").focus()
    page.keyboard.press("PageDown")
    for _ in range(7):
        page.keyboard.press("+")
    for _ in range(3):
        page.keyboard.press("ArrowRight")
        text = figure.locator("output").inner_text()
        row = int(np.abs(f - float(text.split()[0])).argmin())
        assert float(text.split()[0]) == pytest.approx(f[row], rel=5e-6)
        assert number_after("as recorded", text) == pytest.approx(magnitude[row], rel=5e-6)
        assert number_after("phase", text) == pytest.approx(phase[row], rel=5e-6)
    last = row
    page.keyboard.press("ArrowRight")
    assert float(figure.locator("output").inner_text().split()[0]) == pytest.approx(f[last + 1], rel=5e-6)


def test_once_zoomed_in_every_row_is_drawn_as_a_dot(opened, report):
    """Fault: zooming enlarged the polygon of the printed figure."""
    figure, page = response_figure(opened.page), opened.page
    f, magnitude, _ = rows_of(report, figure)
    figure.locator("svg").focus()
    page.keyboard.press("PageDown")
    for _ in range(8):
        page.keyboard.press("+")
    at = int(np.abs(f - float(figure.locator("output").inner_text().split()[0])).argmin())
    dots, cursor = page.evaluate(
        """id => {
          const node = document.getElementById(id), panel = JSON.parse(node.dataset.panels)[0];
          const dots = document.getElementById(panel.curves[0].id).querySelector('.rows').getAttribute('d');
          const circle = node.querySelector('svg circle');
          return [[...dots.matchAll(/M([-\\d.]+) ([-\\d.]+)/g)].map((m) => [Number(m[1]), Number(m[2])]),
                  [Number(circle.getAttribute('cx')), Number(circle.getAttribute('cy'))]];
        }""",
        figure.get_attribute("id"),
    )
    across, up = np.array(dots).T
    here = int(np.hypot(across - cursor[0], up - cursor[1]).argmin())
    rows = slice(at - here, at - here + len(dots))
    assert 5 < len(dots) <= 80
    for drawn, data in ((across, np.log(f[rows])), (up, np.log(magnitude[rows]))):
        slope, offset = np.polyfit(data, drawn, 1)
        assert drawn == pytest.approx(slope * data + offset, abs=0.03), "both axes are logarithmic"


def test_a_wrapped_phase_loses_no_row(opened, report):
    """Fault: the row after each wrap was left out to break the line, so that it could not be read."""
    figure, page = response_figure(opened.page), opened.page
    panels = page.evaluate("id => JSON.parse(document.getElementById(id).dataset.panels)", figure.get_attribute("id"))
    assert [curve["wraps"] for curve in panels[1]["curves"]] == [True]
    with page.expect_download() as waited:
        figure.get_by_role("button", name="Data of this figure as CSV").click()
    rows = list(csv.DictReader(io.StringIO(Path(waited.value.path()).read_text(encoding="utf-8"))))
    assert all(row["phase [°]"] for row in rows)


def test_the_csv_of_a_figure_holds_the_rows_of_the_log(opened, report):
    figure, page = response_figure(opened.page), opened.page
    with page.expect_download() as waited:
        figure.get_by_role("button", name="Data of this figure as CSV").click()
    assert waited.value.suggested_filename == f"VTR-0147-A-{figure.get_attribute('id').removeprefix('fig-')}.csv"
    text = Path(waited.value.path()).read_text(encoding="utf-8")
    head, *rows = list(csv.reader(io.StringIO(text)))
    assert head[:2] == ["frequency [Hz]", "as recorded"]
    assert "phase [°]" in head
    f, magnitude, phase = rows_of(report, figure)
    assert [float(row[0]) for row in rows] == f.tolist(), "the abscissa is exact"
    assert [float(row[1]) for row in rows] == pytest.approx(magnitude.tolist(), rel=1e-6)
    assert [float(row[head.index("phase [°]")]) for row in rows] == pytest.approx(phase.tolist(), rel=1e-6, abs=1e-5)
    assert opened.complaints == []
    assert [url for url in opened.requests if not url.startswith(("file:", "data:", "blob:"))] == []


def test_two_cursors_show_their_difference(opened, report):
    figure, page = response_figure(opened.page), opened.page
    f, magnitude, _ = rows_of(report, figure)
    figure.locator("svg").focus()
    page.keyboard.press("PageDown")
    second = float(figure.locator("output").inner_text().split()[0])
    page.keyboard.press("c")
    page.keyboard.press("PageDown")
    lines = figure.locator("output span").all_inner_texts()
    assert [line.partition(":")[0] for line in lines] == ["1", "2", "1 − 2"]
    first = float(lines[0].split()[1])
    assert number_after("1 − 2:", lines[2].replace("+", "")) == pytest.approx(first - second, rel=1e-4)
    a, b = (magnitude[np.abs(f - place).argmin()] for place in (first, second))
    assert number_after("as recorded", lines[2].replace("+", "")) == pytest.approx(a - b, rel=1e-4)
    page.keyboard.press("c")
    assert figure.locator("output span").count() == 0


def ranges(page, figure):
    """Numbers on the axes of the first panel as they are drawn."""
    return figure.locator("svg text:visible").all_text_contents()


def test_both_axes_zoom_and_move(opened):
    """Fault: only the abscissa could be zoomed, and nothing could be moved."""
    figure, page = response_figure(opened.page), opened.page
    svg = figure.locator("svg")
    svg.scroll_into_view_if_needed()
    box = svg.bounding_box()
    left, right, bottom, top = page.evaluate(
        "id => { const p = JSON.parse(document.getElementById(id).dataset.panels)[0]; return [...p.px, ...p.py]; }",
        figure.get_attribute("id"),
    )
    scale = box["width"] / page.evaluate("id => document.querySelector(`#${CSS.escape(id)} svg`).viewBox.baseVal.width",
                                         figure.get_attribute("id"))  # fmt: skip
    at = lambda x, y: (box["x"] + scale * x, box["y"] + scale * y)  # noqa: E731
    home = ranges(page, figure)
    middle = ((left + right) / 2, (bottom + top) / 2)
    page.mouse.move(*at(*middle))
    page.mouse.down()
    page.mouse.move(*at(middle[0] + 60, middle[1] + 25))
    page.mouse.up()
    zoomed = ranges(page, figure)
    assert zoomed != home
    page.keyboard.down("Shift")
    page.mouse.move(*at(*middle))
    page.mouse.down()
    page.mouse.move(*at(middle[0] + 40, middle[1] + 15))
    page.mouse.up()
    page.keyboard.up("Shift")
    moved = ranges(page, figure)
    assert moved != zoomed
    svg.focus()
    page.keyboard.press("i")
    assert ranges(page, figure) != moved
    page.keyboard.press("0")
    assert ranges(page, figure) == home
    assert opened.complaints == []


def test_evidence_lands_with_its_figure_in_view_and_the_cursor_there(opened):
    """Fault: a link to evidence led to a row of a table, with the figure out of sight."""
    page = opened.page
    links = page.locator("#table-evidence a[data-figure]")
    assert links.count() >= 2
    for k in range(2):
        link = links.nth(k)
        figure = page.locator(f"figure[id='{link.get_attribute('data-figure')}']")
        link.click()
        page.wait_for_timeout(50)
        box = figure.bounding_box()
        assert 0 <= box["y"] < 900 / 2
        read = float(figure.locator("output").inner_text().split()[0])
        assert read == pytest.approx(float(link.get_attribute("data-x")), rel=0.02)


def test_tables_of_two_rows_of_heads_are_sorted_too(opened):
    page = opened.page
    table = page.locator("table.resonances").first
    table.get_by_role("button", name="Sort by Q", exact=True).click()
    down = [float(each) for each in table.locator("tbody tr:not(.continued) td:nth-child(4)").all_inner_texts()]
    assert len(down) > 2
    assert down == sorted(down)
    table.get_by_role("button", name="Sort by Q", exact=True).click()
    up = [float(each) for each in table.locator("tbody tr:not(.continued) td:nth-child(4)").all_inner_texts()]
    assert up == sorted(down, reverse=True)


def test_a_sorted_table_of_modes_names_the_mode_in_every_row(opened):
    table = opened.page.locator("table.axis-modes").first
    table.get_by_role("button", name="Sort by Channel").click()
    assert all(table.locator("tbody tr > :first-child").all_inner_texts())


def test_the_contents_stay_in_view_and_say_where_one_reads(opened):
    page = opened.page
    page.set_viewport_size({"width": 1300, "height": 800})
    page.evaluate("document.getElementById('methods').scrollIntoView()")
    page.wait_for_timeout(100)
    assert page.locator(".contents").bounding_box()["y"] == 0
    assert page.locator(".contents [aria-current]").get_attribute("href") == "#methods"
    page.set_viewport_size({"width": 400, "height": 800})
    back = page.locator(".to-contents").bounding_box()
    assert 0 < back["y"] < 800
    assert 0 < back["x"] < 400


def test_zoom_scale_and_reset(opened):
    figure = response_figure(opened.page)
    svg = figure.locator("svg")
    before = svg.inner_html()
    svg.focus()
    opened.page.keyboard.press("PageDown")
    opened.page.keyboard.press("+")
    zoomed = svg.locator("g[id*='-curve-'] > path:visible").count()
    assert zoomed >= 2
    opened.page.keyboard.press("x")
    opened.page.keyboard.press("y")
    labels = svg.locator("text:visible").all_text_contents()
    assert "NaN" not in " ".join(labels)
    assert "Infinity" not in " ".join(labels)
    opened.page.keyboard.press("0")
    drawn = [svg.locator("g[id*='-curve-'] > path:visible").count(), svg.locator("text:visible").count()]
    assert drawn[1] == before.count("<text")
    assert opened.complaints == []


def test_curves_switch_off_and_on(opened):
    figure = response_figure(opened.page)
    toggle = figure.locator("button[aria-pressed]").first
    curve = figure.locator("g[id*='-curve-']").first
    toggle.click()
    assert toggle.get_attribute("aria-pressed") == "false"
    assert curve.get_attribute("display") == "none"
    toggle.click()
    assert curve.get_attribute("display") == "inline"


def test_a_resonance_row_moves_the_cursor(opened):
    row = opened.page.locator("tr[data-figure][data-x]").nth(1)
    row.locator("td").nth(2).click()
    figure = opened.page.locator(f"figure[id='{row.get_attribute('data-figure')}']")
    read = float(figure.locator("output").inner_text().split()[0].replace(",", "."))
    assert read == pytest.approx(float(row.get_attribute("data-x")), rel=1e-3), "the row nearest to the resonance"


def test_without_script_it_is_a_plain_report(browser, html_file):
    context = browser.new_context(offline=True, java_script_enabled=False)
    page = context.new_page()
    page.goto(html_file.as_uri())
    assert page.locator(".plot-bar").count() == 0
    assert page.locator("figure svg").count() > 5
    assert "VTR" in page.locator("main").inner_text()
    context.close()


def test_a_browser_that_cannot_unpack_reads_the_drawing_and_says_so(browser, html_file):
    context = browser.new_context(offline=True)
    context.add_init_script("delete globalThis.DecompressionStream")
    opened = Opened(context.new_page(), html_file)
    figure = response_figure(opened.page)
    assert "from the drawing" in figure.locator("output").inner_text()
    assert figure.get_by_role("button", name="Data of this figure as CSV").count() == 0
    figure.locator("svg").focus()
    opened.page.keyboard.press("ArrowRight")
    opened.page.keyboard.press("+")
    assert re.match(r"[\d.,]+ Hz · ", figure.locator("output").inner_text())
    assert opened.complaints == []
    context.close()


@pytest.mark.soak  # a time, so only where nothing else runs beside it
def test_it_opens_within_a_second(browser, html_file):
    """The limit set for the report in Chromium; the fastest of three."""
    times = []
    for _ in range(3):
        context = browser.new_context(offline=True)
        page = Opened(context.new_page(), html_file).page
        times.append(page.evaluate("performance.getEntriesByType('navigation')[0].domContentLoadedEventEnd"))
        context.close()
    assert min(times) < 1000


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="no pdftotext on this machine")
def test_it_prints_with_page_numbers(opened, tmp_path):
    path = tmp_path / "printed.pdf"
    opened.page.pdf(path=path, prefer_css_page_size=True)
    text = subprocess.run(["pdftotext", "-layout", path, "-"], check=True, capture_output=True, text=True).stdout
    pages = text.rstrip("\f\n").split("\f")
    assert len(pages) > 10
    for number, page in enumerate(pages, start=1):
        assert f"Page {number} of {len(pages)}" in page
        assert "VTR-0147" in page
