"""A stated tracking filter: its order and bandwidth as far as the log tells them, and the delay that stays open.

"Bandwidth 10 Hz" says neither poles nor by whom it was measured. A filter of order n and bandwidth B is late by
D/(πB), D = Σ 1/p over its poles p in units of πB (Butterworth: 1, √2, 2.61 and 5.13 of order 1, 2, 4 and 8), and in an
exponential sweep a delay is a shift of all frequencies in proportion: only what the filter smears tells order and
bandwidth. Both are unknowns with equal odds for every order and for ln B within what is stated; the likelihood of the
rows weighs them. Where it refutes the filter as stated, as a simple RC low-pass, the likeliest takes its place. The
standard uncertainty of the delay is the half width of its 95 % coverage interval over 1.96 (JCGM 101:2008, 7.7).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import CubicSpline

from reportgen.compute.identification.drive import Drive
from reportgen.compute.identification.least_squares import FitProblem, Solution, refine
from reportgen.compute.identification.misfit.ringing import Ringing
from reportgen.compute.identification.modal_model import Poles
from reportgen.compute.identification.mode_evidence import inflation_of_all, threshold
from reportgen.compute.identification.readings import Weights
from reportgen.compute.identification.search_state import RefittedFilter, SearchState
from reportgen.compute.identification.swept_response import Identification
from reportgen.compute.identification.tracking_filter import butterworth, lateness
from reportgen.records.log import Floats
from reportgen.records.result import Resonance

ORDERS = (1, 2, 4, 8)
"""Poles that filters have."""
FILTER_WITHIN = 2.0
"""Factor around a stated bandwidth within which the true one lies, where no tolerance is stated: it may be meant at
−3 dB or as that of noise, from either edge to the middle or from edge to edge."""
_AT_FIRST = 5
"""Bandwidths first tried, of every order."""
_MORE = 5
"""Guard: bandwidths tried besides, where the likelihood is narrower than those are apart."""
_NARROW = 1.0
"""Rise of χ² to the nearest bandwidth tried from which another is tried in between."""
_FINE = 401
"""Bandwidths that the likelihood is summed over."""
_COVERED = 0.95
"""Share of the odds that an interval of the delay covers."""
_SETTLED = 4
"""Steps from poles that were fitted to a few rows more."""
_NORMAL = 1.959964
"""Half width of an interval that covers so much of a normal distribution, in standard deviations."""


@dataclass(frozen=True, slots=True, eq=False)
class _Likelihood:
    """χ² of one order over ln of the bandwidth's factor."""

    order: int
    at: Floats
    """Shape (_FINE,)."""
    cost: Floats
    ln_zeta: Floats
    """ln ζ of every mode where it fits best, shape (_FINE, m)."""

    @property
    def late(self) -> Floats:
        """Delay, in 1/(πB) of the bandwidth stated, shape (_FINE,)."""
        return np.asarray(lateness(self.order) * np.exp(-self.at))


def is_stated(drive: Drive) -> bool:
    """Whether the drive was logged through a filter that the job states, in a sweep."""
    return drive.bandwidth_hz is not None and not drive.filter_unknown and not drive.steady


def with_stated_filter(state: SearchState) -> SearchState:
    """With the filter that the log tells in place of the one stated where it refutes that; in doubt by what is open."""
    problem, solution = state.problem, state.solution
    if not is_stated(problem.drive) or not len(solution.poles):
        return state
    for apart in (False, True):
        if apart:  # what rings after an event must not tell of the filter by itself
            problem = _apart_from_events(problem)
            solution = refine(problem, solution.poles, solution.coefficients, iterations=_SETTLED)
        inflation = inflation_of_all(problem, solution)
        tried = [_likelihood(problem, solution, order, inflation) for order in ORDERS]
        least = min(float(each.cost.min()) for each in tried)
        if solution.cost - least <= threshold(1, 2) * inflation:
            break
    odds = [np.exp(-0.5 * (each.cost - least) / inflation) for each in tried]
    if solution.cost - least > threshold(1, 2) * inflation:
        best = int(np.argmax([each.sum() for each in odds]))
        factor = float(np.exp(_quantile(tried[best].at, odds[best], 0.5)))
        state = _refitted(state, RefittedFilter(order=ORDERS[best], factor=factor))
    return _in_doubt(state, tried, np.concatenate(odds))


