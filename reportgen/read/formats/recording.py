"""What a file of time histories holds, before anybody says which channel is which."""

from __future__ import annotations

import math
import os
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from reportgen.records.log import Floats
from reportgen.records.message import Message, message

SAMPLE_RATE_KEY = "sample rate"
"""Key of a mapping that states the rate, for a file that does not say it."""
BLOCK_VALUES = 1 << 20
"""Values in one block of samples: 8 MB, so that a few of them a core stay far below any memory limit."""

_IN_MEMORY = 16 << 20
"""Numbers that a spool keeps in memory."""
Fetch = Callable[[int, int, tuple[int, ...]], NDArray[np.generic]]
"""(start, stop, channel places) to stored numbers of shape (samples, channels)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredChannel:
    """One channel as the file names it."""

    name: str
    unit: str | None = None
    """As written in the file; None where the file says none."""
    other_names: tuple[str, ...] = ()
    """Further names under which a mapping may ask for it."""
    remark: Message | None = None
    """What is to be said of its unit."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Recording:
    """Channels of one sample rate in one file."""

    sample_rate_hz: float | None
    """None where the file does not say it."""
    stated_hz: float | None = None
    """Rate that a number or a line of the file states."""
    by_times_hz: float | None = None
    """Rate at which the times of its samples go on."""
    samples: int
    channels: tuple[StoredChannel, ...]
    fetch: Fetch = field(repr=False)
    start_s: float = 0.0
    remarks: tuple[str, ...] = ()
    """What the file itself says of the record, as written."""
    damage: Message | None = None
    layout: Message
    """How the file was understood."""
    refused: tuple[Message, ...] = ()
    """What else is in the file and why it is no channel, one message each."""
    factors: tuple[Message, ...] = ()
    """What it states that may have to be applied to its numbers, and is not."""
    no_channels: frozenset[str] = frozenset({SAMPLE_RATE_KEY})
    """Keys of a mapping, folded, that name no channel of such a file."""

    def place(self, name: str) -> int | None:
        """Place of the channel of that name, case and blanks apart; None where there is none."""
        wanted = " ".join(name.split()).casefold()
        for names in (lambda c: (c.name,), lambda c: c.other_names):
            for place, channel in enumerate(self.channels):
                if wanted in (" ".join(each.split()).casefold() for each in names(channel)):
                    return place
        return None


Extent = tuple[int, float | None]
"""Samples, and the sample rate in Hz where the file says it."""


def other_extent(name: str, own: Extent, common: Extent) -> Message:
    """Why a signal is no channel: it has not the samples and the rate of the others."""
    return message("record.unlike", name=name, own=_extent(own), common=_extent(common))


def _extent(of: Extent) -> Message:
    samples, rate = of
    if rate is None:
        return message("record.samples-at-unknown", samples=samples)
    return message("record.samples-at", samples=samples, rate_hz=rate)


