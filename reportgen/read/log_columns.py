"""The columns of a sweep log: each gets its part, or is listed with the reason why it has none."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from reportgen.read.table.cells import LONGEST_CELL, is_cut
from reportgen.read.table.columns import Column, MappingFault, Meaning, folded, mapped, split_unit, understand
from reportgen.read.table.table_layout import TableLayout
from reportgen.records.finding import Finding, error, note, warning
from reportgen.records.message import Message, Place, message
from reportgen.units import Detector, parse_unit

SHEET_KEY = "sheet"
"""Key of ``[run.columns]`` that names the sheet of a spreadsheet."""

_CHANNEL_LIKE = re.compile(
    r"(?:c|a|ch|ctrl|control|resp|response|acc|accel|kanal|channel|ref|reference|r|m|s|steuer|regel|antwort|in|out|drive)"
    r"[\s_.\-]*+[\dxyz]*+(?:[\s_.\-]*+(?:(?<=-)|[xyz+])[xyz+\-]*+)?",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LogWanted:
    """What the reader of one log is told."""

    name: str
    """The file as named in the job."""
    channels: tuple[str, ...] = ()
    """Channels that the job declares."""
    mapping: tuple[tuple[str, str], ...] = ()
    """``[run.columns]``."""
    common: tuple[str, ...] = ()
    """Keys of the mapping that hold for the whole job, and so only where the log has such a column."""
    amplitude: Detector = Detector.PEAK
    """Of columns whose unit names no detector."""
    sweep: int | None = None
    split: bool = True
    """False for a dwell or a decay, which are never split."""
    run: str | None = None
    where: Place | None = None
    """Place of the run in the job file; None without a job."""

    @property
    def sheet(self) -> str | None:
        """The sheet that the mapping names."""
        return next((text for key, text in self.mapping if key.strip().casefold() == SHEET_KEY), None)


@dataclass(frozen=True, slots=True)
class UnderstoodColumns:
    """The columns of one log, each with its part."""

    frequency: Column | None
    time: Column | None
    amplitudes: tuple[Column, ...]
    phases: dict[str, Column]
    unused: tuple[tuple[str | Message, Message], ...]
    """(header, why)."""
    findings: tuple[Finding, ...]
    frequency_words: str | None = None
    """Header of a frequency column that holds no numbers."""
    other_frequencies: tuple[Column, ...] = ()
    """Further frequency columns, which must agree with the first."""
    date: Column | None = None
    """A column of dates beside the one of times."""
    parts: tuple[tuple[Column, Column], ...] = ()
    """Real and imaginary part of channels that have no amplitude column."""
    conditions: tuple[Column, ...] = ()
    """Temperatures and humidities beside the rows."""
    without_unit: tuple[tuple[str, str], ...] = ()
    """(channel, header) of columns that are channels, but whose unit nothing says."""


def understand_columns(layout: TableLayout, wanted: LogWanted) -> UnderstoodColumns:
    """Give every column of a table its part in a sweep log; what has none is listed with the reason."""
    return _Columns(layout, wanted).understood()


def without_unit(column: Column, meaning: Meaning, unit: str) -> Message:
    """What is said of a column of time or frequency whose unit is not written."""
    return message("column.unit-taken", column=column.header, unit=unit, key=str(meaning))


class _Columns:
    """The columns of one log, one part after another."""

    def __init__(self, layout: TableLayout, wanted: LogWanted) -> None:
        self._layout = layout
        self._wanted = wanted
        self._header_place = Place(wanted.name, layout.names_line or layout.data_line)
        self._findings: list[Finding] = []
        self._unused: list[tuple[str | Message, Message]] = []
        self._other_frequencies: list[Column] = []
        self._without_unit: list[tuple[str, str]] = []
        chosen, faults = mapped(
            [each for each in wanted.mapping if each[0].strip().casefold() != SHEET_KEY], layout.names, layout.units
        )
        where = wanted.where or self._header_place
        self._findings += [
            note(where, message("mapping.not-here", log=wanted.name, key=fault.key, what=fault.message))
            if fault.absent and fault.key in wanted.common
            else error(where, self._mapping_fault(fault))
            for fault in faults
        ]
        places = {column.place for column in chosen}
        rest = [
            understand(layout.names[i], layout.units[i], i, wanted.channels)
            for i in range(layout.columns)
            if i not in places and layout.filled[i] and (layout.names[i] or layout.units[i])
        ]
        self._chosen = chosen
        self._rest = rest

    def _mapping_fault(self, fault: MappingFault) -> Message:
        if self._wanted.where is None:  # a bare log
            return message("mapping.fault-of-option", key=fault.key, what=fault.message)
        return message("mapping.fault", key=fault.key, what=fault.message)

    def understood(self) -> UnderstoodColumns:
        self._findings += [
            warning(self._header_place, message("column.name-cut", column=place + 1, most=LONGEST_CELL))
            for place, cells in enumerate(zip(self._layout.names, self._layout.units, strict=False))
            if any(map(is_cut, cells))
        ]
        frequency = self._single(Meaning.FREQUENCY)
        time, date = self._time_and_date()
        amplitudes = self._amplitudes()
        phases = self._phases(amplitudes)
        parts = self._parts(amplitudes)
        conditions = self._conditions()
        self._other_columns(bool(amplitudes or parts))
        words = next((c.header for c in self._of(Meaning.FREQUENCY) if not self._is_numeric(c)), None)
        return UnderstoodColumns(
            frequency=frequency,
            time=time,
            date=date,
            amplitudes=amplitudes,
            phases=phases,
            parts=parts,
            conditions=conditions,
            other_frequencies=tuple(self._other_frequencies),
            frequency_words=words,
            unused=tuple(self._unused),
            without_unit=tuple(self._without_unit),
            findings=tuple(self._findings),
        )

    def _time_and_date(self) -> tuple[Column | None, Column | None]:
        """The columns that tell the time: one, or one of dates beside one of clock times."""
        time = self._single(Meaning.TIME)
        dates = self._of(Meaning.DATE)
        if time is None and dates:
            return replace(dates[0], meaning=Meaning.TIME), None
        if time is None or not dates or (self._is_numeric(time) and not self._is_numeric(dates[0])):
            self._unused += [(each.header, message("unused.date-beside-times")) for each in dates]
            return time, None
        return time, dates[0]

    def _of(self, meaning: Meaning) -> list[Column]:
        """Columns of a meaning: those mapped in the job first."""
        return [column for column in (*self._chosen, *self._rest) if column.meaning is meaning]

    def _is_numeric(self, column: Column) -> bool:
        return self._layout.numeric[column.place]

    def _single(self, meaning: Meaning) -> Column | None:
        found = sorted(
            self._of(meaning), key=lambda c: (c not in self._chosen, not self._is_numeric(c), c.unit is None)
        )
        if meaning is Meaning.FREQUENCY:
            self._unused += [(c.header, message("unused.no-numbers")) for c in found if not self._is_numeric(c)]
            found = [c for c in found if self._is_numeric(c)]
        if not found:
            return None
        for other in found[1:]:
            self._unused.append((other.header, message("unused.second", meaning=meaning, first=found[0].header)))
            if meaning is Meaning.FREQUENCY and other.unit is not None:
                self._other_frequencies.append(other)
        column = found[0]
        if column.unit is None and column.unit_text and self._is_numeric(column):
            unit = "Hz" if meaning is Meaning.FREQUENCY else "s"
            unknown = message(
                "column.unit-unknown",
                column=column.header,
                unit=column.unit_text,
                meaning=meaning,
                key=str(meaning),
                example=unit,
            )
            self._findings.append(error(self._header_place, unknown))
        elif meaning is Meaning.FREQUENCY and column.unit is None:
            self._findings.append(warning(self._header_place, without_unit(column, Meaning.FREQUENCY, "Hz")))
            hertz = parse_unit("Hz")
            column = replace(column, unit=hertz, factor=hertz.factor)
        return column

    def _amplitudes(self) -> tuple[Column, ...]:
        with_phase = {folded(c.channel or "") for c in self._of(Meaning.PHASE)}
        known = {folded(each) for each in self._wanted.channels}
        taken: dict[str, Column] = {}
        names = {folded(each.channel or each.header) for each in self._of(Meaning.AMPLITUDE)}
        for column in self._of(Meaning.AMPLITUDE):
            channel = column.channel or column.header
            beside = _BOUND.fullmatch(channel)
            if not self._is_numeric(column):
                self._unused.append((column.header, message("unused.no-numbers")))
            elif (
                beside and column in self._rest and folded(beside["channel"]) in names and folded(channel) not in known
            ):
                self._unused.append((column.header, message("unused.limit-beside", channel=beside["channel"])))
            elif column.unit is None:
                is_channel = folded(channel) in known | with_phase or _CHANNEL_LIKE.fullmatch(channel) is not None
                self._no_unit(column, channel, is_channel)
            elif not self._can_be_channel(column, folded(channel) in known | with_phase):
                self._unused.append((column.header, message("unused.dimension", dimension=column.unit.dimension)))
            elif channel in taken:
                first = taken[channel]
                why = message(
                    "unused.same-channel",
                    column=column.place + 1,
                    channel=channel,
                    first=first.place + 1,
                    header=first.header,
                )
                self._unused.append((column.header, why))
            else:
                taken[channel] = replace(column, channel=channel)
        return tuple(taken.values())

    def _can_be_channel(self, column: Column, is_named: bool) -> bool:
        """A pure number, a current or a pressure is a channel only where something says so."""
        if column in self._chosen or is_named or column.response_over_reference or column.unit is None:
            return True
        if column.unit.dimension == "ratio":
            return column.unit.symbol != "%" and _CHANNEL_LIKE.fullmatch(column.channel or "") is not None
        return column.unit.dimension not in ("current", "pressure")

    def _conditions(self) -> tuple[Column, ...]:
        """Temperatures and humidities, each channel once; one the job maps goes before one that its header names."""
        taken: dict[tuple[object, ...], Column] = {}
        for column in self._of(Meaning.CONDITION):
            what = (column.ambient, column.unit.dimension if column.unit else "", not column.ambient and column.channel)
            if not self._is_numeric(column):
                self._unused.append((column.header, message("unused.no-numbers")))
            elif what in taken:
                second = message("unused.second", meaning=Meaning.CONDITION, first=taken[what].header)
                self._unused.append((column.header, second))
            else:
                taken[what] = column
        return tuple(taken.values())

    def _parts(self, amplitudes: Sequence[Column]) -> tuple[tuple[Column, Column], ...]:
        """Channels given by real and imaginary part, both with the same unit."""
        taken = {column.channel for column in amplitudes}
        imaginary = {column.channel: column for column in self._of(Meaning.IMAGINARY)}
        pairs = []
        for real in self._of(Meaning.REAL):
            other = imaginary.pop(real.channel, None)
            if other is None or real.unit is None or other.unit != real.unit or real.channel in taken:
                self._unused.append((real.header, message("unused.real-alone")))
                if other is not None:
                    self._unused.append((other.header, message("unused.imaginary-alone")))
            else:
                pairs.append((real, other))
        self._unused += [(each.header, message("unused.imaginary-alone")) for each in imaginary.values()]
        return tuple(pairs)

    def _no_unit(self, column: Column, channel: str, is_channel: bool) -> None:
        if not is_channel:
            self._unused.append((column.header, message("unused.no-unit")))
            return
        header = column.header
        if column.unit_text:
            what = message("column.channel-unit-unknown", column=header, unit=column.unit_text, channel=channel)
        else:
            what = message("column.channel-no-unit", column=header, channel=channel)
            self._without_unit.append((channel, header))
        self._findings.append(error(self._header_place, what))

    def _phases(self, amplitudes: Sequence[Column]) -> dict[str, Column]:
        channels = {folded(c.channel or ""): c.channel or "" for c in amplitudes}
        in_file = channels | {folded(split_unit(c.header)[0]): c.channel or "" for c in amplitudes}
        found: dict[str, Column] = {}
        for column in self._of(Meaning.PHASE):
            # A phase that the job does not map goes with the column it is named after, whatever the job calls that.
            channel = self._partner(column, in_file if column in self._rest else channels)
            if channel is None:
                self._unused.append((column.header, message("unused.phase-alone")))
            elif not self._is_numeric(column):
                self._unused.append((column.header, message("unused.no-numbers")))
            elif channel in found:
                self._unused.append(
                    (column.header, message("unused.second-phase", channel=channel, first=found[channel].header))
                )
            else:
                found[channel] = column
        return found

    def _partner(self, phase: Column, channels: dict[str, str]) -> str | None:
        """The channel a phase belongs to: by name, by number (``Ph 3`` to ``Ch 3``), or by the only response."""
        own = folded(phase.channel or "")
        if own in channels:
            return channels[own]
        if own.isdigit():
            same = [
                channel for key, channel in channels.items() if re.fullmatch(rf"\D+0*{own.lstrip('0') or '0'}", key)
            ]
            return same[0] if len(same) == 1 else None
        if not own:
            responses = [channel for channel in channels.values() if not looks_like_control(channel)]
            return responses[0] if len(responses) == 1 else None
        last = re.compile(rf"(?:.*[\s_.\-(])?{re.escape(own)}\)?", re.IGNORECASE)
        called = [channel for channel in channels.values() if last.fullmatch(channel)]
        return called[0] if len(called) == 1 else None

    def _other_columns(self, has_channels: bool) -> None:
        for column in self._rest:
            if column.meaning is Meaning.DEMAND:
                self._unused.append((column.header, message("unused.demand")))
            if column.meaning is None and column.unit is not None and column.unit.dimension == "level":
                self._without_reference(column, has_channels)
            elif column.meaning is None:
                text = column.unit_text
                why = message("unused.unit", unit=text) if text else message("unused.unknown")
                self._unused.append((column.header, why))
        for i, filled in enumerate(self._layout.filled):
            named = self._layout.names[i] or self._layout.units[i]
            if filled and not named and i not in {c.place for c in self._chosen}:
                self._unused.append((message("column.number", number=i + 1), message("unused.no-name")))

    def _without_reference(self, column: Column, has_channels: bool) -> None:
        """Decibels of nothing: a fault where they are a channel of the job or the log has no other, else not used."""
        channel = split_unit(column.header)[0]
        declared = folded(channel) in map(folded, self._wanted.channels)
        if not declared and (has_channels or _CHANNEL_LIKE.fullmatch(channel) is None):
            self._unused.append((column.header, message("unused.decibels")))
            return
        self._findings.append(
            error(self._header_place, message("column.decibels", column=column.header, channel=channel))
        )


_BOUND = re.compile(
    r"(?P<channel>.(?:.*[^\s_.\-])?)[\s_.\-]++(?:low|high|lo|hi|min|max|minimum|maximum)", re.IGNORECASE
)
"""A column of limits or extremes, where its channel has a column of its own."""
_CONTROL = re.compile(
    r"c[\s_.\-]*\d*[xyz]?|(?:ctrl|control|kontroll|regel|regler)\w*(?:[\s_.\-(].*)?|.*[\s_.\-(](?:ctrl|control)\)?",
    re.IGNORECASE,
)
_REFERENCE = re.compile(r"(?:ref|reference|referenz|steuer\w*)(?:[\s_.\-(\d].*)?", re.IGNORECASE)
_DRIVE = re.compile(
    r"(?:drive|output|ausgang|excitation|anregung|source|generator|dac)\w*(?:[\s_.\-(].*)?", re.IGNORECASE
)


def looks_like_control(channel: str) -> bool:
    """Whether a name is one that control channels usually have: C1, control, ref.

    >>> [looks_like_control(each) for each in ("C1", "Control", "Ref", "A1", "Cover", "Ch 1 (control)")]
    [True, True, True, False, False, True]
    """
    name = channel.strip()
    return _CONTROL.fullmatch(name) is not None or _REFERENCE.fullmatch(name) is not None


def looks_like_drive(channel: str) -> bool:
    """Whether a name is one that the drive signal usually has.

    >>> looks_like_drive("Drive"), looks_like_drive("A1")
    (True, False)
    """
    return _DRIVE.fullmatch(channel.strip()) is not None


def likely_controls(channels: Sequence[str]) -> tuple[str, ...]:
    """Channels whose names say that they are controls; those called control before a mere reference."""
    found = [each for each in channels if looks_like_control(each)]
    return tuple(sorted(found, key=lambda each: _CONTROL.fullmatch(each.strip()) is None))
