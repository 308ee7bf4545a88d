"""Conditions in the laboratory, as the operator's notes tell them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from reportgen.records.finding import Finding, note, warning
from reportgen.records.job import Environment, Job
from reportgen.records.message import message
from reportgen.records.note import Note

_NUMBER = r"(?<![\d.,])(-?\d{1,4}(?:[.,]\d{1,3})?)\s*"
_NUMBER_ALONE = r"-?\d+(?:[.,]\d+)?"
_CONDITIONS = {
    "temperature": re.compile(_NUMBER + r"(°\s*C)\b"),
    "humidity": re.compile(
        _NUMBER + r"(%\s*(?:rh|r\.\s*h\.|rF|r\.\s*F\.|relative humidity|relative Feuchte))", re.IGNORECASE
    ),
    "pressure": re.compile(_NUMBER + r"(hPa|mbar)\b", re.IGNORECASE),
}
"""Number and unit of each condition of ``[environment]``."""
_UNITS = {"temperature": "°C", "humidity": "% rh", "pressure": "hPa"}
"""As the report says them; 1 mbar is 1 hPa."""
_UNITS_IN = {"de": {"humidity": "% rF"}}
"""Where a language of the report has another."""


def with_environment_of_notes(
    job: Job, notes: Sequence[Note], as_stated: Environment | None = None
) -> tuple[Job, tuple[Finding, ...]]:
    """The job with the conditions that the notes tell, where it asks for these and does not state them itself.

    Of each note the first value of a condition counts, since a second one on the line is often a limit; of several
    notes the lowest and the highest are given. Each is said in a finding with its place. ``as_stated`` is the
    environment before the logs were asked: what they told is widened by what the notes tell.
    """
    stated, own = job.environment, as_stated or job.environment
    if not stated.from_notes:
        return job, ()
    findings: list[Finding] = []
    for name, pattern in _CONDITIONS.items():
        found = [(match, each.where) for each in notes if (match := pattern.search(each.text)) is not None]
        if getattr(own, name) is None and found:
            unit = _UNITS_IN.get(job.report.language, {}).get(name, _UNITS[name])
            numbers = [match[1] for match, _ in found]
            numbers += re.findall(_NUMBER_ALONE, getattr(stated, name) or "")
            value, places = _value(numbers, unit, job.report.language), tuple(where for _, where in found)
            stated = replace(stated, **{name: value})  # type: ignore[arg-type]
            findings.append(note(stated.where, message("environment.from-notes", key=name, value=value, places=places)))
    missing = tuple(name for name in ("temperature", "humidity") if getattr(stated, name) is None)
    if missing:
        findings.append(warning(stated.where, message("environment.not-in-notes", keys=missing)))
    return replace(job, environment=stated), tuple(findings)


def _value(numbers: Sequence[str], unit: str, language: str) -> str:
    """One value, or the lowest and the highest, digits as written, decimal sign and unit as the report has them."""
    ordered = sorted((each.replace(",", ".") for each in numbers), key=float)
    sign = "," if language == "de" else "."
    return " – ".join(dict.fromkeys(f"{each.replace('.', sign)} {unit}" for each in (ordered[0], ordered[-1])))
