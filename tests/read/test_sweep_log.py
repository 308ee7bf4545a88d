# ruff: noqa: E501 — tables of shapes, one a line
"""Sweep logs as laboratories have them: one short sweep told in many ways must be read as the same numbers.

The truth is the table at the head of odd_logs/write_odd_logs.py, from which every file is written. Conversions are
checked against the SI: 1 g is 9.80665 m/s² (ISO 80000-3), the peak of a sinusoid is √2 of its rms and half of its
peak-to-peak value.
"""

from __future__ import annotations

import importlib.util
import math
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from reportgen.read.leaps import leaps
from reportgen.read.log import control_among, read_bare_log, read_log
from reportgen.read.log_columns import LogWanted
from reportgen.read.sweep_log import read_sweep_log
from reportgen.read.table.table import read_table, recognise, table_blocks
from reportgen.read.table.text_encoding import looks_binary
from reportgen.records.finding import Severity
from reportgen.records.stretch import stretches
from reportgen.render.catalogue import said as in_words
from reportgen.render.terminal import finding_line
from reportgen.units import Detector

ODD = Path(__file__).resolve().parent / "odd_logs"
_spec = importlib.util.spec_from_file_location("write_odd_logs", ODD / "write_odd_logs.py")
truth = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(truth)

G = 9.80665
ALL = tuple(range(12))


def without(*rows):
    return tuple(i for i in ALL if i not in rows)


# file: (rows of the truth, first lines, what the findings must say)
READ = {
    "plain.csv": (ALL, 2, ()),
    "semicolon_decimal_comma.csv": (ALL, 2, ()),
    "tab.txt": (ALL, 2, ()),
    "tab_decimal_comma.txt": (ALL, 2, ()),
    "pipe.txt": (ALL, 2, ()),
    "markdown.md": (ALL, 5, ()),
    "fixed_width.txt": (ALL, 2, ()),
    "comma_and_blank.csv": (ALL, 2, ()),
    "units_row.csv": (ALL, 3, ()),
    "units_row_brackets.csv": (ALL, 3, ()),
    "units_round.csv": (ALL, 2, ()),
    "units_stroke.csv": (ALL, 2, ()),
    "units_words.csv": (ALL, 2, ()),
    "units_underscore.csv": (ALL, 2, ()),
    "preamble_long.csv": (ALL, 68, ()),
    "preamble_with_table.csv": (ALL, 8, ()),
    "remarks.csv": (ALL, 4, ()),
    "header_as_remark.csv": (ALL, 2, ()),
    "message_rows.csv": (ALL, 2, (r":4: warning: 3 rows of 15 .* line 4 .*'PAUSE'.*line 8 .*ABORT.*line 11 .*resumed",)),
    "words_in_a_row.csv": (ALL, 2, (r":3: warning: 1 row of 13 .*line 3 'x' in column 'C1 \[g\]' is not a number .'oops,,x,,lost'",)),
    "repeated_header.csv": (ALL, 2, ()),
    "trailing_delimiter.csv": (ALL, 2, ()),
    "trailing_delimiter_rows.csv": (ALL, 2, ()),
    "crlf.csv": (ALL, 2, ()),
    "carriage_return.csv": (ALL, 2, ()),
    "blank_lines.csv": (ALL, 3, ()),
    "no_time.csv": (ALL, 2, ()),
    "no_phase.csv": (ALL, 2, ()),
    "rms.csv": (ALL, 2, ()),
    "peak_to_peak.csv": (ALL, 2, ()),
    "radians.csv": (ALL, 2, ()),
    "status_column.csv": (ALL, 2, (r":1: note: .*'Status' \(holds no numbers\)",)),
    "temperature_column.csv": (ALL, 2, ()),
    "no_reading.csv": (ALL, 2, (r":4: warning: 2 cells without a reading.*line 4.*'--'.*line 9.*'OVL'",)),
    "spreadsheet_errors.csv": (ALL, 2, (r":4: warning: 2 cells without a reading.*line 4.*'inf'.*line 9.*'#N/A'",)),
    "thousands.csv": (ALL, 2, ()),
    "quoted.csv": (ALL, 2, ()),
    "quoted_decimal_comma.csv": (ALL, 2, ()),
    "time_glitch.csv": (without(6), 2, (r":8: warning: time goes back from 2.5 s to 1.25 s; 1 row \(line 8\) left out",)),
    "clock_starts_anew.csv": (ALL, 2, (r":8: warning: the clock starts anew \(from 2.5 s to 0 s, line 8\): the pieces are put one after another",)),
    "clock_time.csv": (ALL, 2, ()),
    "date_time.csv": (ALL, 2, ()),
    "bad_frequency.csv": (ALL, 2, (r":5: warning: 3 rows of 15 .*line 5 .*0 Hz; line 9 .*−40 Hz; line 12 has no frequency",)),
    "frequency_leap.csv": (without(4), 2, (r":6: warning: 1 row of 12 .*1900 Hz between rows that lie far off",)),
    "negative_amplitude.csv": (ALL, 2, (r":7: warning: 1 amplitude below zero.*line 7, 'A1 \[g\]'",)),
    "short_row.csv": (without(11), 2, (r":13: warning: 1 row of 12 .*has 3 columns where 5 are expected",)),
    "long_row.csv": (ALL, 2, (r":6: warning: 1 row of 13 .*has 7 columns where 5 are expected",)),
    "zeros_at_end.csv": (ALL, 2, (r":14: warning: .*40 zero bytes",)),
    "two_name_rows.csv": (ALL, 4, ()),
    "transmissibility.csv": (ALL, 2, ()),
    "fortran_exponents.csv": (ALL, 2, ()),
    "true_minus.csv": (ALL, 2, ()),
    "mixed_units.csv": (ALL, 2, ()),
    "named_like_a_recording.wav": (ALL, 2, ()),
    "utf8_mark.csv": (ALL, 2, ()),
    "utf16_mark.csv": (ALL, 4, ()),
    "utf16_big_mark.csv": (ALL, 4, ()),
    "utf16_no_mark.csv": (ALL, 4, ()),
    "windows1252.csv": (ALL, 4, ()),
    "spreadsheet.xlsx": (ALL, 6, ()),
    "spreadsheet_with_word.xlsx": (without(2), 6, (r":8: warning: 1 row of 12 .*'ABORT' in column 'frequency'",)),
    "thousands_semicolon.csv": (ALL, 2, ()),
    "thousands_blank.csv": (ALL, 2, ()),
    "thousands_apostrophe.csv": (ALL, 2, ()),
    "header_twice.csv": (ALL, 3, ()),
    "header_with_units_again.csv": (ALL, 3, ()),
    "beyond_range.csv": (ALL, 2, (r":9: warning: 1 cell without a reading.*line 9.*'>10'",)),
    "not_a_number.csv": (ALL, 2, (r":9: warning: 1 cell without a reading.*line 9.*'1.#QNAN'",)),
    "decibels.csv": (ALL, 2, ()),
    "transmissibility_decibels.csv": (ALL, 2, ()),
    "time_past_midnight.csv": (ALL, 2, ()),
    "time_of_day_points.csv": (ALL, 2, (r":2: warning: the times in column 'time' \('09.14.00.0'\) are not understood and not used; write",)),
    "time_stands_still.csv": (ALL, 2, (r":2: warning: time stands still at 0 s: it is not used",)),
    "same_name_twice.csv": (ALL, 2, (r":1: note: .*'A1 \[g\]' \(column 5; A1 is column 4, 'A1 \[g\]'\)",)),
    "summary_at_end.csv": (ALL, 2, (r":15: warning: 2 rows of 14 .*line 15 'Maximum'.*line 16 'Mean'",)),
    "peak_table_at_end.csv": (ALL, 2, (r":15: warning: another table begins here .*its 2 rows are not read",)),
    "carriage_return_semicolon.csv": (ALL, 2, ()),
    "tabs_and_blanks.txt": (ALL, 2, ()),
    "quoted_decimal_comma_in_comma.csv": (ALL, 2, ()),
    "limits_beside.csv": (ALL, 2, (r":1: note: .*'C1 low \[g\]' \(a limit or an extreme beside C1, no reading\)",)),
    "boxed.txt": (ALL, 3, ()),
    "kilohertz_milli_g.csv": (ALL, 2, ()),
    "phase_without_unit.csv": (ALL, 2, (r":1: warning: phase 'A1 phase' has no unit; degrees are taken",)),
    "clock_datum_zeit.csv": (ALL, 2, ()),
    "clock_datum_uhrzeit.csv": (ALL, 2, ()),
    "clock_comma.csv": (ALL, 2, ()),
    "clock_two_columns.csv": (ALL, 2, ()),
    "clock_two_columns_midnight.csv": (ALL, 2, ()),
    "clock_zeitstempel.csv": (ALL, 2, ()),
    "clock_timestamp_zone.csv": (ALL, 2, ()),
    "clock_timestamp_utc.csv": (ALL, 2, ()),
    "clock_zone_changes.csv": (ALL, 2, ()),
    "clock_american.csv": (ALL, 2, ()),
    "clock_american_midnight.csv": (ALL, 2, ()),
    "clock_british_midnight.csv": (ALL, 2, ()),
    "clock_afternoon.csv": (ALL, 2, ()),
    "clock_twelve_hours.csv": (ALL, 2, ()),
    "clock_form_in_header.csv": (ALL, 2, ()),
    "clock_form_in_brackets.csv": (ALL, 2, ()),
    "clock_colon_milliseconds.csv": (ALL, 2, ()),
    "clock_month_name.csv": (ALL, 2, ()),
    "clock_french.csv": (ALL, 2, ()),
    "excel_fraction_of_a_day.csv": (ALL, 2, ()),
    "microseconds.csv": (ALL, 2, ()),
    "milliseconds.csv": (ALL, 2, ()),
    "german_seconds.csv": (ALL, 2, ()),
    "clock_summer_time.csv": (ALL, 2, (r":8: warning: the clock was set by an hour here \(29.03.2026 01:59:59.750 to 29.03.2026 03:00:00.250\)",)),
    "clock_winter_time.csv": (ALL, 2, (r":8: warning: the clock was set by an hour here \(02:59:59.750 to 02:00:00.250\)",)),
    "epoch_seconds.csv": (ALL, 2, (r":1: note: column 'timestamp' has no unit; its numbers are seconds since 1970",)),
    "epoch_milliseconds.csv": (ALL, 2, (r":1: note: .*milliseconds since 1970",)),
    "epoch_microseconds.csv": (ALL, 2, (r":1: note: .*microseconds since 1970",)),
    "excel_serial.csv": (ALL, 2, (r":1: note: .*days since 1899-12-30",)),
    "elapsed.csv": (ALL, 2, (r":1: warning: column 'Elapsed' has no unit; s is taken",)),
    "t_alone.csv": (ALL, 2, (r":1: warning: column 't' has no unit; s is taken",)),
    "date_constant.csv": (ALL, 2, (r":1: note: .*'Date' \(a date beside times that count on\)",)),
    "date_not_understood.csv": (ALL, 2, (r":2: warning: the dates in column 'Datum' \('KW 11'\) are not understood",)),
}  # fmt: skip

