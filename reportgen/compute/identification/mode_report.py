"""The end of a search as records: every mode on every channel that sees it, with its facts and uncertainties."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from reportgen.compute.identification.drive import Drive
from reportgen.compute.identification.elimination import FEWEST_ROWS
from reportgen.compute.identification.findings import of_resonance, stated
from reportgen.compute.identification.least_squares import FitProblem, Solution
from reportgen.compute.identification.mode_evidence import (
    CHANCE,
    LEAST_Q,
    LEAST_SHARE,
    ModeEvidence,
    mode_evidence,
    threshold,
)
from reportgen.compute.identification.recorded_peak import RecordedResponse, observed
from reportgen.compute.identification.search_state import SearchState, UnstatedFilter
from reportgen.compute.identification.swept_response import (
    ChannelFit,
    Identification,
    SweptResponse,
    steadiness,
)
from reportgen.compute.identification.uncertainty import Spread, SteadyPeak, SteadyResponse, spread_of, steady_peak
from reportgen.records.holes import holes
from reportgen.records.identified_fact import FactCode, IdentifiedFact
from reportgen.records.log import Floats
from reportgen.records.message import Message, message
from reportgen.records.result import AskedFor, Observed, Resonance

CRITERION = message("identified.criterion", searches=round(1 / CHANCE), share=LEAST_SHARE, rows=FEWEST_ROWS)
"""As ``elimination`` holds every mode of the final model to it; printed in the report's methods."""
_NEAR = 2.0
"""Half-power bands within which the end of the range or another mode weighs on a mode."""
_WORTH_SAYING = 0.95
"""Recorded over steady peak below which it is said: the loss of 5 % that the fastest permissible rate stands for."""
_INFLATED = 4.0
"""Inflation of the noise variance from which it is said: the misfit is twice the noise."""


def model_of(sweep: SweptResponse, drive: Drive) -> Message:
    """What the modes were fitted with: the sweep as it ran, or steady state and why."""
    if not drive.steady:
        return message("identified.swept-how", law=drive.law)
    match steadiness(sweep):
        case FactCode.STEADY_STATED:
            return message("identified.steady-stated-how")
        case FactCode.NO_TIME:
            return message("identified.steady-no-time-how")
    return message("identified.steady-rows-how")


def filter_facts(found: UnstatedFilter, drive: Drive) -> list[IdentifiedFact]:
    """Of a filter that the job states: what the log tells otherwise, and what it leaves open."""
    facts = []
    if found.refitted is not None and drive.bandwidth_hz is not None:
        bandwidth, poles = float(np.median(drive.bandwidth_hz)), found.refitted.order
        facts.append(IdentifiedFact(code=FactCode.FILTER_REFITTED, bandwidth_hz=bandwidth, poles=poles))
    if found.open_s is not None:
        facts.append(IdentifiedFact(code=FactCode.FILTER_DELAY_OPEN, delay_std_s=found.open_s))
    return facts