@dataclass(frozen=True, slots=True, eq=False)
class ScaledSamples:
    """Chosen channels of a recording, turned to SI piece by piece (a PickingSource and a StoredSource)."""

    fetch: Fetch = field(repr=False)
    places: tuple[int, ...]
    factors: tuple[float, ...]

    def blocks(self, start: int, stop: int) -> Iterator[Floats]:
        """Blocks of shape (samples, channels), SI."""
        factors = np.array(self.factors)
        return (np.multiply(each, factors, dtype=np.float64) for each in self.stored(start, stop))

    def stored(self, start: int, stop: int) -> Iterator[NDArray[np.generic]]:
        """The same as the file holds it, before the factors."""
        step = max(1, BLOCK_VALUES // max(1, len(self.places)))
        for begin in range(start, stop, step):
            yield self.fetch(begin, min(begin + step, stop), self.places)

    def only(self, channels: tuple[int, ...]) -> ScaledSamples:
        """The same of fewer channels."""
        return ScaledSamples(
            self.fetch, tuple(self.places[i] for i in channels), tuple(self.factors[i] for i in channels)
        )


Rows = Callable[[int, int], Floats]
"""(start, stop) to rows of shape (stop − start, columns)."""


class UnnamedFile:
    """A file without a name, closed when its last reader is gone."""

    def __init__(self) -> None:
        self._file = tempfile.TemporaryFile()  # noqa: SIM115 -- closed with this object

    def __del__(self) -> None:
        self._file.close()

    def write(self, content: memoryview) -> None:
        """Add to the end."""
        self._file.write(content)

    def flush(self) -> None:
        """Let all that was written be read."""
        self._file.flush()

    def fileno(self) -> int:
        """Descriptor for reading at any place."""
        return self._file.fileno()


class Spool:
    """Numbers parsed from a text or unpacked from a file, laid down once as binary for reading in pieces.

    Up to 128 MB stay in memory; more goes to an unnamed file that vanishes with the last reader.
    """

    def __init__(self, columns: int) -> None:
        self._columns = columns
        self._parts: list[Floats] = []
        self._file: UnnamedFile | None = None
        self.rows = 0

    def append(self, rows: Floats) -> None:
        """Lay down rows of shape (n, columns)."""
        self._parts.append(np.asarray(rows, dtype=np.float64))
        self.rows += len(rows)
        if self._file is None and self.rows * self._columns > _IN_MEMORY:
            self._file = UnnamedFile()
        if self._file is not None:
            for part in self._parts:
                self._file.write(np.ascontiguousarray(part).data)
            self._parts = []

    def reader(self) -> Rows:
        """What was laid down, by rows; large ones are read from the unnamed file, never mapped."""
        if self._file is None:
            return _rows_of(self._parts, self._columns)
        self._file.flush()
        file, columns, rows = self._file, self._columns, self.rows

        def read(start: int, stop: int) -> Floats:
            wanted = max(0, min(stop, rows) - start)
            raw = os.pread(file.fileno(), 8 * columns * wanted, 8 * columns * start)
            return np.frombuffer(raw, np.float64).reshape(-1, columns)

        return read

    def fetch(self) -> Fetch:
        """What was laid down, for a Recording."""
        read = self.reader()
        return lambda start, stop, places: read(start, stop)[:, list(places)]


def _rows_of(parts: list[Floats], columns: int) -> Rows:
    """Rows of parts that follow each other, never put together as a whole."""
    starts = np.cumsum([0, *(len(part) for part in parts)])

    def read(start: int, stop: int) -> Floats:
        first, last = np.searchsorted(starts, [start, max(stop - 1, start)], side="right") - 1
        pieces = [
            part[max(start - at, 0) : max(stop - at, 0)]
            for part, at in zip(parts[first : last + 1], starts[first:].tolist(), strict=False)
        ]
        if len(pieces) == 1:
            return pieces[0]
        return np.concatenate(pieces) if pieces else np.empty((0, columns))

    return read


def stacked(fetch_one: Callable[[int, int, int], NDArray[np.generic]]) -> Fetch:
    """A Fetch from one that reads a single channel: (start, stop, place) to shape (samples,)."""

    def fetch(start: int, stop: int, places: tuple[int, ...]) -> NDArray[np.generic]:
        return np.column_stack([fetch_one(start, stop, place) for place in places])

    return fetch


def rounded_rate(interval_s: float, half_digit_s: float) -> float:
    """Sample rate, Hz, from an interval that was written with few digits.

    Takes the roundest rate whose interval would have been written so: 1.95312E-05 s, good to 5e-11 s, is 51 200 Hz.

    >>> rounded_rate(1.95312e-05, 5e-11), rounded_rate(1.52588e-05, 5e-11)
    (51200.0, 65536.0)
    """
    if not math.isfinite(1.0 / interval_s):
        return math.inf
    for step in (1e4, 1e3, 1e2, 10.0, 1.0, 0.1, 0.01):
        rate = round(1.0 / interval_s / step) * step
        if rate > 0 and abs(1.0 / rate - interval_s) <= half_digit_s * (1.0 + 1e-6):
            return float(rate)
    return 1.0 / interval_s


def even_rate(times: Sequence[float] | Floats) -> float | None:
    """Sample rate of evenly spaced times, Hz; None where they are not even.

    Even: no interval strays from the mean by more than the rounding of the times as written, taken as half of the
    mean interval (single-precision and few-digit time columns pass, a lost or doubled sample does not).
    """
    t = np.asarray(times, dtype=np.float64)
    if len(t) < 3 or not np.all(np.isfinite(t)):
        return None
    mean = (t[-1] - t[0]) / (len(t) - 1)
    if not mean > 0:
        return None
    line = t[0] + mean * np.arange(len(t))
    if np.max(np.abs(np.diff(t) - mean)) > 0.6 * mean or np.max(np.abs(t - line)) > 1.0 * mean:
        return None
    digits = float(np.max(np.abs(t - line)))
    return rounded_rate(mean, max(2.0 * digits / (len(t) - 1), 1e-12 * mean))
