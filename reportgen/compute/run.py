"""One run, computed: the sweep as run, control, transmissibility, resonances, dwell or decay, quality of the data."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from reportgen.compute.asked_for import told_by_whom, with_asked_for
from reportgen.compute.decay.decay import CRITERION, identify_decay
from reportgen.compute.decay.pluck import LEAST_FALL, LEAST_RISE, decay_part, pluck_window, rises_at_once
from reportgen.compute.demodulation.cross_check import agreement, cross_check, disagreements
from reportgen.compute.demodulation.demodulation import demodulate
from reportgen.compute.frequency_uncertainty import with_uncertainties
from reportgen.compute.identification import ChannelFit, Ended, Identification, SweptResponse, identified
from reportgen.compute.quality.quality import data_quality
from reportgen.compute.quality.wrong_unit import wrong_units
from reportgen.compute.sweep.conditions import run_conditions
from reportgen.compute.sweep.control import combine_control, control_dimension, control_result, control_spread
from reportgen.compute.sweep.cross_axis import with_cross_axis
from reportgen.compute.sweep.dwell import dwell_result
from reportgen.compute.sweep.pieces import Piece, advanced, apart, pieces_of, without_returns
from reportgen.compute.sweep.several_sweeps import split_sweeps
from reportgen.compute.sweep.sweep_facts import sweep_facts
from reportgen.compute.sweep.transmissibility import (
    OVER_FORCE,
    acceleration_of,
    is_motion,
    magnitude_ratio,
    phase_of_acceleration,
    ratio_unit,
)
from reportgen.compute.sweep.without_time import doubted
from reportgen.errors import ComputeError
from reportgen.records.holes import holes, inside_any
from reportgen.records.job import ChannelRole, Exclusion, Job, RunKind, RunPlan
from reportgen.records.log import Floats, Log, SweepLog, TimeHistory, Trace
from reportgen.records.log_parts import joined_log, parts_fault
from reportgen.records.message import Message, message
from reportgen.records.result import (
    ChannelResult,
    DecayCurve,
    IssueKind,
    QualityIssue,
    Quotient,
    Resonance,
    RunResult,
    SweepFacts,
)
from reportgen.records.stretch import Direction
from reportgen.units import parse_unit

Say = Callable[[Message], object]
_DECAYS = 0.9
"""Least share of the variance that decaying sinusoids explain of a record that is a free decay."""
_CUT_SHORT = message("run.decay-cut-short")


def compute_run(
    job: Job,
    run: RunPlan,
    log: Log,
    progress: Say,
    *,
    workers: int = 1,
    undecided: RunResult | None = None,
    kept: IdentifiedRun | None = None,
) -> RunResult:
    """Everything the log of ``run`` tells. Raises ComputeError where the log cannot be what the run says it is.

    Where the engineer left out a band of it or asked for a resonance, it is computed without that, too, unless that is
    known, ``undecided``. Nothing is identified again where ``kept`` has it, of the same exclusions. A run that does not
    count is given without numbers where there are none, with the reason.
    """
    try:
        return _decided(job, run, log, progress, workers, undecided, kept)
    except ComputeError as problem:
        if run.counts:
            raise
        return run_without_numbers(run, problem.said)


def run_without_numbers(run: RunPlan, why: Message | str) -> RunResult:
    """A run that does not count and of which nothing can be computed."""
    what = message("run.not-computed", why=why)
    return RunResult(id=run.id, kind=str(run.kind), axis=run.axis, sweep=None, control=None, channels=(), method=what)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class IdentifiedRun:
    """A run that is no decay, as far as its log and the exclusions go: what is asked for in it comes on top."""

    run: RunPlan
    log: Log
    sweep: SweepLog
    facts: SweepFacts
    control: tuple[str, ...]
    level: Floats
    """Combined control, shape (n,)."""
    responses: tuple[Trace, ...]
    quality: tuple[QualityIssue, ...]
    excluded: tuple[Exclusion, ...]
    swept: SweptResponse
    returned: int
    """Rows of a way back that were left out."""
    end: Ended | None
    """None where no resonance was sought, with ``not_sought``."""
    not_sought: Message | None

    @property
    def dwelling(self) -> bool:
        """Whether it stood still."""
        return self.run.kind is RunKind.DWELL or self.facts.direction is Direction.HOLD


def _decided(
    job: Job, run: RunPlan, log: Log, progress: Say, workers: int, undecided: RunResult | None,
    kept: IdentifiedRun | None,
) -> RunResult:  # fmt: skip
    if run.kind is RunKind.DECAY:
        return with_uncertainties(decay_run(run, log), job.clock_of(run))
    excluded = bool(job.excluded_on(run.id))
    if not (excluded or job.asked_on(run.id)) and undecided is not None:
        return undecided
    found = kept or identify_run(job, run, log, progress, workers=workers)
    result = finished_run(job, found)
    if not (excluded or job.asked_on(run.id)):
        return result
    if undecided is None:
        bare = identify_run(job.undecided, run, log, progress, workers=workers) if excluded else found
        undecided = finished_run(job.undecided, bare)
    return replace(result, undecided=undecided)


def identify_run(job: Job, run: RunPlan, log: Log, progress: Say, *, workers: int = 1) -> IdentifiedRun:
    """The long part of the work on a run that is no decay. Raises ComputeError as ``compute_run`` does."""
    sweep = sweep_of(job, run, log, progress, workers=workers)
    sweep, returned = without_returns(sweep) if run.kind in (RunKind.SURVEY, RunKind.SWEEP) else (sweep, 0)
    control = present_control(job, run, [trace.channel for trace in sweep.traces])
    level = combine_control(sweep, control, run.strategy)
    profile = job.profile(run.profile)
    facts = sweep_facts(sweep, profile, level)
    responses = response_traces(job, sweep, control, level)
    quality = data_quality(run, sweep, level, profile, control)
    excluded = job.excluded_on(run.id)
    sound = without_excluded(without_spoilt(responses, quality, sweep.frequency_hz), excluded, sweep.frequency_hz)
    dwelling = run.kind is RunKind.DWELL or facts.direction is Direction.HOLD
    pieces = () if dwelling else pieces_of(sweep)
    sought = [trace for trace in sound if trace.channel not in job.monitors]
    swept = swept_response(job, run, sweep, sought, level, facts.rate_unit, pieces)
    not_sought = message("run.no-sweep") if dwelling else _reference_in_doubt(quality, control)
    return IdentifiedRun(
        run=run, log=log, sweep=sweep, facts=facts, control=control, level=level, responses=responses,
        quality=tuple(quality), excluded=excluded, swept=swept, returned=returned,
        end=None if not_sought is not None else identified(swept), not_sought=not_sought,
    )  # fmt: skip


def finished_run(job: Job, done: IdentifiedRun) -> RunResult:
    """The run with the resonances that the engineer asks for, and everything else that its log tells."""
    run, sweep, control = done.run, done.sweep, done.control
    found, not_added = with_asked_for(done, job.asked_on(run.id))
    channels = _channels(job, done, found)
    profile = job.profile(run.profile)
    assumed = found is not None and sweep.time_s is None and not done.swept.steady
    channels = doubted(channels, profile) if assumed else channels
    channels, lost = told_by_whom(channels, job.asked_on(run.id), not_added)
    log = done.log
    whole = isinstance(log, TimeHistory) and not log.further_parts
    compared = cross_check(log, sweep, control, channels) if whole and isinstance(log, TimeHistory) and found else ()
    spread_db, spread_at_hz = control_spread(sweep, control) or (None, None)
    held = control_result(sweep, control, run.strategy, profile, done.excluded)
    result = RunResult(
        id=run.id,
        kind=str(run.kind),
        axis=run.axis,
        sweep=done.facts,
        control=replace(held, time_s=sweep.time_s, spread_db=spread_db, spread_at_hz=spread_at_hz),
        channels=channels,
        dwell=dwell_result(done.swept) if done.dwelling else None,
        quality=(*done.quality, *disagreements(compared)),
        method=found.method if found else done.not_sought or message("run.no-sweep"),
        criterion=found.criterion if found else None,
        flags=(
            *(found.flags if found else ()), *_several(run, sweep), *_returned(done.returned), *agreement(compared)
        ),
        facts=found.facts if found else (),
        steady_state_assumed=assumed,
        not_added=(*not_added, *lost),
        conditions=run_conditions(sweep),
    )  # fmt: skip
    result = with_cross_axis(run, with_uncertainties(result, job.clock_of(run)))
    return result if done.dwelling else replace(result, quality=(*result.quality, *wrong_units(job, result)))


def _channels(job: Job, done: IdentifiedRun, found: Identification | None) -> tuple[ChannelResult, ...]:
    reference = control_dimension(done.sweep, done.control)
    return tuple(
        channel_result(
            trace, done.sweep, done.level, reference, None if trace.channel in job.monitors else found,
            tuple(each.band_hz for each in done.excluded if each.concerns(trace.channel)),
        )
        for trace in done.responses
    )  # fmt: skip


def _reference_in_doubt(quality: Sequence[QualityIssue], control: Sequence[str]) -> Message | None:
    """Why no resonance is sought: a response over something that is not the control has none of the structure's."""
    doubted = {IssueKind.CONTROLS_DISAGREE, IssueKind.SWAPPED}
    names = [issue.channel for issue in quality if issue.spoils and issue.kind in doubted and issue.channel in control]
    return message("run.control-in-doubt", channels=tuple(names)) if names else None


