"""What each course in a free decay is: a mode, a line from outside, a transient, or a tone that modes make."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum

import numpy as np

from reportgen.compute.decay.backbone import natural
from reportgen.compute.decay.decay_course import Course
from reportgen.compute.decay.decay_fit import Fit
from reportgen.compute.decay.decay_state import Found, Refused, Search
from reportgen.records.message import Message, message

MAINS_HZ = (50.0, 60.0)
"""Frequencies of public supplies."""
_MAINS_WITHIN = 0.005
"""Share by which a multiple may differ: supplies hold their frequency to 0.4 %, recorders theirs to 0.01 %."""
LEAST_DECAY = 0.05
"""Nepers over the record below which a line does not decay measurably."""
_SURELY = 5.0
"""Rate of decay over its standard uncertainty from which a line decays."""
MAINS_DECAY = 0.3
"""The same for a line at a multiple of the mains, whose level wanders."""
LOWEST_Q = 2.0
"""Q below which a course is a transient of the release: it is over within two thirds of a cycle."""
_HARMONICS = (2, 3, 4, 5, 7, 9, 11, 13, 15)
_TONE_SHARE = 0.2
"""Largest share of its parent's amplitude that a harmonic or combination tone has."""
_TONE_WITHIN = 0.3
"""Distance from the exact place in half-power half-widths of what makes the tone."""
_TONE_STDS = 4.0
"""The same in standard uncertainties of the tone's own frequency, where that is more."""
_SENSOR_SHARE = 0.02
"""Largest share of a harmonic that a sensor makes of a linear mode: few are worse than 2 %."""
_SAME_FALL = 0.1
"""Share within which it falls at k times the rate."""
_FOLDED_TIMES = 4.0
"""Largest size of a high harmonic over that of the square wave of friction, whose n-th is 1/n of the first: twelve
decibels, for it hardly falls while what is fitted to it does, and other modes may magnify it."""
_HIGHEST_FOLDED = 100
_FOLDED_WITHIN = 0.004
_REMAINDER = 0.1
"""Share of a mode that depends on level below which what stands within its bandwidths is held to be its own misfit."""
_BESIDE = 6.0
_LARGE = 0.1
"""Share of the largest velocity from which a mode is large enough to make combination tones with others."""


_WHILE_LARGE = np.array([0.4, 0.6, 0.8, 1.0])
"""Amplitudes over that at the beginning which carry five sixths of the energy of a decay."""
_OWN_PEAK = math.sqrt(2.0) - 1.0
"""Share of what the others make at its frequency from which on, on any channel, a mode has a peak of its own: at less
it raises them by less than 3 dB even where it is in phase with them, and there is no half-power bandwidth to read."""
_TOLD = 0.25
"""Standard uncertainty of the rate of decay over it above which a 95 % interval is as wide as the damping itself."""
_TOLD_PLACE = 0.5
"""Standard uncertainty of the frequency in half-power half-widths above which an interval is wider than the peak."""
_PROJECTED_NEPERS = 8.0
"""Decay times over which the amplitude of a refused candidate is taken."""


class Cause(Enum):
    """What brings a course about."""

    MODE = "mode"
    STEADY = "steady line"
    TRANSIENT = "transient"
    HARMONIC = "harmonic"
    COMBINATION = "combination tone"
    MISFIT = "misfit"
    BACKGROUND = "background"
    """What others leave between them: no peak of its own."""
    UNCERTAIN = "uncertain"
    """A peak whose numbers cannot be told."""


_TONES = (Cause.HARMONIC, Cause.COMBINATION)


@dataclass(frozen=True, slots=True)
class Named:
    """A cause and the message that says it; none for a mode."""

    cause: Cause
    said: Message | None = None


