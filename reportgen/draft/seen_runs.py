"""The runs that logs show: axis, part in the test, kind, how they were swept; what the names and the rows tell."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from reportgen.errors import ComputeError, ReadError
from reportgen.records.finding import Finding, Severity, error
from reportgen.records.job import ControlStrategy, RunKind
from reportgen.records.log import REFERENCE, Log, SweepLog, TimeHistory
from reportgen.records.message import message
from reportgen.records.result import SweepFacts
from reportgen.records.stretch import Direction

if TYPE_CHECKING:
    from reportgen.compute.sweep.profile_as_swept import Corner
    from reportgen.read.job.run_names import Part

LOUD = 0.5
"""Share of the highest level among the logs from which on a sweep whose name tells nothing counts as one at test level;
surveys are run well below half of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """One run, as its log shows it."""

    path: Path
    sweep: int | None = None
    """Which sweep, where the file holds several."""
    id: str
    kind: RunKind | None = None
    part: Part | None = None
    axis: str | None = None
    started: datetime | None = None
    channels: tuple[tuple[str, str], ...] = ()
    """Channel and unit, as logged."""
    controls: tuple[str, ...] = ()
    facts: SweepFacts | None = None
    corners: tuple[Corner, ...] = ()
    level: float | None = None
    """Median of the control, m/s² peak."""
    control_guessed: bool = False
    """No name says which channel is the control, and the first is taken."""
    rms: bool = False
    without_unit: tuple[tuple[str, str], ...] = ()
    """Channel and column of those whose unit the log does not say."""
    remarks: tuple[str, ...] = ()
    """Lines of the log beside its rows, as written."""
    of_room: bool = False
    """Whether the log holds a temperature or humidity of the room."""
    record: bool = False
    """Whether the log holds samples."""
    faults: tuple[Finding, ...] = ()
    """Why the log gives no run; empty where it does."""


def runs_of(path: Path) -> list[Seen]:
    """The runs of one file: one for each of its sweeps."""
    first = _seen(path, None)
    count = first[1].sweeps_in_file if isinstance(first[1], SweepLog) else 1
    if count < 2:
        return [first[0]]
    return [replace(_seen(path, number)[0], sweep=number) for number in range(1, count + 1)]


def _seen(path: Path, sweep: int | None) -> tuple[Seen, Log | None]:
    """A run, and the log it was seen in; None where that cannot be read."""
    from reportgen.read.job.run_names import axis_of, part_of, run_id, says_rms, start_of
    from reportgen.read.log import channels_without_unit, read_bare_log

    unknown = Seen(path=path, id=run_id(path), part=part_of(path))
    try:
        lacking = channels_without_unit(path)
        mapping = [(channel, f"{column} / g") for channel, column in lacking]
        log, controls, findings = read_bare_log(path, None, mapping, sweep=sweep)
        first = _first_of_nameless(findings) if log is None else None
        if first is not None:
            log, controls, findings = read_bare_log(path, first, mapping, sweep=sweep)
    except ReadError as failure:
        return replace(unknown, faults=(_fault(failure),)), None
    errors = tuple(each for each in findings if each.severity is Severity.ERROR)
    if log is None:
        return replace(unknown, faults=errors or findings), None
    remarks = _texts(log)
    seen = replace(
        unknown,
        axis=axis_of(path, remarks),
        started=start_of(path, remarks),
        channels=_channels(log, {channel for channel, _ in lacking}),
        controls=controls,
        rms=says_rms(remarks),
        control_guessed=first is not None,
        without_unit=lacking,
        remarks=tuple(remarks),
        of_room=isinstance(log, SweepLog) and any(each.ambient for each in log.conditions),
        record=isinstance(log, TimeHistory),
    )
    return _of_record(seen, log) if isinstance(log, TimeHistory) else _of_sweep(seen, log), log


def _fault(failure: ReadError) -> Finding:
    return error(failure.where, failure.what)


def _first_of_nameless(findings: Sequence[Finding]) -> str | None:
    """The first channel of a log that is whole but for a control that could be told by its name."""
    wanting = [each.message for each in findings if each.severity is Severity.ERROR]
    if [each.code for each in wanting] != ["log.no-control"]:
        return None
    there = wanting[0].value("there")
    return str(there[0]) if isinstance(there, tuple) and there else None


def _texts(log: Log) -> list[str]:
    """Remarks of a log that were written there."""
    return [str(value) for each in log.remarks for name, value in each.values if name == "text"]


