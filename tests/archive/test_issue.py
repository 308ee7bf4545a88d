"""What was issued, signed or laid there by somebody else stays: each test is named after what once went wrong."""

from __future__ import annotations

import os
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from reportgen.archive import publish as publish_module
from reportgen.archive.digest import sha256
from reportgen.archive.issue import MARKER, ReportSet, Standing, read_sets
from reportgen.archive.manifest import MANIFEST, manifest_text
from reportgen.archive.publish import JOURNAL, issued_early, publish, write_whole
from reportgen.errors import ArchiveError
from reportgen.render.catalogue import said
from tests.archive.bags import archive_bytes, archive_files, zip_of
from tests.archive.test_publish import _publish_dying_at_step, beside, contents
from tests.archive.words import telling

A = ReportSet(
    number="VTR-0201",
    revision="A",
    standing=Standing.ISSUED,
    archive="VTR-0201-A.zip",
    inputs={"job.toml": "1", "logs/x.csv": "1"},
    versions={"reportgen": "0.5.0"},
)
FILES_A = {
    "report.pdf": b"%PDF A",
    "results.json": b'{"of": "A"}',
    "plots/one.svg": b"<svg>A</svg>",
    "plots/old.svg": b"<svg/>",
    "VTR-0201-A.zip": b"zip A",
}
B = replace(
    A, revision="B", archive="VTR-0201-B.zip", supersedes=sha256(b"zip A"), inputs={**A.inputs, "job.toml": "2"}
)
FILES_B = {
    "report.pdf": b"%PDF B",
    "results.json": b'{"of": "B"}',
    "plots/one.svg": b"<svg>B</svg>",
    "VTR-0201-B.zip": b"zip B",
}
DRAFT = replace(A, standing=Standing.DRAFT, archive="VTR-0201-A-draft.zip")
FILES_DRAFT = {"report-draft.pdf": b"%PDF draft", "results-draft.json": b"{}", "VTR-0201-A-draft.zip": b"zip draft"}
RESULTS = replace(A, standing=Standing.INTERIM, alone=True, archive="")
A_ASIDE = {
    "VTR-0201-A/report.pdf": b"%PDF A",
    "VTR-0201-A/results.json": b'{"of": "A"}',
    "VTR-0201-A/plots/one.svg": b"<svg>A</svg>",
    "VTR-0201-A/plots/old.svg": b"<svg/>",
    "VTR-0201-A.zip": b"zip A",
}


@pytest.fixture
def target(tmp_path) -> Path:
    """A folder where revision A is issued."""
    publish(FILES_A, tmp_path / "report", A)
    return tmp_path / "report"


def snapshot(folder: Path) -> dict[str, tuple[object, ...]]:
    """Every name below a folder with kind, content, times and number of the file; no link is followed."""
    found: dict[str, tuple[object, ...]] = {}
    for path in sorted(folder.rglob("*")):
        status = path.lstat()
        content = str(path.readlink()) if path.is_symlink() else path.read_bytes() if path.is_file() else None
        found[str(path.relative_to(folder))] = (status.st_mode, status.st_mtime_ns, status.st_ino, content)
    return found


# 14.1 An issued revision is never overwritten ------------------------------------------------------------------------


def test_a_build_after_an_edit_overwrote_what_was_issued(target):
    before = snapshot(target)
    edited = replace(A, inputs={**A.inputs, "logs/x.csv": "2"})
    with telling(ArchiveError, match=r"VTR-0201 rev\. A is issued and is never overwritten") as caught:
        publish({**FILES_A, "results.json": b"{}"}, target, edited)
    told = said(caught.value.said)
    assert "Changed since then: logs/x.csv" in told
    assert f"revision B build with --supersedes {target / 'VTR-0201-A.zip'}" in told
    assert "--draft" in told
    with telling(ArchiveError, match=r"logs/x\.csv"):
        issued_early(target, edited)
    assert snapshot(target) == before
    assert beside(target) == []


def test_the_same_content_is_no_new_issue_and_touches_nothing(target):
    before = snapshot(target)
    assert publish(FILES_A, target, A).same
    issued_early(target, A)
    assert snapshot(target) == before


def test_another_version_of_the_program_is_said_to_be_why(target):
    with telling(ArchiveError, match=r"inputs are the same, but other software.*reportgen was 0\.5\.0, is 0\.6\.0"):
        publish({**FILES_A, "report.pdf": b"%PDF 6"}, target, replace(A, versions={"reportgen": "0.6.0"}))
    assert contents(target) == FILES_A


