"""The free decay in a record: where the pluck is, from where on it may be fitted, and where noise takes over."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reportgen.compute.decay.clipping import clipped_samples
from reportgen.errors import ComputeError
from reportgen.records.log import Floats, TimeHistory
from reportgen.records.message import Message, message

LEAST_RISE = 10.0
"""Peak of a decay over the record's quiet floor; less is no pluck."""
_ABOVE_FLOOR = 3.0
_REVIVAL = 2.0
"""Rise over the lowest envelope so far that is a second pluck or a knock."""
_AS_STRONG = 0.7
"""Share of the largest peak from which an earlier pluck is taken instead."""
_CYCLES_BEFORE = 10
_QUIET_BEFORE = 0.3
"""Level before a pluck over that after it; a sweep builds a resonance up over about Q cycles."""
_LONGEST_SPECTRUM = 1 << 20
MOST_VALUES = 4 << 20
"""Samples of all channels together that are read for one decay (32 MB)."""
_BLOCKS_A_SECOND = 64.0
_BEFORE = 0.125
"""Share of them that lies before the pluck, for the floor."""


def find_pluck(samples: Floats, sample_rate_hz: float) -> tuple[int, int]:
    """First and one-past-last sample of the free decay in a record with pre-trigger.

    ``samples`` has shape (n, channels); each channel counts by its own largest reading. The decay begins at the largest
    excursion after the release and ends where the envelope, taken over a cycle of the strongest line, comes within
    three times the record's quietest stretch, rises again by a factor of two, or the record ends. Of several plucks the
    first that is about as strong as the strongest. Raises ComputeError where nothing stands out of the floor.
    """
    x = samples - np.median(samples, axis=0)
    if len(x) < 32 or not np.isfinite(x).all():
        raise ComputeError(message("decay.too-few-to-find", samples=len(x)))
    x = _without_slow(x, _strongest_cycle(x / np.maximum(np.max(np.abs(x), axis=0), 1e-300), sample_rate_hz))
    largest = np.max(np.abs(x), axis=0)
    alive = largest > 0
    if not alive.any():
        raise ComputeError(message("decay.silent"))
    x = x[:, alive] / largest[alive]
    cycle = _strongest_cycle(x, sample_rate_hz)
    envelope, height = _envelope(x, cycle)
    floor = _quietest(envelope)
    top = float(envelope.max())
    if top < LEAST_RISE * floor:
        raise ComputeError(message("decay.no-rise", rise=top / floor, least=LEAST_RISE))
    begin = _first_strong(envelope, top)
    end = _end_of_decay(envelope, begin, floor)
    start = begin * cycle + int(np.argmax(height[begin * cycle : (begin + 1) * cycle]))
    return start, min(end * cycle, len(x))


@dataclass(frozen=True, slots=True)
class DecayPart:
    """The stretch of a record that is fitted."""

    begin: int
    end: int
    release: int
    """First sample of the decay, before clipped samples were left out."""
    said: tuple[Message, ...] = ()


def decay_part(samples: Floats, sample_rate_hz: float, channels: Sequence[str]) -> DecayPart:
    """The free decay in a record of shape (n, channels), from the release, past what is clipped, into its noise.

    Behind where the envelope reaches three times the floor, slow modes still tell; the stretch is as long again as it
    was to there, or ends before the next pluck. Raises ComputeError where nothing stands out of the floor.
    """
    begin, end = find_pluck(samples, sample_rate_hz)
    longer = min(len(samples), end + (end - begin), _next_pluck(samples, end))
    clipped = clipped_samples(samples)
    inside = clipped[begin:longer]
    if not inside.any():
        return DecayPart(begin, longer, begin, ())
    last = int(np.flatnonzero(inside.any(axis=1))[-1])
    told = tuple(_clipping_said(name, inside[:, c], sample_rate_hz) for c, name in enumerate(channels)
                 if inside[:, c].any())  # fmt: skip
    return DecayPart(min(begin + last + 2, longer - 1), longer, begin, told)


def _clipping_said(name: str, clipped: NDArray[np.bool_], rate: float) -> Message:
    last = float(np.flatnonzero(clipped)[-1]) / rate
    return message("decay.clipped", channel=name, samples=int(clipped.sum()), seconds=last)


