"""The page of the review in real headless Chromium: decisions by keyboard alone, what they write, what they show.

The server is the product's own, on a free port of this machine; one browser for all.
"""

from __future__ import annotations

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
SOON_MS = 60_000
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
band = ["300 Hz", "330 Hz"]
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
        one.press("PageDown", "r")
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
        one.press("b")
        one.fill(**{"from": "300", "to": "330", "reason": "mains"})
        one.tab_to("open")
        one.press("Home", "a")
        one.fill(reason="seen before the test")
        assert one.focus == "open", "the focus goes back to where the form was called from"
        assert "Nothing awaits a decision." in one.told
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


@pytest.fixture(scope="module")
def lamp(tmp_path_factory):
    """The page of a job whose names and notes are full of markup."""
    job = ON_SCREEN.replace("Sine survey of a lamp head", MARKUP).replace("top of the head", MARKUP)
    job = job.replace("seen by eye", MARKUP).replace('name = "A. Nobody"', f'name = "{MARKUP}"')
    folder = write_job(tmp_path_factory.mktemp("lamp") / "job", job=job, notes=NOTES + f"observation: {MARKUP}\n")
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