def test_outputs_that_differ_without_a_reason_are_named(target):
    with telling(ArchiveError, match=r"software are the same, but these outputs differ: report\.pdf"):
        publish({**FILES_A, "report.pdf": b"%PDF odd"}, target, A)


def test_a_pdf_signed_in_place_was_replaced_by_a_rebuild(target):
    (target / "report.pdf").write_bytes(b"%PDF A, signed")
    before = snapshot(target)
    done = publish(FILES_A, target, A)
    assert (done.same, done.changed) == (True, ("report.pdf",))
    assert snapshot(target) == before


def test_a_file_of_an_issue_that_was_lost_is_written_anew_beside_a_signed_one(target):
    (target / "report.pdf").write_bytes(b"%PDF A, signed")
    (target / "results.json").unlink()
    assert publish(FILES_A, target, A).same
    assert contents(target) == {**FILES_A, "report.pdf": b"%PDF A, signed"}


def test_draft_and_issue_stand_side_by_side(target):
    publish(FILES_DRAFT, target, DRAFT)
    assert contents(target) == {**FILES_A, **FILES_DRAFT}
    second = {"report-draft.pdf": b"%PDF draft 2", "VTR-0201-A-draft.zip": b"zip draft 2"}
    publish(second, target, DRAFT)
    assert contents(target) == {**FILES_A, **second}
    assert publish(FILES_A, target, A).same
    publish(FILES_B, target, B)
    assert contents(target) == {**FILES_B, **A_ASIDE, **second}


def test_an_issue_into_the_folder_of_a_draft_leaves_it(tmp_path):
    publish(FILES_DRAFT, tmp_path / "report", replace(DRAFT, number="VTR-0001"))
    publish(FILES_A, tmp_path / "report", A)
    assert contents(tmp_path / "report") == {**FILES_A, **FILES_DRAFT}


def test_a_draft_that_somebody_marked_up_is_not_overwritten(target):
    publish(FILES_DRAFT, target, DRAFT)
    (target / "report-draft.pdf").write_bytes(b"%PDF draft with remarks")
    with telling(ArchiveError, match=r"report-draft\.pdf was not written by a build, or was changed since"):
        publish({**FILES_DRAFT, "report-draft.pdf": b"%PDF draft 2"}, target, DRAFT)
    assert contents(target) == {**FILES_A, **FILES_DRAFT, "report-draft.pdf": b"%PDF draft with remarks"}


@pytest.mark.parametrize("standing", list(Standing))
def test_another_job_built_into_the_folder_of_an_issue_is_refused(target, standing):
    before = snapshot(target)
    with telling(ArchiveError, match=r"Report VTR-0999 needs a folder of its own: name one with --out"):
        publish(FILES_B, target, replace(A, number="VTR-0999", archive="VTR-0999-A.zip", standing=standing))
    assert snapshot(target) == before


def test_another_revision_without_saying_what_it_replaces_is_refused(target):
    with telling(ArchiveError, match=r"Revision B names what it replaces: --supersedes .*VTR-0201-A\.zip"):
        publish(FILES_B, target, replace(B, supersedes=""))
    with telling(ArchiveError, match="names what it replaces"):
        publish(FILES_B, target, replace(B, supersedes=sha256(b"another archive")))
    assert contents(target) == FILES_A


def test_what_is_not_issued_may_be_replaced(tmp_path):
    """Examples of the program's own, and a set that still lacks its PDF, become an issue."""
    interim = replace(A, standing=Standing.INTERIM)
    publish({**FILES_A, "report.html": b"without PDF"}, tmp_path / "report", interim)
    publish(FILES_A, tmp_path / "report", A)
    assert contents(tmp_path / "report") == FILES_A


# 14.2 What is superseded stays ---------------------------------------------------------------------------------------


def test_an_amendment_deleted_what_it_supersedes(target):
    (target / "report.pdf").write_bytes(b"%PDF A, signed")
    (target / "report-signed.pdf").write_bytes(b"%PDF A, signed beside")
    publish(FILES_B, target, B)
    aside = {**A_ASIDE, "VTR-0201-A/report.pdf": b"%PDF A, signed"}
    assert contents(target) == {**FILES_B, **aside, "report-signed.pdf": b"%PDF A, signed beside"}
    third = {**FILES_B, "results.json": b'{"of": "C"}', "VTR-0201-C.zip": b"zip C"}
    del third["VTR-0201-B.zip"]
    c = replace(B, revision="C", archive="VTR-0201-C.zip", supersedes=sha256(b"zip B"))
    publish(third, target, c)
    assert contents(target) == {
        **third,
        **aside,
        **{f"VTR-0201-B/{name}": content for name, content in FILES_B.items() if not name.endswith(".zip")},
        "VTR-0201-B.zip": b"zip B",
        "report-signed.pdf": b"%PDF A, signed beside",
    }
    assert beside(target) == []


