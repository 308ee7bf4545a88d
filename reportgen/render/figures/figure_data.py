"""What the figures of a page show, row by row, packed: a reading on screen is the row and no point of a drawing.

Every array is packed once, however many figures show it. Abscissae are kept exactly, ordinates to seven digits.
"""

from __future__ import annotations

import base64
import hashlib
import json
import zlib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from reportgen.records.log import Floats
from reportgen.render.figures.plot import Curve, Drawing, Plot, Sketch
from reportgen.render.figures.reduce import Indices

MOST_VALUES = 4_000_000
"""Numbers in all figures of a page together, some 12 MB of text: more makes a page that browsers open slowly."""
_LEAST_ROWS = 2_000
"""Rows that every curve keeps, however many curves there are: four for each point of a figure's width."""
_DECIMALS = range(10)
"""Decimal places that an abscissa is tried with."""
_WHOLE = 2.0**31 - 1
"""Largest step from row to row in units of the last decimal place: a signed number of 32 bits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Packed:
    """One array, as the page's script unpacks it: differences or values, bytes of like weight together, deflated."""

    kind: str
    """``single``, ``steps`` (bit patterns as differences), ``decimal`` (whole numbers as differences) or ``double``."""
    count: int
    places: int
    """Decimal places of ``decimal``, else 0."""
    text: str
    """Base64."""


class FigureData:
    """The data of all figures of one page."""

    def __init__(self, sketches: Iterable[Sketch]) -> None:
        self._plots = {each.key: each.plot for each in sketches if each.plot is not None}
        self._packed: dict[str, Packed] = {}
        self._most_rows = most_rows(self._plots.values())

    def geometry(self, drawing: Drawing) -> list[dict[str, object]]:
        """Panels of a drawing, each curve with the names of its arrays and how many rows its log has."""
        plot = self._plots.get(drawing.key)
        if plot is None:
            return list(drawing.geometry)
        return [
            {**panel, "curves": [self._named(*pair) for pair in zip(_listed(panel), of.curves, strict=True)]}
            for panel, of in zip(drawing.geometry, plot.panels, strict=True)
        ]

    def _named(self, shown: Mapping[str, object], curve: Curve) -> dict[str, object]:
        kept = representatives(curve.y, self._most_rows)
        x, y = self._name("x", curve.x[kept], pack_abscissa), self._name("y", curve.y[kept], pack_single)
        return {**shown, "xs": x, "ys": y, "rows": len(curve.x)}

    def _name(self, letter: str, values: Floats, pack: Callable[[Floats], Packed]) -> str:
        name = letter + hashlib.sha256(values.tobytes()).hexdigest()[:12]
        if name not in self._packed:
            self._packed[name] = pack(values)
        return name

    def json(self) -> str:
        """All arrays of the figures whose geometry was asked for, by name."""
        table = {name: [each.kind, each.count, each.places, each.text] for name, each in self._packed.items()}
        return json.dumps(table, separators=(",", ":"))


def _listed(panel: Mapping[str, object]) -> list[dict[str, object]]:
    curves = panel["curves"]
    assert isinstance(curves, list)
    return curves


def most_rows(plots: Iterable[Plot]) -> int:
    """Rows that a curve may keep, so that all together stay within ``MOST_VALUES``."""
    curves = [curve for plot in plots for panel in plot.panels for curve in panel.curves]
    lengths = {id(array): len(array) for curve in curves for array in (curve.x, curve.y)}
    most = max(lengths.values(), default=0)
    while most > _LEAST_ROWS and sum(min(length, most) for length in lengths.values()) > MOST_VALUES:
        most //= 2
    return max(most, _LEAST_ROWS)


def representatives(y: Floats, most: int) -> Indices:
    """Indices of all rows, or, of a longer array, of the lowest and highest row of each of ``most``/2 stretches.

    A stretch with rows that have no reading keeps the first of these besides, so that a gap stays one.

    >>> representatives(np.array([0.0, 3, 1, 2, 9, 8, 7, 5]), 4)
    array([0, 1, 4, 7])
    """
    if len(y) <= most:
        return np.arange(len(y))
    starts = np.linspace(0, len(y), most // 2 + 1).astype(np.int64)
    return np.unique([low + kept for low, high in pairwise(starts) for kept in _extremes(y[low:high])])


def _extremes(stretch: Floats) -> list[int]:
    known = np.isfinite(stretch)
    kept = [np.argmin(np.where(known, stretch, np.inf)), np.argmax(np.where(known, stretch, -np.inf))]
    return [int(each) for each in (kept if known.all() else [*kept, np.argmin(known)])]


def pack_single(values: Floats) -> Packed:
    """Rounded to single precision (IEEE 754), some seven digits."""
    bits = values.astype("<f4").view("<i4")
    steps = np.diff(bits, prepend=np.int32(0))
    plain, stepped = _deflated(bits), _deflated(steps)
    kind, text = ("steps", stepped) if len(stepped) < len(plain) else ("single", plain)
    return Packed(kind=kind, count=len(values), places=0, text=text)


def pack_abscissa(values: Floats) -> Packed:
    """Exactly: as decimal fractions where they are such, as those of a log are, else as they are."""
    for places in _DECIMALS:
        whole = np.rint(values * 10.0**places)
        if not (whole / 10.0**places == values).all():
            continue
        steps = np.diff(whole, prepend=0.0)
        if (np.abs(steps) <= _WHOLE).all():
            return Packed(kind="decimal", count=len(values), places=places, text=_deflated(steps.astype("<i4")))
    return Packed(kind="double", count=len(values), places=0, text=_deflated(values.astype("<f8")))


def _deflated(values: NDArray[np.generic]) -> str:
    """Bytes of like weight one after another, deflated (RFC 1950), as Base64 (RFC 4648)."""
    by_weight = values.view(np.uint8).reshape(-1, values.itemsize).T
    return base64.b64encode(zlib.compress(by_weight.tobytes(), 9)).decode("ascii")
