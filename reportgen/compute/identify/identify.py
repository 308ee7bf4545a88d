"""From a run's swept response to its modes."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from reportgen.compute.identify.drive import Drive, drive_of
from reportgen.compute.identify.evidence import (
    CHANCE,
    LEAST_Q,
    LEAST_SHARE,
    MORE_THAN_NOISE,
    Evidence,
    evidence,
    inflation_of_all,
    schwarz,
    threshold,
)
from reportgen.compute.identify.fit import Problem, Readings, Solution, Weights
from reportgen.compute.identify.hunt import Search
from reportgen.compute.identify.kicks import kicks_of
from reportgen.compute.identify.level import drive_level
from reportgen.compute.identify.model import channel_kind
from reportgen.compute.identify.observed import observed
from reportgen.compute.identify.order import search
from reportgen.compute.identify.prune import FEWEST_ROWS
from reportgen.compute.identify.stepped import may_be_steady, questionable, steadier
from reportgen.compute.identify.sweep import ChannelFit, Identification, SweptResponse, usable_rows
from reportgen.compute.identify.uncertainty import (
    Spread,
    SteadyPeak,
    spread_of,
    steady_magnitude,
    steady_peak,
)
from reportgen.compute.identify.unsteady import noise_alone
from reportgen.records.log import Floats
from reportgen.records.result import Observed, Resonance

LEAST_ROWS = 12
"""Rows below which nothing can be told from noise."""
_MOST_WITHOUT_PHASE = 9
"""Modes that a first search without phase may ask for before another way is gone."""
CRITERION = (
    f"A mode counts as found where leaving it out would worsen the fit (chi-squared) of one channel, or of all "
    f"channels together, by more than chance does once in {1 / CHANCE:.0f} searches, all places searched counted; "
    f"where it makes up at least {100 * LEAST_SHARE:g} % of the response near it; and where it stands out of the noise "
    f"on at least {FEWEST_ROWS} rows. The noise is that of the log itself, larger where the residuals around the mode "
    "are larger or not white. Lines of the mains and what lies outside the swept range are no modes."
)
"""As ``prune`` holds every mode of the final model to it; printed in the report's methods."""


def identify_modes(sweep: SweptResponse) -> Identification:
    """Modes of one run from all its channels together, freed of what the sweep did to the log.

    A log without time is taken as steady state, and so is one whose rows show it; a channel without phase is fitted in
    magnitude. All of that is said.
    """
    rows = usable_rows(sweep)
    if rows.sum() < LEAST_ROWS:
        return _nothing(sweep, f"{int(rows.sum())} usable rows, at least {LEAST_ROWS} are needed to identify modes")
    problem = problem_of(sweep, rows)
    if not problem.readings.valid.any():
        return _nothing(sweep, "no channel has readings")
    problem, solution, hunt = _account_of(sweep, rows, problem)
    found = _Found(sweep, rows, problem, solution, hunt, evidence(problem, solution), spread_of(problem, solution))
    return Identification(
        channels=tuple(found.channel(c) for c in range(len(sweep.channels))),
        frequencies_hz=tuple(float(solution.poles.frequency_hz[k]) for k in found.reported()),
        method=found.method(),
        criterion=CRITERION,
        flags=found.flags(),
    )


def _account_of(sweep: SweptResponse, rows: np.ndarray, problem: Problem) -> tuple[Problem, Solution, Search]:
    """The account of a run that the search gives; where it is in doubt, another way of searching, or steady state."""
    if problem.readings.with_phase.all():
        solution, hunt = search(problem)
    else:
        problem, solution, hunt = _account_without_phase(sweep, rows, problem)
    if questionable(problem, solution, hunt):
        still = problem_of(replace(sweep, time_s=None, drive_cycles=None), rows)
        if may_be_steady((problem, solution), still):
            other = search(still, most=len(solution.poles) + 1)
            if steadier((problem, solution), (still, other[0])):
                problem, (solution, hunt) = still, other
    return problem, solution, hunt