def test_the_amendment_and_what_it_replaced_built_again_are_no_new_issues(target):
    publish(FILES_B, target, B)
    before = snapshot(target)
    assert publish(FILES_B, target, B).same
    assert publish(FILES_A, target, A).same
    with telling(ArchiveError, match=r"For revision C build with --supersedes .*VTR-0201-B\.zip"):
        publish({**FILES_A, "report.pdf": b"%PDF other"}, target, A)
    assert snapshot(target) == before


def test_an_amendment_of_a_set_that_was_not_issued_keeps_what_it_cites(tmp_path):
    publish(FILES_A, tmp_path / "report", replace(A, standing=Standing.INTERIM))
    publish(FILES_B, tmp_path / "report", B)
    assert contents(tmp_path / "report") == {**FILES_B, **A_ASIDE}


def test_a_file_of_somebody_else_where_the_superseded_set_goes_is_not_replaced(target):
    (target / "VTR-0201-A").mkdir()
    (target / "VTR-0201-A" / "report.pdf").write_bytes(b"mine")
    with telling(ArchiveError, match=r"VTR-0201-A/report\.pdf was not written by a build"):
        publish(FILES_B, target, B)
    assert contents(target) == {**FILES_A, "VTR-0201-A/report.pdf": b"mine"}


@pytest.mark.parametrize("exchange", [True, False])
def test_an_amendment_killed_at_each_step_loses_nothing(tmp_path, exchange, monkeypatch):
    monkeypatch.setattr(publish_module, "UNSTATED", B)
    monkeypatch.setattr(publish_module.publish, "__defaults__", (B,))
    whole = {**FILES_B, **A_ASIDE, "plots/mine.txt": b"mine"}
    for step in range(200):
        target = tmp_path / str(step) / "report"
        publish(FILES_A, target, A)
        (target / "plots" / "mine.txt").write_bytes(b"mine")
        died = _publish_dying_at_step(target, step, FILES_B, exchange=exchange)
        if exchange or target.exists():
            assert contents(target) in ({**FILES_A, "plots/mine.txt": b"mine"}, whole), step
        publish(FILES_B, target, B)
        assert contents(target) == whole, step
        assert beside(target) == [], step
        if not died:
            return
    pytest.fail("the build never ended")


# 15.2 Links ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("role", ["new", "old", "lock"])
@pytest.mark.parametrize("there", [True, False])
def test_a_planted_link_made_a_build_empty_somebody_elses_folder(tmp_path, role, there):
    victim = tmp_path / "victim"
    publish(FILES_A, victim, replace(A, standing=Standing.INTERIM))
    target = tmp_path / "job" / "report"
    target.parent.mkdir()
    if there:
        publish(FILES_A, target, A)
    (target.parent / f".report.{role}").symlink_to(victim if role != "lock" else victim / "results.json")
    before = snapshot(tmp_path)
    with telling(ArchiveError, match=rf"\.report\.{role} is (a link|not the empty file).*follow no link"):
        publish(FILES_DRAFT, target, DRAFT)
    after = snapshot(tmp_path)
    assert {**after, "job": ()} == {**before, "job": ()}  # the lock came and went in it


@pytest.mark.parametrize("role", ["new", "old"])
def test_a_folder_of_somebody_else_under_a_working_name_was_emptied(tmp_path, role):
    (tmp_path / f".report.{role}").mkdir()
    (tmp_path / f".report.{role}" / "thesis.odt").write_text("mine")
    before = snapshot(tmp_path)
    with telling(ArchiveError, match=rf"report\.{role} holds files that no build wrote"):
        publish(FILES_A, tmp_path / "report", A)
    assert snapshot(tmp_path)[f".report.{role}/thesis.odt"] == before[f".report.{role}/thesis.odt"]


def test_links_inside_the_folder_are_kept_as_links(target, tmp_path):
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "kept.txt").write_text("mine")
    (target / "plots" / "shortcut").symlink_to(tmp_path / "elsewhere")
    before = snapshot(tmp_path / "elsewhere")
    publish(FILES_B, target, B)
    assert (target / "plots" / "shortcut").readlink() == tmp_path / "elsewhere"
    assert snapshot(tmp_path / "elsewhere") == before


