"""A run's log, whatever it is: a sweep log or time histories, told apart by content and not by name."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from reportgen.errors import ReadError
from reportgen.read.job.job_folder import file_fault
from reportgen.read.job.nearest import near_or, nearest
from reportgen.read.job.same_runs import same_channels
from reportgen.read.log_columns import (
    LogWanted,
    likely_controls,
    looks_like_control,
    looks_like_drive,
    understand_columns,
)
from reportgen.read.phase_reference import relative_to_control
from reportgen.read.sweep_log import read_sweep_log
from reportgen.read.table.columns import folded
from reportgen.read.table.table import is_table, recognise
from reportgen.read.table.table_layout import TableLayout
from reportgen.records.finding import Finding, Severity, error, note, warning
from reportgen.records.job import Channel, ChannelRole, Job, RunKind, RunPlan
from reportgen.records.log import Log, SweepLog, TimeHistory
from reportgen.records.message import Message, Place, message
from reportgen.units import Dimension


def read_log(job: Job, run: RunPlan) -> tuple[Log | None, tuple[Finding, ...]]:
    """Read the log of a run; None where it cannot be used, and then one finding at least is an error."""
    absent = file_fault(job.folder, run.log, run.log_where, f"[[run]] {run.id}: log")
    if absent:
        return None, absent
    wanted = LogWanted(
        name=run.log.as_posix(),
        channels=tuple(channel.id for channel in job.channels),
        mapping=run.columns,
        common=run.common_columns,
        amplitude=run.amplitude,
        sweep=run.sweep,
        split=run.kind in (RunKind.SURVEY, RunKind.SWEEP),
        run=run.id,
        where=run.where,
    )
    log, found = read_log_of_any_kind(job.folder / run.log, wanted)
    if log is None:
        return None, found
    findings = (*found, *_channel_findings(job, run, channels_of(log)))
    findings = (*findings, *_condition_findings(job, run, log))
    log, turned = _with_phases(log, job.control_of(run) or likely_controls(channels_of(log)))
    findings = (*findings, *turned)
    return None if _failed(findings) else log, findings


def read_bare_log(
    path: Path, control: str | None, columns: Sequence[tuple[str, str]] = (), *, sweep: int | None = None
) -> tuple[Log | None, tuple[str, ...], tuple[Finding, ...]]:
    """Read a log without a job, as at the bench: the log, its control channels and the findings.

    The control is the channel named, else the one whose name says so (C1, control, ref), together with its like; where
    none does, an error lists the channels to choose from. ``columns`` is a mapping as under ``[run.columns]``, and
    ``sweep`` is the number of one of several. A record without control or drive comes with that error: it may be a
    free decay.
    """
    if not path.is_file():
        return None, (), (error(Place(path.name, 1), message("log.no-file", path=str(path))),)
    log, found = read_log_of_any_kind(path, LogWanted(name=path.name, mapping=tuple(columns), sweep=sweep))
    if log is None:
        return None, (), found
    forces = _lone_force(log)
    candidates = channels_of(log) if control else (*_motions(log), *forces)
    chosen, fault = control_among(candidates, control, Place(path.name, 1))
    if control is None and isinstance(log, SweepLog) and log.unit_reference is not None:
        chosen = log.unit_reference
    if chosen is None and control is None and forces:
        chosen, fault = forces[0], ()
    if chosen is None:
        driven = control is not None or any(map(looks_like_drive, channels_of(log)))
        return (None if driven or isinstance(log, SweepLog) else log), (), (*found, *fault)
    log, turned = _with_phases(log, (chosen,))
    alike = with_its_like(log, chosen) if control is None and isinstance(log, SweepLog) else (chosen,)
    return log, alike, (*found, *turned, *same_channels(log, Place(path.name, 1)))


def channels_without_unit(path: Path) -> tuple[tuple[str, str], ...]:
    """Channel and header of each column of a sweep log whose unit nothing says; none for any other file."""
    wanted = LogWanted(name=path.name)
    layout = sweep_layout(path, wanted)
    return () if layout is None else understand_columns(layout, wanted).without_unit


_SAME_DB = 1.0
"""Within which two sensors of one table read the same; a response at resonance does not."""
_MOST_ROWS = 0.95
"""Share of the rows on which they do."""


def with_its_like(log: SweepLog, control: str) -> tuple[str, ...]:
    """A control with those numbered as it is (C1, C2 …) that read the same: sensors of one table, of which a job's
    control is the average.

    The control alone where no motion of another name is left to respond (C1, C2 … may then be any channels), and where
    a phase of its own says that phases are not relative to an average.
    """
    stem = control.rstrip("0123456789")
    motions = _motions(log)
    if stem == control or all(looks_like_control(each) for each in motions):
        return (control,)
    return (control, *(each for each in motions if each != control and _is_like(log, control, each, stem)))


def _is_like(log: SweepLog, control: str, other: str, stem: str) -> bool:
    """Whether another channel is numbered as a control is, and reads the same."""
    one, two = log.trace(control), log.trace(other)
    numbered = other.startswith(stem) and other[len(stem) :].isdigit()
    if not numbered or one is None or two is None or one.dimension != two.dimension:
        return False
    if any(each.phase_deg is not None and np.any(np.abs(each.phase_deg) > 0) for each in (one, two)):
        return False
    read = (one.amplitude > 0) & (two.amplitude > 0)
    apart = 20.0 * np.abs(np.log10(two.amplitude[read] / one.amplitude[read]))
    return bool(np.sum(apart < _SAME_DB) >= _MOST_ROWS * len(read))


def control_among(channels: Sequence[str], asked: str | None, where: Place) -> tuple[str | None, tuple[Finding, ...]]:
    """The control channel asked for, or the one whose name says so; an error names the choice where there is none."""
    if asked is not None:
        same = [each for each in channels if folded(each) == folded(asked)]
        if same:
            return same[0], ()
        hint = near_or(asked, channels, message("hint.log-has", known=tuple(channels)))
        return None, (error(where, message("log.no-such-control", channel=asked, hint=hint)),)
    likely = likely_controls(channels)
    if likely:
        return likely[0], ()
    return None, (error(where, message("log.no-control", there=tuple(channels))),)


def channels_of(log: Log) -> tuple[str, ...]:
    """Channel ids of a log of either kind."""
    return log.channels if isinstance(log, TimeHistory) else tuple(trace.channel for trace in log.traces)


def _with_phases(log: Log, control: Sequence[str]) -> tuple[Log, tuple[Finding, ...]]:
    return relative_to_control(log, control) if isinstance(log, SweepLog) else (log, ())


def _lone_force(log: Log) -> tuple[str, ...]:
    """The force of a sweep log that holds one and no control of a motion: the reference of its responses."""
    if not isinstance(log, SweepLog):
        return ()
    forces = tuple(trace.channel for trace in log.traces if trace.dimension == "force")
    return forces if len(forces) == 1 and not likely_controls(_motions(log)) else ()


def _motions(log: Log) -> tuple[str, ...]:
    """Channels that can be a control: those of acceleration, velocity or displacement."""
    if isinstance(log, TimeHistory):
        of = dict(zip(log.channels, log.dimensions, strict=True))
    else:
        of = {trace.channel: trace.dimension for trace in log.traces}
    return tuple(each for each, dimension in of.items() if dimension in ("acceleration", "velocity", "displacement"))


def sweep_layout(path: Path, wanted: LogWanted) -> TableLayout | None:
    """Layout of a file that is a table with a column of frequency; None for any other file."""
    if not is_table(path):
        return None
    try:
        layout = recognise(path, wanted.name, wanted.sheet)
    except ReadError:
        return None
    return layout if understand_columns(layout, wanted).frequency is not None else None


def read_log_of_any_kind(path: Path, wanted: LogWanted) -> tuple[Log | None, tuple[Finding, ...]]:
    """A sweep log, frequency responses or a record, as the content shows itself, before roles are given to channels."""
    layout = sweep_layout(path, wanted)
    if layout is not None:
        return read_sweep_log(path, wanted, layout)
    from reportgen.read.formats.frequency_responses import holds_frequency_responses, read_frequency_responses
    from reportgen.read.time_history import looks_like_time_history, read_time_history

    if path.is_file() and holds_frequency_responses(path):
        return read_frequency_responses(path, wanted.name, wanted.mapping)
    if looks_like_time_history(path, wanted.mapping, wanted.common):
        return read_time_history(
            path, wanted.name, wanted.mapping, wanted=wanted.channels or None, where=wanted.where, common=wanted.common
        )
    return read_sweep_log(path, wanted)


def _failed(findings: Iterable[Finding]) -> bool:
    return any(each.severity is Severity.ERROR for each in findings)


def _channel_findings(job: Job, run: RunPlan, there: Sequence[str]) -> list[Finding]:
    """Channels of the run and of its log, held against each other."""
    found: list[Finding] = []
    name, there = run.log.as_posix(), tuple(there)
    absent = tuple(each for each in job.control_of(run) if each not in there)
    if absent and (run.control or len(absent) == len(job.control_of(run))) and run.kind is not RunKind.DECAY:
        found.append(error(run.where, _absent_control(run, absent, there)))
    elif absent and run.kind is not RunKind.DECAY:
        found.append(warning(run.where, message("log.some-controls-absent", run=run.id, absent=absent, log=name)))
    responses = tuple(each.id for each in job.channels if each.role is ChannelRole.RESPONSE)
    if responses and not set(responses) & set(there):
        column = next((each for each in there if not looks_like_control(each)), there[-1])
        said = message("log.no-response", run=run.id, absent=responses, log=name, there=there, channel=responses[0],
                       column=column)  # fmt: skip
        found.append(warning(run.where, said))
    extra = tuple(each for each in there if job.channel(each) is None)
    if job.channels and extra:
        found.append(note(run.where, message("log.undeclared", run=run.id, log=name, channels=extra)))
    return found


def _condition_findings(job: Job, run: RunPlan, log: Log) -> list[Finding]:
    """Channels of temperature or humidity that the job has for responses or controls."""
    logged = {each.channel: each for each in log.conditions} if isinstance(log, SweepLog) else {}
    return [
        error(channel.where, message("log.condition-no-monitor", channel=channel.id, role=str(channel.role),
                                     quantity=Dimension(logged[channel.id].dimension), log=run.log.as_posix()))
        for channel in job.channels
        if channel.id in logged and channel.role is not ChannelRole.MONITOR
    ]  # fmt: skip


def _absent_control(run: RunPlan, absent: tuple[str, ...], there: tuple[str, ...]) -> Message:
    what = message("log.control-absent", run=run.id, absent=absent, log=run.log.as_posix(), there=there)
    near = nearest(absent[0], there)
    if near is not None:
        what = message("log.control-absent-near", what=what, near=near)
    likely = next((each for each in there if looks_like_control(each)), there[0] if there else absent[0])
    return message("log.map-control", what=what, channel=absent[0], column=near or likely)


def _role_by_name(channel: str, controls: Collection[str]) -> ChannelRole:
    if channel in controls or (not controls and looks_like_control(channel)):
        return ChannelRole.CONTROL
    return ChannelRole.DRIVE if looks_like_drive(channel) else ChannelRole.RESPONSE


def with_channels_of_logs(job: Job, logs: Iterable[Log]) -> tuple[Job, tuple[Finding, ...]]:
    """The job with a channel for each one that only the logs name, so that the smallest job file needs none.

    The role is taken from the name (C1, control and ref are controls), and said in a finding for each.
    """
    known = {channel.id for channel in job.channels}
    named = {each for run in job.runs for each in run.control}
    added: dict[str, Channel] = {}
    for log in logs:
        for each in channels_of(log):
            if each not in known and each not in added:
                role = _role_by_name(each, named)
                added[each] = Channel(id=each, role=role, where=Place(job.file.name))
    if not added:
        return job, ()
    findings = [
        note(Place(job.file.name, 1), message("log.channel-taken", channel=each.id, role=str(each.role)))
        for each in added.values()
    ]
    return replace(job, channels=(*job.channels, *added.values())), tuple(findings)
