"""Rows that show steady vibration although they carry a time: stepped sine, or values waited for at each row.

Fitted as a moving sweep such a log takes several modes that overlap, or a filter that is not there, to imitate one
mode that had time to build up, or leaves more than noise. Wherever that is so, the rows are fitted as steady state,
too; that is taken where it needs no more modes and Schwarz's criterion (Ann. Statist. 6 (1978) 461) speaks for it very
strongly (Kass and Raftery, JASA 90 (1995) 773).
"""

from __future__ import annotations

import numpy as np

from reportgen.compute.identify.evidence import inflation_of_all
from reportgen.compute.identify.fit import Problem, Solution
from reportgen.compute.identify.hunt import Search

_VERY_STRONG = 10.0
"""Difference of Schwarz's criterion (Kass and Raftery 1995, table in 3.2)."""


_MORE_THAN_NOISE = 2.0
"""Inflation of the noise variance over the whole run."""


def signs_in_doubt(problem: Problem, solution: Solution) -> bool:
    """Whether a fit without phase leaves more than noise: it may have got stuck with wrong signs."""
    return not bool(problem.readings.with_phase.all()) and inflation_of_all(problem, solution) > _MORE_THAN_NOISE


def questionable(problem: Problem, solution: Solution, hunt: Search) -> bool:
    """Whether a moving sweep is a doubtful account of the rows, so that it is worth asking for another."""
    if problem.drive.steady:
        return False
    return _overlap(solution) or hunt.filter is not None or inflation_of_all(problem, solution) > _MORE_THAN_NOISE


def _overlap(solution: Solution) -> bool:
    """Whether two modes lie within a half-power band of one another."""
    order = np.argsort(solution.poles.frequency_hz, kind="stable")
    frequency, q = solution.poles.frequency_hz[order], solution.poles.q[order]
    return bool(np.any(np.diff(np.log(frequency)) < 1.0 / np.minimum(q[1:], q[:-1])))


def steadier(moving: tuple[Problem, Solution], steady: tuple[Problem, Solution]) -> bool:
    """Whether the same rows are steady state rather than what a moving sweep makes of them."""
    no_more = len(steady[1].poles) <= max(len(moving[1].poles), 1)
    return no_more and schwarz(*moving) - schwarz(*steady) > _VERY_STRONG


def schwarz(problem: Problem, solution: Solution) -> float:
    """−2 ln likelihood of the readings at the noise found, plus ln(readings) for every unknown."""
    along, across = problem.weights.along, problem.weights.across * problem.readings.with_phase
    weights = np.concatenate([along[along > 0], across[across > 0]])
    unknowns = 2 * len(solution.poles) + sum(len(each) for each in solution.coefficients)
    return float(solution.cost - 2.0 * np.sum(np.log(weights)) + unknowns * np.log(len(weights)))
