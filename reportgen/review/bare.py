"""A bare log on the page of the review: shown as a job's runs are, with nothing to decide."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from reportgen.bare_file import bare_report, look_at
from reportgen.progress import Say, silent
from reportgen.review.showing import Showing
from reportgen.review.state import state_of


class BareLog(Showing):
    """One log without a job. Raises ReportError where it shows nothing that can be had."""

    def __init__(self, path: Path, progress: Say = silent) -> None:
        super().__init__(path.name)
        self.report = bare_report(look_at(path, None, progress))
        state = state_of(self.report, self.language, ())
        self._tell(replace(state, read_only=True, may_issue=False, folder=path.name))
