"""The sweep log: rows of frequency and amplitude, in text or in a spreadsheet, as laboratories really have them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from reportgen.errors import ReadError
from reportgen.read.clock import seconds_of
from reportgen.read.columns import Column, Meaning, folded, mapped, understand
from reportgen.read.sweeps import Stretch, leaps, stretches
from reportgen.read.table import Rejected, TableBlock, read_table, recognise
from reportgen.read.table_layout import TableLayout
from reportgen.records.finding import Finding, Severity, error, note, warning
from reportgen.records.log import Floats, SweepLog, Trace
from reportgen.units import Detector, Unit, parse_unit

LARGEST_LOG = 4_000_000_000
"""Bytes. A sweep log is held in memory as numbers, at about the size of its text."""

_FEWEST_ROWS_OF_A_SWEEP = 3

_SHOWN = 4
"""Places named in one finding; the rest is counted."""

_CHANNEL_LIKE = re.compile(
    r"(?:c|a|ch|ctrl|control|resp|response|acc|accel|kanal|channel|ref|reference|r|m|s|steuer|regel|antwort|in|out|drive)"
    r"[\s_.\-]*[\dxyz]*(?:[\s_.\-]*[xyz+\-]+)?",
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


def read_sweep_log(path: Path, wanted: LogWanted) -> tuple[SweepLog | None, tuple[Finding, ...]]:
    """Read one sweep log; None where it cannot be used, and then one finding at least is an error."""
    try:
        if path.stat().st_size > LARGEST_LOG:
            raise ReadError(f"{wanted.name}:1", f"has more than {LARGEST_LOG} bytes; split it into one file a sweep")
        layout = recognise(path, wanted.name)
        return _Reader(path, layout, wanted).read()
    except ReadError as failure:
        return None, (error(failure.where, failure.message),)


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


def understand_columns(layout: TableLayout, wanted: LogWanted) -> UnderstoodColumns:
    """Give every column of a table its part in a sweep log; what has none is listed with the reason."""
    return _Columns(layout, wanted).understood()


class _Columns:
    """The columns of one log, one part after another."""

    def __init__(self, layout: TableLayout, wanted: LogWanted) -> None:
        self._layout = layout
        self._wanted = wanted
        self._header_place = f"{wanted.name}:{layout.names_line or layout.data_line}"
        self._findings: list[Finding] = []
        self._unused: list[tuple[str, str]] = []
        chosen, faults = mapped(wanted.mapping, layout.names, layout.units)
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
        time = self._single(Meaning.TIME)
        amplitudes = self._amplitudes()
        phases = self._phases(amplitudes)
        self._other_columns()
        words = next((c.header for c in self._of(Meaning.FREQUENCY) if not self._is_numeric(c)), None)
        return UnderstoodColumns(frequency, time, amplitudes, phases, tuple(self._unused), tuple(self._findings), words)

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
        column = found[0]
        if column.unit is None and self._is_numeric(column):
            unit = parse_unit("Hz" if meaning is Meaning.FREQUENCY else "s")
            no_unit = "no known unit" if column.unit_text else "no unit"
            self._findings.append(
                warning(
                    self._header_place,
                    f"column {column.header!r} has {no_unit}; {unit.symbol} is taken; "
                    f"write it as '{column.header} [{unit.symbol}]', or map it in [run.columns]: "
                    f'{meaning.value} = "{column.header} / {unit.symbol}"',
                )
            )
            column = replace(column, unit=unit, factor=unit.factor)
        return column

    def _amplitudes(self) -> tuple[Column, ...]:
        with_phase = {folded(c.channel or "") for c in self._of(Meaning.PHASE)}
        known = {folded(each) for each in self._wanted.channels}
        taken: dict[str, Column] = {}
        for column in self._of(Meaning.AMPLITUDE):
            channel = column.channel or column.header
            if not self._is_numeric(column):
                self._unused.append((column.header, "holds no numbers"))
            elif column.unit is None:
                is_channel = folded(channel) in known | with_phase or _CHANNEL_LIKE.fullmatch(channel) is not None
                self._no_unit(column, channel, is_channel)
            elif channel in taken:
                self._unused.append((column.header, f"channel {channel} is taken from {taken[channel].header!r}"))
            else:
                taken[channel] = replace(column, channel=channel)
        return tuple(taken.values())

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
        return None

    def _other_columns(self) -> None:
        for column in self._rest:
            if column.meaning is None:
                unit = f"unit {column.unit_text!r}" if column.unit_text else "unknown"
                self._unused.append((column.header, unit))
        for i, filled in enumerate(self._layout.filled):
            named = self._layout.names[i] or self._layout.units[i]
            if filled and not named and i not in {c.place for c in self._chosen}:
                self._unused.append((f"column {i + 1}", "has no name"))


def looks_like_control(channel: str) -> bool:
    """Whether a name is one that control channels usually have: C1, control, ref.

    >>> [looks_like_control(each) for each in ("C1", "Control", "Ctrl 2", "Ref", "A1", "Ch 3", "Cover")]
    [True, True, True, True, False, False, False]
    """
    return (
        re.fullmatch(r"c[\s_.\-]*\d*[xyz]?|(?:ctrl|control|ref|reference|regel|regelkanal|steuer|kontroll\w*)"
                     r"(?:[\s_.\-(].*|\d.*|)", channel.strip(), re.IGNORECASE)
        is not None
    )  # fmt: skip


@dataclass(slots=True)
class _Reader:
    """One log on its way from text to record."""

    path: Path
    layout: TableLayout
    wanted: LogWanted
    findings: list[Finding] = field(default_factory=list)
    rejected: list[Rejected] = field(default_factory=list)

    def read(self) -> tuple[SweepLog | None, tuple[Finding, ...]]:
        columns = understand_columns(self.layout, self.wanted)
        self.findings += columns.findings
        if not self._usable(columns):
            return None, tuple(self.findings)
        assert columns.frequency is not None
        block, places = self._numbers(columns)
        self.rejected += block.rejected
        frequency = block.values[:, places[columns.frequency.place]] * columns.frequency.factor
        time = self._time(columns.time, block, places)
        keep = self._good_rows(frequency, block)
        time, keep = self._rows_in_time(time, keep, block.lines)
        rows = np.flatnonzero(keep)
        self._report_unused(columns)
        self._report_rejected(len(rows))
        if not len(rows):
            self.findings.append(error(f"{self.wanted.name}:{self.layout.data_line}", "no row of the log can be used"))
            return None, tuple(self.findings)
        rows, index, count = self._chosen_sweep(frequency, rows, block.lines)
        if index == 0:
            return None, tuple(self.findings)
        fewest = _FEWEST_ROWS_OF_A_SWEEP if self.wanted.split else 2
        if len(rows) < fewest:
            self.findings.append(
                error(
                    self._place(block.lines[rows[0]]),
                    f"{_count(len(rows), 'row')} can be used; at least {fewest} are needed",
                )
            )
        log = self._log(columns, block, places, rows, frequency, time)
        if any(each.severity is Severity.ERROR for each in self.findings):
            return None, tuple(self.findings)
        return replace(log, sweep_index=index, sweeps_in_file=count), tuple(self.findings)

    def _place(self, line: int | np.int64) -> str:
        return f"{self.wanted.name}:{int(line)}"

    def _usable(self, columns: UnderstoodColumns) -> bool:
        line = self._place(self.layout.names_line or self.layout.data_line)
        names = ", ".join(repr(each) for each in self.layout.names if each) or "none"
        if self.layout.header_fault and not self.wanted.mapping:
            self.findings.append(error(line, f"the rows have no header that fits: {self.layout.header_fault}; "
                                             "write one name a column, each with its unit"))  # fmt: skip
            return False
        if not any(self.layout.names) and not self.wanted.mapping:
            self.findings.append(error(line, "the rows have no header; write one above them, such as: "
                                             "time [s],frequency [Hz],C1 [g],A1 [g],A1 phase [deg]"))  # fmt: skip
            return False
        if columns.frequency is None and columns.frequency_words:
            self.findings.append(error(line, f"the frequency column {columns.frequency_words!r} holds no plain numbers; "
                                             "write numbers alone in the rows, and units in the header"))  # fmt: skip
        elif columns.frequency is None:
            self.findings.append(error(line, f"there is no frequency column; the columns are {names}; name it "
                                             "'frequency [Hz]', or write in the job under [run.columns]: "
                                             'frequency = "its name / Hz"'))  # fmt: skip
        if not columns.amplitudes and not any(
            "no unit" in f.message or "not known" in f.message for f in columns.findings
        ):
            self.findings.append(error(line, f"there is no amplitude column; the columns are {names}; name one "
                                             "'C1 [g]', or map it in the job under [run.columns]: "
                                             '"C1" = "its name / g"'))  # fmt: skip
        return columns.frequency is not None and bool(columns.amplitudes) and not any(
            each.severity is Severity.ERROR for each in columns.findings
        )  # fmt: skip

    def _numbers(self, columns: UnderstoodColumns) -> tuple[TableBlock, dict[int, int]]:
        time = columns.time
        wanted = [columns.frequency, *columns.amplitudes, *columns.phases.values()]
        words = []
        if time is not None and self.layout.numeric[time.place]:
            wanted.append(time)
        elif time is not None:
            words = [time.place]
        numbers = list(dict.fromkeys(column.place for column in wanted if column is not None))
        block = read_table(self.path, self.layout, numbers, words, name=self.wanted.name)
        return block, {place: i for i, place in enumerate(numbers)}

    def _time(self, column: Column | None, block: TableBlock, places: dict[int, int]) -> Floats | None:
        if column is None:
            return None
        if column.place in places:
            factor = column.unit.factor if column.unit else 1.0
            return np.asarray(block.values[:, places[column.place]] * (column.factor if column.unit else factor))
        time = seconds_of(block.words[0])
        if time is None:
            self.findings.append(
                warning(
                    self._place(self.layout.data_line),
                    f"the times in column {column.header!r} ({block.words[0][0] if block.words[0] else ''!r}) are not "
                    "understood and not used; write seconds, or 09:14:02.5",
                )
            )
        return time

    def _good_rows(self, frequency: Floats, block: TableBlock) -> NDArray[np.bool_]:
        """Rows with a positive frequency that does not leap; the others are rejected, each with its reason."""
        keep = np.isfinite(frequency) & (frequency > 0)
        for row in np.flatnonzero(~keep):
            reason = (
                "has no frequency" if not np.isfinite(frequency[row]) else f"has the frequency {frequency[row]:g} Hz"
            )
            self.rejected.append(Rejected(int(block.lines[row]), "", reason))
        rows = np.flatnonzero(keep)
        for row in rows[leaps(frequency[rows])]:
            keep[row] = False
            self.rejected.append(
                Rejected(
                    int(block.lines[row]), "", f"has the frequency {frequency[row]:g} Hz between rows that lie far off"
                )
            )
        rejected = {each.line for each in self.rejected}
        gaps = [(line, column, word) for line, column, word in block.no_reading if line not in rejected]
        self._report_gaps(gaps)
        return keep

    def _rows_in_time(
        self, time: Floats | None, keep: NDArray[np.bool_], lines: NDArray[np.int64]
    ) -> tuple[Floats | None, NDArray[np.bool_]]:
        """Time where it runs forward. Inside one sweep only: a log of several may start its clock anew with each."""
        if time is None:
            return None, keep
        without = keep & ~np.isfinite(time)
        if without.sum() > 0.1 * keep.sum():
            self.findings.append(
                warning(
                    self._place(lines[np.flatnonzero(without)[0]]),
                    f"{int(without.sum())} rows have no time: it is not used; rate, duration and cycles cannot be had",
                )
            )
            return None, keep
        for row in np.flatnonzero(without):
            self.rejected.append(Rejected(int(lines[row]), "", "has no time"))
        return time, keep & ~without

    def _chosen_sweep(
        self, frequency: Floats, rows: NDArray[np.int64], lines: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], int, int]:
        """Rows of the sweep asked for, its number and how many there are; number 0 where it is not there."""
        if not self.wanted.split:
            return rows, 1, 1
        found = stretches(frequency[rows])
        number = self.wanted.sweep or _widest(found)
        offers = [f"{i}: {s.direction} {s.first_hz:.4g} to {s.last_hz:.4g} Hz, lines {lines[rows[s.start]]}"
                  f" to {lines[rows[s.stop - 1]]}" for i, s in enumerate(found, start=1)]  # fmt: skip
        where = self.wanted.where or self._place(lines[rows[0]])
        title = f"[[run]] {self.wanted.run}: " if self.wanted.run else ""
        if number > len(found):
            self.findings.append(
                error(
                    where, f"{title}sweep = {number}, but {self.wanted.name} holds {len(found)} ({'; '.join(offers)})"
                )
            )
            return rows, 0, len(found)
        if len(found) > 1 and self.wanted.sweep is None:
            self.findings.append(
                warning(
                    where,
                    f"{title}{self.wanted.name} holds {len(found)} sweeps ({'; '.join(offers)}); sweep {number} is "
                    f"used; write sweep = {number} in the run, and one [[run]] more on this log for each of the others",
                )
            )
        chosen = found[number - 1]
        self._report_returns(found, rows, lines)
        return rows[chosen.start : chosen.stop], number, len(found)

    def _report_returns(self, found: Sequence[Stretch], rows: NDArray[np.int64], lines: NDArray[np.int64]) -> None:
        inside = np.zeros(len(rows), dtype=bool)
        for each in found:
            inside[each.start : each.stop] = True
        outside = lines[rows[~inside]]
        if len(outside):
            self.findings.append(
                note(
                    self._place(outside[0]),
                    f"{_count(len(outside), 'row')} {_lines(outside)} belong to a return between sweeps, not used",
                )
            )

    def _log(
        self,
        columns: UnderstoodColumns,
        block: TableBlock,
        places: dict[int, int],
        rows: NDArray[np.int64],
        frequency: Floats,
        time: Floats | None,
    ) -> SweepLog:
        rows, time = self._forward(rows, time, block.lines)
        traces = []
        negative: list[tuple[int, str]] = []
        for column in columns.amplitudes:
            stored = block.values[rows, places[column.place]]
            amplitude, below = self._amplitude(column, stored)
            negative += [(int(block.lines[rows[i]]), column.header) for i in below]
            phase = self._phase(columns.phases.get(column.channel or ""), block, places, rows)
            if phase is not None and column.factor < 0:
                phase = phase + 180.0
            traces.append(
                Trace(
                    channel=column.channel or column.header,
                    dimension=column.unit.dimension if column.unit else "ratio",
                    amplitude=amplitude,
                    phase_deg=phase,
                    display_unit=bare_symbol(column.unit) if column.unit else "1",
                )
            )
        self._report_negative(negative)
        return SweepLog(
            path=self.wanted.name,
            frequency_hz=np.ascontiguousarray(frequency[rows]),
            traces=tuple(traces),
            time_s=time,
            row_line=block.lines[rows],
            remarks=(*self.layout.remarks, *(f"line {line}: {text}" for line, text in block.remarks)),
            rows_skipped=tuple(sorted({each.line for each in self.rejected})),
            layout=self.layout.sentence,
        )

    def _forward(
        self, rows: NDArray[np.int64], time: Floats | None, lines: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], Floats | None]:
        """Rows whose time runs forward: single rows that fall back go, a clock that starts anew is not used."""
        if time is None:
            return rows, None
        own = time[rows]
        latest = np.maximum.accumulate(own)
        back = own < latest
        if not back.any():
            return rows, np.ascontiguousarray(own)
        first = int(np.flatnonzero(back)[0])
        fall = f"from {own[first - 1]:g} s to {own[first]:g} s"
        place = self._place(lines[rows[first]])
        if back.sum() <= max(1, 0.01 * len(rows)):
            self.findings.append(
                warning(
                    place,
                    f"time goes back {fall}; {_count(int(back.sum()), 'row')} {_lines(lines[rows[back]])} left out",
                )
            )
            self.rejected += [Rejected(int(lines[row]), "", "time goes back") for row in rows[back]]
            return rows[~back], np.ascontiguousarray(own[~back])
        self.findings.append(
            warning(place, f"time goes back {fall}: time is not used; rate, duration and cycles cannot be had")
        )
        return rows, None

    def _amplitude(self, column: Column, stored: Floats) -> tuple[Floats, NDArray[np.int64]]:
        """Peak in SI, and the places of negative readings, which are no amplitudes and become gaps."""
        if column.in_decibels:
            return 10.0 ** (stored / 20.0), np.empty(0, dtype=np.int64)
        detector = (column.unit.detector if column.unit else None) or self.wanted.amplitude
        if column.unit is not None and column.unit.dimension == "ratio":
            detector = Detector.PEAK
        amplitude = stored * (abs(column.factor) * detector.to_peak)
        below = np.flatnonzero(amplitude < 0)
        amplitude[below] = np.nan
        return amplitude, below

    def _phase(
        self, column: Column | None, block: TableBlock, places: dict[int, int], rows: NDArray[np.int64]
    ) -> Floats | None:
        if column is None:
            return None
        stored = block.values[rows, places[column.place]]
        if column.unit is not None:
            in_degrees = column.unit.symbol == "°"
            return np.asarray(stored if in_degrees else np.rad2deg(stored * column.factor))
        place = self._place(self.layout.names_line or self.layout.data_line)
        largest = float(np.nanmax(np.abs(stored))) if np.isfinite(stored).any() else 0.0
        mend = f"write '{column.header} [deg]' or '{column.header} [rad]'"
        if 0.5 < largest <= 6.3:
            self.findings.append(error(place, f"phase {column.header!r} has no unit and stays within ±{largest:.2f}, "
                                              f"which may be radians or degrees; {mend}"))  # fmt: skip
            return None
        self.findings.append(warning(place, f"phase {column.header!r} has no unit; degrees are taken; {mend}"))
        return np.asarray(stored)

    def _report_unused(self, columns: UnderstoodColumns) -> None:
        if columns.unused:
            text = ", ".join(f"{header!r} ({why})" for header, why in columns.unused)
            self.findings.append(
                note(self._place(self.layout.names_line or self.layout.data_line), f"columns that are not used: {text}")
            )

    def _report_rejected(self, kept: int) -> None:
        if not self.rejected:
            return
        rows = sorted(self.rejected, key=lambda each: each.line)
        examples = "; ".join(
            f"line {each.line} {each.reason}" + (f" ({each.text[:40]!r})" if each.text else "")
            for each in rows[:_SHOWN]
        )
        more = f"; and {len(rows) - _SHOWN} more" if len(rows) > _SHOWN else ""
        message = f"{_count(len(rows), 'row')} of {len(rows) + kept} could not be read and {_are(len(rows))} left out: "
        make = error if len(rows) > kept else warning
        advice = "; most of the table is not understood, look at the file" if len(rows) > kept else ""
        self.findings.append(make(self._place(rows[0].line), message + examples + more + advice))

    def _report_gaps(self, gaps: Sequence[tuple[int, int, str]]) -> None:
        if not gaps:
            return
        examples = "; ".join(
            f"line {line}, {self.layout.names[column] or f'column {column + 1}'}: {word!r}"
            for line, column, word in gaps[:_SHOWN]
        )
        more = f"; and {len(gaps) - _SHOWN} more" if len(gaps) > _SHOWN else ""
        self.findings.append(
            warning(
                self._place(gaps[0][0]),
                f"{_count(len(gaps), 'cell')} without a reading, kept as gaps: {examples}{more}",
            )
        )

    def _report_negative(self, negative: Sequence[tuple[int, str]]) -> None:
        if negative:
            shown = "; ".join(f"line {line}, {header!r}" for line, header in sorted(negative)[:_SHOWN])
            more = f"; and {len(negative) - _SHOWN} more" if len(negative) > _SHOWN else ""
            self.findings.append(
                warning(
                    self._place(min(negative)[0]),
                    f"{_count(len(negative), 'amplitude')} below zero, impossible and kept as gaps: {shown}{more}",
                )
            )


def _widest(found: Sequence[Stretch]) -> int:
    """Number of the first sweep that covers (nearly) the widest range."""
    widths = [abs(np.log2(each.last_hz / each.first_hz)) for each in found]
    return next(i for i, width in enumerate(widths, start=1) if width >= 0.98 * max(widths))


def bare_symbol(unit: Unit) -> str:
    """Symbol without the detector: readings are peaks once they are read."""
    if unit.detector is None:
        return unit.symbol
    return unit.symbol.removesuffix(" p-p" if unit.detector is Detector.PEAK_TO_PEAK else f" {unit.detector}")


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def _are(number: int) -> str:
    return "is" if number == 1 else "are"


def _lines(lines: Iterable[int | np.int64]) -> str:
    every = [int(line) for line in lines]
    shown = ", ".join(str(line) for line in every[:_SHOWN])
    return f"(line{'s' if len(every) > 1 else ''} {shown}{', …' if len(every) > _SHOWN else ''})"
