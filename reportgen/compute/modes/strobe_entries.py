"""Strobe entries of the notes held against their drive frequencies."""

from __future__ import annotations

from collections.abc import Iterable

from reportgen.compute.modes.strobe import check_strobe
from reportgen.records.finding import Finding, note, warning
from reportgen.records.message import Place, message
from reportgen.records.note import Note, StrobeSeen


def strobe_findings(notes: Iterable[Note]) -> tuple[Finding, ...]:
    """A warning for an entry that contradicts its drive frequency, a note for one that agrees or stands alone."""
    return tuple(_finding(each.where, fact) for each in notes for fact in each.facts if isinstance(fact, StrobeSeen))


def _finding(where: Place, fact: StrobeSeen) -> Finding:
    if fact.drive_hz is None:
        return note(where, message("strobe.without-drive", flash_hz=fact.flash_hz))
    check = check_strobe(fact.drive_hz, fact.flash_hz, fact.apparent_hz)
    said = message("strobe.entry", flash_hz=fact.flash_hz, drive_hz=fact.drive_hz, what=check.said)
    return warning(where, said) if check.consistent is False else note(where, said)
