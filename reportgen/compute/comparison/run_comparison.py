"""What only shows between runs: other levels or rates, a sensor that reads differently, columns that changed places."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from reportgen.compute.comparison.shift import run_pairs
from reportgen.compute.quality.swapped_columns import exchanged
from reportgen.compute.quality.unit_factor import UnitFactor, unit_factor
from reportgen.compute.quality.wrong_unit import at_rest, beside_first_mode
from reportgen.records.job import Job
from reportgen.records.log import Floats
from reportgen.records.message import Message, message
from reportgen.records.result import ChannelResult, IssueKind, QualityIssue, RunResult
from reportgen.records.stretch import Direction

LEVEL_DB = 1.0
"""Two controls within the ±15 % of IEC 60068-2-6 differ by up to 2.6 dB at a row, but by far less in the median."""
RATE_SHARE = 0.1
"""The ±10 % that IEC 60068-2-6 allows a sweep rate."""
GAIN_DB = 2.0
"""Below the resonances a sensor follows the exciter; a gain that differs by 2 dB is the sensor's and not the
structure's."""
BELOW_RESONANCE = 0.5
"""Share of the lowest natural frequency up to which the ratio of two runs is their gain: a shift of 20 % there moves
1/(1−r²) by 1.2 dB at most."""
NOISIER = 6.0
NOISY_DB = 1.0
RIGHT_SHARE = 0.25
"""Of two runs that differ in gain one is right that departs from the exciter by less than a quarter of the other."""
LARGE_DB = 18.0
"""A gain of eight, such as that of g and m/s²: more than the share of a mode changes the ratio below its resonance."""
ROUGH_STD = 0.1
"""Standard uncertainty of the ratio at rest, as a fraction, that still tells two gains so far apart."""
OTHERS_NOISIER = 2.5
"""Another channel whose scatter rose as much points at a cause that is no single sensor's."""
EVEN_DB = 0.5
"""Median departure of a ratio of two runs that is one gain all along: a structure that changed moves its resonances."""
COMMON_DB = 0.5
"""All channels within this: two units' factor told to 3 %, 0.26 dB, on either side."""
FEWEST_ROWS = 10

Found = tuple[str, QualityIssue]
"""A run and what is found of it."""


def compare_quality(job: Job, runs: Sequence[RunResult]) -> tuple[RunResult, ...]:
    """The runs with what their comparison shows added to the quality of the one that is wrong.

    That is the later one for levels and rates, and both where nothing tells whose fault a difference is.
    """
    by_id = {run.id: run for run in runs}
    for before, after in run_pairs(job):
        if before not in by_id or after not in by_id:
            continue
        for run_id, issue in tuple(_differences(*(_responses_of(job, by_id[each]) for each in (before, after)))):
            run = by_id[run_id]
            if (issue.kind, issue.channel) not in {(each.kind, each.channel) for each in run.quality}:
                by_id[run_id] = replace(run, quality=(*run.quality, issue))
    return tuple(by_id[run.id] for run in runs)


def _responses_of(job: Job, run: RunResult) -> RunResult:
    """The run without what was recorded beside: a temperature differs from run to run, and no sensor is wrong."""
    return replace(run, channels=tuple(each for each in run.channels if each.id not in job.monitors))


def _differences(before: RunResult, after: RunResult) -> Iterator[Found]:
    for issue in (*_levels(before, after), *_rates(before, after)):
        yield after.id, issue
    yield from _sensors(before, after)


def _level_db(before: RunResult, after: RunResult) -> float | None:
    """Control of the later run against the earlier, dB, median of the rows; None where they share few."""
    if before.control is None or after.control is None:
        return None
    ratio = _ratio_db(
        (before.control.frequency_hz, before.control.level), (after.control.frequency_hz, after.control.level)
    )
    return float(np.median(ratio)) if ratio.size >= FEWEST_ROWS else None


def _levels(before: RunResult, after: RunResult) -> Iterator[QualityIssue]:
    level = _level_db(before, after)
    if level is not None and abs(level) > LEVEL_DB:
        yield QualityIssue(
            kind=IssueKind.LEVEL_DIFFERS,
            message=message("comparison.level", difference_db=level, run=before.id),
        )


def _rates(before: RunResult, after: RunResult) -> Iterator[QualityIssue]:
    a, b = before.sweep, after.sweep
    if a is None or b is None:
        return
    if {a.direction, b.direction} == {Direction.UP, Direction.DOWN}:
        yield QualityIssue(
            kind=IssueKind.RATE_DIFFERS,
            message=message("comparison.swept-up", run=before.id)
            if b.direction is Direction.UP
            else message("comparison.swept-down", run=before.id),
        )
    if a.rate is None or b.rate is None:
        return
    if a.rate_unit != b.rate_unit or abs(b.rate / a.rate - 1.0) > RATE_SHARE:
        yield QualityIssue(
            kind=IssueKind.RATE_DIFFERS,
            message=message(
                "comparison.rate", rate=b.rate, unit=b.rate_unit, other=a.rate, other_unit=a.rate_unit, run=before.id
            ),
        )


