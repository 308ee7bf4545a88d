"""Modes of a free decay sought one after the other, as many as stand out of the noise.

What is not yet explained is correlated with decaying sinusoids of every frequency and of a ladder of decay rates: of
all tests for a decaying sinusoid in noise that is the sharpest (matched filter). What stands out is fitted together
with its neighbours, and the criterion decides whether it is a mode of its own or whether a neighbour's damping and
frequency depend on amplitude, which linear poles can only mend.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np

from reportgen.compute.decay.backbone import level_range
from reportgen.compute.decay.decay_bands import FIT_NEPERS, band_of, neighbours
from reportgen.compute.decay.decay_candidates import MOST_AT_ONCE, NEPERS, Candidate, candidates_in, ratio_at, threshold
from reportgen.compute.decay.decay_causes import LOWEST_Q
from reportgen.compute.decay.decay_course import LINEAR, Course, synthesis
from reportgen.compute.decay.decay_fit import Band, Fit, fit_band, misfit
from reportgen.compute.decay.decay_laws import EVEN, LAWS, POWERS, predicted, simpler, upgraded, with_law
from reportgen.compute.decay.decay_start import Seen, seen_rates, started
from reportgen.compute.decay.decay_state import (
    LEVEL_MISFIT,
    MISFIT,
    MOST_MISFIT,
    Found,
    Refused,
    Search,
    add_course,
    fast_length,
    noise_of,
    with_fit_in_place,
    without_drift,
)
from reportgen.records.log import Floats

_STRAINS = 0.02
"""Share of the largest velocity below which a mode's own level bends nothing: stress goes with velocity (F. V. Hunt,
J. Acoust. Soc. Am. 32 (1960) 1123, from memory). What such a mode does hangs on the level of the large ones: friction
that they keep sliding changes its direction for their sake but in 2/π · 2 % of the time, and a spring or a joint bends
with the 2nd or the ½th power of the whole motion, of which the small one is 0.04 % or 1 %."""
_OWN_WIDTHS = 3.0
"""Half that band in half-power half-widths of the mode."""
_CANCELLING = 4.0
"""A mode is at most so many times as large as the record's largest excursion; more is two that cancel each other."""
_LEAST_RANGE = 0.9
"""Lowest over highest level that a mode is seen at, within what averaging holds for, above which it shows no law: the
terms of one differ by less than a tenth of themselves there."""
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
_NOWHERE_NEAR = 20.0
"""Ratio of χ² to that of a fit which leaves noise alone, from which on refining a course is no use."""
MOST_ROUNDS = 60
_LIKE = 2.0
"""Ratio of two dampings from which on the poles are no halves of one mode: the wider may be what a blow leaves."""
_ONE_MODE, _ONE_SHAPE = 0.1, 0.95
"""Distance of two poles in half-power bandwidths of the narrower, below which no record tells them apart, and the
correlation of their shapes (as a modal assurance criterion of 0.9) from which on they are one mode and its misfit."""


def search(samples: Floats, rate: float) -> Search:
    """Everything that decays, or stands as a line, in a record of shape (n, c)."""
    state = _begin(samples, rate)
    for number in range(MOST_ROUNDS):
        candidates = list(candidates_in(state, local=number >= _WHOLE_ROUNDS))
        if not candidates:
            break
        before = state
        for each in candidates:
            state = _tried(state, each, alone=number == 0)
        if state.found is before.found and len(state.refused) == len(before.refused):
            break
        new = max(len(state.found) - len(before.found), 0)
        state = _settled(state, passes=int(new > 0), last=None if number < _WHOLE_ROUNDS else new)
        if number >= _WHOLE_ROUNDS or len(candidates) < MOST_AT_ONCE:
            state = _weighed(_levelled(state))  # once no strong neighbours wait any more
    return _still_refused(_united(_settled(_with_laws_anew(_simplified(_settled(state, passes=1))), passes=1)))


def _still_refused(state: Search) -> Search:
    """Less what has been explained since it was refused."""
    least = threshold(3.0 * len(state.left), state.left.shape[1])
    kept = [
        each
        for each in state.refused
        if ratio_at(state, Candidate(each.omega, each.sigma, each.ratio, each.floor)) > least
    ]
    return replace(state, refused=tuple(kept))


def _begin(samples: Floats, rate: float) -> Search:
    left = without_drift(samples)
    return Search(rate, (), left, noise_of(left, rate, samples), np.max(np.abs(left), axis=0))


def _tried(state: Search, peak: Candidate, *, alone: bool) -> Search:
    """The search with a candidate taken up, with a neighbour that depends on level, or with the candidate refused.

    With ``alone`` only a candidate without stronger modes close by: what is beside these can be judged once the skirts
    of all others are taken out.
    """
    if ratio_at(state, peak) < threshold(3.0 * len(state.left), state.left.shape[1]):
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
        bends = _smaller(more) and not _settles(band, plain, more, place)
        choices += upgraded(band, plain, place, _seen(state, near, band)) if bends else []
    best = _best(choices, state, band)
    if best is plain:
        return _refuse(state, peak, state.found[host].course.omega if host is not None else None)
    return with_fit_in_place(state, near, best)


