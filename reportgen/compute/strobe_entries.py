"""Strobe entries of the notes held against their drive frequencies."""

from __future__ import annotations

from collections.abc import Iterable

from reportgen.compute.strobe import check_strobe
from reportgen.records.finding import Finding, note, warning
from reportgen.records.note import Note, StrobeSeen


def strobe_findings(notes: Iterable[Note]) -> tuple[Finding, ...]:
    """A warning for an entry that contradicts its drive frequency, a note for one that agrees or stands alone."""
    return tuple(_finding(each.where, fact) for each in notes for fact in each.facts if isinstance(fact, StrobeSeen))


def _finding(where: str, fact: StrobeSeen) -> Finding:
    if fact.drive_hz is None:
        return note(
            where,
            f"strobe {fact.flash_hz:g} Hz stands without a drive frequency; a drive frequency is never taken from the "
            "strobe alone: write it beside the strobe rate",
        )
    check = check_strobe(fact.drive_hz, fact.flash_hz, fact.apparent_hz)
    text = f"strobe {fact.flash_hz:g} Hz, drive {fact.drive_hz:g} Hz: {check.text}"
    return warning(where, text) if check.consistent is False else note(where, text)
