"""Found against true."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reportgen.compute.identification.swept_response import Identification
from reportgen.records.result import Resonance
from tests.accuracy.scenarios import Scenario
from tests.accuracy.truth import Bound, bound
from tests.identified import frequencies_of
from tests.simulator.recorder import Recording

STRONG = 12.0
"""A mode of so many standard deviations, all rows together, must be found; below, it may be."""


@dataclass(frozen=True)
class Error:
    """One quantity of one mode: relative error, what the run allows at best, and what was stated."""

    quantity: str
    mode: int
    channel: str | None
    error: float
    bound: float
    stated: float | None
    """Relative standard uncertainty stated, or None."""
    truth: float


@dataclass(frozen=True)
class Outcome:
    """What came of one scenario."""

    scenario: Scenario
    missed: tuple[float, ...]
    false: tuple[float, ...]
    stray: tuple[tuple[str, float], ...]
    """Resonances on a channel that does not take part in the mode."""
    errors: tuple[Error, ...]
    found: int

    def worst(self, quantity: str) -> float:
        """Largest relative error of a quantity over what the bound allows for chance (four deviations)."""
        return max((max(0.0, abs(e.error) - 4.0 * e.bound) for e in self.errors if e.quantity == quantity), default=0.0)


def compare(
    scenario: Scenario, recording: Recording, identification: Identification, limits: Bound | None = None
) -> Outcome:
    """Pair the modes found with the true ones, nearest first, and take the errors; ``limits`` where known already."""
    structure = scenario.structure
    if limits is None and _inside(scenario):
        limits = bound(scenario, recording)
    pairs, false = _pair(scenario, frequencies_of(identification))
    missed = [
        structure.modes[k].frequency_hz
        for k in _inside(scenario)
        if limits is not None and limits.strength[k] > STRONG and k not in pairs.values()
    ]
    errors, stray = [], []
    for c, sensor in enumerate(structure.sensors):
        fit = identification.channel(sensor.id)
        for resonance in () if fit is None else fit.resonances:
            near = min(
                pairs, key=lambda i: abs(frequencies_of(identification)[i] - resonance.frequency_hz), default=None
            )
            if near is None or sensor.id in scenario.spoiled:
                continue
            k = pairs[near]
            if sensor.shares[k] == 0.0:
                stray.append((sensor.id, resonance.frequency_hz))
            elif limits is not None:
                errors += _errors(scenario, c, k, resonance, limits)
    return Outcome(
        scenario, tuple(missed), tuple(false), tuple(stray), tuple(errors), len(frequencies_of(identification))
    )


def _inside(scenario: Scenario) -> list[int]:
    f = scenario.course.frequency(np.linspace(0.0, scenario.course.duration_s, 2001))
    modes = scenario.structure.modes
    return [
        k for k, m in enumerate(modes)
        if f.min() * (1 + 1 / m.q) < m.frequency_hz < f.max() * (1 - 1 / m.q)
    ]  # fmt: skip


def _pair(scenario: Scenario, found: tuple[float, ...]) -> tuple[dict[int, int], list[float]]:
    """Index of found mode to index of true mode, and the frequencies left over."""
    modes = scenario.structure.modes
    gaps = sorted(
        (abs(f - m.frequency_hz) / m.frequency_hz, i, k)
        for i, f in enumerate(found)
        for k, m in enumerate(modes)
        if abs(f - m.frequency_hz) < max(0.005, 0.7 / m.q) * m.frequency_hz
        or (k == len(modes) - 1 and f > 0.9 * m.frequency_hz)
    )
    pairs: dict[int, int] = {}
    for _, i, k in gaps:
        if i not in pairs and k not in pairs.values():
            pairs[i] = k
    return pairs, [f for i, f in enumerate(found) if i not in pairs]


def _errors(scenario: Scenario, c: int, k: int, resonance: Resonance, limits: Bound) -> list[Error]:
    structure = scenario.structure
    mode, channel = structure.modes[k], structure.sensors[c].id
    if k not in _inside(scenario):
        return []
    out = []
    for quantity, truth, value, std, best in (
        ("frequency", mode.frequency_hz, resonance.frequency_hz, resonance.frequency_std_hz, limits.frequency[k]),
        ("Q", mode.q, resonance.q, resonance.q_std, limits.q[k]),
        (
            "amplification",
            structure.peak(c, k) if structure.prominence(c, k) > 1.0 else None,
            resonance.amplification,
            resonance.amplification_std_fit or resonance.amplification_std,
            limits.amplification[c, k],
        ),
    ):
        if truth is not None and value is not None and np.isfinite(best):
            stated = None if std is None else std / truth
            out.append(Error(quantity, k, channel, value / truth - 1.0, float(best), stated, truth))
    return out
