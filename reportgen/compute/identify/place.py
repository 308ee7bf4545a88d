"""One more mode: a candidate is placed where it fits best among the modes beside it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from reportgen.compute.identify.evidence import threshold
from reportgen.compute.identify.fit import Problem, Solution, refine
from reportgen.compute.identify.hunt import Search
from reportgen.compute.identify.model import Poles
from reportgen.compute.identify.start import Candidate
from reportgen.records.log import Floats


@dataclass(frozen=True, slots=True)
class Placed:
    """One more mode where it fits best."""

    frequency_hz: float
    q: float
    own: list[float]
    """Coefficient on each channel."""
    gain: float
    """χ² that it explains."""
    kicks: Floats
    """Of the level's steps, as they suit it."""


def place(hunt: Search, solution: Solution, candidate: Candidate) -> Placed | None:
    """One more mode where it fits best; None where it explains little.

    Only rows around the candidate are fitted, with the modes beside it; the rest of the model is held.
    """
    around = neighbours(solution.poles, candidate.frequency_hz, candidate.width)
    problem, start = _local(hunt.problem, solution, around, candidate)
    poles = solution.poles.only(around)
    without = problem.solve(poles, start, free=np.zeros(len(poles), bool))
    more = poles.joined(candidate.frequency_hz, candidate.q * 1.4)
    first = _first_coefficients(problem, without, more)
    free = np.arange(len(more)) == len(more) - 1
    best = refine(problem, more, first, free=free, iterations=12, tolerance=0.5)
    frequency, q = float(best.poles.frequency_hz[-1]), float(best.poles.q[-1])
    spread = max(1.0, best.cost / max(2 * int(problem.readings.valid.sum()) - 6, 1))
    gain = without.cost - best.cost
    strayed = abs(np.log(frequency / candidate.frequency_hz)) > 4.0 * candidate.width
    if gain / spread < threshold(hunt.searched, 4) or strayed or hunt.is_refused(np.array(frequency)):
        return None
    return Placed(frequency, q, [float(x[-1]) for x in best.coefficients], gain, best.poles.kicks)


def joined(problem: Problem, solution: Solution, placed: Placed) -> Solution:
    """The solution with one mode more, nothing else moved."""
    own = placed.own
    poles = replace(solution.poles.joined(placed.frequency_hz, placed.q), kicks=placed.kicks)
    if not np.array_equal(placed.kicks, solution.poles.kicks):
        start = [np.append(x, value) for x, value in zip(solution.coefficients, own, strict=True)]
        return problem.solve(poles, start)
    bases = problem.bases(poles)
    return replace(
        solution,
        poles=poles,
        coefficients=[np.append(x, value) for x, value in zip(solution.coefficients, own, strict=True)],
        models=[
            model + value * bases[kind].values[-1]
            for model, value, kind in zip(solution.models, own, problem.readings.kinds, strict=True)
        ],
    )


def neighbours(poles: Poles, frequency_hz: float, width: float) -> np.ndarray:
    """Modes that overlap a place, indices."""
    apart = np.abs(np.log(poles.frequency_hz / frequency_hz))
    return np.flatnonzero(apart < 3.0 * np.maximum(width, 1.0 / poles.q))


def _local(
    problem: Problem, solution: Solution, around: np.ndarray, candidate: Candidate
) -> tuple[Problem, list[Floats]]:
    """The rows around a candidate with the modes ``around`` free and everything else held; first coefficients."""
    frequency = problem.drive.omega / (2 * np.pi)
    reach = min(8.0 * candidate.width, 1.0)
    if len(around):
        reach = max(reach, float(np.max(np.abs(np.log(solution.poles.frequency_hz[around] / candidate.frequency_hz)
                                               + 4.0 / solution.poles.q[around]))))  # fmt: skip
    rows = np.flatnonzero(np.abs(np.log(frequency / candidate.frequency_hz)) < reach)
    bases = problem.bases(solution.poles)
    offset, start = [], []
    for c, kind in enumerate(problem.readings.kinds):
        own = np.isin(bases[kind].mode, around)
        offset.append(solution.models[c] - solution.coefficients[c][own] @ bases[kind].values[own])
        start.append(np.append(0.0, solution.coefficients[c][own]))
    return problem.part(int(rows[0]), int(rows[-1]) + 1, offset, (0,)), start


def _first_coefficients(problem: Problem, without: Solution, poles: Poles) -> list[Floats]:
    """First coefficients with one more mode; a channel without phase starts from the better of both signs."""
    start = [np.append(x, 0.0) for x in without.coefficients]
    if problem.readings.with_phase.all():
        return start
    bases = problem.bases(poles)
    for c, kind in enumerate(problem.readings.kinds):
        column = np.abs(bases[kind].values[-1])
        peak = int(np.argmax(column))
        start[c][-1] = problem.readings.amplitude[peak, c] / max(float(column[peak]), 1e-300)
    return problem.turn_signs(poles, start, range(len(poles) - 1, len(poles)))