# file: what the errors must say
REFUSED = {
    "cells_with_units.csv": (r":1: error: the frequency column 'frequency \[Hz\]' holds no numbers",),
    "no_unit.csv": (r":1: error: column 'C1' has no unit; .*'C1 \[g\]'.*\"C1\" = \"C1 / g\"", r"column 'A1' has no unit"),
    "unknown_unit.csv": (r":1: error: column 'C1 \[gg\]' has the unit 'gg', which is not known",),
    "no_header.csv": (r":1: error: the rows have no header; write one",),
    "header_too_short.csv": (r":2: error: .*line 1 .* has 3 names where the rows have 5 columns",),
    "no_frequency.csv": (r":1: error: there is no frequency column; the columns are 'time \[s\]', 'C1 \[g\]'",),
    "no_amplitude.csv": (r":1: error: there is no amplitude column",),
    "header_only.csv": (r":1: error: no row of numbers",),
    "one_row.csv": (r":2: error: 1 row can be used; at least 3 are needed",),
    "words_only.txt": (r":2: error: no row of numbers in 2 lines",),
    "phase_ambiguous.csv": (r":1: error: phase 'A1 phase' .*radians or degrees",),
    "mostly_damaged.csv": (r":2: error: 18 rows of 30 could not be read",),
    "empty.csv": (r":1: error: the file is empty",),
    "blank.csv": (r":1: error: the file is empty",),
    "binary.csv": (r":1: error: is neither text nor a known format",),
    "decibels_of_nothing.csv": (r":1: error: column 'C1 \[dB\]' is in decibels and does not say of what; .*\[dB re 1 g\]",),
    "decimal_comma_in_comma.csv": (r":2: error: .*line 1 .* has 5 names where the rows have 10 columns",),
    "comma_in_a_name.csv": (r":2: error: .*line 1 .* has 6 names where the rows have 5 columns",),
    "phase_in_gon.csv": (r":1: error: phase 'A1 phase \[gon\]' has the unit 'gon', which is not known; .*degrees or radians",),
    "compressed.csv": (r":1: error: is compressed \(gzip\); unpack it",),
    "mapped.csv": (r"no frequency column",),
    "numbered_channels.csv": (r"no channel is named like a control; the log has 'Ch 1', 'Ch 3'; name one: --control NAME",),
}  # fmt: skip

