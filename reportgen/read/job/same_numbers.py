"""Whether two columns of readings are one, told twice: copied, cut, shifted in time, or written with fewer digits.

Two measurements of one thing never agree in every digit: controllers and sensors scatter by 0.01 % or more. Columns
with too few digits or too few different values to show that say nothing and are never called the same.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reportgen.records.log import Floats

FEWEST_ROWS = 10
"""Rows and different values, below which equal columns may be chance or a course that carries nothing."""
EQUAL_SHARE = 0.95
"""Share of the rows of the shorter column that agree in every digit."""
_FEWEST_DIGITS = 3
"""Significant digits: a reading of two agrees with its repetition by chance."""
_MOST_DIGITS = 9
_LOOKED_AT = 2_000
"""Values by which the digits of a column are told."""
_PROBES = 48
_PROBES_FOUND = 0.8
"""A first look: so many values of one column, and the share of them that the other has anywhere."""
_ROUNDING = 0.51
"""Of the last digit: what writing a number with fewer digits may move it, with a little for the unit's conversion."""


@dataclass(frozen=True, slots=True, eq=False)
class Column:
    """Readings row by row, without gaps, SI."""

    frequency_hz: Floats
    """Shape (n,), or the number of the row where there is no frequency."""
    values: Floats
    """Shape (n,)."""
    ordered: Floats
    """The values in the order of their size."""
    written: Written


@dataclass(frozen=True, slots=True)
class Written:
    """How the numbers of a column are told; where two columns share it, equal means equal in every digit."""

    unit: float
    """SI for a stored 1."""
    digits: int
    """Significant ones."""
    places: int
    """After the decimal sign."""

    def last_digit(self, values: Floats) -> Floats:
        """What the last digit is worth, SI, for values in SI; shape (n,) like them."""
        stored = _decade(values / self.unit) * 10.0 ** (1 - self.digits)
        return np.asarray(self.unit * np.maximum(stored, 10.0**-self.places))


def column_of(frequency_hz: Floats, values: Floats, unit: float = 1.0) -> Column | None:
    """A column that can be compared; None where it is too short, constant, or told by too few digits.

    ``unit`` is SI for a stored 1: digits are those of the stored numbers.

    >>> rows = np.arange(50.0)
    >>> column_of(rows, np.full(50, 0.5)) is None, column_of(rows, np.round(1 + rows / 7, 3)) is None
    (True, False)
    """
    known = np.isfinite(values) & np.isfinite(frequency_hz)
    values = values[known]
    if len(values) < FEWEST_ROWS or len(np.unique(values[:: max(1, len(values) // _LOOKED_AT)])) < FEWEST_ROWS:
        return None
    stored = values / unit
    digits = significant_digits(stored)
    if digits < _FEWEST_DIGITS:
        return None
    return Column(frequency_hz[known], values, np.sort(values), Written(unit, digits, _decimals(stored)))


def _decade(values: Floats) -> Floats:
    return np.asarray(10.0 ** np.floor(np.log10(np.maximum(np.abs(values), 1e-300))))


def _decimals(values: Floats) -> int:
    """Places after the decimal sign that most readings keep to; nine where they keep to none."""
    some = np.abs(values[:: max(1, len(values) // _LOOKED_AT)])
    for places in range(_MOST_DIGITS):
        if np.mean(np.abs(some - np.round(some, places)) < 1e-9 * some + 1e-13) >= EQUAL_SHARE:
            return places
    return _MOST_DIGITS


def significant_digits(values: Floats) -> int:
    """Digits that most readings are written with, 1 to 9.

    >>> significant_digits(np.array([0.501, 0.498, 9.75, 0.11])), significant_digits(np.array([1 / 3, 2 / 3]))
    (3, 9)
    """
    some = np.abs(values[:: max(1, len(values) // _LOOKED_AT)])
    some = some[some > 0]
    if not len(some):
        return 1
    scale = _decade(some)
    for digits in range(1, _MOST_DIGITS):
        unit = scale * 10.0 ** (1 - digits)
        if np.mean(np.abs(some - np.round(some / unit) * unit) < 1e-9 * some) >= EQUAL_SHARE:
            return digits
    return _MOST_DIGITS


def are_the_same(a: Column, b: Column) -> bool:
    """Whether nearly all readings of the shorter column stand in the other, at the same frequency or the same row."""
    short, long = (a, b) if len(a.values) <= len(b.values) else (b, a)
    near = _tolerance(short, long)
    if not _may_be_same(short, long, near):
        return False
    equal = _equal_at_frequency(short, long, near)
    lag = len(long.values) - len(short.values)
    for shift in {0, lag}:  # rows cut at the end, at the beginning
        equal |= np.abs(long.values[shift : shift + len(short.values)] - short.values) <= near
    return bool(equal.mean() >= EQUAL_SHARE)


def _tolerance(short: Column, long: Column) -> Floats:
    """Half a last digit of the coarser column; nothing but rounding of the machine where both are written alike."""
    if short.written == long.written:
        return np.asarray(1e-8 * np.abs(short.values))
    both = (short.written.last_digit(short.values), long.written.last_digit(short.values))
    return np.asarray(_ROUNDING * np.maximum(*both))


def _may_be_same(short: Column, long: Column, near: Floats) -> bool:
    places = np.linspace(0, len(short.values) - 1, _PROBES).astype(np.int64)
    probes, margin = short.values[places], near[places]
    found = np.searchsorted(long.ordered, probes + margin, "right") > np.searchsorted(long.ordered, probes - margin)
    return bool(found.mean() >= _PROBES_FOUND)


def _equal_at_frequency(short: Column, long: Column, near: Floats) -> NDArray[np.bool_]:
    """Which rows have the same reading at the row of the other column whose frequency is nearest."""
    order = np.argsort(long.frequency_hz, kind="stable")
    sought = long.frequency_hz[order]
    at = np.clip(np.searchsorted(sought, short.frequency_hz), 1, len(sought) - 1)
    before = np.abs(sought[at - 1] - short.frequency_hz) < np.abs(sought[at] - short.frequency_hz)
    partner = long.values[order[at - before]]
    return np.asarray(np.abs(partner - short.values) <= near)
