"""How far readings may lie from a model: noise of the instruments, and misfit in proportion to the response."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reportgen.compute.identification.misfit.band import Band
from reportgen.records.log import Floats


@dataclass(frozen=True, slots=True, eq=False)
class Doubt:
    """Standard deviation of a reading (each of real and imaginary part): floor, and shares of its size."""

    floor: Floats
    """Per channel, in its unit, at the median level of the reference, shape (c,)."""
    share: Floats
    """Noise in proportion, per channel, shape (c,)."""
    misfit: Floats
    """What the model cannot follow, in proportion, per row and channel, shape (n, c)."""
    course: Floats
    """Of the floor over the rows, as the level of the reference lets it seem, shape (n, 1)."""

    def noise(self, size: Floats) -> Floats:
        """Of the instruments, at readings of these sizes, (n, c)."""
        return np.asarray(np.sqrt((self.floor * self.course) ** 2 + (self.share * size) ** 2))

    def sigma(self, size: Floats, parts: Floats) -> Floats:
        """Noise at ``size`` and misfit in proportion to ``parts``, both (n, c)."""
        # A log without any noise leaves the rounding of its own largest reading.
        rounding = np.finfo(float).eps * float(np.max(size[np.isfinite(size)], initial=0.0)) + np.finfo(float).tiny
        return np.asarray(np.maximum(np.hypot(self.noise(size), self.misfit * parts), rounding))


def sizes(band: Band) -> Floats:
    """Size of the response around every row, (n, c): quadratic mean of three, so that no zero is exact."""
    square = np.abs(band.values) ** 2
    padded = np.concatenate([square[:1], square, square[-1:]])
    size = np.sqrt((padded[:-2] + padded[1:-1] + padded[2:]) / 3.0)
    # A channel at rest reads the rounding of its largest reading, and a silent one next to nothing.
    known = size[np.isfinite(size)]
    return np.asarray(np.maximum(size, np.finfo(float).eps * float(np.max(known, initial=0.0)) + 1e-100))


def noise_from_scatter(band: Band) -> tuple[Floats, Floats]:
    """(floor, share) of every channel from fourth differences: σ of each part, before anything is fitted.

    Where rows are few to a resonance differences show the resonance: the quiet quarter is asked.
    """
    size = sizes(band)
    floors, shares = [], []
    quiet = np.sqrt(2.0 * np.log(4.0 / 3.0))  # lower quartile of a Rayleigh variate of unit σ
    for c in range(band.channels):
        y = band.values[band.valid[:, c], c]
        s = size[band.valid[:, c], c]
        quiet_rows = band.floor_course[band.valid[:, c], 0]
        if len(y) < 12:
            floors.append(1e-6 * float(np.max(s, initial=1e-300)))
            shares.append(1e-3)
            continue
        d = np.abs(y[:-4] - 4 * y[1:-3] + 6 * y[2:-2] - 4 * y[3:-1] + y[4:]) / np.sqrt(70.0)
        centre, course = s[2:-2], quiet_rows[2:-2]
        at_median = centre / course
        low = at_median <= np.quantile(at_median, 0.2)
        floor = float(np.quantile((d / course)[low], 0.25) / quiet)
        share = float(np.quantile(d / centre, 0.25) / quiet)
        floors.append(max(min(floor, share * float(np.median(at_median))), 1e-7 * float(np.max(centre))))
        high = at_median >= np.quantile(at_median, 0.6)
        rest = np.sqrt(
            max(
                float(np.quantile(d[high] / centre[high], 0.25) / quiet) ** 2
                - (floors[-1] / np.median(at_median[high])) ** 2,
                0.0,
            )
        )
        shares.append(float(np.clip(rest, 1e-5, 0.03)))
    return np.array(floors), np.array(shares)
