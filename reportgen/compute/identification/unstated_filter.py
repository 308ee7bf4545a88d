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

from reportgen.compute.identification.elimination import eliminate, without_modes
from reportgen.compute.identification.least_squares import FitProblem, Solution, refine
from reportgen.compute.identification.modal_model import Poles
from reportgen.compute.identification.mode_evidence import inflation_of_all, mode_evidence, threshold
from reportgen.compute.identification.search_state import FilterDelay, SearchState, UnstatedFilter
from reportgen.compute.identification.tracking_filter import by_delay, through_filter
from reportgen.records.log import Floats

_PROBE = 5.0
"""Bandwidth, in half-power bands of the widest mode, of the filter first asked for."""
_STARTS = (1.0, 5.0, 25.0)
"""Bandwidths, in the same, to start a fit from."""
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
"""Guard: steps of τ; three are usual."""
_SHORTER = 0.3
"""Factor on a step of τ after one that raised χ²."""
_LEAST_STEP = 0.02
"""Share of the forecast step below which no more is tried."""
_FORECAST = 0.05
"""Most that ln f₀ and ln ζ are moved ahead of a fit by linear forecast."""
_SETTLED = 0.3
"""Fall of χ² still to be had, by the quadratic forecast, below which the steps stop."""


@dataclass(frozen=True, slots=True)
class DelaySlope:
    """What a solution says about a filter's lateness, poles and coefficients following it."""

    step_s: float
    """Change of τ that the slope of χ² asks for."""
    gain: float
    """Fall of χ² that goes with it."""
    std_s: float
    """Of τ, for unit noise."""
    poles: Floats
    """Change of (ln f₀, ln ζ) and the events that goes with a change of τ by one second, shape (2m + j,)."""


def with_unstated_filter(state: SearchState, again: Callable[[SearchState], SearchState]) -> SearchState:
    """The same with a tracking filter in the model, where none is stated and the misfit is of that kind.

    Twins of the modes could imitate what a filter does: they are left out before the question is put, and modes are
    sought ``again`` with the filter in place.
    """
    problem, solution = state.problem, state.solution
    if not problem.drive.filter_unknown or state.filter.claimed is not None or not len(solution.poles):
        return state
    twins = _twins(solution.poles, mode_evidence(problem, solution).gain.max(axis=1))
    lean = without_modes(state, twins, iterations=4) if twins else state
    widest = float(np.max(lean.poles.frequency_hz / lean.poles.q))
    probe = FilterDelay.of(problem.drive, 1.0 / (np.pi * widest * _PROBE))
    if score(problem, lean.solution, probe) < chdtri(2, _WORTH_A_FIT):
        return state
    best = _best_filter(problem, lean.solution, _starts(state, widest))
    found = replace(lean, problem=best.problem, solution=best.solution, filter=_tried(best.filter))
    plain = lean.solution
    if twins and best.filter is not None:
        found = again(eliminate(found.asking_again()))
        plain = _unfiltered(found.problem, found.solution, best.filter)
    fewer = max(len(solution.poles) - len(found.poles), 0)
    excess = (found.solution.cost - solution.cost) / inflation_of_all(found.problem, found.solution)
    holds = claimed(found.problem, found.solution, plain)
    if holds and excess <= _ODDS * fewer * threshold(state.searched, 3):
        return found
    return replace(state, filter=replace(found.filter, claimed=None))


def _tried(filter_: FilterDelay | None) -> UnstatedFilter:
    """The record of a filter that was fitted."""
    return UnstatedFilter(claimed=filter_, asked=True, tried=filter_)


def claimed(problem: FitProblem, found: Solution, plain: Solution) -> bool:
    """Whether the modes ``plain`` of a filter fit worse than those ``found`` with it by more than chance does."""
    return (plain.cost - found.cost) / inflation_of_all(problem, found) >= threshold(1, 1)


def final_filter(state: SearchState) -> SearchState:
    """The claimed filter fitted once more at the present weights; without it where the claim does not hold there."""
    filter_ = state.filter.claimed
    if filter_ is None:
        return _with_suspicion(state) if state.filter.asked else state
    solved = state.problem.solve(state.solution.poles, state.solution.coefficients)
    best = _stepped_delay(Filtered(filter_, state.problem, solved))
    plain = _unfiltered(best.problem, best.solution, best.delay)
    if claimed(best.problem, best.solution, plain):
        record = replace(state.filter, claimed=best.filter, doubt=_doubt(best))
        return replace(state, problem=best.problem, solution=best.solution, filter=record)
    return replace(state, problem=_plain(state.problem), solution=plain, filter=replace(state.filter, claimed=None))


def _with_suspicion(state: SearchState) -> SearchState:
    """The solution without a filter, in doubt by as much as one would move it that explains more than chance."""
    solution = state.solution
    if not len(solution.poles):
        return state
    widest = float(np.max(solution.poles.frequency_hz / solution.poles.q))
    best = _best_filter(state.problem, solution, _starts(state, widest))
    inflation = inflation_of_all(best.problem, best.solution)
    if best.filter is None or (solution.cost - best.solution.cost) / inflation < chdtri(1, _SUSPICION):
        return state
    doubt = np.abs(best.solution.poles.parameters - solution.poles.parameters)
    return replace(state, filter=replace(state.filter, suspected=best.filter, doubt=doubt))