# files with more than one sweep or another course: read in tests of their own
OTHER = {"sweep_down.csv", "three_sweeps.csv", "two_sweeps_with_return.csv", "hold.csv", "role_before_name.csv"}


def read(name, **told):
    return read_sweep_log(ODD / name, LogWanted(name=name, **told))


def said(findings):
    return "\n".join(map(finding_line, findings))


def test_every_odd_log_is_in_the_table_and_as_its_writer_writes_it():
    there = {path.name for path in ODD.iterdir() if path.suffix != ".py" and path.is_file()}
    assert there == set(READ) | set(REFUSED) | OTHER
    for name, content in truth.texts().items():
        assert (ODD / name).read_bytes() == content.encode("utf-8"), name
    for name, content in truth.binaries().items():
        assert (ODD / name).read_bytes() == content, name
    assert len(there) >= 30


@pytest.mark.parametrize("name", READ)
def test_odd_logs_are_read_as_meant(name):
    rows, first_line, expected = READ[name]
    log, findings = read(name)
    assert log is not None, said(findings)
    assert not [each for each in findings if each.severity is Severity.ERROR]
    rows = list(rows)
    assert log.frequency_hz == pytest.approx(np.array(truth.FREQUENCY)[rows], rel=1e-9)
    gaps = {
        "beyond_range.csv": 7,
        "not_a_number.csv": 7,
        "no_reading.csv": 7,
        "spreadsheet_errors.csv": 7,
        "negative_amplitude.csv": 5,
    }
    a1 = np.array(truth.A1) * G
    if name in ("transmissibility.csv", "transmissibility_decibels.csv"):
        a1 = np.array(truth.A1) / np.array(truth.C1)
        assert log.trace("A1").dimension == "ratio"
    if name in gaps:
        a1[gaps[name]] = np.nan
    assert log.trace("C1").amplitude == pytest.approx(np.array(truth.C1)[rows] * G, rel=1e-6)
    assert log.trace("A1").amplitude == pytest.approx(a1[rows], rel=1e-6, nan_ok=True)
    check_phase_and_time(name, log, rows)
    assert log.row_line[0] == first_line
    assert all(re.search(each, said(findings)) for each in expected), said(findings)
    if not expected:
        assert not findings, said(findings)


def check_phase_and_time(name, log, rows):
    phase = np.array(truth.PHASE)
    if name in ("no_reading.csv", "spreadsheet_errors.csv"):
        phase[2] = np.nan
    if name == "no_phase.csv":
        assert log.trace("A1").phase_deg is None
    else:
        assert log.trace("A1").phase_deg == pytest.approx(phase[rows], abs=1e-6, nan_ok=True)
    assert log.trace("C1").phase_deg is None
    if name in ("no_time.csv", "time_of_day_points.csv", "time_stands_still.csv"):
        assert log.time_s is None
    else:
        assert log.time_s == pytest.approx(np.array(truth.TIME)[rows], abs=2e-6)


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_read_is_refused_with_a_useful_message(name):
    log, _, findings = read_bare_log(ODD / name, None)
    assert log is None
    assert all(re.search(each, said(findings)) for each in REFUSED[name]), said(findings)
    for each in findings:
        assert re.match(r"[^:]+:\d+$", str(each.where)), each


def test_a_phase_finds_its_channel_though_a_role_stands_before_the_name():
    log, findings = read("role_before_name.csv")
    assert not findings, said(findings)
    assert log.trace("Antwort A1").phase_deg == pytest.approx(np.array(truth.PHASE))
    assert log.trace("Antwort A1").amplitude == pytest.approx(np.array(truth.A1) * G)


def test_decibels_by_a_mapping():
    """0 dB is what the mapping says: 20 lg of 1 g over 2 g is -6.02 dB."""
    told = LogWanted(name="x", mapping=(("C1", "C1 [dB] / (dB re 2 g)"), ("A1", "A1 [dB] / (dB re 1 m/s^2)")))
    log, findings = read_sweep_log(ODD / "decibels_of_nothing.csv", told)
    assert log is not None, said(findings)
    assert log.trace("C1").amplitude == pytest.approx(2 * G * np.array(truth.C1), rel=1e-6)
    assert log.trace("A1").amplitude == pytest.approx(np.array(truth.A1), rel=1e-6)


def remarks(name):
    """What a log says of itself, in words."""
    return tuple(map(in_words, read(name)[0].remarks))


def test_remarks_and_preamble_are_kept_as_written():
    assert remarks("remarks.csv") == (
        "# log of the morning", "# operator: M. Example", "line 7: # level -6 dB",
    )  # fmt: skip
    assert remarks("windows1252.csv") == ("Prüfling: Träger", "Länge: 1 µm")
    assert remarks("utf16_no_mark.csv") == ("Prüfling: Träger", "Länge: 1 µm")
    preamble = remarks("preamble_long.csv")
    assert preamble[0] == "Prüfung;Sweep;Sinus"
    assert len(preamble) == len([line for line in truth.long_preamble().split("\n") if line])
    assert len(remarks("repeated_header.csv")) == 2


def test_the_layout_is_put_into_words():
    assert in_words(read("windows1252.csv")[0].layout) == (
        "Windows-1252, ';' between columns, decimal comma, names in line 3, rows from line 4"
    )
    assert (
        in_words(read("spreadsheet.xlsx")[0].layout)
        == "sheet 'Data', names in line 4, units in line 5, rows from line 6"
    )


def test_skipped_rows_are_counted_by_their_lines():
    assert read("message_rows.csv")[0].rows_skipped == (4, 8, 11)
    assert read("bad_frequency.csv")[0].rows_skipped == (5, 9, 12)


