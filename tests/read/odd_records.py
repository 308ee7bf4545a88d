# ruff: noqa: E501 — tables of files, one an entry
"""Records as they come from the field, and what each must give: made here, nothing of it recorded anywhere.

Text as loggers, telephones, spreadsheets and scripts write it; sheets by openpyxl, MAT files by scipy.io, HDF5 by h5py.
The motion is a released mode on two channels, ``motion`` of the time.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

import h5py
import numpy as np
import scipy.io
import scipy.sparse
from openpyxl import Workbook

RATE, N = 1000.0, 400
T = np.arange(N) / RATE
G = 9.80665


def motion(t):
    """Two channels of a released mode of 12 Hz, g."""
    fall = np.exp(-4.0 * t)
    return np.stack([fall * np.sin(2 * np.pi * 12 * t), 0.6 * fall * np.cos(2 * np.pi * 12 * t)])


A, B = motion(T)


@dataclass(frozen=True, kw_only=True)
class Read:
    """What a file that is read gives."""

    names: tuple[str, ...] = ("A1", "A2")
    rate: float = RATE
    samples: int = N
    unit: float = G
    """SI value of a stored 1."""
    told: str | None = None
    """Pattern of what is said of it, where something must be."""
    mapping: tuple[tuple[str, str], ...] = ()
    motion: Callable[[np.ndarray], np.ndarray] = motion
    """Of the time, the channels in their order."""
    good_to: float = 2e-6
    """Of the largest: six decimals, or what taking samples anew leaves."""


@dataclass(frozen=True, kw_only=True)
class Refused:
    """What is said of a file that cannot be read."""

    told: str
    mapping: tuple[tuple[str, str], ...] = ()


def rows(columns=(A, B), times=T, sep="\t", tell="{:.4f}", comma=False, end="\n", trail=""):
    """Lines of time and channels; ``times`` of None for none."""
    lines = []
    for i in range(len(columns[0])):
        first = [] if times is None else [times[i] if isinstance(times[i], str) else tell.format(times[i])]
        cells = [*first, *(f"{c[i]:.6f}" for c in columns)]
        lines.append(sep.join(cell.replace(".", ",") if comma else cell for cell in cells) + trail)
    return end.join(lines) + end


def clock(form, start=datetime(2026, 3, 12, 9, 14, 0)):
    return [form(start + timedelta(seconds=float(t))) for t in T]


def only(k=0):
    return lambda t: motion(t)[k : k + 1]


SEPARATE = np.random.default_rng(5)
QUICK = np.arange(800) / 4000.0
JITTER = T + np.concatenate([[0.0], SEPARATE.uniform(-5e-5, 5e-5, N - 2), [0.0]])
WANDERING = np.cumsum(SEPARATE.choice([0.9e-3, 1e-3, 1.1e-3, 1.4e-3], N, p=[0.3, 0.5, 0.15, 0.05]))
WILD = np.cumsum(SEPARATE.choice([0.2e-3, 1e-3, 4e-3], N, p=[0.3, 0.5, 0.2]))
MISSING = np.delete(np.arange(N), [100, 250, 300])
GAP = np.delete(np.arange(N), np.arange(200, 212))
HEAD = "Time [s]\tA1 [g]\tA2 [g]\n"

TEXT: dict[str, tuple[str, Read | Refused]] = {
    # a free header and a line that marks the data
    "a_line_of_dashes": (
        "Record of the arm\nOperator\tN. N.\nSampling rate\t1000\n\nTime\tA1\tA2\ns\tg\tg\n-----\t-----\t-----\n" + rows(), Read()),
    "data_in_brackets": ("Record of the arm\nFilter: none\n" + HEAD + "[DATA]\n" + rows(), Read(told="line 4 has 1 column")),
    "marker_before_names": ("Record 7\nsensor 1 0,98 pC\n[DATA]\n" + HEAD + rows(), Read()),
    "hash_begin": ("Record 7\n# channel 1: A1\n" + HEAD + "#BEGIN\n" + rows(), Read()),
    "stars_around_a_marker": ("Writer\t2\nSeparator\tTab\n***end of head***\n" + HEAD + rows(), Read()),
    "sections_and_an_end_mark": ("[HEADER]\nunits=g\n[DATA]\n" + HEAD + rows() + "[END]\n", Read(told="has 1 column where 3")),
    "names_above_and_data_colon": ("Channel\tA1\tA2\nUnit\tg\tg\nSensitivity\t10.1\t10.2\nData:\n" + rows(), Read(told="'Sensitivity'")),
    "percent_before_names": ("% time [s]\tA1 [g]\tA2 [g]\n% recorded at noon\n" + rows(), Read(told="line 2")),
    "slashes_before_names": ("// time [s]\tA1 [g]\tA2 [g]\n" + rows(), Read()),
    "words_about_channels": (
        "Channel 1 is the tip, channel 2 the root\nboth in g\n\nTime [s]\tA1 [g]\tA2 [g]\n" + rows(), Read()),
    "units_in_brackets_below": ("time\tA1\tA2\n[s]\t[g]\t[g]\n" + rows(), Read()),
    "a_summary_at_the_end": (HEAD + rows() + "\nSummary\nmax\t1.0\n", Read(told="has 1 column where 3")),
    "a_last_line_cut_short": ((HEAD + rows())[:-14], Read(samples=N - 1, told="breaks off")),
    "control_z_at_the_end": ((HEAD + rows()).replace("\n", "\r\n") + "\x1a", Read()),
    "tabs_at_line_ends": ("Time [s]\tA1 [g]\tA2 [g]\t\n" + rows(trail="\t"), Read()),
    "semicolons_decimal_commas": ("Zeit [s];A1 [g];A2 [g]\n" + rows(sep=";", comma=True), Read()),
    "all_in_quotes": ('"Time [s]","A1 [g]","A2 [g]"\n' + "".join(f'"{t:.4f}","{a:.6f}","{b:.6f}"\n' for t, a, b in zip(T, A, B, strict=True)), Read()),
    "exponents": (HEAD + "".join(f"{t:.6E}\t{a:.6E}\t{b:.6E}\n" for t, a, b in zip(T, A, B, strict=True)), Read()),
    "blanks_between": ("  time[s]    A1[g]    A2[g]\n" + "".join(f"{t:10.4f} {a:10.6f} {b:10.6f}\n" for t, a, b in zip(T, A, B, strict=True)), Read()),
    # clocks
    "microseconds_by_name": ("micros,A1 [g],A2 [g]\n" + rows(times=T * 1e6, sep=",", tell="{:.0f}"), Read()),
    "milliseconds_by_name": ("millis,A1 [g],A2 [g]\n" + rows(times=T * 1e3, sep=",", tell="{:.0f}"), Read()),
    "microseconds_underscored": ("timestamp_us\tA1_g\tA2_g\n" + rows(times=T * 1e6, tell="{:.0f}"), Read()),
    "nanoseconds": ("time_ns\tA1 [g]\tA2 [g]\n" + rows(times=T * 1e9, tell="{:.0f}"), Read()),
    "a_clock_beside_one_channel": ("Time\tA1 (g)\n" + rows((A,), clock(lambda m: m.strftime("%H:%M:%S.%f"))), Read(names=("A1",), motion=only())),
    "minutes_beside_one_channel": ("Time\tA1 (g)\n" + rows((A,), [f"00:{t:07.4f}" for t in T]), Read(names=("A1",), motion=only())),
    "a_german_clock_beside_one_channel": (
        "Uhrzeit;A1 (g)\n" + rows((A,), clock(lambda m: m.strftime("%H:%M:%S.%f")), sep=";", comma=True), Read(names=("A1",), motion=only())),
    "labels_of_three_digits_then_more": (HEAD + rows(tuple(motion(QUICK)), [f"{t:.3g}" if t < 0.1 else f"{t:.5f}" for t in QUICK]), Read(
        rate=4000.0, samples=800)),
    "times_of_32_bits": (HEAD + rows(times=(T + 100.0).astype(np.float32).astype(float), tell="{:.9g}"), Read()),
    "a_pretrigger": (HEAD + rows(times=T - 0.1), Read()),
    "one_sample_lost_here_and_there": (HEAD + rows((A[MISSING], B[MISSING]), T[MISSING]), Read(told="3 samples are missing", good_to=1e-4)),
    "a_gap": (HEAD + rows((A[GAP], B[GAP]), T[GAP]), Refused(told=r":202: .*time goes on by 0.013 s .*export the record without gaps")),
    "a_sample_twice": (HEAD + rows((np.insert(A, 9, A[9]), np.insert(B, 9, B[9])), np.insert(T, 9, T[9])), Refused(told="time goes on by 0 s")),
    "a_jittered_clock": (HEAD + rows(tuple(motion(JITTER)), JITTER, tell="{:.7f}"), Read(
        told=r"clock is uneven \(intervals of .* taken anew at 1000 Hz .* good to 1\s% up to .*only labels even samples", good_to=5e-4)),
    "a_wandering_clock": (HEAD + rows(tuple(motion(WANDERING - WANDERING[0])), WANDERING, tell="{:.7f}"), Read(
        rate=round(N / (WANDERING[-1] - WANDERING[0])), samples=-1, told="clock is uneven", good_to=1e-3)),
    "a_wild_clock": (HEAD + rows(tuple(motion(WILD)), WILD, tell="{:.7f}"), Refused(told="time goes on by .*export the record without gaps")),
    "labels_that_only_count_even_samples": (HEAD + rows(times=JITTER, tell="{:.7f}"), Read(mapping=(("sample rate", "1 kHz"),))),
    "time_called_otherwise": ("X value\tA1 [g]\tA2 [g]\n" + rows(), Read(mapping=(("time", "X value / s"),))),
    "a_time_that_is_not_there": (HEAD + rows(), Refused(told="no column 'T0'", mapping=(("time", "T0 / s"),))),
    "a_word_among_clock_times": (
        "Time\tA1 (g)\n" + rows((A,), ["noon" if i == 3 else each for i, each in enumerate(clock(lambda m: m.strftime("%H:%M:%S.%f")))]),
        Refused(told="'noon' is no time")),
    "a_count_beside_the_time": ("No.\tTime [s]\tA1 [g]\tA2 [g]\n" + rows((T, A, B), np.arange(N), tell="{:.0f}"), Read(told="No.: counts the rows")),
    # no time
    "a_rate_above": ("Sample rate [Hz]:\t1000\nA1 [g]\tA2 [g]\n" + rows(times=None), Read()),
    "a_rate_in_a_remark": ("# fs = 1 kHz\n# A1 [g]\tA2 [g]\n" + rows(times=None), Read()),
    "an_interval_above": ("Delta t = 0,001 s\nA1 in g;A2 in g\n" + rows(times=None, sep=";", comma=True), Read()),
    "a_rate_beside_a_count": ("Sampling frequency: 1000 Hz\nSample\tA1 [g]\tA2 [g]\n" + rows(times=np.arange(N), tell="{:.0f}"), Read(told="counts the rows")),
    "one_column_and_its_rate": ("Sampling frequency 1000 Hz\nA1 [g]\n" + rows((A,), None), Read(names=("A1",), motion=only())),
    "one_column_and_nothing_else": (rows((A,), None), Refused(told='"sample rate" = "51.2 kHz"')),
    "one_column_told": (rows((A,), None), Read(names=("A1",), motion=only(), mapping=(("sample rate", "1 kHz"), ("A1", "column 1 / g")))),
    "two_columns_and_nothing_else": (rows(times=None), Refused(told='"sample rate" = "51.2 kHz"')),
    "force_and_acceleration": ("Force [N]\tAcceleration [m/s^2]\n" + rows(times=None), Refused(
        told="neither a column of frequency nor one of time; the columns are 'Force.*\"sample rate\" = .*time \\[s\\]")),
    "force_and_acceleration_told": ("Kraft [N];Beschleunigung [m/s²]\n" + rows(times=None, sep=";", comma=True), Read(
        names=("Kraft", "Beschleunigung"), unit=1.0, mapping=(("sample rate", "1 kHz"),))),
    "two_rates_that_differ": ("fs = 1000 Hz\ndt = 0.002 s\nA1 [g]\tA2 [g]\n" + rows(times=None), Refused(told="neither a column")),
    "full_scale_is_no_rate": ("FS 50 g\nA1 [g]\tA2 [g]\n" + rows(times=None), Refused(told="neither a column")),
    "on_its_side": ("time [s]," + ",".join(f"{t:.4f}" for t in T) + "\nA1 [g]," + ",".join(f"{a:.6f}" for a in A) + "\n", Refused(told="lie on its side")),
    # blocks
    "pairs_of_time_and_channel": ("time [s],A1 [g],time [s],A2 [g]\n" + "".join(f"{t:.4f},{a:.6f},{t:.4f},{b:.6f}\n" for t, a, b in zip(T, A, B, strict=True)), Read()),
    "pairs_of_other_times": (
        "time [s],A1 [g],,time [s],A2 [g]\n" + "".join(f"{t:.4f},{a:.6f},,{t + 2:.4f},{b:.6f}\n" for t, a, b in zip(T, A, B, strict=True)),
        Read(names=("A1",), motion=only(), told=r"block 2 \(lines 2 to 401, 'A2'\).*\"block\" = \"2\"")),
    "the_other_pair": (
        "time [s],A1 [g],,time [s],A2 [g]\n" + "".join(f"{t:.4f},{a:.6f},,{t + 2:.4f},{b:.6f}\n" for t, a, b in zip(T, A, B, strict=True)),
        Read(names=("A2",), motion=only(1), mapping=(("block", "2"),), told="block 1")),
    "one_run_below_another": (
        "Run 1\ntime [s]\tA1 [g]\n" + rows((A,)) + "\nRun 2\ntime [s]\tA1 [g]\n" + rows((B[:300],), T[:300]),
        Read(names=("A1",), motion=only(), told=r"block 2 \(lines 406 to 705")),
    "the_lower_run": (
        "Run 1\ntime [s]\tA1 [g]\n" + rows((A,)) + "\nRun 2\ntime [s]\tA1 [g]\n" + rows((B[:300],), T[:300]),
        Read(names=("A1",), motion=only(1), samples=300, mapping=(("block", "2"),), told="block 1")),
    "a_block_that_is_not_there": (HEAD + rows(), Refused(told="no block '7'; the table has 1", mapping=(("block", "7"),))),
    "settings_above_in_columns": ("Settings\nname,value\ngain,10\nrange,50\n\ntime [s],A1 [g],A2 [g]\n" + rows(sep=","), Read()),
    # readings
    "one_blank_reading": (HEAD + rows((A, np.where(np.arange(N) == 70, np.nan, B))).replace("nan", ""), Read(told="1 reading is blank \\(line 72\\)", good_to=1e-5)),
    "two_blank_readings": (HEAD + rows((A, np.where(np.arange(N) // 2 == 35, np.nan, B))).replace("nan", ""), Read(told="2 readings are blank", good_to=1e-4)),
    "many_blank_readings": (HEAD + rows((A, np.where(np.arange(N) // 50 == 3, np.nan, B))).replace("nan", "NaN"), Read(
        names=("A1",), motion=only(), told="A2.*: 50 readings are blank, the first in line 152")),
    "a_column_of_three_numbers": (
        "time [s],A1 [g],Peak [g]\n" + "".join(f"{t:.4f},{a:.6f},{'1.0' if i < 3 else ''}\n" for i, (t, a) in enumerate(zip(T, A, strict=True))),
        Read(names=("A1",), motion=only(), told="Peak.*3 readings, too few")),
    "overload_words": (HEAD + rows((A, np.where(np.arange(N) == 70, np.nan, B))).replace("nan", "OVL"), Read(told="1 reading is blank", good_to=1e-5)),
    "superscripts": ("Time (s)\tA1 (m s^-2)\tA2 (m/s²)\n" + rows(), Read(unit=1.0)),
    "a_scale_factor_above": ("Scale factor,0.001,0.001\n" + HEAD.replace("\t", ",") + rows((1e3 * A, 1e3 * B), sep=","), Read(
        unit=1e3 * G, told="warning: it states 'Scale factor,0.001,0.001', which is not applied")),
    "a_scale_factor_mapped": ("Scale factor,0.001,0.001\n" + HEAD.replace("\t", ",") + rows((1e3 * A, 1e3 * B), sep=","), Read(
        mapping=(("A1", "A1 / (0.001 g)"), ("A2", "A2 / (0.001 g)")))),
    "volts": ("Time (s)\tA1 (V)\tA2 (mV)\n" + rows((A, 1e3 * B)), Read(unit=1.0)),
}  # fmt: skip


def text(name):
    return TEXT[name][0].encode("utf-8")


def book(*sheets):
    """Sheets of cells as a file: (title, rows)."""
    out, made = Workbook(), io.BytesIO()
    out.remove(out.active)
    for title, cells in sheets:
        sheet = out.create_sheet(title)
        for row in cells:
            sheet.append([float(x) if isinstance(x, np.floating) else x for x in row])
    out.save(made)
    return made.getvalue()


def beside(*columns):
    return [list(row) for row in zip(*columns, strict=True)]


NONE = [None] * N
SHEETS: dict[str, tuple[bytes, Read | Refused]] = {
    "blocks_side_by_side": (
        book(("Data", [["Run 1", None, None, "Run 2"], ["time [s]", "A1 [g]", None, "time [s]", "A2 [g]"], *beside(T, A, NONE, T, B)])), Read()),
    "blocks_of_other_lengths": (
        book(("Data", [["time [s]", "A1 [g]", None, "time [s]", "A2 [g]"],
                       *beside(T, A, NONE, [*T[:250], *NONE[250:]], [*B[:250], *NONE[250:]])])),
        Read(names=("A1",), motion=only(), told=r"block 2 \(lines 2 to 251, 'A2'\)")),
    "the_shorter_block": (
        book(("Data", [["time [s]", "A1 [g]", None, "time [s]", "A2 [g]"],
                       *beside(T, A, NONE, [*T[:250], *NONE[250:]], [*B[:250], *NONE[250:]])])),
        Read(names=("A2",), motion=only(1), samples=250, mapping=(("block", "2"),), told="block 1")),
    "the_same_names_twice": (
        book(("Data", [["time [s]", "A1 [g]", "time [s]", "A1 [g]"], *beside(T, A, T, B)])), Read(names=("A1 (column 2)", "A1 (column 4)"))),
    "blocks_below_each_other": (
        book(("Data", [["Run 1"], ["time [s]", "A1 [g]"], *beside(T, A), [], ["Run 2"], ["time [s]", "A1 [g]"], *beside(T, B)])),
        Read(names=("A1",), motion=only(), told=r"block 2 \(lines 406 to 805")),
    "away_from_the_corner": (book(("Data", [[], [], [None, None, "time [s]", "A1 [g]", "A2 [g]"], *beside(NONE, NONE, T, A, B)])), Read()),
    "a_summary_beside": (
        book(("Data", [["time [s]", "A1 [g]", "A2 [g]", None, "Peak", 1.0], *beside(T, A, B, NONE, ["RMS", *NONE[1:]], [0.2, *NONE[1:]])])),
        Read(told="too few for a channel|not used")),
    "another_sheet": (
        book(("One", [["time [s]", "A1 [g]", "A2 [g]"], *beside(T, A, B)]), ("Two", [["time [s]", "A1 [g]"], *beside(T[:99], A[:99])])),
        Read(told="other sheets: 'Two'")),
    "the_sheet_named": (
        book(("One", [["time [s]", "A1 [g]"], *beside(T, B)]), ("Two", [["time [s]", "A1 [g]"], *beside(T[:99], A[:99])])),
        Read(names=("A1",), motion=only(), samples=99, mapping=(("sheet", "Two"),), told="other sheets: 'One'")),
    "moments_as_cells": (
        book(("Data", [["Time", "A1 [g]", "A2 [g]"], *beside([datetime(2026, 3, 12) + timedelta(milliseconds=i) for i in range(N)], A, B)])),
        Read()),
}  # fmt: skip


def cells(*values):
    out = np.empty(len(values), dtype=object)
    out[:] = values
    return out


def mat(content, **how):
    made = io.BytesIO()
    scipy.io.savemat(made, content, **how)
    return made.getvalue()


UNEVEN = T + 1e-4 * np.sin(np.arange(N)) * (np.arange(N) % (N - 1) > 0)
BOTH = np.stack([A, B], axis=1)
MAT: dict[str, tuple[bytes, Read | Refused]] = {
    "a_matrix_with_time_first": (mat({"data": np.stack([T, A, B], 1), "unit": "g"}), Read(names=("data[2]", "data[3]"))),
    "a_matrix_lying": (mat({"data": np.stack([T, A, B], 0), "unit": "g"}), Read(names=("data[2]", "data[3]"))),
    "version_4": (mat({"fs": RATE, "data": BOTH, "unit": "g"}, format="4"), Read(names=("data[1]", "data[2]"))),
    "compressed": (mat({"fs": RATE, "data": BOTH, "unit": "g"}, do_compression=True), Read(names=("data[1]", "data[2]"))),
    "three_sides": (mat({"fs": RATE, "data": BOTH[:, :, None], "unit": "g"}), Read(names=("data[1]", "data[2]"))),
    "single_precision": (mat({"fs": RATE, "data": BOTH.astype("f4"), "unit": "g"}), Read(names=("data[1]", "data[2]"))),
    "whole_numbers": (mat({"fs": RATE, "data": np.int16(np.round(1e4 * BOTH)), "unit": "g"}), Read(
        names=("data[1]", "data[2]"), unit=1e4 * G, good_to=1e-4)),
    "cells_in_cells": (mat({"fs": RATE, "c": cells(cells(A, B), cells("words")), "unit": "g"}), Read(names=("c{1}{1}", "c{1}{2}"))),
    "cells_of_name_rate_time_and_data": (mat({"c": cells("arm", RATE, T, A), "unit": "g"}), Read(names=("c{4}",), motion=only())),
    "axes_with_units_of_their_own": (
        mat({"X": {"Data": T * 1e3, "Unit": "ms"}, "Y": cells({"Data": A, "Unit": "g"}, {"Data": B * G, "Unit": "m/s^2"})}),
        Read(names=("Y{1}.Data", "Y{2}.Data"))),
    "start_and_increment_beside": (
        mat({"s": {"x": {"start": 0.0, "increment": 1 / RATE}, "y": {"values": BOTH, "unit": "g"}}}), Read(names=("s.y.values[1]", "s.y.values[2]"))),
    "a_structure_array": (
        mat({"run": np.array([(A, RATE), (B, RATE)], dtype=[("y", object), ("fs", object)]), "unit": "g"}), Read(names=("run[1].y", "run[2].y"))),
    "a_rate_in_words": (mat({"fs": "1 kHz", "data": BOTH, "unit": "g"}), Read(names=("data[1]", "data[2]"))),
    "a_rate_of_another_name": (mat({"SampleFrequency": RATE, "data": BOTH, "unit": "g"}), Read(names=("data[1]", "data[2]"))),
    "milliseconds": (mat({"time_ms": T * 1e3, "data": BOTH, "unit": "g"}), Read(names=("data[1]", "data[2]"))),
    "days_as_a_clock": (mat({"t": 738000.0 + T / 86400.0, "data": BOTH, "unit": "g"}), Read(names=("data[1]", "data[2]"), good_to=1e-3)),
    "an_uneven_clock": (mat({"t": UNEVEN, "data": motion(UNEVEN).T, "unit": "g"}), Read(
        names=("data[1]", "data[2]"), told="clock is uneven", good_to=1e-4)),
    "a_reading_that_is_none": (mat({"fs": RATE, "data": np.where(np.arange(N)[:, None] == 70, np.nan, BOTH), "unit": "g"}), Read(
        names=("data[1]", "data[2]"), told="2 readings are blank .samples 70", good_to=1e-5)),
    "complex_numbers": (mat({"fs": RATE, "h": A + 1j * B}), Refused(told="'h' holds complex numbers")),
    "complex_responses": (mat({"f": np.arange(100.0), "H": np.exp(1j * np.arange(100.0))}), Refused(told=r"against frequency \(f with H\)")),
    "a_scale_beside_whole_numbers": (mat({"fs": RATE, "data": np.int16(np.round(1e4 * BOTH)), "unit": "g", "scale": 1e-4}), Read(
        names=("data[1]", "data[2]"), unit=1e4 * G, good_to=1e-4, told="it states 'scale = 0.0001', which is not applied")),
    "times_that_count": (mat({"t": T * 1e3, "data": BOTH, "unit": "g"}), Refused(told='"sample rate" = "51.2 kHz"')),
    "logical_and_sparse_beside": (
        mat({"fs": RATE, "data": BOTH, "unit": "g", "flag": A > 0, "s": scipy.sparse.csc_matrix(np.eye(40))}), Read(names=("data[1]", "data[2]"))),
    "words_alone": (mat({"note": "hello"}), Refused(told="without a numeric variable")),
}  # fmt: skip


def hdf5(write, *, mat_header=False):
    made = io.BytesIO()
    with h5py.File(made, "w", userblock_size=512 if mat_header else 0) as file:
        write(file)
    whole = made.getvalue()
    head = b"MATLAB 7.3 MAT-file".ljust(124) + b"\x00\x02IM"
    return head + whole[len(head) :] if mat_header else whole


def _uneven(file):
    for name, values in (("t", UNEVEN), ("A1", motion(UNEVEN)[0]), ("A2", motion(UNEVEN)[1])):
        file[name] = values
    file["A1"].attrs["unit"] = file["A2"].attrs["unit"] = "g"


def _blank(file):
    file.attrs["fs"] = RATE
    file["A1"] = np.where(np.arange(N) == 70, np.nan, A)
    file["A2"] = B
    file["A1"].attrs["unit"] = file["A2"].attrs["unit"] = "g"


def _packed(file):
    """Whole numbers, their factor and offset as the CF Conventions write them (section 8.1, from memory)."""
    file.attrs["fs"] = RATE
    for name, values in (("A1", A), ("A2", B)):
        file[name] = np.int16(np.round(2e4 * (values - 0.25)))
        file[name].attrs.update({"units": "g", "scale_factor": 5e-5, "add_offset": 0.25})


def _with_gain(file):
    file.attrs["fs"] = RATE
    for name, values in (("A1", A), ("A2", B)):
        file[name] = np.int16(np.round(1e4 * values))
        file[name].attrs.update({"units": "g", "gain": 1e-4})


def _times_in(unit):
    def write(file):
        file["time"], file["A1"], file["A2"] = T * 1e3, A, B
        file["A1"].attrs["unit"] = file["A2"].attrs["unit"] = "g"
        if unit:
            file["time"].attrs["units"] = unit

    return write


def _structure(file):
    group = file.create_group("run")
    group["fs"], group["y"] = np.array([[RATE]]), BOTH.T
    group["flag"] = np.uint8(A > 0)[None, :]
    group["flag"].attrs["MATLAB_class"] = np.bytes_("logical")
    group["y"].attrs["MATLAB_class"] = np.bytes_("double")
    group["y"].attrs["unit"] = "g"


HDF5: dict[str, tuple[bytes, Read | Refused]] = {
    "uneven_times": (hdf5(_uneven), Read(names=("/A1", "/A2"), told="clock is uneven", good_to=1e-4)),
    "a_blank_reading": (hdf5(_blank), Read(names=("/A1", "/A2"), told="1 reading is blank", good_to=1e-5)),
    "packed_numbers": (hdf5(_packed), Read(names=("/A1", "/A2"), good_to=3e-5)),
    "a_gain_that_nobody_applies": (
        hdf5(_with_gain),
        Read(names=("/A1", "/A2"), unit=1e4 * G, good_to=1e-4, told="it states 'gain = 0.0001', which is not applied"),
    ),
    "times_in_milliseconds": (hdf5(_times_in("ms")), Read(names=("/A1", "/A2"))),
    "times_that_count": (hdf5(_times_in("")), Refused(told='"sample rate" = "51.2 kHz"')),
    "version_7_3": (hdf5(_structure, mat_header=True), Read(names=("/run/y[1]", "/run/y[2]"))),
}

RECORDS = {
    **{f"{name}.txt": (text(name), expected) for name, (_, expected) in TEXT.items()},
    **{f"{name}.xlsx": each for name, each in SHEETS.items()},
    **{f"{name}.mat": each for name, each in MAT.items()},
    **{f"{name}.h5": each for name, each in HDF5.items()},
}
"""File name to its content and what it must give."""
