"""Least squares over all channels of a run: poles shared, coefficients a channel's own (variable projection).

Coefficients are linear for a channel with phase and are solved for inside the search for the poles; the gradient of
what is left is projected off them (Golub and Pereyra 1973, in Kaufman's 1975 form). A channel without phase fits
magnitudes: its coefficients take Gauss-Newton steps within the same projection.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from reportgen.compute.identification.drive import Drive
from reportgen.compute.identification.envelope import Complexes
from reportgen.compute.identification.magnitude_fit import (
    MagnitudeFit,
    fit_magnitudes,
    with_best_of_all_signs,
    with_best_signs,
)
from reportgen.compute.identification.modal_model import (
    Background,
    ChannelKind,
    Columns,
    ModeColumns,
    ModeEnvelopes,
    Poles,
    columns,
    columns_of_mode,
    mode_envelopes,
)
from reportgen.compute.identification.normal_equations import Normal
from reportgen.compute.identification.readings import Readings, Weights
from reportgen.compute.identification.step_timing import NO_TIMING, StepTiming, with_start
from reportgen.records.log import Floats


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """Poles with the coefficients that fit best, and what is left."""

    poles: Poles
    coefficients: list[Floats]
    """Per channel, shape (P,), in the order of its basis."""
    models: list[Complexes]
    """Per channel, shape (n,)."""
    cost: float
    """Σ (residual/σ)²."""
    information: Floats
    """Normal matrix of (ln f₀, ln ζ) of the free modes with all coefficients projected out, shape (2m, 2m)."""
    gradient: Floats
    """Shape (2m,)."""
    coupling: list[Floats]
    """Per channel: −∂x/∂(ln f₀, ln ζ) of the free modes, shape (P, 2m)."""
    normals: list[Normal]
    """Per channel: normal equations of its coefficients."""

    @property
    def sizes(self) -> Floats:
        """|model| of every channel at the rows, shape (n, c)."""
        return np.asarray(np.abs(np.stack(self.models, axis=1)))


@dataclass(frozen=True, slots=True, eq=False)
class EventSlopes:
    """What the events of the drive change of the weighted readings of a channel."""

    change: Floats
    """By every event, coefficients not projected off, of the readings that any of them reaches, shape (j, W)."""
    reached: np.ndarray
    """Which those are, indices, shape (W,)."""


@dataclass(frozen=True, slots=True, eq=False)
class ProjectedSlopes:
    """What moves the N weighted readings of a channel besides its coefficients, these projected off."""

    order: np.ndarray
    """Places of all but the events, then of the events, among the p unknowns, shape (p,)."""
    rest: Floats
    """Change by every unknown but the events, projected, shape (p − j, N)."""
    events: EventSlopes
    coupling: Floats
    """−∂coefficients/∂unknowns, shape (P, p)."""
    information: Floats
    """Shape (p, p)."""
    gradient: Floats
    """Shape (p,)."""

    @classmethod
    def of(
        cls, rows: Floats, normal: Normal, left: Floats, rest: Floats, events: EventSlopes, order: np.ndarray
    ) -> ProjectedSlopes:
        """From changes not yet projected off the ``rows`` (P, N) by the coefficients; residual ``left`` (N,)."""
        several, by_event, reached = len(rest), events.change, events.reached
        pull = np.concatenate([rows @ rest.T, rows[:, reached] @ by_event.T], axis=1)
        follow = normal.divide(pull)
        rest = rest - follow[:, :several].T @ rows
        by_both = rest[:, reached] @ by_event.T
        by_events = by_event @ by_event.T - pull[:, several:].T @ follow[:, several:]
        towards = by_event @ left[reached] - follow[:, several:].T @ (rows @ left)
        back = np.argsort(order)
        information = np.block([[rest @ rest.T, by_both], [by_both.T, by_events]])[np.ix_(back, back)]
        gradient = np.concatenate([rest @ left, towards])[back]
        return cls(order, rest, events, follow[:, back], information, gradient)

    def everywhere(self, rows: Floats) -> Floats:
        """All changes, projected off the ``rows`` (P, N) by the coefficients, shape (p, N)."""
        own, of_events = np.split(self.order, [len(self.rest)])
        full = np.zeros((len(self.order), rows.shape[1]))
        full[np.ix_(of_events, self.events.reached)] = self.events.change
        full[of_events] -= self.coupling[:, of_events].T @ rows
        full[own] = self.rest
        return full


@dataclass(frozen=True, slots=True, eq=False)
class Tangent:
    """One channel at a solution: its weighted readings and what moves them."""

    basis: Columns
    coefficients: Floats
    """Shape (P,)."""
    rows: Floats
    """By the coefficients, shape (P, N); N is 2n with phase (along, then across the reading), else n."""
    left: Floats
    """Weighted residual, shape (N,)."""
    slopes: ProjectedSlopes
    normal: Normal
    along: Complexes
    across: Complexes | None

    @property
    def slope(self) -> Floats:
        """By the free poles and the events with the coefficients projected off, shape (p, N)."""
        return self.slopes.everywhere(self.rows)

    def weighted(self, change: Complexes) -> Floats:
        """Weighted readings (k, N) of changes of the model (k, n)."""
        return _weighted(change, self.along, self.across)


_ColumnsKey = tuple[complex, bool, bytes, ChannelKind, float]
"""Pole, whether its residue is complex, sizes of the events, kind of channel and scale of the powers."""


@dataclass(frozen=True, slots=True, eq=False)
class EnvelopeMemo:
    """Envelopes and columns of the poles asked for last, computed anew only for poles that moved: saves time alone."""

    drive: Drive
    timing: StepTiming
    _kept: dict[complex, ModeEnvelopes] = field(default_factory=dict)
    _columns: dict[_ColumnsKey, ModeColumns] = field(default_factory=dict)

    def of(self, poles: Poles) -> dict[complex, ModeEnvelopes]:
        """By pole, before any event of the drive."""
        found = {}
        for s in poles.s:
            key = complex(s)
            found[key] = self._kept.get(key) or mode_envelopes(self.drive, key, self.timing)
        self._kept.clear()
        self._kept.update(found)
        return found

    def columns(
        self, poles: Poles, kinds: Iterable[ChannelKind], centre: float
    ) -> dict[ChannelKind, list[ModeColumns]]:
        """Columns of every mode in the basis of every kind of channel, after the events of the drive."""
        envelopes, events = self.of(poles), poles.events.tobytes()
        found: dict[_ColumnsKey, ModeColumns] = {}
        for kind in kinds:
            for k, s in enumerate(poles.s):
                key = (complex(s), bool(poles.complex_residue[k]), events, kind, centre)
                own = self._columns.get(key)
                if own is None:
                    own = columns_of_mode(poles, k, envelopes[complex(s)].after(poles.events), kind, centre)
                found[key] = own
        self._columns.clear()
        self._columns.update(found)
        by_kind: dict[ChannelKind, list[ModeColumns]] = {kind: [] for kind in kinds}
        for k, s in enumerate(poles.s):
            for kind in by_kind:
                by_kind[kind].append(found[complex(s), bool(poles.complex_residue[k]), events, kind, centre])
        return by_kind


@dataclass(frozen=True, slots=True, eq=False)
class FitProblem:
    """A run, or rows of it, to be fitted: drive, readings, weights. Frozen: a change makes another problem."""

    drive: Drive
    readings: Readings
    weights: Weights
    powers: tuple[int, ...]
    centre: float
    """rad/s, scale of the powers of ω."""
    extra: Complexes
    """Additive lines that are not the structure's, shape (e, n)."""
    offset: list[Complexes] | None = None
    """Per channel, shape (n,): a part of the model that is held, or None."""
    timing: StepTiming = NO_TIMING
    """Steps of the level whose place within the row is unknown."""
    memo: EnvelopeMemo | None = None
    """Belongs to drive and timing: another of either begins a new one."""

    def __post_init__(self) -> None:
        if self.memo is None or self.memo.drive is not self.drive or self.memo.timing is not self.timing:
            object.__setattr__(self, "memo", EnvelopeMemo(self.drive, self.timing))

    def with_start(self) -> FitProblem:
        """With what may be lacking at the start among the unknowns."""
        return replace(self, timing=with_start(self.timing, self.drive))

    def part(self, start: int, stop: int, offset: list[Complexes], powers: tuple[int, ...]) -> FitProblem:
        """The problem over rows start … stop−1 with part of the model held."""
        return FitProblem(
            self.drive.part(start, stop), self.readings.part(start, stop), self.weights.part(start, stop), powers,
            self.centre, self.extra[:0, start:stop], [model[start:stop] for model in offset],
            self.timing.part(start, stop),
        )  # fmt: skip

    def _remembered(self, poles: Poles) -> dict[complex, ModeEnvelopes]:
        assert self.memo is not None  # __post_init__ sees to it
        return self.memo.of(poles)

    def envelopes(self, poles: Poles) -> list[ModeEnvelopes]:
        """Envelopes of every mode after the events of the drive."""
        found = self._remembered(poles)
        return [found[complex(s)].after(poles.events) for s in poles.s]

    def bases(self, poles: Poles) -> dict[ChannelKind, Columns]:
        """Basis of every kind of channel in the run."""
        assert self.memo is not None  # __post_init__ sees to it
        background = Background(self.powers, self.centre, self.extra)
        modes = self.memo.columns(poles, dict.fromkeys(self.readings.kinds), self.centre)
        return {kind: columns(self.drive, own, kind, background) for kind, own in modes.items()}

    def held(self, c: int) -> Complexes:
        """The held part of the model of a channel, shape (n,)."""
        return np.zeros(len(self.drive.omega), complex) if self.offset is None else self.offset[c]

    def solve(
        self,
        poles: Poles,
        start: list[Floats] | None = None,
        free: np.ndarray | None = None,
        more: Sequence[list[Complexes]] = (),
    ) -> Solution:
        """Best coefficients at these poles, with the projected normal equations of the ``free`` modes (bool).

        ``more`` unknowns follow those of the modes and events: each as its change of every mode's envelope, (n,).
        """
        if len(poles.events) < len(self.timing):
            poles = replace(poles, events=np.append(poles.events, np.zeros(len(self.timing) - len(poles.events))))
        bases = self.bases(poles)
        modes = np.arange(len(poles)) if free is None else np.flatnonzero(free)
        size = 2 * len(modes) + len(self.timing) + len(more)
        information, gradient, cost = self._prior(poles, 2 * len(modes), size)
        coefficients, models, coupling, normals = [], [], [], []
        for c, kind in enumerate(self.readings.kinds):
            at = self._tangent(poles, c, bases[kind], None if start is None else start[c], modes, more)
            coefficients.append(at.coefficients)
            models.append(self.held(c) + at.coefficients @ at.basis.values)
            coupling.append(at.slopes.coupling)
            normals.append(at.normal)
            cost += float(at.left @ at.left)
            information += at.slopes.information
            gradient += at.slopes.gradient
        return Solution(poles, coefficients, models, cost, information, gradient, coupling, normals)

    def _prior(self, poles: Poles, first: int, size: int) -> tuple[Floats, Floats, float]:
        """Information, gradient and cost of what is known of the events beforehand: their sizes are of the order of
        one; those outside these rows stay."""
        information, gradient = np.zeros((size, size)), np.zeros(size)
        inside = self.timing.inside
        sizes = poles.events[inside]
        timing = range(first, first + len(self.timing))
        information[timing, timing] = 1.0
        gradient[first + inside] = -sizes
        return information, gradient, float(sizes @ sizes)

    def tangents(self, solution: Solution, *, slopes: bool = True) -> Iterator[Tangent]:
        """Channel by channel, what moves the fit at a solution: coefficients, poles (with ``slopes``) and events."""
        bases = self.bases(solution.poles)
        modes = np.arange(len(solution.poles) if slopes else 0)
        for c, kind in enumerate(self.readings.kinds):
            yield self._tangent(solution.poles, c, bases[kind], solution.coefficients[c], modes)

    def _tangent(
        self, poles: Poles, c: int, basis: Columns, start: Floats | None, modes: np.ndarray,
        more: Sequence[list[Complexes]] = (),
    ) -> Tangent:  # fmt: skip
        kind = self.readings.kinds[c]
        held = self.held(c)
        turn = self.readings.turn[:, c]
        along, across = self.weights.along[:, c] * turn, None
        if self.readings.with_phase[c]:
            across = self.weights.across[:, c] * turn
            rows = stacked(basis.values, along, across)
            measured = self.readings.amplitude[:, c] * np.conj(turn)
            target = stacked((measured - held)[None], along, across)[0]
            normal = Normal.of(rows)
            x, left = normal.solve(rows, target)
        else:
            fit = self._magnitudes(c, basis, start)
            rows, normal, x, left, along = fit.rows, fit.normal, fit.coefficients, fit.left, fit.turn
        moved = _moved(basis, x, modes)
        if more:
            scale = self.centre**kind.power
            moved = np.concatenate([moved, [_changed(basis, x, by_envelopes) / scale for by_envelopes in more]])
        events = self._event_slopes(poles, basis, x, kind, along, across)
        poles_last, count = 2 * len(modes), len(events.change)
        order = np.r_[0:poles_last, poles_last + count + np.arange(len(more)), poles_last + np.arange(count)]
        slopes = ProjectedSlopes.of(rows, normal, left, _weighted(moved, along, across), events, order)
        return Tangent(basis, x, rows, left, slopes, normal, along, across)

    def _event_slopes(
        self, poles: Poles, basis: Columns, x: Floats, kind: ChannelKind, along: Complexes, across: Complexes | None
    ) -> EventSlopes:
        if not len(self.timing):
            return EventSlopes(np.empty((0, 0)), np.empty(0, int))
        remembered = self._remembered(poles)
        rings = [remembered[complex(s)].ringing for s in poles.s]
        first = min((ringing.rows.start for ringing in rings), default=0)
        rows = slice(first, max((ringing.rows.stop for ringing in rings), default=first))
        moved = np.zeros((len(self.timing), rows.stop - first), complex)
        residues = x * basis.residues / self.centre**kind.power
        for k, ringing in enumerate(rings):
            residue = complex(residues[basis.mode == k].sum())
            at = slice(ringing.rows.start - first, ringing.rows.stop - first)
            moved[:, at] += residue * ringing.value + residue.conjugate() * ringing.lower
        own = np.arange(first, rows.stop)
        if across is None:
            return EventSlopes(_weighted(moved, along[rows], None), own)
        return EventSlopes(_weighted(moved, along[rows], across[rows]), np.concatenate([own, len(along) + own]))

    def _magnitudes(self, c: int, basis: Columns, start: Floats | None) -> MagnitudeFit:
        return fit_magnitudes(
            basis.values, self.weights.along[:, c], self.readings.amplitude[:, c], self.held(c),
            _first(start, len(basis.values)),
        )  # fmt: skip

    def turn_signs(
        self, poles: Poles, coefficients: list[Floats], modes: np.ndarray | range | None = None
    ) -> list[Floats]:
        """Coefficients with the signs of ``modes`` (default all) that suit each channel without phase best."""
        bases = self.bases(poles)
        better = []
        for c, kind in enumerate(self.readings.kinds):
            basis, x = bases[kind], coefficients[c]
            if not self.readings.with_phase[c]:
                groups = _sign_groups(basis, poles, modes)
                at = (basis.values, self.weights.along[:, c], self.readings.amplitude[:, c], self.held(c))
                x = with_best_signs(*at, x, groups)
                for together in _windows(poles) if modes is None and len(poles) <= _MOST_TURNED else []:
                    x = with_best_of_all_signs(*at, x, [np.flatnonzero(basis.mode == k) for k in together])
            better.append(x)
        return better


