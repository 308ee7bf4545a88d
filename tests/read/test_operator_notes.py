"""Operator's notes: read as meant, nothing lost, nothing invented.

The lines of ``note_lines.toml`` and ``note_lines_german.toml`` were written for this test, each with what its writer
meant beside it.
"""

from __future__ import annotations

import time
import tomllib
from datetime import date, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reportgen.read.notes.operator_notes import parse_line, read_notes
from reportgen.records.job import Beam, Boundary, Job, Party, ReportIdentity, RunKind, RunPlan, Specimen
from reportgen.records.message import Message
from reportgen.records.note import LevelChanged, MotionSeen, NodesSeen, Note, Remark, StrobeSeen
from reportgen.render.catalogue import said
from reportgen.resources import data_dir
from reportgen.units import parse_quantity

RUNS = ("X-PRE", "X-SWEEP", "X-POST")
LINES = [
    line
    for name in ("note_lines.toml", "note_lines_german.toml")
    for line in tomllib.loads((Path(__file__).parent / name).read_text(encoding="utf-8"))["line"]
]
LENGTH_M = 0.42


def read(text: str) -> Note:
    return parse_line(text, runs=RUNS, length_m=LENGTH_M)


def told(fact: object) -> dict[str, object]:
    """A fact in the words of the data file."""
    if isinstance(fact, NodesSeen):
        found: dict[str, object] = {"nodes": fact.count, "at": fact.frequency_hz}
        if fact.positions:
            found[fact.position_unit] = list(fact.positions)
        return found | ({"motion": str(fact.motion)} if fact.motion else {})
    if isinstance(fact, StrobeSeen):
        values = {"strobe": fact.flash_hz, "drive": fact.drive_hz, "apparent": fact.apparent_hz}
    elif isinstance(fact, LevelChanged):
        values = {"level_db": fact.by_db, "level": fact.to_mps2, "at": fact.frequency_hz}
    elif isinstance(fact, MotionSeen):
        return {"motion": str(fact.motion), "at": fact.frequency_hz}
    else:
        assert isinstance(fact, Remark)
        return {fact.heading: fact.text}
    return {key: value for key, value in values.items() if value is not None}


def quoted(unread: Message) -> str:
    """The words an unread entry begins with."""
    return str(unread.value("words"))


def test_the_collection_is_large_enough():
    assert len(LINES) >= 40
    assert len({each["text"] for each in LINES}) == len(LINES)


@pytest.mark.parametrize("line", LINES, ids=lambda line: line["text"])
def test_a_line_is_read_as_it_was_meant(line):
    note = read(line["text"])
    assert note.text == line["text"]
    assert [told(fact) for fact in note.facts] == line.get("facts", [])
    assert [quoted(each) for each in note.unread] == line.get("unread", [])
    assert note.run == line.get("run")
    assert (note.when.isoformat() if note.when else None) == line.get("when")
    assert (note.day.isoformat() if note.day else None) == line.get("day")


def test_words_that_could_not_be_read_say_what_to_write():
    (unread,) = read("312 Hz: 3 nods").unread
    assert "write '3 nodes'" in said(unread)
    (unread,) = read("two nodes").unread
    assert "drive frequency" in said(unread)
    assert "Hz" in said(unread)


@pytest.mark.parametrize("order", [(0, 1, 2), (0, 2, 1), (1, 0, 2), (1, 2, 0), (2, 0, 1), (2, 1, 0)])
def test_facts_stand_in_any_order(order):
    parts = ("312 Hz: 2 nodes", "level -6 dB", "strobe 310 Hz")
    facts = read("; ".join(parts[i] for i in order)).facts
    assert {type(fact) for fact in facts} == {NodesSeen, LevelChanged, StrobeSeen}
    assert NodesSeen(frequency_hz=312.0, count=2) in facts
    assert LevelChanged(by_db=-6.0, frequency_hz=312.0) in facts
    assert StrobeSeen(flash_hz=310.0, drive_hz=312.0) in facts


