"""Every maximum of the recorded curves that stands out of the noise, and what answers for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from reportgen.compute.identification.noise_only_rows import running_median
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
    noisy: NDArray[np.bool_] | None = None
    """Readings of stretches that scatter out of all proportion, (n, c); None where there are none."""

    def through_noise(self, c: int, rows: NDArray[np.int64]) -> tuple[Floats, Floats]:
        """Magnitude and noise of channel c on rows (k,): in stretches of noise the middle of the readings around.

        There a maximum counts that rises by 6 dB: a sensor that rattles at a peak hides what the peak is, not that the
        specimen answers.
        """
        size, noise = self.size[rows, c], self.noise[rows, c]
        noisy = np.zeros(len(rows), bool) if self.noisy is None else self.noisy[rows, c]
        if not noisy.any():
            return size, noise
        middle = running_median(size)
        return np.where(noisy, middle, size), np.where(noisy, middle / (2.0 * least_rise(len(rows))), noise)


@dataclass(frozen=True, slots=True)
class Maximum:
    """One maximum of a curve that stands out, with the dips beside it."""

    row: int
    rise: float
    """Over the higher of the two dips."""
    left: int
    """Row of the lowest reading before it, as far as nothing is higher than it."""
    right: int


def least_rise(rows: int) -> float:
    """Standard deviations by which a maximum of so many rows must rise: the highest of them over the lowest."""
    return -2.0 * float(ndtri(CHANCE / max(rows, 1)))


def maxima(size: Floats, sigma: Floats) -> list[Maximum]:
    """Every maximum of one curve that stands out; ``size`` and ``sigma`` (n,)."""
    found: list[Maximum] = []
    least = least_rise(len(size))
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
    (size, noise), model = curves.through_noise(c, rows), curves.model[rows, c]
    omega = curves.omega[rows]
    found = []
    tops = maxima(size, noise) if len(rows) > 2 else []
    own = _own_tops(tops, size, model, omega, modes)
    for top in tops:
        at = top.row
        peak = Peak(
            channel=c, row=int(rows[at]), frequency_hz=float(omega[at] / (2 * np.pi)), height=float(size[at]),
            rise=top.rise, noise=float(noise[at]), cause=Cause.UNEXPLAINED,
        )  # fmt: skip
        found.append(_answered(peak, top, own.get(at), model, named))
    return found


def _own_tops(
    tops: Sequence[Maximum], size: Floats, model: Floats, omega: Floats, modes: tuple[Floats, Floats]
) -> dict[int, int]:
    """The mode that answers for a maximum, by row: within a bandwidth of it, those that the model has too, else one.

    A mode has one peak, or is a bend of what the others leave. What else rises beside it the model tells, or nothing.
    """
    found: dict[int, int] = {}
    for k, (centre, width) in enumerate(zip(*modes, strict=True)):
        near = [top for top in tops if abs(centre - omega[top.row]) <= max(width, 2.0 * _spacing(omega, top.row))]
        highest = sorted(near, key=lambda top: size[top.row])[-1:]
        for top in [top for top in near if _in_model(model, top)] or highest:
            found.setdefault(top.row, k)
    return found


def _spacing(omega: Floats, at: int) -> float:
    """The wider distance to the rows beside one, rad/s."""
    return float(np.max(np.abs(np.diff(omega[max(0, at - 1) : at + 2]))))


def _answered(peak: Peak, top: Maximum, mode: int | None, model: Floats, named: Sequence[Named]) -> Peak:
    if mode is not None:
        return replace(peak, cause=Cause.MODE, mode=mode)
    for each in named:
        if each.low_hz <= peak.frequency_hz <= each.high_hz:
            return replace(peak, cause=Cause.NAMED, name=each.name)
    return replace(peak, cause=Cause.SUM) if _in_model(model, top) else peak


def _in_model(model: Floats, top: Maximum) -> bool:
    """True where the model rises from the same dips as well, at least half as much."""
    near = model[max(0, top.row - _BESIDE) : top.row + _BESIDE + 1]
    return float(near.max()) - float(max(model[top.left], model[top.right])) > _LIKE * top.rise