def test_a_mapping_gives_columns_their_meaning_factor_and_sign():
    told = (("time", "Zeit / s"), ("frequency", "Antrieb / Hz"), ("C1", "Ch 1 / g"), ("A1", "Ch 3 / (50 g)"),
            ("A1 phase", "Ph 3 / rad"))  # fmt: skip
    log, findings = read("mapped.csv", mapping=told)
    assert not findings, said(findings)
    assert log.trace("A1").amplitude == pytest.approx(np.array(truth.A1) * 50 * G)
    assert log.trace("A1").phase_deg == pytest.approx(np.degrees(truth.PHASE))
    turned, _ = read("mapped.csv", mapping=(*told[:3], ("A1", "Ch 3 / (-1 g)"), ("A1 phase", "Ph 3 / deg")))
    assert turned.trace("A1").amplitude == pytest.approx(np.array(truth.A1) * G)
    assert turned.trace("A1").phase_deg == pytest.approx(np.array(truth.PHASE) + 180.0)


def test_a_mapping_that_names_no_column_lists_those_there_are():
    log, findings = read("mapped.csv", mapping=(("C1", "Ch 9 / g"),), where="job.toml:12")
    assert log is None
    assert "job.toml:12: error: [run.columns] 'C1': there is no column 'Ch 9'; the file has 'Zeit', 'Antrieb'" in said(
        findings
    )


def test_a_phase_finds_its_channel_by_number():
    log, findings = read("numbered_channels.csv")
    assert not findings
    assert log.trace("Ch 3").phase_deg is not None
    assert log.trace("Ch 1").phase_deg is None


def test_the_run_says_how_plain_amplitudes_are_meant_and_a_unit_of_its_own_overrides():
    log, _ = read("plain.csv", amplitude=Detector.RMS)
    assert log.trace("A1").amplitude == pytest.approx(np.array(truth.A1) * G * math.sqrt(2))
    log, _ = read("peak_to_peak.csv", amplitude=Detector.RMS)
    assert log.trace("A1").amplitude == pytest.approx(np.array(truth.A1) * G)
    log, _ = read("transmissibility.csv", amplitude=Detector.RMS)
    assert log.trace("A1").amplitude == pytest.approx(np.array(truth.A1) / np.array(truth.C1))


