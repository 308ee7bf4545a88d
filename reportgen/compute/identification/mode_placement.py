"""One more mode: a candidate is placed where it fits best among the modes beside it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from reportgen.compute.identification.candidates import ResonanceCandidate
from reportgen.compute.identification.least_squares import FitProblem, Solution, refine
from reportgen.compute.identification.modal_model import Poles
from reportgen.compute.identification.mode_evidence import threshold
from reportgen.compute.identification.search_state import SearchState
from reportgen.records.log import Floats

_START_Q = 1.4
"""Q to start from over that of the shape, which is the next lower of the bank's (factor 2): the middle of the step."""
_STRAYED = 4.0
"""Widths of a candidate beyond which a mode that moved away from it is another one."""
_UNKNOWNS = 6
"""Unknowns of a local fit that are counted off its readings: a mode, its residue, the constant term, all complex."""
_OVERLAP = 3.0
"""Half-power bands within which two modes weigh on one another: beyond, 1/(1+36) of the square of a peak is left."""
_REACH = 8.0
"""Widths of a candidate on either side of it that are fitted, up to one e-fold of frequency."""
_REACH_OF_NEIGHBOURS = 4.0
"""Half-power bands of a neighbour that are fitted beyond it."""


@dataclass(frozen=True, slots=True)
class ModePlacement:
    """One more mode where it fits best."""

    frequency_hz: float
    q: float
    own: list[float]
    """Coefficient on each channel."""
    gain: float
    """χ² that it explains."""
    events: Floats
    """Sizes of the events of the drive, as they suit it."""


def place_mode(state: SearchState, candidate: ResonanceCandidate) -> ModePlacement | None:
    """One more mode where it fits best; None where it explains little.

    Only rows around the candidate are fitted, with the modes beside it; the rest of the model is held.
    """
    around = neighbours(state.poles, candidate.frequency_hz, candidate.width)
    problem, start = local_fit(state.problem, state.solution, around, candidate)
    poles = state.poles.only(around)
    without = problem.solve(poles, start, free=np.zeros(len(poles), bool))
    more = poles.joined(candidate.frequency_hz, candidate.q * _START_Q)
    first = first_coefficients(problem, without, more)
    free = np.arange(len(more)) == len(more) - 1
    best = refine(problem, more, first, free=free, iterations=12, tolerance=0.5)
    frequency, q = float(best.poles.frequency_hz[-1]), float(best.poles.q[-1])
    spread = max(1.0, best.cost / max(2 * int(problem.readings.valid.sum()) - _UNKNOWNS, 1))
    gain = without.cost - best.cost
    strayed = abs(np.log(frequency / candidate.frequency_hz)) > _STRAYED * candidate.width
    if gain / spread < threshold(state.searched, 4) or strayed or state.is_rejected(np.array(frequency)):
        return None
    return ModePlacement(frequency, q, [float(x[-1]) for x in best.coefficients], gain, best.poles.events)


def joined(state: SearchState, placement: ModePlacement) -> SearchState:
    """One mode more, nothing else moved."""
    problem, solution, own = state.problem, state.solution, placement.own
    poles = replace(solution.poles.joined(placement.frequency_hz, placement.q), events=placement.events)
    coefficients = [np.append(x, value) for x, value in zip(solution.coefficients, own, strict=True)]
    if not np.array_equal(placement.events, solution.poles.events):
        return replace(state, solution=problem.solve(poles, coefficients))
    bases = problem.bases(poles)
    models = [
        model + value * bases[kind].values[-1]
        for model, value, kind in zip(solution.models, own, problem.readings.kinds, strict=True)
    ]
    return replace(state, solution=replace(solution, poles=poles, coefficients=coefficients, models=models))


def refined_around(state: SearchState, modes: np.ndarray) -> SearchState:
    """Some modes (indices) and those beside them moved to the least cost on their own rows, all else held there.

    All coefficients are then solved for again, on all rows. Of channels with phase; where there are others all modes
    are moved together, lest signs be lost.
    """
    problem, solution = state.problem, state.solution
    around = _with_neighbours(solution.poles, modes)
    if not problem.readings.with_phase.all() or 2 * len(around) > len(solution.poles):
        return state.refined(iterations=8, tolerance=0.3)
    part, start = _held_but(problem, solution, around, _span_of(problem, solution.poles, around))
    moved = refine(part, solution.poles.only(around), start, iterations=8, tolerance=0.3).poles
    frequency, damping = solution.poles.frequency_hz.copy(), solution.poles.damping_ratio.copy()
    frequency[around], damping[around] = moved.frequency_hz, moved.damping_ratio
    poles = replace(solution.poles, frequency_hz=frequency, damping_ratio=damping, events=moved.events)
    return replace(state, solution=problem.solve(poles, solution.coefficients, np.zeros(len(poles), bool)))


