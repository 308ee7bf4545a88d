"""From a run's swept response to its modes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from reportgen.compute.identification.asked_mode import Asked, Refused, with_asked_mode
from reportgen.compute.identification.fit_problem import problem_of
from reportgen.compute.identification.least_squares import FitProblem
from reportgen.compute.identification.misfit.account_report import AccountReport
from reportgen.compute.identification.misfit.asked_pole import with_asked_pole
from reportgen.compute.identification.misfit.audited import audited_account, audited_search, named_causes
from reportgen.compute.identification.misfit.model_choice import (
    AccountOf,
    account_of,
    asks_for_complex_residues,
    follows_level,
    most_of,
    prefers_account,
    speaks_for_itself,
)
from reportgen.compute.identification.misfit.peak_audit import Named
from reportgen.compute.identification.mode_evidence import MORE_THAN_NOISE, inflation_of_all, schwarz
from reportgen.compute.identification.mode_report import ModeReport, nothing_identified
from reportgen.compute.identification.model_order import begun, search, searched_from
from reportgen.compute.identification.search_state import SearchState
from reportgen.compute.identification.stated_filter import with_open_delay
from reportgen.compute.identification.steady_state import is_questionable, is_steadier, may_be_steady
from reportgen.compute.identification.swept_response import Identification, SweptResponse, usable_rows
from reportgen.records.identified_fact import FactCode, IdentifiedFact
from reportgen.records.message import Message, message

LEAST_ROWS = 12
"""Rows below which nothing can be told from noise."""
_MOST_WITHOUT_PHASE = 9
"""Modes that a first search without phase may ask for before another way is gone."""


@dataclass(frozen=True, slots=True, eq=False)
class Ended:
    """The end of an identification, of which its record is made: a search, an account, or nothing to identify."""

    nothing: Identification | None = None
    search: ModeReport | None = None
    account: AccountReport | None = None
    named: tuple[Named, ...] = ()
    """What the account leaves to be named by a search."""

    def identification(self) -> Identification:
        """The record; what a stated filter leaves open of the delay is in an account's uncertainties."""
        if self.search is not None:
            return audited_search(self.search)
        if self.account is not None:
            return with_open_delay(audited_account(self.account, self.named), self.account.problem.drive)
        assert self.nothing is not None
        return self.nothing

    def with_asked(self, asked: Sequence[Asked]) -> tuple[Ended, tuple[Refused, ...]]:
        """With the modes that the engineer asks for, one after the other; and what of them cannot be had, and why."""
        end, refused = self, []
        for each in asked:
            fitted = end._with_one(each)
            if isinstance(fitted, Message):
                refused.append(Refused(each, fitted))
            else:
                end = fitted
        return end, tuple(refused)

    def _with_one(self, asked: Asked) -> Ended | Message:
        if self.search is not None:
            search = with_asked_mode(self.search, asked)
            return search if isinstance(search, Message) else replace(self, search=search)
        if self.account is not None:
            account = with_asked_pole(self.account, asked)
            return account if isinstance(account, Message) else replace(self, account=account)
        assert self.nothing is not None
        return message("asked.nothing-sought", why=self.nothing.method)


def identify_modes(sweep: SweptResponse) -> Identification:
    """Modes of one run from all its channels together, freed of what the sweep did to the log: see ``identified``."""
    return identified(sweep).identification()


def identified(sweep: SweptResponse) -> Ended:
    """Modes of one run from all its channels together, freed of what the sweep did to the log.

    A log without time is taken as steady state, and so is one whose rows show it; a channel without phase is fitted in
    magnitude. Where real residues leave more than noise, an account with complex residues and misfit takes the place of
    the search, and modes that follow their level compete. All of that is said, and every peak is answered for.
    """
    rows = usable_rows(sweep)
    if rows.sum() < LEAST_ROWS:
        few = IdentifiedFact(code=FactCode.TOO_FEW_ROWS, rows=int(rows.sum()), least_rows=LEAST_ROWS)
        return Ended(nothing=nothing_identified(sweep, few))
    problem = problem_of(sweep, rows)
    readings = problem.readings
    if not readings.valid.any():
        return Ended(nothing=nothing_identified(sweep, IdentifiedFact(code=FactCode.NOTHING_READ)))
    if not (readings.with_phase | ~readings.valid.any(axis=0)).all():
        return Ended(search=ModeReport.of(sweep, rows, _searched_mixed(sweep, rows, problem)))
    return _with_phase(sweep, rows, problem)


