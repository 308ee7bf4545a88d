"""Headers as laboratories write them, and what each column is taken for."""

from __future__ import annotations

import pytest

from reportgen.read.log_columns import looks_like_control
from reportgen.read.table.clock import read_clock
from reportgen.read.table.columns import Meaning, mapped, split_unit, understand
from reportgen.render.catalogue import said

T, F, A, P = Meaning.TIME, Meaning.FREQUENCY, Meaning.AMPLITUDE, Meaning.PHASE

HEADERS = [
    ("time [s]", T, None, "s"),
    ("t", T, None, None),
    ("t/s", T, None, "s"),
    ("Zeit", T, None, None),
    ("Zeit in s", T, None, "s"),
    ("Elapsed", T, None, None),
    ("Elapsed time (min)", T, None, "min"),
    ("frequency [Hz]", F, None, "Hz"),
    ("Freq.", F, None, None),
    ("f", F, None, None),
    ("f / Hz", F, None, "Hz"),
    ("Frequenz", F, None, None),
    ("Drive frequency", F, None, None),
    ("Drive frequency [kHz]", F, None, "kHz"),
    ("freq_hz", F, None, "Hz"),
    ("FREQUENCY (HZ)", F, None, "Hz"),
    ("C1", A, "C1", None),
    ("C1 amplitude", A, "C1", None),
    ("C1 amplitude [g]", A, "C1", "g"),
    ("Ch 3", A, "Ch 3", None),
    ("Ch 3 (m/s^2)", A, "Ch 3", "m/s²"),
    ("A1 [g]", A, "A1", "g"),
    ("A1 (g)", A, "A1", "g"),
    ("A1/g", A, "A1", "g"),
    ("A1, g", A, "A1", "g"),
    ("A1 in m/s²", A, "A1", "m/s²"),
    ("A1_g", A, "A1", "g"),
    ("A1 [g rms]", A, "A1", "g rms"),
    ("A1 rms [g]", A, "A1", "g rms"),
    ("A1 [g] rms", A, "A1", "g rms"),
    ("A1 [mm p-p]", A, "A1", "mm p-p"),
    ("Beschleunigung A1 [g]", A, "A1", "g"),
    ("|A1| [g]", A, "|A1|", "g"),
    ("Drive [V]", A, "Drive", "V"),
    ("A1/C1", A, "A1", "1"),
    ("A1/C1 [1]", A, "A1", "1"),
    ("T(A1) [1]", A, "A1", "1"),
    ("Transmissibility A1", A, "A1", "1"),
    ("A1 phase", P, "A1", None),
    ("A1 phase [deg]", P, "A1", "°"),
    ("A1 ph", P, "A1", None),
    ("A1 [deg]", P, "A1", "°"),
    ("Phase A1", P, "A1", None),
    ("PhaseA1 (rad)", P, "A1", "rad"),
    ("Ph A1 [°]", P, "A1", "°"),
    ("PhA1", P, "A1", None),
    ("arg(A1)", P, "A1", None),
    ("arg(A1) [rad]", P, "A1", "rad"),
    ("phase of A1 re C1 [deg]", P, "A1", "°"),
    ("A1_phase_deg", P, "A1", "°"),
    ("φ A1", P, "A1", None),
    ("Phasenwinkel A1 (°)", P, "A1", "°"),
    ("Temp [°C]", Meaning.CONDITION, "Temp", "°C"),
    ("Photo", A, "Photo", None),
]


@pytest.mark.parametrize("header, meaning, channel, unit", HEADERS)
def test_headers_are_understood(header, meaning, channel, unit):
    column = understand(header, "", 0)
    assert (column.meaning, column.channel) == (meaning, channel)
    assert (column.unit.symbol if column.unit else None) == unit


@pytest.mark.parametrize(
    "header, known, channel",
    [
        ("Control (C1) [g]", "C1", "C1"),
        ("Control (C1) [g]", "Control", "Control"),
        ("c1 [g]", "C1", "C1"),
        ("Ch3 [g]", "Ch 3", "Ch 3"),
        ("Tip acceleration [g]", "Tip", "Tip"),
        ("Phase", "Phase", "Phase"),
        ("A/B", "A/B", "A/B"),
        ("A1 phase [deg]", "A1", "A1"),
        ("boom_tip phase [deg]", "Boom tip", "Boom tip"),
    ],
)
def test_declared_channels_are_found_in_headers(header, known, channel):
    assert understand(header, "", 0, [known]).channel == channel


