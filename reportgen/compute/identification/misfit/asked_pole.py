"""A mode that the engineer asks for, in an account with complex residues and misfit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from reportgen.compute.identification.asked_mode import (
    UNDAMPED,
    Asked,
    also_asked,
    displaced,
    merged,
    off_the_rows,
    strayed,
    weighed,
)
from reportgen.compute.identification.misfit.account import Account, widened
from reportgen.compute.identification.misfit.account_report import AccountReport
from reportgen.compute.identification.misfit.model_choice import AccountOf, follows_level
from reportgen.compute.identification.misfit.pole_evidence import (
    Covariance,
    Objection,
    Verdict,
    gain_of,
    least_gain,
    verdicts,
    weigh_local,
)
from reportgen.compute.identification.misfit.pole_search import State, contribution, converge, local_rows
from reportgen.compute.identification.misfit.projection import Poles, refine, solve
from reportgen.compute.identification.mode_evidence import LEAST_Q
from reportgen.records.message import Message, message
from reportgen.records.result import AskedFor

_STARTS = (0.001, 0.002, 0.005, 0.0125, 0.03, 0.08)
"""Damping ratios to begin from: Q from 6 to 500."""
_MOST_BESIDE = 6
"""Poles beside that move along, as in the search."""
_SAID = {
    Objection.OUTSIDE: message("asked.against-range"),
    Objection.EDGE: message("asked.against-edge"),
    Objection.ONE_ROW: message("asked.against-rows"),
    Objection.MISFIT: message("asked.against-misfit"),
}


# Rows without a reading have no weight; what is computed for them is masked, whatever it comes to.
@np.errstate(divide="ignore", invalid="ignore")
def with_asked_pole(report: AccountReport, asked: Asked) -> AccountReport | Message:
    """The account with one pole more, or with one of its own that it took for no mode; else why not."""
    columns = [c for c, name in enumerate(report.sweep.channels) if name in asked.channels]
    refused = off_the_rows(report.problem, columns, asked.frequency_hz) or _within_moving(report, asked.frequency_hz)
    if refused is not None:
        return refused
    known = _pole_there(report.account, asked.frequency_hz)
    if known is None:
        fitted = _fitted(report.account, asked.frequency_hz)
        if isinstance(fitted, Message):
            return fitted
        report, known = _reported(report, fitted), len(fitted.state.poles) - 1
    elif known in report.printed() and all(report.shown(known)[c] for c in columns):
        return message("asked.there-already", frequency_hz=float(report.account.state.poles.omega[known] / (2 * np.pi)))
    elif known not in report.printed():
        report = replace(report, account=_with_spread(report.account, known))
    if any(known in each.stands_for for each in report.moving):
        return message("asked.follows-level")
    return replace(report, asked=also_asked(report.asked, known, asked, columns))


def _within_moving(report: AccountReport, frequency_hz: float) -> Message | None:
    """Why nothing is fitted within a mode that follows its level: it would take the place of what that does."""
    for each in report.moving:
        low, high = each.frequency_range()
        if low - each.bandwidth() <= frequency_hz <= high + each.bandwidth():
            return message("asked.within-moving", low_hz=low, high_hz=high)
    return None


def _pole_there(account: Account, frequency_hz: float) -> int | None:
    """The pole within whose half-power band a frequency lies, the nearest; None where there is none."""
    poles = account.state.poles
    away = np.abs(poles.omega - 2 * np.pi * frequency_hz)
    there = np.flatnonzero((away <= 0.5 * poles.width) & (0.5 / poles.zeta >= LEAST_Q))
    return int(there[np.argmin(away[there])]) if len(there) else None


def _fitted(account: Account, frequency_hz: float) -> Account | Message:
    """One pole more, all of them moved, weighed anew; or why that is no mode there."""
    state, before = replace(account.state), account.state.poles
    placed = _placed(state, frequency_hz)
    if isinstance(placed, Message):
        return placed
    near, together = placed
    omega, zeta = before.omega.copy(), before.zeta.copy()
    omega[near], zeta[near] = together.omega[:-1], together.zeta[:-1]
    state.poles = Poles(omega, zeta).join(together.pick(np.array([len(together) - 1])))
    state.settle()
    converge(state, 6)
    seen = weigh_local(state, rounds=1)
    hertz, q, new = state.poles.omega / (2 * np.pi), 0.5 / state.poles.zeta, len(before)
    modes = [k for k, each in enumerate(account.verdicts) if not each.reason]
    old_hz, old_q = before.omega[modes] / (2 * np.pi), 0.5 / before.zeta[modes]
    beside = [*modes, new]
    refused = (
        strayed(frequency_hz, float(hertz[new]), float(q[new]))
        or merged(hertz[beside], q[beside], len(modes))
        or displaced(old_hz, old_q, hertz[modes])
    )
    if refused is not None:
        return refused
    found = _judged(state, seen, account, new)
    undamped = found.verdicts[new].q_std > UNDAMPED
    return message("asked.no-damping", frequency_hz=float(hertz[new])) if undamped else found


def _judged(state: State, seen: Covariance, account: Account, new: int) -> Account:
    """With what is said of every pole: those that were no modes stay none, those that were stay modes."""
    found = verdicts(state, seen)
    kept = [each if k == new else replace(each, reason=account.verdicts[k].reason) for k, each in enumerate(found)]
    whole = [_spread(state, seen, k, each) if k == new or not each.reason else each for k, each in enumerate(kept)]
    return replace(account, state=state, seen=seen, verdicts=whole)


def _with_spread(account: Account, k: int) -> Account:
    """With how far a pole is known that was no mode."""
    own = [*account.verdicts]
    own[k] = _spread(account.state, account.seen, k, own[k])
    return replace(account, verdicts=own)


def _spread(state: State, seen: Covariance, k: int, verdict: Verdict) -> Verdict:
    """With what fits on other rows disagree about, whatever is said against it."""
    return replace(widened(state, seen, k, replace(verdict, reason=Objection.NONE)), reason=verdict.reason)


def _placed(state: State, frequency_hz: float) -> tuple[Sequence[int], Poles] | Message:
    """Poles that move along, and the same with the new one behind them, from the start that explains most of those
    that stay there; why there is none."""
    found = sorted((_from(state, 2 * np.pi * frequency_hz, zeta) for zeta in _STARTS), key=lambda each: -each[0])
    refused = [
        strayed(frequency_hz, float(poles.omega[-1] / (2 * np.pi)), float(0.5 / poles.zeta[-1])) for *_, poles in found
    ]
    stay = [(near, poles) for (_, near, poles), why in zip(found, refused, strict=True) if why is None]
    return stay[0] if stay else refused[0] or found[0][1:]


def _from(state: State, omega: float, zeta: float) -> tuple[float, Sequence[int], Poles]:
    """(χ² gained, poles beside, these and the new one) of a fit on the rows around, all else held."""
    assert state.fit is not None
    band, start = state.band, Poles(np.array([omega]), np.array([zeta]))
    rows = local_rows(state, omega, float(start.width[0]))
    inside = (state.poles.omega > band.omega[rows][0]) & (state.poles.omega < band.omega[rows][-1])
    near = np.flatnonzero(inside)
    near = near[np.argsort(np.abs(state.poles.omega[near] - omega))][:_MOST_BESIDE]
    held = state.fit.model[rows] - (contribution(state, near, rows) if len(near) else 0.0)
    weight = state.weight[rows]
    without = refine(band, solve(band, state.poles.pick(near), rows, weight, held), weight, held, iterations=6)
    both = state.poles.pick(near).join(start)
    after = refine(band, solve(band, both, rows, weight, held), weight, held, iterations=15)
    return without.cost - after.cost, [int(k) for k in near], after.poles


def _reported(report: AccountReport, account: Account) -> AccountReport:
    """The report of the account; modes that follow their level are sought again where there were any."""
    if not report.moving:
        return replace(report, account=account)
    found = AccountOf(report.problem, account, report.order)
    return replace(follows_level(report.sweep, report.rows, found, report.phase_turned), asked=report.asked)


@np.errstate(divide="ignore", invalid="ignore")
def evidence_on(report: AccountReport, c: int, k: int, *, own_peak: bool) -> AskedFor:
    """What the data say of pole k on channel c."""
    state, said = report.account.state, report.account.verdicts[k]
    gain = min(gain_of(state, k))
    score = gain / least_gain(state, k)
    known = said.reason in (Objection.NONE, Objection.CHANCE, Objection.UNCERTAIN)
    found = weighed(
        asked_hz=report.asked[k][c], gain=gain, score=score, objection=None if known else _SAID[said.reason],
        over_noise=float(report.over_noise(k)[c]), own_peak=own_peak,
        std_share=said.frequency_std * float(state.poles.omega[k] / state.poles.width[k]),
    )  # fmt: skip
    return replace(found, meets_criterion=found.meets_criterion and not said.reason)
