"""Steps of the level: what a log of rows cannot tell about them, and what the structure answers.

Between two rows the level is taken as a smooth course. Where it is turned within a row or two, nobody knows when in the
row. The turn by Δ at a uniformly random place y of the row departs from the straight line by Δ(1[x > y] − x), whose
covariance Δ²(min(x, x′) − x x′) is that of a Brownian bridge: the departure is a sum of terms √2 Δ sin(kπx)/(kπ) with
independent sizes of variance one (Karhunen 1947, Loève 1948). The sizes are unknowns of the fit with that prior, the
same for every mode and channel; a sharp mode that rings on after the step tells them, and what remains unknown goes
into the uncertainties of the modes.

The beginning of a log, or of a piece of it, is such an event, too: the envelope there may be anything between rest and
steady state. What it lacks of the steady envelope, as a share that all modes have in common (1 for a drive that began
at the first row), dies away with each mode's own pole. Its two parts are two more unknowns with the same prior, from
where a search finds something beside the start.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from reportgen.compute.identification.drive import Drive, bend_of
from reportgen.compute.identification.envelope import Complexes, rule, within_step
from reportgen.compute.identification.tracking_filter import decay_through_filter
from reportgen.compute.sweep.pieces import BREAK_S, breaks
from reportgen.records.log import Floats

_LEAST = 0.035
"""Turn of the level, as a fraction of it, below which a straight line does: its event would not show."""
_ABOVE_SCATTER = 6.0
"""Times the median turn of the rows, which is scatter, that a turn must exceed to be one: chance does not reach it."""
_ABRUPT = 0.15
"""Turn within the row from which its place in the row matters to modes far from the drive, too."""
_SHAPES = 12
"""Of a turn that is abrupt: what is left of one at the very edge of its row is 4/π² Σ 1/k² (odd k ≥ 13) = 1.6 %."""
_MOST = 16
"""Turns followed, the greatest ones."""
_MEMORY = 36.0
"""Time constants after which a response is forgotten: e⁻³⁶ = 2e-16."""
_NODES = 32
"""Gauss-Legendre nodes within a step: 50 rad of rotation, the shape's own among it, are integrated to 1e-9."""
_START = (0, -1)
"""``shape`` of the share that is lacking at the start and of its part in quadrature."""
AT_AN_EVENT = 6
"""Rows from an event of the drive on that a mode must not rest on alone: as many as the event has unknowns."""


@dataclass(frozen=True, slots=True, eq=False)
class StepTiming:
    """Terms that stand for the events of the drive in a run, or in rows of it: places, shapes and prior sizes."""

    steps: np.ndarray
    """Step from row i to row i+1 in which each acts, int, shape (j,); −1 where it lies outside these rows."""
    shape: np.ndarray
    """k of sin(kπx), int, shape (j,); 0 and −1: what is lacking at the start, in phase and in quadrature."""
    std: Floats
    """Prior standard deviation of the level at the crest, shape (j,)."""

    def __len__(self) -> int:
        return len(self.steps)

    def part(self, start: int, stop: int) -> StepTiming:
        """The terms as seen from rows start … stop−1."""
        inside = (self.steps >= start) & (self.steps < stop - 1)
        return replace(self, steps=np.where(inside, self.steps - start, -1))

    @property
    def inside(self) -> np.ndarray:
        """Which act within these rows, indices."""
        return np.flatnonzero(self.steps >= 0)

    @property
    def turns(self) -> np.ndarray:
        """Which are turns of the level within these rows, indices."""
        return np.flatnonzero((self.steps >= 0) & (self.shape > 0))

    @property
    def starts(self) -> np.ndarray:
        """Which are of a start within these rows, indices."""
        return np.flatnonzero((self.steps >= 0) & (self.shape <= 0))

    @property
    def rows(self) -> np.ndarray:
        """Row after which each event within these rows begins to show, each once, int."""
        return np.unique(self.steps[self.inside])


NO_TIMING = StepTiming(np.empty(0, int), np.empty(0, int), np.empty(0))
"""No event of the drive."""


def step_timing_of(drive: Drive) -> StepTiming:
    """Where the level turns faster than its rows can tell."""
    if drive.steady or len(drive.omega) < 8:
        return NO_TIMING
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
    return StepTiming(at, shape, np.asarray(np.sqrt(2.0) * turn[at] / (np.pi * shape)))


def first_rows(drive: Drive) -> np.ndarray:
    """First row of the run, and of every piece of it that began anew, int."""
    return np.concatenate([[0], breaks(drive.time_s)]) if not drive.steady else np.zeros(1, int)


def with_start(timing: StepTiming, drive: Drive) -> StepTiming:
    """The terms of a run, and what may be lacking at the start of each of its pieces behind them."""
    rows = first_rows(drive)
    return StepTiming(
        np.concatenate([timing.steps, np.repeat(rows, len(_START))]),
        np.concatenate([timing.shape, np.tile(_START, len(rows))]),
        np.concatenate([timing.std, np.ones(len(rows) * len(_START))]),
    )


@dataclass(frozen=True, slots=True, eq=False)
class EventRinging:
    """What a mode answers to every event, on the rows where any of it is left."""

    rows: slice
    """Of width w."""
    value: Complexes
    """Upper envelope after a event of one prior standard deviation, shape (j, w)."""
    value_ds: Complexes
    """Its derivative by the pole, shape (j, w)."""
    lower: Complexes
    """Lower envelope after it, shape (j, w): of a start only."""
    lower_ds: Complexes

    def added(self, sizes: Floats, envelope: Complexes, value: Complexes) -> Complexes:
        """An envelope (n,) after terms of these sizes (j,) as well; ``value`` (j, w) is what each adds."""
        after = envelope.copy()
        after[self.rows] += sizes @ value
        return after


