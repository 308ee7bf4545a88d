"""Mains hum told from modes: a line in the model where that explains more, its band left out where it does not."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from reportgen.compute.identification.candidates import ResonanceCandidate
from reportgen.compute.identification.envelope import Complexes
from reportgen.compute.identification.least_squares import FitProblem, Solution
from reportgen.compute.identification.mains_columns import half_width, line_columns, nearest_line
from reportgen.compute.identification.mode_evidence import mode_evidence, residual_of, score_of, threshold
from reportgen.compute.identification.search_state import MainsBand, ModelledLine, SearchState

_BANDWIDTHS = (1.0, 2.0, 4.0, 8.0)
"""Hz, tried where the tracking filter is not known."""
_MOST_OF_IT = 0.6
"""Share of the misfit around it that a line must explain: less, and the misfit is of another kind as well."""
_BESIDE = 1.5
"""Half widths of the narrowest band of a line within which a mode may be the line."""
_NARROW = 2.0
"""Half widths that the half-power band of a mode may have and still be a line: a broader one has rows of its own."""
_LEFT = 0.02
"""Of a mode's evidence that must be left without the band of the line for it to be a mode."""
_DETUNINGS = (0.0, -4e-4, 4e-4, -8e-4, 8e-4)
"""By which the mains may be off its nominal frequency."""


_REMAINDER = 0.1
"""Of the χ² of a line: what its own frequency and filter, not known better, may leave of it in the shape of a mode."""


@dataclass(frozen=True, slots=True, eq=False)
class MainsLine:
    """A mains line as the log shows it."""

    hz: float
    bandwidth_hz: float
    columns: Complexes
    """Shape (2, n)."""


def mains_line(state: SearchState, candidate: ResonanceCandidate, gain: float) -> MainsLine | None:
    """A mains line that explains a candidate better than a mode of this ``gain`` does, or None."""
    problem, solution = state.problem, state.solution
    if problem.drive.steady:
        return None
    line = nearest_line(candidate.frequency_hz)
    stated = problem.drive.bandwidth_hz
    widths = _BANDWIDTHS if stated is None else (float(np.median(stated)),)
    if abs(candidate.frequency_hz - line) > max(candidate.width * line, widths[-1]):
        return None
    residual = residual_of(problem.readings, solution)
    best: tuple[float, MainsLine | None] = (max(gain, 2.0 * threshold(state.searched, 2)), None)
    for width in widths:
        for detuning in _DETUNINGS:
            columns = line_columns(problem.drive, line * (1.0 + detuning), width)
            explained_by = _gain_of(problem, solution, residual, columns)
            if explained_by > best[0]:
                best = (explained_by, MainsLine(line, width, columns))
    return best[1]


def _gain_of(problem: FitProblem, solution: Solution, residual: Complexes, columns: Complexes) -> float:
    """χ² that additive columns (2, n) explain of what a solution leaves, (n, c).

    0 unless that is most of what lies around them.
    """
    size = np.abs(columns[0])
    near = np.flatnonzero(size > 0.15 * size.max())
    near = np.arange(max(0, near[0] - 6), min(len(size), near[-1] + 7))
    phase, left, turn = problem.readings.with_phase, residual[near], problem.readings.turn[near]
    if not phase.all():
        models = np.stack([model[near] for model in solution.models], axis=1)
        turn = np.where(phase, turn, np.exp(-1j * np.angle(models)))
    along, across = problem.weights.along[near], problem.weights.across[near] * phase
    turned = columns[:, near, None] * turn
    rows = np.concatenate([turned.real * along, turned.imag * across], axis=1)
    own = np.where(phase, left * turn, left)
    target = np.concatenate([own.real * along, own.imag * across])
    share = np.einsum("krc,rc->ck", rows, target)
    inverse = np.linalg.pinv(np.einsum("krc,lrc->ckl", rows, rows), hermitian=True)
    gain = float(np.einsum("ck,ckl,cl", share, inverse, share))
    before = float(np.sum(target**2))
    readings = float(np.count_nonzero(along) + np.count_nonzero(across))
    return gain if gain > _MOST_OF_IT * (before - readings) else 0.0


def with_line(state: SearchState, line: MainsLine) -> SearchState:
    """With a mains line in the model."""
    at = len(state.problem.powers) + len(state.problem.extra)
    problem = replace(state.problem, extra=np.concatenate([state.problem.extra, line.columns]))
    start = [np.insert(x, [at, at], 0.0) for x in state.solution.coefficients]
    lines = (*state.lines, ModelledLine(line.hz, line.bandwidth_hz))
    return replace(state, problem=problem, lines=lines, solution=problem.solve(state.poles, start))


def line_band(state: SearchState, k: int) -> MainsBand | None:
    """The band of a mains line beside a mode that has nothing left to show for itself once it is left out, or None."""
    problem, solution, poles = state.problem, state.solution, state.poles
    frequency = problem.drive.omega / (2 * np.pi)
    f0, q = float(poles.frequency_hz[k]), float(poles.q[k])
    line = nearest_line(f0)
    width = half_width(frequency, line)
    if abs(f0 - line) > _BESIDE * width or f0 / q > _NARROW * width:
        return None
    band = MainsBand(line, width)
    rest = without_band(state, band).problem
    held = np.zeros(len(poles), bool)
    gain = mode_evidence(rest, rest.solve(poles, solution.coefficients, held), [k]).gain[k]
    whole = mode_evidence(problem, solution, [k]).gain[k].max()
    return None if score_of(gain, state.searched, 1) >= 1.0 and gain.max() > _LEFT * whole else band


def without_band(state: SearchState, band: MainsBand) -> SearchState:
    """With the band of a mains line left out of the fit altogether: what is in it is not the structure's."""
    readings, frequency = state.problem.readings, state.problem.drive.omega / (2 * np.pi)
    masked = replace(readings, valid=readings.valid & ~band.holds(frequency)[:, None])
    state = replace(state, problem=replace(state.problem, readings=masked), mains=(*state.mains, band))
    return state.weighed(state.solution.sizes)


def explains_mode(state: SearchState, k: int) -> bool:
    """True for a mode in the band of a line of the model that explains little beside what the line explains."""
    if not state.lines:
        return False
    problem, solution = state.problem, state.solution
    found = mode_evidence(problem, solution)
    own = float(np.sum(found.gain[k] * found.inflation[k]))
    for i, line in enumerate(state.lines):
        at = len(problem.powers) + 2 * i + np.arange(2)
        if abs(float(solution.poles.frequency_hz[k]) - line.hz) <= line.bandwidth_hz:
            explained = sum(
                float(x[at] @ np.linalg.pinv(normal.covariance[np.ix_(at, at)], hermitian=True) @ x[at])
                for x, normal in zip(solution.coefficients, solution.normals, strict=True)
            )
            if own < _REMAINDER * explained:
                return True
    return False
