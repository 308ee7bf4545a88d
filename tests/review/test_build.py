"""What was reviewed is what is built: the same bytes as from the entries typed by hand."""

from __future__ import annotations

from datetime import datetime

import pytest

from reportgen.errors import ReportError
from reportgen.pipeline import Settings, build_job
from reportgen.review.asked import asked_of
from reportgen.review.session import NotYetError, Session, built_messages
from tests.review.small_review_job import JOB, NOTES, write_job

PAGE_ALONE = JOB.replace("date = 2026-05-04\n", 'date = 2026-05-04\noutputs = ["html"]\n')
"""Without PDF: half a second instead of five."""
CORRECTION = """
[[correction]]
run = "X-PRE"
channel = "A1"
frequency = "60 Hz"
action = "renumber"
mode = 1
reason = "first bending"
by = "A. Nobody"
when = 2026-05-05T16:30:00
"""
REST = """
[[annotation]]
run = "X-PRE"
channel = "A1"
frequency = "90 Hz"
text = "it rattled"
by = "A. Nobody"
when = 2026-05-05T16:30:00

[[deviation]]
key = "correction X-PRE A1 200 Hz"
effect = "none"
agreed_by = "The customer"
"""
NODES = "2026-05-05 16:30 X-PRE 200 Hz: 1 node (entered by A. Nobody)\n"
DECISIONS = (
    {
        "kind": "renumber",
        "run": "X-PRE",
        "channel": "A1",
        "frequency_hz": 60.00001,
        "mode": 1,
        "reason": "first bending",
    },
    {"kind": "annotate", "run": "X-PRE", "channel": "A1", "frequency_hz": 90, "text": "it rattled"},
    {"kind": "deviation", "deviation": "correction X-PRE A1 200 Hz", "text": "none", "agreed_by": "The customer"},
    {"kind": "nodes", "run": "X-PRE", "frequency_hz": 200, "nodes": 1},
)


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory):
    """A job of which all was decided on the page."""
    folder = write_job(tmp_path_factory.mktemp("on_the_page") / "job", job=PAGE_ALONE)
    session = Session(folder, Settings(), clock=lambda: datetime(2026, 5, 5, 16, 30, 59))
    for each in DECISIONS:
        session.decide(asked_of({**each, "by": "A. Nobody"}))
    return session


def test_a_reviewed_job_is_the_job_that_was_typed_and_so_is_its_report(reviewed, tmp_path):
    entry, _, rest = PAGE_ALONE.partition('by = "A. Nobody"\n')
    typed = f'{entry}by = "A. Nobody"\n{CORRECTION}{rest}{REST}'
    by_hand = write_job(tmp_path / "job", job=typed, notes=NOTES + NODES)
    for name in ("job.toml", "notes.txt"):
        assert (reviewed.folder / name).read_text(encoding="utf-8") == (by_hand / name).read_text(encoding="utf-8")
    built = reviewed.build(issue=True, seen=[each["id"] for each in reviewed.state()["open"]])
    build_job(by_hand)
    for name in ("results.json", "report.html"):
        assert (built.folder / name).read_bytes() == (by_hand / "report" / name).read_bytes()
    shown = {each["id"]: each["outcome"] for each in reviewed.state()["verdicts"]}
    assert shown == {each.requirement: str(each.outcome) for each in built.report.verdicts}
    assert built_messages(built)[0].value("outcome") is built.outcome


def test_no_issue_while_something_waits_or_was_not_seen(reviewed):
    state = reviewed.state()
    assert state["may_issue"]
    left = [each["id"] for each in state["open"]]
    assert left
    with pytest.raises(NotYetError):
        reviewed.build(issue=True, seen=left[1:])
    key = next(each["deviation"] for each in state["open"] if each["kind"] == "deviation")
    assert not next(each for each in state["open"] if each["deviation"] == key)["blocks"], "one's own decision"


def test_a_job_in_error_is_not_built(reviewed):
    file = reviewed.folder / "job.toml"
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace('limit = "50 Hz"', 'limit = "fifty"'), encoding="utf-8")
    try:
        with pytest.raises(ReportError):
            reviewed.build(issue=False)
    finally:
        file.write_text(text, encoding="utf-8")