def test_the_row_of_units_holds_where_there_is_one():
    assert understand("A1", "m/s^2", 0).unit.symbol == "m/s²"
    assert understand("A1", "[g]", 0).unit.symbol == "g"
    assert understand("A1", "deg", 0).meaning is P
    assert understand("A1 rms", "g", 0).unit.symbol == "g rms"


@pytest.mark.parametrize("header", ["A1/C1", "C1", "Pos X", "Ch 1 A", "x", "Level", "Control", "Ch 2 (top)"])
def test_a_name_is_not_torn_apart_for_a_unit(header):
    assert split_unit(header) == (header, "")


def test_unknown_units_are_kept_as_written():
    column = understand("A1 [furlong]", "", 0)
    assert (column.unit, column.unit_text) == (None, "furlong")


HEADS = ["f [Hz]", "Ch 3", "Ph 3", "A1/C1"]


@pytest.mark.parametrize(
    "key, text, place, factor",
    [
        ("A1", "Ch 3 / (m/s^2)", 1, 1.0),
        ("A1", "Ch 3 / (50 g)", 1, 490.3325),
        ("A1", "ch 3 / g", 1, 9.80665),
        ("A1", "column 2 / mm", 1, 0.001),
        ("A1", "A1/C1 / 1", 3, 1.0),
        ("frequency", "f", 0, 1.0),
        ("frequency", "f [Hz]", 0, 1.0),
        ("frequency", "f / kHz", 0, 1000.0),
    ],
)
def test_mappings_are_quantity_over_unit(key, text, place, factor):
    columns, faults = mapped([(key, text)], HEADS, ["", "", "", ""])
    assert not faults
    assert columns[0].place == place
    assert columns[0].factor == pytest.approx(factor, rel=1e-12)


@pytest.mark.parametrize(
    "key, text, message",
    [
        ("A1", "Ch 4 / g", "there is no column 'Ch 4'; the file has 'f [Hz]', 'Ch 3', 'Ph 3', 'A1/C1'"),
        ("A1", "Ch 3", "has no unit; write \"A1\" = \"Ch 3 / g\""),
        ("A1", "Ch 3 / furlong", "unit 'furlong' is not known"),
        ("A1", "Ch 3 / Hz", "'Hz' measures frequency; expected"),
        ("A1 phase", "Ph 3 / g", "'g' measures acceleration; expected angle"),
        ("A1", "Ch 3 / (0 g)", "must be more than zero"),
        ("frequency", "f / (-1 Hz)", "must be more than zero"),
    ],
)  # fmt: skip
def test_what_is_wrong_with_a_mapping_is_said(key, text, message):
    columns, faults = mapped([(key, text)], HEADS, ["", "", "", ""])
    assert not columns
    assert message in said(faults[0].message)


def test_names_of_controls():
    assert all(
        looks_like_control(each) for each in ("C1", "c 2", "C", "Control", "control 1", "CTRL", "Ref", "Regelkanal 1")
    )
    assert not any(looks_like_control(each) for each in ("A1", "Ch 1", "Cover", "Refill", "Top", "R1", "Case"))


def test_clock_times():
    assert read_clock(["1:02", "1:03.5"]).seconds.tolist() == [0.0, 1.5]
    assert read_clock(["2026-03-12T23:59:59", "2026-03-13T00:00:02"]).seconds.tolist() == [0.0, 3.0]
    assert read_clock(["12.3.2026 08:00:00,25", "12.3.2026 08:00:01"]).seconds.tolist() == [0.0, 0.75]
    assert read_clock([]) is None


@pytest.mark.parametrize(
    "header, channel",
    [("Regler C1 [g]", "C1"), ("C1 control [g]", "C1"), ("Regler C3 [g]", "Regler C3"), ("Antwort A1 (g)", "A1"),
     ("Regelung_C1/g", "C1"), ("Ctrl A1 (g)", "A1")],
)  # fmt: skip
def test_a_header_with_a_word_of_role_before_a_declared_channel_was_another_channel(header, channel):
    """``Regler C1`` was the control of a quick look, and in a job no C1 was found."""
    column = understand(header, "", 0, ("C1", "A1"))
    assert (column.meaning, column.channel) == (Meaning.AMPLITUDE, channel)