def _apart_from_events(problem: FitProblem) -> FitProblem:
    """The problem without rows on which a start, a step or a resumption may still ring.

    What a model does not have of that, modes out of the range above all, must not tell of the filter.
    """
    rings = Ringing.of(problem.drive, np.arange(len(problem.drive.omega))).last >= 0
    calm = ~rings[:, None]
    return replace(problem, weights=Weights(along=problem.weights.along * calm, across=problem.weights.across * calm))


def _refitted(state: SearchState, found: RefittedFilter) -> SearchState:
    """The same modes through another filter than the one stated."""
    solution = state.solution
    problem = _through(state.problem, found.order, found.factor)
    poles = _delayed(state.problem, solution.poles, found.late - 1.0)
    state = replace(state, problem=problem, solution=refine(problem, poles, solution.coefficients, tolerance=1e-3))
    return replace(state.reweighed(), filter=replace(state.filter, refitted=found)).refined(tolerance=1e-3)


def _in_doubt(state: SearchState, tried: list[_Likelihood], odds: Floats) -> SearchState:
    """With frequencies and damping in doubt by what the odds (_FINE · orders,) leave open."""
    poles, used, drive = state.poles, state.filter.refitted, state.problem.drive
    assert drive.bandwidth_hz is not None
    late, factor = (1.0, 1.0) if used is None else (used.late, used.factor)
    std = factor * _std(np.concatenate([each.late for each in tried]), odds, late)
    away = np.concatenate([each.ln_zeta for each in tried]) - np.log(poles.damping_ratio)
    doubt = np.zeros(len(poles.parameters))
    doubt[: 2 * len(poles) : 2] = delay_doubt(drive, std, poles.frequency_hz)
    doubt[1 : 2 * len(poles) : 2] = np.sqrt(odds @ away**2 / odds.sum())
    open_s = std / (np.pi * float(np.median(drive.bandwidth_hz)))
    return replace(state, filter=replace(state.filter, doubt=doubt, open_s=open_s))


def delay_doubt(drive: Drive, std: float, frequency_hz: Floats) -> Floats:
    """Relative standard uncertainty of frequencies (k,) for that of the delay, in 1/(πB) of the drive's bandwidth."""
    if not is_stated(drive):
        return np.zeros_like(frequency_hz)
    assert drive.bandwidth_hz is not None
    nearest = np.argmin(np.abs(drive.omega[:, None] / (2 * np.pi) - frequency_hz), axis=0)
    rate = np.abs(drive.omega_dot / (np.pi * drive.bandwidth_hz * drive.omega))
    return np.asarray(std * rate[nearest])


def with_open_delay(found: Identification, drive: Drive) -> Identification:
    """The same with frequencies in doubt by all that a statement of a bandwidth leaves open: nothing was fitted."""
    if not is_stated(drive):
        return found
    at = np.linspace(-np.log(_within(drive)), np.log(_within(drive)), _FINE)
    late = np.concatenate([lateness(order) * np.exp(-at) for order in ORDERS])
    std = _std(late, np.ones_like(late), 1.0)
    channels = tuple(
        replace(channel, resonances=tuple(_wider(each, drive, std) for each in channel.resonances))
        for channel in found.channels
    )
    return replace(found, channels=channels)


def _wider(each: Resonance, drive: Drive, std: float) -> Resonance:
    """The resonance with its frequency in doubt by that of the delay."""
    if each.frequency_std_hz is None:
        return each
    doubt = each.frequency_hz * float(delay_doubt(drive, std, np.array([each.frequency_hz]))[0])
    std = float(np.hypot(each.frequency_std_hz, doubt))
    return replace(each, frequency_std_hz=std, frequency_std_filter_hz=doubt)


