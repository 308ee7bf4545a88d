"""The list of changes of an amendment: real changes only, each told once, in words (ISO/IEC 17025:2017, 7.8.8.1)."""

from __future__ import annotations

import copy
import time

import pytest

from reportgen.archive.changes import changes
from reportgen.render.catalogue import said


def listed(one, other, old_texts=None, new_texts=None):
    found = changes(one, other, old_texts or {}, new_texts or {})
    return [(said(each.what), said(each.before), said(each.after)) for each in found]


def run(*modes, **more):
    resonances = [{"frequency_hz": f, "q": q, "q_std": None, "mode": n, "flags": []} for n, f, q in modes]
    return {"runs": [{"id": "X-PRE", "axis": "X", "channels": [{"id": "A1", "resonances": resonances}], **more}]}


BOOM = ((1, 10.8, 38.0), (2, 70.3, 37.0), (3, 200.8, 36.0), (4, 398.0, 35.0))


def test_a_resonance_that_vanishes_from_the_middle_is_one_change():
    assert listed(run(*BOOM), run(*BOOM[:1], *BOOM[2:])) == [
        ("run X-PRE, channel A1: resonance at 70.3 Hz (mode 2) removed", "frequency (Hz) 70.3; Q 37.0; mode 2", "—")
    ]
    assert listed(run(*BOOM[:1], *BOOM[2:]), run(*BOOM)) == [
        ("run X-PRE, channel A1: resonance at 70.3 Hz (mode 2) added", "—", "frequency (Hz) 70.3; Q 37.0; mode 2")
    ]


def test_what_changed_beside_it_is_told_of_the_right_mode():
    new = run(BOOM[0], (2, 200.8, 36.0), (3, 398.1, 35.5))
    assert listed(run(*BOOM), new) == [
        ("run X-PRE, channel A1: resonance at 70.3 Hz (mode 2) removed", "frequency (Hz) 70.3; Q 37.0; mode 2", "—"),
        ("run X-PRE, channel A1, resonance at 200.8 Hz (mode 3): mode", "3", "2"),
        ("run X-PRE, channel A1, resonance at 398 Hz (mode 4): frequency (Hz)", "398.0", "398.1"),
        ("run X-PRE, channel A1, resonance at 398 Hz (mode 4): Q", "35.0", "35.5"),
        ("run X-PRE, channel A1, resonance at 398 Hz (mode 4): mode", "4", "3"),
    ]


def test_modes_are_told_apart_by_axis_and_number():
    old = {"modes": [{"axis": a, "mode": n, "frequency_hz": 50.0 * n} for a in "XY" for n in (1, 2, 3)]}
    new = {"modes": [each for each in old["modes"] if (each["axis"], each["mode"]) != ("X", 2)]}
    assert listed(old, new) == [
        ("mode axis X at 100 Hz (mode 2) removed", "axis X; mode 2; frequency (Hz) 100.0", "—"),
    ]


def test_a_run_that_came_is_told_with_what_is_in_it():
    new = run(BOOM[0])
    new["runs"].append({**copy.deepcopy(new["runs"][0]), "id": "X-POST", "kind": "survey"})
    assert listed(run(BOOM[0]), new) == [
        ("run X-POST added", "—", "id X-POST; axis X; kind survey"),
        ("run X-POST: channel A1 added", "—", "id A1"),
        ("run X-POST, channel A1: resonance at 10.8 Hz (mode 1) added", "—", "frequency (Hz) 10.8; Q 38.0; mode 1"),
    ]


def test_verdicts_come_first_and_by_requirement():
    old = {**run(BOOM[0]), "overall": "pass", "verdicts": [{"requirement": r, "result": "pass"} for r in ("R1", "R2")]}
    new = {**run((1, 10.9, 38.0)), "overall": "fail", "verdicts": [{"requirement": "R2", "result": "fail"}]}
    assert [what for what, _, _ in listed(old, new)] == [
        "overall",
        "requirement R1 removed",
        "requirement R2: result",
        "run X-PRE, channel A1, resonance at 10.8 Hz (mode 1): frequency (Hz)",
    ]


