"""The columns of a sweep log: each gets its part, or is listed with the reason why it has none."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from reportgen.read.table.columns import Column, Meaning, folded, mapped, split_unit, understand
from reportgen.read.table.table_layout import TableLayout
from reportgen.records.finding import Finding, error, warning
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
    amplitude: Detector = Detector.PEAK
    """Of columns whose unit names no detector."""
    sweep: int | None = None
    split: bool = True
    """False for a dwell or a decay, which are never split."""
    run: str | None = None
    where: str = ""
    """Place of the run in the job file."""

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
    unused: tuple[tuple[str, str], ...]
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


def understand_columns(layout: TableLayout, wanted: LogWanted) -> UnderstoodColumns:
    """Give every column of a table its part in a sweep log; what has none is listed with the reason."""
    return _Columns(layout, wanted).understood()


def without_unit(column: Column, unit: str) -> str:
    """What is said of a column of time or frequency whose unit is not written."""
    return (
        f"column {column.header!r} has no unit; {unit} is taken; write it as '{column.header} [{unit}]', or map it in "
        f'[run.columns]: {"frequency" if unit == "Hz" else "time"} = "{column.header} / {unit}"'
    )


class _Columns:
    """The columns of one log, one part after another."""

    def __init__(self, layout: TableLayout, wanted: LogWanted) -> None:
        self._layout = layout
        self._wanted = wanted
        self._header_place = f"{wanted.name}:{layout.names_line or layout.data_line}"
        self._findings: list[Finding] = []
        self._unused: list[tuple[str, str]] = []
        self._other_frequencies: list[Column] = []
        chosen, faults = mapped(
            [each for each in wanted.mapping if each[0].strip().casefold() != SHEET_KEY], layout.names, layout.units
        )
        self._findings += [
            error(wanted.where or self._header_place, f"[run.columns] {fault.key!r}: {fault.message}")
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

    def understood(self) -> UnderstoodColumns:
        frequency = self._single(Meaning.FREQUENCY)
        time, date = self._time_and_date()
        amplitudes = self._amplitudes()
        phases = self._phases(amplitudes)
        parts = self._parts(amplitudes)
        self._other_columns(bool(amplitudes or parts))
        words = next((c.header for c in self._of(Meaning.FREQUENCY) if not self._is_numeric(c)), None)
        return UnderstoodColumns(
            frequency=frequency,
            time=time,
            date=date,
            amplitudes=amplitudes,
            phases=phases,
            parts=parts,
            other_frequencies=tuple(self._other_frequencies),
            frequency_words=words,
            unused=tuple(self._unused),
            findings=tuple(self._findings),
        )

    def _time_and_date(self) -> tuple[Column | None, Column | None]:
        """The columns that tell the time: one, or one of dates beside one of clock times."""
        time = self._single(Meaning.TIME)
        dates = self._of(Meaning.DATE)
        if time is None and dates:
            return replace(dates[0], meaning=Meaning.TIME), None
        if time is None or not dates or (self._is_numeric(time) and not self._is_numeric(dates[0])):
            self._unused += [(each.header, "a date beside times that count on") for each in dates]
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
            self._unused += [(c.header, "holds no numbers") for c in found if not self._is_numeric(c)]
            found = [c for c in found if self._is_numeric(c)]
        if not found:
            return None
        for other in found[1:]:
            self._unused.append((other.header, f"a second {meaning.value} beside {found[0].header!r}"))
            if meaning is Meaning.FREQUENCY and other.unit is not None:
                self._other_frequencies.append(other)
        column = found[0]
        if column.unit is None and column.unit_text and self._is_numeric(column):
            self._findings.append(
                error(
                    self._header_place,
                    f"column {column.header!r} has the unit {column.unit_text!r}, which is no known unit of "
                    f'{meaning.value}; map it in [run.columns]: {meaning.value} = "{column.header} / '
                    f'{"Hz" if meaning is Meaning.FREQUENCY else "s"}" with the right unit or factor',
                )
            )
        elif meaning is Meaning.FREQUENCY and column.unit is None:
            self._findings.append(warning(self._header_place, without_unit(column, "Hz")))
            unit = parse_unit("Hz")
            column = replace(column, unit=unit, factor=unit.factor)
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
                self._unused.append((column.header, "holds no numbers"))
            elif (
                beside and column in self._rest and folded(beside["channel"]) in names and folded(channel) not in known
            ):
                self._unused.append((column.header, f"a limit or an extreme beside {beside['channel']}, no reading"))
            elif column.unit is None:
                is_channel = folded(channel) in known | with_phase or _CHANNEL_LIKE.fullmatch(channel) is not None
                self._no_unit(column, channel, is_channel)
            elif not self._can_be_channel(column, folded(channel) in known | with_phase):
                self._unused.append((column.header, f"{column.unit.dimension}, and no channel of that name"))
            elif channel in taken:
                first = taken[channel]
                said = f"column {column.place + 1}; {channel} is column {first.place + 1}, {first.header!r}"
                self._unused.append((column.header, said))
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

    def _parts(self, amplitudes: Sequence[Column]) -> tuple[tuple[Column, Column], ...]:
        """Channels given by real and imaginary part, both with the same unit."""
        taken = {column.channel for column in amplitudes}
        imaginary = {column.channel: column for column in self._of(Meaning.IMAGINARY)}
        pairs = []
        for real in self._of(Meaning.REAL):
            other = imaginary.pop(real.channel, None)
            if other is None or real.unit is None or other.unit != real.unit or real.channel in taken:
                self._unused.append((real.header, "a real part without an imaginary part of the same known unit"))
                if other is not None:
                    self._unused.append((other.header, "an imaginary part without its real part"))
            else:
                pairs.append((real, other))
        self._unused += [(each.header, "an imaginary part without its real part") for each in imaginary.values()]
        return tuple(pairs)

    def _no_unit(self, column: Column, channel: str, is_channel: bool) -> None:
        if not is_channel:
            self._unused.append((column.header, "no unit, and no channel of that name"))
            return
        written = f"has the unit {column.unit_text!r}, which is not known" if column.unit_text else "has no unit"
        self._findings.append(
            error(
                self._header_place,
                f"column {column.header!r} {written}; write it in the header as '{channel} [g]', or in the job under "
                f'[run.columns]: "{channel}" = "{column.header} / g"',
            )
        )

    def _phases(self, amplitudes: Sequence[Column]) -> dict[str, Column]:
        channels = {folded(c.channel or ""): c.channel or "" for c in amplitudes}
        found: dict[str, Column] = {}
        for column in self._of(Meaning.PHASE):
            channel = self._partner(column, channels)
            if channel is None:
                self._unused.append((column.header, "a phase without the amplitude it belongs to"))
            elif not self._is_numeric(column):
                self._unused.append((column.header, "holds no numbers"))
            elif channel in found:
                self._unused.append((column.header, f"a second phase of {channel} beside {found[channel].header!r}"))
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
                self._unused.append((column.header, "a demand or a limit, no reading"))
            if column.meaning is None and column.unit is not None and column.unit.dimension == "level":
                self._without_reference(column, has_channels)
            elif column.meaning is None:
                unit = f"unit {column.unit_text!r}" if column.unit_text else "unknown"
                self._unused.append((column.header, unit))
        for i, filled in enumerate(self._layout.filled):
            named = self._layout.names[i] or self._layout.units[i]
            if filled and not named and i not in {c.place for c in self._chosen}:
                self._unused.append((f"column {i + 1}", "has no name"))

    def _without_reference(self, column: Column, has_channels: bool) -> None:
        """Decibels of nothing: a fault where they are a channel of the job or the log has no other, else not used."""
        channel = split_unit(column.header)[0]
        declared = folded(channel) in map(folded, self._wanted.channels)
        if not declared and (has_channels or _CHANNEL_LIKE.fullmatch(channel) is None):
            self._unused.append((column.header, "decibels that do not say what they refer to"))
            return
        self._findings.append(
            error(
                self._header_place,
                f"column {column.header!r} is in decibels and does not say of what; write it as "
                f"'{channel} [dB re 1 g]', or in the job under [run.columns]: "
                f'"{channel}" = "{column.header} / (dB re 1 g)"',
            )
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
