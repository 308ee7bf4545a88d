"""The rows of a run as a band: complex readings over the level that drove them, and what a pole answers with there."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from reportgen.compute.identification.drive import Drive
from reportgen.compute.identification.envelope import envelope
from reportgen.compute.identification.least_squares import FitProblem
from reportgen.compute.identification.misfit.band import Band, Complexes
from reportgen.compute.identification.misfit.ringing import Ringing
from reportgen.compute.identification.tracking_filter import through_filter

_MOST_KEPT = 400
"""Poles whose responses are kept: a search asks for the same ones again and again."""


def band_of(problem: FitProblem) -> tuple[Band, NDArray[np.int64]]:
    """The channels with phase of a run, rows in the order of frequency; and which row of the run each is, (n,).

    A channel without phase has no valid reading in the band.
    """
    drive, readings = problem.drive, problem.readings
    order = np.argsort(drive.omega, kind="stable")
    valid = (readings.read & readings.with_phase & (readings.amplitude > 0))[order]
    values = (readings.complex_value / drive.amplitude[:, None])[order]
    shape = _SweptShape(drive, order)
    quiet = float(np.median(drive.amplitude)) / drive.amplitude[order]
    ringing = None if drive.steady else Ringing.of(drive, order)
    return Band(drive.omega[order], np.where(valid, values, 0.0), valid, shape, quiet=quiet, ringing=ringing), order


@dataclass(frozen=True, slots=True, eq=False)
class _SweptShape:
    """What unit poles answer with, over the level, remembered for the poles asked for last."""

    drive: Drive
    order: NDArray[np.int64]
    _kept: dict[complex, tuple[Complexes, Complexes]] = field(default_factory=dict)

    def __call__(self, pole: complex, rows: slice) -> tuple[Complexes, Complexes]:
        if self.drive.steady:
            inverse = 1.0 / (1j * self.drive.omega[self.order[rows]] - pole)
            return np.asarray(inverse, complex), np.asarray(inverse * inverse, complex)
        if pole not in self._kept:
            if len(self._kept) >= _MOST_KEPT:
                self._kept.clear()
            self._kept[pole] = self._computed(pole)
        value, by_s = self._kept[pole]
        return value[rows], by_s[rows]

    def _computed(self, pole: complex) -> tuple[Complexes, Complexes]:
        drive = self.drive
        filtered = drive.bandwidth_hz is not None and pole.imag > 0
        value, by_s = through_filter(drive, pole) if filtered else envelope(drive, pole)
        return (value / drive.amplitude)[self.order], (by_s / drive.amplitude)[self.order]
