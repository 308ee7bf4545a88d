"""From a band to modes, background and what is left."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from reportgen.compute.identification.misfit.band import Band, Complexes
from reportgen.compute.identification.misfit.pole_evidence import (
    Covariance,
    Verdict,
    covariance,
    pooled_of,
    prune,
    tidy,
)
from reportgen.compute.identification.misfit.pole_search import State, begin, converge, hunt, still_asked_for
from reportgen.compute.identification.misfit.projection import Poles
from reportgen.compute.identification.misfit.window_disagreement import disagreement

FIRST_MISFIT = 0.05
"""Share of the response that the first search allows for what the model cannot follow."""
_PASSES = 5
_SAME = 0.1
"""Part of a bandwidth within which a pole of two passes is the same."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mode:
    """One mode; standard deviations are relative, residues complex, one a channel, rad/s times the channel's ratio."""

    index: int
    frequency_hz: float
    q: float
    frequency_std: float
    q_std: float
    residues: Complexes


@dataclass(frozen=True, slots=True, eq=False)
class Account:
    """All poles of a band with what they are: modes, or background."""

    state: State
    seen: Covariance
    complete: bool
    """False where the search was broken off: what is left still stands out somewhere, and no pole answers for it."""
    verdicts: list[Verdict]

    def modes(self) -> list[Mode]:
        """Those poles that count as modes, by frequency."""
        poles = self.state.poles
        assert self.state.fit is not None
        return [
            Mode(
                index=int(k),
                frequency_hz=float(poles.omega[k] / (2 * np.pi)),
                q=float(0.5 / poles.zeta[k]),
                frequency_std=self.verdicts[k].frequency_std,
                q_std=self.verdicts[k].q_std,
                residues=self.state.fit.residues[k],
            )
            for k in np.argsort(poles.omega, kind="stable")
            if not self.verdicts[k].reason
        ]


# Rows without a reading have no weight; what is computed for them is masked, whatever it comes to.
@np.errstate(divide="ignore", invalid="ignore")
def account(band: Band, most: int = 120) -> Account:
    """Search, weigh, take out; again with the misfit that is then known, while that finds more."""
    state = begin(band, FIRST_MISFIT)
    allowed = FIRST_MISFIT
    before = state.poles
    for _ in range(_PASSES):
        complete = hunt(state, most)
        converge(state)
        tidy(state)
        state.resize()
        state.vain[:] = False
        if still_asked_for(state):  # what was taken out was not needless
            if _same(state.poles, before):
                break
            before = state.poles
            continue
        pooled = pooled_of(state, covariance(state, state.weight))
        if not pooled < 0.5 * allowed:
            break
        allowed = max(pooled, 1e-4)
        state.reweigh(np.full((1, 1), allowed))
        state.settle()
    seen, found = prune(state)
    return Account(state, seen, complete, [widened(state, seen, k, each) for k, each in enumerate(found)])


def _same(poles: Poles, before: Poles) -> bool:
    """True where a pass found the poles of the one before: another would find them again."""
    if len(poles) != len(before):
        return False
    a, b = np.argsort(poles.omega), np.argsort(before.omega)
    away = np.abs(poles.omega[a] - before.omega[b]) / before.width[b]
    return bool(np.max(away, initial=0.0) < _SAME and len(poles))


def widened(state: State, seen: Covariance, k: int, verdict: Verdict) -> Verdict:
    """With what fits on other rows disagree about, for a mode."""
    if verdict.reason:
        return verdict
    more = disagreement(state, seen, k)
    return replace(
        verdict,
        frequency_std=float(np.hypot(verdict.frequency_std, np.sqrt(more[0]))),
        q_std=float(np.hypot(verdict.q_std, np.sqrt(more[1]))),
    )
