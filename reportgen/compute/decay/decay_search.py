"""Modes of a free decay sought one after the other, as many as stand out of the noise.

What is not yet explained is correlated with decaying sinusoids of every frequency and of a ladder of decay rates: of
all tests for a decaying sinusoid in noise that is the sharpest (matched filter). What stands out is fitted together
with its neighbours, and the criterion decides whether it is a mode of its own or whether a neighbour's damping and
frequency depend on amplitude, which linear poles can only mend.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from reportgen.compute.decay.decay_course import LINEAR, Complex, Course, Law, Lines, synthesis
from reportgen.compute.decay.decay_fit import Band, Fit, fit_band, misfit, predicted_chi2
from reportgen.compute.decay.decay_start import Seen, seen_rates, started
from reportgen.records.log import Floats

FALSE_ALARM = 1e-3
"""Chance that noise alone brings a candidate in the whole record."""
RUNG = 2.0
"""Ratio of neighbouring decay rates of the ladder: between two a mode loses at most 3 % of its height."""
_NEPERS = 8.0
"""Length of a rung's window in its own decay times; what is cut off is 0.03 %."""
_FIT_NEPERS = 16.0
"""Length of a fit in decay times of its slowest mode."""
_TAIL_NEPERS = 22.0
_BAND_WIDTHS = 8.0
"""Half a fit's band in half-power half-widths of a mode, σ/2π."""
_FEWEST_LINES = 10
"""Lines on either side of a mode that a fit takes at least."""
_COUPLED = 0.4
"""Correlation of two decaying sinusoids, 2√(σ₁σ₂)/|σ₁ + σ₂ + i(ω₁ − ω₂)|, from which on they are fitted together."""
_MOST_LINES = 200
"""Lines of a band above which those far from every mode are thinned."""
_FEWEST_CYCLES = 2.0
"""Cycles in the record below which an oscillation cannot be told from a drift."""
LOWEST_Q = 1.0
"""Below it nothing is sought: a pulse, not an oscillation."""
MISFIT = 4e-3
"""Share of a mode that is not held to be another: sensors are linear to 0.1 to 1 % of their reading."""
LEVEL_MISFIT = 0.02
"""The same beside a mode that depends on level: a law of a few terms follows it to some percent."""
_MOST_MISFIT = 0.1
"""Largest share that is taken for misfit where that is what is left of such a mode in its own band."""
_STRAINS = 0.02
"""Share of the largest velocity below which a mode's own level bends nothing: stress goes with velocity (F. V. Hunt,
J. Acoust. Soc. Am. 32 (1960) 1123, from memory). What such a mode does hangs on the level of the large ones."""
_OWN_WIDTHS = 3.0
"""Half that band in half-power half-widths of the mode."""
_EXHAUSTED = 1e-9
"""Noise over the size of the record below which only rounding is left."""
_BLOCK_LINES = 48
_BLOCKS = 32
"""Blocks of lines over which the noise is taken, each of at least _BLOCK_LINES."""
_CANCELLING = 4.0
"""A mode is at most so many times as large as the record's largest excursion; more is two that cancel each other."""
_WORTH_A_LAW = 40.0
"""Promised fall of χ² from which on a law is tried: chance reaches it once in a million."""
_WHOLE_ROUNDS = 2
"""Rounds after which all that was found is fitted anew; later only what is new."""
_CLOSE = 6.0
"""Sum of decay rates within which one mode may be what a stronger one's dependence on level looks like."""
_MOST_IN_GROUP = 4
"""Courses that are taken for one at once: linear poles in place of one mode that depends on level are rarely more."""
_DRIFT = 0.05
"""Share by which a frequency may drift with level for its course to be found at once."""
_DRIFT_LINES = 150
_MOST_AT_ONCE = 24
"""Candidates of one round."""
_MOST_DAMPING = 0.05
"""Damping ratio up to which a course that depends on level is fitted."""
_NOWHERE_NEAR = 20.0
"""Ratio of χ² to that of a fit which leaves noise alone, from which on refining a course is no use."""
MOST_ROUNDS = 60
_DRIFT_ORDER = 4
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
_EVEN = Law(damping=(2.0, 4.0), frequency=(2.0, 4.0))
"""What a spring that is the same both ways makes, to the next order than the first."""
_CUBIC = Law(damping=(1.0, 2.0, 3.0), frequency=(1.0, 2.0, 3.0))
_OTHERS = (LAWS[0], Law(damping=(0.5,), frequency=(0.5,), free=True), _POLYNOMIAL, _EVEN)
"""Laws that a mode which depends on level already is tried with, too."""
_EVERY = Law(damping=(-1.0, 0.5, 1.0, 2.0), frequency=(0.5, 1.0, 2.0))
"""All their terms at once."""


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
        return min(max(least, self.left), _MOST_MISFIT)

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


