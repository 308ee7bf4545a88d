"""The page of the review in real headless Chromium: decisions by keyboard alone, what they write, what they show.

The server is the product's own, on a free port of this machine; one browser for all.
"""

from __future__ import annotations

import re
import shutil
import threading
import time
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
from tests.review.small_review_job import JOB, write_job

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
        self.page.wait_for_selector(f"#figure figure[id='fig-{run}-{channel}'] .plot-bar")
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
