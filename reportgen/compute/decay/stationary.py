"""A record that neither sweeps nor dies away: levels and strongest lines, and the evidence that it is steady."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from reportgen.compute.decay.decay import level_unit
from reportgen.records.job import RunPlan
from reportgen.records.log import Floats, TimeHistory
from reportgen.records.message import Message, message
from reportgen.records.result import ChannelResult, RunResult

_PARTS = 16
"""Parts of a record whose levels are compared."""
STEADY = 2.0
"""Largest over smallest level of the parts up to which a record is steady: sixteen parts of Gaussian noise of a hundred
independent readings each differ by less than 1.4 (χ² with 100 degrees, from memory)."""
_SAME_LINE = 0.02
"""Share within which the strongest line of each part lies where nothing sweeps."""
_FINER_PARTS, _FEWEST_OF_A_PART = 64, 64
"""Parts in which steps of a line are looked for, and the fewest readings of one."""
_STILL, _MOSTLY_STILL = 0.2, 0.5
"""Of the mean change from part to part: less is none; and the share of parts without change that says steps. A sweep of
three decades changes by less in 43 % of its parts counted in hertz, or in 17 % counted in octaves, never in both."""
_STANDS_OUT = 30.0
"""Power of a line over the median of its spectrum from which on it is told as a line."""
_LINES = 3
MOST_SAMPLES = 1 << 22


def is_steady(samples: Floats, sample_rate_hz: float) -> bool:
    """Whether the level of every channel stays within a factor of two and no line moves; shape (n, channels)."""
    parts = np.array_split(samples - np.mean(samples, axis=0), _PARTS)
    if len(samples) < 16 * _PARTS:
        return False
    levels = np.array([np.std(part, axis=0) for part in parts])
    alive = levels.max(axis=0) > 0
    if not alive.any() or np.any(levels.max(axis=0)[alive] > STEADY * levels.min(axis=0)[alive]):
        return False
    return not any(_moves(parts, int(c), sample_rate_hz) for c in np.flatnonzero(alive))


def _moves(parts: list[Floats], c: int, rate: float) -> bool:
    """Whether one line of each part stands out and goes one way from part to part, as that of a sweep does."""
    places = []
    for part in parts:
        power = np.abs(np.fft.rfft(part[:, c] * np.hanning(len(part)))) ** 2
        top = int(np.argmax(power[1:])) + 1
        if power[top] < _STANDS_OUT * np.median(power):
            return False
        places.append(top * rate / len(part))
    steps = np.diff(places)
    return bool(np.ptp(places) > _SAME_LINE * max(places) and (np.all(steps >= 0) or np.all(steps <= 0)))


@dataclass(frozen=True, slots=True, kw_only=True)
class MovingLine:
    """A line that goes one way through a record: what a sweep is told by."""

    first_hz: float
    last_hz: float
    in_steps: bool
    """Whether it holds and leaps, as that of a stepped sine does."""


def moving_line(x: Floats, rate: float) -> MovingLine | None:
    """The strongest line of one channel where it stands out all through and goes one way; None where it does not."""
    x = x - np.mean(x)
    if len(x) < 16 * _PARTS or not _moves([part[:, None] for part in np.array_split(x, _PARTS)], 0, rate):
        return None
    parts = np.array_split(x, min(_FINER_PARTS, max(_PARTS, len(x) // _FEWEST_OF_A_PART)))
    lines = np.array([_line(part, rate) for part in parts])
    return MovingLine(
        first_hz=float(lines[0]), last_hz=float(lines[-1]), in_steps=_holds(lines) and _holds(np.log(lines))
    )


def _line(x: Floats, rate: float) -> float:
    """Frequency of the strongest line, Hz, between the lines of the spectrum by a parabola through three of them."""
    size = np.log(np.maximum(np.abs(np.fft.rfft((x - np.mean(x)) * np.hanning(len(x)))), 1e-300))
    top = int(np.clip(np.argmax(size[1:]) + 1, 1, len(size) - 2))
    below, at, above = size[top - 1 : top + 2]
    bend = below - 2.0 * at + above
    return float((top + (0.5 * (below - above) / bend if bend < 0 else 0.0)) * rate / len(x))


def _holds(lines: Floats) -> bool:
    """Whether a course stands still most of the time: a sweep goes on, in hertz or in octaves, all the time."""
    steps = np.abs(np.diff(lines))
    return bool(np.mean(steps < _STILL * np.mean(steps)) >= _MOSTLY_STILL)


def steady_run(run: RunPlan, log: TimeHistory) -> RunResult:
    """Levels and strongest lines of a record that is steady, or that is to be read so."""
    samples = log.read(0, min(log.samples, MOST_SAMPLES))
    said = tuple(
        _said(name, samples[:, c], log.sample_rate_hz, log.display_units[c]) for c, name in enumerate(log.channels)
    )
    return RunResult(
        id=run.id,
        kind=str(run.kind),
        axis=run.axis,
        sweep=None,
        control=None,
        channels=tuple(
            ChannelResult(id=name, frequency_hz=np.empty(0), magnitude=np.empty(0), phase_deg=None)
            for name in log.channels
        ),
        method=message("stationary.method"),
        flags=said,
    )


def _said(name: str, x: Floats, rate: float, display: str) -> Message:
    unit, size = level_unit(display)
    x = (x - np.mean(x)) / size
    rms, largest = float(np.std(x)), float(np.max(np.abs(x)))
    lines = tuple(message("stationary.line", frequency_hz=f, level=a, unit=unit) for f, a in _lines(x, rate))
    if not lines:
        return message("stationary.no-line", channel=name, rms=rms, largest=largest, unit=unit)
    return message("stationary.lines", channel=name, rms=rms, largest=largest, unit=unit, lines=lines)


def _lines(x: Floats, rate: float) -> list[tuple[float, float]]:
    """Frequency (Hz) and amplitude (peak) of the strongest lines."""
    window = np.hanning(len(x))
    size = np.abs(np.fft.rfft(x * window)) * 2.0 / np.sum(window)
    top = (size[1:-1] >= size[:-2]) & (size[1:-1] > size[2:]) & (size[1:-1] > _least(size))
    places = np.flatnonzero(top) + 1
    strongest = places[np.argsort(-size[places])][:_LINES]
    return [(float(k * rate / len(x)), float(size[k])) for k in sorted(strongest)]


def _least(size: Floats) -> float:
    """Amplitude from which on a line is told: well above the rest, and no skirt of the strongest."""
    return max(math.sqrt(_STANDS_OUT) * float(np.median(size)), 0.03 * float(np.max(size[1:])))