Course = tuple[Complexes, Complexes]
"""An envelope and its derivative by the pole at the rows, (n,), as they are where the drive ran long before."""
Start = tuple[complex, complex]
"""The same at the first row of a piece."""


@dataclass(frozen=True, slots=True, eq=False)
class Courses:
    """Envelopes of a mode where the drive ran long before."""

    upper: Course
    """Of s, as logged."""
    unfiltered: Course
    """Of s, before the tracking filter."""
    lower: Course
    """Of s*; a filter leaves it as it is."""


def ringing_after(drive: Drive, pole: complex, timing: StepTiming, courses: Courses) -> EventRinging:
    """How a mode rings after every event."""
    inside = timing.inside
    if not len(inside):
        nothing = np.zeros((len(timing), 0), complex)
        return EventRinging(slice(0, 0), nothing, nothing, nothing, nothing)
    begin = timing.steps + (timing.shape > 0)
    stops = {int(row): _forgotten(drive, pole, int(row)) for row in np.unique(begin[inside])}
    first, last = min(stops), max(stops.values())
    value, value_ds, low, low_ds = np.zeros((4, len(timing), last - first), complex)
    phase = np.concatenate([[0.0], np.cumsum(drive.advance[first : max(last - 1, first)])])
    turns, starts = timing.turns, timing.starts
    loads, loads_ds = _loads(drive, pole, timing.steps[turns], timing.shape[turns])
    for row, stop in stops.items():
        rows = slice(row - first, stop - first)
        after = drive.time_s[row:stop] - drive.time_s[row]
        turned = phase[rows] - phase[rows.start]
        ringing = np.exp(pole * after - 1j * turned)
        of = begin[turns] == row
        j, size = turns[of], timing.std[turns[of]]
        value[j, rows] = np.outer(size * loads[of], ringing)
        value_ds[j, rows] = np.outer(size * loads_ds[of], ringing) + after * value[j, rows]
        own = starts[timing.steps[starts] == row]
        if len(own):
            lacking = timing.std[own] * _PARTS[-timing.shape[own]]
            for s, logged, course, at, at_ds in (
                (pole, courses.upper, courses.unfiltered, value, value_ds),
                (np.conj(pole), courses.lower, courses.lower, low, low_ds),
            ):
                begun, seen = _at(course, row), _at(logged, row)
                lacks = _lacking(drive, complex(s), begun, seen, after, turned, row)
                at[own, rows], at_ds[own, rows] = (np.outer(lacking, each) for each in lacks)
    return EventRinging(slice(first, last), value, value_ds, low, low_ds)


_PARTS = np.array([-1.0, -1j])
"""What a share lacking at the start takes off the steady envelope: in phase, in quadrature."""


def _forgotten(drive: Drive, pole: complex, row: int) -> int:
    """First row at which nothing is left of what happened at a row."""
    until = drive.time_s[row] + min(_MEMORY / abs(pole.real), 0.5 * BREAK_S)
    return int(np.clip(np.searchsorted(drive.time_s, until, side="right"), row + 1, len(drive.omega)))


def _at(course: Course, row: int) -> Start:
    return complex(course[0][row]), complex(course[1][row])


def _lacking(
    drive: Drive, pole: complex, begun: Start, logged: Start, after: Floats, turned: Floats, row: int
) -> tuple[Complexes, Complexes]:
    """What is lacking of the steady envelope, as it dies away, and its derivative by s, each (w,).

    Of what is ``begun`` before the filter; ``logged`` is what lacks behind it at first.
    """
    if drive.bandwidth_hz is None:
        own, own_ds = (value * np.exp(pole * after - 1j * turned) for value in begun)
        return own, own_ds + after * own
    unit, unit_ds = decay_through_filter(drive, pole, row, row + len(after))
    own, own_ds = begun[0] * unit, begun[1] * unit + begun[0] * unit_ds
    # Nothing of it had passed the filter before: its poles settle by themselves.
    settling = _settling(drive, after, row)
    return own + (logged[0] - own[0]) * settling, own_ds + (logged[1] - own_ds[0]) * settling


def _settling(drive: Drive, after: Floats, row: int) -> Complexes:
    """From 1 to 0 as a filter forgets where it stood: 1 less its answer to a step, (w,).

    Σ R_i/p_i e^{−p_i t} over its poles, R_i the residues of Π p_i/(p + p_i).
    """
    assert drive.bandwidth_hz is not None
    rates = np.pi * float(drive.bandwidth_hz[row]) * np.array(drive.filter_poles, complex)
    total = np.zeros(len(after), complex)
    for i, rate in enumerate(rates):
        others = np.delete(rates, i)
        total += np.prod(others / (others - rate)) * np.exp(-rate * after)
    return total


def _loads(drive: Drive, pole: complex, steps: np.ndarray, shape: np.ndarray) -> tuple[Complexes, Complexes]:
    """E and ∂E/∂s at the end of each step in which sin(kπx) was added to the level, each (j,)."""
    x, w = rule(_NODES)
    length = drive.step[steps]
    back, y, phase = within_step(drive, steps, length, x)
    value = np.exp(pole * back - 1j * phase) * np.sin(np.pi * shape[:, None] * (1.0 - y)) * length[:, None]
    return np.asarray(value @ w), np.asarray((value * back) @ w)
