"""Factors that a file states beside its numbers and that nobody applies: a scale, a gain, a sensitivity."""

from __future__ import annotations

import re
from collections.abc import Iterable

from reportgen.records.message import Message, message

_FACTORS = (
    r"scal(?:e|ing)(?:[\s_\-]*factors?)?|(?:multiplier|multiplication[\s_\-]*factor)|(?:calibration|cal|conversion)[\s_\-]*factors?|"
    r"factor|faktor|skalierung(?:sfaktor)?|kalibrierfaktor|umrechnungsfaktor|facteur(?:\s+d.[ée]chelle)?"
)
_OF_RAW_NUMBERS = r"gain|sensitivity|calibration|lsb|counts[\s_]per[\s_]unit|empfindlichkeit|verst[äa]e?rkung"
"""Said of readings in their unit as well, so that only whole numbers, as a converter gives them, are in doubt."""
_NUMBER = r"[+\-]?[.,]?\d[\d.,]*(?:[eE][+\-]?\d{1,3})?"
_LINE = re.compile(rf"\W*(?:{_FACTORS})\W*?[\s:=;,|\"']+(?={_NUMBER}(?:$|[\s;,|\"']))(.+)", re.IGNORECASE)
_LONGEST_LINE = 300
"""Characters of a line that are looked at."""


def factors_in_lines(lines: Iterable[str]) -> tuple[Message, ...]:
    """What is said of lines above a table that state a factor other than 1.

    >>> [each.value("told") for each in factors_in_lines(["Scale factor,0.001,0.001", "Scale factor: 1.0", "Gain: 10"])]
    ['Scale factor,0.001,0.001']
    >>> len(factors_in_lines(["Scale factor;1;0,001", "Scale factor = .001", "Scale factor,1.0,1.0"]))
    2
    """
    shown = [line.strip()[:_LONGEST_LINE] for line in lines]
    found = [(line, match) for line in shown if (match := _LINE.match(line))]
    return tuple(_not_applied(line) for line, match in found if not _are_ones(match[1]))


def factor_of(name: str, value: float, *, whole_numbers: bool) -> Message | None:
    """What is said of a number of a file by its name; None where it is no factor, or 1.

    >>> factor_of("gain", 0.001, whole_numbers=True) is None, factor_of("gain", 0.001, whole_numbers=False) is None
    (False, True)
    """
    kinds = f"{_FACTORS}|{_OF_RAW_NUMBERS}" if whole_numbers else _FACTORS
    if value == 1.0 or re.fullmatch(kinds, name.strip(), re.IGNORECASE) is None:
        return None
    return _not_applied(f"{name} = {value:g}")


def _not_applied(told: str) -> Message:
    return message("record.factor-not-applied", told=told)


def _are_ones(told: str) -> bool:
    """Whether each number is 1; a comma may be a decimal sign or stand between numbers."""
    cells = [each for each in re.split(r"[\s;|\"']+", told) if re.fullmatch(_NUMBER, each)]
    return all(_value(cell) == 1.0 or all(_value(each) == 1.0 for each in cell.strip(",").split(",")) for cell in cells)


def _value(text: str) -> float | None:
    try:
        return float(text.rstrip(".,").replace(",", "."))
    except ValueError:
        return None
