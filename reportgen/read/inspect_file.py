"""What a log or a record holds, with a ``[run.columns]`` mapping ready to paste."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from reportgen.errors import ReadError
from reportgen.read.describe_record import Say, SweepsOf, describe_record, joined
from reportgen.read.log import sweep_layout
from reportgen.read.log_columns import LogWanted, UnderstoodColumns, looks_like_control, understand_columns
from reportgen.read.run_entries import entries_to_paste, quoted, to_fill_in
from reportgen.read.table.columns import Column, Meaning, understand
from reportgen.read.table.spreadsheet import sheets_of
from reportgen.read.table.table import is_compressed, is_table, read_table, recognise
from reportgen.read.table.table_layout import TableLayout
from reportgen.read.table.table_rows import TableBlock
from reportgen.read.table.time_column import counted_in
from reportgen.records.message import Message, Place, message
from reportgen.records.stretch import stretches
from reportgen.units import CONDITIONS

_REMARKS_SHOWN = 8


def describe_file(path: Path, say: Say, sweeps_of: SweepsOf | None = None) -> str:
    """Text about any file the tool can read: a sweep log, a table, or time histories. Raises ReadError.

    The text ends with a mapping that can be pasted into the run's ``[run.columns]`` and needs filling in only where the
    file itself does not say what its numbers mean; where the file holds several sweeps, with a run for each of them.
    ``say`` puts a message into words; ``sweeps_of`` finds the sweeps of a record by a channel of it; without, a
    record's sweeps are not looked for.
    """
    name = path.name
    if not path.is_file():
        what = message("inspect.folder") if path.is_dir() else message("log.no-file", path=str(path))
        raise ReadError(Place(name, 1), what)
    from reportgen.read.time_history import looks_like_time_history

    layout = sweep_layout(path, LogWanted(name=name))
    if layout is None:
        if looks_like_time_history(path):
            return describe_record(path, say, sweeps_of)
        if not is_table(path) and not is_compressed(path):
            raise ReadError(Place(name, 1), message("inspect.nothing-known"))
        layout = recognise(path, name)
    columns = understand_columns(layout, LogWanted(name=name))
    block = read_table(path, layout, [i for i in range(layout.columns) if layout.numeric[i]], name=name)
    return joined(_lines(path, layout, columns, block, say)) + "\n"


def _lines(path: Path, layout: TableLayout, columns: UnderstoodColumns, block: TableBlock, say: Say) -> list[str]:
    size = path.stat().st_size
    is_log = columns.frequency and columns.amplitudes
    what = message("inspect.sweep-log") if is_log else message("inspect.table")
    sweeps = _sweeps(layout, columns, block)
    told = [layout.described, _rows(block), *sweeps, *_remarks(layout), *_other_sheets(path, layout)]
    lines = [say(message("inspect.file", file=path.name, what=what, bytes=size)), *(f"  {say(each)}" for each in told)]
    lines += ["", say(message("inspect.columns")), *_column_table(layout, columns, block, say)]
    lines += [f"  {say(finding.whole)}" for finding in columns.findings]
    return [*lines, *entries_to_paste(path.name, [*map(say, sweeps)], _mapping(layout, columns, block, say), say)]


def _remarks(layout: TableLayout) -> list[Message]:
    more = len(layout.remarks) - _REMARKS_SHOWN
    told = [message("inspect.remark", text=text) for text in layout.remarks[:_REMARKS_SHOWN]]
    return [*told, message("inspect.more-remarks", more=more)] if more > 0 else told


def _rows(block: TableBlock) -> Message:
    rows = len(block.values)
    parts = [message("inspect.rows", rows=rows)]
    if len(block.lines):
        first, last = int(block.lines[0]), int(block.lines[-1])
        parts = [message("inspect.rows-in-lines", rows=rows, first=first, last=last)]
    if block.rejected:
        head = block.rejected[0]
        parts.append(message("inspect.no-rows", count=len(block.rejected), line=head.line, why=head.reason))
    if block.no_reading:
        parts.append(message("inspect.cells-without-reading", count=len(block.no_reading)))
    return message("inspect.listed", parts=tuple(parts))


def _sweeps(layout: TableLayout, columns: UnderstoodColumns, block: TableBlock) -> list[Message]:
    if columns.frequency is None:
        return []
    frequency = _values(layout, columns.frequency.place, block) * columns.frequency.factor
    good = np.isfinite(frequency) & (frequency > 0)
    lines = block.lines[good]
    return [
        message(
            "inspect.sweep-in-lines",
            number=i,
            direction=each.direction,
            first_hz=each.first_hz,
            last_hz=each.last_hz,
            first=int(lines[each.start]),
            last=int(lines[each.stop - 1]),
        )
        for i, each in enumerate(stretches(frequency[good]), start=1)
    ]


def _values(layout: TableLayout, place: int, block: TableBlock) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    numeric = [i for i in range(layout.columns) if layout.numeric[i]]
    return block.values[:, numeric.index(place)]


def _other_sheets(path: Path, layout: TableLayout) -> list[Message]:
    if layout.sheet is None:
        return []
    others = tuple(each for each in sheets_of(path, path.name) if each != layout.sheet)
    return [message("inspect.other-sheets", sheets=others)] if others else []


def _column_table(layout: TableLayout, columns: UnderstoodColumns, block: TableBlock, say: Say) -> list[str]:
    reasons = {header if isinstance(header, str) else say(header): why for header, why in columns.unused}
    rows = []
    for place in range(layout.columns):
        if layout.filled[place]:
            header = layout.names[place] or f"column {place + 1}"
            unit = f" [{layout.units[place].strip('[]()')}]" if layout.units[place] else ""
            part, values = _part(place, columns, reasons.get(header)), _range(layout, place, block)
            rows.append((header + unit, say(part), say(values)))
    widths = [max((len(row[i]) for row in rows), default=0) for i in range(2)]
    return [f"  {a:<{widths[0]}}  {b:<{widths[1]}}  {c}".rstrip() for a, b, c in rows]


def _part(place: int, columns: UnderstoodColumns, unused: Message | None) -> Message:
    known = (*columns.amplitudes, *columns.phases.values(), *columns.conditions)
    for column in (columns.time, columns.frequency, *known):
        if column is not None and column.place == place:
            unit = column.unit.symbol if column.unit else message("inspect.no-unit")
            if not column.channel:
                return message("inspect.meaning", meaning=column.meaning, unit=unit)
            return message("inspect.meaning-of", meaning=column.meaning, channel=column.channel, unit=unit)
    return message("record.not-used", what=unused or message("inspect.unit-missing"))


def _range(layout: TableLayout, place: int, block: TableBlock) -> Message:
    if not layout.numeric[place]:
        return message("inspect.words")
    values = _values(layout, place, block)
    values = values[np.isfinite(values)]
    if not len(values):
        return message("inspect.no-readings")
    return message("inspect.range", lowest=float(values.min()), highest=float(values.max()))


_UNIT_OF_FACTOR = {1.0: "s", 1e-3: "ms", 1e-6: "µs", 1e-9: "ns", 86_400.0: "d"}


def _unit_of_time(layout: TableLayout, column: Column, block: TableBlock) -> str:
    """The unit of a column of time or frequency; without one, what the size of times says."""
    if column.unit is not None:
        return column.unit.symbol
    counted = counted_in(_values(layout, column.place, block))
    return "s" if counted is None else _UNIT_OF_FACTOR[counted[0]]


def _mapping(layout: TableLayout, columns: UnderstoodColumns, block: TableBlock, say: Say) -> list[str]:
    """Lines to paste: every column with its part and unit; three dots where the file does not say it."""
    lines = []
    for column, key in ((columns.time, "time"), (columns.frequency, "frequency")):
        if column is not None and layout.numeric[column.place]:
            lines.append(_mapping_line(key, layout, column, _unit_of_time(layout, column, block)))
    if columns.frequency is None:
        lines.append(to_fill_in('frequency = "... / Hz"', say(message("inspect.name-column"))))
    for column in columns.amplitudes:
        channel = column.channel or column.header
        lines.append(_mapping_line(channel, layout, column, _unit_of(column)))
        phase = columns.phases.get(channel)
        if phase is not None:
            unit = {"°": "deg", "rad": "rad"}.get(phase.unit.symbol if phase.unit else "", "deg")
            lines.append(_mapping_line(f"{channel} phase", layout, phase, unit))
    for column in columns.conditions:
        key = column.unit.dimension if column.unit is not None and column.ambient else column.channel or column.header
        lines.append(_mapping_line(key, layout, column, _unit_of(column)))
    taken = {
        column.place
        for column in (
            columns.time,
            columns.frequency,
            *columns.amplitudes,
            *columns.phases.values(),
            *columns.conditions,
        )
        if column
    }
    for place in range(layout.columns):
        if layout.numeric[place] and layout.filled[place] and place not in taken:
            lines.append(_line_to_fill_in(layout, place, say))
    controls = [
        column.channel for column in columns.amplitudes if column.channel and looks_like_control(column.channel)
    ]
    if not controls and columns.amplitudes:
        lines.append(f"# {say(message('inspect.no-control'))}")
    return lines


_DECIBELS = "dB re {:.10g} {}"
"""Unit of a level, as a mapping is written."""


def _unit_of(column: Column) -> str:
    """What the numbers of an amplitude column mean, as a mapping says it."""
    if column.unit is None:
        return "..."
    if not column.in_decibels:
        return column.unit.symbol
    size = column.factor / column.unit.factor
    return "dB" if column.unit.dimension == "ratio" else _DECIBELS.format(size, column.unit.symbol)


def _line_to_fill_in(layout: TableLayout, place: int, say: Say) -> str:
    """A remark that becomes a line of the mapping once its unit is written."""
    header = layout.names[place] or f"column {place + 1}"
    column = understand(header, layout.units[place], place)
    if column.meaning is Meaning.PHASE:
        number = re.sub(r"\D", "", column.channel or "")
        same = [each for each in layout.names if number and each != header and re.search(rf"\D0*{number}\b", each)]
        return "# " + _mapping_line(f"{same[0] if same else column.channel} phase", layout, column, "deg")
    key = column.channel or header
    return to_fill_in("# " + _mapping_line(key, layout, column, "..."), say(message("inspect.fill-in-such-as")))


def _mapping_line(key: str, layout: TableLayout, column: Column, unit: str) -> str:
    header = layout.names[column.place] or f"column {column.place + 1}"
    unit = f"({unit})" if any(sign in unit for sign in "/ ") else unit
    quoted_key = key if key in ("time", "frequency", *CONDITIONS) else quoted(key)
    return f"{quoted_key} = {quoted(f'{header} / {unit}')}"
