"""Any bytes whatever: every reader answers with a record or a finding; of the notes no word is lost."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from reportgen.errors import ReportError, UnitError
from reportgen.judge.checks import CHECKS
from reportgen.read.job.job_file import read_job
from reportgen.read.log import read_bare_log, read_log
from reportgen.read.notes.note_line import parse_line
from reportgen.read.notes.operator_notes import read_notes
from reportgen.records.finding import Severity
from reportgen.render.catalogue import said
from reportgen.units import parse_number, parse_quantity, parse_unit
from tests.soak.small_job import JOB_FILE, LOGS, NOTES, comma_log, job_of, write_job

QUICK = settings(
    max_examples=60,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow, HealthCheck.data_too_large],
)

MAGIC = [
    b"",
    b"RIFF\x24\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x03\x00\x02\x00",
    b"RF64\xff\xff\xff\xffWAVEds64",
    b"\x89HDF\r\n\x1a\n",
    b"MATLAB 5.0 MAT-file, Platform: x".ljust(124) + b"\x00\x01IM",
    b"    -1\n    58\nchannel 1\n",
    b"    -1\n    58b     1     2          11        1024\n",
    b"PK\x03\x04\x14\x00\x00\x00",
    b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1",
    b"\xff\xfef\x00r\x00e\x00q\x00",
    b"\xef\xbb\xbffrequency [Hz],C1 [g],A1 [g]\n",
    b"time [s];frequency [Hz];C1 [g];A1 [g]\n0;5;1;1\n",
    b"\x1f\x8b\x08\x00",
]

cells = st.text("0123456789.,;-+eE \t[]()°%/#\"'gHzmsAC\x00é\n", max_size=300).map(
    lambda text: text.encode("utf-8", "replace")
)
contents = st.builds(lambda head, rest: head + rest, st.sampled_from(MAGIC), st.binary(max_size=300) | cells)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return write_job(job_of(comma_log()), tmp_path_factory.mktemp("any") / "job")


@QUICK
@given(content=contents)
def test_any_log_is_a_log_or_an_error(folder, content):
    (folder / "logs" / "x.csv").write_bytes(content)
    job, _ = read_job(folder, CHECKS)
    assert job is not None
    log, findings = read_log(job, job.runs[0])
    assert log is not None or any(each.severity is Severity.ERROR for each in findings)
    bare, _, findings = read_bare_log(folder / "logs" / "x.csv", None)
    assert bare is not None or findings


@QUICK
@given(content=contents)
def test_any_file_is_described_or_refused(folder, content):
    from reportgen.read.inspect_file import describe_file

    path = folder / "any.file"
    path.write_bytes(content)
    try:
        assert describe_file(path, said).strip()
    except ReportError as problem:
        assert "any.file" in str(problem)  # noqa: PT017


@QUICK
@given(content=st.binary(max_size=400) | st.text(max_size=400).map(lambda text: text.encode("utf-8", "replace")))
def test_any_job_file_is_a_job_or_an_error(folder, content):
    path = folder / "any.toml"
    path.write_bytes(content)
    job, findings = read_job(path, CHECKS)
    assert job is not None or any(each.severity is Severity.ERROR for each in findings)
    assert all(re.match(r"any\.toml:\d+$", str(each.where)) for each in findings)


values = st.one_of(
    st.none().map(lambda _: '""'),
    st.integers().map(str),
    st.floats(allow_nan=True).map(lambda number: repr(number).replace("e+", "e")),
    st.sampled_from(
        [
            "true",
            "[]",
            "{}",
            "2026-03-20",
            "09:14:00",
            '"5 %"',
            '"-5 Hz"',
            '"1e400 g"',
            '[[1, 2], "a"]',
            '"0 g"',
            "[[]]",
        ]
    ),
    st.text("abc 0123456789.,%gHz/-µ°²", max_size=20).map(lambda text: f'"{text}"'),
)


@QUICK
@given(key=st.sampled_from(sorted(set(re.findall(r"(?m)^(\w+) =", JOB_FILE)))), value=values)
def test_any_value_of_any_key_is_read_or_refused_at_its_line(folder, key, value):
    text = JOB_FILE.replace("LOG", "x.csv").replace("COLUMNS", "")
    changed = re.sub(rf"(?m)^{key} = .*$", lambda _: f"{key} = {value}", text)
    (folder / "job.toml").write_text(changed, encoding="utf-8")
    job, findings = read_job(folder, CHECKS)
    assert job is not None or any(each.severity is Severity.ERROR for each in findings)
    lines = changed.count("\n") + 1
    assert all(1 <= each.line <= lines for each in findings)
    (folder / "job.toml").write_text(text, encoding="utf-8")


PHRASES = """312 Hz : 2 two no nodes node at 0.77 L 212 mm , 366 strobe appears level -6 dB 0.5 g torsion bending axial
deviation: observation: X-PRE 09:14 12.03.2026 2026-03-12 ½ 3,5 kHz to and the 1e9 -0 ² % — inch 5'"""
words = st.text(max_size=200) | st.lists(st.sampled_from(PHRASES.split()), max_size=14).map(" ".join)


@settings(QUICK, max_examples=400)
@given(text=words)
@example(text="312 Hz: 99999999999999999999 nodes at 1e400 mm")
@example(text="strobe 0 Hz appears at 0 Hz level 0 dB")
def test_any_line_of_notes_keeps_its_words(text):
    note = parse_line(text, runs=("X-PRE",), source="notes.txt", line=3, length_m=0.42)
    assert note.text == text
    assert str(note.where) == "notes.txt:3"


@QUICK
@given(
    lines=st.lists(
        st.text(st.characters(blacklist_characters="\r\n", blacklist_categories=("Cs",)), max_size=60), max_size=12
    )
)
@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_no_line_of_notes_is_lost(folder, lines, ending):
    (folder / "notes.txt").write_bytes(ending.join(lines).encode())
    job, _ = read_job(folder, CHECKS)
    assert job is not None
    notes, findings = read_notes(job)
    assert not any(each.severity is Severity.ERROR for each in findings)
    written = [(n, line.removeprefix("\ufeff") if n == 1 else line) for n, line in enumerate(lines, 1)]
    assert [(note.line, note.text) for note in notes] == [(n, line) for n, line in written if line.strip()]
    (folder / "notes.txt").write_text(NOTES)


@settings(QUICK, max_examples=400)
@given(text=st.text(max_size=30) | st.text("0123456789.,-+eE gmHz%µ°²/^*()", max_size=20))
def test_any_quantity_is_one_or_is_refused(text):
    for read in (parse_quantity, parse_unit, parse_number):
        try:
            read(text)
        except UnitError as problem:
            assert len(str(problem)) < 1000  # noqa: PT017


@pytest.mark.parametrize("make", LOGS, ids=[make.__name__ for make in LOGS])
def test_a_log_cut_anywhere_is_read_in_part_or_refused(tmp_path, make):
    """A full disk, a pulled stick: at each eighth of the file."""
    name, content, columns = make()
    folder = write_job(job_of((name, content, columns)), tmp_path / "job")
    job, _ = read_job(folder, CHECKS)
    assert job is not None
    for part in range(8):
        (folder / "logs" / name).write_bytes(content[: len(content) * part // 8 + 1])
        log, findings = read_log(job, job.runs[0])
        assert log is not None or any(each.severity is Severity.ERROR for each in findings)


def test_every_log_has_a_name_of_its_own():
    assert len({make()[0] for make in LOGS}) == len(LOGS)
    assert all(not Path(make()[0]).is_absolute() for make in LOGS)