def _within(drive: Drive) -> float:
    """Factor around the bandwidth stated within which the true one lies."""
    return FILTER_WITHIN if drive.bandwidth_tolerance is None else 1.0 + drive.bandwidth_tolerance


def _through(problem: FitProblem, order: int, factor: float) -> FitProblem:
    """The problem of a log that went through a filter of that order, of so many times the bandwidth stated."""
    drive = problem.drive
    assert drive.bandwidth_hz is not None
    return replace(
        problem, drive=replace(drive, bandwidth_hz=factor * drive.bandwidth_hz, filter_poles=butterworth(order))
    )


def _delayed(problem: FitProblem, poles: Poles, late: float) -> Poles:
    """The poles of the same log if it is late by more, in 1/(πB) of the bandwidth stated."""
    drive = problem.drive
    assert drive.bandwidth_hz is not None
    nearest = np.argmin(np.abs(drive.omega[:, None] / (2 * np.pi) - poles.frequency_hz), axis=0)
    moved = poles.parameters.copy()
    share = drive.omega_dot / (np.pi * drive.bandwidth_hz * drive.omega)
    moved[: 2 * len(poles) : 2] -= late * share[nearest]
    return poles.moved(moved)


def _likelihood(problem: FitProblem, solution: Solution, order: int, inflation: float) -> _Likelihood:
    """χ² of an order over its bandwidths, from as many as its course asks for."""
    end = float(np.log(_within(problem.drive)))
    at = [float(x) for x in np.linspace(-end, end, _AT_FIRST)]
    fits = [_fit(problem, solution, order, float(np.exp(x))) for x in at]
    fine = np.linspace(-end, end, _FINE)
    for _ in range(_MORE):
        cost = [each for each, _ in fits]
        course = CubicSpline(at, cost)(fine)
        best = int(np.argmin(course))
        beside = int(np.argmin(np.abs(np.array(at) - fine[best])))
        rise = max(abs(cost[beside] - course[best]), abs(float(np.interp(fine[best], at, cost)) - course[best]))
        if rise < _NARROW * inflation or abs(at[beside] - fine[best]) < 2.0 * end / _FINE:
            break
        place = int(np.searchsorted(at, fine[best]))
        at.insert(place, float(fine[best]))
        fits.insert(place, _fit(problem, solution, order, float(np.exp(fine[best]))))
    cost, ln_zeta = [each for each, _ in fits], np.stack([each for _, each in fits])
    return _Likelihood(order, fine, np.asarray(CubicSpline(at, cost)(fine)), np.asarray(CubicSpline(at, ln_zeta)(fine)))


def _fit(problem: FitProblem, solution: Solution, order: int, factor: float) -> tuple[float, Floats]:
    """χ² and ln ζ (m,) through such a filter, poles moved by the delay and, by forecast, to where they fit best."""
    filtered = _through(problem, order, factor)
    poles = _delayed(problem, solution.poles, lateness(order) / factor - 1.0)
    at = filtered.solve(poles, solution.coefficients)
    scale = 1.0 / np.sqrt(np.maximum(np.diag(at.information), 1e-300))
    inverse = np.linalg.pinv(at.information * np.outer(scale, scale), rcond=1e-12, hermitian=True)
    step = scale * (inverse @ (scale * at.gradient))
    return float(at.cost - at.gradient @ step), (poles.parameters + step)[1 : 2 * len(poles) : 2]


def _quantile(values: Floats, odds: Floats, share: float) -> float:
    """Value below which so much of the odds lies."""
    order = np.argsort(values, kind="stable")
    gathered = np.cumsum(odds[order])
    return float(values[order][np.searchsorted(gathered, share * gathered[-1])])


def _std(late: Floats, odds: Floats, used: float) -> float:
    """Standard uncertainty of the delay ``used``, by the interval around it that covers 95 % of the odds."""
    return _quantile(np.abs(late - used), odds, _COVERED) / _NORMAL