def sweep_of(job: Job, run: RunPlan, log: Log, progress: Say, *, workers: int = 1) -> SweepLog:
    """The log as rows of a sweep; a time history is demodulated against the drive, else the control."""
    if isinstance(log, SweepLog):
        return log
    parts = [_demodulated(job, run, part, progress, workers) for part in (log, *log.further_parts)]
    if len(parts) == 1:
        return parts[0]
    swept = run.kind is not RunKind.DWELL
    fault = parts_fault(parts, swept=swept)
    if fault is not None:
        place, why = fault
        what = message("parts.not-following", run=run.id, log=parts[place].path, why=why)
        raise ComputeError(message("error.at", where=parts[place].path, what=what))
    return joined_log(parts, run.log_names, pauses=swept)


def _demodulated(job: Job, run: RunPlan, log: TimeHistory, progress: Say, workers: int) -> SweepLog:
    """One record as rows of a sweep. Raises ComputeError where it has neither drive nor control."""
    progress(message("progress.demodulating", path=log.path))
    control = present_control(job, run, log.channels)
    drives = [each.id for each in job.channels if each.role is ChannelRole.DRIVE and each.id in log.channels]
    if not (drives or control):
        raise ComputeError(message("error.at", where=log.path, what=message("run.nothing-to-follow")))
    rows = demodulate(log, (drives or control)[0], control, workers=workers)
    return rows if run.kind is RunKind.DWELL else _one_sweep(rows, run)


