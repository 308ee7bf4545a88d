"""Time histories as text or in a sheet of cells: one column a channel, against time that goes on evenly, or nearly.

The layout (delimiter, decimal sign, encoding, header, units) is found as for a sweep log. Rows are parsed once, block
by block, and laid down as binary; what is no row is told with its line. A table may hold several records: beside each
other, each with a clock, or below each other; the largest is read, or the one asked for, and the others are named.
"""

from __future__ import annotations

import sys
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import replace
from itertools import islice
from pathlib import Path

import numpy as np

from reportgen.errors import ReadError
from reportgen.read.formats.blank_readings import Blanks, blanks_told, both, can_be_put_in, put_in
from reportgen.read.formats.recording import Recording, Rows, Spool, StoredChannel
from reportgen.read.formats.stated_factors import factors_in_lines
from reportgen.read.formats.table_blocks import (
    FEWEST_ROWS,
    Beside,
    Block,
    below,
    beside,
    chosen,
    not_read,
    with_one_clock,
)
from reportgen.read.formats.table_times import (
    Clock,
    LineOf,
    Times,
    at_even_times,
    moments,
    restarts,
    told_of,
)
from reportgen.read.formats.table_told import NO_CHANNELS, TableTold
from reportgen.read.table.cells import LONGEST_CELL, is_cut
from reportgen.read.table.clock import read_clock
from reportgen.read.table.columns import Column, Meaning, mapped, understand
from reportgen.read.table.row_findings import line_list
from reportgen.read.table.spreadsheet import sheets_of
from reportgen.read.table.stated_rate import stated_rate
from reportgen.read.table.table import is_table, recognise, table_blocks
from reportgen.read.table.table_layout import TableLayout
from reportgen.read.table.table_rows import Rejected, TableBlock
from reportgen.read.table.time_column import counted_in
from reportgen.records.log import Floats
from reportgen.records.message import Message, Place, message

SLOWEST_HZ = 25.0
"""A table sampled more slowly than this is a log, not a record of the vibration itself."""
_LOOKED_AT = 1 << 16
_ONWARD = 0.95
"""Share of intervals that do not go back in the times of a record."""
_NO_TOLD = TableTold()


def looks_like_table_history(path: Path, told: TableTold = _NO_TOLD) -> bool:
    """True for a table of samples, fast enough to hold a vibration, and no column of frequency.

    Its time goes on, be it unevenly; or it has none, and the job or the lines above it state the sample rate.
    """
    try:
        if not is_table(path):
            return False
        layout = recognise(path, path.name, told.sheet)
        columns = _columns(layout)
        if any(column.meaning is Meaning.FREQUENCY for column in columns):
            return False
        place = _time_place(layout, columns, told)
        if place is None:
            return (told.rate_hz or stated_rate(layout.remarks, layout.decimal) or 0.0) >= SLOWEST_HZ
        times = _first_times(path, layout, columns, place)
    except (ReadError, OSError):
        return False
    if times is None or len(times) < FEWEST_ROWS:
        return False
    return (told.rate_hz or _pace(times)) >= SLOWEST_HZ


def _first_times(path: Path, layout: TableLayout, columns: Sequence[Column], place: int) -> Floats | None:
    """Seconds of the first rows but the last, which may be cut; None where there is no time that is understood."""
    numeric = layout.numeric[place]
    numbers, words = ([place], []) if numeric else ([], _clock_places(layout, columns, place))
    block = next(table_blocks(path, layout, numbers, words, block_bytes=_LOOKED_AT), None)
    if block is None:
        return None
    if numeric:
        stored = block.values[:-1, 0]
        return np.asarray(stored * _seconds(columns[place], block.values[:, 0]))[np.isfinite(stored)]
    clock = _clock_seconds([each[:-1] for each in block.words])
    return None if clock is None else clock[np.isfinite(clock)]


def _pace(times: Floats) -> float:
    """Samples a second of times that go on, Hz, of the longest piece where they begin anew; 0 where they do not."""
    if np.mean(np.diff(times) >= 0) < _ONWARD:
        return 0.0
    bounds = restarts(times, FEWEST_ROWS)
    pieces = [times] if bounds is None else np.split(times, bounds[1:-1])
    longest = max(pieces, key=len)
    span = float(longest[-1] - longest[0])
    return (len(longest) - 1) / span if span > 0 else 0.0


def _clock_places(layout: TableLayout, columns: Sequence[Column], place: int) -> list[int]:
    """The column of clock times, and one of dates beside it."""
    dates = [each.place for each in columns if each.meaning is Meaning.DATE and not layout.numeric[each.place]]
    return [place, *(each for each in dates[:1] if each != place)]


