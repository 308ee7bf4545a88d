"""How many modes: added while the data ask for them, kept only where the criterion (``evidence``) says so."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from reportgen.compute.identify.evidence import residual_of, score_of
from reportgen.compute.identify.fit import Problem, Solution, refine
from reportgen.compute.identify.hunt import Search
from reportgen.compute.identify.mains_line import mains_line, with_line
from reportgen.compute.identify.model import NO_POLES
from reportgen.compute.identify.noise import noise_from_scatter
from reportgen.compute.identify.place import joined, place
from reportgen.compute.identify.prune import prune
from reportgen.compute.identify.settle import as_wide_as_needed, settle
from reportgen.compute.identify.start import Candidate, bank_of_shapes
from reportgen.compute.identify.unstated_filter import with_unstated_filter
from reportgen.records.log import Floats

_ROUNDS = 40
"""Guard against a search without end; a dozen are usual."""
_PASSES = 2
"""Searches for what is left: once more when a filter and the noise are known."""
_MOST_A_ROUND = 12


def search(problem: Problem, *, most: int | None = None, peaks_first: bool = True) -> tuple[Solution, Search]:
    """All modes that the data ask for, with the search that found them; unfinished where they are more than ``most``.

    What is not yet explained counts as one noise over all rows, so that the highest peaks come first; or, not
    ``peaks_first``, as noise in proportion to the response as well.
    """
    readings = problem.readings
    hunt = Search(problem, noise_from_scatter(readings), bank_of_shapes(problem.drive))
    hunt.weigh(readings.amplitude)
    solution = problem.solve(NO_POLES)
    if _phase_is_turned(hunt, solution):
        problem.readings = replace(readings, turn=np.conj(readings.turn))
        hunt.phase_turned = True
        solution = problem.solve(NO_POLES)
    solution = _by_and_by(hunt, solution, most, peaks_first)
    if most is not None and len(solution.poles) > most:
        return solution, hunt
    hunt.reweigh(solution)
    hunt.forget()
    solution = refine(problem, solution.poles, solution.coefficients)
    for _ in range(_PASSES):
        solution = _hunted(hunt, solution)
        solution = with_unstated_filter(hunt, solution, lambda start: _hunted(hunt, start))
        hunt.reweigh(solution)
        hunt.forget()
        solution = refine(problem, solution.poles, solution.coefficients)
    solution = prune(hunt, solution)
    return settle(hunt, solution), hunt


def _phase_is_turned(hunt: Search, solution: Solution) -> bool:
    """True where the log counts phase the other way round: a response lags its resonance, so the wrong sense fits none.

    The strongest candidates are placed with either sense; the right one explains more of the response. That is not
    asked where the bank itself answers the log as it is more strongly.
    """
    problem = hunt.problem
    if not problem.readings.with_phase.any():
        return False
    turned = replace(problem, readings=replace(problem.readings, turn=np.conj(problem.readings.turn)))
    other = Search(turned, hunt.noise, hunt.bank)
    answers = [float(_explained(each, each.problem.solve(NO_POLES)).max(initial=0.0)) for each in (hunt, other)]
    if answers[1] <= answers[0]:
        return False
    gains = []
    for each in (hunt, other):
        start = each.problem.solve(NO_POLES)
        placed = [place(each, start, candidate) for candidate in _chosen(each, start, 3)]
        gains.append((sum(one.gain for one in placed if one is not None), start.cost))
    here, there = gains
    return there[0] > 1.2 * here[0] and there[1] - there[0] < 0.7 * (here[1] - here[0])


def _by_and_by(hunt: Search, solution: Solution, most: int | None, peaks_first: bool) -> Solution:
    """Modes one after the other, the strongest first, with all that the others leave counted as noise.

    A model that lacks modes is wrong everywhere, and exact readings between the peaks would count for more than the
    peaks: modes would be bent, or added, to follow them. Without phase it has the wrong signs besides.
    """
    own = hunt.noise
    for _ in range(_ROUNDS):
        if peaks_first:
            hunt.count_as_noise(own, solution)
        else:
            hunt.reweigh(solution)
        solution = refine(hunt.problem, solution.poles, solution.coefficients, iterations=8, tolerance=0.3)
        chosen = _chosen(hunt, solution, 1)
        if not chosen or (most is not None and len(solution.poles) > most):
            break
        if _at_the_start(hunt, chosen):
            hunt.problem.ask_for_start()
            continue
        solution = _admit(hunt, solution, chosen)
    return solution


def _hunted(hunt: Search, solution: Solution) -> Solution:
    """Rounds of candidates at the present weights until none is left; without phase one a round."""
    most = _MOST_A_ROUND if hunt.problem.readings.with_phase.all() else 1
    for _ in range(_ROUNDS):
        before = len(solution.poles)
        chosen = _chosen(hunt, solution, most)
        if not chosen:
            break
        if _at_the_start(hunt, chosen):
            hunt.problem.ask_for_start()
            solution = refine(hunt.problem, solution.poles, solution.coefficients, iterations=8, tolerance=0.3)
            continue
        solution = _admit(hunt, solution, chosen)
        if len(solution.poles) > before:
            solution = prune(hunt, solution)
            if len(solution.poles) <= before:
                # What was chosen was no mode: it may be what terms for modes outside the band are for.
                wider = as_wide_as_needed(hunt, solution)
                hunt.in_vain += chosen if wider is solution else []
                solution = wider
    return solution


def _chosen(hunt: Search, solution: Solution, most: int) -> list[Candidate]:
    """The strongest candidates, at ``most`` so many: clear of one another and of what was refused."""
    gain = _explained(hunt, solution)
    found = (score_of(gain, hunt.searched, 2) >= 1.0) & ~hunt.is_refused(hunt.bank.frequency_hz) & ~hunt.was_in_vain()
    return hunt.bank.separate(np.where(found, gain.max(axis=1), 0.0), most)


_BESIDE_THE_START = 2.0
"""Widths of a candidate within which of the first frequency it may be what the start left to ring."""


def _at_the_start(hunt: Search, chosen: list[Candidate]) -> bool:
    """True where a candidate lies beside the first row and the start is not among the unknowns yet."""
    problem = hunt.problem
    if problem.drive.steady or len(problem.kicks.starts):
        return False
    first = float(problem.drive.omega[0]) / (2 * np.pi)
    return any(abs(np.log(each.frequency_hz / first)) < _BESIDE_THE_START * each.width for each in chosen)


def _explained(hunt: Search, solution: Solution) -> Floats:
    """χ² that one more mode of each shape of the bank would explain, per channel, shape (shapes, c)."""
    return hunt.bank.explained(residual_of(hunt.problem.readings, solution), hunt.problem)


def _admit(hunt: Search, solution: Solution, chosen: list[Candidate]) -> Solution:
    """Add each candidate where it fits best by itself, the strongest first, then move all modes together."""
    before, lines = len(solution.poles), len(hunt.problem.extra)
    for each in chosen:
        residual = residual_of(hunt.problem.readings, solution)
        if score_of(hunt.bank.only(each.index).explained(residual, hunt.problem)[0], hunt.searched, 2) < 1.0:
            continue
        placed = place(hunt, solution, each)
        line = mains_line(hunt, solution, each, 0.0 if placed is None else placed.gain)
        if line is not None:
            solution = with_line(hunt, solution, line)
        elif placed is not None:
            solution = joined(hunt.problem, solution, placed)
        else:
            hunt.refuse(each.frequency_hz, each.q, "noise")
    if len(solution.poles) == before and lines == len(hunt.problem.extra):
        return solution
    start = solution.coefficients
    if not hunt.problem.readings.with_phase.all():
        start = hunt.problem.turn_signs(solution.poles, start)
    return refine(hunt.problem, solution.poles, start, iterations=8, tolerance=0.3)
