"""Slow motion under a strobe against samples of the motion itself."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reportgen.compute.modes.strobe import apparent_hz, check_strobe, possible_drives
from reportgen.compute.modes.strobe_entries import strobe_findings
from reportgen.records.message import message
from reportgen.records.note import Note, StrobeSeen


# Common practice, no source: 84 Hz under 86 Hz flashes moves at 2 Hz, 7.4 Hz under 6.4 Hz flashes at 1 Hz.
@pytest.mark.parametrize("drive, flash, seen", [(84.0, 86.0, -2.0), (7.4, 6.4, 1.0)])
def test_known_cases(drive, flash, seen):
    assert apparent_hz(drive, flash) == pytest.approx(seen)
    assert check_strobe(drive, flash, abs(seen)).consistent is True


@given(st.floats(1.0, 3000.0), st.floats(3.0, 500.0))
def test_samples_of_the_motion_move_so(drive, flash):
    """Flash by flash the phase of the motion advances by the apparent frequency, in size and in sense."""
    flashes = np.arange(6) / flash
    motion = np.exp(2j * np.pi * drive * flashes)
    slow = np.exp(2j * np.pi * apparent_hz(drive, flash) * flashes)
    assert motion == pytest.approx(slow, abs=1e-6)
    assert abs(apparent_hz(drive, flash)) <= flash / 2 * (1 + 1e-9)


@given(st.floats(20.0, 500.0), st.floats(0.1, 5.0))
def test_every_drive_named_as_possible_looks_the_same(flash, seen):
    for drive in possible_drives(flash, seen):
        doubled = apparent_hz(2 * drive, flash) / 2
        assert min(abs(abs(apparent_hz(drive, flash)) - seen), abs(abs(doubled) - seen)) < 1e-5


def test_a_contradiction_is_said():
    check = check_strobe(84.0, 86.0, 5.0)
    assert check.consistent is False
    assert check.said.value("law").value("apparent_hz") == pytest.approx(-2.0)
    assert check_strobe(84.0, 86.0, None).consistent is None


def test_the_strobe_alone_gives_no_drive_frequency():
    agrees = check_strobe(84.0, 86.0, 2.0).said
    assert agrees.code == "strobe.agrees"
    assert {88.0, 170.0, 174.0} <= set(agrees.value("possible_hz"))


def test_entries_of_the_notes():
    notes = (
        Note(source="notes.txt", line=1, text="", facts=(StrobeSeen(flash_hz=86.0, drive_hz=84.0, apparent_hz=2.0),)),
        Note(source="notes.txt", line=2, text="", facts=(StrobeSeen(flash_hz=86.0, drive_hz=84.0, apparent_hz=6.0),)),
        Note(source="notes.txt", line=3, text="", facts=(StrobeSeen(flash_hz=86.0),)),
    )
    found = strobe_findings(notes)
    assert [(str(each.severity), each.where) for each in found] == [
        ("note", "notes.txt:1"),
        ("warning", "notes.txt:2"),
        ("note", "notes.txt:3"),
    ]
    assert found[2].message == message("strobe.without-drive", flash_hz=86.0)
