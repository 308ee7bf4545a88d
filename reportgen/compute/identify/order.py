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
from reportgen.compute.identify.mains import half_width, line_columns, nearest_line
from reportgen.compute.identify.model import DIRECT_POWERS, NO_POLES, Poles
from reportgen.compute.identify.noise import Noise, noise_from_scatter, noise_of, weights_of
from reportgen.compute.identify.start import Candidate, Shape, bank_of_shapes, explained, separate
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
_LEAST_ROWS = 4
_LAST_LOOKS = 2
"""Times that every mode is asked again whether it is needed: once more when the noise is known to the end."""
_LOOSE = 0.05
_OUTSIDE = 0.4
"""Of the lowest frequency (and one over it of the highest): beyond, a mode is left to the out-of-band terms."""


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """How well each mode stands on each channel."""

    gain: Floats
    """χ² by which taking the mode out would raise the misfit, noise inflated as seen, shape (m, c)."""
    share: Floats
    """Largest contribution to the response near the mode, as a fraction of the response there, shape (m, c)."""
    rows: np.ndarray
    """Rows on which the mode stands out of the noise and above a twentieth of its own peak, shape (m,)."""
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
            window = _window(np.abs(basis.values[own[0]]))
            found.inflation[k, c] = _inflation([part[window & problem.readings.valid[:, c]] for part in white[c]])
            wald = float(x @ np.linalg.pinv(covariance[np.ix_(own, own)], hermitian=True) @ x)
            found.gain[k, c] = wald / found.inflation[k, c]
            part = np.abs(x @ basis.values[own])
            found.share[k, c] = np.max(part[window] / np.maximum(size[window], 1e-300), initial=0.0)
            out_of_noise = part * problem.weights.along[:, c]
            standing = int(np.sum(out_of_noise > max(3.0, 0.05 * float(out_of_noise.max(initial=0.0)))))
            found.rows[k] = max(found.rows[k], standing)
    return found


def _window(size: Floats) -> np.ndarray:
    """Rows on which a mode is above a fifth of its peak, at least 25; bool, shape (n,)."""
    peak = int(np.argmax(size))
    window = size > 0.2 * size[peak]
    window[max(0, peak - 12) : peak + 13] = True
    return np.asarray(window)


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

    phase_turned: bool = False
    """True where the log's phases count the other way round."""
    mains: list[tuple[float, float]] = field(default_factory=list)
    """(line Hz, half width Hz) of mains lines that were left out of the fit."""

    def refuse(self, frequency_hz: float, q: float, reason: str) -> None:
        """Remember that there is no mode here."""
        self.refused.append((frequency_hz, 0.5 * max(1.0 / q, 2e-3), reason))

    def is_refused(self, frequency_hz: float) -> bool:
        """True beside something that was refused, and in the band of a mains line."""
        return any(abs(np.log(frequency_hz / f)) <= w for f, w, _ in self.refused) or any(
            abs(frequency_hz - line) <= width for line, width in self.mains
        )

    def in_mains_band(self) -> np.ndarray:
        """Rows that were left out of the fit beside a mains line, bool, shape (n,)."""
        frequency = self.problem.drive.omega / (2 * np.pi)
        inside = np.zeros(len(frequency), bool)
        for line, width in self.mains:
            inside |= np.abs(frequency - line) <= width
        return inside

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
    if _phase_is_turned(hunt, solution):
        problem.readings = replace(readings, turn=np.conj(readings.turn))
        hunt.phase_turned = True
        solution = problem.solve(NO_POLES)
    for _ in range(_PASSES):
        solution = _hunted(hunt, solution)
        hunt.reweigh(solution)
        hunt.refused.clear()
        solution = refine(problem, solution.poles, solution.coefficients)
    solution = _prune(hunt, solution)
    return _settle(hunt, solution), hunt


