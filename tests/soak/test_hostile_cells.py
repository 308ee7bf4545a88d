"""Cells, notes and digits of any length: cut at a stated limit, and said; special files named."""

from __future__ import annotations

import io
import os
import socket

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reportgen.errors import ArchiveError
from reportgen.pipeline import check_job
from reportgen.read.notes.note_line import parse_line
from reportgen.read.table.clock import read_clock
from reportgen.read.table.columns import _Finder
from reportgen.render.terminal import finding_line
from tests.soak.small_job import comma_log, job_of, sheet_log, write_job

LONG = ["9" * 306, "9" * 4301, "9" * 6000, "0" * 6000, "٣" * 5000]
"""More digits than a float has, than Python reads, and digits of another script."""


def said(job):
    return [finding_line(each) for each in check_job(job).findings]


def note_of(words):
    return parse_line(words, runs=("X-PRE",), source="notes.txt", line=1, length_m=None)


@pytest.mark.parametrize("digits", LONG, ids=lambda each: f"{each[0]}{len(each)}")
@pytest.mark.parametrize(
    "words", ["{}:14:02", "09:{}:02", "09:14:{}", "09:14:02.{}", "{}-03-12 09:14:02", "12.3.{}", "12.{}.2026 09:14"]
)
def test_a_clock_of_thousands_of_digits_is_no_time(digits, words):
    """Hours of 306 digits overflowed, of 4,301 were a ValueError."""
    read_clock([words.format(digits)] * 4)
    note_of(words.format(digits) + " X-PRE survey begun")


@settings(max_examples=300, deadline=None)
@given(st.from_regex(r"[0-9]{0,400}[-:./ T][0-9]{0,400}[-:./ ,]?[0-9]{0,400}[.:]?[0-9]{0,12}( [ap]m)?", fullmatch=True))
def test_any_digits_are_a_time_or_none(words):
    read_clock([words])
    note_of(words)


def test_a_second_that_rounds_to_the_next_is_kept_below_it():
    note_of("09:14:59.9999999 begun")


@pytest.mark.parametrize("digits", LONG, ids=lambda each: f"{each[0]}{len(each)}")
def test_a_column_of_that_number_is_not_there(digits):
    assert _Finder(["a", "b"]).place(f"column {digits}") is None


def test_a_header_cell_that_is_cut_is_told(tmp_path):
    content = comma_log()[1].replace(b"A1 phase [deg]", b"A1 phase [deg] " + b"x" * 1200)
    found = said(write_job(job_of(("x.csv", content, "")), tmp_path / "job"))
    assert any("header of column 5 has more than 1" in each for each in found), found


def test_a_cell_of_text_that_is_cut_is_told_with_its_line(tmp_path):
    content = comma_log()[1].replace(b",0.5,", b"," + b"x" * 2000 + b",", 1)
    found = said(write_job(job_of(("x.csv", content, "")), tmp_path / "job"))
    assert any(each.startswith("logs/x.csv:3") and "has more than 1" in each for each in found), found


def test_a_cell_of_a_sheet_that_is_cut_is_told_with_its_line(tmp_path):
    import openpyxl

    book = openpyxl.load_workbook(io.BytesIO(sheet_log()[1]))
    book.active["C9"] = "x" * 2000
    stream = io.BytesIO()
    book.save(stream)
    found = said(write_job(job_of(("x.xlsx", stream.getvalue(), "")), tmp_path / "job"))
    assert any(each.startswith("logs/x.xlsx:9") and "has more than 1" in each for each in found), found


def test_a_long_note_is_told_and_kept(tmp_path):
    job = write_job(job_of(comma_log()), tmp_path / "job")
    (job / "notes.txt").write_text("312 Hz: 2 nodes\n\nobservation: " + "very " * 3000)
    assert any(each.startswith("notes.txt:3") and "has more than" in each for each in said(job))


# Special files -----------------------------------------------------------------------------------------------------


def special(path, kind, monkeypatch):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.unlink(missing_ok=True)
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "folder":
        path.mkdir()
    elif kind == "device":
        path.symlink_to("/dev/zero")
    else:
        monkeypatch.chdir(path.parent)
        with socket.socket(socket.AF_UNIX) as listening:
            listening.bind(path.name)


@pytest.mark.parametrize("kind", ["pipe", "socket", "folder", "device"])
@pytest.mark.parametrize("name", ["job.toml", "presets/own.toml", "notes.txt", "logs/x.csv", "photos/a.jpg"])
def test_what_is_no_file_is_named_in_the_place_of_any(tmp_path, kind, name, monkeypatch):
    """A pipe in the place of a preset was an unknown preset, and beside a misspelt one a traceback."""
    job = write_job(job_of(comma_log()), tmp_path / "job")
    with (job / "job.toml").open("a") as stream:
        if name.startswith("presets"):
            stream.write('\n[[requirement]]\nid = "R9"\npreset = "own/x"\n')
        else:
            stream.write('\n[[photo]]\nfile = "photos/a.jpg"\ncaption = "x"\n')
    special(job / name, kind, monkeypatch)
    errors = [finding_line(each) for each in check_job(job).findings if each.severity == "error"]
    if name == "presets/own.toml":
        assert any("own.toml cannot be read" in each for each in errors), errors
    assert any(name.rpartition("/")[2] in each for each in errors), errors


@pytest.mark.parametrize("kind", ["pipe", "socket", "device"])
def test_verify_takes_ordinary_files_alone(tmp_path, kind, monkeypatch):
    from reportgen.verification import verify_archive
    from tests.archive.bags import small_pdf

    report, odd = small_pdf(tmp_path), tmp_path / "odd" / "x.pem"
    special(odd, kind, monkeypatch)
    with pytest.raises(ArchiveError):
        verify_archive(report, trusted=[odd])
    assert verify_archive(odd).exit_code != 0
