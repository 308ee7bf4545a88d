"""The lowest natural frequency, of a run or of an axis."""

from __future__ import annotations

from reportgen.judge.case import Case, Item, Reading, Side
from reportgen.judge.curve import NEAR, starts_within_a_peak, unexplained_on_lost, unexplained_peaks
from reportgen.judge.decision_rule import Tolerance
from reportgen.judge.left_out import left_out
from reportgen.records.check import Check
from reportgen.records.job import RunKind
from reportgen.records.message import message
from reportgen.records.result import ChannelResult, Mode, Resonance, RunResult
from reportgen.records.rounding import CLOCK_DIGITS
from reportgen.records.verdict import ProvedBy
from reportgen.units import Quantity

SAME_MODE = 0.005
"""Resonances of one run within 0.5 % are one mode."""
NEAR_MODE = 0.02
"""Runs at different levels show a mode up to a few percent apart."""
_SEARCHES = (RunKind.SURVEY, RunKind.SWEEP, RunKind.DECAY)


def lowest_natural_frequency(case: Case) -> None:
    """Items: the lowest resonance of every channel, and modes of the axis that lie lower still.

    It can pass only where the sweep began below the limit, outside of any peak, and went beyond it, on channels that
    carry evidence, and where no peak below the limit, or near above it, is left unexplained on any channel. Where no
    resonance was found anywhere, the curves themselves have to show that there is none up to the limit; the highest
    frequency swept is then what can be said.
    """
    case.side = Side.AT_LEAST
    limit = case.limit("frequency")
    runs = _runs(case)
    if limit is None or not runs:
        return
    for run in runs:
        _lay_run(case, run, limit)
    _lay_modes(case, runs, limit)


def _runs(case: Case) -> list[RunResult]:
    needed = case.requirement
    if needed.run is not None:
        run = case.run(needed.run)
        return [run] if run is not None else []
    if needed.axis is None:
        case.gap(message("judge.neither-run-nor-axis"))
        return []
    planned = [run for run in case.job.runs if run.axis == needed.axis and run.kind in _SEARCHES]
    names = [run.id for run in planned if run.counts]
    for plan in case.job.runs:
        if plan.axis is None and plan.counts and plan.kind in (RunKind.SURVEY, RunKind.SWEEP):
            case.gap(message("judge.run-without-axis", run=plan.id, axis=needed.axis))
    for stray in case.runs.values():
        if stray.axis == needed.axis and case.plan(stray) is None:
            case.gap(message("judge.stray-run", run=stray.id, axis=needed.axis))
    for plan in planned if not names else ():
        case.gap(left_out(plan))
    if not planned:
        case.gap(message("judge.axis-without-run", axis=needed.axis))
    return [run for run in map(case.run, names) if run is not None]


def _lay_run(case: Case, run: RunResult, limit: Quantity) -> None:
    covered = _weigh_range(case, run, limit.si)
    sound = _sound_channels(case, run, limit.si)
    found = {channel.id: case.resonances(run, channel) for channel in sound}
    _weigh_peakless(case, run, [each for some in found.values() for each in some], limit.si)
    for channel in sound:
        _weigh_peaks(case, run, channel, limit.si)
        lowest = min(
            (each for each in found[channel.id] if each.has_peak), key=lambda each: each.frequency_hz, default=None
        )
        if lowest is not None:
            what = message("judge.lowest", channel=channel.id, run=run.id)
            reading = _reading(lowest.frequency_hz, lowest.frequency_std_hz, limit, clock_stated=lowest.clock_stated)
            case.items.append(
                Item(
                    text=what,
                    said=message("judge.lowest-held", what=what, held=reading.against()),
                    reading=reading,
                    run=run.id,
                    channel=channel.id,
                    mode=lowest.mode,
                    frequency_hz=lowest.frequency_hz,
                )
            )
        elif covered and not found[channel.id]:
            _lay_none_found(case, run, channel, limit)