NOTE = {"where": "notes.txt:1", "text": "09:14 X-PRE begun", "run": "X-PRE", "facts": []}
NODES = {"kind": "nodes", "frequency_hz": 312.0, "count": 2}
READ = {"where": "notes.txt:2", "text": "312 Hz: 2 nodes", "run": "X-PRE", "facts": [NODES]}


def test_a_line_put_into_the_notes_is_one_change():
    """The later lines keep their words; that each stands one line lower is no change of the report."""
    found = {"severity": "note", "where": "notes.txt:2", "message": "two nodes are mode 3"}
    old = {"notes": [NOTE, READ], "findings": [found]}
    put_in: dict[str, object] = {"where": "notes.txt:2", "text": "cover taken off", "run": None, "facts": []}
    new = {
        "notes": [NOTE, put_in, {**READ, "where": "notes.txt:3"}],
        "findings": [{**found, "where": "notes.txt:3"}],
    }
    texts = ("09:14 X-PRE begun\n312 Hz: 2 nodes\n", "09:14 X-PRE begun\ncover taken off\n312 Hz: 2 nodes\n")
    assert listed(old, new, {"notes.txt": texts[0]}, {"notes.txt": texts[1]}) == [
        ("notes.txt:2", "—", "cover taken off"),
    ]
    assert listed(old, new) == [
        ("note notes.txt:2 added", "—", "where notes.txt:2; text cover taken off"),
    ], "notes in a sheet have no lines to compare"


def test_lines_named_in_words_move_with_their_lines():
    """A reason that names a line is the same reason where that line stands lower now; a clock is no line."""
    texts = ({"notes.txt": "a\nb\nc"}, {"notes.txt": "a\nput in\nb\nC"})
    words = {"reason": "the level changed, noted in notes.txt:2 at 10:02", "when": "2026-03-12T10:02:00"}
    moved = {**words, "reason": words["reason"].replace("notes.txt:2", "notes.txt:3")}
    assert [what for what, _, _ in listed(words, moved, *texts)] == ["notes.txt:2", "notes.txt:4"]
    other = {**words, "reason": words["reason"].replace("notes.txt:2", "notes.txt:1")}
    assert listed(words, other, *texts)[0] == ("reason", words["reason"], other["reason"])


def test_endless_notes_are_compared_in_time():
    lines = [f"{n % 7}\n" for n in range(60_000)]
    texts = ({"notes.txt": "x\n" + "".join(lines)}, {"notes.txt": "".join(lines) + "y\n"})
    begun = time.process_time()
    assert len(changes({}, {}, *texts)) == 1
    assert time.process_time() - begun < 10.0


def test_a_note_that_is_read_otherwise_by_another_version():
    new = {"notes": [{**READ, "facts": [{**NODES, "count": 3}]}]}
    text = {"notes.txt": "\n312 Hz: 2 nodes\n"}
    assert listed({"notes": [READ]}, new, text, text) == [
        ("note notes.txt:2, reading nodes at 312 Hz: count", "2", "3"),
    ]


def test_a_finding_that_came_and_one_that_went():
    one = {"severity": "note", "where": "job.toml:3", "message": "the mass is not stated"}
    other = {"severity": "warning", "where": "notes.txt:9", "message": "mode 6 is missing"}
    assert [what for what, _, _ in listed({"findings": [one]}, {"findings": [other]})] == [
        "finding job.toml:3 removed",
        "finding notes.txt:9 added",
    ]


def test_a_band_that_closed_leaves_the_others():
    control = {"outside_bands": [[10.0, 12.0], [112.0, 119.5], [300.0, 310.0]]}
    other = {"outside_bands": [[10.0, 12.0], [300.0, 310.0]]}
    assert listed(run(control=control), run(control=other)) == [
        ("run X-PRE: control: band outside tolerance at 112 Hz removed", "112.0, 119.5", "—"),
    ]


