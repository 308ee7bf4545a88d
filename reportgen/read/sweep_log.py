"""The sweep log: rows of frequency and amplitude, in text or in a spreadsheet, as laboratories really have them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import starmap
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from reportgen.errors import ReadError
from reportgen.read.leaps import leaps
from reportgen.read.log_columns import LogWanted, UnderstoodColumns, understand_columns, without_unit
from reportgen.read.table.cells import number_in, split_line
from reportgen.read.table.clock import read_clock
from reportgen.read.table.columns import Column, Meaning, understand
from reportgen.read.table.header_words import begins_a_table
from reportgen.read.table.row_findings import (
    line_list,
    missing_readings,
    negative_amplitudes,
    rejected_rows,
    with_rest,
)
from reportgen.read.table.table import read_table, recognise
from reportgen.read.table.table_layout import TableLayout
from reportgen.read.table.table_rows import Rejected, TableBlock
from reportgen.read.table.time_column import counted_in, joined, spread
from reportgen.records.finding import Finding, Severity, error, note, warning
from reportgen.records.log import REFERENCE, RESPONSE_OVER_FORCE, Floats, LoggedCondition, SweepLog, Trace
from reportgen.records.message import Message, Place, as_written, message
from reportgen.records.stretch import Stretch, stretches
from reportgen.units import Detector, Unit, parse_unit

LARGEST_LOG = 4_000_000_000
"""Bytes. A sweep log is held in memory as numbers, at about the size of its text."""

_HIGHEST_HZ = 1e7
"""No exciter shakes so fast: a number at or above it is damage."""
_FEWEST_ROWS_OF_A_SWEEP = 3
_LYING = 100
"""Columns without names from which on a table rather lies on its side: laboratories record fewer channels."""
_MOST_UNUSED_TOLD = 40
"""Columns named in the finding about those that are not used; the rest is counted."""
_FREQUENCY_NAMED = re.compile(r"fr[eé]|hz|fq", re.IGNORECASE)


def read_sweep_log(
    path: Path, wanted: LogWanted, layout: TableLayout | None = None
) -> tuple[SweepLog | None, tuple[Finding, ...]]:
    """Read one sweep log; None where it cannot be used, and then one finding at least is an error.

    ``layout`` saves the recognition where it has been done already.
    """
    try:
        if path.stat().st_size > LARGEST_LOG:
            raise ReadError(Place(wanted.name, 1), message("log.too-large", most=LARGEST_LOG))
        return _Reader(path, layout or recognise(path, wanted.name, wanted.sheet), wanted).read()
    except ReadError as failure:
        return None, (error(failure.where, failure.what),)


@dataclass(slots=True)
class _Reader:
    """One log on its way from text to record."""

    path: Path
    layout: TableLayout
    wanted: LogWanted
    findings: list[Finding] = field(default_factory=list)
    rejected: list[Rejected] = field(default_factory=list)
    negative: list[tuple[int, str]] = field(default_factory=list)

    def read(self) -> tuple[SweepLog | None, tuple[Finding, ...]]:
        columns = understand_columns(self.layout, self.wanted)
        self.findings += columns.findings
        if not self._usable(columns):
            return None, tuple(self.findings)
        assert columns.frequency is not None
        block, places = self._numbers(columns)
        block = self._first_table(block)
        self.rejected += block.rejected
        frequency = block.values[:, places[columns.frequency.place]] * columns.frequency.factor
        self._compare_frequencies(columns, frequency, block, places)
        time = self._time(columns, block, places)
        time, keep = self._rows_with_time(time, self._good_rows(frequency, block), block.lines)
        self._report(columns, block, places, keep)
        log = self._sweep(columns, block, places, frequency, time, np.flatnonzero(keep))
        failed = any(each.severity is Severity.ERROR for each in self.findings)
        return None if failed else log, tuple(self.findings)

    def _sweep(
        self,
        columns: UnderstoodColumns,
        block: TableBlock,
        places: dict[int, int],
        frequency: Floats,
        time: Floats | None,
        rows: NDArray[np.int64],
    ) -> SweepLog | None:
        """The sweep asked for, of the good rows."""
        fewest = _FEWEST_ROWS_OF_A_SWEEP if self.wanted.split else 2
        if not len(rows):
            self.findings.append(error(self._place(self.layout.data_line), message("log.no-row")))
            return None
        rows, index, count = self._chosen_sweep(frequency, rows, block.lines)
        if len(rows) < fewest:
            few = message("log.few-rows", rows=len(rows), fewest=fewest)
            self.findings.append(error(self._place(block.lines[rows[0]]), few))
        rows, time = self._forward(rows, time, block.lines)
        log = self._log(columns, block, places, rows, frequency, time)
        return replace(log, sweep_index=index, sweeps_in_file=count)

    def _place(self, line: int | np.int64) -> Place:
        return Place(self.wanted.name, int(line))

    @property
    def _header_place(self) -> Place:
        return self._place(self.layout.names_line or self.layout.data_line)

    def _usable(self, columns: UnderstoodColumns) -> bool:
        place, names = self._header_place, tuple(each for each in self.layout.names if each)
        if self.layout.header_fault and not self.wanted.mapping:
            self.findings.append(error(place, message("log.header-unfit", why=self.layout.header_fault)))
            return False
        if not names and not self.wanted.mapping:
            lies = self.layout.columns >= _LYING
            what = message("log.lying", columns=self.layout.columns) if lies else message("log.no-header")
            self.findings.append(error(place, what))
            return False
        if columns.frequency is None and columns.frequency_words:
            self.findings.append(error(place, message("log.frequency-words", column=columns.frequency_words)))
        elif columns.frequency is None:
            nor_time = message("log.no-frequency-nor-time", columns=names)
            what = message("log.no-frequency", columns=names) if columns.time is not None else nor_time
            self.findings.append(error(place, what))
        failed = any(each.severity is Severity.ERROR for each in columns.findings)
        if not columns.amplitudes and not columns.parts and not failed:
            self.findings.append(error(place, message("log.no-amplitude", columns=names)))
        return not any(each.severity is Severity.ERROR for each in self.findings)

    def _numbers(self, columns: UnderstoodColumns) -> tuple[TableBlock, dict[int, int]]:
        time = columns.time
        wanted = [columns.frequency, *columns.amplitudes, *columns.phases.values(), *columns.other_frequencies]
        wanted += [column for pair in columns.parts for column in pair]
        wanted += columns.conditions
        words = []
        if time is not None and self.layout.numeric[time.place]:
            wanted.append(time)
        elif time is not None:
            words = [time.place] if columns.date is None else [time.place, columns.date.place]
        numbers = list(dict.fromkeys(column.place for column in wanted if column is not None))
        block = read_table(self.path, self.layout, numbers, words, name=self.wanted.name)
        return block, {place: i for i, place in enumerate(numbers)}

    def _first_table(self, block: TableBlock) -> TableBlock:
        """The rows above another header: what stands below it has other columns."""
        last_row = int(block.lines[-1]) if len(block.lines) else 0
        line = next((each.line for each in block.rejected if self._is_other_header(each, last_row)), None)
        if line is None:
            return block
        keep = block.lines < line
        text = next(each.text for each in block.rejected if each.line == line)
        below = int((~keep).sum()) + sum(each.line > line for each in block.rejected)
        self.findings.append(warning(self._place(line), message("log.another-table", text=text[:60], rows=below)))
        return replace(
            block,
            values=block.values[keep],
            lines=block.lines[keep],
            words=tuple(tuple(w for w, kept in zip(column, keep, strict=True) if kept) for column in block.words),
            rejected=tuple(each for each in block.rejected if each.line < line),
            no_reading=tuple(each for each in block.no_reading if each[0] < line),
        )

    def _is_other_header(self, line: Rejected, last_row: int) -> bool:
        """Whether a line that is no row heads another table; words above further rows must have units for that."""
        if not _FREQUENCY_NAMED.search(line.text):
            return False
        cells = split_line(line.text, self.layout.delimiter or ";", quoted=True)
        if len(cells) < 2 or any(number_in(cell, self.layout.decimal) is not None for cell in cells):
            return False
        if line.line < last_row and not begins_a_table(cells, (), self.layout.names):
            return False
        columns = [understand(cell, "", 0) for cell in cells if cell]
        return any(each.meaning is Meaning.FREQUENCY for each in columns)

    def _time(self, columns: UnderstoodColumns, block: TableBlock, places: dict[int, int]) -> Floats | None:
        """Seconds at every row, from the first where they are told as on a clock; None where there is no time."""
        column = columns.time
        if column is None:
            return None
        if column.place not in places:
            return self._clock(columns, block)
        stored = block.values[:, places[column.place]]
        counted_as = counted_in(stored)
        if column.unit is not None:
            first = 0.0 if counted_as is None else stored[np.isfinite(stored)][0]
            return np.asarray((stored - first) * column.factor)
        if counted_as is None:
            self.findings.append(warning(self._header_place, without_unit(column, Meaning.TIME, "s")))
            return np.asarray(stored)
        factor, epoch = counted_as
        self.findings.append(
            note(self._header_place, message("column.counts-from-epoch", column=column.header, epoch=epoch))
        )
        return np.asarray((stored - stored[np.isfinite(stored)][0]) * factor)

    def _clock(self, columns: UnderstoodColumns, block: TableBlock) -> Floats | None:
        """Times told as on a clock, with the date of each where it has a column of its own."""
        assert columns.time is not None
        words = block.words[0]
        if columns.date is not None:
            words = self._dated(columns.date, words, block.words[1])
        clock = read_clock(words)
        place = self._place(self.layout.data_line)
        if clock is None:
            first = words[0] if words else ""
            self.findings.append(
                warning(place, message("time.not-understood", column=columns.time.header, first=first))
            )
            return None
        if clock.set_by_an_hour:
            row = clock.set_by_an_hour[0]
            set_here = message("time.clock-set", before=words[row - 1], after=words[row])
            self.findings.append(warning(self._place(block.lines[row]), set_here))
        return clock.seconds

    def _dated(self, date: Column, times: Sequence[str], dates: Sequence[str]) -> tuple[str, ...]:
        """Times with the date of each; without, where the dates are not understood."""
        both = tuple(f"{day.split()[0] if day.split() else ''} {time}".strip() for day, time in
                     zip(dates, times, strict=True))  # fmt: skip
        if not times or read_clock(both) is not None:
            return both
        what = message("time.dates-not-understood", column=date.header, first=dates[0])
        self.findings.append(warning(self._place(self.layout.data_line), what))
        return tuple(times)

    def _good_rows(self, frequency: Floats, block: TableBlock) -> NDArray[np.bool_]:
        """Rows with a positive frequency that does not leap; the others are rejected, each with its reason."""
        keep = np.isfinite(frequency) & (frequency > 0) & (frequency < _HIGHEST_HZ)
        for row in np.flatnonzero(~keep):
            hz = float(frequency[row])
            reason = message("row.frequency", hz=hz) if np.isfinite(hz) else message("row.no-frequency")
            self.rejected.append(Rejected(int(block.lines[row]), "", reason))
        rows = np.flatnonzero(keep)
        for row in rows[leaps(frequency[rows])]:
            keep[row] = False
            leap = message("row.frequency-leaps", hz=float(frequency[row]))
            self.rejected.append(Rejected(int(block.lines[row]), "", leap))
        return keep

    def _compare_frequencies(
        self, columns: UnderstoodColumns, frequency: Floats, block: TableBlock, places: dict[int, int]
    ) -> None:
        """Channels exported each with a frequency of its own must share it row by row."""
        for other in columns.other_frequencies:
            own = block.values[:, places[other.place]] * other.factor
            off = np.flatnonzero(np.abs(own - frequency) > 1e-3 * np.abs(frequency))
            if len(off):
                differ = message(
                    "log.frequencies-differ",
                    column=other.header,
                    hz=float(own[off[0]]),
                    first_hz=float(frequency[off[0]]),
                    rows=len(off),
                )
                self.findings.append(error(self._place(block.lines[off[0]]), differ))

    def _rows_with_time(
        self, time: Floats | None, keep: NDArray[np.bool_], lines: NDArray[np.int64]
    ) -> tuple[Floats | None, NDArray[np.bool_]]:
        """Rows that have a time; no time at all where many have none."""
        if time is None:
            return None, keep
        without = keep & ~np.isfinite(time)
        if without.sum() > 0.1 * keep.sum():
            where = self._place(lines[np.flatnonzero(without)[0]])
            self.findings.append(warning(where, message("time.rows-without", rows=int(without.sum()))))
            return None, keep
        for row in np.flatnonzero(without):
            self.rejected.append(Rejected(int(lines[row]), "", message("row.no-time")))
        return time, keep & ~without

    def _chosen_sweep(
        self, frequency: Floats, rows: NDArray[np.int64], lines: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], int, int]:
        """Rows of the sweep asked for, its number and how many there are; an error where it is not there."""
        if not self.wanted.split:
            return rows, 1, 1
        found = stretches(frequency[rows])
        number = self.wanted.sweep or _widest(found)
        offers = tuple(_offer(i, each, lines[rows]) for i, each in enumerate(found, start=1))
        where = self.wanted.where or self._place(lines[rows[0]])
        if number > len(found):
            none = message("sweep.not-there", sweep=number, log=self.wanted.name, sweeps=len(found), offers=offers)
            self.findings.append(error(where, self._of_run(none)))
            return rows, number, len(found)
        if len(found) > 1 and self.wanted.sweep is None:
            several = message("sweep.several", log=self.wanted.name, sweeps=len(found), offers=offers, used=number)
            self.findings.append(warning(where, self._of_run(several)))
        chosen = found[number - 1]
        self._report_returns(found, rows, lines)
        return rows[chosen.start : chosen.stop], number, len(found)

    def _of_run(self, what: Message) -> Message:
        """What is to be said, with the run it is said of, where there is a job."""
        return what if self.wanted.run is None else message("log.of-run", run=self.wanted.run, what=what)

    def _report_returns(self, found: Sequence[Stretch], rows: NDArray[np.int64], lines: NDArray[np.int64]) -> None:
        inside = np.zeros(len(rows), dtype=bool)
        for each in found:
            inside[each.start : each.stop] = True
        outside = lines[rows[~inside]]
        if len(outside):
            back = message("sweep.return", rows=len(outside), lines=line_list(outside))
            self.findings.append(note(self._place(outside[0]), back))

    def _log(
        self,
        columns: UnderstoodColumns,
        block: TableBlock,
        places: dict[int, int],
        rows: NDArray[np.int64],
        frequency: Floats,
        time: Floats | None,
    ) -> SweepLog:
        traces = [self._trace(column, columns.phases, block, places, rows) for column in columns.amplitudes]
        traces += [self._trace_of_parts(real, other, block, places, rows) for real, other in columns.parts]
        self._add(negative_amplitudes(self.wanted.name, self.negative))
        reference = _reference_of(traces, bool(columns.parts), len(rows))
        traces += [reference] if reference is not None else []
        return SweepLog(
            path=self.wanted.name,
            frequency_hz=np.ascontiguousarray(frequency[rows]),
            traces=tuple(traces),
            time_s=time,
            row_line=block.lines[rows],
            remarks=(*as_written(self.layout.remarks), *starmap(_remark, block.remarks)),
            rows_skipped=tuple(sorted({each.line for each in self.rejected})),
            layout=self.layout.described,
            conditions=tuple(
                _condition(column, block.values[rows, places[column.place]]) for column in columns.conditions
            ),
            unit_reference=None if reference is None else reference.channel,
            steady=bool(columns.parts) and time is None,
        )

    def _trace(
        self,
        column: Column,
        phases: dict[str, Column],
        block: TableBlock,
        places: dict[int, int],
        rows: NDArray[np.int64],
    ) -> Trace:
        assert column.unit is not None
        amplitude, below = self._amplitude(column, block.values[rows, places[column.place]])
        self.negative += [(int(block.lines[rows[i]]), column.header) for i in below]
        phase = self._phase(phases.get(column.channel or ""), block, places, rows)
        if phase is not None and column.factor < 0:
            phase = phase + 180.0
        return Trace(
            channel=column.channel or column.header,
            dimension=column.unit.dimension,
            amplitude=amplitude,
            phase_deg=phase,
            display_unit=bare_symbol(column.unit),
        )

    def _trace_of_parts(
        self, real: Column, imaginary: Column, block: TableBlock, places: dict[int, int], rows: NDArray[np.int64]
    ) -> Trace:
        """Amplitude and phase of a channel given by real and imaginary part."""
        assert real.unit is not None
        both = block.values[rows, places[real.place]] + 1j * block.values[rows, places[imaginary.place]]
        return Trace(
            channel=real.channel or real.header,
            dimension=real.unit.dimension,
            amplitude=np.abs(both) * (abs(real.factor) * self._to_peak(real.unit)),
            phase_deg=np.degrees(np.angle(both)),
            display_unit=bare_symbol(real.unit),
        )

    def _to_peak(self, unit: Unit) -> float:
        """Factor to the peak: the unit's own detector goes before the run's; a ratio needs none."""
        return 1.0 if unit.dimension == "ratio" else (unit.detector or self.wanted.amplitude).to_peak

    def _forward(
        self, rows: NDArray[np.int64], time: Floats | None, lines: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], Floats | None]:
        """Rows whose time runs forward: single rows that fall back go, a clock that starts anew is not used."""
        if time is None:
            return rows, None
        own = time[rows]
        if len(rows) > 2 and (np.diff(own) <= 0).all() and own[-1] < own[0]:
            self.findings.append(note(self._place(lines[rows[0]]), message("time.backwards")))
            return rows[::-1], np.ascontiguousarray(own[::-1])
        if len(rows) > 1 and np.ptp(own) == 0:
            still = message("time.stands-still", at_s=float(own[0]))
            self.findings.append(warning(self._place(lines[rows[0]]), still))
            return rows, None
        latest = np.maximum.accumulate(own)
        back = own < latest
        if not back.any():
            return rows, self._spread(own, lines[rows])
        if back.sum() <= max(1, 0.01 * len(rows)):
            some = message(
                "time.some-rows-back", fall=_fall(own), rows=int(back.sum()), lines=line_list(lines[rows[back]])
            )
            self.findings.append(warning(self._place(lines[rows[np.flatnonzero(back)[0]]]), some))
            self.rejected += [Rejected(int(lines[row]), "", message("row.time-back")) for row in rows[back]]
            return rows[~back], self._spread(own[~back], lines[rows[~back]])
        return rows, self._pieces(own, lines[rows])

    def _spread(self, time: Floats, lines: NDArray[np.int64]) -> Floats | None:
        """Times of rows that share the stamps of a clock coarser than they are."""
        found = spread(time)
        if found is None:
            return np.ascontiguousarray(time)
        if not found.known:
            self.findings.append(warning(self._place(lines[0]), message("time.coarse", step_s=found.step_s)))
            return None
        how = message("time.even-rows") if found.evenly else message("time.true-to", within_s=found.step_s / 2)
        self.findings.append(warning(self._place(lines[0]), message("time.spread", step_s=found.step_s, how=how)))
        return found.time_s

    def _pieces(self, time: Floats, lines: NDArray[np.int64]) -> Floats | None:
        """Times of a clock that starts anew, piece after piece; None where it runs back more often than that."""
        found = joined(time)
        row = int(np.flatnonzero(np.diff(time) < 0)[0]) + 1
        place = self._place(lines[row])
        if found is None:
            self.findings.append(warning(place, message("time.goes-back", fall=_fall(time))))
            return None
        anew = message("time.starts-anew", fall=_fall(time), lines=line_list(lines[list(found.starts)]))
        self.findings.append(warning(place, anew))
        return found.time_s

    def _amplitude(self, column: Column, stored: Floats) -> tuple[Floats, NDArray[np.int64]]:
        """Peak in SI, and the places of negative readings, which are no amplitudes and become gaps."""
        assert column.unit is not None
        size = 10.0 ** (stored / 20.0) if column.in_decibels else stored
        amplitude = size * (abs(column.factor) * self._to_peak(column.unit))
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
            return np.asarray(stored * (column.factor / parse_unit("°").factor))
        place, header = self._header_place, column.header
        largest = float(np.nanmax(np.abs(stored))) if np.isfinite(stored).any() else 0.0
        if column.unit_text:
            unknown = message("phase.unit", column=header, unit=column.unit_text, channel=column.channel)
            self.findings.append(error(place, unknown))
            return None
        if 0.5 < largest <= 6.3:
            self.findings.append(error(place, message("phase.radians-or-degrees", column=header, largest=largest)))
            return None
        self.findings.append(warning(place, message("phase.degrees-taken", column=header)))
        return np.asarray(stored)

    def _add(self, finding: Finding | None) -> None:
        if finding is not None:
            self.findings.append(finding)

    def _report(
        self, columns: UnderstoodColumns, block: TableBlock, places: dict[int, int], keep: NDArray[np.bool_]
    ) -> None:
        """What of the file does not reach the log."""
        self._report_unused(columns)
        self._add(rejected_rows(self.wanted.name, self.rejected, int(keep.sum())))
        read = [places[c.place] for c in (*columns.amplitudes, *columns.phases.values())]
        read += [places[c.place] for pair in columns.parts for c in pair]
        total = int(np.isnan(block.values[keep][:, read]).sum())
        rejected = {each.line for each in self.rejected}
        cells = [
            (line, self.layout.names[column] or message("column.number", number=column + 1), word)
            for line, column, word in block.no_reading
            if line not in rejected
        ]
        self._add(missing_readings(self.wanted.name, cells, total))

    def _report_unused(self, columns: UnderstoodColumns) -> None:
        if columns.unused:
            told = columns.unused[:_MOST_UNUSED_TOLD]
            each = [message("column.unused", column=header, why=why) for header, why in told]
            unused = with_rest(each, len(columns.unused))
            self.findings.append(note(self._header_place, message("column.all-unused", columns=unused)))


def _condition(column: Column, stored: Floats) -> LoggedCondition:
    """A condition in kelvin, or as a fraction of saturation."""
    assert column.unit is not None
    return LoggedCondition(
        channel=column.channel or column.header,
        dimension=column.unit.dimension,
        values=np.asarray(stored * column.factor + column.unit.offset),
        ambient=column.ambient,
    )


def _offer(number: int, sweep: Stretch, lines: NDArray[np.int64]) -> Message:
    """A sweep of the log, by its number, for the job to name."""
    return message(
        "sweep.offer",
        number=number,
        direction=sweep.direction,
        first_hz=sweep.first_hz,
        last_hz=sweep.last_hz,
        first_line=int(lines[sweep.start]),
        last_line=int(lines[sweep.stop - 1]),
    )


def _widest(found: Sequence[Stretch]) -> int:
    """Number of the first sweep that covers (nearly) the widest range."""
    widths = [abs(np.log2(each.last_hz / each.first_hz)) for each in found]
    return next(i for i, width in enumerate(widths, start=1) if width >= 0.98 * max(widths))


def _fall(time: Floats) -> Message:
    """Where a time first goes back."""
    row = int(np.flatnonzero(np.diff(time) < 0)[0]) + 1
    return message("time.fall", from_s=float(time[row - 1]), to_s=float(time[row]))


def _remark(line: int, text: str) -> Message:
    """A remark of the log between its rows, as written, with its line."""
    return message("log.remark", line=line, text=text)


def bare_symbol(unit: Unit) -> str:
    """Symbol without the detector: readings are peaks once they are read."""
    if unit.detector is None:
        return unit.symbol
    return unit.symbol.removesuffix(" p-p" if unit.detector is Detector.PEAK_TO_PEAK else f" {unit.detector}")


def _reference_of(traces: list[Trace], in_parts: bool, rows: int) -> Trace | None:
    """The reference of 1 of a log that holds nothing but responses over it (ISO 7626-1); None for any other log."""
    held = {trace.dimension for trace in traces}
    over_force = bool(held) and held <= set(RESPONSE_OVER_FORCE)
    if not (over_force or (in_parts and held == {"ratio"})):
        return None
    dimension, unit = ("force", "N") if over_force else ("acceleration", "m/s²")
    return Trace(
        channel=REFERENCE, dimension=dimension, amplitude=np.ones(rows), phase_deg=np.zeros(rows), display_unit=unit
    )
