"""The page of the review in real headless Chromium: decisions by keyboard alone, what they write, what they show.

The server is the product's own, on a free port of this machine; one browser for all.
"""

from __future__ import annotations

import re
import shutil
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

import pytest
from werkzeug.serving import WSGIRequestHandler, make_server

from reportgen.pipeline import Settings, build_job
from reportgen.review.app import App
from reportgen.review.session import Session
from tests.render.test_browser import FLAGS
from tests.review.small_review_job import JOB, NOTES, write_job

playwright = pytest.importorskip("playwright.sync_api")
CHROMIUM = shutil.which("chromium")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine (apt-get install chromium)"),
]
WHEN = datetime(2026, 5, 5, 10, 30)
SOON_MS = 30_000
"""Longest wait for an answer of the server: as long as several builds take on a busy machine."""


@pytest.fixture(scope="module")
def browser() -> Iterator:
    with playwright.sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield chromium
        chromium.close()


class Silent(WSGIRequestHandler):
    """Writes no line a request."""

    def log(self, type: str, message: str, *args: object) -> None:
        pass


@contextmanager
def served(job: Path) -> Iterator[str]:
    """The address of the page of a job, until the block ends."""
    session = Session(job, Settings(), clock=lambda: WHEN)
    server = make_server("127.0.0.1", 0, None, threaded=True, request_handler=Silent)
    server.app = App(session, "token", f"127.0.0.1:{server.server_port}")
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/token/"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


class Engineer:
    """Somebody before the page who has a keyboard and nothing else."""

    def __init__(self, browser, address: str, **how) -> None:
        self.context = browser.new_context(**{"viewport": {"width": 1280, "height": 900}, **how})
        self.page = self.context.new_page()
        self.page.set_default_timeout(SOON_MS)
        self.complaints: list[str] = []
        self.keys = 0
        self.page.on("console", lambda message: self.complaints.append(message.text))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("dialog", lambda dialog: self.complaints.append(dialog.message))
        self.page.goto(address)
        self.page.wait_for_selector("html.scripted")

    def press(self, *keys: str) -> None:
        for key in keys:
            self.page.keyboard.press(key)
            self.keys += 1
            assert self.focus != "BODY", f"the focus was lost by {key}"

    def type(self, text: str) -> None:
        """Over what stands in the field."""
        self.page.keyboard.press("ControlOrMeta+a")
        self.page.keyboard.type(text)
        self.keys += 1 + len(text)

    def fill(self, **fields: str) -> None:
        """Goes through the form by Tab and sends it."""
        for name, text in fields.items():
            self.tab_to(f"field-{name}")
            self.type(text)
        self.send()

    def send(self) -> None:
        """Enter in a form; waits until the answer is shown and the curve drawn anew."""
        drawn = self.page.locator("#figure svg").first.element_handle()
        self.press("Enter")
        self.page.wait_for_selector("#decision", state="hidden")
        drawn.wait_for_element_state("hidden")
        self.page.wait_for_selector("#figure .plot-bar")
        assert self.focus != "BODY"

    def tab_to(self, name: str, most: int = 90) -> None:
        """Tab, or Shift and Tab where the place lies before the one that has the focus."""
        before = self.page.evaluate(
            "id => (document.activeElement.compareDocumentPosition(document.getElementById(id)) & 2) > 0", name
        )
        for _ in range(most):
            if self.focus == name:
                return
            self.press("Shift+Tab" if before else "Tab")
        raise AssertionError(f"{name} is not reached by Tab; the focus is on {self.focus}")

    @property
    def focus(self) -> str:
        return self.page.evaluate("document.activeElement.id || document.activeElement.tagName")

    @property
    def told(self) -> str:
        return self.page.locator("#told").inner_text()

    def text(self, place: str) -> str:
        return self.page.locator(place).inner_text()

    def choose_run(self, run: str, channel: str) -> None:
        """By the letters of their names, as in any list of choices."""
        self.tab_to("run")
        self.type_choice("run", run)
        self.press("Tab")
        self.type_choice("channel", channel)
        self.page.wait_for_selector(f"#figure:not([aria-busy]) figure[id='fig-{run}-{channel}'] .plot-bar")
        while self.focus != "svg":
            self.press("Tab")

    def type_choice(self, select: str, text: str) -> None:
        self.page.keyboard.type(text)
        self.keys += len(text)
        assert self.page.locator(f"#{select}").input_value() == text


