"""What a decision does: the entry that a hand would write, only what hangs on it computed again, nothing lost."""

from __future__ import annotations

import errno
import os
import tomllib

import pytest

from reportgen.archive import publish
from reportgen.archive.folder import Folder
from reportgen.errors import ArchiveError
from reportgen.pipeline import Settings, compute_report, read_inputs
from reportgen.render.results import results_json
from reportgen.review.asked import Faults, asked_of
from reportgen.review.entries import EntryError
from reportgen.review.session import Session
from reportgen.review.showing import Answer
from reportgen.review.writing import ChangedOutsideError
from tests.review.small_review_job import JOB, NOTES

LOWEST = {"run": "X-PRE", "channel": "A1", "frequency_hz": 60.0000123, "by": "A. Nobody"}
REJECT = {"kind": "reject", **LOWEST, "reason": 'the "stand" itself'}


def decide(session, **told) -> Answer:
    return session.decide(asked_of(told))


def job_of(session) -> str:
    return (session.folder / "job.toml").read_text(encoding="utf-8")


def resonance(session, id_):
    runs = session.state()["runs"]
    return next(r for run in runs for c in run["channels"] for r in c["resonances"] if r["id"] == id_)


def test_the_page_is_told_what_the_report_prints(session):
    state = session.state()
    assert state["error"] is None
    assert [run["id"] for run in state["runs"]] == ["X-PRE", "X-POST"]
    first = resonance(session, "X-PRE/A1/1")
    # The log is 1 plus single-mode terms in closed form (ISO 2041, base excitation): 60 Hz with Q 20.
    assert abs(first["frequency_hz"] - 60.0) < 0.06
    assert first["frequency"].startswith("60.0")
    assert first["q"].startswith("20.0")
    assert first["state"] == "open"
    assert first["doubts"] == ()
    second = resonance(session, "X-PRE/A1/2")
    assert second["state"] == "accepted"
    (entry,) = state["decisions"]
    assert second["decision"] == entry["id"]
    assert entry["said"] == "Accepted: 200 Hz, X-PRE, A1"
    assert {each["id"]: each["outcome"] for each in state["verdicts"]} == {"R1": "pass", "R2": "pass"}
    doubts = [each["doubt"] for each in state["open"]]
    assert doubts == sorted(doubts, reverse=True)
    assert {each["kind"] for each in state["open"]} == {"deviation", "item"}
    assert state["may_issue"], "what only the job can fill is told, and no issue waits for it"


def test_a_decision_is_the_entry_of_a_hand_and_goes_as_it_came(session):
    answer = decide(session, **REJECT)
    entry = tomllib.loads(job_of(session))["correction"][1]
    assert entry == {
        "run": "X-PRE", "channel": "A1", "frequency": "60 Hz", "action": "reject", "reason": 'the "stand" itself',
        "by": "A. Nobody", "when": entry["when"],
    }  # fmt: skip
    assert entry["when"].isoformat() == "2026-05-05T16:30:00"
    assert answer.runs == (), "a correction makes no run be computed anew"
    assert {"X-PRE/A1/1", "R2"} <= set(answer.changed)
    assert resonance(session, "X-PRE/A1/1")["state"] == "rejected"
    made = session.state()["decisions"][1]
    assert (made["kind"], made["by"], made["place"]["path"]) == ("reject", "A. Nobody", "job.toml")
    assert "X-PRE/A1/1" in session.undo(made["id"]).changed
    assert job_of(session) == JOB


def test_a_verdict_that_a_decision_changed_names_it(session):
    answer = decide(session, **REJECT)
    (rejection,) = [each["id"] for each in session.state()["decisions"] if each["kind"] == "reject"]
    shift = next(each for each in session.state()["verdicts"] if each["id"] == "R2")
    assert "R2" in answer.changed
    assert shift["outcome"] != "pass", "a mode that the survey before does not show any longer"
    assert rejection in shift["by_decision"]
    assert any("decisions" in each for each in shift["reason"])


