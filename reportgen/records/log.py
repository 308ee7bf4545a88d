"""What was recorded: a sweep log (rows of frequency and amplitude) or time histories. SI, peak."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from reportgen.errors import RecordError
from reportgen.records.message import Message, message

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trace:
    """One channel of a sweep log."""

    channel: str
    dimension: str
    """``acceleration``, ``velocity``, ``displacement``, ``force``, ``voltage``, ``strain`` or ``ratio``."""
    amplitude: Floats
    """Peak of the fundamental, SI, shape (n,); NaN where the row has no reading."""
    phase_deg: Floats | None = None
    """Phase relative to the control, degrees, shape (n,); None where the log has none."""
    display_unit: str = "g"
    """The unit the log was written in, for printing."""
    distortion: Floats | None = None
    """Root sum square of harmonics 2 to 5 over the fundamental, shape (n,); only from time histories."""
    residual: Floats | None = None
    """Rms of what is neither fundamental nor harmonic, SI, shape (n,); only from time histories."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoggedCondition:
    """A temperature or humidity beside the rows of a log: no sinusoid, so no amplitude either."""

    channel: str
    """Channel of the job, else the name of its column."""
    dimension: str
    """``temperature`` or ``humidity``."""
    values: Floats
    """K, or a fraction of saturation; shape (n,), NaN where the row has no reading."""
    ambient: bool = False
    """Whether it is that of the room."""


REFERENCE = "reference"
"""Channel that stands for the reference of 1 in a log that holds responses over it alone."""
RESPONSE_OVER_FORCE = ("accelerance", "mobility", "receptance")
"""Dimensions of motions over a force (ISO 7626-1)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SweepLog:
    """One sweep as logged: rows in the order of time."""

    path: str
    """As named in the job."""
    frequency_hz: Floats
    """Shape (n,)."""
    traces: tuple[Trace, ...]
    time_s: Floats | None = None
    """Shape (n,), rising, from the log's own zero; None where the log has no time."""
    drive_cycles: Floats | None = None
    """Phase of the drive in cycles since the first row, where the source gives it exactly; shape (n,)."""
    row_line: NDArray[np.int64] | None = None
    """File line of each row, shape (n,)."""
    remarks: tuple[Message, ...] = ()
    """The log's own ``#`` lines and preamble, as written; of a record that was demodulated also what that left out."""
    rows_skipped: tuple[int, ...] = ()
    """File lines that could not be read."""
    effective_bandwidth_hz: Floats | None = None
    """Of the demodulation, shape (n,); only from time histories."""
    sweep_index: int = 1
    """Which sweep of the file this is, from 1."""
    sweeps_in_file: int = 1
    unit_reference: str | None = None
    """Channel that stands for the reference of 1 where the file holds responses over it alone; else None."""
    steady: bool = False
    """True where the rows are responses to steady vibration by the form of the file, as a frequency response is."""
    layout: Message | None = None
    """How the file was understood: delimiter, decimal sign, encoding, first row."""
    conditions: tuple[LoggedCondition, ...] = ()
    part_starts: tuple[int, ...] = ()
    """First rows of the second and further parts, where the run was logged in several files."""

    def __post_init__(self) -> None:
        n = len(self.frequency_hz)
        for trace in self.traces:
            if len(trace.amplitude) != n or (trace.phase_deg is not None and len(trace.phase_deg) != n):
                raise RecordError(message("log.rows-differ", log=self.path, channel=trace.channel))
        if self.time_s is not None and len(self.time_s) != n:
            raise RecordError(message("log.times-differ", log=self.path))

    def trace(self, channel: str) -> Trace | None:
        """The trace of that channel, or None."""
        return next((trace for trace in self.traces if trace.channel == channel), None)


class BlockSource(Protocol):
    """Where samples of a time history come from, in pieces."""

    def blocks(self, start: int, stop: int) -> Iterator[Floats]:
        """Arrays of shape (samples, channels), one after another, from sample ``start`` up to ``stop``."""
        ...


@runtime_checkable
class PickingSource(BlockSource, Protocol):
    """A source that can leave channels out before it reads them."""

    def only(self, channels: tuple[int, ...]) -> BlockSource:
        """The same samples, of the channels at those places, in that order."""
        ...


@runtime_checkable
class StoredSource(BlockSource, Protocol):
    """A source that also hands out numbers as they are stored: a channel's number times its factor is the quantity."""

    @property
    def factors(self) -> tuple[float, ...]:
        """SI for a stored 1, channel by channel."""
        ...

    def stored(self, start: int, stop: int) -> Iterator[NDArray[np.generic]]:
        """Like ``blocks``, before the factors."""
        ...


def _picked(source: BlockSource, places: tuple[int, ...]) -> BlockSource:
    return source.only(places) if isinstance(source, PickingSource) else _Picked(source, places)


@dataclass(frozen=True, slots=True)
class _Picked:
    """Some channels of a source that reads all."""

    source: BlockSource
    places: tuple[int, ...]

    def blocks(self, start: int, stop: int) -> Iterator[Floats]:
        return (block[:, self.places] for block in self.source.blocks(start, stop))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TimeHistory:
    """Evenly sampled channels; samples are fetched in pieces and are SI already."""

    path: str
    sample_rate_hz: float
    samples: int
    channels: tuple[str, ...]
    dimensions: tuple[str, ...]
    display_units: tuple[str, ...]
    source: BlockSource = field(repr=False)
    start_s: float = 0.0
    remarks: tuple[Message, ...] = ()
    """What the file itself says of the record, as written."""
    damage: Message | None = None
    """What of the file could not be read, or None."""
    layout: Message | None = None
    further_parts: tuple[TimeHistory, ...] = ()
    """Records of the further parts of a run that was stopped and resumed, in order."""

    def read(self, start: int = 0, stop: int | None = None) -> Floats:
        """Samples ``start`` to ``stop`` of all channels, shape (samples, channels), SI."""
        stop = self.samples if stop is None else min(stop, self.samples)
        parts = list(self.source.blocks(start, stop))
        if len(parts) == 1:
            return parts[0]
        return np.concatenate(parts) if parts else np.empty((0, len(self.channels)))

    def only(self, channels: tuple[str, ...]) -> TimeHistory:
        """The same record with these channels, in this order. Raises RecordError for one that is not in it."""
        absent = [each for each in channels if each not in self.channels]
        if absent:
            raise RecordError(message("log.no-channel", log=self.path, channel=absent[0], there=self.channels))
        places = tuple(self.channels.index(each) for each in channels)
        return replace(
            self,
            channels=channels,
            dimensions=tuple(self.dimensions[i] for i in places),
            display_units=tuple(self.display_units[i] for i in places),
            source=_picked(self.source, places),
            further_parts=tuple(each.only(channels) for each in self.further_parts),
        )


Log = SweepLog | TimeHistory