def _channels(log: Log, lacking: set[str]) -> tuple[tuple[str, str], ...]:
    if isinstance(log, TimeHistory):
        named = list(zip(log.channels, log.display_units, strict=True))
    else:
        named = [(each.channel, each.display_unit) for each in log.traces if each.channel != REFERENCE]
    return tuple((channel, "" if channel in lacking else unit) for channel, unit in named)


def _of_sweep(seen: Seen, log: SweepLog) -> Seen:
    """What rows of frequency show: how they were swept, and the profile of their control."""
    from reportgen.compute.sweep.control import combine_control
    from reportgen.compute.sweep.profile_as_swept import profile_as_swept
    from reportgen.compute.sweep.sweep_facts import sweep_facts

    try:
        level = combine_control(log, seen.controls, ControlStrategy.AVERAGE)
        facts = sweep_facts(log, control_level=level)
    except ComputeError:  # no motion as control: nothing of a profile is known
        return replace(seen, facts=sweep_facts(log))
    if seen.rms:
        level = level * 2.0**0.5
    known = not seen.without_unit and facts.direction is not Direction.HOLD
    corners = profile_as_swept(log.frequency_hz, level) if known else ()
    return replace(seen, facts=facts, corners=corners, level=_median(level))


def _median(level: object) -> float | None:
    import numpy as np

    middle = float(np.nanmedian(level))  # type: ignore[call-overload]
    return middle if np.isfinite(middle) else None


def _of_record(seen: Seen, log: TimeHistory) -> Seen:
    """What samples show: a sweep where a control or a drive can be followed, else a decay, unless they are steady."""
    from reportgen.compute.decay.stationary import MOST_SAMPLES, is_steady
    from reportgen.compute.sweep.several_sweeps import sweeps_of_record
    from reportgen.cores import cores

    if seen.controls:
        sweeps = sweeps_of_record(log, seen.controls[0], workers=cores())
        return _of_sweep(seen, sweeps[0]) if sweeps else seen
    if is_steady(log.read(0, min(log.samples, MOST_SAMPLES)), log.sample_rate_hz):
        return replace(seen, faults=(error(seen.path.name, message("draft.steady")),))
    return replace(seen, kind=RunKind.DECAY)


def with_kinds(seen: Sequence[Seen]) -> list[Seen]:
    """Each run with its kind: from what the frequency did, the name of the log, or its level among the others'."""
    loudest = max((each.level for each in seen if each.level is not None), default=0.0)
    levels = {round(each.level, 9) for each in seen if each.level is not None}
    several = bool(levels) and min(levels) < LOUD * loudest
    return [replace(each, kind=each.kind or _kind(each, loudest, several)) for each in seen]


def _kind(seen: Seen, loudest: float, several: bool) -> RunKind | None:
    from reportgen.read.job.run_names import Part

    if seen.faults:
        return None
    if seen.facts is not None and seen.facts.direction is Direction.HOLD:
        return RunKind.DWELL
    if seen.part in (Part.BEFORE, Part.AFTER, Part.SURVEY):
        return RunKind.SURVEY
    if seen.part is Part.SWEEP:
        return RunKind.SWEEP
    loud = several and seen.level is not None and seen.level >= LOUD * loudest
    return RunKind.SWEEP if loud else RunKind.SURVEY


def with_ids(seen: Sequence[Seen]) -> list[Seen]:
    """Each run with an id of its own."""
    given: Counter[str] = Counter()
    found = []
    for each in seen:
        given[each.id] += 1
        found.append(each if given[each.id] == 1 else replace(each, id=f"{each.id}-{given[each.id]}"))
    return found


def in_order(seen: Sequence[Seen]) -> list[Seen]:
    """Runs in the order of their time where every log tells it, else by axis, part in the test, and name."""
    from reportgen.read.job.run_names import Part

    if all(each.started is not None for each in seen):
        return sorted(seen, key=lambda each: each.started or datetime.min)
    of_kind = {RunKind.SURVEY: Part.SURVEY, RunKind.SWEEP: Part.SWEEP, RunKind.DWELL: Part.DWELL}
    parts = list(Part)

    def place(each: Seen) -> tuple[object, ...]:
        part = Part.DECAY if each.kind is RunKind.DECAY and each.part is None else each.part
        part = part or of_kind.get(each.kind or RunKind.SURVEY, Part.SURVEY)
        return each.axis or "~", parts.index(part), natural(each.path.name), each.sweep or 0

    return sorted(seen, key=place)


def natural(name: str) -> list[tuple[int, str]]:
    """A name in which 10 comes after 9."""
    return [(int(each), "") if each.isdigit() else (-1, each) for each in re.split(r"(\d{1,18})", name.casefold())]
