"""The sample rate that the lines above a table state: ``Sampling rate: 51.2 kHz``, ``fs = 1000``, ``dt = 0,001 s``."""

from __future__ import annotations

import re
from collections.abc import Iterable

from reportgen.errors import UnitError
from reportgen.units import parse_unit

_RATES = (
    r"(?:sampl(?:e|ing)|scan|acquisition|data)[\s_\-]*(?:rate|frequency|freq)|abtast(?:rate|frequenz)|"
    r"(?:fr[ée]quence|taux)\s+d.[ée]chantillonnage|frecuencia\s+de\s+muestreo|f_?s|samples\s+per\s+second"
)
_INTERVALS = (
    r"(?:sampl(?:e|ing)|time|scan)[\s_\-]*(?:interval|increment|period|step)|abtast(?:intervall|periode|schritt)|zeitschritt|"
    r"pas\s+de\s+temps|delta[\s_\-]*t|Δt|dt"
)
_STATED = re.compile(
    rf"(?:^|(?<=[\s#%;,|\"'*]))(?:(?P<rate>{_RATES})|(?P<interval>{_INTERVALS}))"
    r"(?:\s*+[\[(]\s*+(?P<before>[^\])]{1,12})[\])])?[\"']?(?=[\s:=;,|])[\s:=;,|\"']++"
    r"(?P<number>[+]?(?:\d{1,3}(?:[ \u00a0\u202f]\d{3})+(?:[.,]\d+)?|\d[\d.,'’]{0,15}?)(?:[eE][+\-]?\d{1,3})?)"
    r"(?=$|[\s\"';|\[(]|,\s|,$|[a-zA-Zµμ])(?![ \u00a0\u202f]+\d)\s*[\"';,|]*\s*"
    r"[\[(]?(?P<after>[a-zA-Zµμ/]{1,12})?",
    re.IGNORECASE,
)
_LONGEST_LINE = 300
"""Characters of a line that are looked at."""
_SAME = 1e-3
"""Share by which statements of one rate may differ: intervals are written with few digits."""


def stated_rate(lines: Iterable[str], decimal: str = ".") -> float | None:
    """Sample rate, Hz, that the lines state; None where they state none, or several that differ.

    Without a unit a rate is in Hz and an interval in s. ``decimal`` is the decimal sign of the table below.

    >>> stated_rate(["Sampling rate: 51.2 kHz"]), stated_rate(["# dt = 0,001 s"], ","), stated_rate(["FS 50 g"])
    (51200.0, 1000.0, None)
    """
    found = [rate for line in lines for rate in _rates_in(line[:_LONGEST_LINE], decimal)]
    if not found or max(found) > (1.0 + _SAME) * min(found):
        return None
    return max(found, key=lambda rate: len(repr(rate)) < 8)


def _rates_in(line: str, decimal: str) -> list[float]:
    rates = []
    for each in _STATED.finditer(line):
        number, unit = _number(each["number"], decimal), each["before"] or each["after"]
        size = _size(unit, "frequency" if each["rate"] else "time")
        full_scale = unit is None and each["rate"] == "FS"
        several = unit is None and len(each["number"].split()) > 1  # 1 000 Hz is one number, 512 256 may be two
        if number is not None and size is not None and number > 0 and not full_scale and not several:
            rates.append(number * size if each["rate"] else float(f"{1.0 / (number * size):.12g}"))
    return rates


def _number(text: str, decimal: str) -> float | None:
    bare = "".join(text.split()).replace("'", "").replace("’", "")
    other = "." if decimal == "," else ","
    grouped = (
        re.fullmatch(rf"[1-9]\d{{0,2}}(?:{re.escape(other)}\d{{3}})+(?:{re.escape(decimal)}\d+)?", bare) is not None
    )
    bare = (bare.replace(other, "") if grouped else bare).replace(",", ".")
    try:
        return float(bare)
    except ValueError:
        return None


_SAMPLES_A_SECOND = {"sps": 1.0, "s/s": 1.0, "samples/s": 1.0, "ksps": 1e3, "ks/s": 1e3, "samples": 1.0}


def _size(unit: str | None, dimension: str) -> float | None:
    """SI value of a 1 of the unit; without one, of hertz or seconds; None for a unit of something else."""
    if unit is None:
        return 1.0
    if dimension == "frequency" and unit.casefold() in _SAMPLES_A_SECOND:
        return _SAMPLES_A_SECOND[unit.casefold()]
    try:
        found = parse_unit(unit)
    except UnitError:
        return None
    return found.factor if found.dimension == dimension else None