def _strains(state: Search, index: int) -> bool:
    """Whether a mode moves enough for its own level to matter."""
    largest = max(each.size / each.course.omega for each in state.found)
    return state.found[index].size / state.found[index].course.omega > _STRAINS * largest


def _best(choices: Sequence[Fit], state: Search, band: Band) -> Fit:
    """The fit of the least criterion, without large parts that cancel and without laws of hardly any levels."""
    most = _CANCELLING * state.largest
    sound = [fit for fit in choices if np.all(np.abs(fit.residues) <= most) and _levels_are_seen(fit, band)]
    return min(sound or choices[:1], key=lambda fit: fit.criterion)


def _levels_are_seen(fit: Fit, band: Band) -> bool:
    """Whether every mode with a law goes through levels enough to have one."""
    for course, residue in zip(fit.courses, fit.residues, strict=True):
        if not course.law.is_linear:
            low, high = level_range(course, np.abs(residue), band)
            if low > _LEAST_RANGE * high:
                return False
    return True


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
    n = fast_length(int(min(len(state.left), max(64, NEPERS * state.rate / _at_least(state, course)))))
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
    best = _best([plain, *upgraded(band, plain, 0, _seen(state, (index,), band))], state, band)
    if best is plain or (more is not None and more.criterion < best.criterion):
        return state
    return with_fit_in_place(state, (index,), best)


def _drift_reach(state: Search, course: Course) -> float:
    """How far a frequency may drift with level, rad/s: 5 %, but no more lines than can be fitted."""
    window = FIT_NEPERS / _at_least(state, course)
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
        reached = min(predicted(band, plain, mode))
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
    """Whether a pole more leaves nothing but noise, which no law for the host promises to come near.

    What one step promises is no bound where two poles within each other's width and of one shape are what a law looks
    like: there the laws are fitted.
    """
    if more.chi2 > more.size + 4.0 * math.sqrt(2.0 * more.size) or not plain.courses[host].law.is_linear:
        return False
    if _is_entangled(more):
        return False
    return min(predicted(band, plain, host)) > more.chi2 + _WORTH_A_LAW + more.unknowns * math.log(more.size)


def _is_entangled(fit: Fit) -> bool:
    """Whether two of a fit lie within each other's half-power widths and have one shape over the channels."""
    poles = [
        Found(course, residue) for course, residue in zip(fit.courses, fit.residues, strict=True) if _rings(course)
    ]
    return any(
        abs(one.course.omega - other.course.omega) < one.course.sigma + other.course.sigma and _of_one_shape(one, other)
        for one, other in combinations(poles, 2)
    )


def _smaller(fit: Fit) -> bool:
    """Whether the last of a fit is smaller than the largest: courses may change places as they are fitted."""
    sizes = np.max(np.abs(fit.residues), axis=1)
    return bool(sizes[-1] < sizes.max())


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


def _refuse(state: Search, peak: Candidate, beside: float | None) -> Search:
    return replace(state, refused=(*state.refused, Refused(peak.omega, peak.sigma, peak.ratio, beside, peak.floor)))


def _settled(state: Search, *, passes: int, last: int | None = None) -> Search:
    """Every mode, or the last found, fitted anew beside its neighbours; drift and noise taken anew."""
    for _ in range(passes):
        waiting = len(state.found) if last is None else last
        for _ in range(waiting):
            # What was fitted goes to the end, so the first of those that wait is the one that waited longest.
            state = _refitted(state, len(state.found) - waiting)
    left = without_drift(state.left)
    whole = left + 0.0
    for each in state.found:
        add_course(whole, each, state.rate, 1.0)
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
        add_course(left, state.found[i], state.rate, 1.0)
        kept[i] = replace(state.found[i], course=fit.courses[place], residue=fit.residues[place])
        add_course(left, kept[i], state.rate, -1.0)
    first = kept.pop(index)
    return replace(state, found=(*kept, first), left=left)


def _united(state: Search) -> Search:
    """Linear poles that are one mode twice made one: where a fit settled on two before its neighbour was known."""
    while (pair := _twice(state)) is not None:
        one, other = pair
        near = [i for i in neighbours(state, state.found[one].course, but=one) if i != other]
        courses = [_between(state.found[one], state.found[other]), *(state.found[i].course for i in near)]
        band = band_of(state, courses, (one, other, *near))
        if band is None:
            return state
        together = with_fit_in_place(state, (one, other, *near), fit_band(band, courses))
        state = _settled(together, passes=1, last=len(courses))
    return state


def _twice(state: Search) -> tuple[int, int] | None:
    """Two that are one mode: closer than a tenth of a bandwidth, of like damping and one shape over the channels."""
    for i, j in combinations(range(len(state.found)), 2):
        one, other = state.found[i], state.found[j]
        narrow, wide = sorted((one.course.sigma, other.course.sigma))
        close = abs(one.course.omega - other.course.omega) < 2.0 * _ONE_MODE * narrow and wide < _LIKE * narrow
        linear = one.course.law.is_linear and other.course.law.is_linear
        if linear and close and _of_one_shape(one, other):
            return i, j
    return None


