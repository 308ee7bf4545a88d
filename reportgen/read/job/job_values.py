"""Values of the job file: quantities, bands, breakpoints, tolerances. What cannot be taken says what to write."""

from __future__ import annotations

import contextlib
import itertools
import math
from collections.abc import Iterable
from datetime import date, datetime
from pathlib import Path
from typing import TypeVar

from reportgen.errors import UnitError
from reportgen.read.job.job_folder import slashed
from reportgen.records.check import Check
from reportgen.records.job import Breakpoint, OutputKind, RatioBand, SweepRate, ToleranceBand, TrackingFilter
from reportgen.records.message import Message, message
from reportgen.units import Detector, Dimension, Quantity, parse_quantity, parse_unit

LONGEST_TEXT = 20_000
"""Characters of one text; more is a file pasted by mistake."""


class Refused(Exception):
    """A value that cannot be taken, with what is wrong and what to write."""

    def __init__(self, what: Message) -> None:
        super().__init__(what)
        self.what = what


class NotOneOf(Exception):
    """A word that is none of the ``known`` ones."""

    def __init__(self, known: tuple[str, ...]) -> None:
        super().__init__(known)
        self.known = known


LONGEST_REVISION = 40
"""A revision is a letter or a number, at most a date; the next one is counted up from it."""


def revision_of(value: object) -> str:
    """A revision, as text."""
    text = text_of(value)
    if len(text) > LONGEST_REVISION:
        raise Refused(message("value.revision-too-long", length=len(text), most=LONGEST_REVISION))
    return text


def text_of(value: object) -> str:
    """Text in quotes, stripped; a whole number is taken as it is written."""
    if isinstance(value, int) and not isinstance(value, bool):
        value = str(value)
    if not isinstance(value, str):
        raise Refused(message("value.no-text", found=shown(value), bare=str(value)))
    if not value.strip():
        raise Refused(message("value.empty"))
    if len(value) > LONGEST_TEXT:
        raise Refused(message("value.too-long", length=len(value), most=LONGEST_TEXT))
    if any(ord(c) < 32 and c not in "\n\t\r" for c in value):
        raise Refused(message("value.control-character"))
    return value.strip()


def shown(value: object) -> str:
    """A value as the job file has it, text in quotes, shortened."""
    text = f"'{value}'" if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else text[:57] + "..."


def path_of(value: object) -> Path:
    """Name of a file, with the strokes of either system."""
    return slashed(text_of(value))


def clause_of(value: object) -> str:
    """Number of a clause, as text: 7.10 as a number would lose its zero."""
    if isinstance(value, float):
        raise Refused(message("value.clause-number", found=str(value)))
    return text_of(value)


def when_of(value: object) -> str:
    """Text; a day or a moment of TOML as it is written."""
    if isinstance(value, datetime):
        return value.isoformat(sep=" ")
    return text_of(str(value) if isinstance(value, date) else value)


_YES = ("true", "yes", "on", "1", "t", "y")
_NO = ("false", "no", "off", "0", "f", "n")


def truth_of(value: object) -> bool:
    """``true`` or ``false``; what other formats write for them is taken, too."""
    word = f"{value:g}" if isinstance(value, float) else str(value).lower()
    if not isinstance(value, bool | int | float | str) or word not in (*_YES, *_NO):
        raise Refused(message("value.no-truth", found=shown(value)))
    return word in _YES


def outputs_of(value: object) -> tuple[OutputKind, ...]:
    """Kinds of output in their own order, each once; a report is a PDF, a page for a browser, or both."""
    known = tuple(str(each) for each in OutputKind)
    asked = value if isinstance(value, list) else [value]
    odd = [each for each in asked if each not in known]
    if odd:
        raise Refused(message("value.outputs", found=shown(odd[0]), known=known))
    chosen = tuple(each for each in OutputKind if each in asked)
    if not {OutputKind.PDF, OutputKind.HTML} & set(chosen):
        raise Refused(message("value.outputs-without-report"))
    return chosen


def _measured(text: object, dimensions: tuple[str, ...], sample: str) -> Quantity:
    if not isinstance(text, str):
        raise Refused(message("value.no-unit", found=shown(text), sample=sample))
    try:
        return parse_quantity(text, *dimensions)
    except UnitError as failure:
        if isinstance(failure.said, Message) and sample in dict(failure.said.values).values():
            raise Refused(failure.said) from None
        raise Refused(message("value.no-quantity", what=failure.said, sample=sample)) from None


def positive(text: object, dimensions: tuple[str, ...], sample: str) -> Quantity:
    """Quantity of one of the dimensions, more than zero; ``sample`` is what the message shows."""
    quantity = _measured(text, dimensions, sample)
    if not quantity.si > 0:
        raise Refused(message("value.not-positive", found=shown(text), sample=sample))
    return quantity


