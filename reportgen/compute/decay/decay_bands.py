"""The bands of lines in which courses of a free decay are fitted, and which of them belong together."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from reportgen.compute.decay.decay_course import Course, Lines, synthesis
from reportgen.compute.decay.decay_fit import Band, Fit, fit_band
from reportgen.compute.decay.decay_state import DRIFT_ORDER, Search, drifts, fast_length, slowest_rate
from reportgen.records.log import Floats

FIT_NEPERS = 16.0
"""Length of a fit in decay times of its slowest mode."""
_BAND_WIDTHS = 8.0
"""Half a fit's band in half-power half-widths of a mode, σ/2π."""
_FEWEST_LINES = 10
"""Lines on either side of a mode that a fit takes at least."""
_COUPLED = 0.4
"""Correlation of two decaying sinusoids, 2√(σ₁σ₂)/|σ₁ + σ₂ + i(ω₁ − ω₂)|, from which on they are fitted together."""
_MOST_LINES = 200
"""Lines of a band above which those far from every mode are thinned."""
_MOST_CYCLES, _MOST_OF_LEADING = 40.0, 1000.0
"""Cycles of a mode, and of the largest, above which a drift of two takes nothing: its share falls with their square.
Experience: in a blow's record of thousands of cycles what is slow is no mode, and drew size from the drift."""
_MOST_DAMPING = 0.05
"""Damping ratio up to which a course that depends on level is fitted."""


def neighbours(state: Search, course: Course, but: int | None = None) -> list[int]:
    """Modes that a course cannot be fitted without."""
    least = np.pi * state.rate / len(state.left)
    return [i for i, each in enumerate(state.found) if i != but and _alike(each.course, course, least) > _COUPLED]


def _alike(one: Course, other: Course, least: float) -> float:
    """Correlation of two decaying sinusoids in a record that tells no decay below ``least``, 1/s."""
    a, b = max(one.sigma, least), max(other.sigma, least)
    return 2.0 * math.sqrt(a * b) / math.hypot(a + b, one.omega - other.omega)


def band_of(state: Search, courses: Sequence[Course], taken_out: Iterable[int], *, reach: float = 0.0) -> Band | None:
    """Lines around courses, of the residual with some of the found put back; None where there are too few."""
    slowest = max(min(slowest_rate(each) for each in courses), FIT_NEPERS * state.rate / len(state.left) / 64.0)
    told = min((_averaged_for(each) for each in courses), default=math.inf)
    n = fast_length(int(min(len(state.left), max(64, min(FIT_NEPERS / slowest, told) * state.rate))))
    spacing = 2.0 * np.pi * state.rate / n
    sides = [max(_BAND_WIDTHS * each.sigma, _FEWEST_LINES * spacing, reach) for each in courses]
    low = max(min(c.omega - r for c, r in zip(courses, sides, strict=True)), spacing)
    high = min(max(c.omega + r for c, r in zip(courses, sides, strict=True)), np.pi * state.rate - spacing)
    first, last = math.ceil(low / spacing), math.floor(high / spacing)
    if last - first < 6:
        return None
    y = state.left[:n].copy()
    for i in taken_out:
        y += synthesis(state.found[i].course, state.found[i].residue, n, state.rate)
    lines = np.arange(first, last + 1)
    lines = lines if reach else _thinned(lines, courses, spacing)
    noise = state.noise.over(first * spacing, last * spacing)
    values = (np.fft.rfft(y, axis=0) / math.sqrt(n))[lines] / noise
    turn = np.exp(-2j * np.pi * lines / n)
    return Band(
        Lines(turn, n, state.rate), first * spacing, last * spacing, values, noise, _drift(state, n, lines, courses)
    )


def _drift(state: Search, n: int, lines: NDArray[np.int64], courses: Sequence[Course]) -> Floats:
    """What a drift is on the lines of the first ``n`` samples, real parts above imaginary ones, shape (2b, d).

    None of it where the lines begin above the cycles that it has: a mode there loses nothing to it.
    """
    turns = len(state.left) / (2.0 * np.pi * state.rate)
    cycles = min((each.omega for each in courses), default=math.inf) * turns
    leading = max(state.found, key=lambda each: each.size).course.omega * turns if state.found else cycles
    if cycles > _MOST_CYCLES or leading > _MOST_OF_LEADING or lines[0] * len(state.left) > DRIFT_ORDER * n:
        return np.empty((2 * len(lines), 0))
    columns = (np.fft.rfft(drifts(len(state.left))[:n], axis=0) / math.sqrt(n))[lines]
    return np.asarray(np.concatenate([columns.real, columns.imag]))


def _averaged_for(course: Course) -> float:
    """Seconds until damping changes too much within a cycle for averaging, as friction does before the motion stops."""
    if course.law.is_linear:
        return math.inf
    levels = np.exp(-np.linspace(0.0, 14.0, 281))
    sigma, omega = course.rates(levels)
    beyond = np.flatnonzero(sigma > _MOST_DAMPING * omega)
    if not len(beyond) or levels[beyond[0]] > 0.2:
        return math.inf
    return float(np.sum(0.05 / sigma[: beyond[0]]))


def _thinned(lines: NDArray[np.int64], courses: Sequence[Course], spacing: float) -> NDArray[np.int64]:
    """All lines near a mode, of many others one in so many: what they tell is little."""
    if len(lines) <= _MOST_LINES:
        return lines
    near = np.zeros(len(lines), dtype=bool)
    for each in courses:
        near |= np.abs(lines * spacing - each.omega) < max(2.0 * each.sigma, _FEWEST_LINES / 2 * spacing)
    near[:: math.ceil(len(lines) / _MOST_LINES)] = True
    return lines[near]


def final_fit(state: Search, index: int) -> tuple[Fit, Band] | None:
    """A mode beside its neighbours, itself the first, for its uncertainty."""
    near = neighbours(state, state.found[index].course, but=index)
    courses = [state.found[i].course for i in (index, *near)]
    band = band_of(state, courses, (index, *near))
    return None if band is None else (fit_band(band, courses, steps=1), band)
