"""What a record of time histories holds, in words, for ``reportgen inspect``."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from reportgen.read.formats.frequency_responses import describe_frequency_responses, holds_frequency_responses
from reportgen.read.formats.recording import Recording, StoredChannel
from reportgen.read.log_columns import likely_controls, looks_like_drive
from reportgen.read.run_entries import entries_to_paste
from reportgen.read.time_history import history_of, open_recording
from reportgen.records.log import SweepLog, TimeHistory
from reportgen.records.message import Place, Said
from reportgen.records.stretch import stretches

Say = Callable[[Said], str]
"""Words for a message."""
SweepsOf = Callable[[TimeHistory, str], Sequence[SweepLog]]
"""Sweeps of a record, as the channel of that name shows them."""


def describe_record(path: Path, say: Say, sweeps_of: SweepsOf | None = None) -> str:
    """Text about a record, with a column mapping, or a run for each of its sweeps, to paste. Raises ReadError."""
    if holds_frequency_responses(path):
        return describe_frequency_responses(path)
    recording = open_recording(path, path.name)
    rate = recording.sample_rate_hz
    duration = f", {recording.samples / rate:.6g} s" if rate else ""
    sweeps = _sweeps(recording, path.name, sweeps_of) if sweeps_of else []
    lines = [
        f"{path.name}: time history, {say(recording.layout)}",
        f"  sample rate: {f'{rate:.10g} Hz' if rate else 'not in the file'}",
        f"  samples a channel: {recording.samples}{duration}",
        *(f"  {said}" for said in sweeps),
        "",
        *(f"  {_line_of(channel)}" for channel in recording.channels),
    ]
    lines += [f"  damaged: {say(recording.damage)}"] if recording.damage else []
    lines += [f"  not used: {say(text)}" for text in recording.refused]
    lines += [f"  # {text}" for text in recording.remarks]
    return joined([*lines, *entries_to_paste(path.name, sweeps, mapping_lines(recording))])


def joined(lines: Iterable[str]) -> str:
    """Lines as one text; a line end that a name brings along is shown, so that it begins no line of its own."""
    return "\n".join(line.replace("\n", "\\n") for line in lines)


def _sweeps(recording: Recording, name: str, sweeps_of: SweepsOf) -> list[str]:
    """Each sweep in words, as the channel shows it that is named like a drive or a control, else the first."""
    history, _ = history_of(recording, name, where=Place(name))
    if history is None:
        return []
    drives = [each for each in history.channels if looks_like_drive(each)]
    drive = (*drives, *likely_controls(history.channels), *history.channels)[0]
    moving = [sweep for sweep in sweeps_of(history, drive) if stretches(sweep.frequency_hz)[0].direction != "hold"]
    return [_in_words(number, sweep, drive) for number, sweep in enumerate(moving, 1)]


def _in_words(number: int, sweep: SweepLog, drive: str) -> str:
    course = stretches(sweep.frequency_hz)[0]
    when = f", {sweep.time_s[0]:.2f} to {sweep.time_s[-1]:.2f} s" if sweep.time_s is not None else ""
    return f"sweep {number}: {course.direction}, {course.first_hz:.4g} to {course.last_hz:.4g} Hz{when}, by {drive}"


def _line_of(channel: StoredChannel) -> str:
    names = f" (also {', '.join(channel.other_names)})" if channel.other_names else ""
    return f"{channel.name}{names}: {channel.unit or 'no unit in the file'}"


def mapping_lines(recording: Recording) -> list[str]:
    """Lines of a ``[run.columns]`` table for a recording; what the file does not say is left to fill in."""
    lines = [] if recording.sample_rate_hz else ['"sample rate" = "… kHz"   # fill in']
    for number, channel in enumerate(recording.channels, 1):
        unit = f"({channel.unit.strip('()')})" if channel.unit else "(… g)"
        hint = "" if channel.unit else "   # fill in what a stored 1 means"
        key = channel.name if channel.name.replace("_", "").isalnum() else f"CH{number}"
        told = channel.name.replace("\\", "\\\\").replace('"', '\\"')
        lines.append(f'"{key}" = "{told} / {unit}"{hint}')
    return lines
