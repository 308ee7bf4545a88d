"""The free decay in a record: where the pluck is, from where on it may be fitted, and where noise takes over."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from reportgen.compute.decay.blows import blows_in
from reportgen.compute.decay.clipping import clipped_samples
from reportgen.errors import ComputeError
from reportgen.records.log import Floats, TimeHistory
from reportgen.records.message import Message, message

LEAST_RISE = 10.0
"""Peak of a decay over the record's quiet floor; less is no pluck."""
_ABOVE_FLOOR = 3.0
_REVIVAL = 2.0
"""Rise over the lowest envelope so far that is a second pluck or a knock."""
_MEMORY = 4
"""Blocks of a cycle whose largest a blow stands out of: modes that beat come back as slowly as they went."""
_SHARP_SAMPLES = 16
"""Least samples of a block in which a bounce is looked for: of so many readings of noise the largest hardly varies."""
_BOUNCE_S = 0.2
"""Time within which a hammer held by hand comes down again; two blows that are meant as two are further apart."""
LEAST_FALL = 2.0
"""Fall within a record that is said to be a decay, in place of the rise that one of which nothing is said must show."""
_AS_STRONG = 0.7
"""Share of the largest peak from which an earlier pluck is taken instead."""
_CYCLES_BEFORE = 10
_FEWEST_FITTED = 64
"""Samples of the fitted stretch, with its noise: a mode of Q 3 is over after so few that no fit could be made."""
_FEW_CYCLES = 10.0
"""Cycles of the strongest line below which a stretch tells damping poorly."""
_TWICE = 2.0
"""Length of a later stretch between blows over that of the first, from which it tells more of how the motion falls."""
_QUIET_BEFORE = 0.3
"""Level before a pluck over that after it; a sweep builds a resonance up over about Q cycles."""
_LONGEST_SPECTRUM = 1 << 20
MOST_VALUES = 4 << 20
"""Samples of all channels together that are read for one decay (32 MB)."""
_BLOCKS_A_SECOND = 64.0
_BEFORE = 0.125
"""Share of them that lies before the pluck, for the floor."""


@dataclass(frozen=True, slots=True)
class Found:
    """A decay in a record: its samples, and what else was seen."""

    start: int
    end: int
    struck_again: bool
    """Whether it ends with a blow."""
    bounced_s: float | None = None
    """Time from the first blow to the last of a hammer that bounced."""