def test_a_band_that_is_not_used_computes_its_run_alone(session):
    told = {"kind": "exclude", "run": "X-PRE", "channel": "A1", "band_hz": [100, 120.5], "reason": "r", "by": "B"}
    assert decide(session, **told).runs == ("X-PRE",)
    assert tomllib.loads(job_of(session))["exclusion"][0]["band"] == ["100 Hz", "120.5 Hz"]
    (band,) = session.state()["runs"][0]["channels"][0]["exclusions"]
    assert band["said"] == "Not used: 100 Hz to 120.5 Hz, X-PRE, A1"
    assert session.undo(band["id"]).runs == (), "what was taken back is at hand"
    assert job_of(session) == JOB


def test_an_annotation_and_a_deviation_are_entries(session):
    assert decide(session, kind="annotate", **{**LOWEST, "frequency_hz": 90}, text="it rattled").runs == ()
    key = next(each["deviation"] for each in session.state()["open"] if each["kind"] == "deviation")
    decide(session, kind="deviation", deviation=key, text="none", agreed_by="The customer")
    raw = tomllib.loads(job_of(session))
    assert raw["annotation"][0]["text"] == "it rattled"
    assert raw["deviation"] == [{"key": key, "effect": "none", "agreed_by": "The customer"}]
    decide(session, kind="deviation", deviation=key, text="none at all", agreed_by="The customer")
    assert [each["effect"] for each in tomllib.loads(job_of(session))["deviation"]] == ["none at all"]
    assert not [each for each in session.state()["open"] if each["kind"] == "deviation"]
    for each in session.state()["decisions"]:
        if each["kind"] in ("annotate", "deviation"):
            session.undo(each["id"])
    assert job_of(session) == JOB


def test_nodes_are_a_line_of_the_notes_that_their_own_reader_reads(session):
    answer = decide(session, kind="nodes", run="X-PRE", frequency_hz=200.04, nodes=1, by="A. Nobody", reason="granules")
    notes = (session.folder / "notes.txt").read_text(encoding="utf-8")
    assert notes == NOTES + "2026-05-05 16:30 X-PRE 200.04 Hz: 1 node (entered by A. Nobody: granules)\n"
    assert any(each.startswith("X/") for each in answer.changed), "a mode"
    (made,) = [each for each in session.state()["decisions"] if each["kind"] == "nodes"]
    session.undo(made["id"])
    assert (session.folder / "notes.txt").read_text(encoding="utf-8") == NOTES


def test_a_resonance_is_tried_before_it_is_asked_for(session):
    """What is tried writes nothing; what cannot be fitted is asked for in no entry."""
    shoulder = session.look("X-PRE", "A1", 90.0)
    assert shoulder.found
    assert shoulder.speaks_against, "the log is noise there: 1 plus two modes in closed form, none at 90 Hz"
    assert "Natural frequency" in dict(shoulder.rows)
    beyond = session.look("X-PRE", "A1", 1000.0)
    assert not beyond.found
    assert "400 Hz" in beyond.why
    asked = {**LOWEST, "reason": "seen under the strobe"}
    with pytest.raises(Faults) as refused:
        decide(session, kind="add", **{**asked, "frequency_hz": 1000.0})
    assert refused.value.found[0][0] == "frequency_hz"
    assert job_of(session) == JOB
    assert decide(session, kind="add", **{**asked, "frequency_hz": 90.0}).runs == ("X-PRE",)
    (made,) = [each for each in session.state()["decisions"] if each["kind"] == "add"]
    first = session.state()["runs"][0]["channels"][0]["resonances"]
    assert [each["state"] for each in first] == ["open", "added", "accepted"]
    assert first[1]["decision"] == made["id"]
    with pytest.raises(Faults):
        session.look("X-PER", "A1", 90.0)


