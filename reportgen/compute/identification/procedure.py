"""From a run's swept response to its modes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from reportgen.compute.identification.fit_problem import problem_of
from reportgen.compute.identification.least_squares import FitProblem
from reportgen.compute.identification.mode_evidence import MORE_THAN_NOISE, inflation_of_all, schwarz
from reportgen.compute.identification.mode_report import ModeReport, nothing_identified
from reportgen.compute.identification.model_order import search
from reportgen.compute.identification.search_state import SearchState
from reportgen.compute.identification.steady_state import is_questionable, is_steadier, may_be_steady
from reportgen.compute.identification.swept_response import Identification, SweptResponse, usable_rows
from reportgen.records.identified_fact import FactCode, IdentifiedFact

LEAST_ROWS = 12
"""Rows below which nothing can be told from noise."""
_MOST_WITHOUT_PHASE = 9
"""Modes that a first search without phase may ask for before another way is gone."""


def identify_modes(sweep: SweptResponse) -> Identification:
    """Modes of one run from all its channels together, freed of what the sweep did to the log.

    A log without time is taken as steady state, and so is one whose rows show it; a channel without phase is fitted in
    magnitude. All of that is said.
    """
    rows = usable_rows(sweep)
    if rows.sum() < LEAST_ROWS:
        few = IdentifiedFact(code=FactCode.TOO_FEW_ROWS, rows=int(rows.sum()), least_rows=LEAST_ROWS)
        return nothing_identified(sweep, few)
    problem = problem_of(sweep, rows)
    if not problem.readings.valid.any():
        return nothing_identified(sweep, IdentifiedFact(code=FactCode.NOTHING_READ))
    return ModeReport.of(sweep, rows, _searched(sweep, rows, problem)).identification()


def _searched(sweep: SweptResponse, rows: np.ndarray, problem: FitProblem) -> SearchState:
    """The end of the search; where that is in doubt, of another way of searching, or of one for steady state."""
    state = search(problem) if problem.readings.with_phase.all() else _searched_without_phase(problem)
    if is_questionable(state):
        still = problem_of(replace(sweep, time_s=None, drive_cycles=None), rows)
        if may_be_steady(state, still):
            other = search(still, most=len(state.poles) + 1)
            if is_steadier(state, other):
                return other
    return state


def _searched_without_phase(problem: FitProblem) -> SearchState:
    """The end of the search in a run without phase, where a search can get lost among wrong signs.

    It asks for many modes then, or leaves more than noise; another way of searching is gone as well.
    """
    first = search(problem, most=_MOST_WITHOUT_PHASE)
    lost = len(first.poles) > _MOST_WITHOUT_PHASE
    if not lost and _leaves_noise_alone(first):
        return first
    other = search(problem, peaks_first=False)
    if lost and _leaves_noise_alone(other):
        return other
    if lost:
        first = search(problem)
    return min(first, other, key=lambda state: schwarz(state.problem, state.solution))


def _leaves_noise_alone(state: SearchState) -> bool:
    return inflation_of_all(state.problem, state.solution) <= MORE_THAN_NOISE
