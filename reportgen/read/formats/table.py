"""Time histories as text or in a sheet of cells: one column a channel, against evenly sampled time.

The layout (delimiter, decimal sign, encoding, header, units) is found as for a sweep log. Rows are parsed once, block
by block, and laid down as binary; what is no row is told with its line.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import islice
from pathlib import Path

import numpy as np

from reportgen.errors import ReadError
from reportgen.read.formats.recording import Recording, Rows, Spool, StoredChannel, even_rate, rounded_rate
from reportgen.read.table.cells import LONGEST_CELL, is_cut
from reportgen.read.table.clock import read_clock
from reportgen.read.table.columns import Column, Meaning, understand
from reportgen.read.table.row_findings import line_list
from reportgen.read.table.table import is_table, recognise, table_blocks
from reportgen.read.table.table_layout import TableLayout
from reportgen.read.table.table_rows import TableBlock
from reportgen.read.table.time_column import counted_in
from reportgen.records.log import Floats
from reportgen.records.message import Message, Place, message

SLOWEST_HZ = 25.0
"""A table sampled more slowly than this is a log, not a record of the vibration itself."""
_LOOKED_AT = 1 << 16
_STRAY = 0.6
"""Of the usual interval: what the rounding of times as written may move one of them."""
_MOSTLY = 0.95
"""Share of intervals that are the usual one in a record with gaps."""
_LABELS = 1.05
"""Of the last digit: times cut to it lie that far from even ones at most."""
_COARSEST = 5e-4
"""Of the record's length: a digit coarser than that leaves the sample rate, and every frequency, in doubt by 0.05 %."""
_FEW_LOST = 0.01
"""Share of samples lost one by one, up to which they are put in between their neighbours."""
_GOOD_TO = 0.01
_GOOD_UP_TO = 12.7
"""A sample put in from two neighbours on either side, (−1, 4, 4, −1)/6, is off by ω⁴/6 of a sinusoid, ω in radians a
sample: 1 % at a frequency of the sampling rate over 12.7."""
_PIECE = 1 << 18


def looks_like_table_history(path: Path) -> bool:
    """True for a table with evenly sampled time, fast enough to hold a vibration, and no column of frequency."""
    try:
        if not is_table(path):
            return False
        layout = recognise(path, path.name)
        if any(column.meaning is Meaning.FREQUENCY for column in _columns(layout)):
            return False
        times = _first_times(path, layout)
    except (ReadError, OSError):
        return False
    return times is not None and len(times) >= 16 and _pace(times) >= SLOWEST_HZ


def _first_times(path: Path, layout: TableLayout) -> Floats | None:
    """Seconds of the first rows but the last, which may be cut; None where there is no time that is understood."""
    place = _time_place(layout)
    if place is None:
        return None
    numeric = layout.numeric[place]
    numbers, words = ([place], []) if numeric else ([], _clock_places(layout, place))
    block = next(table_blocks(path, layout, numbers, words, block_bytes=_LOOKED_AT), None)
    if block is None:
        return None
    if numeric:
        return np.asarray(block.values[:-1, 0] * _seconds(_columns(layout)[place], block.values[:, 0]))
    return _clock_seconds([each[:-1] for each in block.words])


def _pace(times: Floats) -> float:
    """Samples a second of times that go on evenly but for a few gaps, Hz; 0 where they do not."""
    rate = even_rate(times)
    if rate is not None:
        return rate
    step = np.diff(times)
    mean = (times[-1] - times[0]) / (len(times) - 1)
    if not (np.isfinite(times).all() and mean > 0 and (step >= 0).all()):
        return 0.0
    usual = float(np.median(step))
    labels = np.max(np.abs(times - times[0] - mean * np.arange(len(times)))) <= _LABELS * _last_digit(times)
    mostly = usual > 0 and np.mean(np.abs(step - usual) <= _STRAY * usual) >= _MOSTLY
    return float(1.0 / mean) if labels or mostly else 0.0


def _last_digit(times: Floats) -> float:
    """What the last digit of times is worth, s; 0 where they have more than nine decimals."""
    from_first = times - times[0]
    for places in range(10):
        if np.all(np.abs(from_first * 10.0**places - np.round(from_first * 10.0**places)) < 1e-3):
            return float(10.0**-places)
    return 0.0


def _clock_places(layout: TableLayout, place: int) -> list[int]:
    """The column of clock times, and one of dates beside it."""
    dates = [each.place for each in _columns(layout) if each.meaning is Meaning.DATE and not layout.numeric[each.place]]
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


def _time_place(layout: TableLayout) -> int | None:
    """The column of time; in a table without header the first."""
    named = [column.place for column in _columns(layout) if column.meaning is Meaning.TIME]
    if named:
        return named[0]
    return 0 if not any(layout.names) else None


