"""``reportgen inspect``: what a file holds, and a mapping that reads the file as the tool itself would."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import numpy as np
import pytest

from reportgen.bare_file import inspect_file
from reportgen.errors import ReadError
from reportgen.read.inspect_file import describe_file
from reportgen.read.log_columns import LogWanted
from reportgen.read.sweep_log import read_sweep_log
from reportgen.render.catalogue import said

ODD = Path(__file__).resolve().parent / "odd_logs"
READABLE = 100
"""More of the odd logs than this are read as they are."""


def mapping_of(text):
    """The lines below ``[run.columns]``, as a job file would hold them; of several runs those of the first."""
    pasted = tomllib.loads(text[text.index("\n[[run]]" if "\n[[run]]" in text else "\n[run.columns]\n") :])["run"]
    return tuple((pasted[0] if isinstance(pasted, list) else pasted)["columns"].items())


def test_the_offered_mapping_reads_the_same_log():
    """Each odd log that can be read as it is."""
    read = 0
    for path in sorted(each for each in ODD.iterdir() if each.suffix in (".csv", ".txt", ".md", ".xlsx")):
        plain, _ = read_sweep_log(path, LogWanted(name=path.name))
        if plain is not None:
            read += 1
            assert_mapping_reads(path, plain)
    assert read > READABLE


def assert_mapping_reads(path, plain):
    mapping, name = mapping_of(describe_file(path, said)), path.name
    mapped, findings = read_sweep_log(path, LogWanted(name=name, mapping=mapping))
    assert mapped is not None, (name, findings)
    assert mapped.frequency_hz == pytest.approx(plain.frequency_hz), name
    assert {trace.channel for trace in mapped.traces} == {trace.channel for trace in plain.traces}, name
    for trace in plain.traces:
        other = mapped.trace(trace.channel)
        assert other.dimension == trace.dimension, name
        assert other.amplitude == pytest.approx(trace.amplitude, nan_ok=True), name
        if trace.phase_deg is not None:
            assert other.phase_deg == pytest.approx(trace.phase_deg, nan_ok=True), name
    if plain.time_s is not None:
        assert mapped.time_s == pytest.approx(plain.time_s), name


def test_what_is_inside_is_told():
    text = describe_file(ODD / "temperature_column.csv", said)
    assert "temperature_column.csv: a sweep log, 436 bytes" in text
    assert "UTF-8, ',' between columns, decimal point, names in line 1, rows from line 2" in text
    assert "12 rows in lines 2 to 13" in text
    assert "sweep 1: up, 5 to 1650.25 Hz, lines 2 to 13" in text
    assert "amplitude of A1, g" in text
    assert "0.07 to 9.75" in text
    assert "condition of Temp, °C" in text


def runs_of(text):
    return tomllib.loads(text[text.index("\n[[run]]") :])["run"]


def test_every_sweep_of_a_log_is_offered_as_a_run(tmp_path):
    """Pasted as offered, each run reads its own sweep."""
    path = tmp_path / "three.csv"
    up = np.geomspace(10.0, 200.0, 60)
    frequency = np.concatenate([up, up[::-1], up])
    rows = "".join(f"{k},{f:.6f},1,{1 + k / 100:.4f}\n" for k, f in enumerate(frequency))
    path.write_text("time [s],frequency [Hz],C1 [g],A1 [g]\n" + rows)
    text = describe_file(path, said)
    runs = runs_of(text)
    assert [run["sweep"] for run in runs] == [1, 2, 3]
    assert {run["log"] for run in runs} == {"logs/three.csv"}
    for run, direction in zip(runs, ("up", "down", "up"), strict=True):
        assert f"[[run]]   # sweep {run['sweep']}: {direction}, " in text
        log, findings = read_sweep_log(
            path, LogWanted(name=path.name, sweep=run["sweep"], mapping=tuple(run["columns"].items()))
        )
        assert log is not None, findings
        assert log.sweep_index == run["sweep"]
        assert (log.frequency_hz[0] < log.frequency_hz[-1]) == (direction == "up")


def test_every_sweep_of_a_record_is_offered_as_a_run(tmp_path):
    """Up, silence, up again and down, on the second channel of a WAV file with noise on the first."""
    import soundfile

    rate, k = 2048, np.log(10.0) / 10.0
    t = np.arange(10 * rate) / rate
    up = np.cos(2 * np.pi * 20.0 * np.expm1(k * t) / k)
    rng = np.random.default_rng(0)
    drive = 0.5 * np.concatenate([up, np.zeros(4 * rate), up, up[::-1]]) + 1e-4 * rng.normal(size=34 * rate)
    path = tmp_path / "three.wav"
    soundfile.write(path, np.column_stack([drive, 1e-3 * rng.normal(size=len(drive))]), rate, subtype="FLOAT")
    text = inspect_file(path)
    assert [run["sweep"] for run in runs_of(text)] == [1, 2, 3]
    told = re.findall(r"sweep \d: (up|down), ([\d.]+) to ([\d.]+) Hz, ([\d.]+) to ([\d.]+) s, by", text)[:3]
    assert [each[0] for each in told] == ["up", "up", "down"]
    expected = [(20, 200, 0, 10), (20, 200, 14, 24), (200, 20, 24, 34)]
    for (_, *numbers), (first, last, begin, end) in zip(told, expected, strict=True):
        f0, f1, t0, t1 = map(float, numbers)
        assert f0 == pytest.approx(first, rel=0.15)
        assert f1 == pytest.approx(last, rel=0.15)
        assert t0 == pytest.approx(begin, abs=0.7)
        assert t1 == pytest.approx(end, abs=0.7)


def test_sweeps_damaged_lines_and_other_sheets_are_told():
    assert "sweep 3: up, 8.125 to 1650.25 Hz, lines 25 to 35" in describe_file(ODD / "three_sweeps.csv", said)
    text = describe_file(ODD / "spreadsheet_with_word.xlsx", said)
    assert "lines that are no rows: 1, the first is line 8: 'ABORT' in column 'frequency' is not a number" in text
    assert "other sheets, not read: 'Cover'" in text


def test_what_the_file_does_not_say_is_left_to_fill_in_and_the_rest_can_be_pasted():
    text = describe_file(ODD / "mapped.csv", said)
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
    with pytest.raises(ReadError) as caught:
        describe_file(ODD / name, said)
    assert re.match(f"{name}:\\d+: ", said(caught.value.said))


def test_a_file_that_is_not_there():
    with pytest.raises(ReadError) as caught:
        describe_file(ODD / "gone.csv", said)
    assert "there is no file" in said(caught.value.said)


def test_names_with_quotes_can_be_pasted(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text('frequency [Hz];C1 "top" \\x [g]\n5;1\n6;2\n7;3\n', encoding="utf-8")
    log, findings = read_sweep_log(path, LogWanted(name="log.csv", mapping=mapping_of(describe_file(path, said))))
    assert log is not None, findings
    assert np.allclose(log.traces[0].amplitude, np.array([1, 2, 3]) * 9.80665)
