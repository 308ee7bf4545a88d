"""Modes taken out again: whatever does not meet the criterion, weakest first."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from reportgen.compute.identification.envelope import Complexes
from reportgen.compute.identification.findings import RejectionReason
from reportgen.compute.identification.least_squares import FitProblem, refine, stacked
from reportgen.compute.identification.mains_recognition import explains_mode, line_band, without_band
from reportgen.compute.identification.mode_evidence import LEAST_SHARE, ModeEvidence, mode_evidence, score_of
from reportgen.compute.identification.mode_placement import neighbours
from reportgen.compute.identification.noise_model import weights_of
from reportgen.compute.identification.normal_equations import Normal
from reportgen.compute.identification.search_state import MainsBand, SearchState
from reportgen.compute.identification.step_timing import AT_AN_EVENT
from reportgen.records.log import Floats

FEWEST_ROWS = 4
"""Rows that a mode must stand out on: as many as it has unknowns (frequency, damping, complex residue)."""
_OUTSIDE = 0.4
"""Of the lowest frequency (and one over it of the highest): beyond, a mode is left to the out-of-band terms."""
_SEES_IT = 0.2
"""Of the best channel's gain from which another channel sees a mode, too."""
_BESIDE_AN_EVENT = 2.0
"""Widths of a mode within which of an event's frequency it may be made of it."""


def eliminate(state: SearchState) -> SearchState:
    """Take out, weakest first, whatever does not meet the criterion, and remember it as rejected."""
    while len(state.poles):
        found = mode_evidence(state.problem, state.solution)
        failing: list[tuple[float, int, RejectionReason]] = []
        for k in range(len(state.poles)):
            strength, reason, band = objection(state, k, found)
            state = state if band is None else without_band(state, band)
            if reason is not None:
                failing.append((strength, k, reason))
        if not failing:
            return state
        leaving: list[int] = []
        for _, k, reason in sorted(failing):
            # Of overlapping modes one goes at a time: each may be weak only because the other is there.
            frequency, q = float(state.poles.frequency_hz[k]), float(state.poles.q[k])
            beside = neighbours(state.poles, frequency, float(1 / state.poles.q[k]))
            if not np.isin(beside, leaving).any():
                leaving.append(k)
                state = state.rejecting(frequency, q, reason)
        state = without_modes(state, leaving, iterations=4)
    return state


def without_modes(state: SearchState, leaving: list[int], iterations: int, all_signs: bool = False) -> SearchState:
    """The best fit without some modes."""
    problem, solution = state.problem, state.solution
    bases = problem.bases(solution.poles)
    start = [
        _taken_over(problem, c, bases[kind].values, solution.coefficients[c], np.isin(bases[kind].mode, leaving))
        for c, kind in enumerate(problem.readings.kinds)
    ]
    poles = solution.poles.only(~np.isin(np.arange(len(solution.poles)), leaving))
    if not problem.readings.with_phase.all():
        near = [
            neighbours(poles, float(solution.poles.frequency_hz[k]), float(1 / solution.poles.q[k])) for k in leaving
        ]
        start = problem.turn_signs(poles, start, None if all_signs else np.unique(np.concatenate(near)))
    return replace(state, solution=refine(problem, poles, start, iterations=iterations, tolerance=1.0))


def _taken_over(problem: FitProblem, c: int, values: Complexes, x: Floats, leaving: np.ndarray) -> Floats:
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


def objection(
    state: SearchState, k: int, found: ModeEvidence
) -> tuple[float, RejectionReason | None, MainsBand | None]:
    """(strength, why it is not a mode or None, band of a mains line that is to be left out or None)."""
    poles = state.poles
    score = float(score_of(found.gain[k], state.searched, 1 + int(poles.complex_residue[k])))
    seen = found.gain[k] > _SEES_IT * found.gain[k].max()
    if score < 1.0:
        return score, RejectionReason.NOISE, None
    drive = state.problem.drive.omega / (2 * np.pi)
    if not _OUTSIDE * drive.min() < poles.frequency_hz[k] < drive.max() / _OUTSIDE:
        return 0.0, RejectionReason.OUTSIDE_RANGE, None
    if found.share[k][seen].max(initial=0.0) < LEAST_SHARE:
        return score, RejectionReason.TOO_SMALL, None
    if found.rows[k] < FEWEST_ROWS:
        return score, RejectionReason.TOO_FEW_ROWS, None
    if explains_mode(state, k):
        return score, RejectionReason.MAINS, None
    band = line_band(state, k)
    if band is not None:
        return score, RejectionReason.MAINS, band
    if _only_at_an_event(state, k):
        return score, RejectionReason.ONLY_AT_EVENT, None
    return score, None, None


def _only_at_an_event(state: SearchState, k: int) -> bool:
    """True where a mode beside an event of the drive has nothing to show for itself on other rows.

    All that a structure does after an event is its own ringing, whose poles are those of its modes: what is left on
    the rows of the event itself tells how the level was turned, not where another mode is.
    """
    problem, poles = state.problem, state.poles
    events = problem.timing.rows
    if not len(events):
        return False
    drive, f0 = problem.drive, float(poles.frequency_hz[k])
    width = np.maximum(f0 / float(poles.q[k]), np.sqrt(np.abs(drive.omega_dot[events]) / (2 * np.pi)))
    beside = events[np.abs(drive.omega[events] / (2 * np.pi) - f0) < _BESIDE_AN_EVENT * width]
    if not len(beside):
        return False
    since = np.arange(len(drive.omega))[:, None] - beside
    at = np.any((since >= 0) & (since <= AT_AN_EVENT), axis=1)
    elsewhere = problem.readings.valid & ~at[:, None]
    rest = replace(
        problem,
        readings=replace(problem.readings, valid=elsewhere),
        weights=weights_of(state.noise, state.solution.sizes, elsewhere),
    )
    gain = mode_evidence(rest, rest.solve(poles, state.solution.coefficients, np.zeros(len(poles), bool)), [k]).gain[k]
    return float(score_of(gain, state.searched, 1 + int(poles.complex_residue[k]))) < 1.0
