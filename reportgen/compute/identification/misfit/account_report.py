"""An account of a run's responses as records: every mode on every channel that sees it, with its uncertainties."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from reportgen.compute.identification.findings import of_resonance, stated
from reportgen.compute.identification.least_squares import FitProblem
from reportgen.compute.identification.misfit.account import Account
from reportgen.compute.identification.misfit.band import Band, Complexes
from reportgen.compute.identification.misfit.level_competition import Levelled
from reportgen.compute.identification.misfit.peak_audit import Curves
from reportgen.compute.identification.misfit.pole_evidence import stands_out_on
from reportgen.compute.identification.misfit.pole_search import STANDS_OUT, forced_part
from reportgen.compute.identification.misfit.projection import (
    basis_of,
    powers_over,
    real_rows,
)
from reportgen.compute.identification.mode_report import model_of
from reportgen.compute.identification.noise_only_rows import local_noise
from reportgen.compute.identification.recorded_peak import RecordedResponse, observed
from reportgen.compute.identification.swept_response import (
    ChannelFit,
    Identification,
    SweptResponse,
    steadiness,
)
from reportgen.records.identified_fact import FactCode, IdentifiedFact
from reportgen.records.log import Floats
from reportgen.records.message import Message, message
from reportgen.records.result import AskedFor, Observed, Resonance

CRITERION = message("identified.criterion-misfit", times=STANDS_OUT)
"""As ``pole_evidence`` holds every pole to it; printed in the report's methods."""
_NEAR = 2.0
"""Bandwidths within which the end of the range or another mode weighs on a mode."""
_WORTH_SAYING = 0.95
"""Recorded over steady peak below which it is said: the loss of 5 % that the fastest permissible rate stands for."""
_LEAST_MISFIT = 1e-4
"""Share of the response below which a misfit is not worth a word: a tenth of what the best sensors are linear to."""
_TURNED_DEG = 5.0
"""Angle of a residue off the real axis, median of the modes, from which complex residues are said to be needed."""


@dataclass(frozen=True, slots=True, eq=False)
class ChannelSpread:
    """Normal equations of one channel's coefficients: what is known of them beside the poles."""

    scale: Floats
    """1/‖column‖, (P,)."""
    inverse: Floats
    """Of the scaled normal matrix, (P, P)."""
    cross: Floats
    """Of (ln ω₀, ln ζ) of all poles with the coefficients, (2k, P)."""