def percentage(text: object, sample: str = "5 %") -> Quantity:
    """Ratio that is written with its percent sign."""
    quantity = positive(text, ("ratio",), sample)
    if quantity.unit.symbol != "%":
        raise Refused(message("value.no-percent-sign", found=shown(text), sample=sample))
    return quantity


def small_share(text: object, sample: str = "20 ppm") -> Quantity:
    """Ratio that is written with ``ppm`` or a percent sign: a bare number would be taken for the one or the other."""
    quantity = positive(text, ("ratio",), sample)
    if quantity.unit.symbol not in ("%", "ppm"):
        raise Refused(message("value.no-share-sign", found=shown(text), sample=sample))
    return quantity


def sweep_cycles_of(value: object) -> float:
    """Number of sweep cycles, there and back; one sweep up is half a cycle."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0.5 <= value < 1e6:
        raise Refused(message("value.no-sweep-cycles", found=shown(value)))
    return float(value)


def position_of(text: object) -> Quantity:
    """Place along a beam: ``380 mm``, ``0.9 L`` or ``90 %``."""
    if isinstance(text, str) and text.strip().endswith(("L", "l")):
        number = _measured(text.strip()[:-1].strip() + " 1", ("ratio",), "0.9 L")
        quantity = Quantity(text.strip(), number.value, parse_unit("1"))
    else:
        quantity = _measured(text, ("displacement", "ratio"), "380 mm")
    if quantity.si < 0 or (quantity.dimension == "ratio" and quantity.si > 1):
        raise Refused(message("value.outside-beam", found=shown(text)))
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
    raise Refused(message("value.no-date", found=shown(value)))


def moment_of(value: object) -> datetime:
    """The laboratory's own clock: an offset that is written along is not carried on."""
    if isinstance(value, str):
        with contextlib.suppress(ValueError):
            value = datetime.fromisoformat(value.strip())
    if isinstance(value, datetime):
        return _of_our_time(value.replace(tzinfo=None))
    if isinstance(value, date):
        return _of_our_time(datetime(value.year, value.month, value.day))
    raise Refused(message("value.no-moment", found=shown(value)))


def _of_our_time(value: Day) -> Day:
    if value.year not in _YEARS:
        raise Refused(message("value.year", found=value.isoformat(), first=_YEARS[0], last=_YEARS[-1]))
    return value


def sweep_rate_of(text: object) -> SweepRate:
    """``2 oct/min`` or ``5 Hz/s``."""
    quantity = positive(text, (Dimension.LOGARITHMIC_SWEEP_RATE, Dimension.LINEAR_SWEEP_RATE), "2 oct/min")
    unit = "oct/min" if quantity.dimension is Dimension.LOGARITHMIC_SWEEP_RATE else "Hz/s"
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
        raise Refused(message("value.filter-too-narrow", found=shown(quantity.text)))
    return found


AMPLITUDES = ("acceleration", "displacement", "velocity")


def _breakpoint(value: object) -> Breakpoint:
    if not isinstance(value, list | tuple) or len(value) not in (2, 3):
        raise Refused(message("value.no-breakpoint", found=shown(value)))
    frequency = positive(value[0], ("frequency",), "5 Hz")
    amplitude = positive(value[1], AMPLITUDES, "10 mm")
    slope = _measured(value[2], ("slope",), "6 dB/oct").si if len(value) == 3 else None
    return Breakpoint(
        frequency_hz=frequency.si,
        amplitude=amplitude.peak,
        dimension=amplitude.dimension,
        text=(frequency.text, amplitude.text),
        slope_to_next_db_per_oct=slope,
    )


def breakpoints_of(value: object) -> tuple[Breakpoint, ...]:
    """Corners of a profile, in rising frequency."""
    if not isinstance(value, list):
        raise Refused(message("value.no-breakpoints"))
    points = tuple(_breakpoint(each) for each in value)
    if len(points) < 2:
        raise Refused(message("value.one-breakpoint"))
    for before, after in itertools.pairwise(points):
        if after.frequency_hz < before.frequency_hz:
            raise Refused(message("value.breakpoints-fall", first=before.text[0], second=after.text[0]))
    if not points[-1].frequency_hz > points[0].frequency_hz:
        raise Refused(message("value.no-range", at=points[0].text[0]))
    return points


def _decibels(text: object, sign: int) -> float:
    """One side of a tolerance in dB: a percentage p is 20·lg(1 + p)."""
    quantity = _measured(text, ("ratio", "level"), "10 %")
    size = math.copysign(abs(quantity.si), sign)
    if quantity.dimension == "level":
        return size
    if quantity.unit.symbol != "%":
        raise Refused(message("value.tolerance-unit", found=shown(text)))
    if not size > -1:
        raise Refused(message("value.tolerance-too-wide", found=shown(text)))
    return 20.0 * math.log10(1.0 + size)


