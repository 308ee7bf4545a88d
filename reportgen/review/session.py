"""A job under review: computed once, and after each decision only as far as the decision goes."""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from reportgen.cores import cores
from reportgen.errors import ReportError
from reportgen.pipeline import Inputs, JobInError, Settings, compute_report, read_inputs
from reportgen.progress import Say, silent
from reportgen.read.input_files import stamps_of_job_file
from reportgen.read.job.checklist import report_checklist
from reportgen.records.finding import Finding
from reportgen.records.message import Message, message
from reportgen.records.report import Report
from reportgen.render.channel_figure import FigureShown, channel_figure
from reportgen.render.rows.language import Language
from reportgen.resources import data_dir
from reportgen.review.kept import Kept
from reportgen.review.state import State, in_error, state_of

PAGE_GONE_S = 45.0
"""A page asks at least every 20 s; one that has not asked for twice as long is closed."""


_LOOK_S = 1.0
"""Between two looks at the files of the job while a page waits: soon enough for a person, a few calls of stat."""
_NOTHING = message("review.not-read")


@dataclass(slots=True)
class _Page:
    """A page that is open somewhere."""

    by: str
    last_s: float


class Session:
    """One job, one set of results, any number of pages; every call may come from a thread of its own."""

    def __init__(self, path: Path, how: Settings, progress: Say = silent) -> None:
        self.file = path / "job.toml" if path.is_dir() else path
        self.folder = self.file.parent
        self._how = replace(how, cores=cores())
        self._templates = data_dir("templates")
        self._kept = Kept()
        self._work = threading.RLock()
        """Held by whoever computes or writes."""
        self._news = threading.Condition()
        """Told when the version has changed."""
        self._pages: dict[str, _Page] = {}
        self._figures: dict[tuple[str, ...], FigureShown | None] = {}
        self.language = Language.of("en", self._templates)
        self.report: Report | None = None
        self.inputs: Inputs | None = None
        self._state = in_error(self.language, self.folder.name, _NOTHING, ())
        self.read_anew(progress)

    # What is known

    def state(self, page: str = "", by: str = "") -> dict[str, Any]:
        """The state as JSON, for the page of that id; it is known from then on, until it is closed."""
        self.arrived(page, by)
        with self._news:
            others = self._others(page)
        return asdict(replace(self._state, others=others))

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
                self._news.wait(min(left, _LOOK_S))
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

    def figure(self, run: str, channel: str, beside: str | None) -> FigureShown | None:
        """The figure of a channel; None where there is none."""
        with self._work:
            if self.report is None:
                return None
            key = (run, channel, beside or "")
            if key not in self._figures:
                self._figures[key] = channel_figure(
                    self.report, run, channel, self.language, self._templates, beside=beside
                )
            return self._figures[key]

    # What changes

    def read_anew(self, progress: Say = silent) -> None:
        """Read and compute what has changed since the last time, and tell the pages."""
        with self._work:
            self._stamps = self._now()
            try:
                inputs = read_inputs(self.file, progress, laboratory=self._how.laboratory, read_log=self._kept.read_log)
                self._computed(inputs, progress)
            except JobInError as error:
                self._failed(error.said, error.errors)
            except ReportError as error:
                self._failed(error.said, tuple(each for each in error.more if isinstance(each, Finding)))

    def _computed(self, inputs: Inputs, progress: Say) -> None:
        report = compute_report(inputs, progress, cores=self._how.cores, compute=self._kept.compute)
        self.inputs, self.report = inputs, report
        self.language = Language.of(report.job.report.language, self._templates)
        self._figures.clear()
        self._stamps = self._now()
        self._tell(state_of(report, self.language, report_checklist(report.job)))

    def _failed(self, error: Message, findings: tuple[Finding, ...]) -> None:
        """What was computed before is of other inputs: it is shown no longer, and comes again once they are mended."""
        self.inputs = self.report = None
        self._figures.clear()
        self._tell(in_error(self.language, self.folder.name, error, findings))

    def look_outside(self) -> None:
        """Read anew where somebody else changed the job file, its notes or a log."""
        if self._now() == self._stamps or not self._work.acquire(blocking=False):
            return
        try:
            if self._now() != self._stamps:
                self.read_anew()
        finally:
            self._work.release()

    def _now(self) -> Mapping[str, object]:
        """State of every file that the job reads."""
        found: dict[str, object] = dict(stamps_of_job_file(self.file))
        names = self.inputs.watched.stamps if self.inputs is not None and self.inputs.watched is not None else ()
        for name in names:
            found[name] = _stamp(self.folder / name)
        return found


def _stamp(path: Path) -> tuple[int, ...] | None:
    try:
        told = path.stat()
    except OSError:
        return None
    return (told.st_ino, told.st_size, told.st_mtime_ns)