def causes(state: Search, fits: Sequence[Fit | None]) -> list[Named]:
    """The cause of everything that was found, in its order; ``fits`` has each one's own, itself the first of it."""
    seconds = len(state.left) / state.rate
    first = [_by_itself(each, fit, seconds) for each, fit in zip(state.found, fits, strict=True)]
    modes = [each for each, named in zip(state.found, first, strict=True) if named.cause is Cause.MODE]
    parents = _parents(modes)
    second = [
        named if named.cause is not Cause.MODE else _tone(each, _known_to(fits[i]), modes, parents, state.rate) or named
        for i, (each, named) in enumerate(zip(state.found, first, strict=True))
    ]
    tones = [(each, named) for each, named in zip(state.found, second, strict=True) if named.cause in _TONES]
    return [
        named if named.cause is not Cause.MODE else _of_tone(each, tones) or _told_apart(each, fits[i], modes) or named
        for i, (each, named) in enumerate(zip(state.found, second, strict=True))
    ]


def _of_tone(each: Found, tones: Sequence[tuple[Found, Named]]) -> Named | None:
    """The rest of a tone, which falls in a way of its own: smaller than that, and within its bandwidth."""
    for tone, named in tones:
        apart = abs(each.course.omega - tone.course.omega)
        if named.said is not None and each.size < tone.size and apart < each.course.sigma + tone.course.sigma:
            values = tuple((key, _hz(each) if key == "frequency_hz" else value) for key, value in named.said.values)
            return Named(named.cause, replace(named.said, values=values))
    return None


def _told_apart(each: Found, fit: Fit | None, modes: Sequence[Found]) -> Named | None:
    """What others leave between them, or a peak whose numbers cannot be told; None for a mode."""
    uncertain = fit is None or not _is_told(each, fit)
    if not _has_peak(each, modes):
        beside = any(_bends(other) and _overlap(each, other) for other in modes if other is not each)
        return Named(Cause.BACKGROUND) if uncertain or beside else None
    return Named(Cause.UNCERTAIN) if uncertain else None


def _is_told(each: Found, fit: Fit) -> bool:
    """Whether frequency and damping of a linear course are known; of others whether their damping is one at all."""
    if not each.course.law.is_linear:
        _, _, zeta, _ = natural(each.course, fit.covariance(0), _WHILE_LARGE, order=2)
        return bool(np.all(zeta > 0.0))
    variance = np.maximum(np.diag(fit.covariance(0)), 0.0)
    sigma = max(fit.courses[0].sigma, 1e-300)
    return bool(variance[0] < (_TOLD * sigma) ** 2 and variance[1] < (_TOLD_PLACE * sigma) ** 2)


def _overlap(each: Found, other: Found) -> bool:
    return abs(each.course.omega - other.course.omega) < _BESIDE * (each.course.sigma + other.course.sigma)


def _has_peak(each: Found, modes: Sequence[Found]) -> bool:
    """Whether any channel shows a course by itself beside all others at its frequency."""
    others = sum(
        (other.residue / complex(other.course.sigma, each.course.omega - other.course.omega) for other in modes
         if other is not each), start=np.zeros(len(each.residue), dtype=complex),
    )  # fmt: skip
    return bool(np.any(np.abs(each.residue) / max(each.course.sigma, 1e-300) > _OWN_PEAK * np.abs(others)))


def tones_among(state: Search, modes: Sequence[Found]) -> tuple[list[Refused], list[Message]]:
    """What was refused and nothing explains, and what is said of the rest: harmonics and combinations of modes."""
    parents, open_ones, said = _parents(modes), [], []
    for each in state.refused:
        tone = _projected(state, each)
        width = math.pi * state.rate / len(state.left)
        named = _tone(tone, width, modes, parents, state.rate) if each.beside is None else None
        if named is not None and named.said is not None:
            said.append(named.said)
        elif each.beside is None:
            open_ones.append(each)
    return open_ones, said