def _phase_is_turned(hunt: Search, solution: Solution) -> bool:
    """True where the log counts phase the other way round: a response lags its resonance, so the wrong sense fits none.

    The strongest candidates are placed with either sense; the right one explains more of the response.
    """
    problem = hunt.problem
    if not problem.readings.with_phase.any():
        return False
    turned = replace(problem, readings=replace(problem.readings, turn=np.conj(problem.readings.turn)))
    other = Search(turned, hunt.noise, hunt.bank)
    gains = []
    for each in (hunt, other):
        start = each.problem.solve(NO_POLES)
        placed = [_place(each, start, candidate) for candidate in _chosen(each, start)[:3]]
        gains.append((sum(one.gain for one in placed if one is not None), start.cost))
    here, there = gains
    return there[0] > 1.2 * here[0] and there[1] - there[0] < 0.7 * (here[1] - here[0])


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
    residual = residual_of(hunt.problem.readings, solution)
    found = []
    for shape in hunt.bank:
        gain = explained(shape, residual, hunt.problem)
        if score_of(gain, len(hunt.bank), 2) >= 1.0 and not hunt.is_refused(shape.frequency_hz):
            found.append(Candidate(shape, float(gain.max())))
    return separate(sorted(found, key=lambda each: -each.strength), _MOST_A_ROUND)


def _admit(hunt: Search, solution: Solution, chosen: list[Candidate]) -> Solution:
    """Add each candidate where it fits best by itself, the strongest first, then move all modes together."""
    before, lines = len(solution.poles), len(hunt.problem.extra)
    for each in chosen:
        residual = residual_of(hunt.problem.readings, solution)
        if score_of(explained(each.shape, residual, hunt.problem), len(hunt.bank), 2) < 1.0:
            continue
        placed = _place(hunt, solution, each)
        line = _mains_line(hunt, solution, each, 0.0 if placed is None else placed.gain)
        if line is not None:
            solution = _with_line(hunt, solution, line)
        elif placed is not None:
            solution = _joined(hunt.problem, solution, placed)
        else:
            hunt.refuse(each.frequency_hz, each.q, "noise")
    if len(solution.poles) == before and lines == len(hunt.problem.extra):
        return solution
    start = solution.coefficients
    if not hunt.problem.readings.with_phase.all():
        start = hunt.problem.turn_signs(solution.poles, start)
    return refine(hunt.problem, solution.poles, start, iterations=8, tolerance=0.3)


@dataclass(frozen=True, slots=True)
class Placed:
    """One more mode where it fits best."""

    frequency_hz: float
    q: float
    own: list[float]
    """Coefficient on each channel."""
    gain: float
    """χ² that it explains."""
    kicks: Floats
    """Of the level's steps, as they suit it."""


def _joined(problem: Problem, solution: Solution, placed: Placed) -> Solution:
    """The solution with one mode more, nothing else moved."""
    own = placed.own
    poles = replace(solution.poles.joined(placed.frequency_hz, placed.q), kicks=placed.kicks)
    if len(placed.kicks):
        start = [np.append(x, value) for x, value in zip(solution.coefficients, own, strict=True)]
        return problem.solve(poles, start)
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


