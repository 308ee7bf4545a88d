"""Where what is left of a free decay stands out of the noise: correlation with decaying sinusoids, rung by rung."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from reportgen.compute.decay.decay_state import Found, Search, fast_length, quartiles
from reportgen.records.log import Floats

FALSE_ALARM = 1e-3
"""Chance that noise alone brings a candidate in the whole record."""
RUNG = 2.0
"""Ratio of neighbouring decay rates of the ladder: between two a mode loses at most 3 % of its height."""
NEPERS = 8.0
"""Length of a rung's window in its own decay times; what is cut off is 0.03 %."""
_FEWEST_CYCLES = 2.0
"""Cycles in the record below which an oscillation cannot be told from a drift."""
LOWEST_Q = 1.0
"""Below it nothing is sought: a pulse, not an oscillation."""
MOST_AT_ONCE = 24
"""Candidates of one round."""


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A decaying sinusoid that stands out."""

    omega: float
    sigma: float
    ratio: float
    floor: Floats
    """Power of the noise that it stands out of, shape (c,)."""


def ladder(samples: int, rate: float) -> Iterator[tuple[float, int]]:
    """Decay rates (1/s) and the number of samples that each needs."""
    sigma = 0.5 * rate / samples
    while True:
        n = fast_length(min(samples, max(32, int(NEPERS * rate / sigma))))
        yield sigma, n
        if n < 64 or sigma > 1.5 * rate:
            return
        sigma *= RUNG


def _rung(state: Search, sigma: float, n: int, *, local: bool) -> tuple[Floats, Floats, Floats]:
    """Power of the residual along decaying sinusoids over the noise's, channels summed, ω of each line, that noise.

    Noise is what the whole record shows; with ``local`` what the lines around show in this window where that is more:
    a joint that chatters while the motion is large is no stationary noise. Before the large modes are taken out, the
    lines around show these.
    """
    weight = np.exp(-sigma * np.arange(n) / state.rate)[:, None]
    size = fast_length(2 * n) if sigma * n / state.rate < 2.0 else n
    energy = float(np.sum(weight**2))
    lines = np.asarray(np.abs(np.fft.rfft(state.left[:n] * weight, size, axis=0)) ** 2 / energy, dtype=np.float64)
    omega = np.linspace(0.0, 2.0 * np.pi * state.rate / size * (len(lines) - 1), len(lines))
    held = state.noise.at(omega)
    if local:
        held = np.maximum(held, quartiles(lines, omega, 4 * len(state.left) // n).at(omega))
    for each in state.found:
        part, allowed = _misfit(each, omega, sigma, state.rate**2 / energy)
        held[part] += allowed
    return np.asarray(np.sum(lines / held, axis=1)), omega, held


def ratio_at(state: Search, peak: Candidate) -> float:
    """Power of the present residual along one decaying sinusoid over the noise's mean."""
    n = min(len(state.left), int(NEPERS * state.rate / peak.sigma) + 32)
    wave = np.exp(complex(-peak.sigma, -peak.omega) / state.rate * np.arange(n))
    energy = float(np.sum(np.abs(wave) ** 2))
    omega = np.array([peak.omega])
    held = peak.floor[None].copy()
    for each in state.found:
        part, allowed = _misfit(each, omega, peak.sigma, state.rate**2 / energy)
        held[part] += allowed
    return float(np.sum(np.abs(wave @ state.left[:n]) ** 2 / energy / held[0]))


def _misfit(each: Found, omega: Floats, sigma: float, scale: float) -> tuple[slice, Floats]:
    """Lines about a mode and the power that it may leave there because no model follows it entirely."""
    width, centre, share = each.course.sigma + sigma, each.course.omega, each.misfit
    first, last = np.searchsorted(omega, [centre - 200.0 * width, centre + 200.0 * width])
    part = slice(int(first), int(last))
    shape = scale * (0.5 * share) ** 2 / (width**2 + (omega[part] - centre) ** 2)
    return part, np.outer(shape, np.abs(each.residue) ** 2)


def candidates_in(state: Search, *, local: bool) -> Iterator[Candidate]:
    """What stands out of the noise, strongest first, none within the skirts of a stronger one."""
    n, channels = state.left.shape
    least = threshold(3.0 * n, channels)
    peaks = [_tops(state, sigma, length, least, local=local) for sigma, length in ladder(n, state.rate)]
    yield from _apart(state, *(np.concatenate(each) for each in zip(*peaks, strict=True)))


def _tops(state: Search, sigma: float, length: int, least: float, *, local: bool) -> tuple[Floats, ...]:
    """ω, decay rate, power over the noise and that noise of the peaks of one rung."""
    ratio, omega, held = _rung(state, sigma, length, local=local)
    ratio[omega < max(2.0 * LOWEST_Q * sigma, _FEWEST_CYCLES * 2.0 * np.pi * state.rate / len(state.left))] = 0.0
    ratio[omega > 0.985 * np.pi * state.rate] = 0.0
    tops = np.flatnonzero((ratio[1:-1] > least) & (ratio[1:-1] >= ratio[2:]) & (ratio[1:-1] > ratio[:-2])) + 1
    return omega[tops], np.full(len(tops), sigma), ratio[tops], held[tops]


def _apart(state: Search, omega: Floats, sigma: Floats, ratio: Floats, held: Floats) -> Iterator[Candidate]:
    """Those, strongest first, that no skirts of stronger ones explain; at most MOST_AT_ONCE."""
    left = np.array(ratio)
    for each in state.refused:
        left[np.abs(omega - each.omega) < 2.0 * (sigma + each.sigma)] = 0.0  # it was tried before
    skirts = np.zeros(len(ratio))
    for _ in range(MOST_AT_ONCE):
        left[left <= 3.0 * skirts] = 0.0
        if not left.any():
            return
        i = int(np.argmax(left))
        widths = (sigma + sigma[i]) ** 2
        skirts += ratio[i] * 4.0 * widths / (widths + (omega - omega[i]) ** 2)
        yield Candidate(float(omega[i]), float(sigma[i]), float(ratio[i]), held[i])


def threshold(trials: float, channels: int) -> float:
    """Sum of ``channels`` exponential variates that is exceeded once in ``trials`` with a chance of FALSE_ALARM."""
    p, x = FALSE_ALARM / trials, 1.0 - math.log(FALSE_ALARM / trials)
    for _ in range(30):
        terms = sum(x**k / math.factorial(k) for k in range(channels))
        x = -math.log(p) + math.log(terms)
    return x