def _clock_seconds(words: Sequence[Sequence[str]]) -> Floats | None:
    times = words[0] if len(words) == 1 else [f"{day} {time}" for time, day in zip(*words, strict=True)]
    clock = read_clock(times)
    return None if clock is None else clock.seconds


def _columns(layout: TableLayout) -> list[Column]:
    return [understand(name, unit, place) for place, (name, unit) in enumerate(_headers(layout))]


def _headers(layout: TableLayout) -> list[tuple[str, str]]:
    """Name and unit of each column; a table without header has empty ones."""
    names, units = (list(each) + [""] * layout.columns for each in (layout.names, layout.units))
    return list(zip(names[: layout.columns], units[: layout.columns], strict=True))


def _time_place(layout: TableLayout, columns: Sequence[Column], told: TableTold) -> int | None:
    """The column of time: the one mapped, one named so, or the first where it has no name, unless a rate is stated."""
    if told.time is not None:
        found, _ = mapped([told.time], [name for name, _ in _headers(layout)], [unit for _, unit in _headers(layout)])
        if found or not told.time_may_lack:
            return found[0].place if found else None
    named = [column.place for column in columns if column.meaning is Meaning.TIME]
    numbers = [place for place in named if layout.numeric[place]]
    if named:
        return (numbers or named)[0]
    stated = told.rate_hz or stated_rate(layout.remarks, layout.decimal)
    return 0 if layout.columns > 1 and not columns[0].header and stated is None else None


def _seconds(column: Column, stored: Floats) -> float:
    """Seconds for a stored 1; without a unit, what the size of the numbers says."""
    if column.unit is not None:
        return column.factor
    counted = counted_in(stored)
    return 1.0 if counted is None else counted[0]


def open_table(path: Path, name: str, told: TableTold = _NO_TOLD) -> Recording:
    """Read a table of samples. Raises ReadError."""
    layout = recognise(path, name, told.sheet)
    table = _Table(path, name, layout, _with_told_time(layout, name, told), told)
    table.parse()
    return table.recording()


def _with_told_time(layout: TableLayout, name: str, told: TableTold) -> list[Column]:
    """What each column is, the mapped column of time in its place. Raises ReadError where the mapping does not fit."""
    columns = _columns(layout)
    if told.time is None:
        return columns
    headers = _headers(layout)
    found, faults = mapped([told.time], [each for each, _ in headers], [unit for _, unit in headers])
    if faults and told.time_may_lack:
        return columns
    if faults:
        raise ReadError(
            Place(name, layout.names_line or layout.data_line),
            message("mapping.fault", key=faults[0].key, what=faults[0].message),
        )
    columns = [replace(each, meaning=None) if each.meaning is Meaning.TIME else each for each in columns]
    columns[found[0].place] = found[0]
    return columns


