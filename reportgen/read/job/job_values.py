"""Values of the job file: quantities, bands, breakpoints, tolerances. What cannot be taken says what to write."""

from __future__ import annotations

import contextlib
import itertools
import math
from datetime import date, datetime
from typing import TypeVar

from pydantic_core import PydanticCustomError

from reportgen.errors import UnitError
from reportgen.records.check import Check
from reportgen.records.job import Breakpoint, SweepRate, ToleranceBand, TrackingFilter
from reportgen.units import Detector, Quantity, parse_quantity, parse_unit

LONGEST_TEXT = 20_000
"""Characters of one text; more is a file pasted by mistake."""


def refuse(message: str) -> PydanticCustomError:
    """Make an error whose message is shown as it stands."""
    return PydanticCustomError("job", "{message}", {"message": message})


LONGEST_REVISION = 40
"""A revision is a letter or a number, at most a date; the next one is counted up from it."""


def revision_of(value: object) -> str:
    """A revision, as text."""
    text = text_of(value)
    if len(text) > LONGEST_REVISION:
        raise refuse(f"is {len(text)} characters long; a revision has at most {LONGEST_REVISION}")
    return text


def text_of(value: object) -> str:
    """Text in quotes, stripped; a whole number is taken as it is written."""
    if isinstance(value, int) and not isinstance(value, bool):
        value = str(value)
    if not isinstance(value, str):
        raise refuse(f'{shown(value)} is not text; write it in quotes: "{value}"')
    if not value.strip():
        raise refuse("is empty; write the text, or remove the line")
    if len(value) > LONGEST_TEXT:
        raise refuse(f"is {len(value)} characters long; at most {LONGEST_TEXT} are taken")
    if any(ord(c) < 32 and c not in "\n\t\r" for c in value):
        raise refuse("holds a control character; remove it")
    return value.strip()


def shown(value: object) -> str:
    """A value as a user may recognise it, shortened."""
    text = repr(value) if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else text[:57] + "..."


def texts_of(value: object) -> object:
    """A single text where a list may stand."""
    return [value] if isinstance(value, str) else value


def _measured(text: object, dimensions: tuple[str, ...], sample: str) -> Quantity:
    if not isinstance(text, str):
        raise refuse(f'{shown(text)} has no unit; write a number and its unit in quotes, such as "{sample}"')
    try:
        return parse_quantity(text, *dimensions)
    except UnitError as failure:
        hint = "" if sample in str(failure) else f'; write for example "{sample}"'
        raise refuse(f"{failure}{hint}") from None


def positive(text: object, dimensions: tuple[str, ...], sample: str) -> Quantity:
    """Quantity of one of the dimensions, more than zero; ``sample`` is what the message shows."""
    quantity = _measured(text, dimensions, sample)
    if not quantity.si > 0:
        raise refuse(f'{text!r} must be more than zero; write for example "{sample}"')
    return quantity


def percentage(text: object, sample: str = "5 %") -> Quantity:
    """Ratio that is written with its percent sign."""
    quantity = positive(text, ("ratio",), sample)
    if quantity.unit.symbol != "%":
        raise refuse(f'{text!r} has no unit; write it with its percent sign, such as "{sample}"')
    return quantity


def position_of(text: object) -> Quantity:
    """Place along a beam: ``380 mm``, ``0.9 L`` or ``90 %``."""
    if isinstance(text, str) and text.strip().endswith(("L", "l")):
        number = _measured(text.strip()[:-1].strip() + " 1", ("ratio",), "0.9 L")
        quantity = Quantity(text.strip(), number.value, parse_unit("1"))
    else:
        quantity = _measured(text, ("displacement", "ratio"), "380 mm")
    if quantity.si < 0 or (quantity.dimension == "ratio" and quantity.si > 1):
        raise refuse(f'{text!r} lies outside the beam; write "380 mm" from its first named end, or "0.9 L"')
    return quantity


_YEARS = range(1900, 2200)
Day = TypeVar("Day", date, datetime)


def day_of(value: object) -> date:
    """Date, as TOML has it or as text in ISO form."""
    if isinstance(value, str):
        with contextlib.suppress(ValueError):
            value = datetime.fromisoformat(value.strip())
    if isinstance(value, date):
        return _of_our_time(value.date() if isinstance(value, datetime) else value)
    raise refuse(f"{shown(value)} is not a date; write year, month and day, such as 2026-03-20")


def moment_of(value: object) -> datetime:
    """The laboratory's own clock: an offset that is written along is not carried on."""
    if isinstance(value, str):
        with contextlib.suppress(ValueError):
            value = datetime.fromisoformat(value.strip())
    if isinstance(value, datetime):
        return _of_our_time(value.replace(tzinfo=None))
    if isinstance(value, date):
        return _of_our_time(datetime(value.year, value.month, value.day))
    raise refuse(f"{shown(value)} is not a date and time; write it such as 2026-03-12T09:14:00")