def test_what_is_kept_is_what_would_be_computed_anew(session):
    """Fault: a page that shows results of other inputs than those that a build would read."""
    told = {"run": "X-PRE", "channel": "A1", "reason": "r", "by": "B"}
    decide(session, kind="exclude", band_hz=[100, 110], **told)
    decide(session, kind="add", frequency_hz=90.0, **told)
    decide(session, kind="reject", frequency_hz=200.0, **told)
    (band,) = [each["id"] for each in session.state()["decisions"] if each["kind"] == "exclude"]
    session.undo(band)
    fresh = compute_report(read_inputs(session.folder))
    assert results_json(session.report) == results_json(fresh)


@pytest.mark.parametrize(
    "told, field",
    [
        ({**REJECT, "frequency_hz": 90}, "frequency_hz"),  # no resonance there
        ({**REJECT, "run": "X-PER"}, "frequency_hz"),
        ({**REJECT, "reason": " "}, "reason"),
        ({**REJECT, "by": "a\x1bb"}, "by"),
        ({**REJECT, "by": ["a"]}, "by"),
        ({**REJECT, "frequency_hz": float("nan")}, "frequency_hz"),
        ({**REJECT, "frequency_hz": -1}, "frequency_hz"),
        ({**REJECT, "frequency_hz": True}, "frequency_hz"),
        ({**REJECT, "kind": "renumber"}, "mode"),
        ({**REJECT, "kind": "sign"}, "kind"),
        ({**REJECT, "path": "/etc/passwd"}, "path"),
        ({"kind": "exclude", "run": "X-PRE", "band_hz": [120, 100], "reason": "r", "by": "B"}, "band_hz"),
        ({"kind": "exclude", "run": "X-PER", "band_hz": [100, 120], "reason": "r", "by": "B"}, "run"),
        ({"kind": "exclude", "run": "X-PRE", "band_hz": [900, 990], "reason": "r", "by": "B"}, "band_hz"),
        ({"kind": "annotate", **LOWEST, "channel": "A7", "text": "t"}, "channel"),
        ({"kind": "nodes", "run": "X-PER", "frequency_hz": 60, "nodes": 1, "by": "B"}, "run"),
        ({"kind": "nodes", "run": "X-PRE", "frequency_hz": 60, "nodes": 1, "by": "B", "reason": "3 nodes?"}, "reason"),
        ({"kind": "nodes", "run": "X-PRE", "frequency_hz": 60, "nodes": 1.5, "by": "B"}, "nodes"),
    ],
)
def test_what_the_reader_of_the_job_would_refuse_is_told_by_its_field(session, told, field):
    with pytest.raises(Faults) as refused:
        decide(session, **told)
    fields = {name for name, _ in refused.value.found}
    assert field in fields or (field == "band_hz" and fields == {""}), fields
    assert job_of(session) == JOB


def test_an_edit_outside_is_told_and_not_written_over(session):
    """Fault: the file as it was read some time ago laid over what an editor has saved since."""
    file = session.folder / "job.toml"
    edited = JOB.replace("Sine survey of a lamp head", "Sine survey of the head of a lamp")
    file.write_text(edited, encoding="utf-8")
    before = session.version
    with pytest.raises(ChangedOutsideError):
        decide(session, **REJECT)
    assert file.read_text(encoding="utf-8") == edited
    assert session.version > before
    assert session.state()["title"] == "Sine survey of the head of a lamp"
    decide(session, **REJECT)
    assert tomllib.loads(job_of(session))["report"]["title"] == "Sine survey of the head of a lamp"


def test_an_edit_while_the_entry_is_being_written_is_told(session, monkeypatch):
    """Fault: what is saved between the look at the file and its replacement is lost."""
    edited = JOB + "# saved by an editor\n"
    write = Folder.write

    def meanwhile(folder, path, output):
        write(folder, path, output)
        (session.folder / "job.toml").write_text(edited, encoding="utf-8")

    monkeypatch.setattr(Folder, "write", meanwhile)
    with pytest.raises(ChangedOutsideError):
        decide(session, **REJECT)
    assert job_of(session) == edited
    assert sorted(each.name for each in session.folder.iterdir()) == ["job.toml", "logs", "notes.txt"]


