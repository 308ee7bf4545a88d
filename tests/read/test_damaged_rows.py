"""A row of words with as many cells as the log has columns is a damaged row, wherever it stands."""

from __future__ import annotations

import numpy as np
import pytest

from reportgen.read.inspect_file import describe_file
from reportgen.read.log import read_bare_log
from reportgen.render.catalogue import said

HEADER = ["time [s]", "frequency [Hz]", "C1 [g]", "A1 [g]", "A1 phase [deg]"]
WORDS = ["oops", "this", "is", "not", "a"]
COUNT = 60


def rows(count=COUNT):
    frequency = np.geomspace(20.0, 200.0, count)
    response = 0.5 / np.abs(1.0 - (frequency / 90.0) ** 2 + 1j * frequency / 90.0 / 30.0)
    return [
        [f"{i / 2:.1f}", f"{f:.4f}", "0.5", f"{a:.4f}", f"-{i}.5"]
        for i, (f, a) in enumerate(zip(frequency, response, strict=True))
    ]


def sheet(path, lines):
    from openpyxl import Workbook

    book = Workbook()
    for line in lines:
        book.active.append([float(c) if c.lstrip("-").replace(".", "", 1).isdigit() else c for c in line])
    book.save(path)


def write(path, lines, way):
    if way == "sheet":
        sheet(path, lines)
        return
    sep, decimal = {"comma": (",", "."), "semicolon": (";", ","), "tab": ("\t", "."), "units row": (",", ".")}[way]
    path.write_text("".join(sep.join(c.replace(".", decimal) for c in line) + "\n" for line in lines), encoding="utf-8")


def header(way):
    return (
        [["time", "frequency", "C1", "A1", "A1 phase"], ["s", "Hz", "g", "g", "deg"]]
        if way == "units row"
        else [HEADER]
    )


@pytest.mark.parametrize("way", ["comma", "semicolon", "tab", "units row", "sheet"])
@pytest.mark.parametrize("places", [(0,), (3,), (20,), (40,), (10, 20, 21, 22, 50)])
def test_a_row_of_words_is_no_header_of_a_second_table(tmp_path, way, places):
    lines = rows()
    for place in sorted(places, reverse=True):
        lines.insert(place, WORDS)
    path = tmp_path / ("log.xlsx" if way == "sheet" else "log.csv")
    write(path, [*header(way), *lines], way)
    log, control, findings = read_bare_log(path, None)
    assert log is not None, findings
    assert control == ("C1",)
    assert len(log.frequency_hz) == COUNT
    first = len(header(way)) + places[0] + 1
    expected = tuple(len(header(way)) + place + i + 1 for i, place in enumerate(places))
    assert log.rows_skipped == expected
    assert [str(each.where) for each in findings] == [f"{path.name}:{first}"]
    assert f"{len(places)} row{'s' * (len(places) > 1)} of {COUNT + len(places)} could not be read" in said(
        findings[0].message
    )


@pytest.mark.parametrize(
    "words",
    [
        "oops,frequency lost,is,not,a",
        "mark,Freq,sensor,was,touched",
        "time lost,Hz unknown,C1,A1,A1 phase",
        "Freq, lost",
    ],
)
def test_words_that_speak_of_frequency_do_not_end_the_table(tmp_path, words):
    path = tmp_path / "log.csv"
    lines = [",".join(each) for each in (HEADER, *rows())]
    path.write_text("\n".join([*lines[:31], words, *lines[31:]]) + "\n", encoding="utf-8")
    log, _, findings = read_bare_log(path, None)
    assert len(log.frequency_hz) == COUNT
    assert log.rows_skipped == (32,)
    assert len(findings) == 1


def test_a_row_of_words_where_the_second_sweep_starts(tmp_path):
    path = tmp_path / "log.csv"
    second = [[f"{float(t) + 100:.1f}", *rest] for t, *rest in rows()]
    write(path, [HEADER, *rows(), WORDS, *second], "comma")
    log, _, findings = read_bare_log(path, None)
    assert (log.sweeps_in_file, len(log.frequency_hz)) == (2, COUNT)
    assert f"2: up 20 to 200 Hz, lines {COUNT + 3} to {2 * COUNT + 2}" in said(findings[1].message)
    assert "sweep 2: up" in describe_file(path, said)


def test_a_real_second_table_with_as_many_columns_still_ends_the_first(tmp_path):
    path = tmp_path / "log.csv"
    peaks = [["Mode", "Frequency [Hz]", "Amplification", "Q", "Phase"], ["1", "90", "30", "30", "-90"]]
    write(path, [HEADER, *rows(), *peaks], "comma")
    log, _, findings = read_bare_log(path, None)
    assert len(log.frequency_hz) == COUNT
    assert "another table begins here" in said(findings[0].message)


def test_a_row_of_words_in_a_record_is_named_with_its_line(tmp_path):
    path = tmp_path / "record.csv"
    time = np.arange(2000) / 1000.0
    lines = [f"{t:.3f},{np.sin(125 * t):.5f},{np.sin(125 * t + 0.3):.5f}" for t in time]
    path.write_text(
        "\n".join(["time [s],C1 [g],A1 [g]", *lines[:20], "oops,this,is", *lines[20:]]) + "\n", encoding="utf-8"
    )
    log, _, findings = read_bare_log(path, None)
    assert log is not None, findings
    assert log.samples == 2000
    assert "line 22 'oops' in column 'time [s]' is not a number" in said(findings[0].message)