def _projected(state: Search, each: Refused) -> Found:
    """A refused candidate with the amplitudes that the residual shows along it."""
    n = min(len(state.left), int(_PROJECTED_NEPERS * state.rate / each.sigma) + 1)
    steps = np.arange(n) / state.rate
    wave = np.exp(complex(-each.sigma, -each.omega) * steps)
    residue = 2.0 * (wave @ state.left[:n]) / float(np.sum(np.abs(wave) ** 2))
    return Found(Course(np.array([each.sigma, each.omega])), np.asarray(residue))


def _by_itself(each: Found, fit: Fit | None, seconds: float) -> Named:
    course, f = each.course, each.course.omega / (2 * math.pi)
    if course.omega < 2.0 * LOWEST_Q * course.sigma:
        return Named(Cause.TRANSIENT, message("decay.transient", frequency_hz=f))
    if not _decays(each, fit, seconds):
        said = message("decay.mains", frequency_hz=f) if _is_mains(f) else message("decay.steady-line", frequency_hz=f)
        return Named(Cause.STEADY, said)
    return Named(Cause.MODE)


def _decays(each: Found, fit: Fit | None, seconds: float) -> bool:
    nepers = each.course.sigma * seconds
    if nepers > MAINS_DECAY:
        return True
    if nepers < LEAST_DECAY or fit is None or _is_mains(each.course.omega / (2 * math.pi)):
        return False
    return each.course.sigma > _SURELY * math.sqrt(max(float(fit.covariance(0)[0, 0]), 0.0))


def _is_mains(f: float) -> bool:
    return any(abs(f - round(f / m) * m) < _MAINS_WITHIN * m and round(f / m) >= 1 for m in MAINS_HZ)


def _known_to(fit: Fit | None) -> float:
    """Standard uncertainty of a course's frequency, rad/s."""
    return math.sqrt(max(float(fit.covariance(0)[1, 1]), 0.0)) if fit is not None else 0.0


def _parents(modes: Sequence[Found]) -> list[Found]:
    """Modes of large motion: these bend what holds them enough to make tones with others."""
    speeds = [each.size / each.course.omega for each in modes]
    return [each for each, speed in zip(modes, speeds, strict=True) if speed > _LARGE * max(speeds)]


def _tone(each: Found, std: float, modes: Sequence[Found], parents: Sequence[Found], rate: float) -> Named | None:
    """The harmonic or combination tone that a mode in truth is; None for a mode."""
    return (
        _remainder(each, modes)
        or _harmonic(each, std, parents, rate)
        or _combination(each, std, modes, [parent for parent in parents if _bends(parent)])
    )


def _hz(each: Found) -> float:
    return float(each.course.omega / (2 * math.pi))


def _remainder(each: Found, modes: Sequence[Found]) -> Named | None:
    for host in filter(_bends, modes):
        if host is not each and _beside(each, host):
            share = float(each.size / host.size)
            said = message("decay.remainder", frequency_hz=_hz(each), share=share, of_hz=_hz(host))
            return Named(Cause.MISFIT, said)
    return None


def _harmonic(each: Found, std: float, parents: Sequence[Found], rate: float) -> Named | None:
    for parent in parents:
        if parent is each or not _much_smaller(each, parent):
            continue
        for k in _HARMONICS:
            if _at(each, std, [(k, parent)]) and (_bends(parent) or _sensor_harmonic(each, parent, k)):
                said = message("decay.harmonic", frequency_hz=_hz(each), times=k, of_hz=_hz(parent))
                return Named(Cause.HARMONIC, said)
        folded = _folded(each, std, parent, rate)
        if folded is not None:
            said = message("decay.harmonic-folded", frequency_hz=_hz(each), times=folded, of_hz=_hz(parent))
            return Named(Cause.HARMONIC, said)
    return None


def _combination(each: Found, std: float, modes: Sequence[Found], parents: Sequence[Found]) -> Named | None:
    for parent in parents:
        for other in modes:
            if other in (each, parent) or each is parent or not _much_smaller(each, other):
                continue
            k = next((k for k in (1, -1, 2, -2) if _at(each, std, [(1, other), (k, parent)])), None)
            if k is not None:
                said = message(
                    "decay.combination", frequency_hz=_hz(each), one_hz=_hz(other), times=k, other_hz=_hz(parent)
                )
                return Named(Cause.COMBINATION, said)
    return None