def test_decibels_are_read_only_of_a_named_ratio(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("frequency [Hz],C1 [g],A1/C1 [dB],A2 [dB]\n5,1,20,0\n6,1,6.0206,0\n7,1,0,0\n", encoding="utf-8")
    log, findings = read_sweep_log(path, LogWanted(name="log.csv"))
    assert log.trace("A1").amplitude == pytest.approx([10, 2, 1], rel=1e-5)
    assert log.trace("A2") is None
    assert "'A2 [dB]'" in said(findings)


def test_a_sweep_down_and_a_hold_are_one_sweep_each():
    for name in ("sweep_down.csv", "hold.csv"):
        log, findings = read(name)
        assert not findings, said(findings)
        assert (log.sweep_index, log.sweeps_in_file, len(log.frequency_hz)) == (1, 1, 12)


def test_several_sweeps_are_offered_and_chosen():
    log, findings = read("three_sweeps.csv", run="X", where="job.toml:7")
    assert log.sweeps_in_file == 3
    assert log.frequency_hz == pytest.approx(truth.FREQUENCY)
    assert (
        "job.toml:7: warning: [[run]] X: three_sweeps.csv holds 3 sweeps (1: up 5 to 1650 Hz, lines 2 to 13;"
        in said(findings)
    )
    second, findings = read("three_sweeps.csv", sweep=2)
    assert second.sweep_index == 2
    assert not findings
    assert (np.diff(second.frequency_hz) < 0).all()
    assert second.row_line[0] == 14
    none, findings = read("three_sweeps.csv", sweep=4)
    assert none is None
    assert "sweep = 4, but three_sweeps.csv holds 3" in said(findings)
    whole, _ = read("three_sweeps.csv", split=False)
    assert len(whole.frequency_hz) == 34


def test_a_return_jump_parts_two_sweeps():
    log, _ = read("two_sweeps_with_return.csv", sweep=2)
    assert log.frequency_hz == pytest.approx(truth.FREQUENCY)
    assert log.sweeps_in_file == 2


@pytest.mark.parametrize("jitter", [0.0, 0.01, 0.03])
def test_sweeps_are_parted_whatever_the_jitter(jitter):
    rng = np.random.default_rng(5)
    up = np.geomspace(5, 2000, 4000)
    there_and_back = np.concatenate([up, up[::-1], np.geomspace(2000, 5, 10), up])
    found = stretches(there_and_back * (1 + jitter * rng.standard_normal(len(there_and_back))))
    assert [each.direction for each in found] == ["up", "down", "up"]
    assert abs(found[0].stop - 4000) < 60


def test_a_look_back_at_a_resonance_and_steps_and_holds_split_nothing():
    up = np.concatenate(
        [np.geomspace(5, 120, 800), np.geomspace(120, 105, 60), np.full(200, 105.0), np.geomspace(105, 2000, 900)]
    )
    assert len(stretches(up)) == 1
    assert len(stretches(np.repeat(np.geomspace(5, 50, 20), 30))) == 1
    assert len(stretches(50 + 0.3 * np.sin(np.arange(500.0)))) == 1


def test_a_single_row_far_off_is_a_leap_but_a_turn_or_a_return_is_none():
    course = np.geomspace(10, 100, 50)
    course[20] = 1500.0
    assert leaps(course).tolist() == [20]
    assert not len(leaps(np.concatenate([course[:20], course[:20]])))
    assert not len(leaps(np.concatenate([course[21:], course[21:][::-1]])))


def job_with(tmp_path, text, log="plain.csv"):
    from reportgen.judge.checks import CHECKS
    from reportgen.read.job.job_file import read_job

    (tmp_path / "logs").mkdir()
    (tmp_path / "logs" / "x.csv").write_bytes((ODD / log).read_bytes())
    head = ('[report]\nnumber="1"\ntitle="T"\ndate=2026-03-20\n[laboratory]\nname="L"\n[customer]\nname="C"\n'
            '[specimen]\nname="S"\n')  # fmt: skip
    (tmp_path / "job.toml").write_text(head + text, encoding="utf-8")
    job, findings = read_job(tmp_path, CHECKS)
    assert job is not None, said(findings)
    return job


def test_a_wrong_control_name_lists_what_the_log_has(tmp_path):
    job = job_with(tmp_path, '[[run]]\nid="X"\nkind="survey"\nlog="logs/x.csv"\ncontrol=["C2"]\n')
    log, findings = read_log(job, job.runs[0])
    assert log is None
    assert re.search(
        r"job.toml:11: error: \[\[run\]\] X: control channel 'C2' is not in logs/x.csv, which has 'C1', 'A1'",
        said(findings),
    )


def test_a_log_is_read_through_the_job_and_findings_name_it_as_the_job_does(tmp_path):
    job = job_with(tmp_path, '[[channel]]\nid="C1"\nrole="control"\n[[run]]\nid="X"\nkind="survey"\nlog="logs/x.csv"\n',
                   "message_rows.csv")  # fmt: skip
    log, findings = read_log(job, job.runs[0])
    assert log.path == "logs/x.csv"
    assert "logs/x.csv:4: warning: 3 rows" in said(findings)
    assert "channels that no [[channel]] declares: 'A1'" in said(findings)


def test_a_dwell_is_never_split(tmp_path):
    job = job_with(tmp_path, '[[run]]\nid="X"\nkind="dwell"\nlog="logs/x.csv"\ncontrol="C1"\n', "three_sweeps.csv")
    log, _ = read_log(job, job.runs[0])
    assert len(log.frequency_hz) == 34


def test_quicklook_guesses_the_control_only_from_its_name():
    assert read_bare_log(ODD / "plain.csv", None)[1] == ("C1",)
    assert read_bare_log(ODD / "numbered_channels.csv", "ch 1")[1] == ("Ch 1",)
    chosen, fault = control_among(("Ch 1", "Ch 2"), "Ch 7", "x:1")
    assert chosen is None
    assert "did you mean" in in_words(fault[0].message)
    log, control, findings = read_bare_log(ODD / "there_is_none.csv", None)
    assert (log, control) == (None, ())
    assert "there is no file" in said(findings)


def _bare(tmp_path, header, rows):
    path = tmp_path / "log.csv"
    path.write_text("\n".join([header, *(",".join(map(str, row)) for row in rows)]) + "\n", encoding="utf-8")
    return read_bare_log(path, None)[1]


def test_control_sensors_of_one_table_are_averaged_in_a_quick_look(tmp_path):
    frequency = np.linspace(5.0, 50.0, 40)
    alike = [(f, 1.0, 1.05, 2.0) for f in frequency]
    assert _bare(tmp_path, "frequency [Hz],C1 [g],C2 [g],A1 [g]", alike) == ("C1", "C2")
    assert _bare(tmp_path, "frequency [Hz],Control 1 [g],Control 2 [g],A1 [g]", alike) == ("Control 1", "Control 2")


def test_what_may_not_be_a_second_control_is_none(tmp_path):
    frequency = np.linspace(5.0, 50.0, 40)
    alike = [(f, 1.0, 1.05, 2.0) for f in frequency]
    one = ("C1",)
    assert _bare(tmp_path, "frequency [Hz],C1 [g],C2 [g],C3 [g]", alike) == one  # C may stand for channel
    assert _bare(tmp_path, "frequency [Hz],C1 [g],C2 [m/s],A1 [g]", alike) == one
    assert _bare(tmp_path, "frequency [Hz],C1 [g],2 [g],A1 [g]", alike) == one
    assert _bare(tmp_path, "frequency [Hz],C1 [g],Control [g],A1 [g]", alike) == one
    resonant = [(f, 1.0, 1.0 if f < 44.0 else 3.0, 2.0) for f in frequency]
    assert _bare(tmp_path, "frequency [Hz],C1 [g],C2 [g],A1 [g]", resonant) == one
    turned = [(f, 1.0, 30.0, 1.05, 31.0, 2.0) for f in frequency]
    assert _bare(tmp_path, "frequency [Hz],C1 [g],C1 phase [deg],C2 [g],C2 phase [deg],A1 [g]", turned) == one


def test_a_line_without_end_is_refused(tmp_path):
    path = tmp_path / "log.csv"
    path.write_bytes(truth.text().encode() + b"1" * 9_000_000 + b"\n5.5,1700,0.5,0.5,-3\n")
    log, findings = read_sweep_log(path, LogWanted(name="log.csv"))
    assert log is None or any("line 14" in finding_line(each) for each in findings), said(findings)


def test_a_preamble_longer_than_the_first_look_is_passed(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text(
        "".join(f"remark number {i} of a long preamble\n" for i in range(3000)) + truth.text(), encoding="utf-8"
    )
    log, findings = read_sweep_log(path, LogWanted(name="log.csv"))
    assert log is not None, said(findings)
    assert log.row_line[0] == 3002


def test_a_log_damaged_everywhere_is_read_as_fast_as_it_must_be(tmp_path):
    """Every second row a message: each is counted, none lost, and it takes no minute."""
    rows = [f"{i / 10},{5 + i * 0.01:.3f},0.5,0.5,0\nlimit in row {i}" for i in range(20_000)]
    path = tmp_path / "log.csv"
    path.write_text(",".join(truth.HEADER) + "\n" + "\n".join(rows) + "\n", encoding="utf-8")
    layout = recognise(path, "log.csv")
    block = read_table(path, layout, [0, 1, 2, 3, 4])
    assert (len(block.values), len(block.rejected)) == (20_000, 20_000)


cell = st.one_of(
    st.floats(0.001, 5000, allow_nan=False).map(lambda v: f"{v:.4f}"),
    st.sampled_from(
        ["OVL", "--", "", "NaN", "ABORT", "1.5e3", "1D2", "0,5", "x y", "#N/A", "\x00", "∞", '"', "1'234.5"]
    ),
)
line = st.one_of(
    st.lists(cell, min_size=0, max_size=6).map(",".join),
    st.sampled_from(["", "# remark", "time [s],frequency [Hz],C1 [g]", "ABORT", ",,", "---", "\x1a"]),
    st.text(st.characters(exclude_characters="\n\r", exclude_categories=["Cs"]), max_size=20),
)


@settings(max_examples=120, deadline=None)
@given(st.lists(line, max_size=25), st.sampled_from(["\n", "\r\n"]))
def test_no_line_is_lost_whatever_the_rows_hold(tmp_path_factory, lines, end):
    """Every line below the header is a row, a remark, a rejected line, or blank; and nothing crashes."""
    good = ["0.0,5.0,0.5", "0.1,6.0,0.5", "0.2,7.0,0.5", "0.3,8.0,0.5"] * 8
    content = end.join(["time [s],frequency [Hz],C1 [g]", *good, *lines]) + end
    path = tmp_path_factory.mktemp("rows") / "log.csv"
    path.write_bytes(content.encode("utf-8"))
    assume(not looks_binary(path.read_bytes()))  # then the file is refused as a whole
    layout = recognise(path, "log.csv")
    block = read_table(path, layout, [0, 1, 2])
    accounted = [*block.lines.tolist(), *(r.line for r in block.rejected), *(place for place, _ in block.remarks)]
    assert len(accounted) == len(set(accounted))
    blank = {i for i, each in enumerate(content.split("\n"), start=1) if not each.strip("-=|+:_ \t;,\x1a\r")}
    assert set(accounted) | blank == set(range(1, content.count("\n") + 2)) - set(range(1, layout.data_line)) | blank
    assert block.lines.tolist() == sorted(block.lines.tolist())
    read_sweep_log(path, LogWanted(name="log.csv"))


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=600))
def test_no_bytes_crash_the_reader(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("bytes") / "log.csv"
    path.write_bytes(content)
    log, _, findings = read_bare_log(path, None)
    assert log is not None or any(each.severity is Severity.ERROR for each in findings)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0.01, 1e4), st.floats(1e-6, 1e5)), min_size=3, max_size=40),
    st.sampled_from([(";", ","), ("\t", ","), (",", "."), ("|", "."), (";", ".")]),
)
def test_numbers_come_back_as_written(tmp_path_factory, rows, signs):
    sep, decimal = signs
    lines = [sep.join(["frequency [Hz]", "C1 [m/s²]"])]
    lines += [sep.join(repr(v).replace(".", decimal) for v in row) for row in rows]
    path = tmp_path_factory.mktemp("numbers") / "log.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    layout = recognise(path, "log.csv")
    block = read_table(path, layout, [0, 1])
    assert block.values.tolist() == [list(row) for row in rows]