NUMBER_WORDS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")


@pytest.mark.parametrize("count, word", list(enumerate(NUMBER_WORDS)))
def test_counts_in_words_and_in_figures_are_the_same(count, word):
    plural = "node" if count == 1 else "nodes"
    in_words = read(f"{word} {plural} at 312 Hz").facts
    assert in_words == (NodesSeen(frequency_hz=312.0, count=count),)
    if count:
        assert read(f"{count} {plural} at 312 Hz").facts == in_words


def test_a_short_run_id_is_not_found_in_other_words():
    assert parse_line("X axis, 2 nodes at 84 Hz", runs=("X", "2")).run is None
    assert parse_line("run X: 84 Hz 2 nodes", runs=("X", "2")).run == "X"
    assert parse_line("X: 84 Hz 2 nodes", runs=("X", "2")).run == "X"


def test_two_runs_on_a_line_belong_to_none():
    note = read("X-PRE and X-POST: 84 Hz, 1 node")
    assert note.run is None
    assert "one line for each run" in said(note.unread[0])


def test_a_date_that_can_be_read_in_two_ways_is_not_guessed():
    note = read("03/12/2026 09:14 84 Hz 1 node")
    assert not isinstance(note.when, datetime)
    assert note.day is None
    assert any("03/12/2026" in said(each) for each in note.unread)
    assert read("25/03/2026 84 Hz 1 node").day == date(2026, 3, 25)


def test_positions_from_the_tip_need_the_length():
    note = parse_line("84 Hz 1 node at 90 mm from the tip", length_m=None)
    assert note.facts == (NodesSeen(frequency_hz=84.0, count=1),)
    assert "length" in said(note.unread[0])


# Properties


@settings(max_examples=150, deadline=None)
@given(st.text(max_size=300))
def test_any_text_is_read_to_its_end_and_kept(text):
    assert parse_line(text, runs=RUNS).text == text


PIECES = st.sampled_from([
    "312 Hz", "2", "nodes", "node", "no", "two", "at", "0.77 L", "212 mm", ",", ";", ":", ".", "?", "(", ")", "strobe",
    "310 Hz", "appears", "2 Hz", "level", "-6 dB", "0.5 g", "torsion", "not", "maybe", "or", "and", "from the tip",
    "between", "X-PRE", "09:14", "2026-03-12", "deviation:", "mode 3", "78 %", "up", "beat", "1.2 kHz", "antinodes",
    "→", "é", "x/L",
])  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(st.lists(PIECES, max_size=25).map(" ".join))
def test_any_words_of_the_trade_in_any_order_make_facts_that_can_be(text):
    note = parse_line(text, runs=RUNS, length_m=LENGTH_M)
    assert note.text == text
    for fact in note.facts:
        if isinstance(fact, NodesSeen):
            assert fact.frequency_hz > 0
            assert 0 <= fact.count <= 40
            assert len(fact.positions) <= fact.count
        if isinstance(fact, StrobeSeen):
            assert fact.flash_hz > 0


@settings(max_examples=60, deadline=None)
@given(
    count=st.integers(0, 12),
    frequency=st.decimals(1, 5000, places=1),
    before=st.sampled_from(["", "09:14 ", "2026-03-12 09:14 X-PRE ", "- ", "observation: "]),
    template=st.sampled_from(
        ["{f} Hz: {n} nodes", "{n} nodes at {f} Hz", "nodes: {n}, {f} Hz", "{f} Hz, {n} clear nodes"]
    ),
)
def test_a_count_written_is_the_count_read(count, frequency, before, template):
    text = before + template.format(f=frequency, n="zero" if count == 0 else count)
    found = [fact for fact in parse_line(text, runs=RUNS).facts if isinstance(fact, NodesSeen)]
    assert found == [NodesSeen(frequency_hz=float(frequency), count=count)]