def _sides(limit: object) -> tuple[float, float, str]:
    """Lower and upper limit in dB, and the text, of ``"10 %"``, ``"3 dB"`` or ``["-10 %", "+5 %"]``."""
    if isinstance(limit, str):
        bare = limit.replace("±", "").replace("+/-", "").strip()
        if not _measured(bare, ("ratio", "level"), "10 %").si > 0:
            raise Refused(message("value.tolerance-not-positive", found=shown(limit)))
        return _decibels(bare, -1), _decibels(bare, +1), limit.strip()
    if isinstance(limit, list) and len(limit) == 2 and all(isinstance(each, str) for each in limit):
        lower, upper = (_measured(each, ("ratio", "level"), "10 %") for each in limit)
        if lower.si > 0 or upper.si < 0:
            raise Refused(message("value.tolerance-sides", found=shown(limit)))
        return _decibels(limit[0], -1), _decibels(limit[1], +1), f"{limit[0].strip()} {limit[1].strip()}"
    raise Refused(message("value.no-tolerance", found=shown(limit)))


def band_of(value: object) -> tuple[float, float]:
    """Two rising frequencies, Hz, of ``["5 Hz", "100 Hz"]``."""
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise Refused(message("value.no-band", found=shown(value)))
    low, high = (_measured(each, ("frequency",), "5 Hz").si for each in value)
    if not 0 <= low < high:
        raise Refused(message("value.band-falls", found=shown(value)))
    return low, high


def _tolerance_band(entry: object) -> ToleranceBand:
    if not isinstance(entry, dict) or set(entry) != {"band", "limit"}:
        raise Refused(message("value.no-tolerance-band", found=shown(entry)))
    low, high = band_of(entry["band"])
    lower, upper, text = _sides(entry["limit"])
    return ToleranceBand(lower_db=lower, upper_db=upper, from_hz=low, to_hz=high, text=text)


def tolerance_of(value: object) -> tuple[ToleranceBand, ...]:
    """Tolerance over all frequencies, or by bands that do not overlap."""
    if isinstance(value, list) and value and not any(isinstance(each, str) for each in value):
        return _apart(_tolerance_band(each) for each in value)
    lower, upper, text = _sides(value)
    return (ToleranceBand(lower_db=lower, upper_db=upper, text=text),)


Band = TypeVar("Band", ToleranceBand, RatioBand)


def _apart(entries: Iterable[Band]) -> tuple[Band, ...]:
    """Bands in rising frequency. Raises Refused where two overlap."""
    bands = tuple(sorted(entries, key=lambda band: band.from_hz))
    for low, high in itertools.pairwise(bands):
        if high.from_hz < low.to_hz:
            raise Refused(message("value.bands-overlap", from_hz=high.from_hz, to_hz=low.to_hz))
    return bands


def _ratio_band(entry: object) -> RatioBand:
    if not isinstance(entry, dict) or set(entry) != {"band", "limit"}:
        raise Refused(message("value.no-ratio-band", found=shown(entry)))
    (low, high), limit = band_of(entry["band"]), percentage(entry["limit"], "50 %")
    return RatioBand(limit=limit.si, from_hz=low, to_hz=high, text=limit.text)


def ratio_bands_of(value: object) -> tuple[RatioBand, ...]:
    """A largest ratio over all frequencies, or by bands that do not overlap."""
    if isinstance(value, list) and value:
        return _apart(_ratio_band(each) for each in value)
    limit = percentage(value, "50 %")
    return (RatioBand(limit=limit.si, text=limit.text),)


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
    raise Refused(message("value.no-detector", found=shown(value)))


def confidence_of(value: object) -> float:
    """Coverage from 0.5 up to 1, as a number or in percent."""
    if isinstance(value, str):
        value = _measured(value, ("ratio",), "95 %").si
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0.5 <= value <= 0.999999:
        raise Refused(message("value.no-coverage", found=shown(value)))
    return float(value)


def whole_number(value: object) -> int:
    """Whole number from 1 up."""
    if isinstance(value, bool) or not isinstance(value, int) or value < 1:
        raise Refused(message("value.no-whole-number", found=shown(value)))
    return value


def condition_of(value: object, sample: str) -> str:
    """Condition of the laboratory, as written, with a unit."""
    if not isinstance(value, str):
        raise Refused(message("value.condition-unit", found=shown(value), sample=sample))
    return text_of(value)


def limit_of(check: Check, value: object) -> Quantity:
    """Limit of a requirement, in the dimension its check compares; text as written."""
    dimensions, sample = check.limit_dimensions, check.limit_example
    if not dimensions:
        raise Refused(message("value.check-takes-no-limit", check=check.name))
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
    names = tuple(each.name for each in checks)
    if value not in names:
        raise NotOneOf(names)
    return str(value)


def one_of(known: tuple[str, ...], value: object) -> str:
    """One of several words."""
    if not isinstance(value, str) or value not in known:
        raise NotOneOf(known)
    return value