def _with_phase(sweep: SweptResponse, rows: np.ndarray, problem: FitProblem) -> Ended:
    """Of a run whose channels have phase: the search where it leaves noise alone, else the account where it is better.

    The account comes first where rows are steady: it is quick, and a search with real residues would add pole after
    pole to follow phases that are not those of real modes.
    """
    start = begun(problem)
    account = account_of(start.problem) if problem.drive.steady else None
    if account is not None and asks_for_complex_residues(start, account):
        return Ended(account=follows_level(sweep, rows, account, start.phase_turned))
    searched = _searched(sweep, rows, start, account)
    if searched is not None:
        report = ModeReport.of(sweep, rows, searched)
        if account is None and speaks_for_itself(report):
            return Ended(search=report)
    else:
        report = None
    account = account or account_of(start.problem)
    accounted = follows_level(sweep, rows, account, start.phase_turned)
    if not accounted.moving:
        if report is not None and not prefers_account(report, account):
            return Ended(search=report)
        steadier = _steadier(sweep, rows, start, account)
        if steadier is not account:
            accounted = follows_level(sweep, rows, steadier, start.phase_turned)
    return Ended(account=accounted, named=tuple(named_causes(report)) if report is not None else ())


def _steadier(sweep: SweptResponse, rows: np.ndarray, start: SearchState, account: AccountOf) -> AccountOf:
    """The account of the same rows as steady state, where they carry a time, that explains them better, and no mode
    by itself shows that it was swept."""
    if start.problem.drive.steady:
        return account
    still = problem_of(replace(sweep, time_s=None, drive_cycles=None), rows)
    still = replace(still, readings=start.problem.readings)
    if account.shows_a_sweep(still) or not account.could_be_steady(still):
        return account
    other = account_of(still)
    return other if other.explains_more_than(account.left(), account.unknowns()) else account


def _searched(
    sweep: SweptResponse, rows: np.ndarray, start: SearchState, account: AccountOf | None
) -> SearchState | None:
    """The end of the search, of one for steady state where that is in doubt; None where it asks for too many modes."""
    most = most_of(start, account)
    state = searched_from(start, most=most)
    if len(state.poles) > most:
        return None
    return _steady_instead(sweep, rows, state)


def _steady_instead(sweep: SweptResponse, rows: np.ndarray, state: SearchState) -> SearchState:
    """The same state, or that of a search for steady state where the rows show it."""
    if is_questionable(state):
        still = problem_of(replace(sweep, time_s=None, drive_cycles=None), rows)
        if may_be_steady(state, still):
            other = search(still, most=len(state.poles) + 1)
            if is_steadier(state, other):
                return other
    return state


def _searched_mixed(sweep: SweptResponse, rows: np.ndarray, problem: FitProblem) -> SearchState:
    """The end of the search where a channel has no phase."""
    return _steady_instead(sweep, rows, _searched_without_phase(problem))


def _searched_without_phase(problem: FitProblem) -> SearchState:
    """The end of the search in a run without phase, where a search can get lost among wrong signs.

    It asks for many modes then, or leaves more than noise; another way of searching is gone as well.
    """
    first = search(problem, most=_MOST_WITHOUT_PHASE)
    lost = len(first.poles) > _MOST_WITHOUT_PHASE
    if not lost and _leaves_noise_alone(first):
        return first
    other = search(problem, peaks_first=False)
    if lost and _leaves_noise_alone(other):
        return other
    if lost:
        first = search(problem)
    return min(first, other, key=lambda state: schwarz(state.problem, state.solution))


def _leaves_noise_alone(state: SearchState) -> bool:
    return inflation_of_all(state.problem, state.solution) <= MORE_THAN_NOISE
