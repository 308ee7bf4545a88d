"""The state of a search for modes: what is fitted, the noise it is weighed by, and what was refused."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from reportgen.compute.identify.drive import Drive
from reportgen.compute.identify.evidence import residual_of
from reportgen.compute.identify.fit import Problem, Solution
from reportgen.compute.identify.noise import Noise, noise_of, weights_of
from reportgen.compute.identify.start import Bank, Candidate
from reportgen.records.log import Floats


@dataclass(frozen=True, slots=True, eq=False)
class Lateness:
    """A tracking filter late by τ times its course over the rows."""

    tau_s: float
    course: Floats
    """Shape (n,): 1, or falling with frequency where the bandwidth is in proportion to it."""

    @classmethod
    def of(cls, drive: Drive, tau_s: float) -> Lateness:
        """Of one bandwidth in Hz over the whole sweep."""
        return cls(tau_s, np.ones(len(drive.omega)))

    @property
    def bandwidth_hz(self) -> Floats:
        """1/(πτ) at the rows, shape (n,)."""
        return np.asarray(1.0 / (np.pi * self.tau_s * self.course))

    def on(self, drive: Drive) -> Drive:
        """The drive as logged through this filter."""
        return replace(drive, bandwidth_hz=self.bandwidth_hz)


@dataclass(slots=True, eq=False)
class Search:
    """The search for the modes of one run."""

    problem: Problem
    noise: tuple[Noise, ...]
    bank: Bank
    refused: list[tuple[float, float, str]] = field(default_factory=list)
    """(frequency, relative width, reason) of what was looked at and not taken."""

    in_vain: list[Candidate] = field(default_factory=list)
    """Shapes of the bank that were taken for modes, and no mode came of them."""
    filter: Lateness | None = None
    """A tracking filter that nobody stated and the responses show."""
    filter_asked: bool = False
    """True where the misfit was of that kind, whatever came of it."""
    filter_tried: Lateness | None = None
    """What was last fitted for a filter, claimed or not."""
    filter_suspected: Lateness | None = None
    """A filter that explains more than chance, but not enough to be claimed."""
    filter_doubt: Floats | None = None
    """What not knowing that filter better adds to the standard uncertainties of (ln f₀, ln ζ), shape (2m,)."""
    phase_turned: bool = False
    """True where the log's phases count the other way round."""
    lines: list[tuple[float, float]] = field(default_factory=list)
    """(Hz, bandwidth Hz) of mains lines that are in the model, in the order of its extra columns."""
    mains: list[tuple[float, float]] = field(default_factory=list)
    """(line Hz, half width Hz) of mains lines that were left out of the fit."""

    @property
    def searched(self) -> int:
        """Places looked at."""
        return len(self.bank)

    def refuse(self, frequency_hz: float, q: float, reason: str) -> None:
        """Remember that there is no mode here."""
        self.refused.append((frequency_hz, 0.5 * max(1.0 / q, 2e-3), reason))

    def is_refused(self, frequency_hz: Floats) -> np.ndarray:
        """True beside something that was refused, and in the band of a mains line; bool, of the shape given."""
        refused = np.zeros(frequency_hz.shape, bool)
        for f, width, _ in self.refused:
            refused |= np.abs(np.log(frequency_hz / f)) <= width
        for line, width in self.mains:
            refused |= np.abs(frequency_hz - line) <= width
        return refused

    def was_in_vain(self) -> np.ndarray:
        """Shapes of the bank that are no sharper than one that was in vain, and beside it; bool, (shapes,)."""
        vain = np.zeros(len(self.bank), bool)
        for each in self.in_vain:
            apart = np.abs(np.log(self.bank.frequency_hz / each.frequency_hz))
            vain |= (apart <= each.width) & (self.bank.q <= each.q)
        return vain

    def forget(self) -> None:
        """Under new weights everything refused, or tried in vain, is asked again."""
        self.refused.clear()
        self.in_vain.clear()

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

    def count_as_noise(self, least: tuple[Noise, ...], solution: Solution) -> None:
        """Weights by a noise of at least ``least``, with a floor of the size of what the model leaves."""
        left = residual_of(self.problem.readings, solution)
        counted = np.maximum(self.problem.readings.valid.sum(axis=0), 1)
        size = np.sqrt(np.sum(np.abs(left) ** 2, axis=0) / counted / (1 + self.problem.readings.with_phase))
        self.noise = tuple(
            replace(each, floor=max(each.floor, float(rms))) for each, rms in zip(least, size, strict=True)
        )
        self.weigh(np.abs(np.stack(solution.models, axis=1)))

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
