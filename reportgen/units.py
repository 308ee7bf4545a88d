"""Units: one table, read at the door. Inside, every quantity is SI and every sinusoid is given by its peak.

>>> parse_quantity("10 mm").si
0.01
>>> parse_quantity("19 g", "acceleration").si
186.32635
>>> parse_quantity("2 oct/min").dimension
<Dimension.LOGARITHMIC_SWEEP_RATE: 'logarithmic sweep rate'>
"""

from __future__ import annotations

import difflib
import math
import re
import unicodedata
from dataclasses import dataclass
from enum import StrEnum

from reportgen.errors import UnitError
from reportgen.records.message import message

DIFFERENTIATIONS = {"acceleration": 0, "velocity": 1, "displacement": 2}
"""How often a motion is differentiated to become an acceleration; each adds a factor 2πf and 90°."""
CONDITIONS = ("temperature", "humidity")
"""Dimensions that are no sinusoid; in a mapping of columns and in a requirement their names are those of the room."""
STANDARD_GRAVITY = 9.80665
"""Conventional standard acceleration of free fall, m/s² exactly (ISO 80000-3)."""


class Detector(StrEnum):
    """How a number stands for a sinusoid."""

    PEAK = "peak"
    RMS = "rms"
    PEAK_TO_PEAK = "peak-to-peak"

    @property
    def to_peak(self) -> float:
        """Factor from a number so detected to the peak of the sinusoid."""
        return {Detector.PEAK: 1.0, Detector.RMS: math.sqrt(2.0), Detector.PEAK_TO_PEAK: 0.5}[self]


class Dimension(StrEnum):
    """What a unit measures."""

    ACCELERATION = "acceleration"
    VELOCITY = "velocity"
    DISPLACEMENT = "displacement"
    FORCE = "force"
    ACCELERANCE = "accelerance"
    MOBILITY = "mobility"
    RECEPTANCE = "receptance"
    VOLTAGE = "voltage"
    CURRENT = "current"
    PRESSURE = "pressure"
    STRAIN = "strain"
    FREQUENCY = "frequency"
    TIME = "time"
    LOGARITHMIC_SWEEP_RATE = "logarithmic sweep rate"
    LINEAR_SWEEP_RATE = "linear sweep rate"
    SLOPE = "slope"
    RATIO = "ratio"
    LEVEL = "level"
    ANGLE = "angle"
    COUNT = "count"
    MASS = "mass"
    TEMPERATURE = "temperature"
    HUMIDITY = "humidity"
    POWER_SPECTRAL_DENSITY = "power spectral density"


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit: its symbol, what it measures, its size in SI and, where the unit says so, its detector."""

    symbol: str
    dimension: Dimension
    factor: float
    offset: float = 0.0
    detector: Detector | None = None


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number with its unit, and the text it was written as."""

    text: str
    value: float
    unit: Unit

    @property
    def si(self) -> float:
        """Value in SI (for ``%`` a fraction; for ``dB`` the decibels themselves); the detector is not applied."""
        return self.value * self.unit.factor + self.unit.offset

    @property
    def peak(self) -> float:
        """Value in SI as the peak of a sinusoid: the detector that the unit names is applied (``20 mm p-p``: 0.01)."""
        return self.si * (self.unit.detector or Detector.PEAK).to_peak

    @property
    def dimension(self) -> Dimension:
        """What is measured."""
        return self.unit.dimension

    def __str__(self) -> str:
        return self.text


