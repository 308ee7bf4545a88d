"""What a record of time histories holds, for ``reportgen inspect``."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from reportgen.read.formats.frequency_responses import describe_frequency_responses, holds_frequency_responses
from reportgen.read.formats.recording import SAMPLE_RATE_KEY, Recording, StoredChannel
from reportgen.read.log_columns import likely_controls, looks_like_drive
from reportgen.read.run_entries import entries_to_paste, to_fill_in
from reportgen.read.time_history import history_of, open_recording
from reportgen.records.log import SweepLog, TimeHistory
from reportgen.records.message import Message, Place, message
from reportgen.records.stretch import Direction, Stretch, stretches

Say = Callable[[Message], str]
"""Words for a message."""
SweepsOf = Callable[[TimeHistory, str], Sequence[SweepLog]]
"""Sweeps of a record, as the channel of that name shows them."""


def describe_record(path: Path, say: Say, sweeps_of: SweepsOf | None = None) -> str:
    """Text about a record, with a column mapping, or a run for each of its sweeps, to paste. Raises ReadError."""
    if holds_frequency_responses(path):
        return describe_frequency_responses(path, say)
    recording = open_recording(path, path.name)
    rate = recording.sample_rate_hz
    sweeps = [say(each) for each in _sweeps(recording, path.name, sweeps_of)] if sweeps_of else []
    lines = [
        say(message("inspect.record", file=path.name, layout=recording.layout)),
        f"  {say(_rate(rate))}",
        f"  {say(_samples(recording.samples, rate))}",
        *(f"  {said}" for said in sweeps),
        "",
        *(f"  {say(_line_of(channel))}" for channel in recording.channels),
    ]
    lines += [f"  {say(message('inspect.damaged', what=recording.damage))}"] if recording.damage else []
    lines += [f"  {say(each)}" for each in recording.factors]
    lines += [f"  {say(message('record.not-used', what=each))}" for each in recording.refused]
    lines += [f"  # {text}" for text in recording.remarks]
    return joined([*lines, *entries_to_paste(path.name, sweeps, mapping_lines(recording, say), say)])


def _rate(rate: float | None) -> Message:
    return message("inspect.sample-rate", rate_hz=rate) if rate else message("inspect.no-sample-rate")


def _samples(samples: int, rate: float | None) -> Message:
    if not rate:
        return message("inspect.samples", samples=samples)
    return message("inspect.samples-and-duration", samples=samples, duration_s=samples / rate)


def joined(lines: Iterable[str]) -> str:
    """Lines as one text; a line end that a name brings along is shown, so that it begins no line of its own."""
    return "\n".join(line.replace("\n", "\\n") for line in lines)


def _sweeps(recording: Recording, name: str, sweeps_of: SweepsOf) -> list[Message]:
    """Each sweep, as the channel shows it that is named like a drive or a control, else the first."""
    history, _ = history_of(recording, name, where=Place(name))
    if history is None:
        return []
    drives = [each for each in history.channels if looks_like_drive(each)]
    drive = (*drives, *likely_controls(history.channels), *history.channels)[0]
    found = [(sweep, stretches(sweep.frequency_hz)[0]) for sweep in sweeps_of(history, drive)]
    moving = [(sweep, course) for sweep, course in found if course.direction is not Direction.HOLD]
    return [_sweep(number, *each, drive) for number, each in enumerate(moving, 1)]


def _sweep(number: int, sweep: SweepLog, course: Stretch, drive: str) -> Message:
    way, first, last = course.direction, course.first_hz, course.last_hz
    if sweep.time_s is None:
        return message("inspect.sweep-by", number=number, direction=way, first_hz=first, last_hz=last, drive=drive)
    return message(
        "inspect.sweep-in-time",
        number=number,
        direction=way,
        first_hz=first,
        last_hz=last,
        from_s=float(sweep.time_s[0]),
        to_s=float(sweep.time_s[-1]),
        drive=drive,
    )


def _line_of(channel: StoredChannel) -> Message:
    unit = channel.unit or message("inspect.no-unit-in-file")
    if not channel.other_names:
        return message("inspect.channel", name=channel.name, unit=unit)
    return message("inspect.channel-of-names", name=channel.name, others=channel.other_names, unit=unit)


def mapping_lines(recording: Recording, say: Say) -> list[str]:
    """Lines of a ``[run.columns]`` table for a recording; what the file does not say is left to fill in."""
    rate = to_fill_in(f'"{SAMPLE_RATE_KEY}" = "… kHz"', say(message("inspect.fill-in")))
    lines = [] if recording.sample_rate_hz else [rate]
    for number, channel in enumerate(recording.channels, 1):
        unit = f"({channel.unit.strip('()')})" if channel.unit else "(… g)"
        key = channel.name if channel.name.replace("_", "").isalnum() else f"CH{number}"
        told = channel.name.replace("\\", "\\\\").replace('"', '\\"')
        line = f'"{key}" = "{told} / {unit}"'
        lines.append(line if channel.unit else to_fill_in(line, say(message("inspect.fill-in-unit"))))
    return lines