LONG = [
    "1,",
    "node ",
    "312 Hz ",
    ".",
    "1-",
    "no ",
    "3 ",
    "2 nodes and ",
    "x / l ",
    "1 or ",
    "at 3, ",
    "a-b-",
    "nodes at 0.3 L, ",
    "Knoten bei ",
    "springt weiter ",
    "nicht ganz ",
    "noch ein ",
    "von der ",
]


@pytest.mark.parametrize("piece", LONG)
def test_a_line_without_end_is_read_in_bounded_time(piece):
    started = time.process_time()
    note = parse_line(piece * (200_000 // len(piece)), runs=RUNS)
    assert time.process_time() - started < 3.0
    assert "only the first 2000 characters" in said(note.unread[-1])


# Files


def job_of(folder: Path, *names: str) -> Job:
    return Job(
        folder=folder,
        file=folder / "job.toml",
        report=ReportIdentity(number="1", title="t", date=date(2026, 3, 20)),
        laboratory=Party(name="laboratory"),
        customer=Party(name="customer"),
        specimen=Specimen(name="boom", beam=Beam(boundary=Boundary.CLAMPED_FREE, length=parse_quantity("420 mm"))),
        runs=tuple(RunPlan(id=run, kind=RunKind.SURVEY, log=Path("x.csv"), axis="X") for run in RUNS),
        notes_files=tuple(Path(name) for name in names),
    )


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_every_line_of_a_text_file_is_a_note(tmp_path, encoding, end):
    written = ["X-PRE gemäß Plan, 22 °C", "", "312 Hz: 2 nodes", "  - indented, 84 Hz", "3 nods"]
    (tmp_path / "notes.txt").write_bytes(end.join(written).encode(encoding))
    notes, findings = read_notes(job_of(tmp_path, "notes.txt"))
    assert [(note.line, note.text) for note in notes] == [
        (1, written[0]),
        (3, written[2]),
        (4, written[3]),
        (5, "3 nods"),
    ]
    assert [str(finding.severity) for finding in findings] == ["warning"]
    assert str(findings[0].where) == "notes.txt:5"
    assert "3 nods" in said(findings[0].message)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.text(st.characters(blacklist_characters="\r\n", blacklist_categories=["Cs"]), max_size=40), max_size=12
    ),
    st.sampled_from([".txt", ".md", ".csv"]),
)
def test_no_text_is_lost(tmp_path_factory, lines, suffix):
    folder = tmp_path_factory.mktemp("notes")
    text = "\n".join(lines)
    (folder / f"notes{suffix}").write_bytes(b"\xef\xbb\xbf" + text.encode())
    notes, _ = read_notes(job_of(folder, f"notes{suffix}"))
    kept = [line for note in notes for line in note.text.split("\n")]
    assert [line for line in kept if line.strip()] == [line for line in lines if line.strip()]
    assert all(lines[note.line - 1] == note.text.split("\n")[0] for note in notes)


TABLE = """\
date;time;run;frequency [Hz];nodes;node positions [mm];strobe [Hz];apparent [Hz];level [dB];remark
2026-03-12;09:14;x-pre;268,5;2;212, 366;266;2,5;-6;all quiet
;09:20;X-PRE;7,4;none;;;;;"swings as a whole,
bending"
;09:31;X-PRE;84;1 node;;;;0.5 g;
"""


def test_a_table_with_a_heading(tmp_path):
    (tmp_path / "notes.csv").write_text(TABLE, encoding="utf-8")
    notes, findings = read_notes(job_of(tmp_path, "notes.csv"))
    assert not findings
    assert [note.line for note in notes] == [1, 2, 3, 5]
    assert "\n".join(note.text for note in notes) == TABLE.rstrip("\n")
    assert notes[0].facts == ()
    assert notes[1].when == datetime(2026, 3, 12, 9, 14)
    assert [told(fact) for fact in notes[1].facts] == [
        {"nodes": 2, "at": 268.5, "m": [0.212, 0.366]},
        {"strobe": 266.0, "drive": 268.5, "apparent": 2.5},
        {"level_db": -6.0, "at": 268.5},
    ]
    assert [told(fact) for fact in notes[2].facts] == [{"nodes": 0, "at": 7.4, "motion": "bending"}]
    assert [told(fact) for fact in notes[3].facts] == [{"nodes": 1, "at": 84.0}, {"level": 4.903325, "at": 84.0}]


