"""How many modes: added while the data ask for them, kept only where the criterion (``mode_evidence``) says so."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from reportgen.compute.identification.candidates import ResonanceCandidate, bank_of_shapes
from reportgen.compute.identification.elimination import eliminate
from reportgen.compute.identification.final_model import as_wide_as_needed, final_model
from reportgen.compute.identification.findings import RejectionReason
from reportgen.compute.identification.least_squares import FitProblem
from reportgen.compute.identification.mains_recognition import mains_line, with_line
from reportgen.compute.identification.modal_model import NO_POLES
from reportgen.compute.identification.mode_evidence import residual_of, score_of
from reportgen.compute.identification.mode_placement import joined, neighbours, place_mode, refined_around
from reportgen.compute.identification.noise_model import noise_from_scatter
from reportgen.compute.identification.search_state import SearchState
from reportgen.compute.identification.step_timing import first_rows
from reportgen.compute.identification.unstated_filter import with_unstated_filter
from reportgen.records.log import Floats

_ROUNDS = 40
"""Guard against a search without end; a dozen are usual."""
_PASSES = 2
"""Searches for what is left: once more when a filter and the noise are known."""
_MOST_A_ROUND = 12
"""Candidates placed before all modes are moved together: more would be placed beside modes that are not yet right."""
_BESIDE_THE_START = 2.0
"""Widths of a candidate within which of the first frequency it may be what the start left to ring."""


def search(problem: FitProblem, *, most: int | None = None, peaks_first: bool = True) -> SearchState:
    """All modes that the data ask for, with the record of the search; unfinished where they are more than ``most``.

    What is not yet explained counts as one noise over all rows, so that the highest peaks come first; or, not
    ``peaks_first``, as noise in proportion to the response as well.
    """
    return searched_from(begun(problem), most=most, peaks_first=peaks_first)


def begun(problem: FitProblem) -> SearchState:
    """No mode yet; noise from the scatter of the rows, phases in the sense that resonances have."""
    return _with_phase_sense(_begun(problem))


def searched_from(state: SearchState, *, most: int | None = None, peaks_first: bool = True) -> SearchState:
    """The search from a state without modes; unfinished where it asks for more than ``most``."""
    state = _sequential_selection(state, most, peaks_first)
    if most is not None and len(state.poles) > most:
        return state
    state = _with_noise_of_misfit(state)

    def selected(state: SearchState) -> SearchState:
        return _rounds_of_selection(state, most)

    for _ in range(_PASSES):
        state = with_unstated_filter(selected(state), selected)
        state = _with_noise_of_misfit(state)
        if most is not None and len(state.poles) > most:
            return state
    return final_model(eliminate(state))


def _begun(problem: FitProblem) -> SearchState:
    """No mode yet; noise from the scatter of the rows."""
    noise = noise_from_scatter(problem.readings)
    nothing = problem.solve(NO_POLES)
    state = SearchState(problem=problem, solution=nothing, noise=noise, bank=bank_of_shapes(problem.drive))
    state = state.weighed(problem.readings.amplitude)
    return replace(state, solution=state.problem.solve(NO_POLES))


def _with_noise_of_misfit(state: SearchState) -> SearchState:
    """Weights by what the model leaves; what was rejected under the old ones is asked again."""
    return state.reweighed().asking_again().refined()


def _with_phase_sense(state: SearchState) -> SearchState:
    """Phases turned where the log counts them the other way round."""
    if not state.problem.readings.with_phase.any():
        return state
    turned = _turned(state)
    return replace(turned, phase_turned=True) if _explains_more(turned, state) else state


def _turned(state: SearchState) -> SearchState:
    """The same log with its phases counted the other way round."""
    readings = state.problem.readings
    problem = replace(state.problem, readings=replace(readings, turn=np.conj(readings.turn)))
    return replace(state, problem=problem, solution=problem.solve(NO_POLES))


def _explains_more(turned: SearchState, state: SearchState) -> bool:
    """Whether the other sense of phase is right: a response lags its resonance, so the wrong sense fits none.

    The strongest candidates are placed with either sense; the right one explains more of the response. That is not
    asked where the bank itself answers the log as it is more strongly.
    """
    if _explained(turned).max(initial=0.0) <= _explained(state).max(initial=0.0):
        return False
    here, there = _gain_of_three(state), _gain_of_three(turned)
    better = there > _CLEARLY_MORE * here
    return better and turned.solution.cost - there < _CLEARLY_LESS_LEFT * (state.solution.cost - here)


_CLEARLY_MORE = 1.2
"""χ² explained …"""
_CLEARLY_LESS_LEFT = 0.7
"""… and left with phases turned, over the same as logged, from which the log is taken to count the other
way: a wrong sense leaves most of every circle, so the two differ by factors where there is a resonance at all."""


def _gain_of_three(state: SearchState) -> float:
    """χ² that the three strongest candidates explain where they fit best."""
    placements = [place_mode(state, candidate) for candidate in _chosen(state, 3)]
    return float(sum(placement.gain for placement in placements if placement is not None))


def _sequential_selection(state: SearchState, most: int | None, peaks_first: bool) -> SearchState:
    """Modes one after the other, the strongest first, with all that the others leave counted as noise.

    A model that lacks modes is wrong everywhere, and exact readings between the peaks would count for more than the
    peaks: modes would be bent, or added, to follow them. Without phase it has the wrong signs besides.
    """
    least, settled = state.noise, 0
    for _ in range(2 * _ROUNDS):
        state = state.with_misfit_as_noise(least) if peaks_first else state.reweighed()
        whole = len(state.poles) >= _GROWN * settled
        state = state.refined(iterations=8, tolerance=0.3) if whole else state.solved()
        settled = len(state.poles) if whole else settled
        state, chosen = _chosen_beside(state)
        if not chosen and settled < len(state.poles):
            settled = 0
            continue
        if not chosen or (most is not None and len(state.poles) > most) or len(state.poles) >= _ROUNDS:
            break
        if _beside_unasked_start(state, chosen):
            state = replace(state, problem=state.problem.with_start())
            settled = 0
        else:
            state = _admitted(state, chosen, locally=True)
    return state


_GROWN = 1.25
"""Modes over those that were last moved all together from which that is done again: in between only those move that
are beside a new one, for what is far from it hardly answers."""


def _chosen_beside(state: SearchState) -> tuple[SearchState, list[ResonanceCandidate]]:
    """The strongest candidate, asked again once the modes beside it are where they fit best."""
    chosen = _chosen(state, 1)
    if chosen:
        beside = neighbours(state.poles, chosen[0].frequency_hz, chosen[0].width)
        if len(beside):
            state = refined_around(state, beside)
            chosen = _chosen(state, 1)
    return state, chosen


def _rounds_of_selection(state: SearchState, limit: int | None = None) -> SearchState:
    """Rounds of candidates at the present weights until none is left, or modes are more than ``limit``.

    Without phase one a round.
    """
    most = _MOST_A_ROUND if state.problem.readings.with_phase.all() else 1
    for _ in range(_ROUNDS):
        before = len(state.poles)
        chosen = _chosen(state, most)
        if not chosen or (limit is not None and before > limit):
            break
        if _beside_unasked_start(state, chosen):
            state = replace(state, problem=state.problem.with_start()).refined(iterations=8, tolerance=0.3)
            continue
        state = _admitted(state, chosen)
        if len(state.poles) > before:
            state = eliminate(state)
            if len(state.poles) <= before:
                # What was chosen was no mode: it may be what terms for modes outside the band are for.
                wider = as_wide_as_needed(state)
                in_vain = chosen if wider is state else []
                state = replace(wider, without_result=(*wider.without_result, *in_vain))
    return state


def _chosen(state: SearchState, most: int) -> list[ResonanceCandidate]:
    """The strongest candidates, at ``most`` so many: clear of one another and of what was rejected."""
    gain, bank = _explained(state), state.bank
    found = score_of(gain, state.searched, 2) >= 1.0
    found &= ~state.is_rejected(bank.frequency_hz) & ~state.was_without_result()
    return bank.separate(np.where(found, gain.max(axis=1), 0.0), most)


def _beside_unasked_start(state: SearchState, chosen: list[ResonanceCandidate]) -> bool:
    """True where a candidate lies beside the first row and the start is not among the unknowns yet."""
    problem = state.problem
    if problem.drive.steady or len(problem.timing.starts):
        return False
    first = problem.drive.omega[first_rows(problem.drive)] / (2 * np.pi)
    return any(
        np.min(np.abs(np.log(candidate.frequency_hz / first))) < _BESIDE_THE_START * candidate.width
        for candidate in chosen
    )


def _explained(state: SearchState) -> Floats:
    """χ² that one more mode of each shape of the bank would explain, per channel, shape (shapes, c)."""
    return state.bank.explained(residual_of(state.problem.readings, state.solution), state.problem)


def _still_explains(state: SearchState, candidate: ResonanceCandidate) -> bool:
    """Whether a candidate answers above chance after what was taken in before it."""
    residual = residual_of(state.problem.readings, state.solution)
    gain = state.bank.only(candidate.index).explained(residual, state.problem)[0]
    return bool(score_of(gain, state.searched, 2) >= 1.0)


def _admitted(state: SearchState, chosen: list[ResonanceCandidate], *, locally: bool = False) -> SearchState:
    """With each candidate added where it fits best by itself, the strongest first, then all modes moved together.

    Or, ``locally``, those beside what is new.
    """
    before, lines = len(state.poles), len(state.problem.extra)
    for candidate in chosen:
        if not _still_explains(state, candidate):
            continue
        placement = place_mode(state, candidate)
        line = mains_line(state, candidate, 0.0 if placement is None else placement.gain)
        if line is not None:
            state = with_line(state, line)
        elif placement is not None:
            state = joined(state, placement)
        else:
            state = state.rejecting(candidate.frequency_hz, candidate.q, RejectionReason.NOISE)
    if len(state.poles) == before and lines == len(state.problem.extra):
        return state
    if locally and len(state.poles) > before:
        return refined_around(state.with_signs_turned(), np.arange(before, len(state.poles)))
    return state.with_signs_turned().refined(iterations=8, tolerance=0.3)
