"""Steps of the level: what a log of rows cannot tell about them, and what the structure answers.

Between two rows the level is taken as a smooth course. Where it is turned within a row or two, nobody knows when in the
row. The turn by Δ at a uniformly random place y of the row departs from the straight line by Δ(1[x > y] − x), whose
covariance Δ²(min(x, x′) − x x′) is that of a Brownian bridge: the departure is a sum of kicks √2 Δ sin(kπx)/(kπ) with
independent sizes of variance one (Karhunen 1947, Loève 1948). The sizes are unknowns of the fit with that prior, the
same for every mode and channel; a sharp mode that rings on after the step tells them, and what remains unknown goes
into the uncertainties of the modes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from reportgen.compute.identify.drive import Drive, bend_of
from reportgen.compute.identify.envelope import Complexes, rule, within_step
from reportgen.records.log import Floats

_LEAST = 0.035
"""Turn of the level, as a fraction of it, below which a straight line does: its kick would not show."""
_ABOVE_SCATTER = 6.0
_ABRUPT = 0.15
"""Turn within the row from which its place in the row matters to modes far from the drive, too."""
_SHAPES = 6
_MOST = 16
"""Turns followed, the greatest ones."""
_MEMORY = 36.0
_NODES = 32


@dataclass(frozen=True, slots=True, eq=False)
class Kicks:
    """Places and sizes of the kicks of a run, or of rows of it."""

    steps: np.ndarray
    """Step from row i to row i+1 in which each acts, int, shape (j,); −1 where it lies outside these rows."""
    shape: np.ndarray
    """k of sin(kπx), int, shape (j,)."""
    std: Floats
    """Prior standard deviation of the level at the crest, shape (j,)."""

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


NO_KICKS = Kicks(np.empty(0, int), np.empty(0, int), np.empty(0))
_NOTHING = np.empty((0, 0), complex)


def kicks_of(drive: Drive) -> Kicks:
    """Where the level turns faster than its rows can tell."""
    if drive.steady or len(drive.omega) < 8:
        return NO_KICKS
    bend = np.abs(bend_of(drive.step, drive.rise))
    turn = np.maximum(bend[:-1], bend[1:]) * drive.step**2
    level = np.maximum(drive.amplitude[:-1], drive.amplitude[1:])
    least = max(_LEAST, _ABOVE_SCATTER * float(np.median(turn / level)))
    steps = np.flatnonzero(turn / level > least)
    steps = np.sort(steps[np.argsort(-(turn / level)[steps], kind="stable")[:_MOST]])
    abrupt = np.abs(np.diff(drive.amplitude))[steps] > _ABRUPT * level[steps]
    many = np.where(abrupt, _SHAPES, 1)
    shape = np.concatenate([np.arange(1, k + 1) for k in many]) if len(many) else np.empty(0, int)
    at = np.repeat(steps, many)
    return Kicks(at, shape, np.asarray(np.sqrt(2.0) * turn[at] / (np.pi * shape)))


@dataclass(frozen=True, slots=True, eq=False)
class Ringing:
    """What a mode answers to every kick, on the rows where any of it is left."""

    rows: slice
    """Of width w."""
    value: Complexes
    """Envelope after a kick of one prior standard deviation, shape (j, w)."""
    value_ds: Complexes
    """Its derivative by the pole, shape (j, w)."""

    def of(self, kicks: Floats, envelope: Complexes, envelope_ds: Complexes) -> tuple[Complexes, Complexes]:
        """An envelope and its derivative by the pole, each (n,), after kicks of these sizes (j,) as well."""
        both = envelope.copy(), envelope_ds.copy()
        for each, ringing in zip(both, (self.value, self.value_ds), strict=True):
            each[self.rows] += kicks @ ringing
        return both


def kick_responses(drive: Drive, pole: complex, kicks: Kicks) -> Ringing:
    """How a mode rings after every kick."""
    if not len(kicks):
        return Ringing(slice(0, 0), _NOTHING, _NOTHING)
    inside = kicks.inside
    steps = np.unique(kicks.steps[inside])
    until = drive.time_s[steps + 1] + _MEMORY / abs(pole.real)
    stops = np.clip(np.searchsorted(drive.time_s, until) + 1, steps + 2, len(drive.omega))
    first, last = (int(steps[0]) + 1, int(stops.max())) if len(steps) else (0, 0)
    value = np.zeros((len(kicks), last - first), complex)
    value_ds = np.zeros_like(value)
    phase = np.concatenate([[0.0], np.cumsum(drive.advance[first : max(last - 1, first)])])
    loads, loads_ds = _loads(drive, pole, kicks.steps[inside], kicks.shape[inside])
    for step, stop in zip(steps, stops, strict=True):
        rows = slice(step + 1 - first, stop - first)
        after = drive.time_s[step + 1 : stop] - drive.time_s[step + 1]
        ringing = np.exp(pole * after - 1j * (phase[rows] - phase[rows.start]))
        of = kicks.steps[inside] == step
        j, size = inside[of], kicks.std[inside[of]]
        value[j, rows] = np.outer(size * loads[of], ringing)
        value_ds[j, rows] = np.outer(size * loads_ds[of], ringing) + after * value[j, rows]
    return Ringing(slice(first, last), value, value_ds)


def _loads(drive: Drive, pole: complex, steps: np.ndarray, shape: np.ndarray) -> tuple[Complexes, Complexes]:
    """E and ∂E/∂s at the end of each step in which sin(kπx) was added to the level, each (j,)."""
    x, w = rule(_NODES)
    length = drive.step[steps]
    back, y, phase = within_step(drive, steps, length, x)
    value = np.exp(pole * back - 1j * phase) * np.sin(np.pi * shape[:, None] * (1.0 - y)) * length[:, None]
    return np.asarray(value @ w), np.asarray((value * back) @ w)