def _next_pluck(samples: Floats, end: int) -> int:
    """Where, from ``end`` on, the record rises well above what it is there, or its end."""
    x = samples - np.median(samples, axis=0)
    height = np.max(np.abs(x) / np.maximum(np.max(np.abs(x), axis=0), 1e-300), axis=1)
    block = max(16, len(x) // 512)
    after = height[end:]
    whole = len(after) // block * block
    if whole < 2 * block:
        return len(x)
    tops = after[:whole].reshape(-1, block).max(axis=1)
    rises = np.flatnonzero(tops > _REVIVAL * np.maximum(np.minimum.accumulate(tops), np.median(tops)))
    return end + int(rises[0]) * block if len(rises) else len(x)


def rises_at_once(samples: Floats, begin: int, cycle: int) -> bool:
    """Whether what begins at a sample was not there some cycles before, as a resonance that a sweep builds up is.

    ``samples`` has shape (n, channels), ``cycle`` is one of the oscillation in samples. A record that begins with its
    decay has nothing before it.
    """
    x = samples - np.median(samples, axis=0)
    before = x[max(0, begin - _CYCLES_BEFORE * cycle) : max(0, begin - 2 * cycle)]
    after = x[begin : begin + _CYCLES_BEFORE * cycle]
    if len(before) < 2 * cycle:
        return True
    return bool(np.sqrt(np.mean(before**2)) < _QUIET_BEFORE * np.sqrt(np.mean(after**2)))


def pluck_window(history: TimeHistory) -> tuple[int, int]:
    """First and one-past-last sample of the part of a record that is to be looked at for its pluck.

    The whole of a short record; of a long one, gone through in pieces, a part around the first place whose excursion
    is about as strong as the strongest of the record, each channel measured by its own largest.
    """
    held = max(1, MOST_VALUES // max(1, len(history.channels)))
    if history.samples <= held:
        return 0, history.samples
    block = max(16, int(history.sample_rate_hz / _BLOCKS_A_SECOND))
    swing = _swings(history, block)
    largest = swing.max(axis=0)
    height = np.max(swing / np.where(largest > 0, largest, 1.0), axis=1)
    strong = int(np.argmax(height >= _AS_STRONG * height.max())) * block
    start = min(max(0, strong - int(_BEFORE * held)), history.samples - held)
    return start, start + held


def _swings(history: TimeHistory, block: int) -> Floats:
    """Half the way from the lowest to the highest reading in each block of samples, shape (blocks, channels)."""
    step = block * max(1, MOST_VALUES // 4 // (block * max(1, len(history.channels))))
    found = []
    for begin in range(0, history.samples - block + 1, step):
        y = history.read(begin, min(begin + step, history.samples))
        blocks = y[: len(y) // block * block].reshape(-1, block, y.shape[1])
        found.append((blocks.max(axis=1) - blocks.min(axis=1)) / 2.0)
    swing: Floats = np.nan_to_num(np.concatenate(found))
    return swing


def _without_slow(x: Floats, cycle: int) -> Floats:
    """Less the mean over two cycles about each sample: a deflection held by hand, an offset, a drift are no motion."""
    width = 2 * cycle + 1
    if len(x) < 4 * width:
        return x
    padded = np.pad(x, ((cycle + 1, cycle), (0, 0)), mode="edge")
    sums = np.cumsum(padded, axis=0)
    return np.asarray(x - (sums[width:] - sums[:-width]) / width)


def _strongest_cycle(x: Floats, sample_rate_hz: float) -> int:
    """Samples of one cycle of the strongest line, at least 4.

    A line is a peak of the spectrum, not merely its largest value: a deflection that is let go is a step, whose
    spectrum only falls.
    """
    loudest = int(np.argmax(np.sum(x * x, axis=1)))
    part = x[loudest : loudest + _LONGEST_SPECTRUM]
    part = part if len(part) >= max(32, len(x) // 8) else x[:_LONGEST_SPECTRUM]
    power = np.sum(np.abs(np.fft.rfft(part - part.mean(axis=0), axis=0)) ** 2, axis=1)
    tops = np.flatnonzero((power[2:-1] > power[1:-2]) & (power[2:-1] >= power[3:])) + 2
    line = int(tops[np.argmax(power[tops])]) if len(tops) else max(1, int(np.argmax(power)))
    return int(np.clip(len(part) / line, 4, max(4, len(x) // 8)))


def _envelope(x: Floats, cycle: int) -> tuple[Floats, Floats]:
    """Largest reading of any channel in each cycle, and the reading itself, sample by sample."""
    height = np.sqrt(np.mean(x * x, axis=1))
    whole = len(height) // cycle * cycle
    return height[:whole].reshape(-1, cycle).max(axis=1), height


def _quietest(envelope: Floats) -> float:
    """Level of the quietest twentieth of the record, never zero."""
    few = max(1, len(envelope) // 20)
    return max(float(np.median(np.sort(envelope)[:few])), 1e-12 * float(envelope.max()))


def _first_strong(envelope: Floats, top: float) -> int:
    """Block of the first peak that is about as strong as the strongest."""
    first = int(np.argmax(envelope >= _AS_STRONG * top))
    rest = envelope[first:]
    falling = np.flatnonzero(rest[1:] < rest[:-1])
    return first + (int(falling[0]) if len(falling) else len(rest) - 1)


def _end_of_decay(envelope: Floats, begin: int, floor: float) -> int:
    """One past the last block of the decay."""
    tail = envelope[begin:]
    lowest = np.minimum.accumulate(tail)
    over = (tail < _ABOVE_FLOOR * floor) | (tail > _REVIVAL * np.maximum(lowest, _ABOVE_FLOOR * floor))
    return begin + (int(np.argmax(over)) if over.any() else len(tail))
