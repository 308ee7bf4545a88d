"""When the samples of a MAT file were taken: what numbers, texts and times in it say, near a signal first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reportgen.errors import UnitError
from reportgen.read.formats.hdf5 import INTERVAL_NAMES, RATE_NAMES, TIME_NAMES
from reportgen.read.formats.mat_tree import leaf, parent
from reportgen.read.formats.recording import Rows, even_rate
from reportgen.read.table.columns import Meaning, understand
from reportgen.read.table.time_column import counted_in
from reportgen.records.log import Floats
from reportgen.units import parse_quantity, parse_unit

LOOKED_AT = 1 << 18
_FREQUENCY_NAMES = ("frequency", "freq", "f", "frequencies", "hz", "frequency_hz", "freq_hz")
_DAY = 86_400.0
_SERIAL_DAYS = (693_000.0, 767_400.0)
"""Days since the year 0, as such files count them: the years 1897 to 2101."""
_ROWS_A_DAY = 8640.0
"""Times of a record are less than 10 s apart."""
_SAME = 1e-3
"""Share by which statements of one rate may differ."""


@dataclass(frozen=True, slots=True, eq=False)
class Variable:
    """A numeric variable with its samples along the rows."""

    name: str
    samples: int
    columns: int
    read: Rows

    @property
    def head(self) -> Floats:
        """First values of a variable of one column."""
        return self.read(0, min(self.samples, LOOKED_AT))[:, 0]

    @property
    def is_time(self) -> bool:
        """Named like time and rising throughout; a ``T`` that wanders is a temperature."""
        return self.columns == 1 and _named_time(leaf(self.name)) and rises(self.head)

    @property
    def is_evenly_rising(self) -> bool:
        """Whether it goes on evenly like a clock, whatever it is called, unless it is called a frequency."""
        return (
            self.columns == 1
            and not named_frequency(leaf(self.name))
            and rises(self.head)
            and even_rate(self.head) is not None
        )


@dataclass(frozen=True, slots=True, eq=False)
class Moments:
    """Times of the samples of a variable: a column of another, in a unit of its own."""

    of: Variable
    column: int
    factor: float
    """Seconds for a stored 1."""

    def seconds(self, start: int, stop: int) -> Floats:
        """Times of samples, s."""
        return np.asarray(self.of.read(start, stop)[:, self.column] * self.factor)


def rises(times: Floats) -> bool:
    """Whether numbers rise from each to the next."""
    return len(times) > 1 and bool(np.all(np.isfinite(times)) and np.all(np.diff(times) > 0))


def named_frequency(name: str) -> bool:
    """Whether a name is one of a frequency."""
    return name.casefold() in _FREQUENCY_NAMES or understand(name, "", 0).meaning is Meaning.FREQUENCY


def _named_time(name: str) -> bool:
    return name.casefold() in TIME_NAMES or understand(name, "", 0).meaning is Meaning.TIME


def counts(time: Variable, texts: dict[str, str]) -> bool:
    """Whether times go on by 1 from a whole number on and nothing says what of: rows, or any unit."""
    head = time.head
    whole = len(head) > 1 and head[0] == round(head[0]) and bool(np.all(np.diff(head) == 1.0))
    return whole and _stated_factor(time, texts) is None and counted_in(head) is None


def _stated_factor(time: Variable, texts: dict[str, str]) -> float | None:
    """Seconds for a stored 1 by the name or by a text of units beside the times; None where neither says it."""
    unit = understand(leaf(time.name), "", 0).unit
    if unit is not None and unit.dimension == "time":
        return unit.factor
    stated = next((text for name, text in texts.items() if parent(name) == parent(time.name) and parent(name)
                   and leaf(name).casefold() in ("unit", "units")), "")  # fmt: skip
    try:
        beside = parse_unit(stated)
    except UnitError:
        return None
    return beside.factor if beside.dimension == "time" else None


def seconds_for(time: Variable, column: int, texts: dict[str, str]) -> float:
    """Seconds for a stored 1 of times: by the name, by a text of units beside them, by the size of the numbers."""
    stated = _stated_factor(time, texts)
    if stated is not None:
        return stated
    head = time.read(0, min(time.samples, LOOKED_AT))[:, column]
    counted = counted_in(head)
    if counted is not None:
        return counted[0]
    in_days = _SERIAL_DAYS[0] <= head[0] and head[-1] < _SERIAL_DAYS[1] and head[-1] - head[0] < len(head) / _ROWS_A_DAY
    return _DAY if in_days else 1.0


class Clocks:
    """What a file says of the rate of its signals."""

    def __init__(self, variables: Sequence[Variable], texts: dict[str, str]) -> None:
        self._times = [each for each in variables if each.is_time]
        self._texts = texts
        self._stated = [
            (parent(each.name), rate)
            for each in variables
            if each.samples == each.columns == 1
            and (rate := _rate_by(leaf(each.name), float(each.head[0]))) is not None
        ]
        self._stated += [(parent(name), rate) for name, text in texts.items()
                         if (rate := _rate_in_words(leaf(name), text)) is not None]  # fmt: skip
        self._variables = variables

    def times_of(self, signal: Variable) -> Moments | None:
        """The times that stand nearest to a signal and are as many as its samples."""
        for around in _around(signal.name):
            for each in self._times:
                if parent(each.name) == around and each.samples == signal.samples and not counts(each, self._texts):
                    return Moments(each, 0, seconds_for(each, 0, self._texts))
        return None

    def stated(self, signal: Variable) -> float | None:
        """The rate, Hz, that a number or a text nearest to a signal states; else the only one that the file states."""
        for around in _around(signal.name):
            near = [rate for place, rate in self._stated if place == around]
            if near:
                return near[0]
        rates = [rate for _, rate in self._stated]
        return rates[0] if rates and max(rates) <= (1.0 + _SAME) * min(rates) else None

    def unnamed_times(self, signal: Variable) -> Moments | None:
        """Times without such a name: another variable that rises evenly, or a signal's own first column."""
        alike = [each for each in self._variables if each.samples == signal.samples and each is not signal
                 and not counts(each, self._texts)]  # fmt: skip
        rising = [each for each in alike if each.is_evenly_rising]
        if len(rising) == 1:
            return Moments(rising[0], 0, seconds_for(rising[0], 0, self._texts))
        first = signal.read(0, min(signal.samples, LOOKED_AT))[:, 0]
        if signal.columns > 1 and rises(first) and even_rate(first) is not None:
            return Moments(signal, 0, seconds_for(signal, 0, self._texts))
        return None


def _around(name: str) -> list[str]:
    """What a variable lies in, from the inside outwards; last the file itself."""
    found, around = [], parent(name)
    while around:
        found.append(around)
        around = parent(around)
    return [*found, ""]


def _rate_by(name: str, value: float) -> float | None:
    if not value > 0:
        return None
    if name.casefold() in RATE_NAMES:
        return value
    return 1.0 / value if name.casefold() in INTERVAL_NAMES else None


def _rate_in_words(name: str, text: str) -> float | None:
    """A rate or an interval written with its unit: ``1024 Hz``, ``0.5 ms``."""
    dimension = "frequency" if name.casefold() in RATE_NAMES else "time" if name.casefold() in INTERVAL_NAMES else None
    if dimension is None:
        return None
    try:
        value = parse_quantity(text, dimension).si
    except UnitError:
        return None
    return _rate_by(name, value)