GERMAN_TABLE = """\
Datum;Uhrzeit;Lauf;Frequenz [Hz];Knoten;Knotenlagen [mm];Stroboskop [Hz];Schwebung [Hz];Pegel [dB];Bemerkung
12.03.2026;09:14;x-pre;268,5;2;212, 366;266;2,5;-6;alles ruhig
;09:20;X-PRE;7,4;keine;;;;;schwingt als Ganzes, Biegung
;09:31;X-PRE;84;1 Knoten;;;;0,5 g;
"""


def test_a_german_table_with_a_heading(tmp_path):
    (tmp_path / "notes.csv").write_text(GERMAN_TABLE, encoding="utf-8")
    notes, findings = read_notes(job_of(tmp_path, "notes.csv"))
    assert not findings
    assert notes[1].when == datetime(2026, 3, 12, 9, 14)
    assert [told(fact) for fact in notes[1].facts] == [
        {"nodes": 2, "at": 268.5, "m": [0.212, 0.366]},
        {"strobe": 266.0, "drive": 268.5, "apparent": 2.5},
        {"level_db": -6.0, "at": 268.5},
    ]
    assert [told(fact) for fact in notes[2].facts] == [{"nodes": 0, "at": 7.4, "motion": "bending"}]
    assert [told(fact) for fact in notes[3].facts] == [{"nodes": 1, "at": 84.0}, {"level": 4.903325, "at": 84.0}]


def test_a_third_language_is_one_more_file(tmp_path, monkeypatch):
    """The grammar needs no change; the words here are invented for the test (Dutch)."""
    from reportgen.read.notes import note_vocabulary, note_words

    shipped = data_dir("templates") / "words" / "notes"
    for path in shipped.glob("*.toml"):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    (tmp_path / "nl.toml").write_text('[phrases.NODES]\nnodes = ["knopen"]\n[phrases.NUMBER_WORD]\ntwo = ["twee"]\n')
    words = note_vocabulary.read_vocabulary(tmp_path)
    monkeypatch.setattr(note_words, "vocabulary", lambda: words)
    note_words._grammar.cache_clear()
    try:
        assert read("312 Hz: twee knopen").facts == (NodesSeen(frequency_hz=312.0, count=2),)
    finally:
        note_words._grammar.cache_clear()
    monkeypatch.undo()
    assert read("312 Hz: twee knopen").facts == ()


def test_every_language_has_the_names_of_the_first():
    """A name that English does not have is a slip: the grammar would never ask for it."""
    folder = data_dir("templates") / "words" / "notes"
    files = {path.stem: tomllib.loads(path.read_text(encoding="utf-8")) for path in folder.glob("*.toml")}
    english = files.pop("en")
    for language, file in files.items():
        for part in ("phrases", "parts", "words", "headings"):
            assert set(file[part]) - {"WORD"} == set(english[part]), (language, part)


def test_effective_values_are_not_read_as_peaks():
    """\"0,5 g eff\" was read as 0.5 g peak, wrong by the square root of two."""
    (fact,) = read("Pegel 0,5 g eff").facts
    assert fact.to_mps2 == pytest.approx(0.5 * 9.80665 * 2**0.5)
    assert read("level 0.5 g rms").facts == (fact,)


def test_a_table_of_free_words_without_heading(tmp_path):
    (tmp_path / "notes.csv").write_text('312 Hz: 2 nodes, torsion\n"open quote, 84 Hz: 1 node\n', encoding="utf-8")
    notes, _ = read_notes(job_of(tmp_path, "notes.csv"))
    assert [note.text for note in notes] == ["312 Hz: 2 nodes, torsion", '"open quote, 84 Hz: 1 node']
    assert [told(note.facts[0]) for note in notes] == [
        {"nodes": 2, "at": 312.0, "motion": "torsion"},
        {"nodes": 1, "at": 84.0},
    ]