def _sensors(before: RunResult, after: RunResult) -> Iterator[Found]:
    """Channels whose gain or noise changed where the other channels' did not, or that changed places."""
    old = {channel.id: channel for channel in before.channels}
    pairs = [(old[channel.id], channel) for channel in after.channels if channel.id in old]
    lowest = min((r.frequency_hz for run in (before, after) for c in run.channels for r in c.resonances), default=None)
    places = [pair for pair in exchanged(before.channels, after.channels) if not _in_doubt(before, after, pair)]
    for first, second in places:
        yield from _exchanged(before, after, first, second)
        yield from _exchanged(before, after, second, first)
    moved = {name for pair in places for name in pair}
    gains = {b.id: _gain_db(a, b, lowest) for a, b in pairs}
    common = _common_gain(gains)
    if common is not None:
        yield from _control_gain(before, after, common)
        return
    for a, b in pairs:
        if b.id in moved or _in_doubt(before, after, (b.id,)):
            continue
        gain = gains[b.id]
        others = [abs(each) for name, each in gains.items() if name not in (b.id, *moved) and each is not None]
        if gain is not None and abs(gain) > GAIN_DB and (not others or min(others) < 0.5 * abs(gain)):
            yield from _gain(before, after, a, b, gain, lowest)
        elif _is_noisier(b, pairs, before, after):
            yield after.id, _issue(IssueKind.NOISE_DIFFERS, b.id, _noise_message(a, b, before))


def _in_doubt(before: RunResult, after: RunResult, names: tuple[str, ...]) -> bool:
    """Whether the unit of a channel or of the control is in doubt already: that explains any difference."""
    controls = {name for run in (before, after) if run.control is not None for name in run.control.channels}
    return any(
        issue.kind in (IssueKind.WRONG_UNIT, IssueKind.SWAPPED) and issue.channel in (*names, *controls)
        for run in (before, after)
        for issue in run.quality
    )


def _common_gain(gains: dict[str, float | None]) -> float | None:
    """A gain in dB that several channels share and that is the factor between two units: it is the control's."""
    known = [each for each in gains.values() if each is not None]
    if len(known) < 2 or len(known) < len(gains) or np.ptp(known) > COMMON_DB:
        return None
    typical = float(np.median(known))
    return typical if unit_factor(10.0 ** (typical / 20.0)) is not None else None


def _control_gain(before: RunResult, after: RunResult, gain_db: float) -> Iterator[Found]:
    """The control of both runs is in doubt where nothing tells which of them is in the unit it says."""
    factor = unit_factor(10.0 ** (gain_db / 20.0))
    if factor is None or _in_doubt(before, after, ()):
        return
    gain = 10.0 ** (abs(gain_db) / 20.0)
    all_off = message("comparison.control-unit", ratio=gain, before=before.id, after=after.id, units=factor.units)
    for run in (before, after):
        for name in run.control.channels if run.control is not None else ():
            yield run.id, _issue(IssueKind.WRONG_UNIT, name, all_off)


def _gain(
    before: RunResult, after: RunResult, a: ChannelResult, b: ChannelResult, gain_db: float, lowest_hz: float | None
) -> Iterator[Found]:
    """A change of gain, on the run that is wrong; on both where nothing tells which."""
    factor = unit_factor(10.0 ** (gain_db / 20.0))
    for run, other, is_after in ((before, after, False), (after, before, True)):
        if factor is None and _is_dead(run, b.id):
            continue
        if _is_wrong(a, b, lowest_hz, gain_db, is_after) is False:
            continue
        db = gain_db if is_after else -gain_db
        if factor is None:
            yield run.id, _issue(IssueKind.GAIN_DIFFERS, b.id, _gain_message(b.id, db, other.id))
        else:
            yield run.id, _issue(IssueKind.WRONG_UNIT, b.id, _unit_message(b.id, db, other.id, factor))


def _is_dead(run: RunResult, name: str) -> bool:
    return any(issue.kind is IssueKind.DEAD_CHANNEL and issue.channel == name for issue in run.quality)


def _gain_message(name: str, db: float, other: str) -> Message:
    return message("comparison.gain", channel=name, difference_db=db, run=other)


def _unit_message(name: str, db: float, other: str, factor: UnitFactor) -> Message:
    return message("comparison.unit", channel=name, ratio=10.0 ** (db / 20.0), run=other, units=factor.units)


