"""Columns that changed places: a control that behaves like a response, two responses that became each other."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from reportgen.compute.quality.unit_factor import unit_factor
from reportgen.compute.seen import decibels
from reportgen.compute.sweep.profile import jumps, profile_level
from reportgen.compute.sweep.transmissibility import acceleration_of, is_motion
from reportgen.records.job import Profile
from reportgen.records.log import Floats, SweepLog
from reportgen.records.message import message
from reportgen.records.result import ChannelResult, IssueKind, QualityIssue

HELD_DB = 3.0
"""Range (1st to 99th percentile) of a channel that was controlled: ±15 % of IEC 60068-2-6 are +1.2 and −1.4 dB."""
FREE_DB = 10.0
"""Range of a channel that shows a resonance; twice what a control loses where it is hard to hold."""
AGREE_DB = 6.0
DISAGREE_DB = 20.0
"""Control sensors that are within 6 dB of each other are usual on a stiff fixture; ten-fold is no one control."""
ROWS_APART = 0.01
"""Share of the rows above which a disagreement is said."""
FEWEST_ROWS = 20
EXCHANGED = 0.25
"""Two channels changed places where they fit each other's earlier curves with a quarter of the misfit,"""
STRAIGHT_DB = 0.6
"""which is, in the median of the rows, more than this, 7 %: two calibrations of 3 % each make less."""


def control_swaps(log: SweepLog, control: Sequence[str], profile: Profile | None) -> Iterator[QualityIssue]:
    """Controls that vary as a response does, each with the response that is held like a control; else, controls that

    do not agree with each other.
    """
    f = log.frequency_hz
    if len(f) < FEWEST_ROWS:
        return
    held = {trace.channel: decibels(acceleration_of(trace, f)) for trace in log.traces if is_motion(trace)}
    demand = _demand_db(profile, f)
    swapped = set()
    for name in control:
        others = [held[each] for each in control if each != name and each in held]
        references = [*others, *([demand] if demand is not None else [])] or [np.zeros(len(f))]
        partner = _held_instead(name, control, held, references, np.zeros(len(f)) if demand is None else demand)
        if partner is not None:
            swapped.add(name)
            yield QualityIssue(
                kind=IssueKind.SWAPPED,
                message=message("quality.control-swapped", control=name, response=partner),
                channel=name,
                spoils=True,
            )
    if not swapped:
        yield from _disagreements([each for each in control if each in held], held, f)


def _demand_db(profile: Profile | None, f: Floats) -> Floats | None:
    if profile is None:
        return None
    level = profile_level(profile, f)
    for jump_hz in jumps(profile):
        level[np.abs(f / jump_hz - 1.0) <= 0.01] = np.nan
    for notch in profile.notches:
        level[(f >= notch.from_hz) & (f <= notch.to_hz)] = np.nan
    return decibels(level)


def _held_instead(
    name: str, control: Sequence[str], held: dict[str, Floats], references: Sequence[Floats], demand: Floats
) -> str | None:
    """The response that keeps to every reference where the control ``name`` keeps to none; None where there is none.

    It has to keep closer to the ``demand`` as well, or the reference itself is the response.
    """
    if name not in held or any(_range(held[name] - each, 0.1) < FREE_DB for each in references):
        return None
    tight = {
        other: max(_range(course - each, 1.0) for each in references)
        for other, course in held.items()
        if other not in control
    }
    best = min(tight, key=lambda each: tight[each], default=None)
    if best is None or tight[best] > HELD_DB:
        return None
    return best if _range(held[best] - demand, 0.1) < _range(held[name] - demand, 0.1) else None


def _range(course: Floats, percent: float) -> float:
    """Range of a course in dB without the lowest and highest ``percent`` of its rows; infinite where it has few."""
    known = course[np.isfinite(course)]
    if known.size < max(FEWEST_ROWS, 0.5 * course.size):
        return np.inf
    low, high = np.percentile(known, [percent, 100.0 - percent])
    return float(high - low)


def _disagreements(control: Sequence[str], held: dict[str, Floats], f: Floats) -> Iterator[QualityIssue]:
    for k, first in enumerate(control):
        for second in control[k + 1 :]:
            apart = held[second] - held[first]
            known = np.isfinite(apart)
            if known.sum() < FEWEST_ROWS:
                continue
            ratio = float(10.0 ** (np.median(apart[known]) / 20.0))
            factor = unit_factor(ratio)
            if factor is not None and _range(apart, 5.0) <= HELD_DB:
                yield QualityIssue(
                    kind=IssueKind.WRONG_UNIT,
                    message=message(
                        "quality.control-units", first=first, second=second, ratio=ratio, units=factor.units
                    ),
                    channel=second,
                    spoils=True,
                )
                continue
            size = np.where(known, np.abs(apart), 0.0)
            if float(np.mean(size[known] > AGREE_DB)) > ROWS_APART:
                row = int(np.argmax(size))
                yield QualityIssue(
                    kind=IssueKind.CONTROLS_DISAGREE,
                    message=message(
                        "quality.controls-disagree",
                        first=first,
                        second=second,
                        ratio=float(10.0 ** (size[row] / 20.0)),
                        frequency_hz=float(f[row]),
                    ),
                    channel=second,
                    spoils=bool(size[row] > DISAGREE_DB),
                )


def exchanged(before: Sequence[ChannelResult], after: Sequence[ChannelResult]) -> Iterator[tuple[str, str]]:
    """Pairs of channels of which each fits the other's curve of the run before, and not its own."""
    old = {channel.id: channel for channel in before}
    both = [channel for channel in after if channel.id in old and channel.pure_ratio]
    for k, a in enumerate(both):
        for b in both[k + 1 :]:
            own = [_misfit(old[a.id], a), _misfit(old[b.id], b)]
            crossed = [_misfit(old[b.id], a), _misfit(old[a.id], b)]
            if min(own) > STRAIGHT_DB and max(crossed) < EXCHANGED * min(own):
                yield a.id, b.id


def _misfit(first: ChannelResult, second: ChannelResult) -> float:
    """Median difference of two curves on the frequencies of the first, dB; not a number where they share few."""
    known = np.isfinite(second.magnitude) & (second.magnitude > 0)
    order = np.argsort(second.frequency_hz[known], kind="stable")
    g, y = second.frequency_hz[known][order], decibels(second.magnitude[known][order])
    if g.size < FEWEST_ROWS:
        return float("nan")
    x = decibels(first.magnitude)
    use = np.isfinite(x) & (first.frequency_hz >= g[0]) & (first.frequency_hz <= g[-1])
    if use.sum() < FEWEST_ROWS:
        return float("nan")
    return float(np.median(np.abs(x[use] - np.interp(first.frequency_hz[use], g, y))))
