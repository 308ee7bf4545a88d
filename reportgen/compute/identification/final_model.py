"""The last decisions on a model: terms for what lies outside the band, complex residues, modes that overlap."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.special import chdtri

from reportgen.compute.identification.elimination import eliminate, without_modes
from reportgen.compute.identification.findings import RejectionReason
from reportgen.compute.identification.least_squares import FitProblem, Solution, refine, stacked
from reportgen.compute.identification.modal_model import DIRECT_POWERS, Poles
from reportgen.compute.identification.mode_evidence import mode_evidence, threshold
from reportgen.compute.identification.mode_placement import lost_without
from reportgen.compute.identification.search_state import SearchState
from reportgen.compute.identification.stated_filter import with_stated_filter
from reportgen.compute.identification.unstated_filter import final_filter
from reportgen.records.log import Floats

_LAST_LOOKS = 2
"""Times that every mode is asked again whether it is needed: once more when the noise is known to the end."""
_LOOSE = 0.05
"""Chance at which a term for modes outside the band is kept though there is none: the usual limit of significance."""
_MOST_CLUSTERS = 4
"""Guard: clusters that are resolved, one after the other."""
_SHARPEST = 3
"""Modes of a cluster that are tried as the only one."""
_SUBSTITUTE = 0.4
"""Of the highest Q, below which a mode without phase may only make up for wrong signs of the sharp ones …"""
_NEAR = 1.5
"""… where another lies within so many of its half-power bands."""
_BROADEST = (8.0, 3.0)
"""Q below which such modes are tried without, where all of them together cannot be spared."""
_OVERLAP = 2.0
"""Half-power bands of the sharper of two modes within which they overlap."""
_PLAINLY = 4.0
"""Times the limit of chance that a mode's own rows must lose without it, for it to stay without asking all rows."""
_NO_WIDER = 250.0
"""Q that stands for the width of a rejected twin: its neighbour must remain free to be asked."""


def final_model(state: SearchState) -> SearchState:
    """Decide which residues are complex and which terms stand for what lies outside the band; last elimination."""
    state = _with_final_signs(as_wide_as_needed(state))
    state = _one_of_each_cluster(_without_sign_substitutes(state))
    state = _complex_where_needed(_merged(state))
    for look in range(_LAST_LOOKS):
        modes = len(state.poles)
        state = _merged(eliminate(state))
        if look and len(state.poles) == modes:
            break
        if len(state.poles) < modes:
            # What was taken out may have stood for what lies outside the band; the terms must take that over.
            state = as_wide_as_needed(state.reweighed())
        for _ in range(3):
            state = state.reweighed().refined(tolerance=1e-3)
    return with_stated_filter(final_filter(state))


def _with_final_signs(state: SearchState) -> SearchState:
    """With the signs of the modes that suit channels without phase best, and the noise that is then left."""
    if state.problem.readings.with_phase.all():
        return state
    return state.with_signs_turned().refined().reweighed().refined(iterations=10)


def as_wide_as_needed(state: SearchState) -> SearchState:
    """With every term for modes outside the band that the data ask for; the same state where they ask for none."""
    for power in DIRECT_POWERS[1:]:
        state = _wider(state, power)
    return state


def _wider(state: SearchState, power: int) -> SearchState:
    """The same with one more term for modes outside the band, kept where it explains more than noise does as a rule.

    The limit is loose: a term too many costs little, a term too few leans on the damping of the modes in the band.
    """
    solution, before = state.solution, state.problem.powers
    if power in before:
        return state
    problem = replace(state.problem, powers=(*before, power))
    start = [np.insert(x, len(before), 0.0) for x in solution.coefficients]
    trial = problem.solve(solution.poles, start)
    if solution.cost - trial.cost <= float(chdtri(len(problem.readings.kinds), _LOOSE)):
        return state
    found = refine(problem, solution.poles, trial.coefficients, iterations=10, tolerance=0.1)
    return replace(state, problem=problem, solution=found)


def _complex_where_needed(state: SearchState) -> SearchState:
    """Let the residue of a mode be complex where that explains more than chance would."""
    problem, solution = state.problem, state.solution
    channels = int(problem.readings.with_phase.sum())
    if channels == 0:
        return state  # magnitudes hardly tell the phase of a residue from a shift of frequency
    least = threshold(1000, channels)
    gains = _gains_if_complex(problem, solution)
    for k in np.flatnonzero(~solution.poles.complex_residue):
        if gains is not None and gains[k] <= least:
            continue
        flags = solution.poles.complex_residue.copy()
        flags[k] = True
        bases = problem.bases(solution.poles)
        start = [
            np.insert(x, int(np.flatnonzero(bases[kind].mode == k)[-1]) + 1, 0.0)
            for x, kind in zip(solution.coefficients, problem.readings.kinds, strict=True)
        ]
        poles = replace(solution.poles, complex_residue=flags)
        trial = problem.solve(poles, start)
        gain = solution.cost - trial.cost
        if gain > least and gain / mode_evidence(problem, trial, [int(k)]).inflation_of(int(k)) > least:
            solution = refine(problem, poles, trial.coefficients, iterations=8, tolerance=0.1)
            gains = _gains_if_complex(problem, solution)
    return replace(state, solution=solution)


