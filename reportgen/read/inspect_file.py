"""What a log or a record holds, in words, with a ``[run.columns]`` mapping ready to paste."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from reportgen.errors import ReadError
from reportgen.read.describe_record import Say, SweepsOf, describe_record, joined
from reportgen.read.log import sweep_layout
from reportgen.read.log_columns import LogWanted, UnderstoodColumns, looks_like_control, understand_columns
from reportgen.read.run_entries import entries_to_paste, quoted
from reportgen.read.table.columns import Column, Meaning, understand
from reportgen.read.table.spreadsheet import sheets_of
from reportgen.read.table.table import is_compressed, is_table, read_table, recognise
from reportgen.read.table.table_layout import TableLayout
from reportgen.read.table.table_rows import TableBlock
from reportgen.read.table.time_column import counted_in
from reportgen.records.message import Place, message
from reportgen.records.stretch import stretches

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
    what = "a sweep log" if columns.frequency and columns.amplitudes else "a table"
    lines = [f"{path.name}: {what}, {size} bytes", f"  {say(layout.described)}", f"  {_rows(block, say)}"]
    sweeps = _sweeps(layout, columns, block)
    lines += [f"  {said}" for said in sweeps]
    lines += [f"  remark: {text}" for text in layout.remarks[:_REMARKS_SHOWN]]
    more = len(layout.remarks) - _REMARKS_SHOWN
    lines += [f"  and {more} lines more above the header"] if more > 0 else []
    lines += _other_sheets(path, layout)
    lines += ["", "Columns", *_column_table(layout, columns, block, say)]
    lines += [f"  {say(finding.whole)}" for finding in columns.findings]
    return [*lines, *entries_to_paste(path.name, sweeps, _mapping(layout, columns, block))]


def _rows(block: TableBlock, say: Say) -> str:
    parts = [f"{len(block.values)} rows"]
    if len(block.lines):
        parts[0] += f" in lines {block.lines[0]} to {block.lines[-1]}"
    if block.rejected:
        first = block.rejected[0]
        parts.append(
            f"lines that are no rows: {len(block.rejected)}, the first is line {first.line}: {say(first.reason)}"
        )
    if block.no_reading:
        parts.append(f"cells without a reading: {len(block.no_reading)}")
    return "; ".join(parts)


def _sweeps(layout: TableLayout, columns: UnderstoodColumns, block: TableBlock) -> list[str]:
    if columns.frequency is None:
        return []
    frequency = _values(layout, columns.frequency.place, block) * columns.frequency.factor
    good = np.isfinite(frequency) & (frequency > 0)
    lines = block.lines[good]
    return [
        f"sweep {i}: {each.direction}, {each.first_hz:.6g} to {each.last_hz:.6g} Hz, lines {lines[each.start]} to "
        f"{lines[each.stop - 1]}"
        for i, each in enumerate(stretches(frequency[good]), start=1)
    ]


def _values(layout: TableLayout, place: int, block: TableBlock) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    numeric = [i for i in range(layout.columns) if layout.numeric[i]]
    return block.values[:, numeric.index(place)]


def _other_sheets(path: Path, layout: TableLayout) -> list[str]:
    if layout.sheet is None:
        return []
    others = [repr(each) for each in sheets_of(path, path.name) if each != layout.sheet]
    return [f"  other sheets, not read: {', '.join(others)}"] if others else []


def _column_table(layout: TableLayout, columns: UnderstoodColumns, block: TableBlock, say: Say) -> list[str]:
    reasons = {say(header): say(why) for header, why in columns.unused}
    rows = []
    for place in range(layout.columns):
        if layout.filled[place]:
            header = layout.names[place] or f"column {place + 1}"
            unit = f" [{layout.units[place].strip('[]()')}]" if layout.units[place] else ""
            rows.append((header + unit, _part(place, columns, reasons, header), _range(layout, place, block)))
    widths = [max((len(row[i]) for row in rows), default=0) for i in range(2)]
    return [f"  {a:<{widths[0]}}  {b:<{widths[1]}}  {c}".rstrip() for a, b, c in rows]


def _part(place: int, columns: UnderstoodColumns, reasons: dict[str, str], header: str) -> str:
    for column in (columns.time, columns.frequency, *columns.amplitudes, *columns.phases.values()):
        if column is not None and column.place == place:
            unit = column.unit.symbol if column.unit else "no unit"
            whose = f" of {column.channel}" if column.channel else ""
            return f"{column.meaning}{whose}, {unit}"
    return f"not used: {reasons.get(header, 'unit missing')}"


def _range(layout: TableLayout, place: int, block: TableBlock) -> str:
    if not layout.numeric[place]:
        return "words"
    values = _values(layout, place, block)
    values = values[np.isfinite(values)]
    return f"{values.min():.6g} to {values.max():.6g}" if len(values) else "no readings"


_UNIT_OF_FACTOR = {1.0: "s", 1e-3: "ms", 1e-6: "µs", 1e-9: "ns", 86_400.0: "d"}


def _unit_of_time(layout: TableLayout, column: Column, block: TableBlock) -> str:
    """The unit of a column of time or frequency; without one, what the size of times says."""
    if column.unit is not None:
        return column.unit.symbol
    counted = counted_in(_values(layout, column.place, block))
    return "s" if counted is None else _UNIT_OF_FACTOR[counted[0]]


def _mapping(layout: TableLayout, columns: UnderstoodColumns, block: TableBlock) -> list[str]:
    """Lines to paste: every column with its part and unit; three dots where the file does not say it."""
    lines = []
    for column, key in ((columns.time, "time"), (columns.frequency, "frequency")):
        if column is not None and layout.numeric[column.place]:
            lines.append(_mapping_line(key, layout, column, _unit_of_time(layout, column, block)))
    if columns.frequency is None:
        lines.append('frequency = "... / Hz"   # name the column')
    for column in columns.amplitudes:
        channel = column.channel or column.header
        lines.append(_mapping_line(channel, layout, column, _unit_of(column)))
        phase = columns.phases.get(channel)
        if phase is not None:
            unit = {"°": "deg", "rad": "rad"}.get(phase.unit.symbol if phase.unit else "", "deg")
            lines.append(_mapping_line(f"{channel} phase", layout, phase, unit))
    taken = {
        column.place
        for column in (columns.time, columns.frequency, *columns.amplitudes, *columns.phases.values())
        if column
    }
    for place in range(layout.columns):
        if layout.numeric[place] and layout.filled[place] and place not in taken:
            lines.append(_line_to_fill_in(layout, place, columns))
    controls = [
        column.channel for column in columns.amplitudes if column.channel and looks_like_control(column.channel)
    ]
    if not controls and columns.amplitudes:
        lines.append("# no channel is named like a control: give one the key C1, or write control = [...] in the run")
    return lines


def _unit_of(column: Column) -> str:
    """What the numbers of an amplitude column mean, as a mapping says it."""
    if column.unit is None:
        return "..."
    if not column.in_decibels:
        return column.unit.symbol
    size = column.factor / column.unit.factor
    return "dB" if column.unit.dimension == "ratio" else f"dB re {size:.10g} {column.unit.symbol}"


def _line_to_fill_in(layout: TableLayout, place: int, columns: UnderstoodColumns) -> str:
    """A remark that becomes a line of the mapping once its unit is written."""
    header = layout.names[place] or f"column {place + 1}"
    column = understand(header, layout.units[place], place)
    if column.meaning is Meaning.PHASE:
        number = re.sub(r"\D", "", column.channel or "")
        same = [each for each in layout.names if number and each != header and re.search(rf"\D0*{number}\b", each)]
        return "# " + _mapping_line(f"{same[0] if same else column.channel} phase", layout, column, "deg")
    key = column.channel or header
    return "# " + _mapping_line(key, layout, column, "...") + "   # fill in the unit, such as g, or (50 g)"


def _mapping_line(key: str, layout: TableLayout, column: Column, unit: str) -> str:
    header = layout.names[column.place] or f"column {column.place + 1}"
    unit = f"({unit})" if any(sign in unit for sign in "/ ") else unit
    quoted_key = key if key in ("time", "frequency") else quoted(key)
    return f"{quoted_key} = {quoted(f'{header} / {unit}')}"