@pytest.mark.parametrize("step", ["write", "move"])
def test_a_full_disk_leaves_the_job_file_whole(session, monkeypatch, step):
    def full(*_args, **_keywords):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(Folder, step, full)
    with pytest.raises(ArchiveError) as told:
        decide(session, **REJECT)
    assert dict(told.value.said.values)["what"].code == "publish.disk-full"
    assert job_of(session) == JOB
    assert sorted(each.name for each in session.folder.iterdir()) == ["job.toml", "logs", "notes.txt"]


def test_what_a_killed_server_left_is_cleared_and_nothing_else(tmp_path):
    for name in (".job.toml.4711.part", ".job.toml.part", "job.toml", ".job.toml.x.part"):
        (tmp_path / name).write_text("", encoding="utf-8")
    publish.clear_parts(tmp_path / "job.toml")
    assert sorted(each.name for each in tmp_path.iterdir()) == [".job.toml.part", ".job.toml.x.part", "job.toml"]


def test_permissions_of_the_job_file_stay_and_a_write_protected_one_is_not_replaced(session):
    file = session.folder / "job.toml"
    file.chmod(0o640)
    decide(session, **REJECT)
    assert file.stat().st_mode & 0o777 == 0o640
    if os.geteuid() != 0:
        file.chmod(0o440)
        with pytest.raises(ArchiveError):
            session.undo(session.state()["decisions"][1]["id"])
        file.chmod(0o640)


def test_nothing_is_written_through_a_link(session):
    """Faults: a link replaced by a file, or the file of another job written through it."""
    file, other = session.folder / "job.toml", session.folder / "kept.toml"
    file.rename(other)
    file.symlink_to(other)
    try:
        session.look_outside()
        with pytest.raises(EntryError):
            decide(session, **REJECT)
        assert file.is_symlink()
        assert other.read_text(encoding="utf-8") == JOB
    finally:
        file.unlink()
        other.rename(file)


def test_a_job_that_falls_into_error_says_so_and_comes_again(session):
    """Fault: results of the job as it was shown beside one that cannot be computed; a log that comes back unnoticed."""
    log = session.folder / "logs/x_post.csv"
    content = log.read_bytes()
    log.unlink()
    session.look_outside()
    state = session.state()
    assert state["error"]
    assert state["runs"] == ()
    (finding,) = state["findings"]
    assert "x_post.csv" in finding["text"]
    assert finding["place"].startswith("job.toml:")
    with pytest.raises(ChangedOutsideError):
        decide(session, **REJECT)
    log.write_bytes(content)
    session.look_outside()
    assert session.state()["error"] is None


def test_pages_on_one_job_are_told_of_each_other(session):
    session._pages.clear()
    session.state("page-1", "A. Nobody")
    before = session.version
    assert session.state("page-2", "B. Other")["others"] == ("A. Nobody",)
    assert session.wait(before, 5.0, "page-1", "A. Nobody") > before, "told at once"
    assert session.state("page-1", "A. Nobody")["others"] == ("B. Other",)
    same = session.version
    assert session.wait(same, 0.0, "page-1", "A. Nobody") == same


def test_a_finding_says_apart_what_to_do(session):
    file = session.folder / "job.toml"
    file.write_text(JOB.replace("date = 2026-05-04", 'date = "soon"'), encoding="utf-8")
    session.look_outside()
    (finding,) = session.state()["findings"]
    assert finding["place"] == "job.toml:5"
    assert finding["text"].endswith(".")
    assert not finding["remedy"] or finding["remedy"][0].isupper()


def test_without_a_channel_a_decision_is_about_all_of_them(session):
    told = {key: value for key, value in REJECT.items() if key != "channel"}
    decide(session, **told)
    assert "channel" not in tomllib.loads(job_of(session))["correction"][1]
    assert resonance(session, "X-PRE/A1/1")["state"] == "rejected"


def test_a_job_folder_that_is_gone_is_told(tmp_path):
    """Fault: a traceback where the folder was moved away while its page was open."""
    shown = Session(tmp_path / "moved" / "job.toml", Settings())
    state = shown.state()
    assert state["error"]
    assert state["findings"][0]["severity"] == "error"