def _one_sweep(rows: SweepLog, run: RunPlan) -> SweepLog:
    """The sweep that the run names, else the first, of a record that holds several. Raises ComputeError."""
    sweeps = split_sweeps(rows)
    number = run.sweep or 1
    if number > len(sweeps):
        wrong = message("run.no-such-sweep", run=run.id, sweep=number, held=len(sweeps))
        raise ComputeError(message("error.at", where=rows.path, what=wrong))
    return sweeps[number - 1]


def _several(run: RunPlan, sweep: SweepLog) -> tuple[Message, ...]:
    """A sentence where the record holds more sweeps than the run reads."""
    if sweep.sweeps_in_file < 2 or run.sweep is not None:
        return ()
    return (message("run.several-sweeps", sweeps=sweep.sweeps_in_file),)


def _returned(rows: int) -> tuple[Message, ...]:
    """A sentence where rows of a way back between two pieces of a sweep are left out."""
    return (message("run.way-back-left-out", rows=rows),) if rows else ()


def present_control(job: Job, run: RunPlan, there: Sequence[str]) -> tuple[str, ...]:
    """The run's control channels that its log holds; all of them where it holds none, so that the error names them."""
    control = job.control_of(run)
    return tuple(each for each in control if each in there) or control


def response_traces(job: Job, sweep: SweepLog, control: Sequence[str], level: Floats) -> tuple[Trace, ...]:
    """Traces that are responses: all but the controls of the run and the drive; a logged ratio becomes a motion."""
    drives = {each.id for each in job.channels if each.role is ChannelRole.DRIVE}
    motion = {"ratio": "acceleration", **OVER_FORCE}
    return tuple(
        replace(trace, dimension=motion[trace.dimension], amplitude=trace.amplitude * level)
        if trace.dimension in motion
        else trace
        for trace in sweep.traces
        if trace.channel not in control and trace.channel not in drives
    )


def without_spoilt(
    responses: Sequence[Trace], quality: Sequence[QualityIssue], frequency_hz: Floats
) -> tuple[Trace, ...]:
    """Traces with NaN where the data are known to be worthless: a loose sensor must not become modes."""
    return tuple(_sound(trace, [i for i in quality if i.spoils and i.channel == trace.channel], frequency_hz)
                 for trace in responses)  # fmt: skip


