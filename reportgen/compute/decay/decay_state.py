"""What a search in a free decay knows at a time: the courses found, what is left, the noise."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from reportgen.compute.decay.decay_course import Complex, Course, synthesis
from reportgen.compute.decay.decay_fit import Fit
from reportgen.records.log import Floats

_TAIL_NEPERS = 22.0
MISFIT = 4e-3
"""Share of a mode that is not held to be another: sensors are linear to 0.1 to 1 % of their reading."""
LEVEL_MISFIT = 0.02
"""The same beside a mode that depends on level: a law of a few terms follows it to some percent."""
MOST_MISFIT = 0.1
"""Largest share that is taken for misfit where that is what is left of such a mode in its own band. Of a decay whose
rate is off by dσ the share dσ/2σ is left once its amplitude is fitted (the time under e^(−2σt) scatters by 1/2σ): a
law that leaves more would have damping wrong by more than a fifth, and what it leaves has to be shown."""
_EXHAUSTED = 1e-9
"""Noise over the size of the record below which only rounding is left."""
_BLOCK_LINES = 48
_BLOCKS = 32
"""Blocks of lines over which the noise is taken, each of at least _BLOCK_LINES."""
DRIFT_ORDER = 4
"""Of the polynomial that is taken for a drift: two cycles in the record at most."""


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """One decaying course in the record."""

    course: Course
    residue: Complex
    """Re(residue · e^{u+iφ}) is the motion; shape (c,), in the record's unit."""
    left: float = 0.0
    """Root of the energy that is left in its own band over its own, in a structure that depends on level."""

    @property
    def misfit(self) -> float:
        """Share of it that is not held to be another mode."""
        least = MISFIT if self.course.law.is_linear else LEVEL_MISFIT
        return min(max(least, self.left), MOST_MISFIT)

    @property
    def size(self) -> float:
        """Largest amplitude at the first sample over all channels."""
        return float(np.max(np.abs(self.residue)))


@dataclass(frozen=True, slots=True, eq=False)
class Refused:
    """What stood out and is no mode of its own."""

    omega: float
    sigma: float
    ratio: float
    """Power over the noise."""
    beside: float | None
    """ω of the mode whose misfit it is; None where nothing explains it."""
    floor: Floats
    """Power of the noise that it stands out of, shape (c,)."""


@dataclass(frozen=True, slots=True, eq=False)
class Search:
    """A record and what was found in it."""

    rate: float
    found: tuple[Found, ...]
    left: Floats
    """Record less what was found, shape (n, c)."""
    noise: Noise
    largest: Floats
    """Largest excursion of each channel, shape (c,)."""
    refused: tuple[Refused, ...] = ()
    looked: tuple[float, ...] = ()
    """ω of the modes that have been looked at for their dependence on level."""


@dataclass(frozen=True, slots=True, eq=False)
class Noise:
    """Power of the noise against frequency: variance of a white noise as strong as the one there."""

    omega: Floats
    power: Floats
    """Shape (k, c)."""

    def at(self, omega: Floats) -> Floats:
        """Shape (len(omega), c)."""
        return np.stack([np.interp(omega, self.omega, column) for column in self.power.T], axis=1)

    def over(self, low: float, high: float) -> Floats:
        """Standard deviation between two frequencies, shape (c,)."""
        return np.asarray(np.sqrt(np.mean(self.at(np.linspace(low, high, 9)), axis=0)))


def without_drift(samples: Floats) -> Floats:
    """Less a polynomial: offset, and a drift of which the record holds less than a cycle."""
    basis = drifts(len(samples))
    return np.asarray(samples - basis @ (basis.T @ samples))


@lru_cache(maxsize=2)
def drifts(samples: int) -> Floats:
    """Orthonormal polynomials up to the order of a drift, shape (n, 5)."""
    t = np.linspace(-1.0, 1.0, samples)
    basis: Floats = np.linalg.qr(np.polynomial.legendre.legvander(t, DRIFT_ORDER))[0]
    return basis


def fast_length(samples: int) -> int:
    """Largest product of powers of 2, 3 and 5 that is not above ``samples``."""
    best = 1
    for fives in range(3):
        for threes in range(4):
            odd = 5**fives * 3**threes
            if odd <= samples:
                best = max(best, odd << int(math.log2(samples / odd)))
    return best


def noise_of(left: Floats, rate: float, samples: Floats) -> Noise:
    """Noise from the lower quartiles of blocks of lines, where modes do not count; Hann's window keeps skirts out."""
    n = fast_length(len(left))
    window = np.hanning(n)[:, None]
    lines = np.abs(np.fft.rfft(left[:n] * window, axis=0)) ** 2
    power = np.asarray(lines / float(np.sum(window**2)), dtype=np.float64)
    omega = np.linspace(0.0, 2.0 * np.pi * rate / n * (len(power) - 1), len(power))
    shown = quartiles(power, omega, 1)
    floor = (_EXHAUSTED * np.std(samples, axis=0)) ** 2
    return Noise(shown.omega, np.maximum(shown.power, floor))


def quartiles(power: Floats, omega: Floats, coarser: int) -> Noise:
    """Noise as the lower quartiles of blocks of lines show it, shape (k, c); ``coarser`` for windows of few lines."""
    lines = np.arange(1, len(power) - 1)
    blocks = max(1, min(_BLOCKS // max(coarser // 4, 1), len(lines) // _BLOCK_LINES))
    parts = np.array_split(lines, blocks)
    quarter = np.array([np.quantile(power[part], 0.25, axis=0) for part in parts]) / math.log(4.0 / 3.0)
    return Noise(np.array([np.mean(omega[part]) for part in parts]), np.maximum(quarter, 1e-300))


def slowest_rate(course: Course) -> float:
    """Least rate of decay that matters: of a law that depends on level the mean over the first ten nepers."""
    if course.law.is_linear:
        return float(course.theta[0])
    sigma, _ = course.rates(np.exp(-np.linspace(0.0, 10.0, 60)))
    return float(1.0 / np.mean(1.0 / sigma))


def with_fit_in_place(state: Search, out: Sequence[int], fit: Fit) -> Search:
    """The search with some of the found given way to what was fitted."""
    left = state.left.copy()
    for i in out:
        add_course(left, state.found[i], state.rate, 1.0)
    new = tuple(Found(course, residue) for course, residue in zip(fit.courses, fit.residues, strict=True))
    for each in new:
        add_course(left, each, state.rate, -1.0)
    kept = tuple(each for i, each in enumerate(state.found) if i not in out)
    return replace(state, found=(*kept, *new), left=without_drift(left))


def add_course(left: Floats, each: Found, rate: float, sign: float) -> None:
    """Put a course back into what is left, or take it out with a ``sign`` of −1."""
    slowest = max(slowest_rate(each.course), 1e-9)
    n = int(min(len(left), _TAIL_NEPERS * rate / slowest))
    left[:n] += sign * synthesis(each.course, each.residue, n, rate)
