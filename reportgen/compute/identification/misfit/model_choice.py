"""Which model a log asks for: real residues and noise alone, or complex ones and misfit, or modes that follow level.

Real residues are enough where they leave white noise everywhere, no two modes overlap and all are known. Else an
account with complex residues is made of the same rows, and the better of both by Schwarz's criterion stays.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.signal import find_peaks

from reportgen.compute.identification.least_squares import FitProblem, refine
from reportgen.compute.identification.misfit.account import Account, account
from reportgen.compute.identification.misfit.account_report import AccountReport
from reportgen.compute.identification.misfit.band import Band, Complexes
from reportgen.compute.identification.misfit.level_competition import Motion, ShapeOf, levelled
from reportgen.compute.identification.misfit.level_dependence import LevelShape, Tangent, swept_shape
from reportgen.compute.identification.misfit.pole_search import contribution, converge
from reportgen.compute.identification.misfit.projection import refine as refine_poles
from reportgen.compute.identification.misfit.projection import solve
from reportgen.compute.identification.misfit.swept_band import band_of
from reportgen.compute.identification.modal_model import DIRECT_POWERS, Poles
from reportgen.compute.identification.mode_evidence import MORE_THAN_NOISE, inflation_of_all, residual_of
from reportgen.compute.identification.mode_report import ModeReport
from reportgen.compute.identification.search_state import SearchState
from reportgen.compute.identification.swept_response import SweptResponse
from reportgen.compute.identification.uncertainty import SteadyResponse
from reportgen.records.log import Floats

_ALONE = 4.0
"""Inflation of the noise variance around one mode from which a model is in doubt: the misfit is twice the noise."""
_BESIDE = 3.0
"""Bandwidths on each side of a mode on which it is asked whether it was swept."""
_LEAST_BESIDE = 24
"""Rows at least on which that is asked: a mode has four unknowns on each channel and two of its own."""
_VERY_STRONG = 10.0
"""Difference of Schwarz's criterion (Kass and Raftery 1995, table in 3.2)."""
_MANY = 4
"""Modes beyond those seen as maxima, and beyond those of an account, that a search with real residues may ask for."""
_PROMINENT = 1.2
"""Rise of a maximum over what surrounds it, as a ratio, from which it counts for that: 1.6 dB."""
_WIDTH_STD = 0.5
"""Standard uncertainty of a frequency over the bandwidth from which a mode is in doubt."""


