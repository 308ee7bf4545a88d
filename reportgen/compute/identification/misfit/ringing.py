"""What modes leave to ring after the drive changed at once: a start, a step of the level, a resumption.

From the row at which such a change is over every mode answers with its forced motion and with a free decay e^{st} of
its own pole, whatever the change was: how much of it each channel sees is unknown, up to one complex amplitude for the
decay as it turns with the drive and one as it turns against it. A tracking filter that is stated passes the decay as
it passes any tone beside the drive, and settles by itself.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from reportgen.compute.identification.drive import Drive
from reportgen.compute.identification.step_timing import first_rows, step_timing_of
from reportgen.compute.identification.tracking_filter import decay_through_filter
from reportgen.compute.sweep.pieces import breaks
from reportgen.records.log import Floats

Complexes = NDArray[np.complex128]

_HEARD = 1e-3
"""Share of what rang at an event from which a decay is followed on later rows: below what channels are linear to."""
_ONE_EVENT = 3
"""Rows within which turns of the level are one change: a hand on the level takes a row or two."""
_MOVED = 0.02
"""Change of the level within a row, as a part of it, from which it has not come to an end before: of a step of 2 dB,
the least that counts as one, a tenth."""
_USUAL_Q = 100.0
"""Of the sharpest modes that structures of metal with joints have: how long a change may ring, before it is known."""
_FINEST = 4000
"""Guard: frequencies tried for a decay."""
_MOST_KEPT = 100
"""Poles whose decays are kept."""


@dataclass(frozen=True, slots=True, eq=False)
class Decays:
    """Free decays of one pole as a band shows them."""

    rows: slice
    """Rows of the run that they are given on."""
    value: Complexes
    """As they turn with the drive (even places) and against it (odd), (2j, rows)."""
    by_s: Complexes
    """Their derivatives by the pole, by its conjugate the odd ones."""


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """Decays of several poles over a slice of a band, and a filter that settles."""

    owner: NDArray[np.int64]
    """Pole that each is of, (r,); −1 for the filter."""
    which: NDArray[np.int64]
    """Place among all decays of that pole, or of the filter, (r,)."""
    against: NDArray[np.bool_]
    """Which turn against the drive, (r,)."""
    value: Complexes
    """(r, rows)."""
    by_s: Complexes

    def __len__(self) -> int:
        return len(self.owner)

    def labels(self) -> list[tuple[int, int]]:
        """Pole and place of each."""
        return list(zip(self.owner.tolist(), self.which.tolist(), strict=True))


@dataclass(frozen=True, eq=False)
class Ringing:
    """The changes of a drive that a fit follows."""

    drive: Drive
    order: NDArray[np.int64]
    """Row of the run that each row of the band is, (n,)."""
    events: NDArray[np.int64]
    """Rows of the run at which a change is over, (j,)."""
    followed: tuple[int, ...] = ()
    """Indices of those whose decays are unknowns."""

    @classmethod
    def of(cls, drive: Drive, order: NDArray[np.int64]) -> Ringing:
        """None followed yet."""
        return cls(drive, order, events_of(drive))

    @cached_property
    def place(self) -> NDArray[np.int64]:
        """Row of the band that each row of the run is, (n,)."""
        return np.argsort(self.order, kind="stable")

    @cached_property
    def phase(self) -> Floats:
        """Of the drive, rad, (n,)."""
        return np.concatenate([[0.0], np.cumsum(self.drive.advance)])

    @cached_property
    def since(self) -> NDArray[np.int64]:
        """Rows of the band since the last change that is followed, (n,); of none as many as there are rows."""
        n = len(self.order)
        events = np.sort(self.events[list(self.followed)])
        last = np.searchsorted(events, np.arange(n), side="right") - 1
        since = np.where(last >= 0, np.arange(n) - events[np.maximum(last, 0)] if len(events) else n, n)
        return np.asarray(since[self.order])

    @cached_property
    def last(self) -> NDArray[np.int64]:
        """Index of the change before each row of the band after which a mode of usual damping may still ring, (n,).

        −1 where there is none.
        """
        found = np.full(len(self.order), -1)
        for event in range(len(self.events)):
            found[self.place[self.rows_of(event)]] = event
        return found

    def may_ring(self, around: int) -> NDArray[np.bool_]:
        """Rows of the band within so many of one after a change that is not followed, (n,)."""
        ringing = (self.last >= 0) & ~np.isin(self.last, self.followed)
        return np.asarray(np.convolve(ringing, np.ones(2 * around + 1), "same") > 0)

    def beside(self, row: int, around: int) -> tuple[list[int], list[int]]:
        """Changes that may ring within so many rows of one of the band: not followed yet, and followed."""
        events = np.unique(self.last[max(0, row - around) : row + around + 1])
        known = [int(event) for event in events if event >= 0]
        return [e for e in known if e not in self.followed], [e for e in known if e in self.followed]

    def follow(self, event: int) -> Ringing:
        """With one change more among the unknowns."""
        return replace(self, followed=(*self.followed, event))

    def rows_of(self, event: int) -> NDArray[np.int64]:
        """Rows of the run from a change on, for as long as a mode there may ring, until the next begins."""
        first = int(self.events[event])
        seconds = -np.log(_HEARD) * 2.0 * _USUAL_Q / float(self.drive.omega[first])
        later = [*self.events[self.events > first].tolist(), *breaks(self.drive.time_s).tolist(), len(self.order)]
        stop = int(np.searchsorted(self.drive.time_s, self.drive.time_s[first] + seconds, side="right"))
        return np.arange(first, max(first + 1, min(stop, min(row for row in later if row > first))))

    def course(self, rows: NDArray[np.int64]) -> tuple[Floats, Floats]:
        """Seconds and phase of the drive, rad, since the first of some rows of the run."""
        return self.drive.time_s[rows] - self.drive.time_s[rows[0]], self.phase[rows] - self.phase[rows[0]]

    def grid(self, event: int) -> Floats:
        """Frequencies that may ring after a change, rad/s: as close as its rows can tell, and as far as they can."""
        heard = self.rows_of(event)
        after, _ = self.course(heard)
        at, step = float(self.drive.omega[heard[0]]), float(np.median(np.diff(after)))
        low, high = max(0.3 * at, at - np.pi / step), min(3.0 * at, at + np.pi / step)
        return np.linspace(low, high, int(np.clip((high - low) * after[-1] / np.pi * 2.0, 50, _FINEST)))

    def columns(self, poles: Complexes, rows: slice) -> Columns:
        """Decays of poles (k,) heard on a slice of the band."""
        wanted = self.order[rows]
        found: list[tuple[int, int, bool, Complexes, Complexes]] = []
        if self.followed:
            for k, pole in enumerate(poles):
                own = self._of(complex(pole))
                inside = (wanted >= own.rows.start) & (wanted < own.rows.stop)
                if inside.any():
                    at = wanted[inside] - own.rows.start
                    for j in np.flatnonzero(np.max(np.abs(own.value[:, at]), axis=1) > _HEARD):
                        value, by_s = np.zeros((2, len(wanted)), complex)
                        value[inside], by_s[inside] = own.value[j, at], own.by_s[j, at]
                        found.append((k, int(j), bool(j % 2), value, by_s))
            found += self._settling(wanted)
        blank = np.zeros((0, len(wanted)), complex)
        return Columns(
            np.array([each[0] for each in found], int), np.array([each[1] for each in found], int),
            np.array([each[2] for each in found], bool),
            np.array([each[3] for each in found]) if found else blank,
            np.array([each[4] for each in found]) if found else blank,
        )  # fmt: skip

    @cached_property
    def _of(self) -> Callable[[complex], Decays]:
        """Decays by pole; those of the poles asked for last are not worked out again."""
        return lru_cache(maxsize=_MOST_KEPT)(self._computed)

    def _computed(self, pole: complex) -> Decays:
        until = -np.log(_HEARD) / abs(pole.real)
        heard = [_heard(self.drive, int(self.events[event]), until) for event in self.followed]
        first, last = min(each[0] for each in heard), max(each[1] for each in heard)
        value, by_s = np.zeros((2, 2 * len(heard), last - first), complex)
        for j, (start, stop) in enumerate(heard):
            # What turns against the drive does not pass a filter.
            turns = (pole,) if self.drive.bandwidth_hz is not None else (pole, np.conj(pole))
            for k, s in enumerate(turns):
                rows = slice(start - first, stop - first)
                value[2 * j + k, rows], by_s[2 * j + k, rows] = self._decay(complex(s), start, stop)
        return Decays(slice(first, last), value, by_s)

    def _decay(self, s: complex, start: int, stop: int) -> tuple[Complexes, Complexes]:
        """e^{st} after a row against the drive's phase, over its level, through the filter; and ∂/∂s."""
        drive, rows = self.drive, slice(start, stop)
        level = drive.amplitude[start] / drive.amplitude[rows]
        if drive.bandwidth_hz is not None:
            value, by_s = decay_through_filter(drive, s, start, stop)
            return value * level, by_s * level
        after = drive.time_s[rows] - drive.time_s[start]
        value = level * np.exp(s * after - 1j * (self.phase[rows] - self.phase[start]))
        return value, after * value

    def _settling(self, wanted: NDArray[np.int64]) -> list[tuple[int, int, bool, Complexes, Complexes]]:
        """What a stated filter does by itself after a change: e^{−pt} of each of its poles."""
        drive = self.drive
        if drive.bandwidth_hz is None:
            return []
        found = []
        for j, event in enumerate(self.followed):
            first = int(self.events[event])
            for m, pole in enumerate(drive.filter_poles):
                rate = np.pi * float(drive.bandwidth_hz[first]) * pole
                start, stop = _heard(drive, first, -np.log(_HEARD) / abs(rate.real))
                inside = (wanted >= start) & (wanted < stop)
                if inside.any():
                    value = np.zeros(len(wanted), complex)
                    value[inside] = np.exp(-rate * (drive.time_s[wanted[inside]] - drive.time_s[first]))
                    found.append((-1, j * len(drive.filter_poles) + m, False, value, np.zeros_like(value)))
        return found


def _heard(drive: Drive, first: int, seconds: float) -> tuple[int, int]:
    """Rows on which a decay that begins at a row is heard: to the end of its piece at most."""
    stop = int(np.searchsorted(drive.time_s, drive.time_s[first] + seconds, side="right"))
    return first, max(stop, first + 1)


def events_of(drive: Drive) -> NDArray[np.int64]:
    """Rows of a run at which a change of the drive is over: starts of its pieces, and turns of its level."""
    if drive.steady:
        return np.empty(0, int)
    steps = np.unique(step_timing_of(drive).steps)
    moved = np.abs(np.diff(drive.amplitude))[steps] > _MOVED * drive.amplitude[steps]
    turns = steps[moved] + 1
    last = turns[np.append(np.diff(turns) > _ONE_EVENT, True)] if len(turns) else turns
    return np.unique(np.concatenate([first_rows(drive), last])).astype(int)
