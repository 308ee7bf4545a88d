"""Figures of an axis: all responses of its sweep with limits and evidence, and a comparison with an inset a mode."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from reportgen.records.job import Requirement
from reportgen.records.log import Floats
from reportgen.records.report import Report, RunShift
from reportgen.records.result import ChannelResult, Resonance, RunResult
from reportgen.records.verdict import ProvedBy, Verdict
from reportgen.render.axis_runs import AxisRuns, axis_of, curves, requirement_of, sweeps
from reportgen.render.figures.drawings import Drawings, magnitude_at, range_of
from reportgen.render.figures.plot import Curve, Inset, Mark, Panel, Plot, Wall
from reportgen.render.rows.axis_page import response_key
from reportgen.render.rows.trusted import spoiled
from reportgen.units import DIFFERENTIATIONS, Quantity

_ON_RESPONSES = (ProvedBy.AMPLIFICATION, ProvedBy.RESPONSE_LEVEL, ProvedBy.NATURAL_FREQUENCY)
"""What is proved by a point of a response."""
_IN_PANEL = 4
"""Channels on one pair of axes: as many as there are lines that can be told apart in grey."""
_MOST_PANELS = 6
"""Panels of one figure: more would not fit a page; then a panel holds more channels."""
_TALL, _LOW = 184.0, 76.0
"""Height in points of a panel that stands alone, and of one among several: three, and a comparison below, fill a page
of either paper."""
_MOST_INSETS = 6
"""Side by side below a figure: more would be too narrow to read."""
_WIDTHS = 3.0
"""Half the width of an inset in half-power bandwidths: the peak, and both its flanks."""
_BEYOND_LIMIT = 1.25
"""An inset reaches this far beyond the limit of the shift, so that its lines are seen."""


@dataclass(frozen=True, slots=True)
class _Judged:
    """A requirement with its verdict."""

    verdict: Verdict
    asked: Requirement

    @property
    def limit(self) -> float | None:
        """In the verdict's unit."""
        if self.verdict.limit is not None:
            return self.verdict.limit
        return None if self.asked.limit is None else self.asked.limit.si


def judged(report: Report, *proofs: ProvedBy) -> list[_Judged]:
    """Requirements that are proved so."""
    pairs = ((each, requirement_of(report, each)) for each in report.verdicts if each.proved_by in proofs)
    return [_Judged(each, asked) for each, asked in pairs if asked is not None]


def axis_response(make: Drawings, report: Report, of: AxisRuns) -> Plot | None:
    """All channels of the run that stands for the axis, with limits and what the verdicts rest on.

    None where no run of the axis has a curve.
    """
    run = of.lead
    if run is None:
        return None
    channels = [channel for channel in run.channels if sweeps(channel.frequency_hz)]
    size = max(_IN_PANEL, math.ceil(len(channels) / _MOST_PANELS))
    groups = [channels[n : n + size] for n in range(0, len(channels), size)]
    height = _TALL if len(groups) == 1 else _LOW
    panels = tuple(_panel(make, report, of, run, group, height, n * size) for n, group in enumerate(groups))
    return Plot(
        key=response_key(of.axis),
        alt=make.say(
            "Response over control of channels %(list)s in run %(run)s, with the limits and what the verdicts rest on.",
            list=", ".join(curves(run)),
            run=run.id,
        ),
        x_label=make.say("Frequency in Hz"),
        x_name=make.say("frequency"),
        x_range=_common_range(channels),
        panels=panels,
    )


def _common_range(channels: Iterable[ChannelResult]) -> tuple[float, float]:
    ranges = [range_of(channel.frequency_hz) for channel in channels]
    return min(low for low, _ in ranges), max(high for _, high in ranges)


def _panel(
    make: Drawings,
    report: Report,
    of: AxisRuns,
    run: RunResult,
    channels: Sequence[ChannelResult],
    height: float,
    start: int,
) -> Panel:
    """One panel; ``start`` is how many channels stand in those above, so that no two curves of a figure share a key."""
    limits = list(_limits(make, report, run, channels, start))
    evidence = list(_evidence(make, report, run, channels))
    marked = [mark.x for mark in evidence]
    modes = [mark for mark in _modes(make, run, channels) if not any(abs(mark.x / x - 1) < 0.01 for x in marked)]
    floors = [channel.noise_floor for channel in channels if channel.noise_floor and not spoiled(run, channel.id)]
    units = {channel.unit for channel in channels}
    unit = units.pop() if len(units) == 1 else ""
    return Panel(
        y_label=make.say("Magnitude") + (f" ({unit})" if unit else ""),
        curves=(*(_channel_curve(make, run, each, start, n) for n, each in enumerate(channels)), *limits),
        marks=tuple(sorted((*modes, *evidence), key=lambda mark: mark.x)),
        walls=tuple(_walls(make, report, of)) if start == 0 else (),
        shaded=tuple(dict.fromkeys(band for each in channels for band in each.excluded_hz)),
        y_floor=min(floors, default=None),
        y_least_top=max((mark.y for mark in evidence), default=None),
        y_unit=unit,
        height=height,
    )


