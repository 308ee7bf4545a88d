# ruff: noqa: E501 — tables of shapes, one a line
"""Writes the odd-shaped logs beside this file: one short sweep, told in every way a laboratory may tell it.

Run as ``python tests/read/odd_logs/write_odd_logs.py``; the spreadsheets are written by openpyxl.
"""

from __future__ import annotations

import math
from pathlib import Path

HERE = Path(__file__).resolve().parent

TIME = (0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 4.5, 5.0, 5.5)
FREQUENCY = (5.0, 8.125, 13.25, 21.5, 35.0, 57.0, 92.75, 150.5, 245.0, 398.0, 1047.5, 1650.25)
C1 = (0.501, 0.498, 0.5, 0.502, 0.499, 0.5, 0.503, 0.497, 0.5, 0.501, 0.499, 0.5)
A1 = (0.502, 0.5, 0.51, 0.53, 0.58, 0.72, 1.31, 9.75, 0.88, 0.25, 0.11, 0.07)
PHASE = (-0.5, -0.8, -1.5, -2.5, -4.0, -8.5, -18.0, -91.0, -162.0, -171.0, -175.5, -178.0)
"""Seconds, Hz, g, g, degrees."""

ROWS = tuple(zip(TIME, FREQUENCY, C1, A1, PHASE, strict=True))
HEADER = ("time [s]", "frequency [Hz]", "C1 [g]", "A1 [g]", "A1 phase [deg]")


def text(
    rows=ROWS, header=HEADER, *, sep=",", decimal=".", end="\n", preamble="", trail="", header_trail=None, number=repr
):
    """The sweep as text."""
    lines = [sep.join(header) + (trail if header_trail is None else header_trail)] if header else []
    for row in rows:
        cells = [value if isinstance(value, str) else number(value).replace(".", decimal) for value in row]
        lines.append(sep.join(cells) + trail)
    return preamble + end.join(lines) + end


def with_lines(content, inserted):
    """Lines put before the given lines (from 1) of a text."""
    lines = content.split("\n")
    for line, new in sorted(inserted.items(), reverse=True):
        lines.insert(line - 1, new)
    return "\n".join(lines)


def replaced(row, column, value):
    """The rows with one value changed."""
    rows = [list(each) for each in ROWS]
    rows[row][column] = value
    return rows


def grouped(value):
    """``1.047,5``."""
    return f"{value:,.3f}".replace(",", " ").replace(".", ",").replace(" ", ".")


def decibels(value):
    """``20 lg`` of a number."""
    return round(20 * math.log10(value), 9)


def blanks():
    lines = ["  Time/s   Frequency/Hz    C1/g    A1/g   A1 phase/deg"]
    lines += [f"{t:8.2f} {f:12.3f} {c:8.3f} {a:8.3f} {p:10.2f}" for t, f, c, a, p in ROWS]
    return "\n".join(lines) + "\n"


def markdown():
    lines = ["| " + " | ".join(HEADER) + " |", "|" + "---|" * len(HEADER)]
    lines += ["| " + " | ".join(map(repr, row)) + " |" for row in ROWS]
    return "# Sweep of the morning\n\n" + "\n".join(lines) + "\n"


def long_preamble():
    lines = ["Prüfung;Sweep;Sinus", "Datum;12.03.2026;09:14", "Bediener;M. Beispiel;", "", "Sollprofil;5,0;0,5", ""]
    lines += [f"Kanal {i};Empfindlichkeit;{i * 1.1:.2f} mV/g".replace(".", ",") for i in range(1, 60)]
    return "\n".join(lines) + "\n\n"


def preamble_with_table():
    lines = [
        "Profile",
        "time [s],frequency [Hz],level [g],low [g],high [dB]",
        "0,5,0.5,0.4,3",
        "100,2000,0.5,0.4,3",
        "",
        "Data",
    ]
    return "\n".join(lines) + "\n"


def three_sweeps():
    down = [(5.5 + t, *row[1:]) for t, row in zip(TIME, reversed(ROWS), strict=True)]
    up = [(11.0 + t, *row[1:]) for t, row in zip(TIME, ROWS, strict=True)]
    return [*ROWS, *down[1:], *up[1:]]


