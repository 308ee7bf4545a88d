"""A tracking filter that the job does not state, recognised by what it does to the modes.

A filter that follows the drive is late by τ = 1/(πB), one τ for all modes and channels. Where the model without a
filter is right, what the slopes of χ² by a filter promise is chance (Rao's score test, Proc. Camb. Phil. Soc. 44 (1948)
50); only where it is not is a filter fitted at all, and only where the same modes without it fit worse by more than
chance does once in a million logs is it claimed. A log that was demodulated here has no such filter.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtri

from reportgen.compute.identify.evidence import evidence, inflation_of_all, threshold
from reportgen.compute.identify.fit import Problem, Solution, refine
from reportgen.compute.identify.hunt import Lateness, Search
from reportgen.compute.identify.model import Poles
from reportgen.compute.identify.prune import prune, without
from reportgen.compute.identify.tracking_filter import by_lateness, through_filter
from reportgen.records.log import Floats

_PROBE = 5.0
_STARTS = (1.0, 5.0, 25.0)
"""Bandwidths in half-power bands of the widest mode: of the filter first asked for, and those to start a fit from."""
_TWIN = 0.33
"""Two modes closer than this share of their half-power band may be one seen through a filter."""
_ODDS = 4.0
"""Twins well within one another's band are what a misfit of any kind looks like: so many times more is asked of them
than of other modes before they are believed in a filter's place."""
_WORTH_A_FIT = 1e-2
"""Chance at which the score, which is cheap, lets a filter be fitted, which is not."""
_SUSPICION = 1e-3
"""Chance of a filter that is not there being suspected: the frequencies are then stated as less certain."""
_STEPS = 10
_SETTLED = 0.3
"""Fall of χ² still to be had, by the quadratic forecast, below which the steps stop."""


@dataclass(frozen=True, slots=True)
class Slope:
    """What a solution says about a filter's lateness, poles and coefficients following it."""

    step_s: float
    """Change of τ that the slope of χ² asks for."""
    gain: float
    """Fall of χ² that goes with it."""
    std_s: float
    """Of τ, for unit noise."""
    poles: Floats
    """Change of (ln f₀, ln ζ) and the kicks that goes with a change of τ by one second, shape (2m + j,)."""


def with_unstated_filter(hunt: Search, solution: Solution, again: Callable[[Solution], Solution]) -> Solution:
    """The same with a tracking filter in the model, where none is stated and the misfit is of that kind.

    Twins of the modes could imitate what a filter does: they are left out before the question is put, and modes are
    sought ``again`` with the filter in place.
    """
    problem = hunt.problem
    if not problem.drive.filter_unknown or hunt.filter is not None or not len(solution.poles):
        return solution
    twins = _twins(solution.poles, evidence(problem, solution).gain.max(axis=1))
    lean = without(hunt, solution, twins, iterations=4) if twins else solution
    widest = float(np.max(lean.poles.frequency_hz / lean.poles.q))
    if score(problem, lean, Lateness.of(problem.drive, 1.0 / (np.pi * widest * _PROBE))) < chdtri(2, _WORTH_A_FIT):
        return solution
    before = problem.readings, problem.extra, list(hunt.mains), list(hunt.lines)
    hunt.filter, found = _best_filter(problem, lean, _starts(hunt, widest))
    hunt.filter_asked, hunt.filter_tried = True, hunt.filter
    plain = lean
    if twins and hunt.filter is not None:
        hunt.forget()
        found = again(prune(hunt, found))
        plain = _unfiltered(problem, found, hunt.filter)
    fewer = max(len(solution.poles) - len(found.poles), 0)
    excess = (found.cost - solution.cost) / inflation_of_all(problem, found)
    if claimed(problem, found, plain) and excess <= _ODDS * fewer * threshold(hunt.searched, 3):
        return found
    hunt.filter = None
    problem.readings, problem.extra, hunt.mains, hunt.lines = before
    problem.use(replace(problem.drive, bandwidth_hz=None))
    return solution


def claimed(problem: Problem, found: Solution, plain: Solution) -> bool:
    """Whether the modes ``plain`` of a filter fit worse than those ``found`` with it by more than chance does."""
    return (plain.cost - found.cost) / inflation_of_all(problem, found) >= threshold(1, 1)