_TABLE: tuple[tuple[str, str, float, tuple[str, ...]], ...] = (
    (
        "m/s²",
        "acceleration",
        1.0,
        ("m/s2", "m/s^2", "m/s**2", "m/sec2", "m/sec²", "ms-2", "m s-2", "m·s-2", "m s^-2", "m*s^-2"),
    ),
    ("mm/s²", "acceleration", 1e-3, ("mm/s2", "mm/s^2")),
    ("g", "acceleration", STANDARD_GRAVITY, ("gn", "g_n", "g0", "grav")),
    ("mg", "acceleration", STANDARD_GRAVITY * 1e-3, ("milli-g",)),
    ("in/s²", "acceleration", 0.0254, ("in/s2", "in/s^2")),
    ("ft/s²", "acceleration", 0.3048, ("ft/s2", "ft/s^2")),
    ("m/s", "velocity", 1.0, ("m/sec",)),
    ("cm/s", "velocity", 1e-2, ()),
    ("mm/s", "velocity", 1e-3, ("mm/sec",)),
    ("in/s", "velocity", 0.0254, ("ips", "in/sec")),
    ("m", "displacement", 1.0, ()),
    ("cm", "displacement", 1e-2, ()),
    ("mm", "displacement", 1e-3, ()),
    ("µm", "displacement", 1e-6, ("um", "micron", "μm")),
    ("in", "displacement", 0.0254, ("inch", '"')),
    ("mil", "displacement", 2.54e-5, ("mils", "thou")),
    ("ft", "displacement", 0.3048, ()),
    ("N", "force", 1.0, ()),
    ("kN", "force", 1e3, ()),
    ("lbf", "force", 4.4482216152605, ()),
    ("(m/s²)/N", "accelerance", 1.0, ("(m/s^2)/N", "(m/s2)/N", "m/s²/N", "m/s^2/N", "m/s2/N", "1/kg")),
    ("g/N", "accelerance", STANDARD_GRAVITY, ()),
    ("(m/s)/N", "mobility", 1.0, ("m/s/N", "m/(N·s)", "m/(N s)", "m/(Ns)")),
    ("(mm/s)/N", "mobility", 1e-3, ("mm/s/N",)),
    ("m/N", "receptance", 1.0, ()),
    ("mm/N", "receptance", 1e-3, ()),
    ("µm/N", "receptance", 1e-6, ("um/N", "μm/N")),
    ("V", "voltage", 1.0, ("volt", "volts")),
    ("mV", "voltage", 1e-3, ()),
    ("A", "current", 1.0, ()),
    ("Pa", "pressure", 1.0, ()),
    ("hPa", "pressure", 1e2, ("mbar",)),
    ("kPa", "pressure", 1e3, ()),
    ("bar", "pressure", 1e5, ()),
    ("strain", "strain", 1.0, ("m/m",)),
    ("µm/m", "strain", 1e-6, ("um/m", "µstrain", "ustrain", "microstrain", "μm/m")),
    ("Hz", "frequency", 1.0, ("hertz", "cps", "1/s", "s-1")),
    ("kHz", "frequency", 1e3, ()),
    ("rpm", "frequency", 1.0 / 60.0, ("1/min", "r/min")),
    ("s", "time", 1.0, ("sec", "second", "seconds", "secs", "sek", "sekunden")),
    ("ms", "time", 1e-3, ("msec", "millisecond", "milliseconds", "millisekunden")),
    ("µs", "time", 1e-6, ("us", "μs", "usec", "µsec", "microsecond", "microseconds", "mikrosekunden")),
    ("ns", "time", 1e-9, ("nsec", "nanosecond", "nanoseconds")),
    ("min", "time", 60.0, ("minute", "minutes", "mins")),
    ("h", "time", 3600.0, ("hr", "hour", "hours", "hrs")),
    ("d", "time", 86400.0, ("day", "days")),
    ("oct/min", "logarithmic sweep rate", 1.0, ("octave/min", "octaves/min", "oct/minute", "octaves/minute")),
    ("oct/s", "logarithmic sweep rate", 60.0, ()),
    ("dec/min", "logarithmic sweep rate", math.log2(10.0), ("decade/min", "decades/min")),
    ("Hz/s", "linear sweep rate", 1.0, ("hz/sec",)),
    ("Hz/min", "linear sweep rate", 1.0 / 60.0, ()),
    ("dB/oct", "slope", 1.0, ("db/octave",)),
    ("%", "ratio", 1e-2, ("percent", "per cent", "pct")),
    ("ppm", "ratio", 1e-6, ()),
    ("1", "ratio", 1.0, ("-", "", "ratio", "g/g", "x", "times")),
    ("dB", "level", 1.0, ()),
    ("°", "angle", math.pi / 180.0, ("deg", "degree", "degrees", "grad")),
    ("rad", "angle", 1.0, ("radian", "radians")),
    ("cycles", "count", 1.0, ("cycle", "cyc")),
    ("kg", "mass", 1.0, ()),
    ("g (mass)", "mass", 1e-3, ("gram", "grams")),
    ("t", "mass", 1e3, ()),
    ("lb", "mass", 0.45359237, ("lbm",)),
    ("K", "temperature", 1.0, ("kelvin",)),
    ("°C", "temperature", 1.0, ("degc", "celsius", "c")),
    ("°F", "temperature", 5.0 / 9.0, ("degf", "fahrenheit", "f")),
    ("% rh", "humidity", 1e-2, ("%rh", "% r.h.", "rh", "% rel.")),
    ("g²/Hz", "power spectral density", STANDARD_GRAVITY**2, ("g2/hz", "g^2/hz")),
)
_OFFSET = {"°C": 273.15, "°F": 459.67 * 5.0 / 9.0}

