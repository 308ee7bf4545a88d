"""A run in parts: logs of one run that was stopped and resumed, joined in order; and why logs are no such parts."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from reportgen.records.log import Floats, LoggedCondition, SweepLog, Trace
from reportgen.records.message import Message, message
from reportgen.records.stretch import AGAIN_SHARE

_ANEW_SHARE = 0.1
"""A clock started anew where a part begins within so much of the first part's duration after that part's beginning:
a clock that goes on stands beyond its end."""


def parts_fault(parts: Sequence[SweepLog], *, swept: bool) -> tuple[int, Message] | None:
    """The first part, by its place from 0, that does not follow those before it, and why; None where all follow.

    ``swept``: whether the run is a sweep, whose parts have to go on in frequency; a dwell's have not.
    """
    for place in range(1, len(parts)):
        before, own = parts[:place], parts[place]
        fault = _channel_fault(before[0], own) or (_frequency_fault(before, own) if swept else None)
        fault = fault or _time_fault(before[-1], own)
        if fault is not None:
            return place, fault
    return None


def joined_log(parts: Sequence[SweepLog], path: str, *, pauses: bool = True) -> SweepLog:
    """The parts as one log that knows where each begins; ``path`` names them all.

    Times run on from part to part: of a clock that goes on as it tells, of one that started anew, or where ``pauses``
    are to be left out, a usual interval after the row before. Without a time in one part the log has none.
    """
    first = parts[0]
    starts = np.cumsum([len(each.frequency_hz) for each in parts])[:-1]
    return SweepLog(
        path=path,
        frequency_hz=np.concatenate([each.frequency_hz for each in parts]),
        traces=tuple(_joined_trace(trace.channel, parts) for trace in first.traces),
        time_s=_joined_times([each.time_s for each in parts], pauses),
        drive_cycles=_end_to_end([each.drive_cycles for each in parts]),
        remarks=tuple(dict.fromkeys(remark for each in parts for remark in each.remarks)),
        rows_skipped=(),
        effective_bandwidth_hz=_one_after_another([each.effective_bandwidth_hz for each in parts]),
        unit_reference=first.unit_reference,
        steady=all(each.steady for each in parts),
        layout=first.layout,
        conditions=tuple(_joined_condition(each, parts) for each in _all_conditions(parts)),
        part_starts=tuple(int(each) for each in starts),
    )


def _joined_trace(channel: str, parts: Sequence[SweepLog]) -> Trace:
    found = [trace for trace in (each.trace(channel) for each in parts) if trace is not None]

    def of(pick: Callable[[Trace], Floats | None]) -> Floats | None:
        return _one_after_another([pick(each) for each in found])

    return replace(
        found[0],
        amplitude=np.concatenate([each.amplitude for each in found]),
        phase_deg=of(lambda each: each.phase_deg),
        distortion=of(lambda each: each.distortion),
        residual=of(lambda each: each.residual),
    )


def _all_conditions(parts: Sequence[SweepLog]) -> list[LoggedCondition]:
    """Conditions of any part, each once."""
    return list({_same(each): each for part in reversed(parts) for each in part.conditions}.values())


def _same(each: LoggedCondition) -> tuple[object, ...]:
    """What tells a condition: the room has one temperature and one humidity, whatever their columns are called."""
    return each.dimension, each.ambient, None if each.ambient else each.channel


def _joined_condition(wanted: LoggedCondition, parts: Sequence[SweepLog]) -> LoggedCondition:
    """A condition of all parts; without readings where a part did not log it."""
    columns = []
    for part in parts:
        own = next((each for each in part.conditions if _same(each) == _same(wanted)), None)
        columns.append(np.full(len(part.frequency_hz), np.nan) if own is None else own.values)
    return replace(wanted, values=np.concatenate(columns))


def _one_after_another(columns: Sequence[Floats | None]) -> Floats | None:
    known = [each for each in columns if each is not None]
    return np.concatenate(known) if len(known) == len(columns) else None


def _end_to_end(columns: Sequence[Floats | None]) -> Floats | None:
    """Counts that begin anew in each part, made to run on."""
    known = [each for each in columns if each is not None]
    if len(known) < len(columns):
        return None
    moved = [known[0]]
    for own in known[1:]:
        moved.append(own - own[0] + moved[-1][-1])
    return np.concatenate(moved)


def _joined_times(times: Sequence[Floats | None], pauses: bool) -> Floats | None:
    known = [each for each in times if each is not None]
    if len(known) < len(times):
        return None
    moved = [known[0]]
    for own in known[1:]:
        last = float(moved[-1][-1])
        runs_on = pauses and own[0] > last
        moved.append(own if runs_on else own - own[0] + last + _usual_step(own))
    return np.concatenate(moved)


def _usual_step(time_s: Floats) -> float:
    steps = np.diff(time_s)
    return float(np.median(steps)) if steps.size and np.median(steps) > 0 else 1.0


def _channel_fault(first: SweepLog, own: SweepLog) -> Message | None:
    """Channels, their quantities and their phases have to be those of the first part."""
    one, other = _kinds(first), _kinds(own)
    lacking = tuple(name for name in one if name not in other)
    extra = tuple(name for name in other if name not in one)
    if lacking or extra:
        return message("parts.channels", first=first.path, there=tuple(one), here=tuple(other))
    differing = tuple(name for name in one if one[name][0] != other[name][0])
    if differing:
        name = differing[0]
        return message("parts.quantity", channel=name, here=other[name][0], first=first.path, there=one[name][0])
    phase = tuple(name for name in one if one[name][1] != other[name][1])
    return message("parts.phase", channels=phase, first=first.path) if phase else None


def _kinds(log: SweepLog) -> dict[str, tuple[str, bool]]:
    return {trace.channel: (trace.dimension, trace.phase_deg is not None) for trace in log.traces}


def _frequency_fault(before: Sequence[SweepLog], own: SweepLog) -> Message | None:
    """A part takes up the sweep on its way and goes on beyond its end, in the same direction."""
    first, last = float(before[0].frequency_hz[0]), float(before[-1].frequency_hz[-1])
    begins, ends = float(own.frequency_hz[0]), float(own.frequency_hz[-1])
    way = float(np.log2(last / first))
    if way == 0.0:
        return None
    if way * np.log2(ends / begins) < 0:
        return message("parts.turns", from_hz=begins, to_hz=ends, first_hz=first, last_hz=last)
    if np.log2(ends / last) * way <= 0:
        if np.log2(begins / first) * way < 0 <= np.log2(ends / first) * way:
            return message("parts.other-order", from_hz=begins, to_hz=ends, first_hz=first, last_hz=last)
        return message("parts.no-progress", from_hz=begins, to_hz=ends, first_hz=first, last_hz=last)
    if np.log2(begins / first) / way <= AGAIN_SHARE:
        return message("parts.begins-anew", from_hz=begins, to_hz=ends, first_hz=first, last_hz=last)
    return None


def _time_fault(before: SweepLog, own: SweepLog) -> Message | None:
    """The clock goes on, or starts anew; anything between is no course of time."""
    if before.time_s is None or own.time_s is None:
        return None
    first, last = float(before.time_s[0]), float(before.time_s[-1])
    begins, ends = float(own.time_s[0]), float(own.time_s[-1])
    anew = begins <= first + _ANEW_SHARE * (last - first) and ends > first
    if begins > last or anew:
        return None
    if ends <= first:
        return message("parts.earlier", from_s=begins, to_s=ends, first_s=first, last_s=last)
    return message("parts.at-the-same-time", from_s=begins, to_s=ends, first_s=first, last_s=last)


def kept_starts(starts: Sequence[int], rows: slice | NDArray[np.int64], count: int) -> tuple[int, ...]:
    """Where parts begin once only ``rows`` of the ``count`` rows are kept."""
    kept = np.arange(count)[rows]
    places = [int(np.searchsorted(kept, start)) for start in starts]
    return tuple(dict.fromkeys(place for place in places if 0 < place < len(kept)))