def _with_neighbours(poles: Poles, modes: np.ndarray) -> np.ndarray:
    """The modes and those that overlap them, indices."""
    beside = [neighbours(poles, float(poles.frequency_hz[k]), float(1.0 / poles.q[k])) for k in modes]
    return np.unique(np.concatenate([modes, *beside]).astype(int))


def _span_of(problem: FitProblem, poles: Poles, around: np.ndarray) -> np.ndarray:
    """Rows that some modes are seen on, indices."""
    frequency = problem.drive.omega / (2 * np.pi)
    reach = np.minimum(_REACH_OF_NEIGHBOURS / poles.q[around], 1.0)
    rate = np.interp(poles.frequency_hz[around], *_rising(frequency, np.abs(problem.drive.omega_dot)))
    smeared = _REACH_OF_NEIGHBOURS * np.sqrt(rate / (2 * np.pi)) / poles.frequency_hz[around]
    away = np.abs(np.log(frequency[:, None] / poles.frequency_hz[around]))
    rows = np.flatnonzero(np.any(away < np.maximum(reach, smeared), axis=1))
    return rows if len(rows) else np.arange(len(frequency))


def _rising(frequency: Floats, rate: Floats) -> tuple[Floats, Floats]:
    order = np.argsort(frequency, kind="stable")
    return frequency[order], rate[order]


def neighbours(poles: Poles, frequency_hz: float, width: float) -> np.ndarray:
    """Modes that overlap a place, indices."""
    apart = np.abs(np.log(poles.frequency_hz / frequency_hz))
    return np.flatnonzero(apart < _OVERLAP * np.maximum(width, 1.0 / poles.q))


def local_fit(
    problem: FitProblem, solution: Solution, around: np.ndarray, candidate: ResonanceCandidate
) -> tuple[FitProblem, list[Floats]]:
    """The rows around a candidate with the modes ``around`` free and everything else held; first coefficients."""
    frequency = problem.drive.omega / (2 * np.pi)
    reach = min(_REACH * candidate.width, 1.0)
    if len(around):
        beyond = np.log(solution.poles.frequency_hz[around] / candidate.frequency_hz)
        beyond += _REACH_OF_NEIGHBOURS / solution.poles.q[around]
        reach = max(reach, float(np.max(np.abs(beyond))))
    rows = np.flatnonzero(np.abs(np.log(frequency / candidate.frequency_hz)) < reach)
    return _held_but(problem, solution, around, rows)


def _held_but(
    problem: FitProblem, solution: Solution, around: np.ndarray, rows: np.ndarray, powers: tuple[int, ...] = (0,)
) -> tuple[FitProblem, list[Floats]]:
    """The problem over some rows (indices) with all held but the modes ``around``, and their first coefficients."""
    bases = problem.bases(solution.poles)
    offset, start = [], []
    for c, kind in enumerate(problem.readings.kinds):
        own = np.isin(bases[kind].mode, around)
        offset.append(solution.models[c] - solution.coefficients[c][own] @ bases[kind].values[own])
        start.append(np.append(np.zeros(len(powers)), solution.coefficients[c][own]))
    lack = max(0, _FEWEST - int(rows[-1] - rows[0] + 1))
    first, last = max(0, int(rows[0]) - lack), min(len(problem.drive.omega), int(rows[-1]) + 1 + lack)
    return problem.part(first, last, offset, powers), start


_FEWEST = 4
"""Rows that modes are moved on, at least: as many as one mode has unknowns. Beyond the end of a sweep it may reach but
the last one."""

_SMOOTH = (0, 2, 3)
"""Powers of s of what far modes may change on a few rows when one is taken out: size, slope and a part out of phase."""


def lost_without(state: SearchState, k: int) -> float:
    """χ² that the rows of mode k lose without it, however the modes beside it move and what is far changes smoothly.

    Of channels with phase; less than all rows would lose, but for what the whole model can still mend.
    """
    problem, solution = state.problem, state.solution
    around = _with_neighbours(solution.poles, np.array([k]))
    part, start = _held_but(problem, solution, around, _span_of(problem, solution.poles, around), _SMOOTH)
    with_it = part.solve(solution.poles.only(around), start, np.zeros(len(around), bool))
    others = around != k
    bases = part.bases(with_it.poles)
    kept = [
        np.isin(bases[kind].mode, np.flatnonzero(others)) | (bases[kind].mode < 0) for kind in problem.readings.kinds
    ]
    rest = [x[own] for x, own in zip(with_it.coefficients, kept, strict=True)]
    poles = with_it.poles.only(others)
    return refine(part, poles, rest, iterations=15, tolerance=1.0).cost - with_it.cost


def first_coefficients(problem: FitProblem, without: Solution, poles: Poles) -> list[Floats]:
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
