"""Modes of one run on all its channels, and which of two runs are one: by number, frequency and shape."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from reportgen.records.result import Resonance, RunResult

SAME_MODE = 0.005
"""Channels of one run show one mode where their frequencies agree within 0.5 %, half a bandwidth or three standard
uncertainties."""
FARTHEST = 0.2
"""A mode without number or shape is looked for up to this far away (as ln of the ratio of frequencies)."""
FARTHEST_BY_SHAPE = 0.35
FARTHEST_BY_NUMBER = 0.7
"""The same where the shapes are alike, and where both carry one number: what says more may lie further away."""
SAME_SHAPE = 0.8
"""Modal assurance criterion above which two shapes count as alike (common practice in modal test)."""
WEAK_Q = 0.1
"""A mode whose Q is known worse than 10 % stands too weakly to say that it vanished."""


@dataclass(slots=True)
class ModeSeen:
    """One mode of one run on all channels that show it."""

    resonances: dict[str, Resonance] = field(default_factory=dict)

    @property
    def frequency_hz(self) -> float:
        """Median over the channels."""
        return float(np.median([each.frequency_hz for each in self.resonances.values()]))

    @property
    def number(self) -> int | None:
        """Mode number that a channel's resonance carries, or None."""
        return next((each.mode for each in self.resonances.values() if each.mode is not None), None)

    @property
    def weak(self) -> bool:
        """True where no channel knows it well."""
        return all(is_weak(each) for each in self.resonances.values())


def is_weak(resonance: Resonance) -> bool:
    """Whether a resonance is known too badly to conclude anything from its absence elsewhere."""
    if resonance.q is None or resonance.q_std is None or resonance.frequency_std_hz is None:
        return True
    return resonance.q_std > WEAK_Q * resonance.q


def modes_seen(run: RunResult) -> list[ModeSeen]:
    """Resonances of all channels, rejected ones apart, gathered into modes in rising frequency."""
    every = [(res, channel.id) for channel in run.channels for res in channel.resonances if res.rejected is None]
    modes: list[ModeSeen] = []
    for resonance, channel in sorted(every, key=lambda each: each[0].frequency_hz):
        home = next((mode for mode in reversed(modes[-3:]) if _belongs(resonance, channel, mode)), None)
        if home is None:
            modes.append(home := ModeSeen())
        home.resonances[channel] = resonance
    return modes


def _belongs(resonance: Resonance, channel: str, mode: ModeSeen) -> bool:
    if channel in mode.resonances:
        return False
    if resonance.mode is not None and mode.number is not None:
        return resonance.mode == mode.number
    near = mode.frequency_hz
    width = max(
        SAME_MODE * near,
        0.5 * near / resonance.q if resonance.q else 0.0,
        3.0 * (resonance.frequency_std_hz or 0.0),
    )
    return abs(resonance.frequency_hz - near) <= width


def shape_likeness(a: dict[str, Resonance], b: dict[str, Resonance]) -> float | None:
    """Modal assurance criterion |aᴴb|² / (aᴴa · bᴴb) over the channels both share; None with fewer than two.

    Allemang & Brown, 1st International Modal Analysis Conference, 1982.
    """
    shared = [c for c in a if c in b and a[c].residue is not None and b[c].residue is not None]
    if len(shared) < 2:
        return None
    x = np.array([a[c].residue for c in shared], dtype=complex)
    y = np.array([b[c].residue for c in shared], dtype=complex)
    power = float(np.vdot(x, x).real * np.vdot(y, y).real)
    return float(abs(np.vdot(x, y)) ** 2 / power) if power > 0 else None


def _cost(a: ModeSeen, b: ModeSeen) -> float:
    """How badly two modes go together: 1 is as far as they may be apart; inf where they cannot be one."""
    distance = abs(math.log(b.frequency_hz / a.frequency_hz))
    likeness = shape_likeness(a.resonances, b.resonances)
    if a.number is not None and a.number == b.number:
        farthest, penalty = FARTHEST_BY_NUMBER, 0.0
    elif likeness is not None and likeness >= SAME_SHAPE:
        farthest, penalty = FARTHEST_BY_SHAPE, 0.0
    else:
        farthest, penalty = FARTHEST, 0.0 if likeness is None else 0.5 * (1.0 - likeness)
    if a.number is not None and b.number is not None and a.number != b.number:
        penalty += 0.4
    cost = distance / farthest + penalty
    return cost if cost < 1.0 else math.inf


def pair_modes(old: list[ModeSeen], new: list[ModeSeen]) -> dict[int, int]:
    """Index of the partner of each old mode; the pairing with the least total cost, staying alone costing 1 each."""
    if not old or not new:
        return {}
    from scipy.optimize import linear_sum_assignment

    alone = 2.0
    cost = np.array([[min(_cost(a, b), 1e6) for b in new] for a in old])
    size = len(old) + len(new)
    square = np.full((size, size), 0.0)
    square[: len(old), : len(new)] = cost
    square[: len(old), len(new) :] = alone / 2.0
    square[len(old) :, : len(new)] = alone / 2.0
    rows, columns = linear_sum_assignment(square)
    return {
        int(i): int(j) for i, j in zip(rows, columns, strict=True) if i < len(old) and j < len(new) and cost[i, j] < 1.0
    }