def _gains_if_complex(problem: FitProblem, solution: Solution) -> Floats | None:
    """χ² that a complex residue of each mode by itself would explain, poles held, (m,); None without phase.

    A column more explains the square of its part that the others leave over, along what they leave of the readings.
    """
    if not problem.readings.with_phase.all():
        return None
    poles = solution.poles
    more = problem.bases(replace(poles, complex_residue=np.ones(len(poles), bool)))
    gains = np.zeros(len(poles))
    for c, at in enumerate(problem.tangents(solution, slopes=False)):
        assert at.across is not None
        last = [int(np.flatnonzero(more[problem.readings.kinds[c]].mode == k)[-1]) for k in range(len(poles))]
        extra = stacked(more[problem.readings.kinds[c]].values[last], at.along, at.across)
        own = np.einsum("kn,kn->k", extra, extra)
        beyond = extra - at.normal.divide(at.rows @ extra.T).T @ at.rows
        square = np.einsum("kn,kn->k", beyond, beyond)
        told = square > 1e-12 * own
        gains[told] += (beyond[told] @ at.left) ** 2 / square[told]
    return gains


def _without_sign_substitutes(state: SearchState) -> SearchState:
    """Without phase: do without the broad modes that only make up for wrong signs of the sharp ones, where possible."""
    if state.problem.readings.with_phase.any() or len(state.poles) < 2:
        return state
    q, frequency = state.poles.q, state.poles.frequency_hz
    broad = [
        k for k in range(len(q))
        if q[k] < _SUBSTITUTE * np.max(q)
        and np.any(np.abs(np.log(np.delete(frequency, k) / frequency[k])) < _NEAR / q[k])
    ]  # fmt: skip
    for leaving in (broad, *([k for k in broad if q[k] < limit] for limit in _BROADEST)):
        if not leaving:
            continue
        trial = without_modes(state, leaving, iterations=15, all_signs=True)
        inflation = _typical_inflation(trial) if len(trial.poles) else 1.0
        if (trial.solution.cost - state.solution.cost) / inflation < len(leaving) * threshold(state.searched, 3):
            return trial
    return state


def _typical_inflation(state: SearchState) -> float:
    """Of the noise variance around the modes, median."""
    return float(np.median(mode_evidence(state.problem, state.solution).inflation))


def _one_of_each_cluster(state: SearchState) -> SearchState:
    """Without phase: one mode for a cluster that overlaps, where it fits as well; one at a time would not do."""
    if state.problem.readings.with_phase.any():
        return state
    for _ in range(_MOST_CLUSTERS):
        reduced = (_alone_of(state, cluster) for cluster in _clusters(state.poles))
        found = next((one for one in reduced if one is not None), None)
        if found is None:
            break
        state = found
    return state


def _clusters(poles: Poles) -> list[np.ndarray]:
    """Three and more modes each of which overlaps the next, indices in the order of frequency."""
    order = np.argsort(poles.frequency_hz, kind="stable")
    gap = np.diff(np.log(poles.frequency_hz[order])) > _OVERLAP / np.minimum(poles.q[order][1:], poles.q[order][:-1])
    return [cluster for cluster in np.split(order, np.flatnonzero(gap) + 1) if len(cluster) > 2]


def _alone_of(state: SearchState, cluster: np.ndarray) -> SearchState | None:
    """The fit with one mode of a cluster left, sharpest first, where chance would explain the rest; else None."""
    least = (len(cluster) - 1) * threshold(state.searched, 2 + len(state.problem.readings.kinds))
    for k in cluster[np.argsort(-state.poles.q[cluster], kind="stable")][:_SHARPEST]:
        trial = without_modes(state, [int(i) for i in cluster if i != k], iterations=25, all_signs=True)
        if (trial.solution.cost - state.solution.cost) / _typical_inflation(trial) < least:
            return trial
    return None


def _merged(state: SearchState) -> SearchState:
    """Take one of two overlapping modes out again unless the other, left alone, fits worse beyond chance.

    So with a mode at a step of the level: what followed the step may have been taken for it before the step was fitted.
    """
    least = threshold(state.searched, 2 + len(state.problem.readings.kinds))
    for k in range(len(state.poles) - 1, -1, -1):
        poles = state.poles
        apart = np.abs(np.log(np.delete(poles.frequency_hz, k) / poles.frequency_hz[k]))
        overlaps = np.min(apart - _OVERLAP / np.minimum(np.delete(poles.q, k), poles.q[k]), initial=np.inf) <= 0.0
        if not overlaps and not _at_an_event(state.problem, float(poles.frequency_hz[k]), float(poles.q[k])):
            continue
        inflation = mode_evidence(state.problem, state.solution, [k]).inflation_of(k)
        if state.problem.readings.with_phase.all() and lost_without(state, k) / inflation > _PLAINLY * least:
            continue
        trial = without_modes(state, [k], iterations=15)
        if (trial.solution.cost - state.solution.cost) / inflation < least:
            reason = RejectionReason.NEIGHBOUR_SUFFICES
            state = trial.rejecting(float(poles.frequency_hz[k]), _NO_WIDER, reason)
    return state


def _at_an_event(problem: FitProblem, frequency_hz: float, q: float) -> bool:
    """True where the level was turned, or the log began, within two bandwidths of a mode."""
    at = problem.drive.omega[problem.timing.rows] / (2 * np.pi)
    return bool(np.any(np.abs(np.log(at / frequency_hz)) < 2.0 / q))