def test_small_blocks_give_the_same_rows_as_one():
    for name in ("plain.csv", "message_rows.csv", "utf16_mark.csv", "carriage_return.csv", "blank_lines.csv"):
        layout = recognise(ODD / name, name)
        columns = [0, 1, 2, 3]
        whole = read_table(ODD / name, layout, columns)
        pieces = list(table_blocks(ODD / name, layout, columns, block_bytes=64))
        assert len(pieces) > 1 or layout.carriage_return
        assert np.concatenate([each.values for each in pieces]) == pytest.approx(whole.values)
        assert np.concatenate([each.lines for each in pieces]).tolist() == whole.lines.tolist()
        assert [r.line for each in pieces for r in each.rejected] == [r.line for r in whole.rejected]


def log_of(tmp_path, content, **told):
    path = tmp_path / "log.csv"
    path.write_text(content, encoding="utf-8")
    return read_sweep_log(path, LogWanted(name="log.csv", **told))


def test_real_and_imaginary_parts_become_amplitude_and_phase(tmp_path):
    log, findings = log_of(tmp_path, "frequency [Hz],C1 [g],A1 real [g],A1 imag [g]\n5,1,3,4\n6,1,0,-2\n7,1,-1,0\n")
    assert not findings, said(findings)
    assert log.trace("A1").amplitude == pytest.approx(np.array([5, 2, 1]) * G)
    assert log.trace("A1").phase_deg == pytest.approx([math.degrees(math.atan2(4, 3)), -90, 180])
    log, findings = log_of(tmp_path, "frequency [Hz],C1 [g],A1 real [g]\n5,1,3\n6,1,0\n7,1,-1\n")
    assert log.trace("A1") is None
    assert "a real part without an imaginary part" in said(findings)


def test_columns_of_frequency_that_differ_are_refused_and_equal_ones_are_fine(tmp_path):
    head = "frequency [Hz],C1 [g],frequency [Hz],A1 [g]\n"
    log, findings = log_of(tmp_path, head + "5,1,5,2\n6,1,6,2\n7,1,7,2\n")
    assert log is not None
    assert "a second frequency" in said(findings)
    log, findings = log_of(tmp_path, head + "5,1,5,2\n6,1,6.5,2\n7,1,7,2\n")
    assert log is None
    assert re.search(
        r"log.csv:3: error: the frequency columns differ: .* has 6.5 Hz, the first one 6 Hz, in 1 row", said(findings)
    )


def test_demand_and_limits_are_no_channels_unless_declared(tmp_path):
    content = "frequency [Hz],C1 [g],Demand [g],Alarm upper [g],A1 [g]\n" + "5,1,1,2,1\n6,1,1,2,1\n7,1,1,2,1\n"
    log, findings = log_of(tmp_path, content)
    assert [trace.channel for trace in log.traces] == ["C1", "A1"]
    assert "'Demand [g]' (a demand or a limit, no reading), 'Alarm upper [g]'" in said(findings)
    assert log_of(tmp_path, content, channels=("Demand",))[0].trace("Demand") is not None


def test_rows_written_against_the_time_are_turned_round(tmp_path):
    log, findings = log_of(tmp_path, "time [s],frequency [Hz],C1 [g]\n3,5,1\n2,6,2\n1,7,3\n0,8,4\n")
    assert log.time_s.tolist() == [0, 1, 2, 3]
    assert log.frequency_hz.tolist() == [8, 7, 6, 5]
    assert log.row_line.tolist() == [5, 4, 3, 2]
    assert "time runs backwards all through" in said(findings)


def test_an_unknown_unit_of_frequency_or_time_is_no_hertz_and_no_second(tmp_path):
    for head in ("time [s],frequency [rad/s],C1 [g]", "time [ticks],frequency [Hz],C1 [g]"):
        log, findings = log_of(tmp_path, head + "\n0,5,1\n1,6,1\n2,7,1\n")
        assert log is None
        assert "which is no known unit of" in said(findings)


def test_the_sheet_can_be_named():
    log, findings = read("spreadsheet.xlsx", mapping=(("sheet", "Data"),))
    assert log is not None
    assert not findings
    log, findings = read("spreadsheet.xlsx", mapping=(("sheet", "Dta"),))
    assert log is None
    assert "there is no sheet 'Dta'; did you mean 'Data'?" in said(findings)
    log, findings = read("spreadsheet.xlsx", mapping=(("sheet", "Cover"),))
    assert "no rows of numbers in 'Cover'" in said(findings)