def _of_our_time(value: Day) -> Day:
    if value.year not in _YEARS:
        raise refuse(f"{value.isoformat()} lies outside the years {_YEARS[0]} to {_YEARS[-1]}; write the year in full")
    return value


def sweep_rate_of(text: object) -> SweepRate:
    """``2 oct/min`` or ``5 Hz/s``."""
    quantity = positive(text, ("logarithmic sweep rate", "linear sweep rate"), "2 oct/min")
    unit = "oct/min" if quantity.dimension == "logarithmic sweep rate" else "Hz/s"
    return SweepRate(value=quantity.si, unit=unit, text=quantity.text)


_NARROWEST_HZ = 0.001
_NARROWEST_SHARE = 1e-5


def tracking_filter_of(text: object) -> TrackingFilter:
    """``10 Hz``, or ``5 %`` of the frequency."""
    quantity = positive(text, ("frequency", "ratio"), "10 Hz")
    if quantity.dimension == "frequency":
        found = TrackingFilter(bandwidth_hz=quantity.si, text=quantity.text)
    else:
        found = TrackingFilter(fraction=percentage(text).si, text=quantity.text)
    if (found.bandwidth_hz or 1.0) < _NARROWEST_HZ or (found.fraction or 1.0) < _NARROWEST_SHARE:
        raise refuse(f'{quantity.text!r} is narrower than a filter that follows a sweep; write for example "10 Hz"')
    return found


def peak_of(quantity: Quantity) -> float:
    """Peak in SI: the detector the unit names is applied (``20 mm p-p`` is 0.01 m)."""
    detector = quantity.unit.detector or Detector.PEAK
    return quantity.si * detector.to_peak


AMPLITUDES = ("acceleration", "displacement", "velocity")


def _breakpoint(value: object) -> Breakpoint:
    if not isinstance(value, list | tuple) or len(value) not in (2, 3):
        raise refuse(
            f"{shown(value)} is not a breakpoint; write frequency and amplitude, such as "
            '["5 Hz", "10 mm"], and the slope to the next one where it has a slope: ["20 Hz", "1 g", "6 dB/oct"]'
        )
    frequency = positive(value[0], ("frequency",), "5 Hz")
    amplitude = positive(value[1], AMPLITUDES, "10 mm")
    slope = _measured(value[2], ("slope",), "6 dB/oct").si if len(value) == 3 else None
    return Breakpoint(
        frequency_hz=frequency.si,
        amplitude=peak_of(amplitude),
        dimension=amplitude.dimension,
        text=(frequency.text, amplitude.text),
        slope_to_next_db_per_oct=slope,
    )


def breakpoints_of(value: object) -> tuple[Breakpoint, ...]:
    """Corners of a profile, in rising frequency."""
    if not isinstance(value, list):
        raise refuse('must be a list of breakpoints, such as [["5 Hz", "10 mm"], ["100 Hz", "10 mm"]]')
    points = tuple(_breakpoint(each) for each in value)
    if len(points) < 2:
        raise refuse(
            'has fewer than two breakpoints; write at least the two ends: [["5 Hz", "1 g"], ["2000 Hz", "1 g"]]'
        )
    for before, after in itertools.pairwise(points):
        if after.frequency_hz < before.frequency_hz:
            raise refuse(f"falls from {before.text[0]} to {after.text[0]}; write the breakpoints in rising frequency")
    if not points[-1].frequency_hz > points[0].frequency_hz:
        raise refuse(f"begins and ends at {points[0].text[0]}; a profile needs a range of frequency")
    return points


def _decibels(text: object, sign: int) -> float:
    """One side of a tolerance in dB: a percentage p is 20·lg(1 + p)."""
    quantity = _measured(text, ("ratio", "level"), "10 %")
    size = math.copysign(abs(quantity.si), sign)
    if quantity.dimension == "level":
        return size
    if quantity.unit.symbol != "%":
        raise refuse(f'{text!r} has no unit; write "10 %" or "3 dB"')
    if not size > -1:
        raise refuse(f'{text!r} leaves no lower limit; a tolerance is smaller than 100 %, such as "10 %" or "3 dB"')
    return 20.0 * math.log10(1.0 + size)


def _sides(limit: object) -> tuple[float, float, str]:
    """Lower and upper limit in dB, and the text, of ``"10 %"``, ``"3 dB"`` or ``["-10 %", "+5 %"]``."""
    if isinstance(limit, str):
        bare = limit.replace("±", "").replace("+/-", "").strip()
        if not _measured(bare, ("ratio", "level"), "10 %").si > 0:
            raise refuse(f'{limit!r} must be more than zero, such as "10 %"; two sides are written ["-10 %", "+5 %"]')
        return _decibels(bare, -1), _decibels(bare, +1), limit.strip()
    if isinstance(limit, list) and len(limit) == 2 and all(isinstance(each, str) for each in limit):
        lower, upper = (_measured(each, ("ratio", "level"), "10 %") for each in limit)
        if lower.si > 0 or upper.si < 0:
            raise refuse(f'{shown(limit)}: write the lower limit first, then the upper one: ["-10 %", "+5 %"]')
        return _decibels(limit[0], -1), _decibels(limit[1], +1), f"{limit[0].strip()} {limit[1].strip()}"
    raise refuse(f'{shown(limit)} is not a tolerance; write "10 %", "3 dB" or ["-10 %", "+5 %"]')