@dataclass(frozen=True, slots=True, eq=False)
class _Candidate:
    omega: float
    sigma: float
    ratio: float
    floor: Floats
    """Power of the noise that it stands out of, shape (c,)."""


def search(samples: Floats, rate: float) -> Search:
    """Everything that decays, or stands as a line, in a record of shape (n, c)."""
    state = _begin(samples, rate)
    for number in range(MOST_ROUNDS):
        candidates = list(_candidates(state, local=number >= _WHOLE_ROUNDS))
        if not candidates:
            break
        before = state
        for each in candidates:
            state = _tried(state, each, alone=number == 0)
        if state.found is before.found and len(state.refused) == len(before.refused):
            break
        new = max(len(state.found) - len(before.found), 0)
        state = _settled(state, passes=int(new > 0), last=None if number < _WHOLE_ROUNDS else new)
        if number >= _WHOLE_ROUNDS or len(candidates) < _MOST_AT_ONCE:
            state = _weighed(_levelled(state))  # once no strong neighbours wait any more
    return _still_refused(_settled(_plainer(_simplified(_settled(state, passes=1))), passes=1))


def _still_refused(state: Search) -> Search:
    """Less what has been explained since it was refused."""
    least = _threshold(3.0 * len(state.left), state.left.shape[1])
    kept = [
        each
        for each in state.refused
        if _ratio_at(state, _Candidate(each.omega, each.sigma, each.ratio, each.floor)) > least
    ]
    return replace(state, refused=tuple(kept))


def _begin(samples: Floats, rate: float) -> Search:
    left = _without_drift(samples)
    return Search(rate, (), left, noise_of(left, rate, samples), np.max(np.abs(left), axis=0))


def _without_drift(samples: Floats) -> Floats:
    """Less a polynomial: offset, and a drift of which the record holds less than a cycle."""
    basis = _drifts(len(samples))
    return np.asarray(samples - basis @ (basis.T @ samples))


@lru_cache(maxsize=2)
def _drifts(samples: int) -> Floats:
    """Orthonormal polynomials up to the order of a drift, shape (n, 5)."""
    t = np.linspace(-1.0, 1.0, samples)
    basis: Floats = np.linalg.qr(np.polynomial.legendre.legvander(t, _DRIFT_ORDER))[0]
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
    shown = _quartiles(power, omega, 1)
    floor = (_EXHAUSTED * np.std(samples, axis=0)) ** 2
    return Noise(shown.omega, np.maximum(shown.power, floor))