def find_pluck(samples: Floats, sample_rate_hz: float, least_rise: float = LEAST_RISE) -> Found:
    """The free decay in a record with pre-trigger.

    ``samples`` has shape (n, channels); each channel counts by its own largest reading. The decay begins at the largest
    excursion after the release, behind a hammer's bounces, and ends where the envelope, taken over a cycle of the
    strongest line, stays within three times the record's quietest stretch, a blow follows, or the record ends. Of
    several plucks the first that is about as strong as the strongest. Raises ComputeError where nothing stands out of
    the floor.
    """
    x = samples - np.median(samples, axis=0)
    if len(x) < 32 or not np.isfinite(x).all():
        raise ComputeError(message("decay.too-few-to-find", samples=len(x)))
    x = _without_slow(x, _strongest_cycle(x / np.maximum(np.max(np.abs(x), axis=0), 1e-300)))
    largest = np.max(np.abs(x), axis=0)
    alive = largest > 0
    if not alive.any():
        raise ComputeError(message("decay.silent"))
    x = x[:, alive] / largest[alive]
    cycle = _strongest_cycle(x)
    envelope, height = _envelope(x, cycle)
    floor = _quietest(envelope)
    top = float(envelope.max())
    if top < least_rise * floor:
        raise ComputeError(message("decay.no-rise", rise=top / floor, least=least_rise))
    floor = floor if top >= LEAST_RISE * floor else 0.0  # the record ends before the motion does: no floor is seen
    first = _first_strong(envelope, top)
    peak = first * cycle + int(np.argmax(height[first * cycle : (first + 1) * cycle]))
    bounce = _last_bounce(x, peak, sample_rate_hz)
    begin = first if bounce is None else min(bounce // cycle, len(envelope) - 2)
    end, struck = _end_of_decay(envelope, begin + (bounce is not None), floor)
    start = peak if bounce is None else bounce + int(np.argmax(height[bounce : bounce + cycle]))
    bounced = None if bounce is None else (bounce - peak) / sample_rate_hz
    whole = Found(start, min(end * cycle, len(x)), struck, bounced)
    return _between_blows(whole, samples[:, alive] / largest[alive], envelope, cycle, floor, sample_rate_hz)


def _between_blows(whole: Found, x: Floats, envelope: Floats, cycle: int, floor: float, rate: float) -> Found:
    """The stretch between blows that prediction shows in a decay: the first, from where the hammer is off.

    It is looked for behind bounces of the hammer, which follow each other soon.

    ``x`` are the samples as they were taken, which a release by hand does not bend as it does the mean that was taken
    out for the envelope.
    """
    cut_off = np.flatnonzero(clipped_samples(x)[whole.start : whole.end].any(axis=1))
    sound = whole.start + (int(cut_off[-1]) + 1 if len(cut_off) else 0)  # nothing foresees that a sample is cut off
    blows = [(sound + a, sound + b) for a, b in blows_in(x[sound:], cycle) if sound + a < whole.end]
    if not blows:
        return whole
    if blows[0][0] <= sound:  # the hammer is in contact still
        whole, blows = replace(whole, start=min(blows[0][1], whole.end - 1)), blows[1:]
        if not blows:
            return whole
    stretches = [(whole.start, blows[0][0])]
    for (_, begin), following in zip(blows, [*(a for a, _ in blows[1:]), len(x)], strict=True):
        end, _ = _end_of_decay(envelope, min(begin // cycle + 1, len(envelope) - 2), floor)
        stretches.append((begin, max(min(end * cycle, following), begin)))
    chosen = _of_stretches(stretches, cycle, rate)
    struck = any(a == chosen[1] for a, _ in blows)
    bounced = (chosen[0] - whole.start) / rate if chosen[0] > whole.start else whole.bounced_s
    return Found(chosen[0], chosen[1], struck or (whole.struck_again and chosen[1] == whole.end), bounced)


def _of_stretches(stretches: list[tuple[int, int]], cycle: int, rate: float) -> tuple[int, int]:
    """The stretch that is fitted: the first behind all bounces, or a longer one where it is over too soon."""
    behind = 0
    while behind + 1 < len(stretches) and stretches[behind + 1][0] - stretches[behind][0] < _BOUNCE_S * rate:
        behind += 1
    begin, end = stretches[behind]
    longest = max(stretches[behind:], key=lambda each: each[1] - each[0])
    few = end - begin < _FEW_CYCLES * cycle and longest[1] - longest[0] > _TWICE * (end - begin)
    return longest if few else stretches[behind]


def _strikes(envelope: Floats, floor: float) -> NDArray[np.int64]:
    """Blocks that rise at once well above all that the last few before them reached."""
    padded = np.concatenate([np.full(_MEMORY, envelope[0]), envelope])
    before = np.lib.stride_tricks.sliding_window_view(padded, _MEMORY)[: len(envelope)].max(axis=1)
    return np.flatnonzero(envelope > _REVIVAL * np.maximum(before, _ABOVE_FLOOR * floor))


def _last_bounce(x: Floats, start: int, rate: float) -> int | None:
    """Sample at which a hammer that bounced struck last, shortly behind ``start``; None where it struck once.

    The second difference shows a blow better than the motion does: a blow excites all modes, and high ones die soon.
    """
    sharp = np.diff(x, n=2, axis=0)
    sharp = sharp / np.maximum(np.max(np.abs(sharp), axis=0), 1e-300)
    cycle = max(_SHARP_SAMPLES, _strongest_cycle(sharp[start:])) if len(sharp) - start >= 32 else len(sharp)
    envelope, _ = _envelope(sharp[start : start + int(_BOUNCE_S * rate) + cycle], cycle)
    whole, _ = _envelope(sharp, cycle)
    if len(envelope) < 3:
        return None
    found = _strikes(envelope, _quietest(whole))
    return start + (int(found[-1]) + 2) * cycle if len(found) else None


@dataclass(frozen=True, slots=True)
class DecayPart:
    """The stretch of a record that is fitted."""

    begin: int
    end: int
    release: int
    """First sample of the decay, before clipped samples were left out."""
    said: tuple[Message, ...] = ()


def decay_part(
    samples: Floats, sample_rate_hz: float, channels: Sequence[str], least_rise: float = LEAST_RISE
) -> DecayPart:
    """The free decay in a record of shape (n, channels), from the release, past what is clipped, into its noise.

    Behind where the envelope reaches three times the floor, slow modes still tell; the stretch is as long again as it
    was to there, or ends before the next pluck. Raises ComputeError where nothing stands out of the floor.
    """
    found = find_pluck(samples, sample_rate_hz, least_rise)
    begin, end = found.start, found.end
    bounced = () if found.bounced_s is None else (message("decay.bounced", seconds=found.bounced_s),)
    later = max(end + (end - begin), begin + _FEWEST_FITTED)
    longer = end if found.struck_again else min(len(samples), later, _next_pluck(samples, end))
    clipped = clipped_samples(samples)
    inside = clipped[begin:longer]
    if not inside.any():
        return DecayPart(begin, longer, begin, bounced)
    last = int(np.flatnonzero(inside.any(axis=1))[-1])
    told = tuple(_clipping_said(name, inside[:, c], sample_rate_hz) for c, name in enumerate(channels)
                 if inside[:, c].any())  # fmt: skip
    return DecayPart(min(begin + last + 2, longer - 1), longer, begin, (*bounced, *told))


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


def _strongest_cycle(x: Floats) -> int:
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


def _end_of_decay(envelope: Floats, begin: int, floor: float) -> tuple[int, bool]:
    """One past the last block of the decay, and whether a blow ends it.

    Two modes of like size that beat vanish between two beats: the decay is over where nothing comes back for as long as
    it has lasted.
    """
    tail = envelope[begin:]
    blows = _strikes(tail, floor)
    end = int(blows[0]) if len(blows) else len(tail)
    over = np.concatenate([[True, True], tail[:end] >= _ABOVE_FLOOR * floor])
    above = np.flatnonzero(over[2:] & over[1:-1] & over[:-2])  # one or two in a row may be noise
    gaps = np.flatnonzero(above[1:] > 2 * above[:-1] + 1) if len(above) else np.empty(0, dtype=np.int64)
    last = int(above[gaps[0]] if len(gaps) else above[-1]) + 1 if len(above) else 1
    return begin + min(last, end), bool(len(blows)) and last >= end