def _account_without_phase(
    sweep: SweptResponse, rows: np.ndarray, problem: Problem
) -> tuple[Problem, Solution, Search]:
    """The account of a run without phase, where a search can get lost among wrong signs.

    It asks for many modes then, or leaves more than noise; another way of searching is gone as well.
    """
    found = (problem, *search(problem, most=_MOST_WITHOUT_PHASE))
    lost = len(found[1].poles) > _MOST_WITHOUT_PHASE
    if not lost and inflation_of_all(*found[:2]) <= MORE_THAN_NOISE:
        return found
    problem = problem_of(sweep, rows)
    other = (problem, *search(problem, peaks_first=False))
    if lost and inflation_of_all(*other[:2]) <= MORE_THAN_NOISE:
        return other
    if lost:
        problem = problem_of(sweep, rows)
        found = (problem, *search(problem))
    return min(found, other, key=lambda each: schwarz(*each[:2]))


def readings_of(sweep: SweptResponse, rows: np.ndarray) -> Readings:
    """Readings on the usable rows; a channel has phase where more than half its rows have one."""
    amplitude = sweep.responses[rows]
    valid = np.isfinite(amplitude) & (amplitude > 0)
    phases = np.full(amplitude.shape, np.nan) if sweep.phases_deg is None else sweep.phases_deg[rows]
    with_phase = (np.isfinite(phases) & valid).sum(axis=0) > 0.5 * np.maximum(valid.sum(axis=0), 1)
    valid &= np.isfinite(phases) | ~with_phase
    turn = np.exp(-1j * np.radians(np.where(valid & with_phase, phases, 0.0)))
    for c in range(amplitude.shape[1]):
        valid[:, c] &= ~noise_alone(np.where(valid[:, c], amplitude[:, c], 0.0) * np.conj(turn[:, c]), valid[:, c])
    return Readings(
        amplitude=np.where(valid, amplitude, 0.0),
        turn=turn,
        with_phase=with_phase,
        valid=valid,
        kinds=tuple(channel_kind(dimension, sweep.control_dimension) for dimension in sweep.dimensions),
    )


def problem_of(sweep: SweptResponse, rows: np.ndarray | None = None) -> Problem:
    """The least-squares problem of a run."""
    rows = usable_rows(sweep) if rows is None else rows
    readings = readings_of(sweep, rows)
    level = drive_level(sweep.control[rows], np.where(readings.valid, readings.amplitude, np.nan))
    drive = drive_of(sweep, rows, level)
    none = np.zeros_like(readings.amplitude)
    centre = float(np.exp(np.mean(np.log(drive.omega))))
    no_lines = np.zeros((0, len(drive.omega)), complex)
    weights = Weights(along=none, across=none)
    return Problem(drive, readings, weights, (0, 2), centre, no_lines, kicks=kicks_of(drive))


def _nothing(sweep: SweptResponse, reason: str) -> Identification:
    empty = np.full(len(sweep.frequency_hz), np.nan)
    return Identification(
        channels=tuple(
            ChannelFit(
                channel=each, resonances=(), fitted=empty, fitted_swept=empty, noise_floor=None,
                noise_proportional=None, flags=(reason,),
            )
            for each in sweep.channels
        ),
        frequencies_hz=(), method=f"No identification: {reason}.", criterion=CRITERION, flags=(reason,),
    )  # fmt: skip