@dataclass(frozen=True, slots=True, eq=False)
class AccountOf:
    """An account with the problem it is of."""

    problem: FitProblem
    account: Account
    order: NDArray[np.int64]

    @property
    def band(self) -> Band:
        """Of the account."""
        return self.account.state.band

    def left(self) -> Complexes:
        """What it leaves of every reading, in the order of the log, (n, c); 0 where nothing was read."""
        left = np.empty_like(self.band.values)
        left[self.order] = np.where(self.band.valid, self.account.state.left, 0.0)
        return left * self.problem.drive.amplitude[:, None]

    def unknowns(self) -> int:
        """Real unknowns of the model."""
        fit = self.account.state.fit
        assert fit is not None
        return 2 * len(fit.poles) + 2 * (fit.residues.size + fit.direct.size + len(fit.decays) * self.band.channels)

    def noise(self) -> Floats:
        """Standard deviation of the readings' noise as rows scatter, in the order of the log, (n, c)."""
        state = self.account.state
        sigma = np.empty_like(state.size)
        sigma[self.order] = state.doubt.noise(state.size)
        return sigma * self.problem.drive.amplitude[:, None]

    def could_be_steady(self, still: FitProblem) -> bool:
        """Whether the same poles, moved, fit the rows as steady state to within the price of all unknowns.

        A steady account that explains more needs about the same modes, and can save no more than that price.
        """
        state = self.account.state
        other = replace(state, band=band_of(still)[0])
        other.settle()
        converge(other, 10)
        read = state.band.valid
        sigma = state.doubt.noise(state.size)
        own, steady = (float(np.sum(np.abs(each.left / sigma)[read] ** 2)) for each in (state, other))
        readings = 2.0 * float(np.sum(read))
        return bool(readings * np.log(steady / own) < self.unknowns() * np.log(readings))

    def shows_a_sweep(self, still: FitProblem) -> bool:
        """Whether a mode by itself leaves noise on its rows as swept, and very strongly more as steady state.

        Another that follows its level leaves much either way, and must not decide what the log is.
        """
        state, steady = self.account.state, band_of(still)[0]
        assert state.fit is not None
        for mode in self.account.modes():
            one = np.array([mode.index])
            omega, width = float(state.poles.omega[mode.index]), float(state.poles.width[mode.index])
            rows = self.band.rows_around(omega - _BESIDE * width, omega + _BESIDE * width, _LEAST_BESIDE)
            held = state.fit.model[rows] - contribution(state, one, rows)
            weight = np.where(state.band.valid[rows], 1.0 / state.doubt.noise(state.size)[rows], 0.0)
            own, other = (
                refine_poles(band, solve(band, state.poles.pick(one), rows, weight, held), weight, held).cost
                for band in (self.band, steady)
            )
            readings = 2.0 * float(np.sum(weight > 0))
            if own < _ALONE * readings and readings * np.log(other / own) > _VERY_STRONG:
                return True
        return False

    def explains_more_than(self, left: Complexes, unknowns: int) -> bool:
        """Whether Schwarz's criterion is for the account, against a model that leaves so much, (n, c)."""
        sigma, read = self.noise(), np.abs(left) > 0
        readings = 2.0 * float(np.sum(read))
        own, other = (float(np.sum(np.abs(each / sigma)[read] ** 2)) for each in (self.left(), left))
        return bool(readings * np.log(own / other) + (self.unknowns() - unknowns) * np.log(readings) < 0.0)


# Rows without a reading have no weight; what is computed for them is masked, whatever it comes to.
@np.errstate(divide="ignore", invalid="ignore")
def account_of(problem: FitProblem) -> AccountOf:
    """The account of a problem."""
    band, order = band_of(problem)
    return AccountOf(problem, account(band), order)


def most_of(start: SearchState, found: AccountOf | None) -> int:
    """Modes up to which a search with real residues is followed."""
    if found is not None:
        return len(found.account.state.poles) + _MANY
    return _maxima(start) + _MANY


def _maxima(start: SearchState) -> int:
    """Maxima of the responses, those of several channels within a bandwidth of 2 % counted once."""
    drive, readings = start.problem.drive, start.problem.readings
    at: list[float] = []
    for c in range(len(readings.kinds)):
        rows = np.flatnonzero(readings.valid[:, c])
        level = np.log(np.maximum(readings.amplitude[rows, c] / drive.amplitude[rows], 1e-300))
        found, _ = find_peaks(level, prominence=np.log(_PROMINENT))
        at += [float(x) for x in np.log(drive.omega[rows[found]])]
    return 1 + int(np.sum(np.diff(np.sort(at)) > 0.02)) if at else 0


def asks_for_complex_residues(start: SearchState, found: AccountOf) -> bool:
    """Whether the poles of an account, with real residues, leave much more than noise, and complex ones do not."""
    poles = found.account.state.poles
    inside = (poles.omega > found.band.omega[0]) & (poles.omega < found.band.omega[-1])
    if not inside.any():
        return False
    problem = replace(start.problem, powers=DIRECT_POWERS)
    real = Poles(
        frequency_hz=poles.omega / (2 * np.pi), damping_ratio=poles.zeta, complex_residue=np.zeros(len(poles), bool)
    )
    solution = refine(problem, real, None, iterations=4, tolerance=1.0)
    left = found.left()
    turned = left * problem.readings.turn
    weights = problem.weights
    own = float(np.sum((turned.real * weights.along) ** 2 + (turned.imag * weights.across) ** 2))
    return inflation_of_all(problem, solution) > _ALONE and solution.cost > MORE_THAN_NOISE * own


