"""Beam theory held beside the numbered modes: a witness that questions numbers and names what is missing."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from scipy.optimize import minimize_scalar

from reportgen.compute.modes.beam import frequency_ratio, root
from reportgen.compute.modes.mode_number import mode_from_count, nodes_of_mode
from reportgen.records.job import Boundary

THEORY_FLOOR = 0.005
"""Relative misfit that Euler-Bernoulli theory may have on a real slender beam (shear, rotary inertia, sensor mass)."""
VERY_STRONG = 10.0
"""Difference of the Bayesian information criterion called very strong evidence (Kass and Raftery 1995, J. Am. Stat.
Assoc. 90, 773-795)."""
FEWEST_TO_COMPARE = 3
_TO_CLAMPED_PINNED = 0.999


@dataclass(frozen=True, slots=True)
class Fit:
    """A uniform beam fitted to numbered modes: f_n = scale · (z_n / z_1)²."""

    boundary: Boundary
    numbered: tuple[tuple[int, float], ...]
    """(mode, frequency in Hz), rising."""
    scale_hz: float
    tip_mass_ratio: float
    tip_mass_fitted: bool
    residuals: tuple[float, ...]
    """frequency / expected − 1, mode by mode."""

    @property
    def parameters(self) -> int:
        """Number of fitted parameters."""
        return 2 if self.tip_mass_fitted else 1

    @property
    def rms(self) -> float:
        """Root mean square of the residuals."""
        return math.sqrt(sum(r**2 for r in self.residuals) / len(self.residuals))

    @property
    def worst(self) -> float:
        """Residual of largest magnitude."""
        return max(self.residuals, key=abs)

    @property
    def criterion(self) -> float:
        """n ln(mean square + theory floor²) + k ln n: Bayesian information criterion, not below what theory allows."""
        n = len(self.residuals)
        return n * math.log(self.rms**2 + THEORY_FLOOR**2) + self.parameters * math.log(n)

    def expected_hz(self, mode: int) -> float:
        """Frequency of a mode of the fitted beam."""
        return self.scale_hz * frequency_ratio(self.boundary, mode, self.tip_mass_ratio)

    def nearest_mode(self, frequency_hz: float, highest: int = 60) -> tuple[int, float]:
        """The mode whose expected frequency is nearest in ratio, and that frequency."""
        best = min(range(1, highest + 1), key=lambda mode: abs(math.log(self.expected_hz(mode) / frequency_hz)))
        return best, self.expected_hz(best)


def fit_beam(
    boundary: Boundary, numbered: Mapping[int, float], *, tip_mass_ratio: float | None = None, fit_tip: bool = False
) -> Fit:
    """Least squares of the logarithms of frequency, so that every mode weighs the same in per cent.

    The scale has a closed form; the tip mass ratio μ, where ``fit_tip`` and the boundary is clamped-free, is searched
    in t = μ/(1 + μ) over 0 … 0.999. ``tip_mass_ratio`` is used as it stands where nothing is fitted.
    """
    modes = sorted(numbered)
    logs = [math.log(numbered[mode]) for mode in modes]
    free = fit_tip and boundary is Boundary.CLAMPED_FREE
    mu = _best_tip(modes, logs) if free else (tip_mass_ratio or 0.0)
    log_scale, left = _scaled(boundary, modes, logs, mu)
    return Fit(
        boundary=boundary,
        numbered=tuple((mode, numbered[mode]) for mode in modes),
        scale_hz=math.exp(log_scale),
        tip_mass_ratio=mu if boundary is Boundary.CLAMPED_FREE else 0.0,
        tip_mass_fitted=free,
        residuals=tuple(math.expm1(r) for r in left),
    )


def _scaled(boundary: Boundary, modes: Sequence[int], logs: Sequence[float], mu: float) -> tuple[float, list[float]]:
    left = [
        log - 2.0 * math.log(root(boundary, mode, mu) / root(boundary, 1, mu))
        for mode, log in zip(modes, logs, strict=True)
    ]
    mean = sum(left) / len(left)
    return mean, [each - mean for each in left]


def _best_tip(modes: Sequence[int], logs: Sequence[float]) -> float:
    def misfit(t: float) -> float:
        return sum(r**2 for r in _scaled(Boundary.CLAMPED_FREE, modes, logs, round(t / (1.0 - t), 9))[1])

    found = minimize_scalar(misfit, bounds=(0.0, _TO_CLAMPED_PINNED), method="bounded", options={"xatol": 1e-6})
    # The bounded search never tries its ends; no tip mass at all is an end.
    t = 0.0 if misfit(0.0) <= found.fun else float(found.x)
    return round(t / (1.0 - t), 9)


def fit_other_boundaries(fit: Fit) -> tuple[Fit, ...]:
    """The other boundaries fitted to the same frequencies, each with the numbers that the same node counts mean there.

    A boundary under which a count has no number (rigid-body motion) is left out.
    """
    others = []
    for boundary in Boundary:
        if boundary is fit.boundary:
            continue
        numbered: dict[int, float] = {}
        for mode, frequency_hz in fit.numbered:
            other = mode_from_count(boundary, nodes_of_mode(fit.boundary, mode)).mode
            if other is not None:
                numbered[other] = frequency_hz
        if len(numbered) == len(fit.numbered):
            fit_tip = boundary is Boundary.CLAMPED_FREE and len(numbered) >= FEWEST_TO_COMPARE
            others.append(fit_beam(boundary, numbered, fit_tip=fit_tip))
    return tuple(others)


@dataclass(frozen=True, slots=True)
class OddOne:
    """One numbered mode that alone spoils the fit, and what the others say of it."""

    mode: int
    away: float
    """frequency / what the fit through the others expects under its number − 1."""
    nearest_mode: int
    nearest_hz: float


def odd_one_out(fit: Fit, doubtful: float) -> OddOne | None:
    """The mode that lies farther than ``doubtful`` from a fit through all others, which agree four times better alone.

    From four modes up, and only where the fit through all is doubtful; None where no single mode is to blame.
    """
    if len(fit.numbered) < FEWEST_TO_COMPARE + 1 or not abs(fit.worst) > doubtful:
        return None
    found: list[tuple[float, OddOne]] = []
    for mode, frequency_hz in fit.numbered:
        others = {number: hz for number, hz in fit.numbered if number != mode}
        without = fit_beam(fit.boundary, others, tip_mass_ratio=fit.tip_mass_ratio, fit_tip=fit.tip_mass_fitted)
        away = frequency_hz / without.expected_hz(mode) - 1.0
        nearest, nearest_hz = without.nearest_mode(frequency_hz)
        if abs(away) > doubtful and nearest != mode and without.rms <= max(0.25 * fit.rms, THEORY_FLOOR):
            found.append((without.rms, OddOne(mode, away, nearest, nearest_hz)))
    return min(found, key=lambda each: each[0])[1] if found else None


def clearly_better(fit: Fit, others: Sequence[Fit]) -> Fit | None:
    """Another boundary with very strong evidence for it, or None; never from fewer than three numbered modes."""
    if len(fit.numbered) < FEWEST_TO_COMPARE:
        return None
    best = min(others, key=lambda each: each.criterion, default=None)
    if best is None or not fit.criterion - best.criterion > VERY_STRONG:
        return None
    return best
