"""A channel whose unit was taken for another: told by what it reads of the control where the structure is rigid.

Well below the lowest resonance everything that is fastened moves with the exciter: |response/control| goes to 1 as
1 + bf², whatever the structure. A channel that goes to 9.81 instead reads m/s² taken for g.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reportgen.compute.quality.unit_factor import TOLERANCE, UnitFactor, unit_factor
from reportgen.records.job import Job
from reportgen.records.log import Floats
from reportgen.records.message import Message, message
from reportgen.records.result import ChannelResult, ControlResult, IssueKind, QualityIssue, RunResult

RIGID_SHARE = 0.4
"""Of the lowest natural frequency: up to there c₀ + c₁f² + c₂f⁴ leaves (0.4)⁶ = 0.4 % of a mode's share."""
FEWEST_ROWS = 10
NEAR_REST = 0.3
"""The rows have to begin below this share of the lowest natural frequency, or what they go to is a guess."""
LARGEST_STD = 0.01
"""Standard uncertainty of the ratio at rest, as a fraction, above which it tells no factor."""
LARGEST_SCATTER = 0.05
"""Scatter of the rows about the curve, as a fraction, above which it is no curve of theirs."""
MODE_SHARE = 0.7
"""Of the lowest natural frequency: up to there its damping (Q of 8 or more) changes its share by under 2 %."""
LARGE_FACTOR = 9.0
"""Near a mode only a factor that no structure could take for its own is believed."""
PROFILE_DB = 1.0
"""A control within this of its profile, in the median, is in the unit it says."""


@dataclass(frozen=True, slots=True)
class RigidRatio:
    """What a channel reads of the control where the structure is rigid."""

    channel: str
    value: float
    factor: UnitFactor | None


def wrong_units(job: Job, run: RunResult) -> tuple[QualityIssue, ...]:
    """Issues of channels (or the control) of a run that are off by the factor between two units."""
    ratios = rigid_ratios(job, run)
    off = [each for each in ratios if each.factor is not None]
    if not off:
        return ()
    if run.control is not None and _control_is_wrong(run.control, ratios, off):
        factor = off[0].factor
        assert factor is not None
        return tuple(_issue(name, _of_control(name, off[0].value, factor)) for name in run.control.channels)
    return tuple(_issue(each.channel, _of_sensor(each.channel, each.value, each.factor)) for each in off if each.factor)


def _of_control(name: str, ratio: float, factor: UnitFactor) -> Message:
    if factor.orientation:
        return message("quality.unit-control-or-angle", channel=name, ratio=ratio, units=factor.units)
    return message("quality.unit-control", channel=name, ratio=ratio, units=factor.units)


def _of_sensor(name: str, ratio: float, factor: UnitFactor) -> Message:
    if factor.orientation:
        return message("quality.unit-sensor-or-angle", channel=name, ratio=ratio, units=factor.units)
    return message("quality.unit-sensor", channel=name, ratio=ratio, units=factor.units)


def _issue(channel: str, what: Message) -> QualityIssue:
    return QualityIssue(kind=IssueKind.WRONG_UNIT, message=what, channel=channel, spoils=True)


def _control_is_wrong(control: ControlResult, ratios: Sequence[RigidRatio], off: Sequence[RigidRatio]) -> bool:
    """Whether all sensors are off alike, and the control does not follow its profile by itself."""
    if len(off) < len(ratios) or any(abs(each.value / off[0].value - 1.0) > TOLERANCE for each in off):
        return False
    from_profile = profile_ratio(control)
    if from_profile is not None and abs(20.0 * np.log10(from_profile)) <= PROFILE_DB:
        return False
    follows = from_profile is not None and abs(from_profile * off[0].value - 1.0) <= 2.0 * TOLERANCE
    return follows or len(off) > 1


def profile_ratio(control: ControlResult) -> float | None:
    """Median of control over profile; None where it was not held against one."""
    if control.deviation_db is None:
        return None
    known = control.deviation_db[np.isfinite(control.deviation_db)]
    return float(10.0 ** (np.median(known) / 20.0)) if known.size else None