def speaks_for_itself(report: ModeReport) -> bool:
    """Whether a search ended with white noise, modes apart from one another, and all of them known."""
    problem, solution = report.problem, report.solution
    if inflation_of_all(problem, solution) > MORE_THAN_NOISE:
        return False
    modes = report.reported()
    if not modes or not all(_has_peak(report, k) for k in modes):
        return False
    frequency, q = solution.poles.frequency_hz[modes], solution.poles.q[modes]
    apart = np.diff(np.log(frequency)) * np.minimum(q[1:], q[:-1])
    inflation = np.array([report.evidence.inflation[k] for k in modes])
    std = np.array([report.spread.of_pole(2 * k, report.evidence.inflation_of(k)) * solution.poles.q[k] for k in modes])
    return bool(np.min(apart, initial=np.inf) > 1.0 and inflation.max() <= _ALONE and std.max() <= _WIDTH_STD)


def _has_peak(report: ModeReport, k: int) -> bool:
    """Whether the steady response has a peak of its own at mode k on a channel that sees it."""
    poles = report.solution.poles
    f0, q = float(poles.frequency_hz[k]), float(poles.q[k])
    seen = np.flatnonzero(report.seen(k))
    return any(SteadyResponse.of(report.problem, report.solution, int(c)).peak_beside(f0, q)[1] for c in seen)


def prefers_account(report: ModeReport, found: AccountOf) -> bool:
    """Whether an account with complex residues explains a log better than the end of a search with real ones.

    Where both have as many modes the search stays if it leaves noise alone, or if Schwarz's criterion is for it. Modes
    that the account does without are not needed; those that it has beyond the search are, if the criterion is for it.
    """
    problem, solution = report.problem, report.solution
    real = 2 * len(solution.poles) + len(solution.poles.events) + sum(len(x) for x in solution.coefficients)
    better = found.explains_more_than(residual_of(problem.readings, solution), real)
    searched, accounted = len(report.reported()), len(found.account.modes())
    if searched == accounted:
        return better and inflation_of_all(problem, solution) > MORE_THAN_NOISE
    return better or accounted < searched


def follows_level(sweep: SweptResponse, rows: np.ndarray, found: AccountOf, phase_turned: bool) -> AccountReport:
    """The account as a report, with the modes in it that follow their level."""
    level = found.problem.drive.amplitude[found.order]
    motion = _motion_of(sweep, found)
    moving = [] if not _one_way(found) else levelled(found.account, level, motion, _shape_of(found))
    return AccountReport(sweep, rows, found.problem, found.account, found.order, moving, phase_turned)


_ORDER = {"displacement": 0, "velocity": 1, "acceleration": 2}
"""Powers of ω over a displacement."""


def _motion_of(sweep: SweptResponse, found: AccountOf) -> Motion:
    """Of the channels of a run; strain, force and the like follow the displacement of a mode."""
    kinds = found.problem.readings.kinds
    base = _ORDER.get(sweep.control_dimension)
    rigid = np.array([0.0 if base is None or kind.power or kind.relative else 1.0 for kind in kinds])
    drive = 0 if base is None else base - 2
    over = np.array([-2 - drive if kind.relative else kind.power for kind in kinds])
    return Motion(rigid, over, over + drive + 2)


def _one_way(found: AccountOf) -> bool:
    """Whether rows along the frequency are rows along the time, one way or the other."""
    if found.problem.drive.steady:
        return True
    step = np.diff(found.order)
    return bool(np.all(step == 1) or np.all(step == -1))


def _shape_of(found: AccountOf) -> ShapeOf | None:
    drive = found.problem.drive
    if drive.steady:
        return None
    phase = np.concatenate([[0.0], np.cumsum(drive.advance)])

    def shape_of(rows: slice) -> tuple[LevelShape, Floats]:
        own = found.order[rows]
        forward = np.sort(own)
        marched = swept_shape(drive.time_s[forward], phase[forward], drive.amplitude[forward], drive.omega[forward])
        back = np.argsort(own)
        place = np.argsort(back)

        def shape(pole: Complexes) -> tuple[Complexes, Tangent, Complexes]:
            value, tangent, ringing = marched(pole[back])
            return value[place], lambda change: np.asarray(tangent(change[:, back])[:, place]), ringing[:, place]

        return shape, drive.time_s[own]

    return shape_of