def _of_one_shape(one: Found, other: Found) -> bool:
    common = abs(complex(np.vdot(one.residue, other.residue)))
    return bool(common > _ONE_SHAPE * np.linalg.norm(one.residue) * np.linalg.norm(other.residue))


def _between(one: Found, other: Found) -> Course:
    """A linear pole between two, nearer to the larger."""
    share = one.size / (one.size + other.size)
    return Course(share * one.course.theta + (1.0 - share) * other.course.theta)


def _simplified(state: Search) -> Search:
    """Pairs within a bandwidth of which one mode that depends on level would say as much, made that one."""
    for omega in [each.course.omega for each in sorted(state.found, key=lambda each: -each.size)]:
        host = next((i for i, each in enumerate(state.found) if each.course.omega == omega), None)
        group = [] if host is None or not _strains(state, host) else _group(state, host)
        merged = _merged(state, group) if len(group) > 1 else None
        if merged is not None:
            state = _settled(with_fit_in_place(state, group, merged), passes=1, last=len(merged.courses))
    return state


def _with_laws_anew(state: Search) -> Search:
    """Modes that depend on level given the law that is borne out once all neighbours and the noise are known."""
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
        last = len(courses) - 1
        powers = (POWERS,) if len(law.damping) > 1 else ()  # in place of a polynomial, never the other way
        laws = (LINEAR, *simpler(law), *powers)
        best = _best([plain, *(with_law(band, plain, last, each) for each in laws)], state, band)
        if best is not plain and _holds_longer(state, both, plain, best):
            state = with_fit_in_place(state, both, best)
    return state


def _holds_longer(state: Search, both: Sequence[int], plain: Fit, best: Fit) -> bool:
    """Whether a plainer fit is still the better one over all the time that it claims to hold for.

    A mode with friction is fitted to where its damping rises beyond averaging; poles claim to go on.
    """
    band = band_of(state, best.courses, both)
    if band is None:
        return False
    chosen = _best([fit_band(band, fit.courses, steps=6) for fit in (plain, best)], state, band)
    return chosen.unknowns == best.unknowns


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
    laws = upgraded(band, single, 0, seen)
    if not courses[0].law.is_linear:  # found beside what belongs to it, and perhaps far from where it is alone
        laws += upgraded(band, fit_band(band, [Course(np.array([courses[0].sigma, courses[0].omega]))]), 0, seen)
    best = _best([single, *laws], state, band)
    return best if best.criterion < present.criterion else _while_averaged(state, group, band, laws)


def _while_averaged(state: Search, group: Sequence[int], band: Band, laws: Sequence[Fit]) -> Fit | None:
    """A law that says more than the courses of a group for as long as averaging holds; None where there is none.

    Friction stops the motion within the last cycles, which no law follows and more poles do; no more may be left of it
    then than such a mode leaves.
    """
    most = MOST_MISFIT**2 * fit_band(band, []).chi2
    for law in sorted((fit for fit in laws if fit.chi2 < most), key=lambda fit: fit.criterion):
        short = band_of(state, law.courses, group)
        if short is None or short.samples >= band.samples:
            continue
        present = fit_band(short, [state.found[i].course for i in group])
        fitted = fit_band(short, law.courses)
        if _best([present, fitted], state, short) is fitted:
            return fitted
    return None


def _far_off(band: Band, single: Fit, present: Fit, seen: Seen | None) -> bool:
    """Whether one course comes nowhere near a group that leaves nothing but noise, even begun at what is seen."""
    if seen is None:
        return True
    tried = (Course(started(seen, law), law) for law in (EVEN, LAWS[0]))
    near = min(fit_band(band, [course], steps=4).chi2 for course in tried)
    return min(near, single.chi2) > _NOWHERE_NEAR * present.chi2


def _rings(course: Course) -> bool:
    """Whether a course is no pulse at the release, which is wide enough to lie close to everything."""
    return course.omega > 2.0 * LOWEST_Q * course.sigma


def _group(state: Search, host: int) -> list[int]:
    """A mode and the largest of the smaller ones that hang together with it, each some bandwidths from another."""
    group, size = [host], state.found[host].size
    least = size * (LEVEL_MISFIT if state.found[host].course.law.is_linear else MISFIT)
    large = [i for i, each in enumerate(state.found) if least < each.size <= size and _rings(each.course)]
    waiting = sorted(large, key=lambda i: -state.found[i].size)
    for i in group:
        one = state.found[i].course
        for j in waiting:
            course = state.found[j].course
            apart = abs(course.omega - one.omega)
            if j not in group and len(group) < _MOST_IN_GROUP and apart < _CLOSE * (course.sigma + one.sigma):
                group.append(j)
    return group