def _channel_curve(make: Drawings, run: RunResult, channel: ChannelResult, start: int, place: int) -> Curve:
    lost = spoiled(run, channel.id)
    label = f"{channel.id} ({make.say('no evidence')})" if lost else channel.id
    role = "floor" if lost else f"channel-{place % _IN_PANEL + 1}"
    return Curve(key=f"channel-{start + place}", label=label, role=role, x=channel.frequency_hz, y=channel.magnitude)


def _limits(
    make: Drawings, report: Report, run: RunResult, channels: Sequence[ChannelResult], start: int
) -> Iterator[Curve]:
    """Limits that hold for this run and these channels, equal ones as one line; one of a level over the control."""
    found: dict[float, list[str]] = {}
    for each in _limiting(report, run, channels, ProvedBy.AMPLIFICATION):
        if each.limit is not None:
            found.setdefault(each.limit, []).append(each.verdict.requirement)
    x = np.array(_common_range(channels))
    panel = f"-{start}" if start else ""
    for limit, names in found.items():
        label = f"{', '.join(names)} ≤ {make.numbers.plain(limit)}"
        yield Curve(key=f"limit-{names[0]}{panel}", label=label, role="limit", x=x, y=np.full(2, limit), sampled=False)
    for each in _limiting(report, run, channels, ProvedBy.RESPONSE_LEVEL):
        curve = limit_over_control(run, each.asked.limit) if _measured(each.asked.limit, channels) else None
        if curve is not None and each.limit is not None:
            name = each.verdict.requirement
            label = f"{name} ≤ {make.numbers.plain(each.limit)} {each.verdict.unit}"
            yield Curve(key=f"limit-{name}{panel}", label=label, role="limit", x=curve[0], y=curve[1], sampled=False)


def _limiting(
    report: Report, run: RunResult, channels: Sequence[ChannelResult], proved_by: ProvedBy
) -> Iterator[_Judged]:
    shown = {channel.id for channel in channels}
    for each in judged(report, proved_by):
        named = {item.run for item in each.verdict.evidence} | {each.asked.run}
        if run.id in named and (each.asked.channel is None or each.asked.channel in shown):
            yield each


def _measured(limit: Quantity | None, channels: Sequence[ChannelResult]) -> bool:
    """Whether one of the channels measured what a limit is on; any motion stands for any other."""
    if limit is None:
        return False
    motion = limit.dimension in DIFFERENTIATIONS
    return any(
        each.dimension == limit.dimension or (motion and each.dimension in DIFFERENTIATIONS) for each in channels
    )


def limit_over_control(run: RunResult, limit: Quantity | None) -> tuple[Floats, Floats] | None:
    """(frequency Hz, limit of a level over the recorded control), each of shape (n,), as the curves show responses."""
    control = run.control
    if control is None or limit is None:
        return None
    known = np.isfinite(control.level) & (control.level > 0.0)
    f = control.frequency_hz[known]
    turns = DIFFERENTIATIONS.get(limit.dimension, 0)  # of strain, force or voltage the limit stands as it is
    return f, limit.peak * (2.0 * np.pi * f) ** turns / control.level[known]


def _walls(make: Drawings, report: Report, of: AxisRuns) -> Iterator[Wall]:
    for each in judged(report, ProvedBy.NATURAL_FREQUENCY):
        if each.limit is not None and axis_of(report, each.verdict) == of.axis:
            yield Wall(x=each.limit, text=f"{each.verdict.requirement} ≥ {make.numbers.plain(each.limit)} Hz")


