"""Steps of the level: what a log of rows cannot tell about them, and what the structure answers.

Between two rows the level is taken as a smooth course. Where it is turned within a row or two, nobody knows when in the
row; what the structure feels of that is the level's area beyond the assumed course, a kick at the middle of the row,
the same for every mode and channel. Kicks are unknowns of the fit, held by the prior that the turn may lie anywhere
within the row (a uniform place has the standard deviation 1/√12), so that a sharp mode that rings on after the step
tells when it was, and the uncertainty of that goes into the modes'.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from reportgen.compute.identify.drive import Drive
from reportgen.compute.identify.envelope import Complexes, bend_of
from reportgen.records.log import Floats

_LEAST = 0.01
"""Kick, as a fraction of the level over the row, below which it is left out: it would not show."""
_ABOVE_SCATTER = 6.0
_MOST = 40
_UNIFORM = 1.0 / np.sqrt(12.0)
_MEMORY = 36.0


@dataclass(frozen=True, slots=True, eq=False)
class Kicks:
    """Places and sizes of the kicks of a run, or of rows of it."""

    steps: np.ndarray
    """Step from row i to row i+1 in which each acts, int, shape (j,); −1 where it lies outside these rows."""
    std: Floats
    """Prior standard deviation, level times seconds, shape (j,)."""

    def __len__(self) -> int:
        return len(self.steps)

    def part(self, start: int, stop: int) -> Kicks:
        """The kicks as seen from rows start … stop−1."""
        inside = (self.steps >= start) & (self.steps < stop - 1)
        return replace(self, steps=np.where(inside, self.steps - start, -1))

    @property
    def inside(self) -> np.ndarray:
        """Which act within these rows, indices."""
        return np.flatnonzero(self.steps >= 0)


NO_KICKS = Kicks(np.empty(0, int), np.empty(0))


def kicks_of(drive: Drive) -> Kicks:
    """Where the level turns faster than its rows can tell."""
    if drive.steady or len(drive.omega) < 8:
        return NO_KICKS
    bend = np.abs(bend_of(drive))
    sharp = np.maximum(bend[:-1], bend[1:]) * drive.step**2
    level = np.maximum(drive.amplitude[:-1], drive.amplitude[1:])
    std = _UNIFORM * sharp / level
    least = max(_LEAST, _ABOVE_SCATTER * float(np.median(std)))
    steps = np.flatnonzero(std > least)
    steps = np.sort(steps[np.argsort(-std[steps], kind="stable")[:_MOST]])
    return Kicks(steps, (std * level * drive.step)[steps])


def kick_responses(drive: Drive, pole: complex, kicks: Kicks) -> tuple[Complexes, Complexes]:
    """Envelope after a kick of one prior standard deviation and its derivative by the pole, each of shape (j, n)."""
    value = np.zeros((len(kicks), len(drive.omega)), complex)
    value_ds = np.zeros_like(value)
    phase = np.concatenate([[0.0], np.cumsum(drive.advance)])
    reach = _MEMORY / abs(pole.real)
    for j in kicks.inside:
        step = int(kicks.steps[j])
        stop = int(np.searchsorted(drive.time_s, drive.time_s[step] + reach)) + 1
        rows = slice(step + 1, max(stop, step + 2))
        middle = 0.5 * (drive.time_s[step] + drive.time_s[step + 1])
        after = drive.time_s[rows] - middle
        # Phase from the middle of the step to its end: half of it, and an eighth of what the frequency gains within.
        half = 0.5 * drive.advance[step] + 0.125 * (drive.omega[step + 1] - drive.omega[step]) * drive.step[step]
        gained = phase[rows] - phase[step + 1] + half
        value[j, rows] = kicks.std[j] * np.exp(pole * after - 1j * gained)
        value_ds[j, rows] = after * value[j, rows]
    return value, value_ds
