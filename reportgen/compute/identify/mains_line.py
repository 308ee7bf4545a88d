"""Mains hum told from modes: a line in the model where that explains more, its band left out where it does not."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from reportgen.compute.identify.envelope import Complexes
from reportgen.compute.identify.evidence import evidence, residual_of, score_of, threshold
from reportgen.compute.identify.fit import Problem, Solution
from reportgen.compute.identify.hunt import Search
from reportgen.compute.identify.mains import half_width, line_columns, nearest_line
from reportgen.compute.identify.noise import weights_of
from reportgen.compute.identify.start import Candidate

_BANDWIDTHS = (1.0, 2.0, 4.0, 8.0)
"""Hz, tried where the tracking filter is not known."""
_MOST_OF_IT = 0.6
_DETUNINGS = (0.0, -4e-4, 4e-4, -8e-4, 8e-4)
"""By which the mains may be off its nominal frequency."""


_REMAINDER = 0.1
"""Of the χ² of a line: what its own frequency and filter, not known better, may leave of it in the shape of a mode."""


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """A mains line as the log shows it."""

    hz: float
    bandwidth_hz: float
    columns: Complexes
    """Shape (2, n)."""


def mains_line(hunt: Search, solution: Solution, candidate: Candidate, gain: float) -> Line | None:
    """A mains line that explains a candidate better than a mode does, or None."""
    problem = hunt.problem
    if problem.drive.steady:
        return None
    line = nearest_line(candidate.frequency_hz)
    stated = problem.drive.bandwidth_hz
    widths = _BANDWIDTHS if stated is None else (float(np.median(stated)),)
    if abs(candidate.frequency_hz - line) > max(candidate.width * line, widths[-1]):
        return None
    residual = residual_of(problem.readings, solution)
    best: tuple[float, Line | None] = (max(gain, 2.0 * threshold(hunt.searched, 2)), None)
    for width in widths:
        for detuning in _DETUNINGS:
            columns = line_columns(problem.drive, line * (1.0 + detuning), width)
            explained_by = _gain_of(problem, solution, residual, columns)
            if explained_by > best[0]:
                best = (explained_by, Line(line, width, columns))
    return best[1]


def _gain_of(problem: Problem, solution: Solution, residual: Complexes, columns: Complexes) -> float:
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


def with_line(hunt: Search, solution: Solution, line: Line) -> Solution:
    """The solution with a mains line in the model."""
    problem = hunt.problem
    at = len(problem.powers) + len(problem.extra)
    problem.extra = np.concatenate([problem.extra, line.columns])
    hunt.lines.append((line.hz, line.bandwidth_hz))
    start = [np.insert(x, [at, at], 0.0) for x in solution.coefficients]
    return problem.solve(solution.poles, start)


def is_mains(hunt: Search, solution: Solution, k: int) -> bool:
    """True where a mode beside a mains line has nothing left to show for itself once the line's band is left out.

    The band is then left out of the fit altogether: what is in it is not the structure's. Of a line that is in the
    model already, only what it explains itself is set against the mode.
    """
    if _remains_of_a_line(hunt, solution, k):
        return True
    problem = hunt.problem
    frequency = problem.drive.omega / (2 * np.pi)
    f0, q = float(solution.poles.frequency_hz[k]), float(solution.poles.q[k])
    line = nearest_line(f0)
    width = half_width(frequency, line)
    if abs(f0 - line) > 1.5 * width or f0 / q > 2.0 * width:
        return False
    band = np.abs(frequency - line) <= width
    masked = replace(problem.readings, valid=problem.readings.valid & ~band[:, None])
    rest = replace(
        problem, readings=masked, weights=weights_of(hunt.noise, np.abs(np.stack(solution.models, 1)), masked.valid)
    )
    trial = rest.solve(solution.poles, solution.coefficients)
    gain = evidence(rest, trial).gain[k]
    if score_of(gain, hunt.searched, 1) >= 1.0 and gain.max() > 0.02 * evidence(problem, solution).gain[k].max():
        return False
    problem.readings = masked
    hunt.mains.append((line, width))
    hunt.weigh(np.abs(np.stack(solution.models, axis=1)))
    return True


def _remains_of_a_line(hunt: Search, solution: Solution, k: int) -> bool:
    """True for a mode in the band of a line of the model that explains little beside what the line explains."""
    if not hunt.lines:
        return False
    found = evidence(hunt.problem, solution)
    own = float(np.sum(found.gain[k] * found.inflation[k]))
    for i, (line, bandwidth) in enumerate(hunt.lines):
        at = len(hunt.problem.powers) + 2 * i + np.arange(2)
        if abs(float(solution.poles.frequency_hz[k]) - line) <= bandwidth:
            explained = sum(
                float(x[at] @ np.linalg.pinv(normal.covariance[np.ix_(at, at)], hermitian=True) @ x[at])
                for x, normal in zip(solution.coefficients, solution.normals, strict=True)
            )
            if own < _REMAINDER * explained:
                return True
    return False