def settled_filter(hunt: Search, solution: Solution) -> Solution:
    """The claimed filter fitted once more at the present weights; without it where the claim does not hold there."""
    if hunt.filter is None:
        return _suspected(hunt, solution) if hunt.filter_asked else solution
    problem = hunt.problem
    hunt.filter, found = _steps(problem, hunt.filter, problem.solve(solution.poles, solution.coefficients))
    plain = _unfiltered(problem, found, hunt.filter)
    if claimed(problem, found, plain):
        hunt.filter_doubt = _doubt(problem, found, hunt.filter)
        return found
    hunt.filter = None
    problem.use(replace(problem.drive, bandwidth_hz=None))
    return plain


def _suspected(hunt: Search, solution: Solution) -> Solution:
    """The solution without a filter, in doubt by as much as one would move it that explains more than chance."""
    problem, plain = hunt.problem, hunt.problem.drive
    if not len(solution.poles):
        return solution
    widest = float(np.max(solution.poles.frequency_hz / solution.poles.q))
    filt, found = _best_filter(problem, solution, _starts(hunt, widest))
    inflation = inflation_of_all(problem, found)
    problem.use(plain)
    if filt is not None and (solution.cost - found.cost) / inflation >= chdtri(1, _SUSPICION):
        hunt.filter_suspected = filt
        hunt.filter_doubt = np.abs(found.poles.parameters - solution.poles.parameters)
    return solution


def slope_of(problem: Problem, solution: Solution, course: Floats) -> Slope:
    """How χ² falls with the lateness of a filter, everything else following."""
    late = [by_lateness(problem.drive, complex(s), course) for s in solution.poles.s]
    at = problem.solve(solution.poles, solution.coefficients, more=(late,))
    information, gradient, follow = _beyond_poles(at, 1)
    left, slope = float(information[0, 0]), float(gradient[0])
    if left <= 1e-12 * float(at.information[-1, -1]):
        return Slope(0.0, 0.0, np.inf, follow[0])
    return Slope(slope / left, slope**2 / left, left**-0.5, follow[0])


def score(problem: Problem, solution: Solution, probe: Lateness) -> float:
    """Fall of χ² that a filter promises, by the slopes alone: where there is none, chi-squared of two degrees.

    To first order a filter is late, which in an exponential sweep a shift of all frequencies imitates; what it smears
    shows to second order only. Hence two directions: the lateness, and what the ``probe`` would do in full.
    """
    drive, poles = problem.drive, [complex(s) for s in solution.poles.s]
    probed = probe.on(drive)
    late = [by_lateness(drive, s, probe.course) for s in poles]
    full = [
        through_filter(probed, s)[0] - pair.upper
        for s, pair in zip(poles, problem.envelopes(solution.poles), strict=True)
    ]
    at = problem.solve(solution.poles, solution.coefficients, more=(late, full))
    information, gradient, _ = _beyond_poles(at, 2)
    scale = 1.0 / np.sqrt(np.maximum(np.diag(at.information)[-2:], 1e-300))
    inverse = np.linalg.pinv(information * np.outer(scale, scale), rcond=1e-10, hermitian=True)
    return float((scale * gradient) @ inverse @ (scale * gradient))


def _beyond_poles(at: Solution, last: int) -> tuple[Floats, Floats, Floats]:
    """Information and gradient of the last unknowns, all others projected out; how those follow, (last, 2m + j)."""
    own, cross, alone = at.information[:-last, :-last], at.information[:-last, -last:], at.information[-last:, -last:]
    scale = 1.0 / np.sqrt(np.maximum(np.diag(own), 1e-300))
    inverse = np.linalg.pinv(own * np.outer(scale, scale), rcond=1e-13, hermitian=True) * np.outer(scale, scale)
    follow = -inverse @ cross
    gradient = at.gradient[-last:] + follow.T @ at.gradient[:-last]
    return np.asarray(alone + follow.T @ cross), np.asarray(gradient), np.asarray(follow.T)


def _twins(poles: Poles, gain: Floats) -> list[int]:
    """The weaker of every two modes that are close within a share of their half-power band."""
    order = [int(k) for k in np.argsort(-gain, kind="stable")]
    return [
        k
        for i, k in enumerate(order)
        if any(
            abs(np.log(poles.frequency_hz[k] / poles.frequency_hz[j])) < _TWIN / min(poles.q[k], poles.q[j])
            for j in order[:i]
        )
    ]