@dataclass(frozen=True, slots=True, eq=False)
class AccountReport:
    """Turns an account into records."""

    sweep: SweptResponse
    rows: NDArray[np.bool_]
    """Usable rows of the sweep, (N,); n of them."""
    problem: FitProblem
    account: Account
    order: NDArray[np.int64]
    """Row of the problem that each row of the band is, (n,)."""
    moving: Sequence[Levelled] = ()
    phase_turned: bool = False
    asked: Mapping[int, Mapping[int, float]] = field(default_factory=dict)
    """Poles that the engineer asked for: by channel the frequency asked for, Hz."""

    @property
    def band(self) -> Band:
        """Of the account."""
        return self.account.state.band

    def identification(self) -> Identification:
        """The whole record."""
        facts = self.facts()
        channels = tuple(self.channel(c) for c in range(len(self.sweep.channels)))
        return Identification(
            channels=channels, method=self.method(), criterion=CRITERION,
            flags=stated(facts), facts=facts,
        )  # fmt: skip

    def printed(self) -> list[int]:
        """Poles that are modes and do not stand for one that follows its level, by frequency."""
        stood_for = {k for each in self.moving for k in each.stands_for}
        modes = {mode.index for mode in self.account.modes()} | self.asked.keys()
        omega = self.account.state.poles.omega
        return sorted(modes - stood_for, key=lambda k: float(omega[k]))

    def channel(self, c: int) -> ChannelFit:
        """The record of channel c."""
        state = self.account.state
        read = bool(self.band.valid[:, c].any())
        steady = self.steady(c, self.band.omega)
        swept = np.abs(self.model()[:, c])
        printed = [k for k in self.printed() if read and self.shown(k)[c]]
        spread = self.spread(c) if printed else None
        resonances = [self.resonance(c, k, spread) for k in printed if spread is not None]
        resonances += [self.moving_resonance(c, each) for each in self.moving if read and self.seen_moving(each)[c]]
        facts = () if read else (IdentifiedFact(code=FactCode.NO_READINGS),)
        return ChannelFit(
            channel=self.sweep.channels[c],
            resonances=tuple(sorted(resonances, key=lambda each: each.frequency_hz)),
            fitted=self.all_rows(np.abs(steady) if read else np.full(len(steady), np.nan)),
            fitted_swept=self.all_rows(swept if read else np.full(len(steady), np.nan)),
            noise_floor=float(state.doubt.floor[c]) if read else None,
            flags=stated(facts), facts=facts,
        )  # fmt: skip

    def all_rows(self, values: Floats) -> Floats:
        """Values in the order of the band on all rows of the log."""
        own = np.empty(len(values))
        own[self.order] = values
        full = np.full(len(self.rows), np.nan)
        full[self.rows] = own
        return full

    def shown(self, k: int) -> NDArray[np.bool_]:
        """On which channels mode k is reported: where it stands out, or was asked for, (c,)."""
        shown = self.seen(k) & (k not in self.asked or not self.account.verdicts[k].reason)
        if k in self.asked:
            shown[list(self.asked[k])] = True
        return shown

    def seen(self, k: int) -> NDArray[np.bool_]:
        """On which channels mode k stands out of noise and misfit, (c,)."""
        return np.asarray(self.over_noise(k) >= STANDS_OUT)

    def over_noise(self, k: int) -> Floats:
        """Response of mode k at its frequency over noise and misfit, on every channel, (c,)."""
        return stands_out_on(self.account.state, k)

    def model(self) -> Complexes:
        """What the account has on the rows of the band, modes that follow their level in place, (n, c)."""
        state = self.account.state
        assert state.fit is not None
        model = state.fit.model.copy()
        for each in self.moving:
            model[each.rows] = each.held + each.mode.model
        return model

    def explained(self) -> Complexes:
        """The model without poles that are background within the band, but with what rings of all, (n, c)."""
        poles, omega = self.account.state.poles, self.band.omega
        stood_for = [k for each in self.moving for k in each.stands_for]
        inside = (poles.omega >= omega[0]) & (poles.omega <= omega[-1])
        background = np.setdiff1d(np.flatnonzero(inside), [*self.printed(), *stood_for]).astype(int)
        if not len(background):
            return self.model()
        return self.model() - forced_part(self.account.state, background, slice(0, len(self.band)))

    def steady(self, c: int, omega: Floats) -> Complexes:
        """Steady-state response of the account on channel c at any ω (rad/s), shape of ``omega``."""
        fit = self.account.state.fit
        assert fit is not None
        s, r = fit.poles.s, fit.residues[:, c]
        near = r / (1j * omega[:, None] - s) + r.conj() / (1j * omega[:, None] - s.conj())
        scaled = omega / self._centre()
        direct = [x * scaled**p for x, p in zip(fit.direct[:, c], powers_over(self.band, fit.rows), strict=True)]
        return np.asarray(near.sum(axis=1) + np.sum(direct, axis=0))

    def _centre(self) -> float:
        """rad/s by which the powers of ω are scaled."""
        return float(np.exp(np.mean(np.log(np.maximum(self.band.omega, 1e-9)))))

    def resonance(self, c: int, k: int, spread: ChannelSpread) -> Resonance:
        """The record of mode k on channel c."""
        state, said = self.account.state, self.account.verdicts[k]
        assert state.fit is not None
        f0, zeta = float(state.poles.omega[k] / (2 * np.pi)), float(state.poles.zeta[k])
        q = 0.5 / zeta
        peak, own = self._peak(c, f0, q)
        size = float(abs(self.steady(c, np.array([2 * np.pi * peak]))[0]))
        fit_std = self.size_std(c, 2 * np.pi * peak, spread)
        recorded = self._observed(c, f0, q, size)
        calibration = self.sweep.calibration_std(c)
        facts = self._facts(k, own, recorded, calibration)
        phase = float(np.degrees(np.angle(self.steady(c, np.array([2 * np.pi * f0]))[0])))
        return Resonance(
            frequency_hz=f0, frequency_std_hz=f0 * said.frequency_std, q=q, q_std=q * said.q_std, damping_ratio=zeta,
            amplification=size, amplification_std=float(np.hypot(fit_std, size * (calibration or 0.0))),
            amplification_std_fit=fit_std,
            amplification_std_calibration=None if calibration is None else size * calibration,
            phase_deg=phase, observed=recorded, residue=complex(state.fit.residues[k, c]),
            asked=self._asked(c, k, own), **of_resonance(facts),
        )  # fmt: skip

    def _asked(self, c: int, k: int, own_peak: bool) -> AskedFor | None:
        """What the data say of a mode that was asked for on the channel."""
        from reportgen.compute.identification.misfit.asked_pole import evidence_on

        if c not in self.asked.get(k, ()):
            return None
        return evidence_on(self, c, k, own_peak=own_peak)

    def _peak(self, c: int, f0: float, q: float) -> tuple[float, bool]:
        """Frequency (Hz) of the maximum of the steady response within a bandwidth of a mode; whether there is one."""
        reach = min(1.0 / q, 0.5)
        frequency = f0 * np.linspace(1 - reach, 1 + reach, 801)
        height = np.abs(self.steady(c, 2 * np.pi * frequency))
        tops = np.flatnonzero((height[1:-1] >= height[:-2]) & (height[1:-1] > height[2:])) + 1
        if not len(tops):
            return f0, False
        return float(frequency[tops[np.argmin(np.abs(frequency[tops] - f0))]]), True

    def spread(self, c: int) -> ChannelSpread:
        """How far the coefficients of channel c are known."""
        state = self.account.state
        assert state.fit is not None
        weight = state.weight[:, c]
        basis = basis_of(self.band, state.poles, state.all_rows)
        matrix = real_rows(basis.values, weight)
        slopes = real_rows(basis.moved(basis.joined(state.fit, c)), weight)
        square = np.asarray(np.einsum("ij,ij->i", matrix, matrix), float)
        scale = np.asarray(1.0 / np.sqrt(np.maximum(square, 1e-300)), float)
        inverse = np.asarray(np.linalg.pinv((matrix @ matrix.T) * np.outer(scale, scale), rcond=1e-12, hermitian=True))
        return ChannelSpread(scale, inverse, slopes @ matrix.T)

    def size_std(self, c: int, omega: float, spread: ChannelSpread) -> float:
        """Standard deviation of the steady response of channel c at ω (rad/s), noise and misfit in it."""
        by_x, by_pole = self._size_gradient(c, omega)
        apart = 2 * len(self.account.state.poles)  # decays have no part in the steady response
        by_x = np.insert(by_x, apart, np.zeros(len(spread.scale) - len(by_x)))
        own = spread.scale * (spread.inverse @ (spread.scale * by_x))
        total = by_pole - spread.cross @ own
        variance = float(by_x @ own + total @ self.account.seen.poles @ total)
        return float(np.sqrt(max(variance, 0.0)))

    def _size_gradient(self, c: int, omega: float) -> tuple[Floats, Floats]:
        """∂|H|/∂coefficients, (P,), and by (ln ω₀, ln ζ) of all poles, (2k,), at ω."""
        fit = self.account.state.fit
        assert fit is not None
        turn = np.conj(self.steady(c, np.array([omega]))[0])
        turn /= max(abs(turn), 1e-300)
        by_x, by_pole = [], []
        for k, s in enumerate(fit.poles.s):
            r, zeta, w0 = fit.residues[k, c], float(fit.poles.zeta[k]), float(fit.poles.omega[k])
            upper, lower = 1.0 / (1j * omega - s), 1.0 / (1j * omega - np.conj(s))
            by_x += [upper + lower, 1j * (upper - lower)]
            by_s, by_conj = r * upper**2, np.conj(r) * lower**2
            s_zeta = w0 * zeta * (-1.0 - 1j * zeta / np.sqrt(1.0 - zeta**2))
            by_pole += [by_s * s + by_conj * np.conj(s), by_s * s_zeta + by_conj * np.conj(s_zeta)]
        powers = [(omega / self._centre()) ** p for p in powers_over(self.band, fit.rows)]
        by_x += [*powers, *(1j * p for p in powers)]
        return (turn * np.array(by_x)).real, (turn * np.array(by_pole)).real

    def _observed(self, c: int, f0: float, q: float, size: float) -> Observed:
        swept = np.empty(len(self.order))
        swept[self.order] = np.abs(self.model()[:, c])
        readings = self.problem.readings
        ratio = np.where(readings.valid[:, c], readings.amplitude[:, c] / self.sweep.control[self.rows], np.nan)
        recorded = RecordedResponse(self.problem.drive, ratio, swept)
        return observed(recorded, f0, q, size, self.sweep.sweep_rate_unit)

    def _facts(
        self, k: int, own: bool, recorded: Observed, calibration: float | None
    ) -> tuple[IdentifiedFact, ...]:  # fmt: skip
        poles, omega = self.account.state.poles, self.band.omega
        printed = np.array([poles.omega[j] for j in self.printed() if j != k])
        near, reduced = _NEAR * float(poles.width[k]), recorded.sweep_reduction
        end = min(float(poles.omega[k]) - omega[0], omega[-1] - float(poles.omega[k]))
        stated = (
            (not own, IdentifiedFact(code=FactCode.NO_PEAK)),
            (end < near, IdentifiedFact(code=FactCode.AT_RANGE_END)),
            (
                bool(np.min(np.abs(printed - poles.omega[k]), initial=np.inf) < near),
                IdentifiedFact(code=FactCode.OVERLAPS_NEIGHBOUR),
            ),
            (
                reduced is not None and reduced < _WORTH_SAYING,
                IdentifiedFact(code=FactCode.PEAK_REDUCED, share=reduced),
            ),
            (calibration is None, IdentifiedFact(code=FactCode.CALIBRATION_UNSTATED)),
        )
        return tuple(fact for holds, fact in stated if holds)

    def misfit(self) -> float | None:
        """Share of the response that stays unexplained at the median mode, the channels in quadratic mean.

        None where it is too small to be told.
        """
        state, model = self.account.state, self.model()
        shares = []
        for mode in self.account.modes():
            row = int(np.argmin(np.abs(self.band.omega - state.poles.omega[mode.index])))
            near = slice(max(0, row - 3), row + 4)
            left, size = np.abs(self.band.values[near] - model[near]), state.size[near]
            read = self.band.valid[near]
            shares.append(float(np.sqrt(np.sum(left[read] ** 2) / max(float(np.sum(size[read] ** 2)), 1e-300))))
        share = float(np.median(shares)) if shares else 0.0
        return share if share > _LEAST_MISFIT else None

    def turned(self) -> bool:
        """Whether residues leave the axis of real modes: that is imaginary, of force and base motion alike."""
        fit = self.account.state.fit
        assert fit is not None
        angles = []
        for mode in self.account.modes():
            strong = int(np.argmax(np.abs(mode.residues)))
            angle = np.degrees(np.angle(mode.residues[strong])) % 180.0
            angles.append(min(abs(angle - 90.0), 90.0))
        return bool(angles) and float(np.median(angles)) > _TURNED_DEG

    def method(self) -> Message:
        """How the resonances were identified."""
        how = model_of(self.sweep, self.problem.drive)
        return message("identified.method-complex", channels=len(self.sweep.channels), how=how)

    def facts(self) -> tuple[IdentifiedFact, ...]:
        """Of the run."""
        facts = []
        if self.problem.drive.steady:
            facts.append(IdentifiedFact(code=steadiness(self.sweep)))
        if self.phase_turned:
            facts.append(IdentifiedFact(code=FactCode.PHASE_TURNED))
        if self.turned():
            facts.append(IdentifiedFact(code=FactCode.COMPLEX_RESIDUES))
        misfit = self.misfit()
        if misfit is not None:
            facts.append(IdentifiedFact(code=FactCode.MISFIT_SHARE, share=misfit))
        if not self.account.complete:
            facts.append(IdentifiedFact(code=FactCode.SEARCH_BROKEN_OFF))
        return tuple(facts)

    def curves(self) -> Curves:
        """What the audit of the peaks looks at: along the frequency, or along the log where it moves."""
        state, band, readings = self.account.state, self.band, self.problem.readings
        read = self.sweep.responses[self.rows][self.order]  # a peak without phases is one all the same
        size = read / self.problem.drive.amplitude[self.order, None]
        valid = np.isfinite(read) & (read > 0)
        usual = state.doubt.noise(np.where(valid & ~band.valid, size, state.size))
        by = np.arange(len(band)) if self.problem.drive.steady else np.argsort(self.order)
        scatter = [local_noise(band.values[by, c], band.valid[by, c]) for c in range(band.channels)]
        return Curves(
            omega=band.omega[by], size=size[by], valid=valid[by], model=np.abs(self.explained())[by],
            noise=np.maximum(usual[by], np.stack(scatter, axis=1)),
            noisy=(readings.read & ~readings.valid)[self.order][by],
        )  # fmt: skip

    def printed_modes(self) -> tuple[Floats, Floats]:
        """ω₀ and bandwidth (rad/s) of what is printed, for the audit."""
        poles = self.account.state.poles
        omega = [float(poles.omega[k]) for k in self.printed()]
        width = [float(poles.width[k]) for k in self.printed()]
        for each in self.moving:
            low, high = each.frequency_range()
            omega.append(np.pi * (low + high))
            width.append(each.bandwidth() * 2 * np.pi + np.pi * (high - low))
        return np.array(omega), np.array(width)

    def seen_moving(self, each: Levelled) -> NDArray[np.bool_]:
        """On which channels a mode that follows its level stands out, (c,)."""
        sigma = self.account.state.doubt.noise(self.account.state.size)[each.rows]
        return np.asarray(np.max(np.abs(each.own) / sigma * self.band.valid[each.rows], axis=0) >= STANDS_OUT)

    def moving_resonance(self, c: int, each: Levelled) -> Resonance:
        """The record of a mode that follows its level, at the level that the run reached."""
        from reportgen.compute.identification.misfit.level_report import moving_resonance

        return moving_resonance(self, c, each)
