"""Rows that show steady vibration although they carry a time: stepped sine, or values waited for at each row.

Fitted as a moving sweep such a log takes several modes that overlap, or a filter that is not there, to imitate one
mode that had time to build up, or leaves more than noise. Wherever that is so, the rows are fitted as steady state,
too; that is taken where it needs no more modes and Schwarz's criterion (Ann. Statist. 6 (1978) 461) speaks for it very
strongly (Kass and Raftery, JASA 90 (1995) 773). The search for it begins where the modes found would fit steady rows
about as well, and ends as soon as it asks for more modes.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from reportgen.compute.identification.least_squares import FitProblem, Solution, refine
from reportgen.compute.identification.modal_model import NO_POLES, Poles
from reportgen.compute.identification.mode_evidence import (
    MORE_THAN_NOISE,
    inflation_of_all,
    mode_evidence,
    price_of_unknowns,
    schwarz,
)
from reportgen.compute.identification.readings import Weights
from reportgen.compute.identification.search_state import SearchState
from reportgen.records.log import Floats

_VERY_STRONG = 10.0
"""Difference of Schwarz's criterion (Kass and Raftery 1995, table in 3.2)."""


def is_questionable(state: SearchState) -> bool:
    """Whether a moving sweep is a doubtful account of the rows, so that it is worth asking for another."""
    problem, solution = state.problem, state.solution
    if problem.drive.steady:
        return False
    doubtful = _overlap(solution) or state.filter.claimed is not None
    return doubtful or inflation_of_all(problem, solution) > MORE_THAN_NOISE


def _overlap(solution: Solution) -> bool:
    """Whether two modes lie within a half-power band of one another."""
    order = np.argsort(solution.poles.frequency_hz, kind="stable")
    frequency, q = solution.poles.frequency_hz[order], solution.poles.q[order]
    return bool(np.any(np.diff(np.log(frequency)) < 1.0 / np.minimum(q[1:], q[:-1])))


def may_be_steady(moving: SearchState, still: FitProblem) -> bool:
    """Whether steady rows could be the better account: whether the same modes fit them about as well.

    No search among so many modes fits them better by much, and it can save no more than the price of all unknowns. Of
    modes that overlap, which a moving sweep may take to imitate one, one alone is tried as well.
    """
    problem, solution = moving.problem, moving.solution
    same = replace(still, weights=problem.weights, powers=problem.powers, extra=problem.extra)
    most = solution.cost + price_of_unknowns(problem, solution) - _VERY_STRONG
    poles = replace(solution.poles, events=NO_POLES.events)
    if refine(same, poles, solution.coefficients, iterations=10, tolerance=1.0).cost < most:
        return True
    single = poles.only(_strongest_of_each(solution.poles, mode_evidence(problem, solution).gain.max(axis=1)))
    return len(single) < len(poles) and _cost_from_afar(same, single) < most


def _cost_from_afar(problem: FitProblem, poles: Poles) -> float:
    """χ² of modes that begin far from where they fit: every reading first counts alike, then as it is known.

    Readings known to 1e-4 on the flanks of a peak would hold a mode in the wrong place.
    """
    weights, valid = problem.weights, problem.readings.valid
    even = np.where(valid, float(np.median(weights.along[valid])), 0.0)
    first = refine(replace(problem, weights=Weights(along=even, across=even)), poles, None, tolerance=1.0)
    return refine(problem, first.poles, first.coefficients, iterations=10, tolerance=1.0).cost


def _strongest_of_each(poles: Poles, gain: Floats) -> np.ndarray:
    """Modes of which no stronger one lies within a half-power band, indices in the order of frequency."""
    kept: list[int] = []
    for k in np.argsort(-gain, kind="stable"):
        apart = np.abs(np.log(poles.frequency_hz[kept] / poles.frequency_hz[k]))
        if np.all(apart >= 1.0 / np.minimum(poles.q[kept], poles.q[k])):
            kept.append(int(k))
    return np.array(sorted(kept, key=lambda k: float(poles.frequency_hz[k])), int)


def is_steadier(moving: SearchState, steady: SearchState) -> bool:
    """Whether the same rows are steady state rather than what a moving sweep makes of them."""
    no_more = len(steady.poles) <= max(len(moving.poles), 1)
    gain = schwarz(moving.problem, moving.solution) - schwarz(steady.problem, steady.solution)
    return no_more and gain > _VERY_STRONG