def _seconds(column: Column, stored: Floats) -> float:
    """Seconds for a stored 1; without a unit, what the size of the numbers says."""
    if column.unit is not None:
        return column.factor
    counted = counted_in(stored)
    return 1.0 if counted is None else counted[0]


def open_table(path: Path, name: str) -> Recording:
    """Read a table of samples. Raises ReadError."""
    layout = recognise(path, name)
    columns = _columns(layout)
    time_place = _time_place(layout)
    clock = [] if time_place is None or layout.numeric[time_place] else _clock_places(layout, time_place)
    used = [
        each for each in columns if each.place not in clock and (each.place == time_place or layout.numeric[each.place])
    ]
    places = [each.place for each in used]
    spool, refused, previous = Spool(len(places)), _Refusals(), -1
    words: list[list[str]] = [[] for _ in clock]
    for block in table_blocks(path, layout, places, clock, name=name):
        spool.append(block.values)
        previous = refused.take(block, previous)
        for column, more in zip(words, block.words, strict=True):
            column += more
    if spool.rows < 2:
        raise ReadError(Place(name), message("record.few-rows"))
    read = spool.reader()
    times = None
    if clock:
        times = _Times(_clock_piece(words, name, layout), spool.rows)
    elif time_place is not None:
        at = places.index(time_place)
        factor = _seconds(columns[time_place], read(0, min(spool.rows, _LOOKED_AT))[:, at])
        times = _Times(lambda start, stop: np.asarray(read(start, stop)[:, at] * factor), spool.rows)
    rate = None if times is None else times.rate(name, layout)
    rows, samples = (read, spool.rows) if times is None else _without_gaps(read, spool.rows, times.lost)
    signals = [(at, column) for at, column in enumerate(used) if column.place != time_place]
    return Recording(
        sample_rate_hz=rate,
        samples=samples,
        channels=tuple(_stored(column) for _, column in signals),
        fetch=lambda start, stop, wanted: rows(start, stop)[:, [signals[each][0] for each in wanted]],
        start_s=0.0 if times is None else times.first,
        remarks=layout.remarks,
        damage=_both(refused.damage, _lost(times, rate, layout)),
        layout=layout.described,
        refused=(*_cut_names(layout), *refused.told),
    )


def _clock_piece(words: list[list[str]], name: str, layout: TableLayout) -> Callable[[int, int], Floats]:
    """Seconds of rows whose times are told as on a clock. Raises ReadError where they are not understood."""
    seconds = _clock_seconds(words)
    if seconds is None or not np.isfinite(seconds).all():
        wrong = 0 if seconds is None else int(np.flatnonzero(~np.isfinite(seconds))[0])
        place = Place(name, layout.data_line + wrong)
        raise ReadError(place, message("record.no-clock-time", text=words[0][wrong]))
    return lambda start, stop: seconds[start:stop]


def _cut_names(layout: TableLayout) -> tuple[Message, ...]:
    cut = (place + 1 for place, cells in enumerate(_headers(layout)) if any(map(is_cut, cells)))
    return tuple(message("column.name-cut", column=each, most=LONGEST_CELL) for each in cut)


def _lost(times: _Times | None, rate: float | None, layout: TableLayout) -> Message | None:
    """What is said of samples that were put in."""
    if times is None or rate is None or not times.lost:
        return None
    return message(
        "record.samples-put-in",
        samples=len(times.lost),
        after=line_list(layout.data_line + row for row in times.lost),
        good_to=_GOOD_TO,
        up_to_hz=rate / _GOOD_UP_TO,
    )


def _both(one: Message | None, other: Message | None) -> Message | None:
    """Two damages as one message."""
    if one is None or other is None:
        return one or other
    return message("record.two-damages", one=one, other=other)


def _without_gaps(read: Rows, rows: int, lost: list[int]) -> tuple[Rows, int]:
    """The rows with one put in after each of the rows ``lost``, and how many there are then."""
    if not lost:
        return read, rows
    spool, start = Spool(read(0, 1).shape[1]), 0
    for row in lost:
        for at in range(start, row + 1, _PIECE):
            spool.append(read(at, min(at + _PIECE, row + 1)))
        around = read(row - 1, row + 3)
        spool.append((np.array([-1.0, 4.0, 4.0, -1.0]) @ around / 6.0)[None, :])
        start = row + 1
    for at in range(start, rows, _PIECE):
        spool.append(read(at, min(at + _PIECE, rows)))
    return spool.reader(), spool.rows


