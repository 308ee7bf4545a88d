"""How many modes: added while the data ask for them, kept only where a stated criterion says so.

A mode counts as found where, on at least one channel, taking it out would raise χ² by more than the quantile of the
chi-squared distribution that chance would pass once in a million searches (Bonferroni over the searched places). The
noise is the log's own, inflated where the residuals around the mode are larger than it or not white (first-order
autocorrelation ρ: (1+ρ)/(1−ρ), Bartlett 1946). Its contribution must moreover be visible in the response, and rest on
several rows.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.special import chdtri

from reportgen.compute.identify.envelope import Complexes
from reportgen.compute.identify.fit import Problem, Readings, Solution, refine
from reportgen.compute.identify.model import NO_POLES, Poles
from reportgen.compute.identify.noise import Noise, noise_from_scatter, noise_of, weights_of
from reportgen.compute.identify.start import Candidate, Shape, bank_of_shapes, candidates, separate, strength
from reportgen.records.log import Floats

CHANCE = 1e-6
"""Accepted chance of a false mode over a whole search."""
LEAST_SHARE = 0.02
"""Smallest contribution to the response at its own peak, as a fraction, that counts as a mode."""
LEAST_Q = 1.5
_ROUNDS = 12
_PASSES = 2
"""Searches: with the noise guessed from the rows, and with the noise that the first model leaves."""
_MOST_A_ROUND = 12
_INFLATION_CAP = 400.0


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """How well each mode stands on each channel."""

    gain: Floats
    """χ² by which taking the mode out would raise the misfit, noise inflated as seen, shape (m, c)."""
    share: Floats
    """Largest contribution to the response near the mode, as a fraction of the response there, shape (m, c)."""
    rows: np.ndarray
    """Rows on which the mode is above half its own peak, shape (m,)."""
    inflation: Floats
    """Of the noise variance around the mode, shape (m, c)."""

    def inflation_of(self, k: int) -> float:
        """Of mode k over the channels, weighted by how well they see it."""
        weight = np.maximum(self.gain[k] * self.inflation[k], 1e-12)
        return float(np.sum(weight * self.inflation[k]) / np.sum(weight))


def threshold(searched: int, terms: int) -> float:
    """χ² that chance passes once in 1/``CHANCE`` over the searched places."""
    return float(chdtri(terms, CHANCE / max(searched, 1)))


def residual_of(readings: Readings, solution: Solution) -> Complexes:
    """What the model leaves: complex where there is a phase, else in magnitude; shape (n, c)."""
    model = np.stack(solution.models, axis=1)
    left = np.where(
        readings.with_phase, readings.complex_value - model, (readings.amplitude - np.abs(model)).astype(complex)
    )
    return np.where(readings.valid, left, 0.0)


def evidence(problem: Problem, solution: Solution) -> Evidence:
    """Wald statistics of every mode on every channel, against noise inflated by what is left around it."""
    m, channels = len(solution.poles), len(problem.readings.kinds)
    found = Evidence(np.zeros((m, channels)), np.zeros((m, channels)), np.zeros(m, int), np.ones((m, channels)))
    white = _whitened(problem, solution)
    bases = problem.bases(solution.poles)
    for c, kind in enumerate(problem.readings.kinds):
        basis = bases[kind]
        covariance = solution.normals[c].covariance
        size = np.maximum(np.abs(solution.models[c]), problem.readings.amplitude[:, c])
        for k in range(m):
            own = np.flatnonzero(basis.mode == k)
            x = solution.coefficients[c][own]
            window, found.rows[k] = _window(np.abs(basis.values[own[0]]))
            found.inflation[k, c] = _inflation([part[window & problem.readings.valid[:, c]] for part in white[c]])
            wald = float(x @ np.linalg.pinv(covariance[np.ix_(own, own)], hermitian=True) @ x)
            found.gain[k, c] = wald / found.inflation[k, c]
            part = np.abs(x @ basis.values[own][:, window])
            found.share[k, c] = np.max(part / np.maximum(size[window], 1e-300), initial=0.0)
    return found


def _window(size: Floats) -> tuple[np.ndarray, int]:
    """Rows on which a mode is above a fifth of its peak (at least 25 rows), and how many are above half."""
    peak = int(np.argmax(size))
    window = size > 0.2 * size[peak]
    window[max(0, peak - 12) : peak + 13] = True
    return window, int(np.sum(size > 0.5 * size[peak]))


def _whitened(problem: Problem, solution: Solution) -> list[list[Floats]]:
    """Per channel: residuals over σ along and (with phase) across the reading, clipped at 8."""
    left = residual_of(problem.readings, solution) * problem.readings.turn
    white = []
    for c in range(left.shape[1]):
        parts = [np.clip(left[:, c].real * problem.weights.along[:, c], -8.0, 8.0)]
        if problem.readings.with_phase[c]:
            parts.append(np.clip(left[:, c].imag * problem.weights.across[:, c], -8.0, 8.0))
        white.append(parts)
    return white


def _inflation(parts: list[Floats]) -> float:
    """Factor on the noise variance: residual variance around the mode over the noise, and its lack of whiteness."""
    readings = sum(len(part) for part in parts)
    if readings < 6:
        return 1.0
    square = sum(float(part @ part) for part in parts)
    variance = square / max(readings - 6, 1)
    lag = sum(float(part[1:] @ part[:-1]) for part in parts) / max(square, 1e-300)
    lag = float(np.clip(lag - 2.0 / np.sqrt(readings), 0.0, 0.9))
    return float(np.clip(max(variance, 1.0) * (1 + lag) / (1 - lag), 1.0, _INFLATION_CAP))


@dataclass(slots=True, eq=False)
class Search:
    """The search for the modes of one run."""

    problem: Problem
    noise: tuple[Noise, ...]
    bank: list[Shape]
    refused: list[tuple[float, float, str]] = field(default_factory=list)
    """(frequency, relative width, reason) of what was looked at and not taken."""

    def refuse(self, frequency_hz: float, q: float, reason: str) -> None:
        """Remember that there is no mode here."""
        self.refused.append((frequency_hz, 0.5 * max(1.0 / q, 2e-3), reason))

    def weigh(self, sizes: Floats) -> None:
        """Weights at the sizes of the model."""
        self.problem.weights = weights_of(self.noise, sizes, self.problem.readings.valid)

    def reweigh(self, solution: Solution) -> None:
        """Noise from what the model leaves, weights at the model's sizes."""
        readings = self.problem.readings
        left = residual_of(readings, solution)
        model = np.abs(np.stack(solution.models, axis=1))
        noise = []
        for c in range(len(readings.kinds)):
            use = readings.valid[:, c]
            turn = np.exp(-1j * np.angle(solution.models[c][use])) if readings.with_phase[c] else 1.0
            noise.append(noise_of(left[use, c] * turn, model[use, c], bool(readings.with_phase[c])))
        self.noise = tuple(noise)
        self.weigh(model)