@pytest.fixture
def engineer(browser):
    opened = []

    def come(address: str, **how) -> Engineer:
        opened.append(Engineer(browser, address, **how))
        return opened[-1]

    yield come
    for each in opened:
        each.context.close()


ON_SCREEN = JOB.replace("date = 2026-05-04", 'date = 2026-05-04\noutputs = ["html"]')
"""Without pages on paper, which take most of a build's time."""
BY = 'by = "A. Nobody"\nwhen = 2026-05-05T10:30:00\n'
CORRECTIONS = f"""[[correction]]
run = "X-PRE"
channel = "A1"
frequency = "60 Hz"
action = "reject"
reason = "no mode <b>of the lamp</b>"
{BY}
[[correction]]
run = "X-PRE"
channel = "A1"
frequency = "200 Hz"
action = "renumber"
mode = 1
reason = "first bending"
{BY}
[[correction]]
run = "X-PRE"
channel = "A1"
frequency = "300 Hz"
action = "add"
reason = "heard at the bench"
{BY}
[[correction]]
run = "X-POST"
channel = "A1"
frequency = "59.4 Hz"
action = "accept"
reason = "seen before the test"
{BY}
"""
REST = f"""
[[annotation]]
run = "X-PRE"
channel = "A1"
frequency = "100 Hz"
text = "cable & lid"
{BY}
[[exclusion]]
run = "X-PRE"
channel = "A1"
band = ["350 Hz", "380 Hz"]
reason = "mains"
{BY}"""
NOTED = "2026-05-05 10:30 X-PRE 198.532 Hz: 0 nodes (entered by A. Nobody)\n"


def typed_by_hand(folder: Path) -> Path:
    """The small job with what the review shall write, as somebody types it."""
    later = "# --- and the survey"
    return write_job(folder, job=ON_SCREEN.replace(later, CORRECTIONS + later) + REST, notes=NOTES + NOTED)


def test_a_whole_review_by_keyboard_writes_what_a_hand_would_and_gives_the_same_report(engineer, tmp_path):
    job = write_job(tmp_path / "reviewed", job=ON_SCREEN)
    with served(job) as address:
        one = engineer(address)
        one.choose_run("X-PRE", "A1")
        one.press("Home", "PageDown", "r")
        one.fill(by="A. Nobody", reason="no mode <b>of the lamp</b>")
        assert one.told == "Written to the job. R2: was Pass, is Fail. Awaiting a decision: 1."
        changed = one.text("#verdicts tr.changed >> nth=-1")
        assert "Changed by a decision:" in changed
        assert "Rejected: 60 Hz, X-PRE, A1" in changed
        one.press("PageDown", "m")
        one.fill(mode="1", reason="first bending")
        one.press("l")
        one.fill(frequency_hz="100", text="cable & lid")
        assert "cable & lid" in one.text("#points")
        one.press("e")
        one.fill(nodes="0")
        one.press("t")
        one.tab_to("field-frequency_hz")
        one.type("300")
        one.press("Enter")
        one.page.wait_for_selector("#keep:visible")
        assert "chance may explain it" in one.text("#found-against"), "the data speak before anything is written"
        assert one.focus == "field-reason"
        one.fill(reason="heard at the bench")
        one.press("b")
        one.fill(**{"from": "350", "to": "380", "reason": "mains"})
        one.tab_to("open")
        one.press("Home", "a")
        one.fill(reason="seen before the test")
        assert one.focus == "open", "the focus goes back to where the form was called from"
        assert one.told == "Written to the job. Nothing awaits a decision."
        one.tab_to("draft")
        one.press("Enter")
        one.page.wait_for_selector("#built-files li")
        assert (job / "report/report-draft.html").is_file()
        one.press("Tab", "Enter", "Space", "Tab", "Enter")
        one.page.locator("#built-files li", has_text="report.html").wait_for()
        assert one.complaints == []
    hand = typed_by_hand(tmp_path / "typed")
    assert (job / "job.toml").read_text(encoding="utf-8") == (hand / "job.toml").read_text(encoding="utf-8")
    assert (job / "notes.txt").read_text(encoding="utf-8") == (hand / "notes.txt").read_text(encoding="utf-8")
    build_job(hand)
    for name in ("results.json", "report.html"):
        assert (job / "report" / name).read_bytes() == (hand / "report" / name).read_bytes(), name


