"""Every maximum of the raw curves that stands out of the noise, and what answers for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np
from scipy.special import ndtri

from reportgen.compute.misfit.band import Band, Complexes
from reportgen.records.log import Floats

CHANCE = 0.01
"""Share of curves of noise alone in which a maximum may be listed."""
LEAST_RISE = 0.05
"""Part of its height by which it must rise as well: less is a ripple to the eye."""


class Cause(Enum):
    """What answers for a maximum."""

    MODE = "mode"
    SUM = "sum"
    """The modes found, added up, have a maximum there without one of them having its own."""
    NAMED = "named"
    """Mains, harmonic, event or sensor, as given."""
    UNEXPLAINED = "unexplained"


@dataclass(frozen=True, slots=True, kw_only=True)
class Peak:
    """One maximum of one channel."""

    channel: int
    row: int
    frequency_hz: float
    height: float
    rise: float
    """Over the higher of the two dips beside it."""
    cause: Cause
    mode: int | None = None
    name: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """A band of frequency with a cause that is no mode."""

    low_hz: float
    high_hz: float
    name: str


def maxima(size: Floats, sigma: Floats) -> list[tuple[int, float]]:
    """(row, rise) of every maximum of one channel that stands out; ``size`` and ``sigma`` (n,) along the frequency."""
    found: list[tuple[int, float]] = []
    least = -2.0 * float(ndtri(CHANCE / max(len(size), 1)))  # the highest of n readings over the lowest of n
    for row in np.flatnonzero(np.r_[False, (size[1:-1] > size[:-2]) & (size[1:-1] >= size[2:]), False]):
        rise = _rise(size, int(row))
        if rise > max(least * sigma[row], LEAST_RISE * size[row]):
            found.append((int(row), rise))
    return found


def _rise(size: Floats, row: int) -> float:
    """Height over the higher of the lowest readings on both sides, as far as nothing is higher."""
    higher = np.flatnonzero(size > size[row])
    left = higher[higher < row]
    right = higher[higher > row]
    low = size[(left[-1] if len(left) else 0) : row + 1].min()
    high = size[row : (right[0] + 1 if len(right) else len(size))].min()
    return float(size[row] - max(low, high))


def audit(
    band: Band, noise: Floats, modes: tuple[Floats, Floats, Complexes], model: Complexes, named: Sequence[Named] = (),
) -> list[Peak]:  # fmt: skip
    """All maxima of all channels with their causes.

    ``noise`` (n, c), ``modes`` = (ω₀, bandwidth, residues (k, c)) of those that are printed, ``model`` (n, c) of these
    and of what lies outside the band alone.
    """
    peaks = []
    for c in range(band.channels):
        size = np.where(band.valid[:, c], np.abs(band.values[:, c]), 0.0)
        for row, rise in maxima(size, noise[:, c]):
            peaks.append(_answered(band, c, row, rise, noise, modes, model, named))
    return peaks


def _answered(
    band: Band, c: int, row: int, rise: float, noise: Floats, modes: tuple[Floats, Floats, Complexes], model: Complexes,
    named: Sequence[Named],
) -> Peak:  # fmt: skip
    omega, width, _ = modes
    here = float(band.omega[row])
    frequency = here / (2 * np.pi)
    found = Peak(channel=c, row=row, frequency_hz=frequency, height=float(abs(band.values[row, c])), rise=rise,
                 cause=Cause.UNEXPLAINED)  # fmt: skip
    spacing = float(np.max(np.abs(np.diff(band.omega[max(0, row - 1) : row + 2]))))
    if len(omega):
        near = np.abs(omega - here) / np.maximum(width, 2.0 * spacing)
        if near.min() <= 1.0:
            return _with(found, Cause.MODE, mode=int(np.argmin(near)))
    for each in named:
        if each.low_hz <= frequency <= each.high_hz:
            return _with(found, Cause.NAMED, name=each.name)
    return _with(found, Cause.SUM) if _in_model(band, c, row, rise, noise, model) else found


def _in_model(band: Band, c: int, row: int, rise: float, noise: Floats, model: Complexes) -> bool:
    """True where the model has the maximum too, within three rows, at least half as prominent."""
    size = np.abs(model[:, c])
    near = range(max(1, row - 3), min(len(size) - 1, row + 4))
    tops = [i for i in near if size[i] > size[i - 1] and size[i] >= size[i + 1]]
    return any(_rise(size, i) > 0.5 * rise for i in tops)


def _with(peak: Peak, cause: Cause, mode: int | None = None, name: str | None = None) -> Peak:
    return Peak(
        channel=peak.channel, row=peak.row, frequency_hz=peak.frequency_hz, height=peak.height, rise=peak.rise,
        cause=cause, mode=mode, name=name,
    )  # fmt: skip