def search(problem: Problem) -> tuple[Solution, Search]:
    """All modes that the data ask for, with the search that found them."""
    readings = problem.readings
    hunt = Search(problem, noise_from_scatter(readings), bank_of_shapes(problem.drive))
    hunt.weigh(readings.amplitude)
    solution = problem.solve(NO_POLES)
    for _ in range(_PASSES):
        solution = _hunted(hunt, solution)
        hunt.reweigh(solution)
        hunt.refused.clear()
        solution = refine(problem, solution.poles, solution.coefficients)
    solution = _prune(hunt, solution)
    return _settle(hunt, solution), hunt


def _hunted(hunt: Search, solution: Solution) -> Solution:
    """Rounds of candidates at the present weights until none is left."""
    for _ in range(_ROUNDS):
        before = len(solution.poles)
        chosen = _chosen(hunt, solution)
        if not chosen:
            break
        solution = _admit(hunt, solution, chosen)
        if len(solution.poles) > before:
            solution = _prune(hunt, solution)
    return solution


def _chosen(hunt: Search, solution: Solution) -> list[Candidate]:
    """Candidates of a round: clear of one another and of what was refused."""
    least = threshold(len(hunt.bank), 2)
    residual = residual_of(hunt.problem.readings, solution)
    found = candidates(hunt.bank, residual, hunt.problem, least)
    found = [each for each in found if all(abs(np.log(each.frequency_hz / f)) > w for f, w, _ in hunt.refused)]
    return separate(found, _MOST_A_ROUND)


def _admit(hunt: Search, solution: Solution, chosen: list[Candidate]) -> Solution:
    """Add each candidate where it fits best by itself, the strongest first, then move all modes together."""
    before = len(solution.poles)
    least = threshold(len(hunt.bank), 2)
    for each in chosen:
        residual = residual_of(hunt.problem.readings, solution)
        if strength(each.shape, residual, hunt.problem) < least:
            continue
        placed = _place(hunt, solution, each)
        if placed is not None:
            solution = _joined(hunt.problem, solution, *placed)
    if len(solution.poles) == before:
        return solution
    start = solution.coefficients
    if not hunt.problem.readings.with_phase.all():
        start = hunt.problem.turn_signs(solution.poles, start)
    return refine(hunt.problem, solution.poles, start, iterations=8, tolerance=0.3)


def _joined(problem: Problem, solution: Solution, frequency_hz: float, q: float, own: list[float]) -> Solution:
    """The solution with one mode more, nothing else moved."""
    poles = solution.poles.joined(frequency_hz, q)
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


