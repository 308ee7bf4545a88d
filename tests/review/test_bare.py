"""One bare log on the same page: shown as a run of a job is, with nothing to decide."""

from __future__ import annotations

import pytest

from reportgen.cli import main
from reportgen.review.asked import asked_of
from reportgen.review.bare import BareLog
from reportgen.review.showing import ReadOnlyError
from tests.review.small_review_job import rows
from tests.review.test_app import REJECT


def test_a_bare_log_is_shown_and_nothing_is_decided_about_it(tmp_path):
    log = tmp_path / "lamp.csv"
    log.write_text(rows(1.0, 3), encoding="utf-8")
    shown = BareLog(log)
    state = shown.state()
    assert state["read_only"]
    assert not state["may_issue"]
    assert state["title"] == "lamp.csv"
    (run,) = state["runs"]
    found = [each["frequency_hz"] for each in run["channels"][0]["resonances"]]
    assert found == pytest.approx([60.0, 200.0], rel=1e-3), "as the closed form has them"
    assert shown.figure("lamp.csv/A1") is not None
    for refused in (
        lambda: shown.decide(asked_of(REJECT)),
        lambda: shown.undo("x"),
        lambda: shown.look("lamp.csv", "A1", 60.0),
        lambda: shown.build(issue=False),
    ):
        with pytest.raises(ReadOnlyError):
            refused()
    assert sorted(each.name for each in tmp_path.iterdir()) == ["lamp.csv"]


@pytest.mark.parametrize("content", [None, "no log\n"])
def test_what_is_no_log_is_told_and_no_page_is_served(tmp_path, capsys, content):
    log = tmp_path / "lamp.csv"
    if content is not None:
        log.write_text(content, encoding="utf-8")
    assert main(["review", str(log), "--no-browser"]) == 1
    assert "lamp.csv" in capsys.readouterr().err