def test_plots_as_a_link_was_written_through(target, tmp_path):
    shutil.rmtree(target / "plots")
    (tmp_path / "elsewhere").mkdir()
    (target / "plots").symlink_to(tmp_path / "elsewhere")
    with telling(ArchiveError, match=r"report/plots was not written by a build"):
        publish(FILES_B, target, B)
    assert list((tmp_path / "elsewhere").iterdir()) == []


# 15.3 Results alone --------------------------------------------------------------------------------------------------


def test_results_alone_deleted_the_finished_report(target):
    before = snapshot(target)
    assert publish({"results.json": FILES_A["results.json"]}, target, RESULTS).same
    with telling(ArchiveError, match=r"is issued and is never overwritten.*draft.*--out"):
        publish({"results.json": b"{}"}, target, replace(RESULTS, inputs={}))
    assert snapshot(target) == before


def test_results_alone_do_not_take_a_whole_draft_s_place(target):
    publish(FILES_DRAFT, target, DRAFT)
    alone = replace(DRAFT, alone=True, archive="")
    assert publish({"results-draft.json": b"{}"}, target, alone).same
    with telling(ArchiveError, match=r"holds a whole report \(draft\).*without --results-only"):
        publish({"results-draft.json": b"other"}, target, alone)
    assert contents(target) == {**FILES_A, **FILES_DRAFT}


def test_results_alone_replace_results_alone_and_give_way_to_an_issue(tmp_path):
    for content in (b"1", b"2"):
        publish({"results.json": content}, tmp_path / "report", RESULTS)
    assert contents(tmp_path / "report") == {"results.json": b"2"}
    publish(FILES_A, tmp_path / "report", A)
    assert contents(tmp_path / "report") == FILES_A


def test_files_laid_under_plots_were_dropped_by_a_rebuild(tmp_path):
    target, interim = tmp_path / "report", replace(A, standing=Standing.INTERIM)
    publish(FILES_A, target, interim)
    (target / "plots" / "by hand" / "deep").mkdir(parents=True)
    (target / "plots" / "by hand" / "deep" / "curve.svg").write_text("mine")
    (target / "plots" / "note.txt").write_text("mine")
    (target / "empty").mkdir()
    publish({**FILES_B, "plots/two.svg": b""}, target, interim)
    assert contents(target) == {
        **FILES_B,
        "plots/two.svg": b"",
        "plots/by hand/deep/curve.svg": b"mine",
        "plots/note.txt": b"mine",
    }
    assert (target / "empty").is_dir()


# 15.4 A folder is the program's own only by its marker ----------------------------------------------------------------


def unpacked(tmp_path: Path) -> Path:
    """The program's own archive, unpacked."""
    (tmp_path / "own.zip").write_bytes(archive_bytes(archive_files(tmp_path)))
    shutil.unpack_archive(tmp_path / "own.zip", tmp_path)
    return tmp_path / "VTR-0201-A"


def foreign_bag(tmp_path: Path) -> Path:
    """A folder by the same packaging standard (RFC 8493), of somebody else."""
    zip_of(tmp_path / "bag.zip", {"bag/data/thesis.odt": b"mine", "bag/bagit.txt": b"BagIt-Version: 1.0\n"})
    shutil.unpack_archive(tmp_path / "bag.zip", tmp_path)
    (tmp_path / "bag" / MANIFEST).write_text(manifest_text({"data/thesis.odt": sha256(b"mine")}))
    return tmp_path / "bag"


def earlier_version(tmp_path: Path) -> Path:
    """A report folder as version 0.4.0 left it: files and a manifest that is true."""
    (tmp_path / "report").mkdir()
    (tmp_path / "report" / "report.pdf").write_bytes(b"%PDF")
    (tmp_path / "report" / MANIFEST).write_text(manifest_text({"report.pdf": sha256(b"%PDF")}))
    return tmp_path / "report"


def forged_marker(tmp_path: Path) -> Path:
    """Somebody's own files under names that a copied marker lists."""
    publish(FILES_A, tmp_path / "made", replace(A, standing=Standing.INTERIM))
    (tmp_path / "copied").mkdir()
    shutil.copy(tmp_path / "made" / MARKER, tmp_path / "copied")
    for name in ("report.pdf", "results.json"):
        (tmp_path / "copied" / name).write_text("mine")
    return tmp_path / "copied"


@pytest.mark.parametrize("made", [unpacked, foreign_bag, earlier_version, forged_marker])
def test_out_on_a_bag_emptied_its_data(tmp_path, made):
    folder = made(tmp_path)
    before = snapshot(folder)
    with telling(ArchiveError, match="holds files that no build wrote"):
        publish(FILES_A, folder, A)
    assert snapshot(folder) == before
    assert beside(folder) == sorted(p.name for p in folder.parent.iterdir() if p != folder)