def _place(hunt: Search, solution: Solution, candidate: Candidate) -> tuple[float, float, list[float]] | None:
    """(frequency, Q, coefficient of each channel) of one more mode where it fits best; None where it explains little.

    Only rows around the candidate are fitted, with the modes beside it; the rest of the model is held.
    """
    around = _neighbours(solution.poles, candidate.frequency_hz, candidate.width)
    problem, start = _local(hunt.problem, solution, around, candidate)
    poles = solution.poles.only(around)
    without = problem.solve(poles, start, free=np.zeros(len(poles), bool))
    more = poles.joined(candidate.frequency_hz, candidate.q * 1.4)
    first = _first_coefficients(problem, without, more)
    free = np.arange(len(more)) == len(more) - 1
    best = refine(problem, more, first, free=free, iterations=12, tolerance=0.5)
    frequency, q = float(best.poles.frequency_hz[-1]), float(best.poles.q[-1])
    spread = max(1.0, best.cost / max(2 * int(problem.readings.valid.sum()) - 6, 1))
    if (without.cost - best.cost) / spread < threshold(len(hunt.bank), 2):
        hunt.refuse(candidate.frequency_hz, candidate.q, "noise")
        return None
    return frequency, q, [float(x[-1]) for x in best.coefficients]


def _neighbours(poles: Poles, frequency_hz: float, width: float) -> np.ndarray:
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


def _prune(hunt: Search, solution: Solution) -> Solution:
    """Take out, weakest first, whatever does not meet the criterion, and remember it as refused."""
    while len(solution.poles):
        found = evidence(hunt.problem, solution)
        objections = [_objection(hunt, k, found) for k in range(len(solution.poles))]
        failing = sorted((strength, k, reason) for k, (strength, reason) in enumerate(objections) if reason)
        if not failing:
            return solution
        leaving: list[int] = []
        for _, k, reason in failing:
            # Of overlapping modes one goes at a time: each may be weak only because the other is there.
            beside = _neighbours(solution.poles, float(solution.poles.frequency_hz[k]), float(1 / solution.poles.q[k]))
            if not np.isin(beside, leaving).any():
                leaving.append(k)
                hunt.refuse(float(solution.poles.frequency_hz[k]), float(solution.poles.q[k]), reason)
        solution = _without(hunt, solution, leaving, iterations=4)
    return solution


def _without(hunt: Search, solution: Solution, leaving: list[int], iterations: int) -> Solution:
    """The best fit without some modes."""
    bases = hunt.problem.bases(solution.poles)
    start = [
        x[~np.isin(bases[kind].mode, leaving)]
        for x, kind in zip(solution.coefficients, hunt.problem.readings.kinds, strict=True)
    ]
    poles = solution.poles.only(~np.isin(np.arange(len(solution.poles)), leaving))
    if not hunt.problem.readings.with_phase.all():
        near = [
            _neighbours(poles, float(solution.poles.frequency_hz[k]), float(1 / solution.poles.q[k])) for k in leaving
        ]
        start = hunt.problem.turn_signs(poles, start, np.unique(np.concatenate(near)))
    return refine(hunt.problem, poles, start, iterations=iterations, tolerance=1.0)


def _objection(hunt: Search, k: int, found: Evidence) -> tuple[float, str]:
    """(strength, why it is not a mode or '')."""
    strength = float(found.gain[k].max())
    seen = found.gain[k] > 0.2 * strength
    if strength < threshold(len(hunt.bank), 2):
        return strength, "noise"
    if found.share[k][seen].max(initial=0.0) < LEAST_SHARE:
        return strength, "too small to be told from the rest of the response"
    if found.rows[k] < 2:
        return strength, "rests on a single row"
    return strength, ""


def _settle(hunt: Search, solution: Solution) -> Solution:
    """Decide which residues are complex and which terms stand for what lies outside the band; last prune."""
    problem = hunt.problem
    for powers in ((0, 2), (0, 2, -2)):
        solution = _wider(hunt, solution, powers)
    solution = _merge(hunt, solution)
    solution = _complex_where_needed(hunt, solution)
    solution = _merge(hunt, _prune(hunt, solution))
    for _ in range(3):
        hunt.reweigh(solution)
        solution = refine(problem, solution.poles, solution.coefficients, tolerance=1e-3)
    return solution


def _wider(hunt: Search, solution: Solution, powers: tuple[int, ...]) -> Solution:
    """The same with more out-of-band terms, kept where they explain more than chance."""
    problem = hunt.problem
    before = problem.powers
    if len(powers) != len(before) + 1:
        return solution
    problem.powers = powers
    start = [np.insert(x, len(before), 0.0) for x in solution.coefficients]
    trial = problem.solve(solution.poles, start)
    if solution.cost - trial.cost > threshold(1000, len(problem.readings.kinds)):
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


def _merge(hunt: Search, solution: Solution) -> Solution:
    """Take one of two overlapping modes out again unless the other, left alone, fits worse beyond chance."""
    least = threshold(len(hunt.bank), 2 + len(hunt.problem.readings.kinds))
    for k in range(len(solution.poles) - 1, -1, -1):
        poles = solution.poles
        apart = np.abs(np.log(np.delete(poles.frequency_hz, k) / poles.frequency_hz[k]))
        if np.min(apart - 2.0 / np.minimum(np.delete(poles.q, k), poles.q[k]), initial=np.inf) > 0.0:
            continue
        trial = _without(hunt, solution, [k], iterations=15)
        if (trial.cost - solution.cost) / evidence(hunt.problem, solution).inflation_of(k) < least:
            hunt.refuse(float(poles.frequency_hz[k]), 250.0, "its neighbour alone fits as well")
            solution = trial
    return solution
