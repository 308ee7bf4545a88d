"""Modes taken out again: whatever does not meet the criterion, weakest first."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from reportgen.compute.identify.envelope import Complexes
from reportgen.compute.identify.evidence import LEAST_SHARE, Evidence, evidence, score_of
from reportgen.compute.identify.fit import Problem, Solution, refine, stacked
from reportgen.compute.identify.hunt import Search
from reportgen.compute.identify.kicks import AT_AN_EVENT
from reportgen.compute.identify.mains_line import is_mains
from reportgen.compute.identify.noise import weights_of
from reportgen.compute.identify.normal import Normal
from reportgen.compute.identify.place import neighbours
from reportgen.records.log import Floats

_LEAST_ROWS = 4
_OUTSIDE = 0.4
"""Of the lowest frequency (and one over it of the highest): beyond, a mode is left to the out-of-band terms."""


def prune(hunt: Search, solution: Solution) -> Solution:
    """Take out, weakest first, whatever does not meet the criterion, and remember it as refused."""
    while len(solution.poles):
        found = evidence(hunt.problem, solution)
        objections = [_objection(hunt, solution, k, found) for k in range(len(solution.poles))]
        failing = sorted((strength, k, reason) for k, (strength, reason) in enumerate(objections) if reason)
        if not failing:
            return solution
        leaving: list[int] = []
        for _, k, reason in failing:
            # Of overlapping modes one goes at a time: each may be weak only because the other is there.
            beside = neighbours(solution.poles, float(solution.poles.frequency_hz[k]), float(1 / solution.poles.q[k]))
            if not np.isin(beside, leaving).any():
                leaving.append(k)
                hunt.refuse(float(solution.poles.frequency_hz[k]), float(solution.poles.q[k]), reason)
        solution = without(hunt, solution, leaving, iterations=4)
    return solution


def without(hunt: Search, solution: Solution, leaving: list[int], iterations: int, all_signs: bool = False) -> Solution:
    """The best fit without some modes."""
    problem = hunt.problem
    bases = problem.bases(solution.poles)
    start = [
        _taken_over(problem, c, bases[kind].values, solution.coefficients[c], np.isin(bases[kind].mode, leaving))
        for c, kind in enumerate(problem.readings.kinds)
    ]
    poles = solution.poles.only(~np.isin(np.arange(len(solution.poles)), leaving))
    if not hunt.problem.readings.with_phase.all():
        near = [
            neighbours(poles, float(solution.poles.frequency_hz[k]), float(1 / solution.poles.q[k])) for k in leaving
        ]
        start = hunt.problem.turn_signs(poles, start, None if all_signs else np.unique(np.concatenate(near)))
    return refine(hunt.problem, poles, start, iterations=iterations, tolerance=1.0)


def _taken_over(problem: Problem, c: int, values: Complexes, x: Floats, leaving: np.ndarray) -> Floats:
    """Coefficients of channel c without the ``leaving`` ones (bool); values (P, n), x (P,).

    With phase they are solved for anew. A channel without keeps its model as nearly as the others can make it, lest
    it lose the phase that was found for it.
    """
    if problem.readings.with_phase[c] or not leaving.any():
        return np.asarray(x[~leaving])
    weight = problem.weights.along[:, c]
    rows = stacked(values[~leaving], weight, weight)
    more, _ = Normal.of(rows).solve(rows, stacked((x[leaving] @ values[leaving])[None], weight, weight)[0])
    return np.asarray(x[~leaving] + more)


def _objection(hunt: Search, solution: Solution, k: int, found: Evidence) -> tuple[float, str]:
    """(strength, why it is not a mode or '')."""
    score = float(score_of(found.gain[k], hunt.searched, 1 + int(solution.poles.complex_residue[k])))
    seen = found.gain[k] > 0.2 * found.gain[k].max()
    if score < 1.0:
        return score, "noise"
    drive = hunt.problem.drive.omega / (2 * np.pi)
    if not _OUTSIDE * drive.min() < solution.poles.frequency_hz[k] < drive.max() / _OUTSIDE:
        return 0.0, "far outside the swept range"
    if found.share[k][seen].max(initial=0.0) < LEAST_SHARE:
        return score, "too small to be told from the rest of the response"
    if found.rows[k] < _LEAST_ROWS:
        return score, "rests on too few rows"
    if is_mains(hunt, solution, k):
        return score, "mains"
    if _only_at_an_event(hunt, solution, k):
        return score, "seen only within a few rows of a turn of the level or of the start"
    return score, ""


def _only_at_an_event(hunt: Search, solution: Solution, k: int) -> bool:
    """True where a mode beside an event of the drive has nothing to show for itself on other rows.

    All that a structure does after an event is its own ringing, whose poles are those of its modes: what is left on
    the rows of the event itself tells how the level was turned, not where another mode is.
    """
    problem, poles = hunt.problem, solution.poles
    events = problem.kicks.rows
    if not len(events):
        return False
    drive, f0 = problem.drive, float(poles.frequency_hz[k])
    width = np.maximum(f0 / float(poles.q[k]), np.sqrt(np.abs(drive.omega_dot[events]) / (2 * np.pi)))
    beside = events[np.abs(drive.omega[events] / (2 * np.pi) - f0) < 2.0 * width]
    if not len(beside):
        return False
    since = np.arange(len(drive.omega))[:, None] - beside
    at = np.any((since >= 0) & (since <= AT_AN_EVENT), axis=1)
    elsewhere = problem.readings.valid & ~at[:, None]
    sizes = np.abs(np.stack(solution.models, axis=1))
    rest = replace(
        problem, readings=replace(problem.readings, valid=elsewhere), weights=weights_of(hunt.noise, sizes, elsewhere)
    )
    gain = evidence(rest, rest.solve(poles, solution.coefficients)).gain[k]
    return float(score_of(gain, hunt.searched, 1 + int(poles.complex_residue[k]))) < 1.0