def _starts(hunt: Search, widest_hz: float) -> list[Lateness]:
    """Filters to start a fit from: what the last one came to, else some that the widest half-power band asks for."""
    if hunt.filter_tried is not None:
        return [hunt.filter_tried]
    return [Lateness.of(hunt.problem.drive, 1.0 / (np.pi * widest_hz * times)) for times in _STARTS]


def _best_filter(problem: Problem, solution: Solution, starts: list[Lateness]) -> tuple[Lateness | None, Solution]:
    """The filter that lowers χ² most, from the best of the starts, or None; the problem is left with it."""
    follow = slope_of(problem, solution, starts[0].course).poles
    plain = problem.drive
    best: tuple[Lateness | None, Solution] = (None, solution)
    for each in starts:
        trial = _refined(problem, each, solution, each.tau_s * follow)
        if trial.cost < best[1].cost:
            best = (each, trial)
    if best[0] is None:
        problem.use(plain)
        return best
    problem.use(best[0].on(plain))
    return _steps(problem, best[0], best[1])


def _steps(problem: Problem, filt: Lateness, solution: Solution) -> tuple[Lateness, Solution]:
    """Gauss-Newton steps of τ, the poles refined after each; the problem is left with the filter returned."""
    share = 1.0
    for _ in range(_STEPS):
        slope = slope_of(problem, solution, filt.course)
        if slope.gain < _SETTLED or share < 0.02:
            break
        by = _short(share * slope.step_s, filt)
        later = replace(filt, tau_s=filt.tau_s + by)
        trial = _refined(problem, later, solution, by * slope.poles)
        if trial.cost < solution.cost:
            filt, solution, share = later, trial, 1.0
        else:
            share *= 0.3
            problem.use(filt.on(problem.drive))
    return filt, solution


def _refined(problem: Problem, filt: Lateness, solution: Solution, moved: Floats) -> Solution:
    """Refined with another filter, from poles moved as forecast."""
    problem.use(filt.on(problem.drive))
    poles = solution.poles.moved(solution.poles.parameters + np.clip(moved, -0.05, 0.05))
    return refine(problem, poles, solution.coefficients, iterations=5, tolerance=0.1)


def _unfiltered(problem: Problem, solution: Solution, filt: Lateness) -> Solution:
    """The same modes without the filter; the problem keeps it."""
    filtered = problem.drive
    follow = slope_of(problem, solution, filt.course).poles
    problem.use(replace(filtered, bandwidth_hz=None))
    poles = solution.poles.moved(solution.poles.parameters - np.clip(filt.tau_s * follow, -0.05, 0.05))
    plain = refine(problem, poles, solution.coefficients)
    problem.use(filtered)
    return plain


def _doubt(problem: Problem, solution: Solution, filt: Lateness) -> Floats:
    """Standard uncertainties of (ln f₀, ln ζ), then kicks, for want of a statement about the filter, shape (2m + j,).

    Two parts: τ as far as the log tells it, and its course over frequency. The bandwidth is taken as one in Hz; were it
    in proportion to frequency the modes would lie elsewhere, and anything between is possible: a rectangular
    distribution, of which the values taken are one end (JCGM 100:2008, 4.3.7).
    """
    slope = slope_of(problem, solution, filt.course)
    own = slope.poles * slope.std_s * np.sqrt(inflation_of_all(problem, solution))
    drive = problem.drive
    middle = 2 * np.pi * _where_it_shows(solution)
    other = replace(filt, course=middle / drive.omega)
    proportional = _refined(problem, other, solution, 0.0 * own)
    slope = slope_of(problem, proportional, other.course)
    moved = proportional.poles.parameters + _short(slope.step_s, other) * slope.poles - solution.poles.parameters
    problem.use(drive)
    return np.asarray(np.hypot(own, moved / np.sqrt(3.0)))


def _short(step_s: float, filt: Lateness) -> float:
    """A step of τ that no more than halves or doubles it."""
    return float(np.clip(step_s, -0.5 * filt.tau_s, filt.tau_s))


def _where_it_shows(solution: Solution) -> float:
    """Frequency (Hz) of the mode that is known best: there both kinds of filter are about as late."""
    known = np.diag(solution.information)[: 2 * len(solution.poles) : 2]
    return float(solution.poles.frequency_hz[int(np.argmax(known))])