def test_a_column_that_is_mostly_empty_is_read_and_counted(tmp_path):
    rows = [f"{500 + i},25;1,5;{'2,5' if i % 50 == 0 else ''};OVL" for i in range(20_000)]
    log, findings = log_of(tmp_path, "frequency [Hz];C1 [g];A1 [g];A2 [g]\n" + "\n".join(rows) + "\n")
    assert len(log.frequency_hz) == 20_000
    assert int(np.isfinite(log.trace("A1").amplitude).sum()) == 400
    assert "log.csv:2: warning: 39\u202f600 cells without a reading, kept as gaps: line 2, A2 [g]: 'OVL'" in said(
        findings
    )
    assert "and 39596 more" in said(findings)


def test_a_number_too_large_for_a_number_is_none(tmp_path):
    log, findings = log_of(tmp_path, "frequency [Hz],C1 [g]\n5,1\n6,1e400\n7,1\n8,1\n")
    assert not np.isinf(log.trace("C1").amplitude).any()
    assert "line 3" in said(findings)


def test_a_log_with_none_of_the_declared_responses_is_told(tmp_path):
    job = job_with(tmp_path, '[[channel]]\nid="C1"\nrole="control"\n[[channel]]\nid="Tip"\nrole="response"\n'
                   '[[run]]\nid="X"\nkind="survey"\nlog="logs/x.csv"\n')  # fmt: skip
    _, findings = read_log(job, job.runs[0])
    assert "none of the response channels 'Tip' is in logs/x.csv, which has 'C1', 'A1'; map them" in said(findings)


def test_channels_that_only_the_logs_name_are_added_with_a_role(tmp_path):
    from reportgen.read.log import with_channels_of_logs

    job = job_with(tmp_path, '[[run]]\nid="X"\nkind="survey"\nlog="logs/x.csv"\n')
    log, _ = read_log(job, job.runs[0])
    whole, findings = with_channels_of_logs(job, [log])
    assert [(each.id, str(each.role)) for each in whole.channels] == [("C1", "control"), ("A1", "response")]
    assert whole.control_of(whole.runs[0]) == ("C1",)
    assert len(findings) == 2


UNIT_STYLES = {
    "square": "{0} [{1}]",
    "round": "{0} ({1})",
    "stroke": "{0}/{1}",
    "stroke and blanks": "{0} / {1}",
    "words": "{0} in {1}",
    "row": "{0}",
}
NAMES = {
    "english": ("time", "frequency", "C1", "A1", "A1 phase"),
    "short": ("t", "f", "C1", "A1", "ph A1"),
    "german": ("Zeit", "Frequenz", "C1 Amplitude", "A1 Amplitude", "Phasenwinkel A1"),
    "long": ("Elapsed time", "Drive frequency", "C1 magnitude", "A1 magnitude", "Phase A1"),
}
UNITS = ("s", "Hz", "g", "g", "deg")