class _Table:
    """A table on its way from text to a recording."""

    def __init__(self, path: Path, name: str, layout: TableLayout, columns: list[Column], told: TableTold) -> None:
        self._path, self._name, self._layout, self._told, self._columns = path, name, layout, told, columns
        place = _time_place(layout, columns, told)
        self._time = None if place is None else columns[place]
        in_words = place is not None and not layout.numeric[place]
        self._clock = _clock_places(layout, columns, place) if place is not None and in_words else []
        self._used = [each for each in columns if layout.numeric[each.place] and layout.filled[each.place]]
        self._at = {each.place: at for at, each in enumerate(self._used)}
        self._lines = _Refusals()
        self._blanks = Blanks(len(self._used))
        self._words: list[list[str]] = [[] for _ in self._clock]

    def parse(self) -> None:
        """Lay all rows down. Raises ReadError where there are none."""
        spool = Spool(len(self._used))
        places = [each.place for each in self._used]
        for block in table_blocks(self._path, self._layout, places, self._clock, name=self._name):
            spool.append(block.values)
            self._blanks.take(block.values)
            self._lines.take(block)
            for column, more in zip(self._words, block.words, strict=True):
                column += more
        if spool.rows < 2:
            raise ReadError(Place(self._name), message("record.few-rows"))
        self._read = spool.reader()

    def recording(self) -> Recording:
        """The block with most readings, or the one asked for."""
        blocks = self._blocks()
        number = chosen(blocks, self._told.block, self._name, self._layout.data_line)
        block = blocks[number]
        times = self._times(block)
        clock = self._rate(times, lambda row: self._lines.line_of(block.start + row))
        signals, refused = self._signals(block)
        rows, samples, damage = self._sampled(block, signals, times, clock)
        others = [not_read(k + 1, each, self._lines.line_of) for k, each in enumerate(blocks) if k != number]
        places = [self._at[each.place] for each in signals]
        return Recording(
            sample_rate_hz=clock.rate_hz,
            stated_hz=stated_rate(self._layout.remarks, self._layout.decimal),
            by_times_hz=None if times is None else clock.rate_hz,
            samples=samples,
            channels=tuple(_stored(each, signals) for each in signals),
            fetch=lambda start, stop, wanted: rows(start, stop)[:, [places[each] for each in wanted]],
            start_s=0.0 if times is None else times.first,
            remarks=self._layout.remarks,
            damage=both(self._lines.damage, damage),
            layout=self._layout.described,
            factors=factors_in_lines(self._layout.remarks),
            no_channels=NO_CHANNELS,
            refused=(*_cut_names(self._layout), *others, *refused, *self._other_sheets(), *self._lines.told),
        )

    def _blocks(self) -> list[Block]:
        found = beside(self._columns_used(), self._time, self._layout.numeric)
        stops = [self._stop(each) for each in found]
        merged = with_one_clock(found, self._read, self._at, stops) if len(found) > 1 else found
        return [block for each in merged for block in below(each, self._stored_times(each), self._stop(each))]

    def _columns_used(self) -> list[Column]:
        return [*self._used, *([self._time] if self._time is not None and self._clock else [])]

    def _stop(self, columns: Beside) -> int:
        """One past the last row of a block: where its clock ends."""
        if columns.time is None or columns.time.place not in self._at:
            return self._blanks.rows
        return self._blanks.stop(self._at[columns.time.place])

    def _stored_times(self, columns: Beside) -> Rows | None:
        if columns.time is None or columns.time.place not in self._at:
            return None
        at = self._at[columns.time.place]
        return lambda start, stop: self._read(start, stop)[:, at : at + 1]

    def _times(self, block: Block) -> Times | None:
        """Seconds of a block's rows. Raises ReadError where a time is blank or no time."""
        time = block.columns.time
        if time is None or block.stop - block.start < 2:
            return None
        if self._clock:
            seconds = self._clock_times()
            return Times(lambda start, stop: seconds[start:stop], len(seconds))
        at = self._at[time.place]
        blank = self._blanks.within(at, block.start, block.stop)
        if blank:
            place = Place(self._name, self._lines.line_of(blank[0]))
            raise ReadError(place, message("record.no-clock-time", text=""))
        head = self._read(block.start, min(block.stop, block.start + _LOOKED_AT))[:, at]
        factor, first = _seconds(time, head), block.start
        return Times(
            lambda start, stop: np.asarray(self._read(first + start, first + stop)[:, at] * factor), block.stop - first
        )

    def _clock_times(self) -> Floats:
        """Seconds of rows whose times are told as on a clock. Raises ReadError where they are not understood."""
        seconds = _clock_seconds(self._words)
        if seconds is None or not np.isfinite(seconds).all():
            wrong = 0 if seconds is None else int(np.flatnonzero(~np.isfinite(seconds))[0])
            place = Place(self._name, self._lines.line_of(wrong))
            raise ReadError(place, message("record.no-clock-time", text=self._words[0][wrong]))
        return seconds

    def _rate(self, times: Times | None, line: LineOf) -> Clock:
        """How the samples follow each other; a rate that the job states makes labels of all times."""
        stated = stated_rate(self._layout.remarks, self._layout.decimal)
        if times is None or self._told.rate_hz is not None:
            return Clock(rate_hz=stated if times is None else self._told.rate_hz)
        clock = times.clock(lambda row: Place(self._name, line(row)))
        return clock if clock.rate_hz is not None else replace(clock, rate_hz=stated)

    def _signals(self, block: Block) -> tuple[list[Column], list[Message]]:
        """Columns of a block that are channels, and why the others are none."""
        signals, refused = [], []
        for each in block.columns.signals:
            why = self._no_channel(each, block)
            if why is None:
                signals.append(each)
            else:
                refused.append(why)
        if not signals:
            what = message("record.nothing-left", what=refused[0]) if refused else message("record.no-signal")
            raise ReadError(Place(self._name, self._layout.names_line or self._layout.data_line), what)
        return signals, refused

    def _no_channel(self, column: Column, block: Block) -> Message | None:
        """Why a column is no channel: it counts the rows, or has too few readings, or gaps too long to be filled."""
        at = self._at[column.place]
        called = column.header or message("column.number", number=column.place + 1)
        blank = self._blanks.within(at, block.start, block.stop)
        if len(blank) > block.stop - block.start - FEWEST_ROWS or self._blanks.readings(at) < FEWEST_ROWS:
            return message("record.hardly-filled", name=called, readings=self._blanks.readings(at))
        if blank and not can_be_put_in(blank, block.start, block.stop):
            line = self._lines.line_of(blank[0])
            return message("record.blank-readings", name=called, blank=len(blank), line=line)
        head = self._read(block.start, min(block.stop, block.start + _LOOKED_AT))[:, at]
        if column.unit is None and len(head) > FEWEST_ROWS and np.all(np.diff(head) == 1.0):
            return message("record.counts-rows", name=called)
        return None

    def _sampled(
        self, block: Block, signals: list[Column], times: Times | None, clock: Clock
    ) -> tuple[Rows, int, Message | None]:
        """Rows of a block at even times, how many they are, and what was put in or taken anew."""
        blank = {self._at[each.place]: self._blanks.within(self._at[each.place], block.start, block.stop)
                 for each in signals}  # fmt: skip
        first, count = block.start, block.stop - block.start
        moment = moments(clock, times)
        put = put_in(self._read, blank, lambda row: moment(row - first), clock.rate_hz)
        rows, samples = at_even_times(
            lambda start, stop: put.rows(first + start, first + min(stop, count)), count, times, clock
        )
        blanks = line_list(map(self._lines.line_of, sorted({row for each in blank.values() for row in each})))
        told = told_of(clock, lambda lost: line_list(self._lines.line_of(first + row) for row in lost))
        return rows, samples, both(blanks_told(blank, blanks, put), told)

    def _other_sheets(self) -> list[Message]:
        if self._layout.sheet is None:
            return []
        others = tuple(each for each in sheets_of(self._path, self._name) if each != self._layout.sheet)
        return [message("record.other-sheets", sheets=others, first=others[0])] if others else []