FIGURE_KEYS = set("+-=,.ioc0xy123456789")
"""Letters that the figure itself answers to (templates/script/figure.js, as its hint says)."""


def marked(language: str) -> str:
    """The small job with names, reasons and notes that are full of markup, and a requirement with a long text."""
    job = ON_SCREEN.replace("Sine survey of a lamp head", MARKUP).replace("top of the head", MARKUP)
    job = job.replace("seen by eye", MARKUP).replace('name = "A. Nobody"', f'name = "{MARKUP}"')
    job = job.replace(
        "The lowest natural frequency", "The lowest natural frequency " + "without any blank".replace(" ", "") * 8
    )
    return job.replace('outputs = ["html"]', f'outputs = ["html"]\nlanguage = "{language}"')


@pytest.fixture(scope="module")
def lamp(tmp_path_factory):
    """The page of that job."""
    folder = write_job(
        tmp_path_factory.mktemp("lamp") / "job", job=marked("en"), notes=NOTES + f"observation: {MARKUP}\n"
    )
    with served(folder) as address:
        yield folder, address


@pytest.fixture(scope="module")
def lampe(tmp_path_factory):
    """The same in German."""
    folder = write_job(
        tmp_path_factory.mktemp("lampe") / "job", job=marked("de"), notes=NOTES + f"observation: {MARKUP}\n"
    )
    with served(folder) as address:
        yield folder, address


MARKUP = "<img src=x onerror=alert(1)><script>alert(2)</script>&amp;"


def test_no_text_of_the_job_becomes_markup(engineer, lamp):
    one = engineer(lamp[1])
    assert MARKUP in one.text("h1")
    assert MARKUP in one.text("#decisions")
    assert one.page.locator("#people option").evaluate_all("all => all.map(each => each.value)")[0] == MARKUP
    assert one.page.locator("#channel option").first.inner_text() == f"A1 · {MARKUP}"
    assert one.page.locator("script").count() == 1
    assert one.page.locator("img").count() == 0
    assert one.complaints == []


def letters(page) -> list[str]:
    return page.locator("[data-act] kbd").all_inner_texts()


@pytest.mark.parametrize(("job", "first"), [("lamp", "Accept"), ("lampe", "Annehmen")])
def test_keys_are_first_letters_each_of_one_action_and_none_of_the_figure(engineer, request, job, first):
    page = engineer(request.getfixturevalue(job)[1]).page
    found = letters(page)
    assert len(found) == len(set(found)) == 12
    assert not FIGURE_KEYS & set(found)
    labels = page.locator("[data-act]").evaluate_all("all => all.map(each => each.dataset.label)")
    assert [each[0].lower() for each in labels] == found
    assert first in labels


SCREENS = [
    ("lamp", 1280, "light"),
    ("lampe", 1280, "dark"),
    ("lamp", 800, "dark"),
    ("lampe", 800, "light"),
    pytest.param("lampe", 400, "light", marks=pytest.mark.soak),
]