def _evidence(make: Drawings, report: Report, run: RunResult, channels: Sequence[ChannelResult]) -> Iterator[Mark]:
    """The point that decides each verdict, or its part about this run, where it rests on one of these channels."""
    by_id = {channel.id: channel for channel in channels}
    for each, judgement in _with_parts(judged(report, *_ON_RESPONSES)):
        item = next(iter(judgement.evidence), None)
        if item is None or item.run != run.id or item.channel not in by_id or item.frequency_hz is None:
            continue
        if each.verdict.proved_by is ProvedBy.AMPLIFICATION and item.measured is not None:
            y, value = item.measured, f"{make.numbers.significant(item.measured, 3)}"
        elif each.verdict.proved_by is ProvedBy.RESPONSE_LEVEL and item.measured is not None:
            y = magnitude_at(by_id[item.channel], item.frequency_hz)
            value = f"{make.numbers.significant(item.measured, 3)} {item.unit}"
        else:
            y = _height(by_id[item.channel], item.frequency_hz)
            value = f"{make.numbers.significant(item.frequency_hz, 4)} Hz"
        yield Mark(x=item.frequency_hz, y=y, text=f"{each.verdict.requirement}: {value}", kind="evidence")


def _with_parts(found: Iterable[_Judged]) -> Iterator[tuple[_Judged, Verdict]]:
    """Each verdict; of one about several runs, the verdict of each run."""
    for each in found:
        yield from ((each, part) for part in each.verdict.parts or (each.verdict,))


def _height(channel: ChannelResult, frequency_hz: float) -> float:
    """Amplification of the resonance there, else what was recorded."""
    near = min(channel.resonances, key=lambda each: abs(each.frequency_hz - frequency_hz), default=None)
    if near is not None and near.amplification and abs(near.frequency_hz / frequency_hz - 1) < 0.01:
        return near.amplification
    return magnitude_at(channel, frequency_hz)


def _modes(make: Drawings, run: RunResult, channels: Sequence[ChannelResult]) -> Iterator[Mark]:
    """Each mode once, at the channel of these that it moves most."""
    highest: dict[str, tuple[float, Resonance]] = {}
    for channel in channels:
        if spoiled(run, channel.id):
            continue
        for each in channel.resonances:
            if not each.rejected:
                text = make.mode_name(each)
                top = each.amplification or magnitude_at(channel, each.frequency_hz)
                if text not in highest or top > highest[text][0]:
                    highest[text] = (top, each)
    for text, (top, each) in highest.items():
        yield Mark(x=each.frequency_hz, y=top, text=text)


def comparison_insets(make: Drawings, report: Report, plot: Plot, shifts: Sequence[RunShift]) -> Plot:
    """A comparison with an inset at every mode that both runs show, and marks where verdicts rest on one."""
    paired = [s for s in shifts if s.before_hz and s.after_hz]
    kept = sorted(paired, key=lambda s: -abs(s.frequency_shift or 0.0))[:_MOST_INSETS]
    if not kept:
        return plot
    asked = [each for each in judged(report, ProvedBy.FREQUENCY_SHIFT) if _same_pair(each.asked, kept[0])]
    insets = tuple(_inset(make, report, s, asked) for s in sorted(kept, key=lambda s: s.before_hz or 0.0))
    return replace(plot, insets=insets)


def _same_pair(asked: Requirement, shift: RunShift) -> bool:
    return (asked.before, asked.after) == (shift.before, shift.after)


def _inset(make: Drawings, report: Report, shift: RunShift, asked: Sequence[_Judged]) -> Inset:
    before, after = float(shift.before_hz or 0.0), float(shift.after_hz or 0.0)
    shares = [each.limit / 100.0 for each in asked if each.limit]
    half = _WIDTHS * _bandwidth(report, shift)
    half = max([half, 1.5 * abs(after - before), *(_BEYOND_LIMIT * share * before for share in shares)])
    share = shift.frequency_shift or 0.0
    proves = [each.verdict.requirement for each in asked if _rests_on(each.verdict, shift)]
    label = f"{make.numbers.significant(before, 4)} Hz: {make.numbers.signed(100 * share, 2)} %"
    if proves:
        label = f"{', '.join(proves)}: {label}"
    limits = tuple(before * (1 + sign * each) for each in shares for sign in (-1, 1))
    return Inset(x_range=(before - half, before + half), label=label, limits=limits, evidence=bool(proves))


def _rests_on(verdict: Verdict, shift: RunShift) -> bool:
    item = next(iter(verdict.evidence), None)
    return item is not None and item.channel == shift.channel and item.frequency_hz in (shift.before_hz, shift.after_hz)


def _bandwidth(report: Report, shift: RunShift) -> float:
    """Half-power bandwidth of the mode before, Hz; 1 % of its frequency where its Q is not known."""
    run = next((each for each in report.runs if each.id == shift.before), None)
    channel = next((each for each in run.channels if each.id == shift.channel), None) if run else None
    found = [r for r in channel.resonances if r.frequency_hz == shift.before_hz and r.q] if channel else []
    before = float(shift.before_hz or 0.0)
    return before / found[0].q if found and found[0].q else 0.01 * before