def _weigh_peaks(case: Case, run: RunResult, channel: ChannelResult, limit_hz: float) -> None:
    """Peaks of a channel that nothing explains, up to a little above the limit; one whose top was not swept as well.

    How far a mode lies from the peak it leaves in a record is known where it was identified, and only there: as near
    as a resonance must be to explain a peak, a peak may be of a mode below the limit.
    """
    for f, height in unexplained_peaks(channel, below_hz=limit_hz * (1.0 + NEAR), in_band=case.in_band):
        code = "judge.peak-below-limit" if f < limit_hz else "judge.peak-unexplained"
        case.gap(message(code, channel=channel.id, run=run.id, height=height, frequency_hz=f))
    start = starts_within_a_peak(channel)
    lower = [each for each in channel.resonances if start is not None and each.frequency_hz <= start[0] * (1.0 + NEAR)]
    if start is not None and not lower and case.in_band(start[0]):
        case.gap(message("judge.began-in-peak", channel=channel.id, run=run.id, height=start[1], frequency_hz=start[0]))


def _weigh_peakless(case: Case, run: RunResult, found: list[Resonance], limit_hz: float) -> None:
    """A mode below the limit that shows a peak on no channel speaks neither for nor against."""
    for each in found:
        peaks = [other for other in found if other.has_peak and _same(each, other)]
        if each.frequency_hz < limit_hz and not each.has_peak and not peaks:
            case.gap(message("judge.mode-without-peak", run=run.id, frequency_hz=each.frequency_hz))


def _same(a: Resonance, b: Resonance) -> bool:
    return abs(a.frequency_hz / b.frequency_hz - 1.0) <= SAME_MODE


def _sound_channels(case: Case, run: RunResult, limit_hz: float) -> list[ChannelResult]:
    """Channels that carry evidence. A natural frequency is the structure's: the channels left can show it, unless a

    lost one is the only one, is named by the requirement, or shows something below the limit itself.
    """
    sound, lost = case.sound_and_lost(run)
    for name, why in lost:
        below = any(_shows_something(case, run, channel, limit_hz) for channel in run.channels if channel.id == name)
        alone = not sound or case.requirement.channel is not None
        (case.gap if below or alone else case.remark)(why)
    return sound


def _shows_something(case: Case, run: RunResult, channel: ChannelResult, limit_hz: float) -> bool:
    """Whether a channel that carries no evidence has a resonance, or a peak that nothing explains, below the limit."""
    found = [each for each in channel.resonances if each.rejected is None and case.in_band(each.frequency_hz)]
    if any(each.frequency_hz < limit_hz for each in found):
        return True
    return bool(unexplained_on_lost(channel, run, below_hz=limit_hz * (1.0 + NEAR), in_band=case.in_band))


def _weigh_range(case: Case, run: RunResult, limit_hz: float) -> bool:
    """Whether the run could have shown a mode just below the limit."""
    if run.sweep is None:
        case.remark(message("judge.plucked", run=run.id))
        if not any(channel.resonances for channel in run.channels):
            case.gap(message("judge.run-without-mode", run=run.id))
        return False
    if run.sweep.lowest_hz >= limit_hz:
        case.gap(message("judge.began-above-limit", run=run.id, frequency_hz=run.sweep.lowest_hz))
        return False
    if run.sweep.highest_hz < limit_hz:
        case.gap(message("judge.ended-before-limit", run=run.id, frequency_hz=run.sweep.highest_hz))
        return False
    case.weigh_holes(run, high_hz=limit_hz)
    case.remark(message("judge.nothing-swept-below", frequency_hz=run.sweep.lowest_hz))
    return True


def _lay_none_found(case: Case, run: RunResult, channel: ChannelResult, limit: Quantity) -> None:
    """No resonance on this channel: the lowest one, if there is any, lies beyond the end of the sweep."""
    assert run.sweep is not None
    others = any(each.rejected is None for other in run.channels for each in other.resonances)
    if others:
        case.remark(message("judge.no-resonance", channel=channel.id, run=run.id))
        return
    peaks = unexplained_peaks(channel, in_band=case.in_band)
    for f, height in peaks:
        case.gap(message("judge.peak-unexplained", channel=channel.id, run=run.id, height=height, frequency_hz=f))
    if peaks:
        return
    hole = min((low for low, high in run.sweep.holes if high > limit.si), default=None)
    if hole is None:
        what = message("judge.lowest-beyond-sweep", channel=channel.id, run=run.id)
    else:
        what = message("judge.lowest-beyond-hole", channel=channel.id, run=run.id)
    end = run.sweep.highest_hz if hole is None else hole
    reading = _reading(end, run.sweep.last_spacing_hz, limit)
    case.items.append(
        Item(
            text=what,
            said=message("judge.lowest-beyond-held", what=what, held=reading.against()),
            reading=reading,
            run=run.id,
            channel=channel.id,
            frequency_hz=end,
        )
    )