def slope_of(problem: FitProblem, solution: Solution, course: Floats) -> DelaySlope:
    """How χ² falls with the lateness of a filter, everything else following."""
    late = [by_delay(problem.drive, complex(s), course) for s in solution.poles.s]
    at = problem.solve(solution.poles, solution.coefficients, more=(late,))
    information, gradient, follow = _beyond_poles(at, 1)
    left, slope = float(information[0, 0]), float(gradient[0])
    if left <= 1e-12 * float(at.information[-1, -1]):
        return DelaySlope(0.0, 0.0, np.inf, follow[0])
    return DelaySlope(slope / left, slope**2 / left, left**-0.5, follow[0])


def score(problem: FitProblem, solution: Solution, probe: FilterDelay) -> float:
    """Fall of χ² that a filter promises, by the slopes alone: where there is none, chi-squared of two degrees.

    To first order a filter is late, which in an exponential sweep a shift of all frequencies imitates; what it smears
    shows to second order only. Hence two directions: the lateness, and what the ``probe`` would do in full.
    """
    drive, poles = problem.drive, [complex(s) for s in solution.poles.s]
    probed = probe.on(problem).drive
    late = [by_delay(drive, s, probe.course) for s in poles]
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


def _starts(state: SearchState, widest_hz: float) -> list[FilterDelay]:
    """Filters to start a fit from: what the last one came to, else some that the widest half-power band asks for."""
    if state.filter.tried is not None:
        return [state.filter.tried]
    return [FilterDelay.of(state.problem.drive, 1.0 / (np.pi * widest_hz * times)) for times in _STARTS]


@dataclass(frozen=True, slots=True, eq=False)
class Filtered:
    """A problem as logged through a filter, with its solution; ``filter`` None: as it was without one."""

    filter: FilterDelay | None
    problem: FitProblem
    solution: Solution

    @property
    def delay(self) -> FilterDelay:
        """The filter, where there is one. Raises ValueError."""
        assert self.filter is not None
        return self.filter


def _best_filter(problem: FitProblem, solution: Solution, starts: list[FilterDelay]) -> Filtered:
    """The filter that lowers χ² most, from the best of the starts; none where none lowers it."""
    follow = slope_of(problem, solution, starts[0].course).poles
    best = Filtered(None, problem, solution)
    for start in starts:
        trial = _refined(problem, start, solution, start.tau_s * follow)
        if trial.solution.cost < best.solution.cost:
            best = trial
    return best if best.filter is None else _stepped_delay(best)


def _stepped_delay(best: Filtered) -> Filtered:
    """Gauss-Newton steps of τ, the poles refined after each."""
    share = 1.0
    for _ in range(_STEPS):
        slope = slope_of(best.problem, best.solution, best.delay.course)
        if slope.gain < _SETTLED or share < _LEAST_STEP:
            break
        by = _short(share * slope.step_s, best.delay)
        later = replace(best.delay, tau_s=best.delay.tau_s + by)
        trial = _refined(best.problem, later, best.solution, by * slope.poles)
        if trial.solution.cost < best.solution.cost:
            best, share = trial, 1.0
        else:
            share *= _SHORTER
    return best


def _refined(problem: FitProblem, filter_: FilterDelay, solution: Solution, moved: Floats) -> Filtered:
    """Refined with another filter, from poles moved as forecast."""
    filtered = filter_.on(problem)
    poles = solution.poles.moved(solution.poles.parameters + np.clip(moved, -_FORECAST, _FORECAST))
    found = refine(filtered, poles, solution.coefficients, iterations=5, tolerance=0.1)
    return Filtered(filter_, filtered, found)


def _plain(problem: FitProblem) -> FitProblem:
    """The problem of a log that went through no filter."""
    return replace(problem, drive=replace(problem.drive, bandwidth_hz=None))


def _unfiltered(problem: FitProblem, solution: Solution, filter_: FilterDelay) -> Solution:
    """The same modes without the filter that the problem has."""
    follow = slope_of(problem, solution, filter_.course).poles
    moved = np.clip(filter_.tau_s * follow, -_FORECAST, _FORECAST)
    poles = solution.poles.moved(solution.poles.parameters - moved)
    return refine(_plain(problem), poles, solution.coefficients)


def _doubt(best: Filtered) -> Floats:
    """Standard uncertainties of (ln f₀, ln ζ), then of the events, for want of a statement about the filter, (2m + j,).

    Two parts: τ as far as the log tells it, and its course over frequency. The bandwidth is taken as one in Hz; were it
    in proportion to frequency the modes would lie elsewhere, and anything between is possible: a rectangular
    distribution, of which the values taken are one end (JCGM 100:2008, 4.3.7).
    """
    problem, solution = best.problem, best.solution
    slope = slope_of(problem, solution, best.delay.course)
    own = slope.poles * slope.std_s * np.sqrt(inflation_of_all(problem, solution))
    middle = 2 * np.pi * _where_it_shows(solution)
    other = _refined(problem, replace(best.delay, course=middle / problem.drive.omega), solution, 0.0 * own)
    slope = slope_of(other.problem, other.solution, other.delay.course)
    moved = other.solution.poles.parameters + _short(slope.step_s, other.delay) * slope.poles
    return np.asarray(np.hypot(own, (moved - solution.poles.parameters) / np.sqrt(3.0)))


def _short(step_s: float, filt: FilterDelay) -> float:
    """A step of τ that no more than halves or doubles it."""
    return float(np.clip(step_s, -0.5 * filt.tau_s, filt.tau_s))


def _where_it_shows(solution: Solution) -> float:
    """Frequency (Hz) of the mode that is known best: there both kinds of filter are about as late."""
    known = np.diag(solution.information)[: 2 * len(solution.poles) : 2]
    return float(solution.poles.frequency_hz[int(np.argmax(known))])
