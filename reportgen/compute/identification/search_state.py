"""The state of a search for modes: what is fitted, its present solution, the noise it is weighed by, its record.

A state is frozen: every step of the search takes one and returns another.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from reportgen.compute.identification.candidates import CandidateBank, ResonanceCandidate
from reportgen.compute.identification.drive import Drive
from reportgen.compute.identification.findings import RejectionReason
from reportgen.compute.identification.least_squares import FitProblem, Solution, refine
from reportgen.compute.identification.modal_model import Poles
from reportgen.compute.identification.mode_evidence import residual_of
from reportgen.compute.identification.noise_model import NoiseModel, noise_of, weights_of
from reportgen.compute.identification.tracking_filter import lateness
from reportgen.records.log import Floats

_LEAST_WIDTH = 2e-3
"""Relative width of the band in which a rejected candidate is not tried again, at least: of rows, not of its Q."""


@dataclass(frozen=True, slots=True, eq=False)
class FilterDelay:
    """A tracking filter late by τ times its course over the rows."""

    tau_s: float
    course: Floats
    """Shape (n,): 1, or falling with frequency where the bandwidth is in proportion to it."""

    @classmethod
    def of(cls, drive: Drive, tau_s: float) -> FilterDelay:
        """Of one bandwidth in Hz over the whole sweep."""
        return cls(tau_s, np.ones(len(drive.omega)))

    @property
    def bandwidth_hz(self) -> Floats:
        """1/(πτ) at the rows, shape (n,)."""
        return np.asarray(1.0 / (np.pi * self.tau_s * self.course))

    def on(self, problem: FitProblem) -> FitProblem:
        """The problem of a log that went through this filter."""
        return replace(problem, drive=replace(problem.drive, bandwidth_hz=self.bandwidth_hz))


@dataclass(frozen=True, slots=True)
class RefittedFilter:
    """What a log tells of a tracking filter in place of what was stated."""

    order: int
    """Poles."""
    factor: float
    """Bandwidth over the one stated."""

    @property
    def late(self) -> float:
        """Its delay, in 1/(πB) of the bandwidth stated."""
        return lateness(self.order) / self.factor


@dataclass(frozen=True, slots=True, eq=False)
class UnstatedFilter:
    """What a search found out about a tracking filter that nobody stated, or stated otherwise."""

    claimed: FilterDelay | None = None
    """In the model: the same modes without it fit worse by more than chance explains."""
    asked: bool = False
    """True where the misfit was of that kind, whatever came of it."""
    tried: FilterDelay | None = None
    """What was last fitted for a filter, claimed or not."""
    suspected: FilterDelay | None = None
    """A filter that explains more than chance, but not enough to be claimed."""
    refitted: RefittedFilter | None = None
    """In the model in place of the one stated, which the log refutes."""
    doubt: Floats | None = None
    """What not knowing it better adds to the standard uncertainties of (ln f₀, ln ζ), shape (2m,) or longer."""
    open_s: float | None = None
    """Standard uncertainty of the delay of a filter that was stated, at the median bandwidth."""


@dataclass(frozen=True, slots=True)
class RejectedCandidate:
    """What was looked at and is no mode."""

    frequency_hz: float
    half_width: float
    """Of the band around it, as a fraction of frequency, in which nothing is tried again."""
    reason: RejectionReason


@dataclass(frozen=True, slots=True)
class MainsBand:
    """The band around a mains line that was left out of the fit."""

    line_hz: float
    half_width_hz: float

    def holds(self, frequency_hz: Floats) -> np.ndarray:
        """Bool, of the shape given."""
        return np.asarray(np.abs(frequency_hz - self.line_hz) <= self.half_width_hz)


@dataclass(frozen=True, slots=True)
class ModelledLine:
    """A mains line that is in the model."""

    hz: float
    bandwidth_hz: float


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SearchState:
    """The search for the modes of one run."""

    problem: FitProblem
    solution: Solution
    noise: tuple[NoiseModel, ...]
    bank: CandidateBank
    rejected: tuple[RejectedCandidate, ...] = ()
    without_result: tuple[ResonanceCandidate, ...] = ()
    """Shapes of the bank that were taken for modes, and no mode came of them."""
    filter: UnstatedFilter = UnstatedFilter()
    phase_turned: bool = False
    """True where the log's phases count the other way round."""
    lines: tuple[ModelledLine, ...] = ()
    """Mains lines in the model, in the order of its extra columns."""
    mains: tuple[MainsBand, ...] = ()

    @property
    def poles(self) -> Poles:
        """Of the present solution."""
        return self.solution.poles

    @property
    def searched(self) -> int:
        """Places looked at."""
        return len(self.bank)

    def refined(self, *, iterations: int = 30, tolerance: float = 1e-2) -> SearchState:
        """All poles moved to the least cost."""
        solution = self.solution
        moved = refine(self.problem, solution.poles, solution.coefficients, iterations=iterations, tolerance=tolerance)
        return replace(self, solution=moved)

    def solved(self) -> SearchState:
        """The best coefficients at the present poles and weights."""
        held = np.zeros(len(self.poles), bool)
        return replace(self, solution=self.problem.solve(self.solution.poles, self.solution.coefficients, held))

    def with_signs_turned(self) -> SearchState:
        """With the signs of the modes that suit channels without phase best; the model itself is left as it was."""
        if self.problem.readings.with_phase.all():
            return self
        coefficients = self.problem.turn_signs(self.solution.poles, self.solution.coefficients)
        return replace(self, solution=replace(self.solution, coefficients=coefficients))

    def rejecting(self, frequency_hz: float, q: float, reason: RejectionReason) -> SearchState:
        """Remembers that there is no mode here."""
        more = RejectedCandidate(frequency_hz, 0.5 * max(1.0 / q, _LEAST_WIDTH), reason)
        return replace(self, rejected=(*self.rejected, more))

    def is_rejected(self, frequency_hz: Floats) -> np.ndarray:
        """True beside something that was rejected, and in the band of a mains line; bool, of the shape given."""
        found = np.zeros(frequency_hz.shape, bool)
        for candidate in self.rejected:
            found |= np.abs(np.log(frequency_hz / candidate.frequency_hz)) <= candidate.half_width
        for band in self.mains:
            found |= band.holds(frequency_hz)
        return found

    def was_without_result(self) -> np.ndarray:
        """Shapes of the bank that are no sharper than one without result, and beside it; bool, (shapes,)."""
        found = np.zeros(len(self.bank), bool)
        for candidate in self.without_result:
            apart = np.abs(np.log(self.bank.frequency_hz / candidate.frequency_hz))
            found |= (apart <= candidate.width) & (self.bank.q <= candidate.q)
        return found

    def asking_again(self) -> SearchState:
        """Under new weights everything rejected, or tried without result, is asked again."""
        return replace(self, rejected=(), without_result=())

    def in_mains_band(self) -> np.ndarray:
        """Rows that were left out of the fit beside a mains line, bool, shape (n,)."""
        frequency = self.problem.drive.omega / (2 * np.pi)
        inside = np.zeros(len(frequency), bool)
        for band in self.mains:
            inside |= band.holds(frequency)
        return inside

    def weighed(self, sizes: Floats) -> SearchState:
        """With weights by the noise at these sizes of the model, shape (n, c)."""
        weights = weights_of(self.noise, sizes, self.problem.readings.valid)
        return replace(self, problem=replace(self.problem, weights=weights))

    def with_misfit_as_noise(self, least: tuple[NoiseModel, ...]) -> SearchState:
        """Weights by a noise of at least ``least``, with a floor of the size of what the model leaves."""
        readings = self.problem.readings
        left = residual_of(readings, self.solution)
        counted = np.maximum(readings.valid.sum(axis=0), 1)
        size = np.sqrt(np.sum(np.abs(left) ** 2, axis=0) / counted / (1 + readings.with_phase))
        noise = tuple(
            replace(channel, floor=max(channel.floor, float(rms))) for channel, rms in zip(least, size, strict=True)
        )
        return replace(self, noise=noise).weighed(self.solution.sizes)

    def reweighed(self) -> SearchState:
        """Noise from what the model leaves, weights at the model's sizes."""
        readings, solution = self.problem.readings, self.solution
        left, model = residual_of(readings, solution), solution.sizes
        noise = []
        for c in range(len(readings.kinds)):
            use = readings.valid[:, c]
            turn = np.exp(-1j * np.angle(solution.models[c][use])) if readings.with_phase[c] else 1.0
            noise.append(noise_of(left[use, c] * turn, model[use, c], bool(readings.with_phase[c])))
        return replace(self, noise=tuple(noise)).weighed(model)