def _cut_names(layout: TableLayout) -> tuple[Message, ...]:
    cut = (place + 1 for place, cells in enumerate(_headers(layout)) if any(map(is_cut, cells)))
    return tuple(message("column.name-cut", column=each, most=LONGEST_CELL) for each in cut)


class _Refusals:
    """Lines that are no rows. At the end of the file they are its damaged tail; a gap elsewhere is told."""

    def __init__(self) -> None:
        self._lines: list[Rejected] = []
        self._last_row, self._rows = -1, 0
        self._leaps: list[tuple[int, int]] = []

    def take(self, block: TableBlock) -> None:
        """Note what a block rejects, and the lines of its rows."""
        self._lines += block.rejected
        if not len(block.lines):
            return
        leaps = np.flatnonzero(np.diff(block.lines, prepend=self._last_row) != 1)
        self._leaps += [(self._rows + int(at), int(block.lines[at])) for at in leaps]
        self._rows += len(block.lines)
        self._last_row = int(block.lines[-1])

    def line_of(self, row: int) -> int:
        """Line in the file of a row, from 0."""
        at, line = self._leaps[bisect_right(self._leaps, (row, sys.maxsize)) - 1]
        return line + row - at

    @property
    def _breaks_off(self) -> bool:
        """Whether the first line after the last row is a row that was cut: it begins like one, and not with words."""
        tail = [each for each in self._lines if each.line > self._last_row]
        return bool(tail) and (not tail[0].text or tail[0].text.lstrip(" \t\"'+-−.,;|")[:1].isdigit())

    @property
    def damage(self) -> Message | None:
        """What is wrong after the last row, or None."""
        if not self._breaks_off:
            return None
        first = next(each for each in self._lines if each.line > self._last_row)
        return message("record.breaks-off", line=first.line, why=first.reason)

    @property
    def told(self) -> tuple[Message, ...]:
        """Rejected lines that are not the damaged end, the first ten one by one."""
        inner = [each for each in self._lines if not (self._breaks_off and each.line > self._last_row)]
        told = [message("rows.line", line=each.line, why=each.reason) for each in islice(inner, 10)]
        more = [message("record.further-lines", lines=len(inner) - 10)] if len(inner) > 10 else []
        return (*told, *more)


def _stored(column: Column, signals: Sequence[Column]) -> StoredChannel:
    """A column as a channel; of two that would be called the same, with its number."""
    number = f"column {column.place + 1}"
    own = column.channel or column.header or number
    twice = sum((each.channel or each.header) == own for each in signals) > 1
    name = f"{own} ({number})" if twice else own
    return StoredChannel(
        name=name,
        unit=column.unit_text or None,
        other_names=tuple(dict.fromkeys(each for each in (column.header, number) if each and each != name)),
    )