def _is_wrong(
    a: ChannelResult, b: ChannelResult, lowest_hz: float | None, gain_db: float, is_after: bool
) -> bool | None:
    """Whether the later (or earlier) of two runs is the wrong one: the other reads what the exciter does, at rest.

    A gain that no structure could take for its own shows anywhere below the resonances. None where it is not told.
    """
    levels = [at_rest(channel, lowest_hz) for channel in (a, b)]
    if None in levels and abs(gain_db) >= LARGE_DB:
        levels = [beside_first_mode(channel, lowest_hz, ROUGH_STD) for channel in (a, b)]
    if None in levels and abs(gain_db) >= LARGE_DB:
        levels = [_below(channel, lowest_hz) for channel in (a, b)]
    off = [abs(20.0 * np.log10(level)) for level in levels if level is not None]
    if len(off) < 2 or min(off) > RIGHT_SHARE * max(off):
        return None
    return bool(off[1] > off[0]) == is_after


def _below(channel: ChannelResult, lowest_hz: float | None) -> float | None:
    """Median of |response/control| below the lowest resonance; None where nothing was swept there."""
    f, magnitude = channel.frequency_hz, channel.magnitude
    rows = np.isfinite(magnitude) & (magnitude > 0)
    if lowest_hz is not None:
        rows &= f < lowest_hz
    return float(np.median(magnitude[rows])) if rows.sum() >= FEWEST_ROWS else None


def _is_noisier(
    b: ChannelResult,
    pairs: Sequence[tuple[ChannelResult, ChannelResult]],
    before: RunResult,
    after: RunResult,
) -> bool:
    """Whether a channel alone scatters far more than in the run before, at about the same level."""
    scatters = {second.id: (_scatter_db(first), _scatter_db(second)) for first, second in pairs}
    quiet, noisy = scatters[b.id]
    if quiet is None or noisy is None or noisy <= NOISY_DB or noisy <= NOISIER * quiet:
        return False
    if abs(_level_db(before, after) or 0.0) > LEVEL_DB:
        return False
    rises = [late / early for name, (early, late) in scatters.items() if name != b.id and early and late is not None]
    return all(rise < OTHERS_NOISIER for rise in rises)


def _noise_message(a: ChannelResult, b: ChannelResult, before: RunResult) -> Message:
    return message("comparison.noise", channel=b.id, scatter_db=_scatter_db(b), before_db=_scatter_db(a), run=before.id)


def _exchanged(before: RunResult, after: RunResult, name: str, other: str) -> Iterator[Found]:
    """That a channel changed places with another, on both runs: nothing tells in which they are right."""
    swapped = message("comparison.swapped", channel=name, other=other, before=before.id, after=after.id)
    for run in (before, after):
        yield run.id, _issue(IssueKind.SWAPPED, name, swapped)


def _issue(kind: IssueKind, channel: str, what: Message) -> QualityIssue:
    return QualityIssue(kind=kind, message=what, channel=channel, spoils=True)


def _gain_db(a: ChannelResult, b: ChannelResult, lowest_hz: float | None) -> float | None:
    """Ratio of two runs of a channel, dB: the median below the resonances, or all along where it is the same all along.

    None where neither tells it.
    """
    curves = (a.frequency_hz, a.magnitude), (b.frequency_hz, b.magnitude)
    ratio = _ratio_db(*curves, up_to=lowest_hz)
    if ratio.size >= FEWEST_ROWS:
        return float(np.median(ratio))
    ratio = _ratio_db(*curves)
    if ratio.size < FEWEST_ROWS:
        return None
    typical = float(np.median(ratio))
    return typical if float(np.median(np.abs(ratio - typical))) <= EVEN_DB else None


def _ratio_db(a: tuple[Floats, Floats], b: tuple[Floats, Floats], up_to: float | None = None) -> Floats:
    """Second over first at the frequencies of the first, dB; rows that either lacks are left out."""
    (f, first), (g, second) = a, b
    ok = np.isfinite(second) & (second > 0)
    order = np.argsort(g[ok], kind="stable")
    if order.size < 2:
        return np.empty(0)
    known = np.isfinite(first) & (first > 0) & (f >= g[ok].min()) & (f <= g[ok].max())
    if up_to is not None:
        known &= f <= BELOW_RESONANCE * up_to
    other = np.exp(np.interp(np.log(f[known]), np.log(g[ok][order]), np.log(second[ok][order])))
    return np.asarray(20.0 * np.log10(other / first[known]))


def _scatter_db(channel: ChannelResult) -> float | None:
    """Median scatter of the rows about their neighbours, dB."""
    known = np.isfinite(channel.magnitude) & (channel.magnitude > 0)
    if known.sum() < 4 * FEWEST_ROWS:
        return None
    bend = np.abs(np.diff(20.0 * np.log10(channel.magnitude[known]), 2)) / np.sqrt(6.0)
    return 1.4826 * float(np.median(bend))