@pytest.mark.parametrize(("job", "width", "colours"), SCREENS)
def test_the_page_is_accessible_with_a_form_open_a_fault_told_and_a_second_page(engineer, request, job, width, colours):
    """WCAG 2.2 A and AA and best practices, by axe-core; nothing is wider than the screen."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    address = request.getfixturevalue(job)[1]
    engineer(address)
    # The page's own policy forbids foreign scripts; the checker is one.
    one = engineer(address, viewport={"width": width, "height": 900}, color_scheme=colours, bypass_csp=True)
    page = one.page
    page.wait_for_selector("#figure .plot-bar")
    one.press("Enter", "PageUp", "r" if job == "lamp" else "v", "Enter")
    page.locator(".fault:not(:empty)").first.wait_for()
    page.locator(".keys summary").click()
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    found = axe.Axe().run(page).response["violations"]
    assert [f"{each['id']}: {node['html'][:200]}" for each in found for node in each["nodes"]] == []


def test_a_fault_stands_at_its_field_and_a_form_that_is_left_writes_nothing(engineer, lamp):
    folder, address = lamp
    before = (folder / "job.toml").read_bytes()
    one = engineer(address)
    one.page.wait_for_selector("#figure .plot-bar")
    one.press("Enter", "PageUp", "m")
    one.press("Enter")
    assert one.text("#fault-mode") == "A whole number is expected here, such as 2."
    assert one.focus == "field-mode"
    one.type("1")
    one.tab_to("field-by")
    one.type("A. Nobody")
    one.press("Enter")
    one.page.locator("#fault-reason:not(:empty)").wait_for()
    assert one.focus == "field-reason"
    assert one.page.locator("#field-reason").get_attribute("aria-invalid") == "true"
    one.press("Escape")
    assert one.page.locator("#decision").is_hidden()
    assert one.focus == "svg"
    assert (folder / "job.toml").read_bytes() == before


def test_a_band_is_taken_from_a_drag_and_from_two_cursors(engineer, lamp):
    one = engineer(lamp[1])
    page = one.page
    page.wait_for_selector("#figure .plot-bar")
    one.press("Enter", "PageUp", "c", "PageDown", "b")
    ends = [page.locator(f"#field-{name}").input_value() for name in ("from", "to")]
    read = re.findall(r"(?m)^[12]: ([\d.]+) Hz", one.text("#figure output"))
    assert sorted(ends, key=float) == sorted(read, key=float)
    box = page.locator("#figure svg").bounding_box()
    page.mouse.move(box["x"] + 0.3 * box["width"], box["y"] + 0.4 * box["height"])
    page.mouse.down()
    page.mouse.move(box["x"] + 0.5 * box["width"], box["y"] + 0.4 * box["height"], steps=3)
    page.mouse.up()
    dragged = [page.locator(f"#field-{name}").input_value() for name in ("from", "to")]
    assert dragged != ends
    assert float(dragged[0]) < float(dragged[1])


def test_a_click_at_a_mark_selects_its_resonance(engineer, lamp):
    one = engineer(lamp[1])
    page = one.page
    page.wait_for_selector("#figure .plot-bar")
    at = page.evaluate(
        """() => {
          const node = document.querySelector("#figure figure"), panel = JSON.parse(node.dataset.panels)[0];
          const x = panel.marks[1].x, [low, high] = panel.x.map(Math.log), svg = node.querySelector("svg");
          const box = svg.getBoundingClientRect(), scale = box.width / svg.viewBox.baseVal.width;
          const px = panel.px[0] + (Math.log(x) - low) / (high - low) * (panel.px[1] - panel.px[0]);
          return [box.left + scale * px, box.top + scale * (panel.py[0] + panel.py[1]) / 2];
        }"""
    )
    page.mouse.click(*at)
    assert page.locator(".picks[aria-pressed=true]").inner_text().startswith("200.00 Hz")
    assert "200.00 Hz" in one.text("#values")


def test_a_change_outside_is_told_and_what_was_typed_stays(engineer, tmp_path):
    """Then that the server is gone is told as well: what was decided stands, what is typed stays."""
    job = write_job(tmp_path / "job", job=ON_SCREEN)
    with served(job) as address:
        one = engineer(address)
        one.page.wait_for_selector("#figure .plot-bar")
        one.press("Enter", "PageUp", "r")
        one.tab_to("field-reason")
        one.type("half a rea")
        text = (job / "job.toml").read_text(encoding="utf-8")
        (job / "job.toml").write_text(text.replace('limit = "50 Hz"', 'limit = "70 Hz"'), encoding="utf-8")
        one.page.locator("#verdicts tr.changed", has_text="70 Hz").wait_for()
        assert "The job was changed elsewhere" in one.told
        assert "R1: was Pass, is Fail." in one.told
        assert one.page.locator("#field-reason").input_value() == "half a rea"
        assert one.focus == "field-reason"
    one.press("Enter")
    one.page.locator("#trouble", has_text="The server of this page does not answer").wait_for()
    assert one.page.locator("#field-reason").input_value() == "half a rea"
    assert one.focus == "field-reason"


def test_a_job_in_error_opens_with_its_findings_and_follows_once_they_are_mended(engineer, tmp_path):
    job = write_job(tmp_path / "job", job=ON_SCREEN.replace('run = "X-PRE"\nlimit', 'run = "X-PER"\nlimit'))
    with served(job) as address:
        one = engineer(address)
        assert one.focus == "errors-head"
        assert "job.toml:" in one.text("#findings")
        assert "X-PER" in one.text("#findings")
        assert one.page.locator("#desk").is_hidden()
        assert one.page.locator("#draft").get_attribute("aria-disabled") == "true"
        (job / "job.toml").write_text(ON_SCREEN, encoding="utf-8")
        one.page.wait_for_selector("#figure .plot-bar")
        assert one.page.locator("#errors").is_hidden()
        assert one.complaints == []