def nothing_identified(sweep: SweptResponse, fact: IdentifiedFact) -> Identification:
    """The record of a run that cannot be identified, with the reason."""
    empty = np.full(len(sweep.frequency_hz), np.nan)
    flags = stated((fact,))
    return Identification(
        channels=tuple(
            ChannelFit(
                channel=channel, resonances=(), fitted=empty, fitted_swept=empty, noise_floor=None,
                flags=flags, facts=(fact,),
            )
            for channel in sweep.channels
        ),
        method=message("identified.nothing", why=flags[0]),
        criterion=CRITERION, flags=flags, facts=(fact,),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class ModeReport:
    """Turns the end of a search into records."""

    sweep: SweptResponse
    rows: np.ndarray
    """Usable rows of the sweep, bool, shape (N,); n of them."""
    state: SearchState
    evidence: ModeEvidence
    spread: Spread
    asked: Mapping[int, Mapping[int, float]] = field(default_factory=dict)
    """Modes that the engineer asked for: by channel the frequency asked for, Hz."""

    @classmethod
    def of(cls, sweep: SweptResponse, rows: np.ndarray, state: SearchState) -> ModeReport:
        """With evidence and spread of the solution that the search ended with."""
        problem, solution = state.problem, state.solution
        return cls(sweep, rows, state, mode_evidence(problem, solution), spread_of(problem, solution))

    @property
    def problem(self) -> FitProblem:
        """As the search ended with it."""
        return self.state.problem

    @property
    def solution(self) -> Solution:
        """As the search ended with it."""
        return self.state.solution

    @property
    def drive(self) -> Drive:
        """Of the problem."""
        return self.problem.drive

    def identification(self) -> Identification:
        """The whole record."""
        facts = self.facts()
        return Identification(
            channels=tuple(self.channel(c) for c in range(len(self.sweep.channels))),
            method=self.method(),
            criterion=CRITERION,
            flags=stated(facts),
            facts=facts,
        )

    def reported(self) -> list[int]:
        """Modes within the swept range, in the order of frequency; none that lies where no row is.

        A mode in a hole serves as background of the rows beside it, and only its flanks tell of it.
        """
        frequency = self.solution.poles.frequency_hz
        low, high = self.drive.omega.min() / (2 * np.pi), self.drive.omega.max() / (2 * np.pi)
        inside = (frequency >= low) & (frequency <= high) & (self.solution.poles.q >= LEAST_Q)
        for above, below in holes(self.drive.omega / (2 * np.pi)):
            inside &= (frequency < above) | (frequency > below)
        return [int(k) for k in np.argsort(frequency, kind="stable") if inside[k] and self.shown(k).any()]

    def shown(self, k: int) -> np.ndarray:
        """On which channels mode k is reported: where it stands out, or was asked for; bool, shape (c,)."""
        shown = self.seen(k)
        if k in self.asked:
            shown[list(self.asked[k])] = True
        return shown

    def seen(self, k: int) -> np.ndarray:
        """On which channels mode k stands out, bool, shape (c,)."""
        terms = 1 + int(self.solution.poles.complex_residue[k])
        least = threshold(100, terms)
        return np.asarray((self.evidence.gain[k] > least) & (self.evidence.share[k] >= 0.5 * LEAST_SHARE))

    def channel(self, c: int) -> ChannelFit:
        """The record of channel c."""
        model = self.solution.models[c]
        ratio = np.abs(model) / self.drive.amplitude
        frequency = self.drive.omega / (2 * np.pi)
        modes = [k for k in self.reported() if self.shown(k)[c]]
        empty = not self.problem.readings.valid[:, c].any()
        noise = self.state.noise[c]
        response = SteadyResponse.of(self.problem, self.solution, c)
        facts = self._channel_facts(c, empty)
        return ChannelFit(
            channel=self.sweep.channels[c],
            resonances=tuple(self.resonance(c, k, response) for k in modes),
            fitted=self._all_rows(np.abs(response.transfer(frequency))),
            fitted_swept=self._all_rows(ratio),
            noise_floor=None if empty else noise.floor / float(np.median(self.drive.amplitude)),
            flags=stated(facts),
            facts=facts,
        )

    def _all_rows(self, values: Floats) -> Floats:
        full = np.full(len(self.rows), np.nan)
        full[self.rows] = values
        return full

    def _channel_facts(self, c: int, empty: bool) -> tuple[IdentifiedFact, ...]:
        if empty:
            return (IdentifiedFact(code=FactCode.NO_READINGS),)
        facts = []
        if not self.problem.readings.with_phase[c]:
            facts.append(IdentifiedFact(code=FactCode.NO_PHASE))
        read = np.isfinite(self.sweep.responses[self.rows, c]) & (self.sweep.responses[self.rows, c] > 0)
        left_out = int(np.sum(read & ~self.problem.readings.valid[:, c] & ~self.state.in_mains_band()))
        if left_out:
            facts.append(IdentifiedFact(code=FactCode.NOISE_ROWS, rows=left_out))
        return tuple(facts)

    def resonance(self, c: int, k: int, response: SteadyResponse) -> Resonance:
        """The record of mode k on channel c."""
        poles = self.solution.poles
        f0, zeta, q = float(poles.frequency_hz[k]), float(poles.damping_ratio[k]), float(poles.q[k])
        inflation = self.evidence.inflation_of(k)
        spread = self.spread
        peak = steady_peak(response, self.solution, spread, c, k, max(inflation, self.evidence.inflation[k, c]))
        doubt = np.zeros(2 * len(poles)) if self.state.filter.doubt is None else self.state.filter.doubt
        f_std, q_std = (
            x * float(np.hypot(spread.of_pole(i, inflation), doubt[i])) for x, i in ((f0, 2 * k), (q, 2 * k + 1))
        )
        relative = self.sweep.calibration_std(c)
        calibration = None if relative is None else relative * peak.amplification
        total = None if peak.std is None else float(np.hypot(peak.std, calibration or 0.0))
        recorded = self._observed(c, k, peak)
        facts = self._facts(c, k, peak, recorded, calibration)
        signed = bool(self.problem.readings.with_phase[c])  # magnitudes do not tell which way a channel moves
        return Resonance(
            frequency_hz=f0, frequency_std_hz=f_std, q=q, q_std=q_std, damping_ratio=zeta,
            frequency_std_filter_hz=f0 * float(doubt[2 * k]),
            amplification=peak.amplification, amplification_std=total, amplification_std_fit=peak.std,
            amplification_std_calibration=calibration, phase_deg=peak.phase_deg if signed else None, observed=recorded,
            residue=response.residue(k) if signed else None, asked=self._asked(c, k, f_std, peak.own),
            **of_resonance(facts),
        )  # fmt: skip

    def _asked(self, c: int, k: int, std_hz: float, own_peak: bool) -> AskedFor | None:
        """What the data say of a mode that was asked for on the channel."""
        from reportgen.compute.identification.asked_mode import evidence_on

        if c not in self.asked.get(k, ()):
            return None
        return evidence_on(self, c, k, std_hz=std_hz, own_peak=own_peak)

    def _observed(self, c: int, k: int, peak: SteadyPeak) -> Observed:
        readings = self.problem.readings
        ratio = np.where(readings.valid[:, c], readings.amplitude[:, c] / self.sweep.control[self.rows], np.nan)
        swept = np.abs(self.solution.models[c]) / self.drive.amplitude
        frequency, q = float(self.solution.poles.frequency_hz[k]), float(self.solution.poles.q[k])
        recorded = RecordedResponse(self.drive, ratio, swept)
        return observed(recorded, frequency, q, peak.amplification, self.sweep.sweep_rate_unit)

    def _facts(
        self, c: int, k: int, peak: SteadyPeak, recorded: Observed, calibration: float | None
    ) -> tuple[IdentifiedFact, ...]:
        poles = self.solution.poles
        f0, q = float(poles.frequency_hz[k]), float(poles.q[k])
        frequency = self.drive.omega / (2 * np.pi)
        near = _NEAR * f0 / q
        others = np.delete(poles.frequency_hz, k)
        reduced, inflation = recorded.sweep_reduction, float(self.evidence.inflation[k, c])
        stated = (
            (not peak.own, IdentifiedFact(code=FactCode.NO_PEAK)),
            (min(f0 - frequency.min(), frequency.max() - f0) < near, IdentifiedFact(code=FactCode.AT_RANGE_END)),
            (np.min(np.abs(others - f0), initial=np.inf) < near, IdentifiedFact(code=FactCode.OVERLAPS_NEIGHBOUR)),
            (
                reduced is not None and reduced < _WORTH_SAYING,
                IdentifiedFact(code=FactCode.PEAK_REDUCED, share=reduced),
            ),
            (calibration is None, IdentifiedFact(code=FactCode.CALIBRATION_UNSTATED)),
            (inflation > _INFLATED, IdentifiedFact(code=FactCode.MISFIT, inflation=inflation)),
        )
        return tuple(fact for holds, fact in stated if holds)

    def method(self) -> Message:
        """How the resonances were identified."""
        phases = self.problem.readings.with_phase
        what = (
            message("identified.amplitude-and-phase")
            if phases.all()
            else message("identified.magnitudes")
            if not phases.any()
            else message("identified.amplitude-and-some-phases")
        )
        how = model_of(self.sweep, self.drive)
        return message("identified.method", what=what, channels=len(self.sweep.channels), how=how)

    def facts(self) -> tuple[IdentifiedFact, ...]:
        """Of the run."""
        facts, found = [], self.state.filter
        if self.drive.steady:
            facts.append(IdentifiedFact(code=steadiness(self.sweep)))
        for code, filter_ in ((FactCode.FILTER_UNSTATED, found.claimed), (FactCode.FILTER_SUSPECTED, found.suspected)):
            if filter_ is not None:
                facts.append(IdentifiedFact(code=code, bandwidth_hz=float(np.median(filter_.bandwidth_hz))))
        facts += filter_facts(found, self.drive)
        if self.state.phase_turned:
            facts.append(IdentifiedFact(code=FactCode.PHASE_TURNED))
        if len(self.problem.extra) or self.state.mains:
            facts.append(IdentifiedFact(code=FactCode.MAINS_LINES))
        return tuple(facts)