@settings(max_examples=250, deadline=None)
@given(
    signs=st.sampled_from([(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","), ("|", "."), ("|", ","), (" ; ", ",")]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"]),
    style=st.sampled_from(sorted(UNIT_STYLES)),
    names=st.sampled_from(sorted(NAMES)),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
    trailing=st.sampled_from(["", "rows", "all"]),
    preamble=st.lists(st.sampled_from(["", "Prüfung: Träger ±1 µm", "# remark; with, signs", "Level;0,5;g", "a,b", "12.03.2026",
                                       "Run 7, sweep 2, 5 Hz to 2000 Hz"]), max_size=8),
    rows=st.integers(3, 12),
    messages=st.dictionaries(st.integers(0, 11), st.sampled_from(["ABORT", "# level -6 dB", "Pause by operator; resumed"]), max_size=3),
    last_end=st.booleans(),
)  # fmt: skip
def test_every_combination_of_shapes_is_read_as_meant(
    tmp_path_factory, signs, encoding, style, names, end, trailing, preamble, rows, messages, last_end
):
    sep, decimal = signs
    header = [UNIT_STYLES[style].format(name, unit) for name, unit in zip(NAMES[names], UNITS, strict=True)]
    lines = [*preamble, sep.join(header) + (sep if trailing == "all" else "")]
    if style == "row":
        lines.append(sep.join(UNITS) + (sep if trailing == "all" else ""))
    expected_lines, skipped = [], []
    for i, row in enumerate(truth.ROWS[:rows]):
        if i in messages and i:
            lines.append(messages[i])
            if not messages[i].startswith("#"):
                skipped.append(len(lines))
        lines.append(sep.join(repr(value).replace(".", decimal) for value in row) + (sep if trailing else ""))
        expected_lines.append(len(lines))
    path = tmp_path_factory.mktemp("shapes") / "log.csv"
    path.write_bytes((end.join(lines) + (end if last_end else "")).encode(encoding))
    log, findings = read_sweep_log(path, LogWanted(name="log.csv"))
    assert log is not None, said(findings)
    assert log.frequency_hz == pytest.approx(truth.FREQUENCY[:rows])
    assert log.time_s == pytest.approx(truth.TIME[:rows])
    assert log.trace("A1").amplitude == pytest.approx(np.array(truth.A1[:rows]) * G)
    assert log.trace("A1").phase_deg == pytest.approx(truth.PHASE[:rows])
    assert log.row_line.tolist() == expected_lines
    assert log.rows_skipped == tuple(skipped)
    kept = [each for each in preamble if each.strip()]
    assert list(map(in_words, log.remarks[: len(kept)])) == kept


def test_a_second_table_below_with_other_columns_is_not_taken_for_more_rows(tmp_path):
    first = "frequency [Hz],C1 [g]\n5,1\n6,1\n7,1\n8,1\n"
    second = "frequency [Hz],A1 [g]\n5,2\n6,2\n7,2\n"
    log, findings = log_of(tmp_path, first + second)
    assert log.frequency_hz.tolist() == [5, 6, 7, 8]
    assert "log.csv:6: warning: another table begins here ('frequency [Hz],A1 [g]'); its 3 rows are not read" in said(
        findings
    )


def test_pure_numbers_are_channels_only_where_something_says_so(tmp_path):
    content = "No [-],frequency [Hz],C1 [g],A1 [1],Distortion [%],Current [A],Cycles [cycles]\n"
    content += "1,5,1,1,3,2,10\n2,6,1,1,3,2,20\n3,7,1,1,3,2,30\n"
    log, findings = log_of(tmp_path, content)
    assert [trace.channel for trace in log.traces] == ["C1", "A1"]
    for name in ("No [-]", "Distortion [%]", "Current [A]", "Cycles [cycles]"):
        assert repr(name) in said(findings)
    assert log_of(tmp_path, content, channels=("Current",))[0].trace("Current") is not None


@pytest.mark.parametrize(
    "head",
    [
        "time,frequency,C1,A1,A1\n,,magnitude [g],magnitude [g],phase [deg]\n",
        "% time [s],frequency [Hz],C1 [g],A1 [g],A1 phase [deg]\n",
        "// time [s],frequency [Hz],C1 [g],A1 [g],A1 phase [deg]\n",
        "Test,X 1,of,three,axes\nt,f,C1,A1,ph A1\ns,Hz,g,g,deg\n",
        "[s],[Hz],[g],[g],[deg]\nt,f,C1,A1,ph A1\n",
        "time [s],frequency [Hz],C1 [g],A1 [g],A1 phase [deg]\n-----\n",
        "sep=,\ntime [s],frequency [Hz],C1 [g],A1 [g],A1 phase [deg]\n",
    ],
)
def test_headers_of_several_lines_and_signs(tmp_path, head):
    log, findings = log_of(tmp_path, head + truth.text(header=None))
    assert log is not None, said(findings)
    assert log.trace("A1").amplitude == pytest.approx(np.array(truth.A1) * G)
    assert log.trace("A1").phase_deg == pytest.approx(truth.PHASE)
    assert log.time_s == pytest.approx(truth.TIME)


def test_short_names_that_are_also_units_are_names(tmp_path):
    log, findings = log_of(tmp_path, "Test;X1\nf;C1\nHz;g\n5;1\n6;2\n7;3\n")
    assert not findings, said(findings)
    assert log.trace("C1").amplitude == pytest.approx(np.array([1, 2, 3]) * G)
    log, findings = log_of(tmp_path, "Test;X1\nf;A\n5;1\n6;2\n7;3\n", mapping=(("A", "A / g"), ("frequency", "f / Hz")))
    assert log is not None, said(findings)
    assert log.frequency_hz.tolist() == [5, 6, 7]


def test_a_spreadsheet_of_another_kind_or_damaged_or_far_too_wide_is_refused(tmp_path):
    from openpyxl import Workbook

    sheet = (ODD / "spreadsheet.xlsx").read_bytes()
    book = Workbook()
    book.active["A1"] = "frequency [Hz]"
    book.active["XFD1048576"] = 1
    wide = tmp_path / "wide.xlsx"
    book.save(wide)
    cases = {
        "log.xls": (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), "save it as .xlsx"),
        "cut.xlsx": (sheet[: len(sheet) // 2], "save it as .xlsx"),
        "broken.xlsx": (sheet.replace(b"PK\x01\x02", b"PK\x01\x03"), "cannot be opened|save it as"),
        "wide.xlsx": (wide.read_bytes(), "reaches to row 1048576 and column 16384"),
    }
    for name, (content, message) in cases.items():
        (tmp_path / name).write_bytes(content)
        log, _, findings = read_bare_log(tmp_path / name, None)
        assert log is None
        assert re.search(message, said(findings)), (name, said(findings))


def test_phases_against_the_drive_become_phases_against_the_control(tmp_path):
    content = "frequency [Hz],C1 [g],C1 phase [deg],A1 [g],A1 phase [deg]\n5,1,170,1,-170\n6,1,90,1,0\n7,1,-170,1,100\n8,1,40,1,40\n"
    path = tmp_path / "log.csv"
    path.write_text(content, encoding="utf-8")
    log, control, findings = read_bare_log(path, None)
    assert control == ("C1",)
    assert log.trace("A1").phase_deg == pytest.approx([20, -90, -90, 0])
    assert log.trace("C1").phase_deg == pytest.approx([0, 0, 0, 0])
    assert "the phase of C1 is subtracted from all" in said(findings)


def test_phases_against_the_control_are_left_alone(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text(
        "frequency [Hz],C1 [g],C1 phase [deg],A1 [g],A1 phase [deg]\n5,1,0,1,-10\n6,1,0.1,1,-20\n7,1,0,1,-200\n",
        encoding="utf-8",
    )
    log, _, findings = read_bare_log(path, None)
    assert not findings, said(findings)
    assert log.trace("A1").phase_deg.tolist() == [-10, -20, -200]


def test_several_controls_with_phases_of_their_own_are_told(tmp_path):
    job = job_with(tmp_path, '[[run]]\nid="X"\nkind="survey"\nlog="logs/x.csv"\ncontrol=["C1","C2"]\n')
    (tmp_path / "logs" / "x.csv").write_text(
        "frequency [Hz],C1 [g],C1 phase [deg],C2 [g],C2 phase [deg]\n5,1,30,1,30\n6,1,40,1,30\n7,1,50,1,30\n",
        encoding="utf-8",
    )
    log, findings = read_log(job, job.runs[0])
    assert log.trace("C1").phase_deg.tolist() == [30, 40, 50]
    assert "the control channels have phases of their own (C1, C2)" in said(findings)


def test_a_phase_goes_with_the_column_it_is_named_after_whatever_the_job_calls_that(tmp_path):
    """Faults: of a mapped column its phase was left out; of two whose names the job exchanges each had the other's."""
    rows = [f"{10.0 + k},1.0,{2.0 + k},{10.0 + k},{3.0 + k},{-40.0 - k}" for k in range(12)]
    path = tmp_path / "x.csv"
    path.write_text("frequency [Hz],C1 [g],A1 [g],A1 phase [deg],A2 [g],A2 phase [deg]\n" + "\n".join(rows))
    called, _ = read_sweep_log(path, LogWanted(name="x.csv", mapping=(("Head", "A1 / g"),)))
    assert called.trace("Head").phase_deg[0] == pytest.approx(10.0)
    exchanged, _ = read_sweep_log(path, LogWanted(name="x.csv", mapping=(("A1", "A2 / g"), ("A2", "A1 / g"))))
    assert exchanged.trace("A1").amplitude[0] == pytest.approx(3.0 * 9.80665)
    assert exchanged.trace("A1").phase_deg[0] == pytest.approx(-40.0)
    assert exchanged.trace("A2").phase_deg[0] == pytest.approx(10.0)