def without_excluded(
    responses: Sequence[Trace], excluded: Sequence[Exclusion], frequency_hz: Floats
) -> tuple[Trace, ...]:
    """Traces with NaN in the bands that the engineer does not use; the control still drives the model there."""
    return tuple(
        _without_rows(trace, inside_any([e.band_hz for e in excluded if e.concerns(trace.channel)], frequency_hz))
        for trace in responses
    )


def _sound(trace: Trace, issues: Sequence[QualityIssue], frequency_hz: Floats) -> Trace:
    return _without_rows(trace, inside_any([issue.band_hz or (0.0, np.inf) for issue in issues], frequency_hz))


def _without_rows(trace: Trace, rows: NDArray[np.bool_]) -> Trace:
    return replace(trace, amplitude=np.where(rows, np.nan, trace.amplitude)) if rows.any() else trace


def swept_response(
    job: Job,
    run: RunPlan,
    sweep: SweepLog,
    responses: Sequence[Trace],
    level: Floats,
    rate_unit: str,
    pieces: tuple[Piece, ...] = (),
) -> SweptResponse:
    """What the identification is given: motions as accelerations, everything SI and peak.

    The ``pieces`` of an interrupted sweep are set so far apart in time that each starts anew.
    """
    reference = control_dimension(sweep, present_control(job, run, [each.channel for each in sweep.traces]))
    n = len(sweep.frequency_hz)
    steady = run.steady_state or sweep.steady
    cycles = None if steady else sweep.drive_cycles
    phases = [phase_of_acceleration(trace, reference) for trace in responses]
    empty = np.full(n, np.nan)
    return SweptResponse(
        frequency_hz=sweep.frequency_hz,
        control=level,
        responses=_columns(
            [acceleration_of(t, sweep.frequency_hz) if is_motion(t) else t.amplitude for t in responses], n
        ),
        phases_deg=None if all(p is None for p in phases) else _columns([empty if p is None else p for p in phases], n),
        channels=tuple(trace.channel for trace in responses),
        dimensions=tuple("acceleration" if is_motion(trace) else trace.dimension for trace in responses),
        time_s=None if steady or sweep.time_s is None else apart(sweep.time_s, pieces),
        steady=steady,
        drive_cycles=None if cycles is None else advanced(cycles, sweep.frequency_hz, pieces),
        tracking_filter=run.tracking_filter,
        calibration=tuple(_calibration(job, trace.channel) for trace in responses),
        control_calibration=_control_calibration(job, job.control_of(run)),
        sweep_rate_unit=rate_unit,
    )


def _columns(columns: Sequence[Floats], rows: int) -> Floats:
    return np.column_stack(columns) if columns else np.empty((rows, 0))


def _calibration(job: Job, channel_id: str) -> float | None:
    """Relative standard uncertainty of a channel's calibration, a fraction; None where none is stated."""
    channel = job.channel(channel_id)
    instrument = job.instrument(channel.instrument) if channel is not None else None
    return instrument.relative_standard_uncertainty if instrument is not None else None


def _control_calibration(job: Job, control: Sequence[str]) -> float | None:
    """Of several control channels the largest: sensors are often calibrated on one bench, so nothing averages out."""
    stated = [_calibration(job, channel) for channel in control]
    known = [each for each in stated if each is not None]
    return max(known) if known and len(known) == len(stated) else None


def channel_result(
    trace: Trace,
    sweep: SweepLog,
    level: Floats,
    reference: str,
    found: Identification | None,
    excluded_hz: tuple[tuple[float, float], ...] = (),
) -> ChannelResult:
    """Curves of one response channel, with the resonances found on it."""
    fit: ChannelFit | None = found.channel(trace.channel) if found else None
    resonances, unseen = _seen_on_rows(fit.resonances if fit else (), sweep.frequency_hz)
    resonances = tuple(each for each in resonances if not _known_by_flanks(each, excluded_hz))
    quotient, unit = ratio_unit(trace, reference)
    magnitude = magnitude_ratio(trace, level, sweep.frequency_hz)
    if quotient is Quotient.RATIO and reference != "force":
        resonances = tuple(with_response(each, sweep.frequency_hz, magnitude, level) for each in resonances)
    return ChannelResult(
        id=trace.channel,
        frequency_hz=sweep.frequency_hz,
        magnitude=magnitude,
        phase_deg=phase_of_acceleration(trace, reference),
        fitted=fit.fitted if fit else None,
        fitted_swept=fit.fitted_swept if fit else None,
        resonances=resonances,
        noise_floor=fit.noise_floor if fit else None,
        unexplained=fit.unexplained if fit else (),
        peaks=fit.peaks if fit else None,
        quotient=quotient,
        unit=unit,
        dimension=trace.dimension,
        flags=(*(fit.flags if fit else ()), *unseen),
        time_s=sweep.time_s,
        excluded_hz=excluded_hz,
    )


