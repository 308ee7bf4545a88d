"""The last decisions on a model: terms for what lies outside the band, complex residues, modes that overlap."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.special import chdtri

from reportgen.compute.identify.evidence import evidence, threshold
from reportgen.compute.identify.fit import Problem, Solution, refine
from reportgen.compute.identify.hunt import Search
from reportgen.compute.identify.model import DIRECT_POWERS, Poles
from reportgen.compute.identify.prune import prune, without
from reportgen.compute.identify.unstated_filter import settled_filter

_LAST_LOOKS = 2
"""Times that every mode is asked again whether it is needed: once more when the noise is known to the end."""
_LOOSE = 0.05
_MOST_CROWDS = 4
_SHARPEST = 3
"""Modes of a crowd that are tried as the only one."""


def settle(hunt: Search, solution: Solution) -> Solution:
    """Decide which residues are complex and which terms stand for what lies outside the band; last prune."""
    problem = hunt.problem
    solution = _with_signs_turned(hunt, as_wide_as_needed(hunt, solution))
    solution = _single(hunt, _leaner(hunt, solution))
    solution = _merge(hunt, solution)
    solution = _complex_where_needed(hunt, solution)
    for look in range(_LAST_LOOKS):
        modes = len(solution.poles)
        solution = _merge(hunt, prune(hunt, solution))
        if look and len(solution.poles) == modes:
            break
        if len(solution.poles) < modes:
            # What was taken out may have stood for what lies outside the band; the terms must take that over.
            hunt.reweigh(solution)
            solution = as_wide_as_needed(hunt, solution)
        for _ in range(3):
            hunt.reweigh(solution)
            solution = refine(problem, solution.poles, solution.coefficients, tolerance=1e-3)
    return settled_filter(hunt, solution)


def _with_signs_turned(hunt: Search, solution: Solution) -> Solution:
    """With the signs of the modes that suit channels without phase best, and the noise that is then left."""
    problem = hunt.problem
    if problem.readings.with_phase.all():
        return solution
    solution = refine(problem, solution.poles, problem.turn_signs(solution.poles, solution.coefficients))
    hunt.reweigh(solution)
    return refine(problem, solution.poles, solution.coefficients, iterations=10)


def as_wide_as_needed(hunt: Search, solution: Solution) -> Solution:
    """With every term for modes outside the band that the data ask for."""
    for power in DIRECT_POWERS[1:]:
        solution = _wider(hunt, solution, power)
    return solution


def _wider(hunt: Search, solution: Solution, power: int) -> Solution:
    """The same with one more term for modes outside the band, kept where it explains more than noise does as a rule.

    The limit is loose: a term too many costs little, a term too few leans on the damping of the modes in the band.
    """
    problem = hunt.problem
    before = problem.powers
    if power in before:
        return solution
    problem.powers = (*before, power)
    start = [np.insert(x, len(before), 0.0) for x in solution.coefficients]
    trial = problem.solve(solution.poles, start)
    if solution.cost - trial.cost > float(chdtri(len(problem.readings.kinds), _LOOSE)):
        return refine(problem, solution.poles, trial.coefficients, iterations=10, tolerance=0.1)
    problem.powers = before
    return solution


def _complex_where_needed(hunt: Search, solution: Solution) -> Solution:
    """Let the residue of a mode be complex where that explains more than chance would."""
    problem = hunt.problem
    channels = int(problem.readings.with_phase.sum())
    if channels == 0:
        return solution  # magnitudes hardly tell the phase of a residue from a shift of frequency
    least = threshold(1000, channels)
    for k in np.flatnonzero(~solution.poles.complex_residue):
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
        if gain > least and gain / evidence(problem, trial).inflation_of(int(k)) > least:
            solution = refine(problem, poles, trial.coefficients, iterations=8, tolerance=0.1)
    return solution


def _leaner(hunt: Search, solution: Solution) -> Solution:
    """Without phase: do without the broad modes that only make up for wrong signs of the sharp ones, where possible."""
    if hunt.problem.readings.with_phase.any() or len(solution.poles) < 2:
        return solution
    q, frequency = solution.poles.q, solution.poles.frequency_hz
    broad = [
        k for k in range(len(q))
        if q[k] < 0.4 * np.max(q) and np.any(np.abs(np.log(np.delete(frequency, k) / frequency[k])) < 1.5 / q[k])
    ]  # fmt: skip
    for leaving in (broad, [k for k in broad if q[k] < 8.0], [k for k in broad if q[k] < 3.0]):
        if not leaving:
            continue
        trial = without(hunt, solution, leaving, iterations=15, all_signs=True)
        inflation = float(np.median(evidence(hunt.problem, trial).inflation)) if len(trial.poles) else 1.0
        if (trial.cost - solution.cost) / inflation < len(leaving) * threshold(hunt.searched, 3):
            return trial
    return solution


def _single(hunt: Search, solution: Solution) -> Solution:
    """Without phase: one mode for a crowd of them that overlap, where it fits as well; one at a time would not do."""
    if hunt.problem.readings.with_phase.any():
        return solution
    for _ in range(_MOST_CROWDS):
        lone = next(filter(None, (_lone(hunt, solution, crowd) for crowd in _crowds(solution.poles))), None)
        if lone is None:
            break
        solution = lone
    return solution


def _crowds(poles: Poles) -> list[np.ndarray]:
    """Three and more modes each of which overlaps the next, indices in the order of frequency."""
    order = np.argsort(poles.frequency_hz, kind="stable")
    gap = np.diff(np.log(poles.frequency_hz[order])) > 2.0 / np.minimum(poles.q[order][1:], poles.q[order][:-1])
    return [crowd for crowd in np.split(order, np.flatnonzero(gap) + 1) if len(crowd) > 2]


def _lone(hunt: Search, solution: Solution, crowd: np.ndarray) -> Solution | None:
    """The fit with one mode of a crowd left, sharpest first, where chance would explain the rest; else None."""
    least = (len(crowd) - 1) * threshold(hunt.searched, 2 + len(hunt.problem.readings.kinds))
    for k in crowd[np.argsort(-solution.poles.q[crowd], kind="stable")][:_SHARPEST]:
        trial = without(hunt, solution, [int(i) for i in crowd if i != k], iterations=25, all_signs=True)
        inflation = float(np.median(evidence(hunt.problem, trial).inflation))
        if (trial.cost - solution.cost) / inflation < least:
            return trial
    return None


def _merge(hunt: Search, solution: Solution) -> Solution:
    """Take one of two overlapping modes out again unless the other, left alone, fits worse beyond chance.

    So with a mode at a step of the level: what followed the step may have been taken for it before the step was fitted.
    """
    least = threshold(hunt.searched, 2 + len(hunt.problem.readings.kinds))
    for k in range(len(solution.poles) - 1, -1, -1):
        poles = solution.poles
        apart = np.abs(np.log(np.delete(poles.frequency_hz, k) / poles.frequency_hz[k]))
        overlaps = np.min(apart - 2.0 / np.minimum(np.delete(poles.q, k), poles.q[k]), initial=np.inf) <= 0.0
        if not overlaps and not _at_a_step(hunt.problem, float(poles.frequency_hz[k]), float(poles.q[k])):
            continue
        trial = without(hunt, solution, [k], iterations=15)
        if (trial.cost - solution.cost) / evidence(hunt.problem, solution).inflation_of(k) < least:
            hunt.refuse(float(poles.frequency_hz[k]), 250.0, "its neighbour alone fits as well")
            solution = trial
    return solution


def _at_a_step(problem: Problem, frequency_hz: float, q: float) -> bool:
    """True where the level was turned, or the log began, within two bandwidths of a mode."""
    at = problem.drive.omega[problem.kicks.rows] / (2 * np.pi)
    return bool(np.any(np.abs(np.log(at / frequency_hz)) < 2.0 / q))