def ladder(samples: int, rate: float) -> Iterator[tuple[float, int]]:
    """Decay rates (1/s) and the number of samples that each needs."""
    sigma = 0.5 * rate / samples
    while True:
        n = fast_length(min(samples, max(32, int(_NEPERS * rate / sigma))))
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
        held = np.maximum(held, _quartiles(lines, omega, 4 * len(state.left) // n).at(omega))
    for each in state.found:
        part, allowed = _misfit(each, omega, sigma, state.rate**2 / energy)
        held[part] += allowed
    return np.asarray(np.sum(lines / held, axis=1)), omega, held


def _quartiles(power: Floats, omega: Floats, coarser: int) -> Noise:
    """Noise as the lower quartiles of blocks of lines show it, shape (k, c); ``coarser`` for windows of few lines."""
    lines = np.arange(1, len(power) - 1)
    blocks = max(1, min(_BLOCKS // max(coarser // 4, 1), len(lines) // _BLOCK_LINES))
    parts = np.array_split(lines, blocks)
    quarter = np.array([np.quantile(power[part], 0.25, axis=0) for part in parts]) / math.log(4.0 / 3.0)
    return Noise(np.array([np.mean(omega[part]) for part in parts]), np.maximum(quarter, 1e-300))


def _ratio_at(state: Search, peak: _Candidate) -> float:
    """Power of the present residual along one decaying sinusoid over the noise's mean."""
    n = min(len(state.left), int(_NEPERS * state.rate / peak.sigma) + 32)
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


def _candidates(state: Search, *, local: bool) -> Iterator[_Candidate]:
    """What stands out of the noise, strongest first, none within the skirts of a stronger one."""
    n, channels = state.left.shape
    least = _threshold(3.0 * n, channels)
    peaks = [_tops(state, sigma, length, least, local=local) for sigma, length in ladder(n, state.rate)]
    yield from _apart(state, *(np.concatenate(each) for each in zip(*peaks, strict=True)))


def _tops(state: Search, sigma: float, length: int, least: float, *, local: bool) -> tuple[Floats, ...]:
    """ω, decay rate, power over the noise and that noise of the peaks of one rung."""
    ratio, omega, held = _rung(state, sigma, length, local=local)
    ratio[omega < max(2.0 * LOWEST_Q * sigma, _FEWEST_CYCLES * 2.0 * np.pi * state.rate / len(state.left))] = 0.0
    ratio[omega > 0.985 * np.pi * state.rate] = 0.0
    tops = np.flatnonzero((ratio[1:-1] > least) & (ratio[1:-1] >= ratio[2:]) & (ratio[1:-1] > ratio[:-2])) + 1
    return omega[tops], np.full(len(tops), sigma), ratio[tops], held[tops]


def _apart(state: Search, omega: Floats, sigma: Floats, ratio: Floats, held: Floats) -> Iterator[_Candidate]:
    """Those, strongest first, that no skirts of stronger ones explain; at most _MOST_AT_ONCE."""
    left = np.array(ratio)
    for each in state.refused:
        left[np.abs(omega - each.omega) < 2.0 * (sigma + each.sigma)] = 0.0  # it was tried before
    skirts = np.zeros(len(ratio))
    for _ in range(_MOST_AT_ONCE):
        left[left <= 3.0 * skirts] = 0.0
        if not left.any():
            return
        i = int(np.argmax(left))
        widths = (sigma + sigma[i]) ** 2
        skirts += ratio[i] * 4.0 * widths / (widths + (omega - omega[i]) ** 2)
        yield _Candidate(float(omega[i]), float(sigma[i]), float(ratio[i]), held[i])


def _threshold(trials: float, channels: int) -> float:
    """Sum of ``channels`` exponential variates that is exceeded once in ``trials`` with a chance of FALSE_ALARM."""
    p, x = FALSE_ALARM / trials, 1.0 - math.log(FALSE_ALARM / trials)
    for _ in range(30):
        terms = sum(x**k / math.factorial(k) for k in range(channels))
        x = -math.log(p) + math.log(terms)
    return x


def _tried(state: Search, peak: _Candidate, *, alone: bool) -> Search:
    """The search with a candidate taken up, with a neighbour that depends on level, or with the candidate refused.

    With ``alone`` only a candidate without stronger modes close by: what is beside these can be judged once the skirts
    of all others are taken out.
    """
    if _ratio_at(state, peak) < _threshold(3.0 * len(state.left), state.left.shape[1]):
        return state  # it was a skirt of what has been found since
    start = Course(np.array([peak.sigma, peak.omega]))
    if alone and _host(state, range(len(state.found)), start) is not None:
        return state
    lines = band_of(state, [start], ())
    if lines is None:
        return _refuse(state, peak, None)
    new = min((fit_band(lines, [Course(np.array([s * peak.sigma, peak.omega]))], steps=8) for s in (1.0, 3.0)),
              key=lambda fit: fit.chi2).courses[0]  # fmt: skip
    near = neighbours(state, new)
    band = band_of(state, [new, *(state.found[i].course for i in near)], near)
    if band is None:
        return _refuse(state, peak, None)
    held = [state.found[i].course for i in near]
    plain = fit_band(band, held)
    more = fit_band(band, [*held, new])
    host = _host(state, near, new)
    choices = [plain, more] if _is_own(state, band, more, near) else [plain]
    if host is not None and _strains(state, host):
        place = near.index(host)
        bends = _smaller(more, place) and not _settles(band, plain, more, place)
        choices += _upgraded(band, plain, place, _seen(state, near, band)) if bends else []
    best = _best(choices, state)
    if best is plain:
        return _refuse(state, peak, state.found[host].course.omega if host is not None else None)
    return _replaced(state, near, best)


def _strains(state: Search, index: int) -> bool:
    """Whether a mode moves enough for its own level to matter."""
    largest = max(each.size / each.course.omega for each in state.found)
    return state.found[index].size / state.found[index].course.omega > _STRAINS * largest


def _best(choices: Sequence[Fit], state: Search) -> Fit:
    """The fit of the least criterion that does not make something out of large parts that cancel."""
    most = _CANCELLING * state.largest
    sound = [fit for fit in choices if np.all(np.abs(fit.residues) <= most)] or list(choices[:1])
    return min(sound, key=lambda fit: fit.criterion)


def _levelled(state: Search) -> Search:
    """Modes that linear poles follow badly, made such that depend on level, or given the neighbour that they lack."""
    for each in sorted(state.found, key=lambda each: -each.size):
        omega, width = each.course.omega, 0.1 * each.course.sigma
        if any(abs(omega - seen) < width for seen in state.looked):
            continue
        index = min(range(len(state.found)), key=lambda i: abs(state.found[i].course.omega - omega))
        state = _looked_at(state, index)
        state = replace(state, looked=(*state.looked, omega))
    return state


def _weighed(state: Search) -> Search:
    """With what is left of every mode where one depends on level: no law follows a joint entirely, and the others ride
    on what it does."""
    if all(each.course.law.is_linear for each in state.found):
        return state
    return replace(state, found=tuple(replace(each, left=_left_of(state, each)) for each in state.found))


def _left_of(state: Search, each: Found) -> float:
    """Root of the energy of the residual over that of a mode, both in the mode's band and while it rings."""
    course = each.course
    n = fast_length(int(min(len(state.left), max(64, _NEPERS * state.rate / _at_least(state, course)))))
    spacing, reach = 2.0 * np.pi * state.rate / n, _OWN_WIDTHS * course.sigma
    first, last = int((course.omega - reach) / spacing), math.ceil((course.omega + reach) / spacing) + 1
    own = synthesis(course, each.residue, n, state.rate)
    left, there = (np.abs(np.fft.rfft(y, axis=0)[max(first, 0) : last]) ** 2 for y in (state.left[:n], own))
    noise = n * state.noise.over(first * spacing, last * spacing) ** 2
    more = np.sum(np.maximum(np.sum(left, axis=0) - len(left) * noise, 0.0))
    return math.sqrt(float(more) / max(float(np.sum(there)), 1e-300))


def _looked_at(state: Search, index: int) -> Search:
    course = state.found[index].course
    band = band_of(state, [course], (index,)) if _strains(state, index) else None
    if band is None:
        return state
    plain = fit_band(band, [course], steps=4)
    energy = float(np.sum(np.abs(plain.residues[0] / band.noise) ** 2)) * state.rate / (4.0 * _at_least(state, course))
    if not _promising(band, plain, 0, max(_WORTH_A_LAW, MISFIT**2 * energy)):
        return state
    wide = band_of(state, [course], (index,), reach=_drift_reach(state, course))
    if wide is not None:
        band, plain = wide, fit_band(wide, [course], steps=4)
    more = _with_companion(band, plain)
    if more is not None and _settles(band, plain, more, 0):
        return state  # two modes that beat: the second is found where it stands out
    best = _best([plain, *_upgraded(band, plain, 0, _seen(state, (index,), band))], state)
    if best is plain or (more is not None and more.criterion < best.criterion):
        return state
    return _replaced(state, (index,), best)


def _drift_reach(state: Search, course: Course) -> float:
    """How far a frequency may drift with level, rad/s: 5 %, but no more lines than can be fitted."""
    window = _FIT_NEPERS / _at_least(state, course)
    return min(_DRIFT * course.omega, _DRIFT_LINES * 2.0 * np.pi / min(window, len(state.left) / state.rate))


def _seen(state: Search, taken_out: Sequence[int], band: Band) -> Seen | None:
    """Rates of the motion in a band, of the residual with some of the found put back."""
    motion = state.left[: band.samples].copy()
    for i in taken_out:
        motion += synthesis(state.found[i].course, state.found[i].residue, band.samples, state.rate)
    return seen_rates(motion, band.noise, state.rate, band.low, band.high)


def _at_least(state: Search, course: Course) -> float:
    """Rate of decay of a course, or that of one neper in two records where it is less."""
    return max(course.sigma, 0.5 * state.rate / len(state.left))


def _promising(band: Band, plain: Fit, mode: int, least: float) -> bool:
    """Whether another law may follow a mode better by more than chance, and by more than a share of its energy."""
    if plain.courses[mode].law.is_linear:
        reached = min(_predicted(band, plain, mode))
        gained = misfit(plain.chi2, plain.size) - misfit(reached, plain.size)
        return plain.chi2 - reached > least and gained > _WORTH_A_LAW
    return plain.chi2 > max(2.0 * plain.size, plain.size + least)


def _with_companion(band: Band, plain: Fit) -> Fit | None:
    """The fit with one pole more, begun where the residual is largest within a few bandwidths of the last course."""
    course = plain.courses[-1]
    spacing = (band.high - band.low) / max(len(band.turn) - 1, 1)
    omega = -np.angle(band.turn) * band.rate
    close = np.abs(omega - course.omega) < max(8.0 * course.sigma, 8.0 * spacing)
    if not close.any():
        return None
    power = np.where(close, np.sum(np.abs(plain.residual) ** 2, axis=1), 0.0)
    top = float(omega[int(np.argmax(power))])
    fits = (fit_band(band, [*plain.courses, Course(np.array([s * course.sigma, top]))]) for s in (0.5, 2.0))
    return min(fits, key=lambda fit: fit.chi2)


def _settles(band: Band, plain: Fit, more: Fit, host: int) -> bool:
    """Whether a pole more leaves nothing but noise, which no law for the host promises to come near."""
    if more.chi2 > more.size + 4.0 * math.sqrt(2.0 * more.size) or not plain.courses[host].law.is_linear:
        return False
    return min(_predicted(band, plain, host)) > more.chi2 + _WORTH_A_LAW + more.unknowns * math.log(more.size)


def _smaller(fit: Fit, host: int) -> bool:
    """Whether the last of a fit is smaller than its host."""
    sizes = np.max(np.abs(fit.residues), axis=1)
    return bool(sizes[-1] < sizes[host])


def _host(state: Search, near: Sequence[int], new: Course) -> int | None:
    """The strongest mode within some bandwidths of a candidate."""
    close = [
        i
        for i in near
        if abs(state.found[i].course.omega - new.omega) < _CLOSE * (state.found[i].course.sigma + new.sigma)
    ]
    return max(close, key=lambda i: state.found[i].size, default=None)


def _is_own(state: Search, band: Band, fit: Fit, near: Sequence[int]) -> bool:
    """Whether the last mode of a fit is more than the misfit that its neighbours may have."""
    new, size = fit.courses[-1], np.abs(fit.residues[-1])
    if not band.low < new.theta[1] < band.high:
        return False
    allowed = np.zeros(len(size))
    for i, course in enumerate(fit.courses[:-1]):
        share = max(MISFIT if course.law.is_linear else LEVEL_MISFIT, state.found[near[i]].misfit)
        width = course.sigma + new.sigma
        allowed += share * np.abs(fit.residues[i]) * 2.0 * new.sigma / math.hypot(width, course.omega - new.omega)
    return bool(np.any(size > allowed))


def _upgraded(band: Band, plain: Fit, host: int, seen: Seen | None) -> list[Fit]:
    """Fits in which the host depends on level in one way or another, or in another way than before."""
    own = plain.courses[host].law
    if own.is_linear:
        reached = [
            misfit(chi2, band.size) + (law.unknowns - 2) * math.log(band.size)
            for law, chi2 in zip(LAWS, _predicted(band, plain, host), strict=True)
        ]
        ranked = [LAWS[i] for i in np.argsort(reached)]
        first = _of_laws(band, plain, host, tuple(dict.fromkeys((*ranked[:3], *_ALWAYS))), seen)
    else:
        first = [plain, *_of_laws(band, plain, host, tuple(law for law in _OTHERS if law != own), seen)]
    best = min(first, key=lambda fit: fit.criterion)
    return [*first, *_of_laws(band, best, host, _richer(best.courses[host].law), seen)]


def _of_laws(band: Band, fit: Fit, host: int, laws: Sequence[Law], seen: Seen | None) -> list[Fit]:
    """The fit with each of some laws for one mode; those that lag behind after some steps are left there."""
    begun = sorted((_with_law(band, fit, host, law, seen, steps=_HEAT) for law in laws), key=lambda fit: fit.criterion)
    return [fit_band(band, each.courses, steps=_LAW_STEPS - _HEAT) for each in begun[:_IN_THE_FINAL]] + begun[
        _IN_THE_FINAL:
    ]


def _predicted(band: Band, plain: Fit, host: int) -> list[float]:
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
        return tuple(each for each in (_CUBIC, _POLYNOMIAL, _EVEN) if each != law) if terms == 2 else ()
    if law.free:
        return (_POLYNOMIAL, _EVEN)
    free = replace(law, free=True, shared=bool(law.damping and law.frequency))
    both = Law(damping=law.damping or law.frequency, frequency=law.frequency or law.damping)
    found = dict.fromkeys((free, both, replace(both, free=True), _POLYNOMIAL, _EVEN))
    return tuple(each for each in found if each != law)


def _with_law(band: Band, fit: Fit, host: int, law: Law, seen: Seen | None = None, *, steps: int = _LAW_STEPS) -> Fit:
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
    slowest = max(min(_slowest(each) for each in courses), _FIT_NEPERS * state.rate / len(state.left) / 64.0)
    told = min((_averaged_for(each) for each in courses), default=math.inf)
    n = fast_length(int(min(len(state.left), max(64, min(_FIT_NEPERS / slowest, told) * state.rate))))
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
    return Band(Lines(turn, n, state.rate), first * spacing, last * spacing, values, noise)


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


def _slowest(course: Course) -> float:
    """Least rate of decay that matters: of a law that depends on level the mean over the first ten nepers."""
    if course.law.is_linear:
        return float(course.theta[0])
    sigma, _ = course.rates(np.exp(-np.linspace(0.0, 10.0, 60)))
    return float(1.0 / np.mean(1.0 / sigma))


def _refuse(state: Search, peak: _Candidate, beside: float | None) -> Search:
    return replace(state, refused=(*state.refused, Refused(peak.omega, peak.sigma, peak.ratio, beside, peak.floor)))


def _replaced(state: Search, out: Sequence[int], fit: Fit) -> Search:
    """The search with some of the found given way to what was fitted."""
    left = state.left.copy()
    for i in out:
        _add(left, state.found[i], state.rate, 1.0)
    new = tuple(Found(course, residue) for course, residue in zip(fit.courses, fit.residues, strict=True))
    for each in new:
        _add(left, each, state.rate, -1.0)
    kept = tuple(each for i, each in enumerate(state.found) if i not in out)
    return replace(state, found=(*kept, *new), left=_without_drift(left))


def _add(left: Floats, each: Found, rate: float, sign: float) -> None:
    slowest = max(_slowest(each.course), 1e-9)
    n = int(min(len(left), _TAIL_NEPERS * rate / slowest))
    left[:n] += sign * synthesis(each.course, each.residue, n, rate)


def _settled(state: Search, *, passes: int, last: int | None = None) -> Search:
    """Every mode, or the last found, fitted anew beside its neighbours; drift and noise taken anew."""
    for _ in range(passes):
        waiting = len(state.found) if last is None else last
        for _ in range(waiting):
            # What was fitted goes to the end, so the first of those that wait is the one that waited longest.
            state = _refitted(state, len(state.found) - waiting)
    left = _without_drift(state.left)
    whole = left + 0.0
    for each in state.found:
        _add(whole, each, state.rate, 1.0)
    return replace(state, left=left, noise=noise_of(left, state.rate, whole))


def _refitted(state: Search, index: int) -> Search:
    near = neighbours(state, state.found[index].course, but=index)
    courses = [state.found[i].course for i in (index, *near)]
    band = band_of(state, courses, (index, *near))
    if band is None:
        kept = [*state.found]
        first = kept.pop(index)
        return replace(state, found=(*kept, first))
    fit = fit_band(band, courses, steps=6)
    left, kept = state.left.copy(), list(state.found)
    for place, i in enumerate((index, *near)):
        _add(left, state.found[i], state.rate, 1.0)
        kept[i] = replace(state.found[i], course=fit.courses[place], residue=fit.residues[place])
        _add(left, kept[i], state.rate, -1.0)
    first = kept.pop(index)
    return replace(state, found=(*kept, first), left=left)


def _simplified(state: Search) -> Search:
    """Pairs within a bandwidth of which one mode that depends on level would say as much, made that one."""
    for omega in [each.course.omega for each in sorted(state.found, key=lambda each: -each.size)]:
        host = next((i for i, each in enumerate(state.found) if each.course.omega == omega), None)
        group = [] if host is None or not _strains(state, host) else _group(state, host)
        merged = _merged(state, group) if len(group) > 1 else None
        if merged is not None:
            state = _settled(_replaced(state, group, merged), passes=1, last=len(merged.courses))
    return state


def _plainer(state: Search) -> Search:
    """Modes whose dependence on level is not borne out, once all neighbours are known, made plainer."""
    for omega in [each.course.omega for each in state.found if not each.course.law.is_linear]:
        index = min(range(len(state.found)), key=lambda i: abs(state.found[i].course.omega - omega))
        law = state.found[index].course.law
        near = neighbours(state, state.found[index].course, but=index)
        both = (*near, index)
        courses = [state.found[i].course for i in both]
        band = band_of(state, courses, both)
        if band is None or law.is_linear:
            continue
        plain = fit_band(band, courses, steps=4)
        laws = (LINEAR, *_simpler(law))
        best = _best([plain, *(_with_law(band, plain, len(courses) - 1, each) for each in laws)], state)
        if best is not plain:
            state = _replaced(state, both, best)
    return state


def _simpler(law: Law) -> tuple[Law, ...]:
    """Laws of fewer terms out of the same family."""
    found = [replace(law, free=False, shared=False)] if law.free else []
    if law.damping and law.frequency:
        for free in {law.free, False}:
            found += [Law(damping=law.damping, free=free), Law(frequency=law.frequency, free=free)]
    if len(law.damping) > 1 or len(law.frequency) > 1:
        found += [Law(damping=law.damping[:1], frequency=law.frequency[:1])]
    return tuple(found)


def _merged(state: Search, group: Sequence[int]) -> Fit | None:
    """The fit in which a mode and the weaker ones about it are one course; None where they are not."""
    courses = [state.found[i].course for i in group]
    band = band_of(state, courses, group)
    if band is None:
        return None
    present = fit_band(band, courses, steps=6)
    single = fit_band(band, courses[:1])
    seen = _seen(state, group, band)
    if _settles(band, single, present, 0) and _far_off(band, single, present, seen):
        return None
    best = _best([single, *_upgraded(band, single, 0, seen)], state)
    return best if best.criterion < present.criterion else None


def _far_off(band: Band, single: Fit, present: Fit, seen: Seen | None) -> bool:
    """Whether one course comes nowhere near a group that leaves nothing but noise, even begun at what is seen."""
    if seen is None:
        return True
    tried = (Course(started(seen, law), law) for law in (_EVEN, LAWS[0]))
    near = min(fit_band(band, [course], steps=4).chi2 for course in tried)
    return min(near, single.chi2) > _NOWHERE_NEAR * present.chi2


def _group(state: Search, host: int) -> list[int]:
    """A mode and the largest of the smaller ones that hang together with it, each some bandwidths from another."""
    group, size = [host], state.found[host].size
    large = [i for i, each in enumerate(state.found) if LEVEL_MISFIT * size < each.size <= size]
    waiting = sorted(large, key=lambda i: -state.found[i].size)
    for i in group:
        one = state.found[i].course
        for j in waiting:
            course = state.found[j].course
            apart = abs(course.omega - one.omega)
            if j not in group and len(group) < _MOST_IN_GROUP and apart < _CLOSE * (course.sigma + one.sigma):
                group.append(j)
    return group


def final_fit(state: Search, index: int) -> tuple[Fit, Band] | None:
    """A mode beside its neighbours, itself the first, for its uncertainty."""
    near = neighbours(state, state.found[index].course, but=index)
    courses = [state.found[i].course for i in (index, *near)]
    band = band_of(state, courses, (index, *near))
    return None if band is None else (fit_band(band, courses, steps=1), band)