def _sign_groups(basis: Columns, poles: Poles, modes: np.ndarray | range | None) -> list[np.ndarray]:
    """Coefficients whose sign may be wrong together: a mode, or (of all modes) everything above one of them.

    Between neighbours |model| tells whether they add or cancel; turning all above sets one such place right and leaves
    the others alone.
    """
    if modes is not None:
        return [np.flatnonzero(basis.mode == k) for k in modes]
    order = np.argsort(poles.frequency_hz, kind="stable")
    direct = basis.mode < 0
    above = [np.isin(basis.mode, order[k:]) for k in range(1, len(order))]
    alone = [basis.mode == k for k in order]
    return [np.flatnonzero(group) for group in (*alone, direct, *above, *(group | direct for group in above))]


_WINDOW = 6
"""Modes in a row whose signs are tried in every combination."""
_MOST_TURNED = 9
"""Modes up to which that is done: of more, most are not there, and the time is better spent taking them out."""


def _windows(poles: Poles) -> list[np.ndarray]:
    """Neighbours in frequency, indices; each window shares half with the next."""
    order = np.argsort(poles.frequency_hz, kind="stable")
    last = max(len(order) - _WINDOW, 0)
    starts = [*range(0, last, _WINDOW // 2), last]
    return [order[i : i + _WINDOW] for i in starts] if len(order) > 1 else []


def _first(start: Floats | None, size: int) -> Floats:
    """First coefficients of a channel without phase: what is known, else a rigid block."""
    x = np.zeros(size)
    if start is None:
        x[:1] = 1.0
    else:
        x[: len(start)] = start[:size]
    return x


def _moved(basis: Columns, x: Floats, modes: np.ndarray) -> Complexes:
    """Change of the model by (ln f₀, ln ζ) of each of the modes, shape (2 · modes, n)."""
    moved = np.zeros((2 * len(modes), basis.values.shape[1]), complex)
    for i, k in enumerate(modes):
        for j in np.flatnonzero(basis.mode == k):
            moved[2 * i : 2 * i + 2] += x[j] * basis.derivative[j]
    return moved


def _changed(basis: Columns, x: Floats, envelopes: list[Complexes]) -> Complexes:
    """Change of the model for a change of every mode's upper envelope, times the scale of the power, shape (n,)."""
    total = np.zeros(basis.values.shape[1], complex)
    for k, each in enumerate(envelopes):
        own = basis.mode == k
        total += complex(x[own] @ basis.residues[own]) * each
    return total


def _weighted(change: Complexes, along: Complexes, across: Complexes | None) -> Floats:
    return np.asarray((along * change).real) if across is None else stacked(change, along, across)


def stacked(matrix: Complexes, along: Complexes | Floats, across: Complexes | Floats) -> Floats:
    """Weighted real rows (P, 2n) of complex rows (P, n): along the reading, then across it."""
    n = matrix.shape[1]
    rows = np.empty((len(matrix), 2 * n))
    real, imag = matrix.real, matrix.imag
    np.multiply(real, along.real, out=rows[:, :n])
    rows[:, :n] -= imag * along.imag
    np.multiply(real, across.imag, out=rows[:, n:])
    rows[:, n:] += imag * across.real
    return rows


def refine(
    problem: FitProblem,
    poles: Poles,
    start: list[Floats] | None = None,
    *,
    free: np.ndarray | None = None,
    iterations: int = 30,
    tolerance: float = 1e-2,
) -> Solution:
    """Move the free poles to the least cost (Levenberg-Marquardt); stops when χ² falls by less than ``tolerance``."""
    best = problem.solve(poles, start, free)
    chosen = np.ones(len(poles), bool) if free is None else free
    index = np.flatnonzero(np.concatenate([np.repeat(chosen, 2), np.ones(len(problem.timing), bool)]))
    damping = 1e-3
    for _ in range(iterations if len(index) else 0):
        parameters = _stepped(best, index, damping)
        moved = (parameters - best.poles.parameters)[index]
        if float(moved @ best.gradient) < 0.5 * tolerance and damping < 1.0:
            break
        forecast = [x - coupling @ moved for x, coupling in zip(best.coefficients, best.coupling, strict=True)]
        trial = problem.solve(best.poles.moved(parameters), forecast, free)
        gained = best.cost - trial.cost
        if gained > 0:
            best = trial
            damping = max(damping * 0.1, 1e-9)
            if gained < tolerance:
                break
        else:
            damping *= 10.0
            if damping > 1e5:
                break
    return best


def _stepped(at: Solution, index: np.ndarray, damping: float) -> Floats:
    """Parameters after one damped step; no pole moves by more than a bandwidth or a factor of two in damping."""
    poles = at.poles
    diagonal = np.maximum(np.diag(at.information), 1e-300)
    scale = 1.0 / np.sqrt(diagonal)
    matrix = at.information * np.outer(scale, scale) + damping * np.eye(len(scale))
    step = scale * np.linalg.lstsq(matrix, scale * at.gradient, rcond=1e-14)[0]
    parameters = poles.parameters
    limit = np.stack([np.maximum(2.0 * poles.damping_ratio, 1e-4), np.full(len(poles), 0.7)], axis=1).ravel()
    limit = np.concatenate([limit, np.full(len(poles.events), 2.0)])[index]
    parameters[index] += np.clip(step, -limit, limit)
    return parameters