class _Refusals:
    """Lines that are no rows. At the end of the file they are its damaged tail; a gap elsewhere is told."""

    def __init__(self) -> None:
        self._lines: list[tuple[int, Message]] = []
        self._last_row = -1

    def take(self, block: TableBlock, previous: int) -> int:
        """Note what a block rejects; the last line that was a row."""
        self._lines += [(each.line, each.reason) for each in block.rejected]
        self._last_row = int(block.lines[-1]) if len(block.lines) else previous
        return self._last_row

    @property
    def damage(self) -> Message | None:
        """What is wrong after the last row, or None."""
        tail = [each for each in self._lines if each[0] > self._last_row]
        return message("record.breaks-off", line=tail[0][0], why=tail[0][1]) if tail else None

    @property
    def told(self) -> tuple[Message, ...]:
        """Rejected lines before the last row, the first ten one by one."""
        inner = [each for each in self._lines if each[0] < self._last_row]
        told = [message("rows.line", line=line, why=reason) for line, reason in islice(inner, 10)]
        more = [message("record.further-lines", lines=len(inner) - 10)] if len(inner) > 10 else []
        return (*told, *more)


def _stored(column: Column) -> StoredChannel:
    number = f"column {column.place + 1}"
    name = column.channel or column.header or number
    return StoredChannel(
        name=name,
        unit=column.unit_text or None,
        other_names=tuple(dict.fromkeys(each for each in (column.header, number) if each and each != name)),
    )


class _Times:
    """The times of the rows, gone through in pieces."""

    def __init__(self, piece: Callable[[int, int], Floats], rows: int) -> None:
        self._piece, self._rows = piece, rows
        self.first, self._last = float(piece(0, 1)[0]), float(piece(rows - 1, rows)[0])
        self.lost: list[int] = []
        """Rows below which one sample is missing."""

    def rate(self, name: str, layout: TableLayout) -> float | None:
        """Sample rate of the whole column, Hz; None where its digits do not tell it.

        Raises ReadError with the line where the times are not even.
        """
        mean = (self._last - self.first) / (self._rows - 1)
        if not mean > 0:
            raise ReadError(Place(name, layout.data_line), message("record.time-not-rising"))
        strayed = self._strayed(mean)
        digit = _last_digit(self._piece(0, min(self._rows, _PIECE)))
        if (
            strayed > _LABELS * digit or digit < 1.5 * mean
        ):  # else the times are labels, cut to a digit longer than that
            self._find_lost(name, layout)
            mean = (self._last - self.first) / (self._rows - 1 + len(self.lost))
            strayed = digit if self.lost else strayed
        elif digit > _COARSEST * (self._last - self.first):
            return None
        return rounded_rate(mean, max(2.0 * strayed, 1e-12) / (self._rows - 1) + 1e-15)

    def _strayed(self, mean: float) -> float:
        """How far a time lies from evenly spaced ones, s."""
        found = 0.0
        for start in range(0, self._rows, _PIECE):
            times = self._piece(start, min(start + _PIECE, self._rows))
            due = self.first + mean * np.arange(start, start + len(times))
            found = max(found, float(np.max(np.abs(times - due))))
        return found

    def _find_lost(self, name: str, layout: TableLayout) -> None:
        """Rows after which one sample is missing. Raises ReadError where intervals differ in another way."""
        worst: tuple[int, float, float] | None = None
        for start in range(0, self._rows - 1, _PIECE):
            step = np.diff(self._piece(start, min(start + _PIECE, self._rows - 1) + 1))
            usual = float(np.median(step))
            uneven = np.abs(step - usual) > _STRAY * usual
            single = np.abs(step - 2.0 * usual) <= 0.5 * _STRAY * usual
            other = np.flatnonzero(uneven & ~single)
            if len(other) and worst is None:
                row = int(other[np.argmax(np.abs(step[other] - usual))])
                worst = (start + row, float(step[row]), usual)
            self.lost += (start + np.flatnonzero(single)).tolist()
        crowded = self._crowded()
        if worst is None and crowded is not None:
            gap = float(np.diff(self._piece(crowded, crowded + 2))[0])
            worst = (crowded, gap, gap / 2.0)
        if worst is not None:
            row, interval, usual = worst
            gap_told = message("record.time-uneven", interval_s=interval, usual_s=usual)
            raise ReadError(Place(name, layout.data_line + row + 1), gap_told)

    def _crowded(self) -> int | None:
        """A row below which a sample is missing that cannot be put in: at an end, beside another, or one of many."""
        if len(self.lost) > max(1, _FEW_LOST * self._rows):
            return self.lost[0]
        for row, following in zip(self.lost, [*self.lost[1:], self._rows + 3], strict=False):
            if row < 1 or row + 3 > self._rows or following - row < 3:
                return row
        return None
