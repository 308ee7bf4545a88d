"""Time histories as text or in a sheet of cells: one column a channel, against evenly sampled time.

The layout (delimiter, decimal sign, encoding, header, units) is found as for a sweep log. Rows are parsed once, block
by block, and laid down as binary; what is no row is told with its line.
"""

from __future__ import annotations

from itertools import islice
from pathlib import Path

import numpy as np

from reportgen.errors import ReadError
from reportgen.read.columns import Column, Meaning, understand
from reportgen.read.formats.recording import Recording, Rows, Spool, StoredChannel, even_rate, rounded_rate
from reportgen.read.table import is_table, recognise, table_blocks
from reportgen.read.table_layout import TableLayout
from reportgen.read.table_rows import TableBlock
from reportgen.records.log import Floats

SLOWEST_HZ = 25.0
"""A table sampled more slowly than this is a log, not a record of the vibration itself."""
_LOOKED_AT = 1 << 16
_PIECE = 1 << 18


def looks_like_table_history(path: Path) -> bool:
    """True for a table with evenly sampled time, fast enough to hold a vibration, and no column of frequency."""
    try:
        if not is_table(path):
            return False
        layout = recognise(path, path.name)
        if any(column.meaning is Meaning.FREQUENCY for column in _columns(layout)):
            return False
        place = _time_place(layout)
        block = next(table_blocks(path, layout, [place], block_bytes=_LOOKED_AT), None) if place is not None else None
    except (ReadError, OSError):
        return False
    if block is None or len(block.values) < 16:
        return False
    rate = even_rate(block.values[:-1, 0] * _seconds(_columns(layout)[place or 0]))
    return rate is not None and rate >= SLOWEST_HZ


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


def _seconds(column: Column) -> float:
    return column.factor if column.unit is not None else 1.0


def open_table(path: Path, name: str) -> Recording:
    """Read a table of samples. Raises ReadError."""
    layout = recognise(path, name)
    columns = _columns(layout)
    time_place = _time_place(layout)
    used = [
        each
        for each in columns
        if each.place == time_place or (each.place != time_place and layout.numeric[each.place])
    ]
    places = [each.place for each in used]
    spool, refused, previous = Spool(len(places)), _Refusals(), -1
    for block in table_blocks(path, layout, places, name=name):
        spool.append(block.values)
        previous = refused.take(block, previous)
    if spool.rows < 2:
        raise ReadError(name, "holds fewer than two rows of samples")
    read = spool.reader()
    times = (
        None
        if time_place is None
        else _Times(read, spool.rows, places.index(time_place), _seconds(columns[time_place]))
    )
    signals = [(at, column) for at, column in enumerate(used) if column.place != time_place]
    return Recording(
        kind="text",
        sample_rate_hz=None if times is None else times.rate(name, layout),
        samples=spool.rows,
        channels=tuple(_stored(column) for _, column in signals),
        fetch=lambda start, stop, wanted: read(start, stop)[:, [signals[each][0] for each in wanted]],
        start_s=0.0 if times is None else times.first,
        remarks=layout.remarks,
        damage=refused.damage,
        layout=layout.sentence,
        refused=refused.sentences,
    )


class _Refusals:
    """Lines that are no rows. At the end of the file they are its damaged tail; a gap elsewhere is told."""

    def __init__(self) -> None:
        self._lines: list[tuple[int, str]] = []
        self._last_row = -1

    def take(self, block: TableBlock, previous: int) -> int:
        """Note what a block rejects; the last line that was a row."""
        self._lines += [(each.line, each.reason) for each in block.rejected]
        self._last_row = int(block.lines[-1]) if len(block.lines) else previous
        return self._last_row

    @property
    def damage(self) -> str | None:
        """What is wrong after the last row, or None."""
        tail = [each for each in self._lines if each[0] > self._last_row]
        return f"line {tail[0][0]} {tail[0][1]}; the file breaks off there" if tail else None

    @property
    def sentences(self) -> tuple[str, ...]:
        """Rejected lines before the last row, the first ten one by one."""
        inner = [each for each in self._lines if each[0] < self._last_row]
        told = [f"line {line} {reason}" for line, reason in islice(inner, 10)]
        more = [f"{len(inner) - 10} further lines that are no rows"] if len(inner) > 10 else []
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
    """The column of time, gone through in pieces."""

    def __init__(self, read: Rows, rows: int, place: int, seconds: float) -> None:
        self._read, self._rows, self._place, self._seconds = read, rows, place, seconds
        self.first, self._last = float(self._piece(0, 1)[0]), float(self._piece(rows - 1, rows)[0])

    def _piece(self, start: int, stop: int) -> Floats:
        piece: Floats = self._read(start, stop)[:, self._place] * self._seconds
        return piece

    def rate(self, name: str, layout: TableLayout) -> float:
        """Sample rate of the whole column, Hz. Raises ReadError with the line where it is not even."""
        mean = (self._last - self.first) / (self._rows - 1)
        if not mean > 0:
            raise ReadError(f"{name}:{layout.data_line}", "time does not rise; expected evenly spaced times")
        strayed = 0.0
        for start in range(0, self._rows - 1, _PIECE):
            times = self._piece(start, min(start + _PIECE, self._rows - 1) + 1)
            step = np.diff(times)
            usual = float(np.median(step))
            worst = int(np.argmax(np.abs(step - usual)))
            if not abs(step[worst] - usual) <= 0.6 * usual:
                raise ReadError(
                    f"{name}:{layout.data_line + start + worst + 1}",
                    f"time goes on by {step[worst]:.6g} s where the record's interval is {usual:.6g} s; "
                    "expected evenly spaced times, export the record without gaps",
                )
            due = self.first + mean * np.arange(start, start + len(times))
            strayed = max(strayed, float(np.max(np.abs(times - due))))
        return rounded_rate(mean, max(2.0 * strayed, 1e-12) / (self._rows - 1) + 1e-15)