@pytest.mark.parametrize("text", ["", "{}", "[]", '{"format": "reportgen sets 1", "sets": [{"files": 1}]}', "null"])
def test_a_marker_that_no_build_wrote(tmp_path, text):
    with telling(ArchiveError, match=r"cannot be read as JSON|not what a build writes"):
        read_sets(text, "marker")


@pytest.mark.parametrize("name", ["../escaped", "/etc/passwd", "a//b"])
def test_a_marker_that_lists_files_elsewhere(target, name):
    text = (target / MARKER).read_text().replace('"report.pdf"', f'"{name}"')
    with telling(ArchiveError, match="no name or no digest that a build writes"):
        read_sets(text, "marker")


# Nothing beside the folder is ever touched ----------------------------------------------------------------------------


def test_every_neighbour_of_the_folder_is_left_as_it_is(tmp_path):
    """Files, folders and links at every level around the output folder, watched byte for byte and by their times."""
    target = tmp_path / "job" / "report"
    for folder in (tmp_path, tmp_path / "job", tmp_path / "job" / "logs", tmp_path / "job" / "report.new"):
        folder.mkdir(exist_ok=True)
        (folder / "file.txt").write_text("mine")
        (folder / ".hidden").write_text("mine")
        (folder / "link").symlink_to("file.txt")
        (folder / "dangling").symlink_to("nowhere")
        (folder / "empty folder").mkdir()
        (folder / "up").symlink_to("..")
    for name in (".report", "report-A", ".reports.new", "report~"):
        (target.parent / name).write_text("mine")

    def neighbours() -> dict[str, tuple[object, ...]]:
        found = snapshot(tmp_path)
        del found["job"]  # its own time changes as names in it do
        return {name: each for name, each in found.items() if not f"{name}/".startswith("job/report/")}

    before = neighbours()
    publish({"results.json": b"{}"}, target, RESULTS)
    publish(FILES_DRAFT, target, DRAFT)
    publish(FILES_A, target, A)
    publish(FILES_A, target, A)
    publish(FILES_B, target, B)
    for refused in (replace(A, number="VTR-9"), replace(B, inputs={})):
        with pytest.raises(ArchiveError):
            publish({**FILES_B, "report.pdf": b"other"}, target, refused)
    with pytest.raises(ArchiveError):
        publish({**FILES_DRAFT, "results-draft.json/x": b""}, target, DRAFT)
    assert neighbours() == before
    assert contents(target) == {**FILES_B, **A_ASIDE, **FILES_DRAFT}


def test_a_file_laid_there_while_a_build_is_writing_is_not_lost(target):
    """Between the look at the old folder and the exchange: it stood in what is then cleared away."""

    def slow(stream):
        (target / "plots" / "late.txt").write_text("mine")
        stream.write(b"%PDF draft")

    publish({**FILES_DRAFT, "report-draft.pdf": slow}, target, DRAFT)
    assert contents(target) == {**FILES_A, **FILES_DRAFT, "plots/late.txt": b"mine"}
    assert beside(target) == []


def test_a_leftover_with_what_stands_nowhere_else_is_kept_and_named(target):
    leftover = target.parent / ".report.new"
    shutil.copytree(target, leftover)
    (leftover / "report.pdf").write_bytes(b"%PDF A, signed by somebody")
    with telling(ArchiveError, match=r"\.report\.new/report\.pdf stands nowhere else"):
        publish(FILES_B, target, B)
    assert (leftover / "report.pdf").read_bytes() == b"%PDF A, signed by somebody"
    assert contents(target) == FILES_A


def test_one_file_is_written_without_removing_what_bears_the_working_name(tmp_path):
    (tmp_path / f".page.html.{os.getpid()}.part").write_text("mine")
    with telling(ArchiveError, match="File exists"):
        write_whole(tmp_path / "page.html", b"new")
    assert (tmp_path / f".page.html.{os.getpid()}.part").read_text() == "mine"


def test_without_hard_links_everything_is_copied(target, monkeypatch):
    def none(*args, **kwargs):
        raise OSError(1, "no links here")

    monkeypatch.setattr(os, "link", none)
    (target / "plots" / "mine").symlink_to("one.svg")
    publish(FILES_B, target, B)
    found = contents(target)
    assert found.pop("plots/mine") == FILES_B["plots/one.svg"]
    assert found == {**FILES_B, **A_ASIDE}
    assert not (target / JOURNAL).exists()
    assert beside(target) == []
