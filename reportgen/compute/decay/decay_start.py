"""Where a level-dependent course may begin: rates of decay and frequency as the band-passed motion shows them.

The band around a mode is taken down to zero frequency; over short stretches the logarithm of its amplitude and its
phase are straight lines, whose slopes are −σ and ω at the amplitude there (the analytic signal; Feldman, Mech. Syst.
Signal Process. 8 (1994) 119, from memory). Rough, but it finds a drift of many bandwidths, which no step from a linear
fit would.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reportgen.compute.decay.decay_course import Complex, Law
from reportgen.records.log import Floats

_STRETCHES = 24
_OVERSAMPLED = 4
"""Readings of the band-passed motion for each that its bandwidth needs, so that its phase is followed surely."""
_FEWEST = 10
"""Samples of a stretch of the band-passed motion."""
_ABOVE = 6.0
"""Amplitude over the noise in the band down to which it is followed."""


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """Rates against the amplitude over that of the beginning, each of shape (k,)."""

    levels: Floats
    sigma: Floats
    omega: Floats
    weight: Floats


def seen_rates(motion: Floats, noise: Floats, rate: float, low: float, high: float) -> Seen | None:
    """Rates of the strongest motion between two frequencies (rad/s); None where too little stands out of the noise.

    ``motion`` has shape (n, c), ``noise`` (c,) is the standard deviation of a white noise as strong as that there.
    """
    n = len(motion)
    first, last = (int(w * n / (2 * np.pi * rate)) for w in (low, high))
    lines = np.fft.rfft(motion, axis=0)[first : last + 1]
    if len(lines) < 2 * _FEWEST:
        return None
    finer = _OVERSAMPLED * len(lines)
    wave = _strongest(np.fft.ifft(lines, finer, axis=0) * (2.0 * finer / n) / noise)
    step = n / (rate * finer)
    floor = _ABOVE * np.sqrt(2.0 * len(lines) / n)
    edge = 2 * _OVERSAMPLED
    size = np.abs(wave)
    under = np.flatnonzero(size[edge:-edge] < floor)
    end = edge + (int(under[0]) if len(under) else len(size) - 2 * edge)
    if end - edge < 3 * _FEWEST:
        return None
    return _by_stretches(wave[edge:end], step, edge * step, low)


def _strongest(waves: Complex) -> Complex:
    """Channels added with the weights that make the sum largest."""
    _, _, turn = np.linalg.svd(waves, full_matrices=False)
    return np.asarray(waves @ turn[0].conj())


def _by_stretches(wave: Complex, step: float, begin: float, low: float) -> Seen:
    """Slopes over stretches of equal fall where there are samples enough, else of equal length."""
    logs, phase = np.log(np.abs(wave)), np.unwrap(np.angle(wave))
    time = begin + step * np.arange(len(wave))
    parts = [p for p in np.array_split(np.arange(len(wave)), min(_STRETCHES, len(wave) // _FEWEST)) if len(p) > 2]
    fits = [(np.polyfit(time[p], logs[p], 1), np.polyfit(time[p], phase[p], 1)) for p in parts]
    sigma = np.array([max(-fall[0], 1e-6) for fall, _ in fits])
    start = logs[parts[0]].mean() + sigma[0] * time[parts[0]].mean()
    levels = np.exp(np.minimum(np.array([logs[p].mean() for p in parts]) - start, 0.0))
    omega = low + np.array([turn[0] for _, turn in fits])
    return Seen(levels, sigma, omega, levels * np.array([len(p) for p in parts]))


def started(seen: Seen, law: Law) -> Floats:
    """Parameters of a law that follow what was seen best."""
    damping = _matched(seen, seen.sigma, law.damping)
    frequency = _matched(seen, seen.omega, law.frequency)
    powers = () if not law.free else law.damping if law.shared else (*law.damping, *law.frequency)
    return np.array([damping[0], frequency[0], *damping[1:], *frequency[1:], *powers])


def _matched(seen: Seen, values: Floats, powers: tuple[float, ...]) -> Floats:
    basis = np.column_stack([np.ones_like(seen.levels), *(seen.levels**p for p in powers)])
    return np.asarray(np.linalg.lstsq(basis * seen.weight[:, None], values * seen.weight, rcond=None)[0])
