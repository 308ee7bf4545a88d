"""Every maximum of the recorded curves that stands out of the noise, and what answers for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from reportgen.records.log import Floats

CHANCE = 0.01
"""Share of curves of noise alone in which a maximum may be listed."""
LEAST_RISE = 0.05
"""Part of its height by which it must rise as well: less is a ripple to the eye."""
_BESIDE = 3
"""Rows by which a maximum of the model may lie beside that of the readings."""
_LIKE = 0.5
"""Rise of the model's maximum over that of the readings, from which the model has it."""


class Cause(StrEnum):
    """What answers for a maximum."""

    MODE = "mode"
    SUM = "sum"
    """The modes found, added up, have a maximum there without one of them having its own."""
    NAMED = "named"
    """Mains, event or sensor, as given."""
    UNEXPLAINED = "unexplained"


@dataclass(frozen=True, slots=True, kw_only=True)
class Peak:
    """One maximum of one channel."""

    channel: int
    row: int
    frequency_hz: float
    height: float
    """In the unit of the curve."""
    rise: float
    """Over the higher of the two dips beside it."""
    noise: float
    """Standard deviation of a reading there."""
    cause: Cause
    mode: int | None = None
    name: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """A band of frequency with a cause that is no mode."""

    low_hz: float
    high_hz: float
    name: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curves:
    """What is audited: rows in the order in which one follows another, channels beside one another."""

    omega: Floats
    """rad/s, shape (n,)."""
    size: Floats
    """Recorded magnitudes, (n, c)."""
    valid: NDArray[np.bool_]
    noise: Floats
    """Standard deviation of a magnitude, (n, c)."""
    model: Floats
    """Magnitudes of the modes that are printed and of what lies outside the band, as recorded, (n, c)."""


@dataclass(frozen=True, slots=True)
class Maximum:
    """One maximum of a curve that stands out, with the dips beside it."""

    row: int
    rise: float
    """Over the higher of the two dips."""
    left: int
    """Row of the lowest reading before it, as far as nothing is higher than it."""
    right: int


def maxima(size: Floats, sigma: Floats) -> list[Maximum]:
    """Every maximum of one curve that stands out; ``size`` and ``sigma`` (n,)."""
    found: list[Maximum] = []
    least = -2.0 * float(ndtri(CHANCE / max(len(size), 1)))  # the highest of n readings over the lowest of n
    for row in np.flatnonzero(np.r_[False, (size[1:-1] > size[:-2]) & (size[1:-1] >= size[2:]), False]):
        if size[row] <= least * sigma[row]:
            continue
        top = _maximum(size, int(row))
        if top.rise > max(least * sigma[row], LEAST_RISE * size[row]):
            found.append(top)
    return found


def _maximum(size: Floats, row: int) -> Maximum:
    higher = np.flatnonzero(size > size[row])
    after = int(np.searchsorted(higher, row))
    start = int(higher[after - 1]) if after else 0
    stop = int(higher[after]) if after < len(higher) else len(size)
    left, right = start + int(np.argmin(size[start : row + 1])), row + int(np.argmin(size[row:stop]))
    return Maximum(row, float(size[row] - max(size[left], size[right])), left, right)


def audit(curves: Curves, modes: tuple[Floats, Floats], named: Sequence[Named] = ()) -> list[Peak]:
    """All maxima of all channels with their causes; ``modes`` are ω₀ and bandwidth (rad/s) of those printed."""
    return [
        peak for c in range(curves.size.shape[1]) for peak in _of_channel(curves, c, modes, named)
    ]  # fmt: skip


def _of_channel(curves: Curves, c: int, modes: tuple[Floats, Floats], named: Sequence[Named]) -> list[Peak]:
    """Of one channel; rows without a reading are as if they were not there."""
    rows = np.flatnonzero(curves.valid[:, c])
    size, noise, model = curves.size[rows, c], curves.noise[rows, c], curves.model[rows, c]
    omega = curves.omega[rows]
    found = []
    for top in maxima(size, noise) if len(rows) > 2 else []:
        at = top.row
        peak = Peak(
            channel=c, row=int(rows[at]), frequency_hz=float(omega[at] / (2 * np.pi)), height=float(size[at]),
            rise=top.rise, noise=float(noise[at]), cause=Cause.UNEXPLAINED,
        )  # fmt: skip
        found.append(_answered(peak, top, omega, model, modes, named))
    return found


def _answered(
    peak: Peak, top: Maximum, omega: Floats, model: Floats, modes: tuple[Floats, Floats], named: Sequence[Named]
) -> Peak:
    (centre, width), at = modes, top.row
    spacing = float(np.max(np.abs(np.diff(omega[max(0, at - 1) : at + 2]))))
    if len(centre):
        near = np.abs(centre - omega[at]) / np.maximum(width, 2.0 * spacing)
        if near.min() <= 1.0:
            return replace(peak, cause=Cause.MODE, mode=int(np.argmin(near)))
    for each in named:
        if each.low_hz <= peak.frequency_hz <= each.high_hz:
            return replace(peak, cause=Cause.NAMED, name=each.name)
    return replace(peak, cause=Cause.SUM) if _in_model(model, top) else peak


def _in_model(model: Floats, top: Maximum) -> bool:
    """True where the model rises from the same dips as well, at least half as much."""
    near = model[max(0, top.row - _BESIDE) : top.row + _BESIDE + 1]
    return float(near.max()) - float(max(model[top.left], model[top.right])) > _LIKE * top.rise
