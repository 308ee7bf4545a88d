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

from reportgen.compute.identify.evidence import MORE_THAN_NOISE, inflation_of_all, price_of_unknowns, schwarz
from reportgen.compute.identify.fit import Problem, Solution, refine
from reportgen.compute.identify.hunt import Search
from reportgen.compute.identify.model import NO_POLES

_VERY_STRONG = 10.0
"""Difference of Schwarz's criterion (Kass and Raftery 1995, table in 3.2)."""


def questionable(problem: Problem, solution: Solution, hunt: Search) -> bool:
    """Whether a moving sweep is a doubtful account of the rows, so that it is worth asking for another."""
    if problem.drive.steady:
        return False
    return _overlap(solution) or hunt.filter is not None or inflation_of_all(problem, solution) > MORE_THAN_NOISE


def _overlap(solution: Solution) -> bool:
    """Whether two modes lie within a half-power band of one another."""
    order = np.argsort(solution.poles.frequency_hz, kind="stable")
    frequency, q = solution.poles.frequency_hz[order], solution.poles.q[order]
    return bool(np.any(np.diff(np.log(frequency)) < 1.0 / np.minimum(q[1:], q[:-1])))


def may_be_steady(moving: tuple[Problem, Solution], still: Problem) -> bool:
    """Whether steady rows could be the better account: whether the same modes fit them about as well.

    No search among so many modes fits them better by much, and it can save no more than the price of all unknowns.
    """
    problem, solution = moving
    same = replace(still, weights=problem.weights, powers=problem.powers, extra=problem.extra)
    poles = replace(solution.poles, kicks=NO_POLES.kicks)
    steady = refine(same, poles, solution.coefficients, iterations=10, tolerance=1.0)
    return steady.cost - solution.cost < price_of_unknowns(problem, solution) - _VERY_STRONG


def steadier(moving: tuple[Problem, Solution], steady: tuple[Problem, Solution]) -> bool:
    """Whether the same rows are steady state rather than what a moving sweep makes of them."""
    no_more = len(steady[1].poles) <= max(len(moving[1].poles), 1)
    return no_more and schwarz(*moving) - schwarz(*steady) > _VERY_STRONG