def _lay_modes(case: Case, runs: list[RunResult], limit: Quantity) -> None:
    """Modes of the axis below the limit count wherever they were seen; notes count as much as logs."""
    axis = runs[0].axis or case.requirement.axis  # of several specimens the run's names its one
    ids = {run.id for run in runs}
    for mode in case.modes:
        hertz = mode.frequency_hz
        if hertz is None or mode.axis != axis or not case.in_band(hertz) or hertz >= limit.si:
            continue
        rejected = any(
            each.rejected is not None and abs(each.frequency_hz - hertz) <= 0.02 * hertz
            for run in runs
            for channel in run.channels
            for each in channel.resonances
        )
        if not rejected and _concerns(mode, ids, case.requirement.run is None) and _stands(case, mode):
            case.items.append(_noted_or_logged(mode, hertz, axis, limit))


_SEEN_IN = {"log": message("judge.log"), "notes": message("judge.notes")}


def _noted_or_logged(mode: Mode, hertz: float, axis: str | None, limit: Quantity) -> Item:
    """A mode of the axis, wherever it was seen."""
    seen = tuple(_SEEN_IN[each] for each in mode.seen_in) or (message("judge.results"),)
    what = message("judge.mode-of-axis", axis=axis, seen=seen)
    reading = _reading(hertz, mode.frequency_std_hz, limit, mode.resolution_hz, clock_stated=mode.clock_stated)
    return Item(
        text=what,
        said=message("judge.lowest-held", what=what, held=reading.against()),
        reading=reading,
        mode=mode.mode,
        frequency_hz=hertz,
    )


def _stands(case: Case, mode: Mode) -> bool:
    """Whether a mode was seen in notes, or on a channel that carries evidence and shows its peak (if it says so)."""
    if "notes" in mode.seen_in or not mode.channels:
        return True
    for run in (case.runs[name] for name in mode.runs if name in case.runs):
        lost = {issue.channel for issue in run.quality if issue.spoils}
        if None in lost:
            continue
        channels = {channel.id: channel for channel in run.channels}
        for name in set(mode.channels) - lost:
            near = [
                each
                for each in (channels[name].resonances if name in channels else ())
                if abs(each.frequency_hz / mode.place_hz - 1.0) <= NEAR_MODE
            ]
            if not near or any(each.has_peak for each in near):
                return True
    return not any(name in case.runs for name in mode.runs)


def _concerns(mode: Mode, runs: set[str], whole_axis: bool) -> bool:
    return whole_axis or not mode.runs or bool(set(mode.runs) & runs)


def _reading(
    frequency_hz: float,
    std_hz: float | None,
    limit: Quantity,
    resolution_hz: float | None = None,
    *,
    clock_stated: bool = False,
) -> Reading:
    factor = limit.unit.factor
    return Reading(
        measured=frequency_hz / factor,
        std=None if std_hz is None else std_hz / factor,
        tolerance=Tolerance(low=limit.value),
        unit=limit.unit.symbol,
        resolution=None if resolution_hz is None else resolution_hz / factor,
        most_digits=None if clock_stated else CLOCK_DIGITS,
    )


LOWEST_NATURAL_FREQUENCY = Check(
    name="lowest natural frequency",
    needs=(("run", "axis", "kind"), ("limit",)),
    limit_dimensions=("frequency",),
    limit_example="80 Hz",
    limit_in_percent=False,
    narrowed_by=("channel", "mode", "band"),
    run_kinds=_SEARCHES,
    whole_axis=True,
    proved_by=ProvedBy.NATURAL_FREQUENCY,
    compares=message("check.lowest-natural-frequency"),
    function=lowest_natural_frequency,
)
