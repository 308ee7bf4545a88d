"""Fits in which a mode depends on its level: which laws are tried, where they begin, which are plainer or richer."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from reportgen.compute.decay.decay_course import Course, Law
from reportgen.compute.decay.decay_fit import Band, Fit, fit_band, misfit, predicted_chi2
from reportgen.compute.decay.decay_start import Seen, started
from reportgen.records.log import Floats

_LAW_STEPS, _HEAT, _IN_THE_FINAL = 15, 6, 3
"""Steps of a fit with another law; after how many of them laws are compared, and how many go on."""
LAWS = (
    *(Law(damping=(p,)) for p in (-1.0, 1.0, 2.0)),
    *(Law(frequency=(r,)) for r in (1.0, 2.0)),
    *(Law(damping=(p,), frequency=(p,)) for p in (0.5, 1.0, 2.0)),
    Law(damping=(-1.0,), frequency=(2.0,)),
)
"""Laws that are tried first: friction, square and cubic damping, softening and cubic springs, joints."""
_ALWAYS = (LAWS[0], LAWS[4])
"""Laws that are tried whatever one step promises: friction and a cubic spring may be far from linear."""
_POLYNOMIAL = Law(damping=(1.0, 2.0), frequency=(1.0, 2.0))
EVEN = Law(damping=(2.0, 4.0), frequency=(2.0, 4.0))
"""What a spring that is the same both ways makes, to the next order than the first."""
_CUBIC = Law(damping=(1.0, 2.0, 3.0), frequency=(1.0, 2.0, 3.0))
POWERS = Law(damping=(0.5,), frequency=(0.5,), free=True)
"""A joint's: a power of level for damping and one for frequency."""
_OTHERS = (LAWS[0], POWERS, _POLYNOMIAL, EVEN)
"""Laws that a mode which depends on level already is tried with, too."""
_EVERY = Law(damping=(-1.0, 0.5, 1.0, 2.0), frequency=(0.5, 1.0, 2.0))
"""All their terms at once."""


def upgraded(band: Band, plain: Fit, host: int, seen: Seen | None) -> list[Fit]:
    """Fits in which the host depends on level in one way or another, or in another way than before."""
    own = plain.courses[host].law
    if own.is_linear:
        reached = [
            misfit(chi2, band.size) + (law.unknowns - 2) * math.log(band.size)
            for law, chi2 in zip(LAWS, predicted(band, plain, host), strict=True)
        ]
        ranked = [LAWS[i] for i in np.argsort(reached)]
        first = _of_laws(band, plain, host, tuple(dict.fromkeys((*ranked[:3], *_ALWAYS))), seen)
    else:
        first = [plain, *_of_laws(band, plain, host, tuple(law for law in _OTHERS if law != own), seen)]
    best = min(first, key=lambda fit: fit.criterion)
    return [*first, *_of_laws(band, best, host, _richer(best.courses[host].law), seen)]


def _of_laws(band: Band, fit: Fit, host: int, laws: Sequence[Law], seen: Seen | None) -> list[Fit]:
    """The fit with each of some laws for one mode; those that lag behind after some steps are left there."""
    begun = sorted((with_law(band, fit, host, law, seen, steps=_HEAT) for law in laws), key=lambda fit: fit.criterion)
    return [fit_band(band, each.courses, steps=_LAW_STEPS - _HEAT) for each in begun[:_IN_THE_FINAL]] + begun[
        _IN_THE_FINAL:
    ]


def predicted(band: Band, plain: Fit, host: int) -> list[float]:
    """χ² that each of LAWS for the host would reach by one step from the present fit, at which it is linear."""
    courses = list(plain.courses)
    factors = len(_EVERY.damping) + len(_EVERY.frequency)
    courses[host] = Course(np.concatenate([plain.courses[host].theta, np.zeros(factors)]), _EVERY)
    before = sum(each.law.unknowns for each in courses[:host])
    own = before + 2
    others = [i for i in range(sum(each.law.unknowns for each in courses)) if not own <= i < own + factors]
    choices = []
    for law in LAWS:
        damping = [own + _EVERY.damping.index(p) for p in law.damping]
        frequency = [own + len(_EVERY.damping) + _EVERY.frequency.index(r) for r in law.frequency]
        choices.append([*others, *damping, *frequency])
    return predicted_chi2(band, courses, choices)


def _richer(law: Law) -> tuple[Law, ...]:
    """Laws with one or two terms more."""
    terms = max(len(law.damping), len(law.frequency))
    if terms > 1:
        return tuple(each for each in (_CUBIC, _POLYNOMIAL, EVEN) if each != law) if terms == 2 else ()
    if law.free:
        return (_POLYNOMIAL, EVEN)
    free = replace(law, free=True, shared=bool(law.damping and law.frequency))
    both = Law(damping=law.damping or law.frequency, frequency=law.frequency or law.damping)
    found = dict.fromkeys((free, both, replace(both, free=True), _POLYNOMIAL, EVEN))
    return tuple(each for each in found if each != law)


def with_law(band: Band, fit: Fit, host: int, law: Law, seen: Seen | None = None, *, steps: int = _LAW_STEPS) -> Fit:
    """The fit with another law for one mode, begun where the present one is, or at the rates that were seen."""
    begun = [_begun(fit.courses[host], law), *(() if seen is None else (started(seen, law),))]
    trials = []
    for theta in begun:
        courses = list(fit.courses)
        courses[host] = Course(theta, law)
        trials.append(fit_band(band, courses, steps=0))
    return fit_band(band, min(trials, key=lambda each: each.chi2).courses, steps=steps)


def _begun(course: Course, law: Law) -> Floats:
    """Parameters of a richer law that say about the same as those of ``course``."""
    levels = np.exp(-np.linspace(0.0, 4.0, 40))
    sigma, omega = course.rates(levels)
    if course.law.is_linear:
        sigma, omega = sigma * levels**0.05, omega * np.ones_like(levels)
    damping = _matched(levels, sigma, law.damping)
    frequency = _matched(levels, omega, law.frequency)
    powers = () if not law.free else law.damping if law.shared else (*law.damping, *law.frequency)
    return np.array([damping[0], frequency[0], *damping[1:], *frequency[1:], *powers])


def _matched(levels: Floats, values: Floats, powers: Sequence[float]) -> Floats:
    basis = np.column_stack([np.ones_like(levels), *(levels**p for p in powers)])
    return np.asarray(np.linalg.lstsq(basis, values, rcond=None)[0])


def simpler(law: Law) -> tuple[Law, ...]:
    """Laws of fewer terms out of the same family."""
    found = [replace(law, free=False, shared=False)] if law.free else []
    if law.damping and law.frequency:
        for free in {law.free, False}:
            found += [Law(damping=law.damping, free=free), Law(frequency=law.frequency, free=free)]
    if len(law.damping) > 1 or len(law.frequency) > 1:
        found += [Law(damping=law.damping[:1], frequency=law.frequency[:1])]
    return tuple(found)