def test_a_part_that_there_was_not():
    assert listed(run(dwell=None), run(dwell={"cycles": 1e5, "flags": ["short"], "frequency_hz": 312.0})) == [
        ("run X-PRE: dwell", "none", "—"),
        ("run X-PRE: dwell, cycles", "—", "100000.0"),
        ("run X-PRE: dwell, flags", "—", "short"),
        ("run X-PRE: dwell, frequency (Hz)", "—", "312.0"),
    ]


def test_another_order_and_another_program_are_no_changes():
    old = {"software": "reportgen 0.1.0", "job": {"revision": "A"}, "supersedes": None, "flags": ["a", "b"]}
    new = {"software": "reportgen 0.2.0", "job": {"revision": "B"}, "supersedes": {"number": "1"}, "flags": ["b", "a"]}
    assert listed(old, new) == []


JOB = """[report]
number = "VTR-0201"
revision = "A"
[[run]]
id = "X-PRE"
axis = "X"
[[run]]
id = "X-POST"
axis = "X"
[[profile]]
id = "P"
breakpoints = [["5 Hz", "1 g"], ["50 Hz", "1 g"], ["500 Hz", "2 g"]]
[[correction]]
run = "X-PRE"
frequency = "50 Hz"
action = "reject"
reason = "mains"
by = "A. Berg"
"""


@pytest.mark.parametrize(
    "old, new, expected",
    [
        ('revision = "A"', 'revision = "B"', []),
        ('[[run]]\nid = "X-PRE"\naxis = "X"\n', "", [("job.toml run[X-PRE]", "id X-PRE; axis X", "—")]),
        ('reason = "mains"', 'reason = "hum"', [("job.toml correction[X-PRE].reason", "mains", "hum")]),
        (', ["50 Hz", "1 g"]', "", [("job.toml profile[P].breakpoints[1]", "50 Hz, 1 g", "—")]),
        ('["50 Hz", "1 g"]', '["50 Hz", "3 g"]', [("job.toml profile[P].breakpoints[1][1]", "1 g", "3 g")]),
    ],
)
def test_the_job_file_key_by_key(old, new, expected):
    assert old in JOB
    assert listed({}, {}, {"job.toml": JOB}, {"job.toml": JOB.replace(old, new)}) == expected


def test_lines_of_notes_that_came_and_went():
    listed = changes({}, {}, {"notes.txt": "a\nb\nc\n"}, {"notes.txt": "a\nc\nd\n"})
    assert [(said(each.what), said(each.before), said(each.after)) for each in listed] == [
        ("notes.txt:2", "b", "—"),
        ("notes.txt:3", "—", "d"),
    ]


def test_a_job_file_that_is_no_toml_is_told_line_by_line():
    (change,) = changes({}, {}, {"job.toml": "[report"}, {"job.toml": "[report]"})
    assert [said(change.what), said(change.before), said(change.after)] == ["job.toml:1", "[report", "[report]"]


def mode(number, frequency_hz, expected_hz, missing):
    return {"axis": "X", "mode": number, "frequency_hz": frequency_hz, "expected_hz": expected_hz, "missing": missing}


def test_a_mode_nobody_saw_has_no_frequency_and_is_paired_by_its_number():
    """Fault: with the expectation as its frequency, another fit of beam theory read as a mode that had moved."""
    old = {"modes": [mode(5, 661.0, 655.7, False), mode(6, None, 986.3, True), mode(7, 1374.0, 1385.0, False)]}
    refitted = {"modes": [old["modes"][0], mode(6, None, 990.1, True), old["modes"][2]]}
    assert not any("frequency (Hz)" in what for what, _, _ in listed(old, refitted))
    seen = {"modes": [old["modes"][0], mode(6, 988.0, 986.3, False), old["modes"][2]]}
    told = {what: (before, after) for what, before, after in listed(old, seen)}
    assert any(what.endswith("frequency (Hz)") and "988" in after for what, (_, after) in told.items()), told
    assert not any("added" in what or "removed" in what for what in told)
