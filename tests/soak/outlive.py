"""Lets the program read, and now and then compute, damaged jobs: a finding or a report must come of each."""

from __future__ import annotations

import contextlib
import json
import signal
import tempfile
import traceback
import warnings
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from reportgen.render.catalogue import said
from reportgen.render.terminal import finding_line
from tests.soak.damage import damaged
from tests.soak.small_job import LOGS, job_of, write_job

LONGEST_S = 60
"""A job of some 100 kB that takes more of the processor's time is a hang, however busy the machine."""


class _HangError(BaseException):
    """Raised by the alarm; no handler of the program may swallow it."""


@contextlib.contextmanager
def _alarm(seconds: int) -> Iterator[None]:
    def ring(_signal: int, _frame: object) -> None:
        raise _HangError(f"more than {seconds} s")

    before = signal.signal(signal.SIGPROF, ring)
    signal.setitimer(signal.ITIMER_PROF, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        signal.signal(signal.SIGPROF, before)


def outcome(folder: Path, *, compute: bool) -> str:
    """``findings``, ``refused`` or ``report``. Whatever else is raised is a fault of the program."""
    from reportgen.errors import ReportError
    from reportgen.pipeline import check_job, compute_report, read_inputs
    from reportgen.records.finding import Severity
    from reportgen.render.results import results_json

    checked = check_job(folder)
    for finding in checked.findings:
        assert said(finding.message).strip(), "a finding without words"
        assert len(finding_line(finding)) < 5000, f"a finding of {len(finding_line(finding))} characters"
        assert not any(each in said(finding.message) for each in ("Traceback", "dict_keys", "<class", "object at 0x"))
    if any(finding.severity is Severity.ERROR for finding in checked.findings):
        return "findings"
    if not compute:
        return "sound"
    try:
        json.loads(results_json(compute_report(read_inputs(folder))), parse_constant=_no_constant)
    except ReportError:
        return "refused"
    return "report"


def _no_constant(word: str) -> None:
    raise AssertionError(f"{word} in results.json")


def outlive(seeds: range, *, compute_every: int) -> tuple[Counter[str], list[str]]:
    """Read every damaged job of ``seeds`` and compute each ``compute_every``-th; outcomes, and faults in words."""
    logs = [make() for make in LOGS]
    outcomes: Counter[str] = Counter()
    faults = []
    for seed in seeds:
        files = damaged(job_of(logs[seed % len(logs)]), seed)
        with tempfile.TemporaryDirectory() as temporary, warnings.catch_warnings():
            warnings.simplefilter("ignore")
            folder = write_job(files, Path(temporary) / "job")
            try:
                with _alarm(LONGEST_S):
                    outcomes[outcome(folder, compute=seed % compute_every == 0)] += 1
            except (Exception, _HangError) as fault:
                where = traceback.extract_tb(fault.__traceback__)[-1]
                place = next(
                    (f for f in reversed(traceback.extract_tb(fault.__traceback__)) if "reportgen" in f.filename), where
                )
                faults.append(
                    f"seed {seed} ({logs[seed % len(logs)][0]}): {type(fault).__name__}: {str(fault)[:200]} "
                    f"at {Path(place.filename).name}:{place.lineno} ({Path(where.filename).name}:{where.lineno})"
                )
    return outcomes, faults
