"""Entries are laid into a job file with nothing else of it changed, and taken out again."""

from __future__ import annotations

import tomllib
from datetime import datetime

import pytest

from reportgen.review.entries import EntryError, appended, line_added, line_removed, removed, with_values
from tests.review.small_review_job import JOB

ALTERNATING = """# head
[report]
number = "1"   # no other

[[correction]]
run = "A"
reason = "x"
# own remark

# --- runs ---
[[run]]
id = "A"

[[correction]]
run = "B"

[run.columns]
a = "b"

[[run]]
id = '''B
[[correction]]
'''
# end
"""
"""Arrays of tables that alternate, and a text that looks like a header: a library that writes the whole file anew puts
the second correction before the first run."""
ENTRY = {"run": 'C"\n\\', "frequency": "50 Hz", "when": datetime(2026, 1, 2, 3, 4), "band": ["1 Hz", "2 Hz"]}


@pytest.mark.parametrize("change", [str, lambda t: t.replace("\n", "\r\n"), lambda t: "\ufeff" + t])
def test_an_entry_comes_and_goes_without_a_byte_elsewhere(change):
    """Faults: order and comments lost by writing the whole file, LF among CR LF, a byte order mark dropped."""
    text = change(ALTERNATING)
    told = appended(text, "correction", ENTRY)
    assert removed(told, "correction", 2) == text
    assert told.count("\r\n") in (0, told.count("\n")), "one kind of line ends"
    start = told.index("[[correction]]", told.index('run = "B"'))
    entry = told[start : told.index("[run.columns]")]
    assert text == told.replace(entry, "", 1), "an entry stands behind the last of its kind"
    assert tomllib.loads(told.removeprefix("\ufeff"))["correction"][2] == ENTRY


def test_what_stands_right_below_an_entry_stays_with_it_and_the_next_heading_with_the_next_table():
    told = appended("[[a]]\nb = 1\n# of a\n\n# of c\n[c]\n", "a", {"b": 2})
    assert told == "[[a]]\nb = 1\n# of a\n\n[[a]]\nb = 2\n\n# of c\n[c]\n"
    assert appended("[[a]]\nb = 1\n# of c\n[c]\n", "a", {"b": 2}).endswith("b = 2\n# of c\n[c]\n")


def test_a_first_entry_and_a_file_without_a_last_line_end():
    assert appended("", "a", {"b": 1}) == "[[a]]\nb = 1\n"
    assert appended("x = 1", "a", {"b": 1}) == "x = 1\n\n[[a]]\nb = 1\n"
    assert removed(appended(JOB, "annotation", {"text": "t"}), "annotation", 0) == JOB


def test_a_key_of_an_entry_is_set_and_no_other_line_changes():
    text = '[[deviation]]\nkey = "k"\neffect = "" # to come\n\n[[deviation]]\nkey = "l"\n'
    told = with_values(text, "deviation", 0, {"effect": "none", "agreed_by": "B"})
    assert told.splitlines()[0] == "[[deviation]]"
    assert told.endswith('\n[[deviation]]\nkey = "l"\n')
    assert tomllib.loads(told)["deviation"][0] == {"key": "k", "effect": "none", "agreed_by": "B"}


@pytest.mark.parametrize("text", ['correction = [{ run = "A" }]\n', "[correction]\nrun = 'A'\n", "no = \n"])
def test_a_file_in_which_an_entry_has_no_place_is_refused(text):
    """Fault: a file that no reader understands any longer."""
    with pytest.raises(EntryError):
        appended(text, "correction", {"run": "B"})


def test_an_entry_that_is_gone_is_told():
    with pytest.raises(EntryError):
        removed(JOB, "correction", 1)
    with pytest.raises(EntryError):
        line_removed("a\nb\n", "c")


def test_lines_of_notes_come_and_go():
    assert line_added("a", "b") == "a\nb\n"
    assert line_removed("a\r\nb\r\na\r\n", "a") == "a\r\nb\r\n"
    assert line_added("a\r\n", "b") == "a\r\nb\r\n"