def _place(hunt: Search, solution: Solution, candidate: Candidate) -> Placed | None:
    """One more mode where it fits best; None where it explains little.

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
    gain = without.cost - best.cost
    strayed = abs(np.log(frequency / candidate.frequency_hz)) > 4.0 * candidate.width
    if gain / spread < threshold(len(hunt.bank), 4) or strayed or hunt.is_refused(frequency):
        return None
    return Placed(frequency, q, [float(x[-1]) for x in best.coefficients], gain, best.poles.kicks)


def _mains_line(hunt: Search, solution: Solution, candidate: Candidate, gain: float) -> Complexes | None:
    """Columns (2, n) of a mains line that explains a candidate better than a mode does, or None."""
    problem = hunt.problem
    if problem.drive.steady:
        return None
    line = nearest_line(candidate.frequency_hz)
    stated = problem.drive.bandwidth_hz
    widths = _BANDWIDTHS if stated is None else (float(np.median(stated)),)
    if abs(candidate.frequency_hz - line) > max(candidate.width * line, widths[-1]):
        return None
    best: tuple[float, Complexes | None] = (max(gain, 2.0 * threshold(len(hunt.bank), 2)), None)
    for width in widths:
        for detuning in _DETUNINGS:
            columns = line_columns(problem.drive, line * (1.0 + detuning), width)
            explained_by = _gain_of(problem, solution, columns)
            if explained_by > best[0]:
                best = (explained_by, columns)
    return best[1]


_BANDWIDTHS = (1.0, 2.0, 4.0, 8.0)
"""Hz, tried where the tracking filter is not known."""
_MOST_OF_IT = 0.6
_DETUNINGS = (0.0, -4e-4, 4e-4, -8e-4, 8e-4)
"""By which the mains may be off its nominal frequency."""


def _gain_of(problem: Problem, solution: Solution, columns: Complexes) -> float:
    """χ² that additive columns explain of what the solution leaves; 0 unless that is most of what lies around them."""
    size = np.abs(columns[0])
    near = np.flatnonzero(size > 0.15 * size.max())
    near = np.arange(max(0, near[0] - 6), min(len(size), near[-1] + 7))
    left = residual_of(problem.readings, solution)[near]
    gain = before = readings = 0.0
    for c in range(left.shape[1]):
        turn = problem.readings.turn[near, c]
        if not problem.readings.with_phase[c]:
            turn = np.exp(-1j * np.angle(solution.models[c][near]))
        along, across = problem.weights.along[near, c], problem.weights.across[near, c] * problem.readings.with_phase[c]
        rows = np.concatenate([(columns[:, near] * turn).real * along, (columns[:, near] * turn).imag * across], axis=1)
        residual = left[:, c] * turn if problem.readings.with_phase[c] else left[:, c]
        target = np.concatenate([residual.real * along, residual.imag * across])
        x = np.linalg.lstsq(rows.T, target, rcond=None)[0]
        gain += float(target @ (x @ rows))
        before += float(target @ target)
        readings += float(np.count_nonzero(along) + np.count_nonzero(across))
    return gain if gain > _MOST_OF_IT * (before - readings) else 0.0


def _with_line(hunt: Search, solution: Solution, line: Complexes) -> Solution:
    """The solution with a mains line in the model."""
    problem = hunt.problem
    at = len(problem.powers) + len(problem.extra)
    problem.extra = np.concatenate([problem.extra, line])
    start = [np.insert(x, [at, at], 0.0) for x in solution.coefficients]
    return problem.solve(solution.poles, start)


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
        objections = [_objection(hunt, solution, k, found) for k in range(len(solution.poles))]
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


def _without(
    hunt: Search, solution: Solution, leaving: list[int], iterations: int, all_signs: bool = False
) -> Solution:
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
        start = hunt.problem.turn_signs(poles, start, None if all_signs else np.unique(np.concatenate(near)))
    return refine(hunt.problem, poles, start, iterations=iterations, tolerance=1.0)


def _objection(hunt: Search, solution: Solution, k: int, found: Evidence) -> tuple[float, str]:
    """(strength, why it is not a mode or '')."""
    score = score_of(found.gain[k], len(hunt.bank), 1 + int(solution.poles.complex_residue[k]))
    seen = found.gain[k] > 0.2 * found.gain[k].max()
    if score < 1.0:
        return score, "noise"
    drive = hunt.problem.drive.omega / (2 * np.pi)
    if not _OUTSIDE * drive.min() < solution.poles.frequency_hz[k] < drive.max() / _OUTSIDE:
        return 0.0, "far outside the swept range"
    if found.share[k][seen].max(initial=0.0) < LEAST_SHARE:
        return score, "too small to be told from the rest of the response"
    if found.rows[k] < _LEAST_ROWS:
        return score, "rests on too few rows"
    if _is_mains(hunt, solution, k):
        return score, "mains"
    return score, ""


def score_of(gain: Floats, searched: int, terms: int) -> float:
    """χ² gained over what chance would gain: the best of one channel alone and of all together; 1 is the threshold."""
    alone = float(gain.max()) / threshold(searched * len(gain), terms + 2)
    return max(alone, float(gain.sum()) / threshold(searched, terms * len(gain) + 2))


def _is_mains(hunt: Search, solution: Solution, k: int) -> bool:
    """True where a mode beside a mains line has nothing left to show for itself once the line's band is left out.

    The band is then left out of the fit altogether: what is in it is not the structure's.
    """
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
    if score_of(gain, len(hunt.bank), 1) >= 1.0 and gain.max() > 0.02 * evidence(problem, solution).gain[k].max():
        return False
    problem.readings = masked
    hunt.mains.append((line, width))
    hunt.weigh(np.abs(np.stack(solution.models, axis=1)))
    return True


def _settle(hunt: Search, solution: Solution) -> Solution:
    """Decide which residues are complex and which terms stand for what lies outside the band; last prune."""
    problem = hunt.problem
    solution = _as_wide_as_needed(hunt, solution)
    solution = _leaner(hunt, solution)
    solution = _merge(hunt, solution)
    solution = _complex_where_needed(hunt, solution)
    for look in range(_LAST_LOOKS):
        modes = len(solution.poles)
        solution = _merge(hunt, _prune(hunt, solution))
        if look and len(solution.poles) == modes:
            break
        if len(solution.poles) < modes:
            # What was taken out may have stood for what lies outside the band; the terms must take that over.
            hunt.reweigh(solution)
            solution = _as_wide_as_needed(hunt, solution)
        for _ in range(3):
            hunt.reweigh(solution)
            solution = refine(problem, solution.poles, solution.coefficients, tolerance=1e-3)
    return solution


def _as_wide_as_needed(hunt: Search, solution: Solution) -> Solution:
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
        trial = _without(hunt, solution, leaving, iterations=15, all_signs=True)
        inflation = float(np.median(evidence(hunt.problem, trial).inflation)) if len(trial.poles) else 1.0
        if (trial.cost - solution.cost) / inflation < len(leaving) * threshold(len(hunt.bank), 3):
            return trial
    return solution


def _merge(hunt: Search, solution: Solution) -> Solution:
    """Take one of two overlapping modes out again unless the other, left alone, fits worse beyond chance.

    So with a mode at a step of the level: what followed the step may have been taken for it before the step was fitted.
    """
    least = threshold(len(hunt.bank), 2 + len(hunt.problem.readings.kinds))
    for k in range(len(solution.poles) - 1, -1, -1):
        poles = solution.poles
        apart = np.abs(np.log(np.delete(poles.frequency_hz, k) / poles.frequency_hz[k]))
        overlaps = np.min(apart - 2.0 / np.minimum(np.delete(poles.q, k), poles.q[k]), initial=np.inf) <= 0.0
        if not overlaps and not _at_a_step(hunt.problem, float(poles.frequency_hz[k]), float(poles.q[k])):
            continue
        trial = _without(hunt, solution, [k], iterations=15)
        if (trial.cost - solution.cost) / evidence(hunt.problem, solution).inflation_of(k) < least:
            hunt.refuse(float(poles.frequency_hz[k]), 250.0, "its neighbour alone fits as well")
            solution = trial
    return solution


def _at_a_step(problem: Problem, frequency_hz: float, q: float) -> bool:
    """True where the level was turned within two bandwidths of a mode."""
    at = problem.drive.omega[problem.kicks.steps] / (2 * np.pi)
    return bool(np.any(np.abs(np.log(at / frequency_hz)) < 2.0 / q))
