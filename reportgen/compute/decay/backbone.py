"""Frequency and damping of a mode against its own level, with uncertainties, within the levels that it was seen at."""

from __future__ import annotations

import math

import numpy as np

from reportgen.compute.decay.decay_course import Course, Law, follow, rates_of
from reportgen.compute.decay.decay_fit import Band, Fit
from reportgen.records.log import Floats
from reportgen.records.result import Backbone, BackboneLaw

LEVELS = 7
"""Levels that a backbone is given at, in equal ratios."""
LEAST_ABOVE_NOISE = 10.0
"""Amplitude over what the noise lets be told of it, of what is left of the decay, down to which a level counts."""
MOST_DAMPING = 0.06
"""Damping ratio (Q 8) above which a course changes too much within a cycle for averaging over one."""
_SECOND_ORDER_FREQUENCY, _SECOND_ORDER_DAMPING = 0.5, 0.25
"""Standard uncertainty of averaging, which is exact to the first order of ζ: relative, times ζ² for the frequency and
times ζ for the damping, and the same in the share by which the frequency has drifted. Coulomb friction, integrated in
time, shows a third of ζ in damping at ζ = 0.17; a cubic spring 0.58 of the drift squared in frequency (exact)."""
_SMALL = 0.03
"""Level, over that of the beginning, from which a drift is counted."""
_SLOPE = 1e-4
_LARGE_LEVELS = np.array([0.4, 0.6, 0.8, 1.0])
"""Levels over that of the beginning that carry five sixths of the energy of a decay, and with it the one frequency."""
_ELASTIC, _JOINT = 0.5, 1.9
"""What a drift of the frequency adds to equivalent damping, over d ln ω/d ln x̂: see ``_equivalent``."""
_RISE_OF_A_JOINT = 0.25
"""Rise of ζ over the fall of ln ω of a joint that slips, 4p/(π m (p + 1)(p + 2)) with m as there, at p = 1/2; from
0.16 to 0.42 for p of 0.3 to 1."""
_DIFFERENCE = 1e-5


def natural(
    course: Course, covariance: Floats, levels: Floats, order: int = 0
) -> tuple[Floats, Floats, Floats, Floats]:
    """Undamped natural frequency (Hz) and damping ratio at levels over that of the beginning, each with its std.

    ``order`` is how many times the displacement was differentiated to give what was measured: 2 for an acceleration.
    """
    centre = _frequency_and_damping(course.law, course.theta[None], levels, order)[0]
    step = _DIFFERENCE * np.where(np.arange(len(course.theta)) < course.law.coefficients, course.sigma, 1.0)
    step = np.maximum(step, 1e-12)
    moved = _frequency_and_damping(course.law, course.theta + np.diag(step), levels, order)
    slopes = (moved - centre) / step[:, None, None]
    variance = np.einsum("pqk,pr,rqk->qk", slopes, covariance, slopes)
    std = np.sqrt(np.maximum(variance, 0.0))
    if not course.law.is_linear:
        small = _frequency_and_damping(course.law, course.theta[None], np.array([_SMALL]), 0)[0, 0, 0]
        drift = np.abs(centre[0] - small) / centre[0]
        large = _frequency_and_damping(course.law, course.theta[None], _LARGE_LEVELS, order)[0, 1]
        squared = np.maximum(centre[1] ** 2, np.mean(large**2))
        averaged = np.stack(
            [
                _SECOND_ORDER_FREQUENCY * centre[0] * (squared + drift**2),
                _SECOND_ORDER_DAMPING * centre[1] * (centre[1] + 2.0 * drift),
            ]
        )
        std = np.hypot(std, averaged)
    return centre[0], std[0], centre[1], std[1]


