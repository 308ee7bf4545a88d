"""``reportgen inspect``: what a file holds, and a mapping that reads the file as the tool itself would."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest

from reportgen.errors import ReadError
from reportgen.read.inspect_file import describe_file
from reportgen.read.log_columns import LogWanted
from reportgen.read.sweep_log import read_sweep_log

ODD = Path(__file__).resolve().parent / "odd_logs"
READABLE = sorted(
    path.name
    for path in ODD.iterdir()
    if path.suffix in (".csv", ".txt", ".md", ".xlsx")
    and read_sweep_log(path, LogWanted(name=path.name))[0] is not None
)


def mapping_of(text):
    """The lines below ``[run.columns]``, as a job file would hold them."""
    return tuple(tomllib.loads(text[text.index("\n[run.columns]\n") :])["run"]["columns"].items())


@pytest.mark.parametrize("name", READABLE)
def test_the_offered_mapping_reads_the_same_log(name):
    path = ODD / name
    mapping = mapping_of(describe_file(path))
    plain, _ = read_sweep_log(path, LogWanted(name=name))
    mapped, findings = read_sweep_log(path, LogWanted(name=name, mapping=mapping))
    assert mapped is not None, findings
    assert mapped.frequency_hz == pytest.approx(plain.frequency_hz)
    assert {trace.channel for trace in mapped.traces} == {trace.channel for trace in plain.traces}
    for trace in plain.traces:
        other = mapped.trace(trace.channel)
        assert other.dimension == trace.dimension
        assert other.amplitude == pytest.approx(trace.amplitude, nan_ok=True)
        if trace.phase_deg is not None:
            assert other.phase_deg == pytest.approx(trace.phase_deg, nan_ok=True)
    if plain.time_s is not None:
        assert mapped.time_s == pytest.approx(plain.time_s)


def test_what_is_inside_is_told():
    text = describe_file(ODD / "temperature_column.csv")
    assert "temperature_column.csv: a sweep log, 436 bytes" in text
    assert "UTF-8, ',' between columns, decimal point, names in line 1, rows from line 2" in text
    assert "12 rows in lines 2 to 13" in text
    assert "sweep 1: up, 5 to 1650.25 Hz, lines 2 to 13" in text
    assert "amplitude of A1, g" in text
    assert "0.07 to 9.75" in text
    assert "not used: unit '°C'" in text


def test_sweeps_damaged_lines_and_other_sheets_are_told():
    assert "sweep 3: up, 8.125 to 1650.25 Hz, lines 25 to 35" in describe_file(ODD / "three_sweeps.csv")
    text = describe_file(ODD / "spreadsheet_with_word.xlsx")
    assert "lines that are no rows: 1, the first is line 8: 'ABORT' in column 'frequency' is not a number" in text
    assert "other sheets, not read: 'Cover'" in text


def test_what_the_file_does_not_say_is_left_to_fill_in_and_the_rest_can_be_pasted():
    text = describe_file(ODD / "mapped.csv")
    filled = text[text.index("\n[run.columns]\n") :]
    assert '# "Ch 3" = "Ch 3 / ..."' in filled
    assert '# "Ch 3 phase" = "Ph 3 / deg"' in filled
    lines = [line.removeprefix("# ").partition("   #")[0] for line in filled.split("\n")]
    pasted = tomllib.loads("\n".join(lines).replace('"... / Hz"', '"Antrieb / Hz"').replace("/ ...", "/ g"))
    mapping = tuple((k, v) for k, v in pasted["run"]["columns"].items() if k != "Antrieb")
    log, findings = read_sweep_log(ODD / "mapped.csv", LogWanted(name="mapped.csv", mapping=mapping))
    assert not [each for each in findings if each.severity == "error"], findings
    assert log.trace("Ch 3").phase_deg is not None


@pytest.mark.parametrize("name", ["empty.csv", "binary.csv", "words_only.txt", "header_only.csv"])
def test_what_is_no_table_is_an_error_with_a_place(name):
    with pytest.raises(ReadError, match=f"{name}:\\d+: "):
        describe_file(ODD / name)


def test_a_file_that_is_not_there():
    with pytest.raises(ReadError, match="there is no file"):
        describe_file(ODD / "gone.csv")


def test_names_with_quotes_can_be_pasted(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text('frequency [Hz];C1 "top" \\x [g]\n5;1\n6;2\n7;3\n', encoding="utf-8")
    log, findings = read_sweep_log(path, LogWanted(name="log.csv", mapping=mapping_of(describe_file(path))))
    assert log is not None, findings
    assert np.allclose(log.traces[0].amplitude, np.array([1, 2, 3]) * 9.80665)