_DETECTORS: tuple[tuple[str, Detector], ...] = (
    (
        r"(?:p\s*-\s*p|pk\s*-\s*pk|peak\s*-\s*to\s*-\s*peak|peak\s*-\s*peak|pp|pkpk|d\.?\s?a\.?)",
        Detector.PEAK_TO_PEAK,
    ),
    (r"(?:rms|r\.m\.s\.|eff)", Detector.RMS),
    (r"(?:0\s*-\s*p|0\s*-\s*pk|0\s*-\s*peak|o\s*-\s*p|zero\s*-\s*peak|peak|pk|s\.?\s?a\.?)", Detector.PEAK),
)


def _fold(text: str) -> str:
    text = unicodedata.normalize("NFKC", text).replace("−", "-").replace("–", "-").replace("μ", "µ")
    return re.sub(r"\s+", " ", text).strip()


def _index() -> dict[str, Unit]:
    units: dict[str, Unit] = {}
    for symbol, dimension, factor, aliases in _TABLE:
        unit = Unit(symbol, Dimension(dimension), factor, _OFFSET.get(symbol, 0.0))
        for name in (symbol, *aliases):
            units[_fold(name)] = unit
    return units


_UNITS = _index()
_FOLDED = {name.casefold(): unit for name, unit in reversed(_UNITS.items())}


def parse_unit(text: str) -> Unit:
    """Read a unit, with its detector if it names one: ``mm p-p``, ``g rms``, ``m/s^2``.

    Raises UnitError, naming the nearest known unit.

    >>> parse_unit("mm p-p").detector
    <Detector.PEAK_TO_PEAK: 'peak-to-peak'>
    >>> parse_unit("m/s^2").symbol
    'm/s²'
    """
    folded = _fold(text)
    detector = None
    bare = folded
    for pattern, kind in _DETECTORS:
        match = re.search(
            rf"(?:(?<=\s)|(?<=[\W_])|(?<=^g)|(?<=^mm)|(?<=^mil)|(?<=^in)){pattern}[)\]]?$",
            bare,
            re.IGNORECASE,
        )
        if match:
            detector, bare = kind, bare[: match.start()].rstrip(" (_[-,")
            break
    unit = _UNITS.get(bare) or _FOLDED.get(bare.casefold())
    if unit is None:
        near = difflib.get_close_matches(bare.casefold(), list(_FOLDED), n=3, cutoff=0.5)
        symbols = tuple(_FOLDED[name].symbol for name in dict.fromkeys(near))
        if symbols:
            raise UnitError(message("unit.unknown-near", unit=text, near=symbols))
        raise UnitError(message("unit.unknown", unit=text))
    if detector is None:
        return unit
    return Unit(
        f"{unit.symbol} {'p-p' if detector is Detector.PEAK_TO_PEAK else detector}",
        unit.dimension,
        unit.factor,
        unit.offset,
        detector,
    )


