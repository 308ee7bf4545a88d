"""The page of the review in real headless Chromium: decisions by keyboard alone, what they write, what they show.

The server is the product's own, on a free port of this machine; one browser for all.
"""

from __future__ import annotations

import re
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from datetime import datetime
from pathlib import Path

import pytest
from werkzeug.serving import WSGIRequestHandler, make_server

from reportgen.pipeline import Settings, build_job
from reportgen.review.app import App
from reportgen.review.bare import BareLog
from reportgen.review.session import Session
from reportgen.review.showing import Showing
from tests.render.test_browser import FLAGS
from tests.review.small_review_job import JOB, NOTES, rows, write_job

playwright = pytest.importorskip("playwright.sync_api")
CHROMIUM = shutil.which("chromium")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine (apt-get install chromium)"),
]
WHEN = datetime(2026, 5, 5, 10, 30)
SOON_MS = 30_000
"""Longest wait for an answer of the server on a busy machine."""
BUILT_MS = 240_000
"""Longest wait for a set to be built there."""


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


def served(job: Path) -> AbstractContextManager[str]:
    """The address of the page of a job, until the block ends."""
    return served_as(lambda: Session(job, Settings(), clock=lambda: WHEN))


@contextmanager
def served_as(shown: Callable[[], Showing]) -> Iterator[str]:
    """The same of whatever a page can show."""
    session = shown()
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
        one.page.wait_for_selector("#built-files li", timeout=BUILT_MS)
        assert (job / "report/report-draft.html").is_file()
        one.press("Tab", "Enter", "Space", "Tab", "Enter")
        one.page.locator("#built-files li", has_text="report.html").wait_for(timeout=BUILT_MS)
        assert one.complaints == []
    same_when_built(job, typed_by_hand(tmp_path / "typed"))


def same_when_built(job: Path, hand: Path) -> None:
    """What the page wrote and issued, and what a hand types and issues."""
    for name in ("job.toml", "notes.txt"):
        assert (job / name).read_text(encoding="utf-8") == (hand / name).read_text(encoding="utf-8")
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


BOX = Path(__file__).resolve().parents[2] / "example_logs/controller_box"
MADE = 'by = "M. Adler"\nwhen = 2026-05-05T10:30:00\n'
AGREED = 'effect = "none on the verdicts"\nagreed_by = "Crane Monitoring Department"\n'
BOX_ENTRIES = f"""
[[correction]]
run = "Z-PRE"
channel = "A2"
frequency = "118.002 Hz"
action = "renumber"
mode = 1
reason = "board as one"
{MADE}[[correction]]
run = "Z-PRE"
channel = "A2"
frequency = "287.007 Hz"
action = "reject"
reason = "the lid"
{MADE}[[correction]]
run = "Z-PRE"
channel = "A2"
frequency = "700 Hz"
action = "add"
reason = "strobe"
{MADE}[[correction]]
run = "Z-PRE"
channel = "A1"
frequency = "639.994 Hz"
action = "accept"
reason = "looked at"
{MADE}[[correction]]
run = "Z-PRE"
channel = "A2"
frequency = "639.994 Hz"
action = "accept"
reason = "looked at"
{MADE}[[correction]]
run = "Z-PRE"
channel = "A3"
frequency = "639.994 Hz"
action = "accept"
reason = "looked at"
{MADE}[[annotation]]
run = "Z-PRE"
channel = "A2"
frequency = "117 Hz"
text = "board hums"
{MADE}[[exclusion]]
run = "Z-PRE"
channel = "A2"
band = ["1800 Hz", "1900 Hz"]
reason = "noise"
{MADE}[[deviation]]
key = "lost sensor Y-SWEEP A3"
{AGREED}[[deviation]]
key = "not evaluated R16"
{AGREED}[[deviation]]
key = "not evaluated R19"
{AGREED}[[deviation]]
key = "noted notes.txt:11"
{AGREED}"""
BOX_NOTED = "2026-05-05 10:30 Z-PRE 117.942 Hz: 0 nodes (entered by M. Adler)\n"


