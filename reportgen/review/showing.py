"""What pages are told: one state with a version, figures, and who else looks."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reportgen.errors import ReportError
from reportgen.records.message import message
from reportgen.records.report import Report
from reportgen.render.channel_figure import FigureShown, channel_figure
from reportgen.render.review_page import File, review_files
from reportgen.render.rows.language import Language
from reportgen.resources import data_dir
from reportgen.review.state import State, in_error

if TYPE_CHECKING:
    from reportgen.pipeline import Built
    from reportgen.review.asked import Asked
    from reportgen.review.state import Tried

PAGE_GONE_S = 45.0
"""A page asks at least every 20 s; one that has not asked for twice as long is closed."""
_LOOK_S = 1.0
"""Between two looks at the files of the job while a page waits: soon enough for a person, a few calls of stat."""


class ReadOnlyError(ReportError):
    """A decision about a log that belongs to no job."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a decision changed: ids of resonances, modes and verdicts; and the runs that were computed for it."""

    changed: tuple[str, ...]
    runs: tuple[str, ...]


@dataclass(slots=True)
class _Page:
    """A page that is open somewhere."""

    by: str
    last_s: float


class Showing:
    """One set of results, any number of pages; every call may come from a thread of its own."""

    def __init__(self, folder: str, by: str = "") -> None:
        self._templates = data_dir("templates")
        self._reviewer = by
        self._work = threading.RLock()
        """Held by whoever computes, writes or draws: what draws has settings that hold for the whole process."""
        self._news = threading.Condition()
        """Told when the version has changed."""
        self._pages: dict[str, _Page] = {}
        self._figures: dict[tuple[str, ...], FigureShown | None] = {}
        self._files: dict[tuple[str, Path | None], dict[str, File]] = {}
        self.language = Language.of("en", self._templates)
        self.report: Report | None = None
        self._state = in_error(self.language, folder, message("review.not-read"), ())

    def state(self, page: str = "", by: str = "") -> dict[str, Any]:
        """The state as JSON, for the page of that id; it is known from then on, until it is closed."""
        self.arrived(page, by)
        with self._news:
            others = self._others(page)
        return asdict(replace(self._state, others=others, decided_by=self._reviewer))

    @property
    def version(self) -> int:
        """Counts whatever changes on the page."""
        return self._state.version

    def wait(self, version: int, seconds: float, page: str = "", by: str = "") -> int:
        """The version as soon as it is another one than ``version``, at the latest after ``seconds``."""
        self.arrived(page, by)
        end = time.monotonic() + seconds
        while self.version == version and (left := end - time.monotonic()) > 0:
            with self._news:
                self._news.wait_for(lambda: self.version != version, min(left, _LOOK_S))
            self.look_outside()
            self.arrived(page, by)
        return self.version

    def arrived(self, page: str, by: str) -> None:
        """A page has asked; the others are told where they did not know of it."""
        if not page:
            return
        with self._news:
            now = time.monotonic()
            before = {key: each.by for key, each in self._pages.items()}
            self._pages = {key: each for key, each in self._pages.items() if now - each.last_s < PAGE_GONE_S}
            self._pages[page] = _Page(by, now)
            if before != {key: each.by for key, each in self._pages.items()}:
                self._tell(self._state)

    def _others(self, page: str) -> tuple[str, ...]:
        return tuple(each.by for key, each in self._pages.items() if key != page)

    def _tell(self, state: State) -> None:
        with self._news:
            self._state = replace(state, version=self._state.version + 1)
            self._news.notify_all()

    def figure(self, shown: str, beside: str | None = None) -> FigureShown | None:
        """The figure of a channel in a run, ``RUN/CHANNEL``; None where there is none. Either may hold a stroke."""
        with self._work:
            report = self.report
            pairs = [(run.id, each.id) for run in report.runs for each in run.channels] if report is not None else []
            named = next((pair for pair in pairs if "/".join(pair) == shown), None)
            if report is None or named is None:
                return None
            key = (*named, beside or "")
            if key not in self._figures:
                self._figures[key] = channel_figure(report, *named, self.language, self._templates, beside=beside)
            return self._figures[key]

    def files(self) -> dict[str, File]:
        """The page and what it needs, by name, in the language of the report and the look of the laboratory."""
        with self._work:
            branding = None if self.report is None else self.report.job.branding
            key = (self.language.catalogue.language, branding)
            if key not in self._files:
                self._files = {key: review_files(self._templates, branding, key[0])}
            return self._files[key]

    def look_outside(self) -> None:
        """Read anew where somebody else changed what is shown."""

    # What a log without a job has no place for

    def decide(self, asked: Asked) -> Answer:
        """Write a decision and compute what hangs on it."""
        raise ReadOnlyError(message("review.read-only"))

    def look(self, run: str | None, channel: str | None, frequency_hz: float) -> Tried:
        """What the identification finds at a frequency; nothing is written."""
        raise ReadOnlyError(message("review.read-only"))

    def undo(self, decision: str) -> Answer:
        """Take a decision out of the file in which it stands."""
        raise ReadOnlyError(message("review.read-only"))

    def build(self, issue: bool, seen: Iterable[str] = ()) -> Built:
        """Build the draft or the issue."""
        raise ReadOnlyError(message("review.read-only"))
