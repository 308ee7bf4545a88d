"""A mode of two runs at one level: a shift at equal level is a change of the structure, a shift with level is not.

The level is the mode's own amplitude (peak) on one channel that both runs have. Frequency follows it as the backbones
say: that of either run, or of any other run of the axis, for what changes a structure moves the whole backbone and
keeps its shape. Outside the levels a backbone was seen at it is continued a little way only, and never taken for exact.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from reportgen.compute.comparison.seen_modes import ModeSeen
from reportgen.compute.decay.decay import level_unit
from reportgen.records.message import Amount, Message, message
from reportgen.records.report import LevelBasis
from reportgen.records.result import Backbone, BackboneLaw, ChannelResult, Quotient, Resonance, RunResult
from reportgen.units import STANDARD_GRAVITY

SAME_LEVEL = 1.1
"""Levels that differ by less than 10 % are taken as one: control tolerances are as wide."""
FARTHEST_LEVEL = 1.5
"""A backbone is continued up to this ratio beyond the levels it was seen at: over half as much again a straight
line and any of the laws of a joint part by less than the change over that stretch, which is counted as uncertainty."""
STANDING_OVER = 10.0
"""A sweep shows a mode from a tenth of its peak on, so a mode that was not seen to move stands over that ratio. A decay
passes at least from its beginning to a tenth of it where its mode is found at all."""
UNSEEN_DRIFT = 5.0
"""Standard uncertainties of a frequency that a drift over these levels may amount to and still not be told: it
counts as told where it explains as much as five standard deviations do (Schwarz's criterion, with its price)."""
_POINTS = 15
"""Levels tried between the ends that two backbones share, evenly in their logarithm."""


@dataclass(frozen=True, slots=True)
class AtLevel:
    """One mode in two runs at one level."""

    basis: LevelBasis
    before_hz: float | None = None
    """None where each run's own value stands at that level already, or at none that is known."""
    before_std_hz: float | None = None
    after_hz: float | None = None
    after_std_hz: float | None = None
    level: float | None = None
    """Amplitude (peak) of the mode on ``channel``, in ``unit``."""
    unit: str = ""
    channel: str | None = None
    before_level: float | None = None
    """Largest level that the mode reached in either run."""
    after_level: float | None = None
    reason: Message | None = None
    """Why the frequencies cannot be had at one level; set where ``basis`` is ``NOT_COMPARABLE`` alone."""


@dataclass(frozen=True, slots=True)
class _Course:
    """Frequency of a mode in one run against its level on the common channel."""

    reached: float
    """Level that ``frequency_hz`` is given at."""
    frequency_hz: float
    std_hz: float | None
    backbone: Backbone | None = None
    scale: float = 1.0
    """Level on the common channel over that on the channel of the backbone."""
    beyond_fit_hz: float = 0.0
    """Standard uncertainty by clock, filter and misfit, which that of a backbone's fit does not contain."""
    down_to: float | None = None
    """Lowest level that ``frequency_hz`` holds at, where a decay passed through all of them and did not move."""

    @property
    def ends(self) -> tuple[float, float]:
        """Lowest and highest level that the frequency is known at."""
        if self.backbone is None:
            return self.down_to or self.reached, self.reached
        return self.backbone.levels[0] * self.scale, self.backbone.levels[-1] * self.scale

    def covers(self, level: float, slack: float = SAME_LEVEL) -> bool:
        """Whether a level lies within those ends, or beyond them by no more than ``slack``."""
        low, high = self.ends
        return low / slack <= level <= high * slack

    def at(self, level: float) -> tuple[float, float | None]:
        """Frequency and its standard uncertainty, Hz."""
        if self.backbone is None:
            return self.frequency_hz, self.std_hz
        frequency, std = _on_backbone(self.backbone, level / self.scale)
        return frequency, math.hypot(std, self.beyond_fit_hz)


def at_equal_level(
    before: RunResult, after: RunResult, old: ModeSeen, new: ModeSeen,
    others: Sequence[tuple[RunResult, ModeSeen]] = (),
) -> AtLevel:  # fmt: skip
    """Frequencies of a pair at one level; ``others`` is the same mode in further runs of the axis."""
    channel = _common_channel(before, after, old, new)
    first, second = _course(before, old, channel), _course(after, new, channel)
    if channel is None or first is None or second is None:
        return _level_unknown(before, after, old, new)
    shapes = [each for run, mode in others if (each := _course(run, mode, channel)) is not None and each.backbone]
    unit = _unit(before, channel)
    found = _compared(first, second, shapes)
    read = AtLevel(
        LevelBasis.NOT_COMPARABLE, unit=unit, channel=channel, before_level=first.reached, after_level=second.reached
    )
    if found is None:
        return replace(read, reason=message(
            "shift.levels-apart", before=before.id, after=after.id, channel=channel,
            before_level=Amount(first.reached, unit), after_level=Amount(second.reached, unit),
        ))  # fmt: skip
    basis, level, (f, f_std), (g, g_std) = found
    if basis is LevelBasis.EQUAL_LEVEL and first.backbone is None and second.backbone is None:
        return replace(read, basis=basis, level=level)
    return replace(read, basis=basis, level=level, before_hz=f, before_std_hz=f_std, after_hz=g, after_std_hz=g_std)


def _level_unknown(before: RunResult, after: RunResult, old: ModeSeen, new: ModeSeen) -> AtLevel:
    """A mode that follows its level cannot be compared where that is not known; one that stands can."""
    if any(_backbones((old, new))):
        why = message("shift.level-unknown", before=before.id, after=after.id)
        return AtLevel(LevelBasis.NOT_COMPARABLE, reason=why)
    return AtLevel(LevelBasis.LEVEL_UNKNOWN)


_Value = tuple[float, float | None]
_Found = tuple[LevelBasis, float, _Value, _Value]


def _compared(first: _Course, second: _Course, shapes: list[_Course]) -> _Found | None:
    """Basis, level and both values; None where no evidence brings them to one level."""
    standing = first.backbone is None and second.backbone is None
    if standing and (first.down_to is None or second.down_to is None):
        return _without_backbone(first, second, shapes)
    level = _shared_level(first, second)
    if level is not None:
        return LevelBasis.EQUAL_LEVEL, level, first.at(level), second.at(level)
    if standing:
        return _without_backbone(first, second, shapes)
    return _by_shape(first, second, shapes) or _continued(first, second)


def _without_backbone(first: _Course, second: _Course, shapes: list[_Course]) -> _Found | None:
    """Two modes neither of which was seen to move."""
    low, high = sorted((first.reached, second.reached))
    if high <= SAME_LEVEL * low:
        level = math.sqrt(low * high)
        return LevelBasis.EQUAL_LEVEL, level, first.at(level), second.at(level)
    moved = _by_shape(first, second, shapes)
    if moved is not None or high > STANDING_OVER * low:
        return moved
    more = first if first.reached > second.reached else second
    frequency, std = more.at(low)
    doubt = None if std is None else math.hypot(std, UNSEEN_DRIFT * std / math.sqrt(3.0))
    values = {True: (frequency, doubt), False: (first if more is second else second).at(low)}
    return LevelBasis.NOT_SEEN_TO_MOVE, low, values[more is first], values[more is second]


def _shared_level(first: _Course, second: _Course) -> float | None:
    """The level of both at which the difference is known best; None where they have none in common."""
    low, high = max(first.ends[0], second.ends[0]), min(first.ends[1], second.ends[1])
    if low > high:
        middle = math.sqrt(low * high)
        return middle if first.covers(middle) and second.covers(middle) else None
    levels = np.geomspace(low, high, _POINTS if high > low else 1)
    return float(min(levels, key=lambda x: math.hypot(first.at(x)[1] or math.inf, second.at(x)[1] or math.inf)))


def _by_shape(first: _Course, second: _Course, shapes: list[_Course]) -> _Found | None:
    """The first run's value taken to the level of the second along the backbone of another run of the axis."""
    level = second.reached
    for shape in (each for each in shapes if each.covers(first.reached) and each.covers(level)):
        start, start_std = shape.at(first.reached)
        end, end_std = shape.at(level)
        f, std = first.at(first.reached)
        moved = f * end / start
        known = [each for each in (std, start_std, end_std) if each is not None]
        spread = None if len(known) < 3 else moved * math.hypot(known[0] / f, known[1] / start, known[2] / end)
        return LevelBasis.AXIS_BACKBONE, level, (moved, spread), second.at(level)
    return None


def _continued(first: _Course, second: _Course) -> _Found | None:
    """A backbone continued to the nearest level of the other run, where that is not far."""
    for one, other in ((first, second), (second, first)):
        low, high = other.ends
        level = high if high < one.ends[0] else low
        if one.backbone is not None and one.covers(level, FARTHEST_LEVEL):
            return LevelBasis.CONTINUED, level, first.at(level), second.at(level)
    return None


def _on_backbone(curve: Backbone, level: float) -> tuple[float, float]:
    """Frequency at a level; outside the levels seen, straight on, the whole of that change being uncertain."""
    x, f = np.log(curve.levels), np.array(curve.frequency_hz)
    inside = float(np.interp(math.log(level), x, f))
    std = float(np.interp(math.log(level), x, curve.frequency_std_hz))
    change = _beyond(curve, level)
    return inside + change, math.hypot(std, change)


def _beyond(curve: Backbone, level: float) -> float:
    """Change of frequency, Hz, from the nearest end of a backbone to a level outside it; 0 inside."""
    ends = (curve.levels[0], curve.levels[-1])
    if ends[0] <= level <= ends[1] or len(curve.levels) < 2:
        return 0.0
    scale = math.log if curve.law in (BackboneLaw.POWER, BackboneLaw.FRICTION) else float
    k = (0, 1) if level < ends[0] else (-1, -2)
    near, next_to = curve.levels[k[0]], curve.levels[k[1]]
    slope = (curve.frequency_hz[k[0]] - curve.frequency_hz[k[1]]) / (scale(near) - scale(next_to))
    return slope * (scale(level) - scale(near))


def best_known(mode: ModeSeen) -> Resonance:
    """The resonance of the channel that knows the frequency best; poles are shared by all channels of a run."""
    return min(mode.resonances.values(), key=lambda each: each.frequency_std_hz or math.inf)


def _common_channel(before: RunResult, after: RunResult, old: ModeSeen, new: ModeSeen) -> str | None:
    """Where the level is read: on the channel of a backbone if both runs have it, else where the mode is largest."""
    both = [c for c in old.resonances if c in new.resonances and _unit(before, c) == _unit(after, c)]
    reached = {c: level for c in both if (level := _reached(before, old, c)) and _reached(after, new, c)}
    named = [curve.channel for curve in _backbones((old, new)) if curve.channel in reached]
    return named[0] if named else max(reached, key=lambda c: reached[c], default=None)


def _backbones(modes: Sequence[ModeSeen]) -> Iterator[Backbone]:
    """Those along which the frequency or the damping moves."""
    for mode in modes:
        for each in mode.resonances.values():
            if each.backbone is not None and each.backbone.law is not BackboneLaw.NONE:
                yield each.backbone


def _course(run: RunResult, mode: ModeSeen, channel: str | None) -> _Course | None:
    """The mode in a run against its level on a channel; None where that level is not known."""
    reached = None if channel is None else _reached(run, mode, channel)
    if reached is None:
        return None
    best = best_known(mode)
    curve = next(_backbones((mode,)), None)
    if curve is None:
        lowest = reached / STANDING_OVER if run.decay else None
        return _Course(reached, best.frequency_hz, best.frequency_std_hz, down_to=lowest)
    scale = reached / curve.levels[-1]
    made_of = best.frequency_budget
    beyond = 0.0 if made_of is None else math.sqrt(max(0.0, made_of.combined**2 - made_of.fit**2))
    return _Course(reached, best.frequency_hz, best.frequency_std_hz, curve, scale, beyond)


def _reached(run: RunResult, mode: ModeSeen, channel: str) -> float | None:
    """Largest amplitude of a mode on a channel, in g or the channel's own unit over that of the control."""
    each = mode.resonances.get(channel)
    if each is None:
        return None
    if each.backbone is not None and each.backbone.channel == channel:
        return each.backbone.levels[-1]
    if run.decay:
        size = _level_unit(run, channel)[1]
        return None if each.residue is None else abs(each.residue) / size
    ratio = each.observed.amplification if each.observed.amplification is not None else each.amplification
    level = control_level(run, mode.frequency_hz)
    if ratio is None or level is None or ratio <= 0.0:
        return None
    return ratio * level / (STANDARD_GRAVITY if _unit(run, channel) == "g" else 1.0)


def _level_unit(run: RunResult, channel: str) -> tuple[str, float]:
    """Unit of a level of a decay and its size in SI."""
    return level_unit(next((each.unit for each in run.decay if each.channel == channel), ""))


def _unit(run: RunResult, channel: str) -> str:
    """Unit of a level: g for an acceleration, else that of the channel."""
    if run.decay:
        return _level_unit(run, channel)[0]
    there = next((each for each in run.channels if each.id == channel), None)
    return "g" if there is not None and _is_acceleration(run, there) else "" if there is None else there.unit


def _is_acceleration(run: RunResult, channel: ChannelResult) -> bool:
    """Whether response over control, times the control, is an acceleration in m/s²."""
    over_force = run.control is not None and run.control.dimension == "force"
    return channel.quotient is (Quotient.ACCELERANCE if over_force else Quotient.RATIO)


def control_level(run: RunResult, frequency_hz: float) -> float | None:
    """Control level when the sweep passed a frequency, SI peak; of several passages the mean."""
    if run.control is None:
        return None
    frequency, level = run.control.frequency_hz, run.control.level
    known = np.flatnonzero(np.isfinite(frequency) & np.isfinite(level))
    if len(known) < 2 or not frequency[known].min() <= frequency_hz <= frequency[known].max():
        return None
    above = frequency[known] >= frequency_hz
    passed = np.flatnonzero(above[1:] != above[:-1])
    if len(passed) == 0:
        return None
    return float(np.mean(0.5 * (level[known[passed]] + level[known[passed + 1]])))