def test_a_workbook(tmp_path):
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["when", "run", "frequency [Hz]", "nodes", "remark"])
    sheet.append([datetime(2026, 3, 12, 9, 14), "X-PRE", 312, 2, "sand gathers"])
    sheet.append([])
    sheet.append([None, "X-PRE", 7.4, 0, "level -6 dB"])
    second = book.create_sheet("afternoon")
    second["B3"] = "540 Hz: torsion"
    book.save(tmp_path / "notes.xlsx")
    notes, findings = read_notes(job_of(tmp_path, "notes.xlsx"))
    assert not findings
    assert [str(note.where) for note in notes] == [
        "notes.xlsx[Sheet]:1", "notes.xlsx[Sheet]:2", "notes.xlsx[Sheet]:4", "notes.xlsx[afternoon]:3",
    ]  # fmt: skip
    assert notes[1].when == datetime(2026, 3, 12, 9, 14)
    assert notes[1].run == "X-PRE"
    assert "sand gathers" in notes[1].text
    assert [told(fact) for fact in notes[1].facts] == [{"nodes": 2, "at": 312.0}]
    assert [told(fact) for fact in notes[2].facts] == [{"nodes": 0, "at": 7.4}, {"level_db": -6.0, "at": 7.4}]
    assert [told(fact) for fact in notes[3].facts] == [{"motion": "torsion", "at": 540.0}]


def test_a_file_that_is_not_there_or_is_broken_is_an_error(tmp_path):
    (tmp_path / "broken.xlsx").write_bytes(b"PK\x03\x04 and no more")
    notes, findings = read_notes(job_of(tmp_path, "missing.txt", "broken.xlsx"))
    assert notes == ()
    assert [str(finding.severity) for finding in findings] == ["error", "error"]
    assert str(findings[0].where).startswith("missing.txt")
    assert str(findings[1].where).startswith("broken.xlsx")


# Conditions in the laboratory ----------------------------------------------------------------------------------------


def conditions(tmp_path, text, stated=""):
    from reportgen.judge.checks import CHECKS
    from reportgen.pipeline import read_inputs
    from reportgen.read.job.job_file import read_job
    from reportgen.read.notes.note_environment import with_environment_of_notes
    from reportgen.read.notes.operator_notes import read_notes
    from tests.soak.small_job import comma_log, job_of, write_job

    folder = write_job(job_of(comma_log()), tmp_path / "job")
    with (folder / "job.toml").open("a", encoding="utf-8") as file:
        file.write(f'\n[test]\nenvironment = "from notes"\n{stated}')
    (folder / "notes.txt").write_text(text, encoding="utf-8")
    assert read_inputs(folder).job.environment.from_notes
    job, _ = read_job(folder, CHECKS)
    job, found = with_environment_of_notes(job, read_notes(job)[0])
    return job.environment, found


def test_conditions_are_taken_from_the_notes_and_said_with_their_place(tmp_path):
    text = "X-PRE started, 22 °C in the hall\n23,5 °C, 44 % rF, 1013 mbar\nhumidity 61 % rh, the plan asks for 55 %\n"
    found, findings = conditions(tmp_path, text)
    assert (found.temperature, found.humidity, found.pressure) == ("22 °C – 23.5 °C", "44 % rh – 61 % rh", "1013 hPa")
    assert said(findings[0].message).endswith("from the notes (notes.txt:1, notes.txt:2)")


def test_what_the_job_states_goes_before_the_notes_and_what_is_nowhere_is_told(tmp_path):
    found, findings = conditions(tmp_path, "22 °C\n", '[environment]\ntemperature = "20 °C"\n')
    assert (found.temperature, found.humidity) == ("20 °C", None)
    assert [each.message.code for each in findings] == ["environment.not-in-notes"]