def clocked(name, times, **how):
    """The sweep with its time told another way, under another name."""
    names = (name,) if isinstance(name, str) else name
    told = [(each,) if isinstance(each, str | int | float) else each for each in times]
    return text([(*t, *row[1:]) for t, row in zip(told, ROWS, strict=True)], (*names, *HEADER[1:]), **how)


def clock(seconds, form="{h:02}:{m:02}:{s:06.3f}", start=9 * 3600 + 14 * 60):
    """A time of day, ``seconds`` after a quarter past nine or so."""
    at = start + seconds
    hours, rest = divmod(at % 86400, 3600)
    twelve = (int(hours) + 11) % 12 + 1
    return form.format(h=int(hours), twelve=twelve, half="AM" if hours < 12 else "PM", m=int(rest // 60), s=rest % 60,
                       whole=int(rest % 60), ms=round(rest % 1 * 1000))  # fmt: skip


MIDNIGHT = 24 * 3600 - 2.75
"""A start that lets the sweep pass midnight."""


def clocks():
    """Times as loggers, spreadsheets and controllers of several countries write them."""
    german = {"sep": ";", "decimal": ","}
    excel = [46093.0 + (9 * 3600 + 14 * 60 + t) / 86400 for t in TIME]
    spring = [clock(t, "29.03.2026 {h:02}:{m:02}:{s:06.3f}", 2 * 3600 - 2.75 + 3600 * (t > 2.5)) for t in TIME]
    return {
        "clock_datum_zeit.csv": clocked("Datum/Zeit", [clock(t, "12.03.2026 {h:02}:{m:02}:{s:06.3f}") for t in TIME]),
        "clock_datum_uhrzeit.csv": clocked("Datum Uhrzeit", [clock(t, "12.03.2026 {h:02}:{m:02}:{s:06.3f}") for t in TIME], **german),
        "clock_comma.csv": clocked("Uhrzeit", [clock(t).replace(".", ",") for t in TIME], **german),
        "clock_two_columns.csv": clocked(("Datum", "Uhrzeit"), [("12.03.2026", clock(t)) for t in TIME], **german),
        "clock_two_columns_midnight.csv": clocked(("Date", "Time"), [(f"2026-03-{12 + (t > 2.5)}", clock(t, start=MIDNIGHT)) for t in TIME]),
        "clock_zeitstempel.csv": clocked("Zeitstempel", [clock(t, "2026-03-12 {h:02}:{m:02}:{s:06.3f}") for t in TIME], **german),
        "clock_timestamp_zone.csv": clocked("timestamp", [clock(t, "2026-03-12T{h:02}:{m:02}:{s:06.3f}+01:00") for t in TIME]),
        "clock_timestamp_utc.csv": clocked("Timestamp (UTC)", [clock(t, "2026-03-12T{h:02}:{m:02}:{s:06.3f}Z") for t in TIME]),
        "clock_zone_changes.csv": clocked("timestamp", [clock(t, "2026-03-29T{h:02}:{m:02}:{s:06.3f}" + ("+02:00" if t > 2.5 else "+01:00"), 2 * 3600 - 2.75 + 3600 * (t > 2.5)) for t in TIME]),
        "clock_american.csv": clocked("Date/Time", [clock(t, "3/12/2026 {twelve}:{m:02}:{s:06.3f} {half}") for t in TIME]),
        "clock_american_midnight.csv": clocked("Date & Time", [clock(t, "3/" + str(12 + (t > 2.5)) + "/2026 {twelve}:{m:02}:{s:06.3f} {half}", MIDNIGHT) for t in TIME]),
        "clock_british_midnight.csv": clocked("Date and time", [clock(t, str(3 + (t > 2.5)) + "/4/2026 {h:02}:{m:02}:{s:06.3f}", MIDNIGHT) for t in TIME]),
        "clock_afternoon.csv": clocked("Time", [clock(t, "{twelve}:{m:02}:{s:06.3f} {half}", 12 * 3600 - 2.75) for t in TIME]),
        "clock_twelve_hours.csv": clocked("Time", [clock(t, "{twelve}:{m:02}:{s:06.3f}", 13 * 3600 - 2.75) for t in TIME]),
        "clock_form_in_header.csv": clocked("Time (hh:mm:ss.fff)", [clock(t) for t in TIME]),
        "clock_form_in_brackets.csv": clocked("Zeit [hh:mm:ss]", [clock(t) for t in TIME]),
        "clock_colon_milliseconds.csv": clocked("Time", [clock(t, "{h:02}:{m:02}:{whole:02}:{ms:03}") for t in TIME]),
        "clock_month_name.csv": clocked("Date Time", [clock(t, "12-Mar-2026 {h:02}:{m:02}:{s:06.3f}") for t in TIME]),
        "clock_french.csv": clocked("Date et heure", [clock(t, "12/03/2026 {h:02}:{m:02}:{s:06.3f}").replace(".", ",") for t in TIME], **german),
        "clock_summer_time.csv": clocked("Datum/Zeit", spring),
        "clock_winter_time.csv": clocked("Uhrzeit", [clock(t, start=3 * 3600 - 2.75 - 3600 * (t > 2.5)) for t in TIME]),
        "epoch_seconds.csv": clocked("timestamp", [1773306842.0 + t for t in TIME]),
        "epoch_milliseconds.csv": clocked("timestamp", [1773306842000 + round(1000 * t) for t in TIME]),
        "epoch_microseconds.csv": clocked("Unix time", [1773306842000000 + round(1e6 * t) for t in TIME]),
        "excel_serial.csv": clocked("Datum/Zeit", excel),
        "excel_fraction_of_a_day.csv": clocked("Time [d]", [t / 86400 for t in TIME]),
        "microseconds.csv": clocked("t [µs]", [round(1e6 * t) for t in TIME]),
        "milliseconds.csv": clocked("Elapsed Time (milliseconds)", [round(1000 * t) for t in TIME]),
        "elapsed.csv": clocked("Elapsed", list(TIME)),
        "t_alone.csv": clocked("t", list(TIME)),
        "german_seconds.csv": clocked("Zeit [Sek]", list(TIME), **german),
        "date_constant.csv": clocked(("Date", "Time [s]"), [("2026-03-12", t) for t in TIME]),
        "date_not_understood.csv": clocked(("Datum", "Uhrzeit"), [("KW 11", clock(t)) for t in TIME], **german),
    }  # fmt: skip


def texts():
    """File name to content."""
    return {**sweeps(), **clocks()}


def sweeps():
    """Files whose time is plain."""
    german = ("Zeit [s]", "Frequenz [Hz]", "C1 [g]", "A1 [g]", "Phase A1 [°]")
    hold = [(t, 150.5 + 0.02 * (-1) ** i, c, a, p) for i, (t, _, c, a, p) in enumerate(ROWS)]
    pp = [(t, f, 2 * c, 2 * a, p) for t, f, c, a, p in ROWS]
    si = [(t, f, round(c * 9.80665, 9), round(a * 9.80665, 9), p) for t, f, c, a, p in ROWS]
    times = [f"09:14:{t:04.1f}" for t in TIME]
    plain = text()
    return {
        "plain.csv": plain,
        "semicolon_decimal_comma.csv": text(header=german, sep=";", decimal=","),
        "tab.txt": text(sep="\t"),
        "tab_decimal_comma.txt": text(sep="\t", decimal=","),
        "pipe.txt": text(sep="|"),
        "markdown.md": markdown(),
        "fixed_width.txt": blanks(),
        "comma_and_blank.csv": text(sep=", "),
        "units_row.csv": text(header=("time", "frequency", "C1", "A1", "A1 phase")).replace("\n", "\ns,Hz,g,g,deg\n", 1),
        "units_row_brackets.csv": text(header=("t", "f", "C1", "A1", "ph A1")).replace("\n", "\n[s],[Hz],[g],[g],[°]\n", 1),
        "units_round.csv": text(header=("Time (s)", "Drive frequency (Hz)", "C1 amplitude (g)", "A1 amplitude (g)", "arg(A1) (deg)")),
        "units_stroke.csv": text(si, ("t / s", "f / Hz", "C1 / (m/s^2)", "A1 / (m/s^2)", "A1 phase / °")),
        "units_words.csv": text(header=("Zeit in s", "Frequenz in Hz", "C1 in g", "A1 in g", "Phase A1 in deg")),
        "units_underscore.csv": text(header=("time_s", "freq_hz", "C1_g", "A1_g", "A1_phase_deg")),
        "preamble_long.csv": text(header=german, sep=";", decimal=",", preamble=long_preamble()),
        "preamble_with_table.csv": text(preamble=preamble_with_table()),
        "remarks.csv": with_lines(plain, {1: "# log of the morning\n# operator: M. Example", 5: "# level -6 dB"}),
        "header_as_remark.csv": "# " + plain,
        "message_rows.csv": with_lines(plain, {4: "PAUSE", 7: "ABORT by operator, 09:14", 9: "resumed"}),
        "words_in_a_row.csv": with_lines(plain, {3: "oops,,x,,lost"}),
        "repeated_header.csv": with_lines(plain, {6: ",".join(HEADER), 10: ",".join(HEADER)}),
        "trailing_delimiter.csv": text(trail=","),
        "trailing_delimiter_rows.csv": text(trail=",", header_trail=""),
        "crlf.csv": text(end="\r\n"),
        "carriage_return.csv": text(end="\r"),
        "blank_lines.csv": plain.replace("\n", "\n\n"),
        "no_time.csv": text([row[1:] for row in ROWS], HEADER[1:]),
        "no_phase.csv": text([row[:4] for row in ROWS], HEADER[:4]),
        "rms.csv": text([(t, f, c / 2**0.5, a / 2**0.5, p) for t, f, c, a, p in ROWS],
                        ("time [s]", "frequency [Hz]", "C1 [g rms]", "A1 rms [g]", "A1 phase [deg]")),
        "peak_to_peak.csv": text(pp, ("time [s]", "frequency [Hz]", "C1 [g p-p]", "A1 [g pk-pk]", "A1 phase [deg]")),
        "radians.csv": text([(*row[:4], row[4] / 57.29577951308232) for row in ROWS], (*HEADER[:4], "A1 phase [rad]")),
        "status_column.csv": text([(*row, "OK" if i else "LIMIT") for i, row in enumerate(ROWS)], (*HEADER, "Status")),
        "temperature_column.csv": text([(*row, 23.5) for row in ROWS], (*HEADER, "Temp [°C]")),
        "no_reading.csv": text([(*r[:3], "OVL" if i == 7 else r[3], "--" if i == 2 else r[4]) for i, r in enumerate(ROWS)]),
        "spreadsheet_errors.csv": text([(*r[:3], "#N/A" if i == 7 else r[3], "inf" if i == 2 else r[4]) for i, r in enumerate(ROWS)]),
        "thousands.csv": text(header=german, sep=";", number=lambda v: v if isinstance(v, str) else grouped(v)).replace("..", "."),
        "quoted.csv": "\n".join(",".join(f'"{cell}"' for cell in line.split(",")) for line in plain.strip().split("\n")) + "\n",
        "quoted_decimal_comma.csv": ",".join(HEADER) + "\n" + "\n".join(
            ",".join('"' + repr(value).replace(".", ",") + '"' for value in row) for row in ROWS) + "\n",
        "sweep_down.csv": text([(t, *row[1:]) for t, row in zip(TIME, reversed(ROWS), strict=True)]),
        "three_sweeps.csv": text(three_sweeps()),
        "two_sweeps_with_return.csv": text([*ROWS, *[(5.5 + 0.5 + row[0], *row[1:]) for row in ROWS]]),
        "hold.csv": text(hold),
        "time_glitch.csv": text(replaced(6, 0, 1.25)),
        "clock_starts_anew.csv": text([(t if i < 6 else t - 3.0, *r) for i, (t, *r) in enumerate(ROWS)]),
        "clock_time.csv": text([(w, *row[1:]) for w, row in zip(times, ROWS, strict=True)], ("clock", *HEADER[1:])),
        "date_time.csv": text([("12.03.2026 " + w, *row[1:]) for w, row in zip(times, ROWS, strict=True)], ("Date time", *HEADER[1:])),
        "bad_frequency.csv": with_lines(plain, {5: "1.2,0.0,0.5,0.5,0", 8: "2.2,-40.0,0.5,0.5,0", 10: "2.7,nan,0.5,0.5,0"}),
        "frequency_leap.csv": text(replaced(4, 1, 1900.0)),
        "negative_amplitude.csv": text(replaced(5, 3, -0.72)),
        "short_row.csv": plain.rstrip("\n")[:-12],
        "long_row.csv": with_lines(plain, {6: "1.6,30.0,0.5,0.5,-3.0,99,98"}),
        "zeros_at_end.csv": plain + "\x00" * 40,
        "two_name_rows.csv": text(header=None, preamble="time,frequency,C1,A1,\n,,amplitude,amplitude,phase\ns,Hz,g,g,deg\n"),
        "transmissibility.csv": text([(t, f, c, a / c, p) for t, f, c, a, p in ROWS], (*HEADER[:3], "A1/C1 [1]", "A1 phase [deg]")),
        "fortran_exponents.csv": text(number=lambda v: f"{v:.6E}".replace("E", "D")),
        "true_minus.csv": plain.replace(",-", ",−"),
        "mixed_units.csv": text([(t * 1000, f / 1000, c * 1000, a * 9.80665, p) for t, f, c, a, p in ROWS],
                                ("t [ms]", "f [kHz]", "C1 [mg]", "A1 [m/s²]", "A1 phase [deg]")),
        "numbered_channels.csv": text(header=("time [s]", "frequency [Hz]", "Ch 1 [g]", "Ch 3 [g]", "Ph 3 [deg]")),
        "mapped.csv": text(header=("Zeit", "Antrieb", "Ch 1", "Ch 3", "Ph 3")),
        "named_like_a_recording.wav": plain,
        "cells_with_units.csv": text([(f"{t} s", f"{f} Hz", c, a, p) for t, f, c, a, p in ROWS]),
        "no_unit.csv": text(header=("time [s]", "frequency [Hz]", "C1", "A1", "A1 phase [deg]")),
        "unknown_unit.csv": text(header=("time [s]", "frequency [Hz]", "C1 [gg]", "A1 [g]", "A1 phase [deg]")),
        "no_header.csv": text(header=None),
        "header_too_short.csv": text(header=("time [s]", "frequency [Hz]", "C1 [g]")),
        "no_frequency.csv": text([(row[0], *row[2:]) for row in ROWS], (HEADER[0], *HEADER[2:])),
        "no_amplitude.csv": text([row[:2] for row in ROWS], HEADER[:2]),
        "header_only.csv": ",".join(HEADER) + "\n",
        "one_row.csv": text(ROWS[:1]),
        "words_only.txt": "The log of this run was lost.\nAsk the operator.\n",
        "phase_without_unit.csv": text(header=(*HEADER[:4], "A1 phase")),
        "phase_ambiguous.csv": text([(*row[:4], row[4] / 57.3) for row in ROWS], (*HEADER[:4], "A1 phase")),
        "thousands_semicolon.csv": text(header=german, sep=";", number=lambda v: grouped(v) if v > 1000 else repr(v).replace(".", ",")),
        "thousands_blank.csv": text(sep=";", number=lambda v: f"{v:,}".replace(",", " ")),
        "thousands_apostrophe.csv": text(number=lambda v: f"{v:,}".replace(",", "'")),
        "header_twice.csv": text(preamble=",".join(HEADER) + "\n"),
        "header_with_units_again.csv": with_lines(text(header=("time", "frequency", "C1", "A1", "A1 phase")).replace("\n", "\ns,Hz,g,g,deg\n", 1), {9: "time,frequency,C1,A1,A1 phase\ns,Hz,g,g,deg"}),
        "beyond_range.csv": text(replaced(7, 3, ">10")),
        "not_a_number.csv": text(replaced(7, 3, "1.#QNAN")),
        "decibels.csv": text([(t, f, decibels(c), decibels(a), p) for t, f, c, a, p in ROWS], ("time [s]", "frequency [Hz]", "C1 [dB re 1 g]", "A1 [dB (re 1 g)]", "A1 phase [deg]")),
        "decibels_of_nothing.csv": text([(t, f, decibels(c), decibels(a), p) for t, f, c, a, p in ROWS], ("time [s]", "frequency [Hz]", "C1 [dB]", "A1 [dB]", "A1 phase [deg]")),
        "transmissibility_decibels.csv": text([(t, f, c, decibels(a / c), p) for t, f, c, a, p in ROWS], ("time [s]", "frequency [Hz]", "C1 [g]", "A1/C1 [dB]", "A1 phase [deg]")),
        "time_past_midnight.csv": text([(f"23:59:{57 + t:06.3f}" if t < 3 else f"00:00:{t - 3:06.3f}", *row) for t, *row in ROWS], ("time", *HEADER[1:])),
        "time_of_day_points.csv": text([(f"09.14.{t:04.1f}", *row) for t, *row in ROWS], ("time", *HEADER[1:])),
        "time_stands_still.csv": text([(0.0, *row[1:]) for row in ROWS]),
        "same_name_twice.csv": text([(*row[:4], row[3] / 2, row[4]) for row in ROWS], (*HEADER[:4], "A1 [g]", HEADER[4])),
        "summary_at_end.csv": plain + "\nMaximum,1650.25,0.503,9.75,\nMean,,0.5,1.27,\n",
        "peak_table_at_end.csv": plain + "\nMode,Frequency [Hz],Amplification,Q,Phase\n1,150.5,19.6,20,-91\n2,398,1.2,30,-170\n",
        "carriage_return_semicolon.csv": text(header=german, sep=";", decimal=",", end="\r"),
        "tabs_and_blanks.txt": text([[f"{value!r:>12}" for value in row] for row in ROWS], [f"{each:>16}" for each in HEADER], sep="\t"),
        "quoted_decimal_comma_in_comma.csv": text([[f'"{value!r}"'.replace(".", ",") for value in row] for row in ROWS], [f'"{each}"' for each in HEADER]),
        "decimal_comma_in_comma.csv": text(decimal=","),
        "comma_in_a_name.csv": text(header=(*HEADER[:3], "A1 (tip, +Z) [g]", "A1 phase [deg]")),
        "limits_beside.csv": text([(t, f, c, 0.45, 0.55, a, p) for t, f, c, a, p in ROWS], (*HEADER[:3], "C1 low [g]", "C1 high [g]", *HEADER[3:])),
        "phase_in_gon.csv": text([(*row[:4], row[4] / 0.9) for row in ROWS], (*HEADER[:4], "A1 phase [gon]")),
        "boxed.txt": "+---+---+---+---+---+\n" + text(sep=" | ") + "+---+---+---+---+---+\n",
        "kilohertz_milli_g.csv": text([(1000 * t, f / 1000, round(1000 * c, 6), round(1000 * a, 6), p) for t, f, c, a, p in ROWS], ("t/ms", "f/kHz", "C1/mg", "A1/mg", "φ A1/°")),
        "role_before_name.csv": text(header=("Zeit in s", "Frequenz in Hz", "Regelung C1 in g", "Antwort A1 in g", "Phase A1 in °"), sep=";", decimal=","),
        "mostly_damaged.csv": with_lines(plain, {i: f"{i}.5,xx,0.5,0.5,0" for i in range(2, 13)} | {13: "a,b,c,d,e\n" * 6 + "f,g,h,i,j"}),
    }  # fmt: skip


def binaries():
    """File name to bytes."""
    german = text(header=("Zeit [s]", "Frequenz [Hz]", "C1 [g]", "A1 [g]", "Phase A1 [°]"), sep=";", decimal=",",
                  preamble="Prüfling: Träger\nLänge: 1 µm\n")  # fmt: skip
    return {
        "utf8_mark.csv": text().encode("utf-8-sig"),
        "utf16_mark.csv": german.encode("utf-16"),
        "utf16_big_mark.csv": b"\xfe\xff" + german.encode("utf-16-be"),
        "utf16_no_mark.csv": german.encode("utf-16-le"),
        "windows1252.csv": german.encode("cp1252"),
        "compressed.csv": b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x02\xff" + bytes(range(7, 250, 3)),
        "empty.csv": b"",
        "blank.csv": b"\n \n\n",
        "binary.csv": bytes((7 * i * i + 3 * i) % 256 for i in range(4000)),
    }


def write_spreadsheets(folder):
    """The same in cells, with a title and a row of units."""
    from openpyxl import Workbook

    book = Workbook()
    book.active.title = "Cover"
    book.active.append(["Sweep of the morning"])
    sheet = book.create_sheet("Data")
    for row in (["Sweep"], ["Operator", "M. Example"], [], ["time", "frequency", "C1", "A1", "A1 phase"],
                ["s", "Hz", "g", "g", "deg"], *ROWS):  # fmt: skip
        sheet.append(list(row))
    book.save(folder / "spreadsheet.xlsx")
    sheet["B8"] = "ABORT"
    book.save(folder / "spreadsheet_with_word.xlsx")


def write(folder=HERE):
    """Write every file."""
    for name, content in texts().items():
        (folder / name).write_bytes(content.encode("utf-8"))
    for name, content in binaries().items():
        (folder / name).write_bytes(content)
    if not (folder / "spreadsheet.xlsx").exists():  # they carry the moment of their making
        write_spreadsheets(folder)


if __name__ == "__main__":
    write()