def _known_by_flanks(each: Resonance, bands: Sequence[tuple[float, float]]) -> bool:
    """Whether the rows of a resonance, those of its half-power band, are among those not used, or its top is."""
    half = 0.5 * each.frequency_hz / each.q if each.q else 0.0
    return any(low - half <= each.frequency_hz <= high + half for low, high in bands)


def with_response(resonance: Resonance, frequency_hz: Floats, ratio: Floats, level: Floats) -> Resonance:
    """The resonance with the acceleration of its recorded peak, at the row nearest to it; where a frequency was passed
    more than once, at the row of its height. ``ratio`` over the control acceleration ``level``, m/s², shapes (n,)."""
    seen, known = resonance.observed, np.flatnonzero(np.isfinite(ratio))
    if seen.peak_hz is None or seen.amplification is None or not len(known):
        return resonance
    off = np.abs(frequency_hz[known] - seen.peak_hz)
    nearest = known[off == off.min()]
    row = min(nearest, key=lambda each: abs(ratio[each] - seen.amplification))
    return replace(resonance, observed=replace(seen, response_mps2=float(ratio[row] * level[row])))


def _seen_on_rows(
    resonances: tuple[Resonance, ...], frequency_hz: Floats
) -> tuple[tuple[Resonance, ...], tuple[Message, ...]]:
    """Resonances with a row within their half-power band, and what is said of those in a hole of the log."""
    kept, unseen = list(resonances), []
    for low, high in holes(frequency_hz):
        half = [(each, 0.5 * each.frequency_hz / each.q) for each in kept if each.q]
        inside = [each for each, width in half if low < each.frequency_hz - width and each.frequency_hz + width < high]
        kept = [each for each in kept if each not in inside]
        if inside:
            unseen.append(message("run.mode-in-hole", low_hz=low, high_hz=high))
    return tuple(kept), tuple(unseen)


def decay_run(run: RunPlan, log: Log) -> RunResult:
    """Free decay: no drive, no control; the pluck is found in the record itself. Raises ComputeError."""
    return _decay(run, log)


def decay_if_any(run: RunPlan, log: Log) -> RunResult | None:
    """A record of which nothing is known as a free decay; None where it holds none, or does not begin with a pluck."""
    try:
        return _decay(run, log, doubted=True)
    except ComputeError:
        return None


def _decay(run: RunPlan, log: Log, *, doubted: bool = False) -> RunResult:
    """A free decay; raises ComputeError where none is found, or where it is ``doubted`` and may be a sweep."""
    if not isinstance(log, TimeHistory):
        raise ComputeError(message("error.at", where=log.path, what=message("run.decay-of-rows", run=run.id)))
    start, stop = pluck_window(log)
    samples = log.read(start, stop)
    part = decay_part(samples, log.sample_rate_hz, log.channels, LEAST_RISE if doubted else LEAST_FALL)
    begin, end = part.begin, part.end
    found = identify_decay(samples[begin:end], log.sample_rate_hz, log.channels, log.display_units)
    cut_short = end == len(samples) and stop < log.samples
    if doubted:
        slowest = min((each.frequency_hz for channel in found.channels for each in channel.resonances), default=0.0)
        cycle = int(log.sample_rate_hz / slowest) if slowest > 0 else 0
        if not cycle or found.explained < _DECAYS or not rises_at_once(samples, part.release, cycle):
            raise ComputeError(message("error.at", where=log.path, what=message("run.no-decay")))
    return RunResult(
        id=run.id,
        kind=str(run.kind),
        axis=run.axis,
        sweep=None,
        control=None,
        channels=found.channels,
        decay=tuple(_as_displayed(curve) for curve in found.curves),
        method=found.method,
        criterion=CRITERION,
        flags=(*part.said, *found.flags, *((_CUT_SHORT,) if cut_short else ())),
    )


def _as_displayed(curve: DecayCurve) -> DecayCurve:
    """The curve in the unit that the record was written in, for the figure."""
    if not curve.unit:
        return curve
    size = parse_unit(curve.unit).factor
    envelope = None if curve.envelope is None else curve.envelope / size
    return replace(curve, response=curve.response / size, envelope=envelope)