_NUMBER = re.compile(r"^\s*+((?:[+\-−]\s*+)?(?:\d++(?:[.,]\d++)?|[.,]\d++)(?:[eE][+\-−]?\d++)?)\s*+(.*)$")


def parse_number(text: str) -> tuple[float, str]:
    """Split ``text`` into its leading number (decimal point or comma) and the rest. Raises UnitError."""
    match = _NUMBER.match(text)
    if not match:
        raise UnitError(message("quantity.no-number", text=text))
    number = float(match.group(1).replace("−", "-").replace(",", ".").replace(" ", ""))
    if not math.isfinite(number):
        raise UnitError(message("quantity.not-finite", text=text))
    return number, match.group(2)


def parse_quantity(text: str, *dimensions: str) -> Quantity:
    """Read ``10 mm``, ``2 oct/min``, ``0.5 g``, ``5 %``; one of ``dimensions`` where given. Raises UnitError.

    >>> parse_quantity("5 %", "ratio").si
    0.05
    """
    number, rest = parse_number(text)
    if not rest.strip() and "ratio" not in dimensions and dimensions:
        expected = example(dimensions[0])
        raise UnitError(message("quantity.no-unit", text=text, dimensions=_members(dimensions), example=expected))
    unit = parse_unit(rest)
    if dimensions and unit.dimension == "acceleration" and unit.symbol == "g" and "mass" in dimensions:
        unit = _UNITS["gram"]
    if dimensions and unit.dimension not in dimensions:
        found, expected = unit.dimension, example(dimensions[0])
        wanted = _members(dimensions)
        raise UnitError(
            message("quantity.other-dimension", text=text, found=found, dimensions=wanted, example=expected)
        )
    return Quantity(text.strip(), number, unit)


def _members(dimensions: tuple[str, ...]) -> tuple[Dimension, ...]:
    return tuple(map(Dimension, dimensions))


_EXAMPLES = {
    "acceleration": "0.5 g", "displacement": "10 mm", "velocity": "0.1 m/s", "frequency": "50 Hz", "time": "10 min",
    "logarithmic sweep rate": "2 oct/min", "linear sweep rate": "5 Hz/s", "ratio": "5 %", "level": "3 dB",
    "count": "100000 cycles", "mass": "1.2 kg", "force": "10 kN", "temperature": "23 °C", "humidity": "45 % rh",
    "pressure": "1013 hPa", "slope": "6 dB/oct", "angle": "90 deg",
}  # fmt: skip


def example(dimension: str) -> str:
    """Text of a quantity of that dimension, for messages."""
    return _EXAMPLES.get(dimension, f"1 {dimension}")


def acceleration_amplitude(displacement_or_velocity: float, frequency_hz: float, dimension: str) -> float:
    """Peak acceleration, m/s², of a sinusoid of given peak displacement (m) or velocity (m/s) at a frequency.

    a = (2πf)² d, a = 2πf v (ISO 2041 sinusoidal motion).

    >>> round(acceleration_amplitude(1e-3, 10.0, "displacement"), 5)
    3.94784
    """
    omega = 2.0 * math.pi * frequency_hz
    if dimension == "displacement":
        return displacement_or_velocity * omega**2
    if dimension == "velocity":
        return displacement_or_velocity * omega
    if dimension == "acceleration":
        return displacement_or_velocity
    raise UnitError(message("quantity.no-acceleration", dimension=Dimension(dimension)))