def band_of(value: object) -> tuple[float, float]:
    """Two rising frequencies, Hz, of ``["5 Hz", "100 Hz"]``."""
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise refuse(f'{shown(value)} is not a band; write its two ends, such as ["5 Hz", "100 Hz"]')
    low, high = (_measured(each, ("frequency",), "5 Hz").si for each in value)
    if not 0 <= low < high:
        raise refuse(f"{shown(value)} is not a rising band; write the lower frequency first")
    return low, high


def _tolerance_band(entry: object) -> ToleranceBand:
    if not isinstance(entry, dict) or set(entry) != {"band", "limit"}:
        raise refuse(
            f'{shown(entry)} is not a band of tolerance; write {{ band = ["5 Hz", "100 Hz"], limit = "10 %" }}'
        )
    low, high = band_of(entry["band"])
    lower, upper, text = _sides(entry["limit"])
    return ToleranceBand(lower_db=lower, upper_db=upper, from_hz=low, to_hz=high, text=text)


def tolerance_of(value: object) -> tuple[ToleranceBand, ...]:
    """Tolerance over all frequencies, or by bands that do not overlap."""
    if isinstance(value, list) and value and not any(isinstance(each, str) for each in value):
        bands = tuple(sorted((_tolerance_band(each) for each in value), key=lambda band: band.from_hz))
        for low, high in itertools.pairwise(bands):
            if high.from_hz < low.to_hz:
                raise refuse(f"has bands that overlap from {high.from_hz:g} Hz to {low.to_hz:g} Hz")
        return bands
    lower, upper, text = _sides(value)
    return (ToleranceBand(lower_db=lower, upper_db=upper, text=text),)


def detector_of(value: object) -> Detector:
    """``peak``, ``rms`` or ``peak-to-peak``, in the usual short forms too."""
    if isinstance(value, str):
        if value.strip().casefold() in {each.value for each in Detector}:
            return Detector(value.strip().casefold())
        try:
            found = parse_unit(f"g {value.strip()}").detector
        except UnitError:
            found = None
        if found is not None:
            return found
    raise refuse(f'{shown(value)} is not a way to give an amplitude; write "peak", "rms" or "peak-to-peak"')


def confidence_of(value: object) -> float:
    """Coverage from 0.5 up to 1, as a number or in percent."""
    if isinstance(value, str):
        value = _measured(value, ("ratio",), "95 %").si
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0.5 <= value <= 0.999999:
        raise refuse(f"{shown(value)} is not a coverage between 0.5 and 1; write for example 0.95")
    return float(value)


def whole_number(value: object) -> int:
    """Whole number from 1 up."""
    if isinstance(value, bool) or not isinstance(value, int) or value < 1:
        raise refuse(f"{shown(value)} is not a whole number from 1; write for example 1")
    return value


def condition_of(value: object, sample: str) -> str:
    """Condition of the laboratory, as written, with a unit."""
    if not isinstance(value, str):
        raise refuse(f'{shown(value)} has no unit; write it in quotes with its unit, such as "{sample}"')
    return text_of(value)


def limit_of(check: Check, value: object) -> Quantity:
    """Limit of a requirement, in the dimension its check compares; text as written."""
    dimensions, sample = check.limit_dimensions, check.limit_example
    if not dimensions:
        raise refuse(f"is not used by the check {check.name!r}; remove it")
    if not isinstance(value, bool) and isinstance(value, int | float) and not check.limit_in_percent:
        value = str(value) if dimensions == ("ratio",) else f"{value} cycles" if dimensions == ("count",) else value
    text = value.strip().lstrip("±≤≥<>=").removeprefix("+/-").strip() if isinstance(value, str) else value
    in_decibels = "level" in dimensions and isinstance(text, str) and "%" not in text
    if not check.limit_in_percent or in_decibels:
        quantity = positive(text, dimensions, sample)
    else:
        quantity = percentage(text, sample)
    return Quantity(str(value).strip(), quantity.value, quantity.unit)


def check_of(checks: tuple[Check, ...], value: object) -> str:
    """The name of a check there is."""
    names = [each.name for each in checks]
    if value not in names:
        raise PydanticCustomError("enum", "{expected}", {"expected": ", ".join(f"'{name}'" for name in names)})
    return str(value)