def box(folder: Path) -> Path:
    """The box without pages on paper."""
    shutil.copytree(BOX, folder, ignore=shutil.ignore_patterns("report"))
    text = (folder / "job.toml").read_text(encoding="utf-8")
    (folder / "job.toml").write_text(
        text.replace('revision = "A"\n', 'revision = "A"\noutputs = ["html"]\n'), encoding="utf-8"
    )
    return folder


def decide_what_is_open(one: Engineer) -> list[str]:
    """Goes down the list until the issue waits for nothing more; what was decided, in order."""
    made = []
    while not one.page.locator("#nothing-open").is_visible():
        one.press("Home")
        while "may stay" in one.text("#open [aria-selected=true]"):
            one.press("n")
        item = one.text("#open [aria-selected=true] .kind")
        made.append(item)
        if item == "Deviation":
            one.press("d")
            one.fill(effect="none on the verdicts", agreed_by="Crane Monitoring Department")
        else:
            one.press("a")
            one.fill(reason="looked at")
    return made


STROKE_S = 0.28
"""A key of an average typist; and below, getting ready for a step (Card, Moran and Newell 1980; from memory)."""
READY_S = 1.35


@pytest.mark.soak  # three builds of nine runs
def test_the_review_of_the_box_takes_less_than_two_minutes_and_gives_what_a_hand_gives(engineer, tmp_path):
    job = box(tmp_path / "reviewed")
    with served(job) as address:
        one = engineer(address)
        one.page.wait_for_selector("#figure .plot-bar")
        started, steps = time.monotonic(), 8
        one.choose_run("Z-PRE", "A2")
        one.press("Home", "PageDown", "m")
        one.fill(by="M. Adler", mode="1", reason="board as one")
        one.press("e")
        one.fill(nodes="0")
        one.press("PageDown", "r")
        one.fill(reason="the lid")
        one.press("l")
        one.fill(frequency_hz="117", text="board hums")
        one.press("b")
        one.fill(**{"from": "1800", "to": "1900", "reason": "noise"})
        one.press("t")
        one.tab_to("field-frequency_hz")
        one.type("700")
        one.press("Enter")
        one.page.wait_for_selector("#keep:visible")
        one.fill(reason="strobe")
        one.tab_to("open")
        steps += len(decide_what_is_open(one))
        one.tab_to("draft")
        one.press("Enter")
        one.page.wait_for_selector("#built-files li", timeout=BUILT_MS)
        one.press("Tab", "Enter", "Space", "Tab", "Enter")
        one.page.locator("#built-files li", has_text="report.html").wait_for(timeout=BUILT_MS)
        waited = time.monotonic() - started
        assert one.complaints == []
        print(f"{one.keys} keys, {steps} steps, {waited:.0f} s with the machine's share")
        assert one.keys * STROKE_S + steps * READY_S < 120
    hand = box(tmp_path / "typed")
    for name, more in (("job.toml", BOX_ENTRIES), ("notes.txt", BOX_NOTED)):
        (hand / name).write_text((hand / name).read_text(encoding="utf-8") + more, encoding="utf-8")
    same_when_built(job, hand)


def test_a_bare_log_is_shown_and_takes_no_decision(engineer, tmp_path):
    (tmp_path / "x_pre.csv").write_text(rows(1.0, 1), encoding="utf-8")
    with served_as(lambda: BareLog(tmp_path / "x_pre.csv")) as address:
        one = engineer(address)
        one.page.wait_for_selector("#figure .plot-bar")
        assert one.page.locator(".acts button:visible").evaluate_all("all => all.map(each => each.dataset.act)") == [
            "add"
        ]
        one.tab_to("run")
        one.press("Tab", "Tab", "Tab", "Home", "PageDown", "r")
        assert one.told == "A bare log has no job: what is decided could not be kept."
        assert one.page.locator("#decision").is_hidden()
        assert one.page.locator("#build-part").is_hidden()
        assert one.complaints == []