def _beside(each: Found, host: Found) -> bool:
    """Whether a course is a small remainder within a few bandwidths of a mode that depends on level."""
    close = abs(each.course.omega - host.course.omega) < _BESIDE * (each.course.sigma + host.course.sigma) + _drift(
        host
    )
    return close and bool(np.all(np.abs(each.residue) < _REMAINDER * np.abs(host.residue)))


def _folded(each: Found, std: float, parent: Found, rate: float) -> int | None:
    """Which high odd harmonic of a mode with friction a small tone is, as sampling without a filter folds it."""
    rubbing = _friction(parent)
    turn = 2.0 * math.pi * rate
    _, passed = parent.course.rates(_WHILE_LARGE)
    for k in range(3, _HIGHEST_FOLDED, 2):
        if each.size > _FOLDED_TIMES * rubbing / k * parent.size:
            return None
        within = max(
            _TONE_STDS * std, min(_TONE_WITHIN * k * parent.course.sigma, _FOLDED_WITHIN * parent.course.omega)
        )
        places = k * passed % turn
        if np.min(np.abs(each.course.omega - np.minimum(places, turn - places))) < within:
            return k
    return None


def _friction(parent: Found) -> float:
    """Force of friction at the beginning over that of inertia, 4f/(π ω²x̂) = 2 (ζ(½) − ζ(1)): of it alone ζ doubles
    where the amplitude is half."""
    sigma, omega = parent.course.rates(np.array([0.5, 1.0]))
    return float(2.0 * max(sigma[0] / omega[0] - sigma[1] / omega[1], 0.0))


def _bends(parent: Found) -> bool:
    """Whether a mode shows by itself that it is not linear."""
    return not parent.course.law.is_linear


def _sensor_harmonic(each: Found, parent: Found, k: int) -> bool:
    """Whether a tone is small and falls like its power of the parent's amplitude: a sensor that is not linear."""
    falls = abs(each.course.sigma / (k * parent.course.sigma) - 1.0) < _SAME_FALL
    return k <= 3 and falls and each.size < _SENSOR_SHARE * parent.size


def _much_smaller(each: Found, parent: Found) -> bool:
    return bool(np.all(np.abs(each.residue) < _TONE_SHARE * np.maximum(np.abs(parent.residue), 0.05 * parent.size)))


def _at(each: Found, std: float, parts: Sequence[tuple[int, Found]]) -> bool:
    """Whether a tone lies where its parents make it, and does not ring longer than the one that rings shortest."""
    place = sum(k * parent.course.omega for k, parent in parts)
    width = sum(abs(k) * parent.course.sigma for k, parent in parts)
    drift = sum(abs(k) * _drift(parent) for k, parent in parts)
    longest = max(parent.course.sigma for _, parent in parts)
    within = max(_TONE_WITHIN * width, _TONE_STDS * std) + drift
    alone = len(parts) == 1 and _bends(parts[0][1])  # friction makes harmonics that hardly fall, or in their own way
    within += min(each.course.sigma, width) if alone else 0.0
    return _away(each, abs(place)) < within and (alone or each.course.sigma > 0.3 * longest)


def _away(each: Found, place: float) -> float:
    """Distance of a frequency from those that a course passes through while it is large, rad/s.

    What is no mode is followed by whatever law comes nearest, whose frequency at one level says little.
    """
    _, omega = each.course.rates(_WHILE_LARGE)
    return max(float(omega.min()) - place, place - float(omega.max()), 0.0)


def _drift(each: Found) -> float:
    """How far the frequency of a mode goes between its first and its hundredth amplitude, rad/s."""
    if each.course.law.is_linear:
        return 0.0
    _, omega = each.course.rates(np.geomspace(0.05, 1.0, 9))
    return float(np.ptp(omega))