def rigid_ratios(job: Job, run: RunResult) -> tuple[RigidRatio, ...]:
    """Every motion of a run, along its axis, at rest."""
    lowest = min((each.frequency_hz for channel in run.channels for each in channel.resonances), default=None)
    found = []
    for channel in run.channels:
        if not channel.pure_ratio or _across(job, run, channel.id):
            continue
        value = at_rest(channel, lowest)
        if value is not None:
            found.append(RigidRatio(channel.id, value, unit_factor(value)))
            continue
        value = beside_first_mode(channel, lowest)
        factor = None if value is None else unit_factor(value)
        if value is not None:
            found.append(RigidRatio(channel.id, value, factor if factor and factor.value > LARGE_FACTOR else None))
    return tuple(found)


def _across(job: Job, run: RunResult, name: str) -> bool:
    """Whether the job says that a sensor does not point along the axis of the run."""
    channel, plan = job.channel(name), job.run(run.id)
    axis = run.axis if plan is None else plan.written_axis  # of several specimens the run's own axis names its one
    if channel is None or channel.direction is None or axis is None:
        return False
    return channel.direction.strip("+-−").upper() != axis.strip("+-−").upper()


def at_rest(channel: ChannelResult, lowest_hz: float | None) -> float | None:
    """|response/control| as the frequency goes to 0, far below ``lowest_hz``; None where it is not told there.

    Without any resonance the rows of the lower half of the range are taken.
    """
    f, magnitude = channel.frequency_hz, channel.magnitude
    first = lowest_hz if lowest_hz is not None else 1.25 * float(f.max())
    rows = (f <= RIGID_SHARE * first) & np.isfinite(magnitude) & (magnitude > 0)
    if rows.sum() < FEWEST_ROWS or float(f[rows].min()) > NEAR_REST * first:
        return None
    x = (f[rows] / first) ** 2
    return _at_zero(np.stack([np.ones_like(x), x, x * x], axis=1), magnitude[rows])


def beside_first_mode(
    channel: ChannelResult, lowest_hz: float | None, largest_std: float = LARGEST_STD
) -> float | None:
    """|response/control| at rest where the sweep began nearer to the first mode, which is then taken along.

    c₀ + c₁ r²/(1−r²) + c₂ r², r = f/f₁: the mode without its damping, and the others below theirs. None where the rows
    do not follow that or do not tell c₀ to ``largest_std``, a fraction; an antiresonance on the way is such a case.
    """
    if lowest_hz is None:
        return None
    f, magnitude = channel.frequency_hz, channel.magnitude
    rows = (f <= MODE_SHARE * lowest_hz) & np.isfinite(magnitude) & (magnitude > 0)
    if rows.sum() < FEWEST_ROWS:
        return None
    square = (f[rows] / lowest_hz) ** 2
    return _at_zero(
        np.stack([np.ones_like(square), square / (1.0 - square), square], axis=1), magnitude[rows], largest_std
    )


def _at_zero(basis: Floats, y: Floats, largest_std: float = LARGEST_STD) -> float | None:
    """First coefficient of y(n,) on a ``basis`` (n, 3), relative errors alike; None where it is uncertain."""
    relative = basis / y[:, None]
    weight = np.ones(len(y))
    for _ in range(4):
        found, *_ = np.linalg.lstsq(relative * weight[:, None], weight, rcond=None)
        left = np.abs(1.0 - relative @ found)
        scatter = max(1.4826 * float(np.median(left)), 1e-9)
        weight = np.sqrt(1.0 / np.maximum(1.0, left / (2.0 * scatter)))
    if scatter > LARGEST_SCATTER:
        return None
    covariance = np.linalg.pinv((relative * weight[:, None]).T @ (relative * weight[:, None])) * scatter**2
    value, std = float(found[0]), float(np.sqrt(max(covariance[0, 0], 0.0)))
    return value if value > 0 and std <= largest_std * value else None
