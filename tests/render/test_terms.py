"""Members of enumerations that messages carry are terms: each has its word in every language."""

from __future__ import annotations

from pathlib import Path

import pytest

from reportgen.compute.quality.unit_factor import UnitPair
from reportgen.records.deviation import DeviationCode
from reportgen.records.job import Boundary
from reportgen.records.message import message
from reportgen.records.note import MotionKind
from reportgen.records.report import Pairing
from reportgen.records.result import NotJudgedCause
from reportgen.render.catalogue import catalogue

WORDS = Path(__file__).resolve().parents[2] / "templates" / "words"
ALIKE = {"axial"}
"""Terms that German spells as English does."""


@pytest.mark.parametrize("kind", [NotJudgedCause, UnitPair, MotionKind, Boundary, DeviationCode, Pairing])
def test_every_term_is_said_in_german(kind):
    """Fault: a German sentence named the kind of motion, or two units, in English."""
    german = catalogue(WORDS, "de")
    said = {str(each): german.format_field(each, "") for each in kind}
    assert {term for term, word in said.items() if term == word} <= ALIKE


def test_a_unit_taken_for_another_is_named_in_the_language():
    units = message("quality.unit-sensor", channel="A1", ratio=9.81, units=UnitPair.PEAK_AND_RMS)
    assert "Scheitelwert und Effektivwert" in catalogue(WORDS, "de").say(units)
    assert "peak and rms" in catalogue(WORDS, "en").say(units)