def _frequency_and_damping(law: Law, thetas: Floats, levels: Floats, order: int) -> Floats:
    """Shape (sets, 2, levels).

    The amplitude of an acceleration is ω(a)² times that of the displacement, so as the frequency rises or falls with
    level it falls at another rate than the displacement, whose rate the damping is: σ_x = σ_a (1 − 2 d ln ω/d ln a).
    """
    sigma, omega = rates_of(law, thetas, levels)
    if not law.frequency:
        size = np.hypot(sigma, omega)
        return np.stack([size / (2 * math.pi), sigma / size], axis=1)
    faster, above = rates_of(law, thetas, levels * (1.0 + _SLOPE))
    bend = (above - omega) / omega / _SLOPE
    rise = (faster / above - sigma / omega) / _SLOPE
    sigma = sigma * (1.0 - order * bend)
    size = np.hypot(sigma, omega)
    ratio = sigma / size * (1.0 + _equivalent(bend / (1.0 - order * bend), rise))
    return np.stack([size / (2 * math.pi), ratio], axis=1)


def _equivalent(bend: Floats, rise: Floats) -> Floats:
    """What is added to σ/ω, as a share, to give the loss of a cycle over 4π times ½ω²x̂², which is what ζ means.

    The amplitude falls as the loss over dE/dx̂, which is ω²x̂ only where ω does not depend on x̂; ``bend`` is
    D = d ln ω/d ln x̂, ``rise`` dζ/d ln x̂. A spring: the action is ½ωx̂², so dE/dx̂ = ω²x̂ (1 + D/2). A joint of slipping
    elements, whose stiffness in first loading is K₀ − c x^p (Masing): dE/dx̂ is that times x̂, and its first harmonic
    ω² = K₀ − m c x̂^p with m = (8/π) B(p + 3/2, 3/2), so dE/dx̂ = ω²x̂ (1 + κD) with κ = 2(1 − m)/(m p), 1.84 to 2.0 for
    p of 0.3 to 1. How much of the drift a joint makes is told by what it adds to the damping.
    """
    falls = np.maximum(-bend, 1e-12)
    joint = np.where(bend < 0.0, np.clip(rise / (_RISE_OF_A_JOINT * falls), 0.0, 1.0), 0.0)
    return np.asarray((_ELASTIC + (_JOINT - _ELASTIC) * joint) * bend)


def level_range(course: Course, size: Floats, band: Band) -> tuple[float, float]:
    """Lowest and highest level, over that of the beginning, that the record tells something of.

    ``size`` holds the amplitude on each channel. From a level a on, the rest of the decay carries the energy
    a² f_s/4σ; its root over the noise is how well its amplitude can be told.
    """
    levels = np.exp(-np.linspace(0.0, 12.0, 241))
    sigma, omega = course.rates(levels)
    strength = math.sqrt(float(np.sum((size / band.noise) ** 2)))
    told = strength * levels * np.sqrt(band.rate / (4.0 * sigma))
    logs, _ = follow(course.law, course.theta[None], np.array([band.samples / band.rate]))
    seen = (told >= LEAST_ABOVE_NOISE) & (levels >= math.exp(float(logs[0, 0]))) & (sigma < MOST_DAMPING * omega)
    return (float(levels[seen][-1]), float(levels[seen][0])) if seen.any() else (1.0, 1.0)


def backbone_of(
    fit: Fit, between: tuple[float, float], amplitude: float, channel: str, unit: str, order: int
) -> Backbone:
    """The backbone of the first mode of a fit; ``amplitude`` is its level at the beginning in ``unit``."""
    levels = np.geomspace(*between, LEVELS)
    f, u_f, zeta, u_zeta = natural(fit.courses[0], fit.covariance(0), levels, order)
    return Backbone(
        channel=channel,
        unit=unit,
        levels=tuple(float(x) * amplitude for x in levels),
        frequency_hz=tuple(map(float, f)),
        frequency_std_hz=tuple(map(float, u_f)),
        damping_ratio=tuple(map(float, zeta)),
        damping_ratio_std=tuple(map(float, u_zeta)),
        law=law_of(fit.courses[0].law),
    )


def law_of(law: Law) -> BackboneLaw:
    """What kind of law it is."""
    if law.is_linear:
        return BackboneLaw.NONE
    if max(len(law.damping), len(law.frequency)) > 1:
        return BackboneLaw.POLYNOMIAL
    friction = law.damping == (-1.0,) and not law.free and not law.frequency
    return BackboneLaw.FRICTION if friction else BackboneLaw.POWER