@dataclass(slots=True, eq=False)
class _Found:
    """Turns a solution into records."""

    sweep: SweptResponse
    rows: np.ndarray
    problem: Problem
    solution: Solution
    hunt: Search
    evidence: Evidence
    spread: Spread

    @property
    def drive(self) -> Drive:
        return self.problem.drive

    def reported(self) -> list[int]:
        """Modes within the swept range, in the order of frequency."""
        frequency = self.solution.poles.frequency_hz
        low, high = self.drive.omega.min() / (2 * np.pi), self.drive.omega.max() / (2 * np.pi)
        inside = (frequency >= low) & (frequency <= high) & (self.solution.poles.q >= LEAST_Q)
        return [int(k) for k in np.argsort(frequency, kind="stable") if inside[k] and self.seen(k).any()]

    def seen(self, k: int) -> np.ndarray:
        """On which channels mode k stands out, bool, shape (c,)."""
        terms = 1 + int(self.solution.poles.complex_residue[k])
        least = threshold(100, terms)
        return np.asarray((self.evidence.gain[k] > least) & (self.evidence.share[k] >= 0.5 * LEAST_SHARE))

    def channel(self, c: int) -> ChannelFit:
        model = self.solution.models[c]
        ratio = np.abs(model) / self.drive.amplitude
        frequency = self.drive.omega / (2 * np.pi)
        modes = [k for k in self.reported() if self.seen(k)[c]]
        empty = not self.problem.readings.valid[:, c].any()
        noise = self.hunt.noise[c]
        return ChannelFit(
            channel=self.sweep.channels[c],
            resonances=tuple(self.resonance(c, k) for k in modes),
            fitted=self._all_rows(steady_magnitude(self.problem, self.solution, c, frequency)),
            fitted_swept=self._all_rows(ratio),
            noise_floor=None if empty else noise.floor / float(np.median(self.drive.amplitude)),
            noise_proportional=None if empty else noise.along,
            flags=self._channel_flags(c, empty),
        )

    def _all_rows(self, values: Floats) -> Floats:
        full = np.full(len(self.rows), np.nan)
        full[self.rows] = values
        return full

    def _channel_flags(self, c: int, empty: bool) -> tuple[str, ...]:
        if empty:
            return ("no readings",)
        flags = []
        if not self.problem.readings.with_phase[c]:
            flags.append("no phase: magnitudes alone were fitted")
        read = np.isfinite(self.sweep.responses[self.rows, c]) & (self.sweep.responses[self.rows, c] > 0)
        left_out = int(np.sum(read & ~self.problem.readings.valid[:, c] & ~self.hunt.in_mains_band()))
        if left_out:
            flags.append(f"{left_out} rows that read noise alone were left out of the fit")
        return tuple(flags)

    def resonance(self, c: int, k: int) -> Resonance:
        """The record of mode k on channel c."""
        poles = self.solution.poles
        f0, zeta, q = float(poles.frequency_hz[k]), float(poles.damping_ratio[k]), float(poles.q[k])
        inflation = self.evidence.inflation_of(k)
        spread = self.spread
        peak = steady_peak(self.problem, self.solution, spread, c, k, max(inflation, self.evidence.inflation[k, c]))
        doubt = np.zeros(2 * len(poles)) if self.hunt.filter_doubt is None else self.hunt.filter_doubt
        f_std, q_std = (
            x * float(np.hypot(spread.of_pole(i, inflation), doubt[i])) for x, i in ((f0, 2 * k), (q, 2 * k + 1))
        )
        relative = self._calibration(c)
        calibration = None if relative is None else relative * peak.amplification
        total = None if peak.std is None else float(np.hypot(peak.std, calibration or 0.0))
        recorded = self._observed(c, k, peak)
        signed = bool(self.problem.readings.with_phase[c])  # magnitudes do not tell which way a channel moves
        return Resonance(
            frequency_hz=f0, frequency_std_hz=f_std, q=q, q_std=q_std, damping_ratio=zeta,
            amplification=peak.amplification, amplification_std=total, amplification_std_fit=peak.std,
            amplification_std_calibration=calibration, phase_deg=peak.phase_deg if signed else None, observed=recorded,
            residue=self._residue(c, k) if signed else None, flags=self._flags(c, k, peak, recorded, calibration),
            has_peak=peak.own, calibration_stated=calibration is not None,
        )  # fmt: skip

    def _calibration(self, c: int) -> float | None:
        own = None if self.sweep.calibration is None else self.sweep.calibration[c]
        control = self.sweep.control_calibration
        return None if own is None or control is None else float(np.hypot(own, control))

    def _observed(self, c: int, k: int, peak: SteadyPeak) -> Observed:
        readings = self.problem.readings
        ratio = np.where(readings.valid[:, c], readings.amplitude[:, c] / self.sweep.control[self.rows], np.nan)
        swept = np.abs(self.solution.models[c]) / self.drive.amplitude
        poles = self.solution.poles
        return observed(
            self.drive, ratio, swept, float(poles.frequency_hz[k]), float(poles.q[k]), peak.amplification,
            self.sweep.sweep_rate_unit,
        )  # fmt: skip

    def _residue(self, c: int, k: int) -> complex:
        """Residue of H(s) at the pole, in units of |response/control| times rad/s."""
        kind = self.problem.readings.kinds[c]
        basis = self.problem.bases(self.solution.poles)[kind]
        own = np.flatnonzero(basis.mode == k)
        return complex(self.solution.coefficients[c][own] @ basis.residues[own])

    def _flags(
        self, c: int, k: int, peak: SteadyPeak, recorded: Observed, calibration: float | None
    ) -> tuple[str, ...]:
        poles = self.solution.poles
        f0, q = float(poles.frequency_hz[k]), float(poles.q[k])
        frequency = self.drive.omega / (2 * np.pi)
        flags = []
        if not peak.own:
            flags.append("no peak of its own on this channel: amplification is that at the natural frequency")
        if min(f0 - frequency.min(), frequency.max() - f0) < 2 * f0 / q:
            flags.append("within two bandwidths of an end of the swept range")
        others = np.delete(poles.frequency_hz, k)
        if len(others) and np.min(np.abs(others - f0)) < 2 * f0 / q:
            flags.append("overlaps a neighbouring mode")
        if recorded.sweep_reduction is not None and recorded.sweep_reduction < 0.95:
            flags.append(
                f"the sweep held the recorded peak to {100 * recorded.sweep_reduction:.0f} % of the steady one"
            )
        if calibration is None:
            flags.append("uncertainty of calibration not stated")
        if self.evidence.inflation[k, c] > 4.0:
            flags.append("the fit leaves more than noise here: uncertainties are inflated accordingly")
        return tuple(flags)

    def method(self) -> str:
        """One sentence for the report."""
        why = "since the log has no time column" if self.sweep.time_s is None else "which its rows show"
        how = (
            f"steady state, {why}"
            if self.drive.steady
            else f"the response of each mode to the sweep as it ran ({self.drive.law})"
        )
        phases = self.problem.readings.with_phase
        what = (
            "amplitude and phase"
            if phases.all()
            else "magnitudes"
            if not phases.any()
            else "amplitude, and phase where recorded,"
        )
        count = len(self.sweep.channels)
        channels = "1 channel" if count == 1 else f"{count} channels together"
        return f"Modes fitted to {what} of {channels}, from {how}."

    def flags(self) -> tuple[str, ...]:
        """Flags of the run."""
        flags = []
        if self.drive.steady and self.sweep.time_s is None:
            flags.append("no time column: steady state assumed")
        elif self.drive.steady:
            flags.append("the rows show steady vibration, not a moving sweep: fitted as steady state")
        if self.hunt.filter is not None:
            flags.append(
                f"the responses show a tracking filter of about {np.median(self.hunt.filter.bandwidth_hz):.2g} Hz that "
                "the job does not state: it was taken into the model, and the uncertainties are wider for it"
            )
        if self.hunt.filter_suspected is not None:
            flags.append(
                f"a tracking filter of about {np.median(self.hunt.filter_suspected.bandwidth_hz):.2g} Hz that the job "
                "does not state would explain more than chance: the uncertainties are wider for it"
            )
        if self.hunt.phase_turned:
            flags.append("phases of this log count a lag as positive: read with the opposite sign")
        if len(self.problem.extra) or self.hunt.mains:
            flags.append("mains lines are in the responses: recognised and kept out of the modes")
        return tuple(flags)
