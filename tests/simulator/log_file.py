"""Writing a recording as laboratories write their logs: delimiters, decimal signs, units, preambles, encodings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tests.simulator.course import G
from tests.simulator.recorder import Recording

Floats = NDArray[np.float64]

FACTOR = {"g": G, "m/s²": 1.0, "g rms": G * np.sqrt(2.0), "m/s² rms": np.sqrt(2.0), "g p-p": G / 2.0}
"""Size in m/s² peak of one of each unit."""


@dataclass(frozen=True)
class Dialect:
    """How a log is written."""

    delimiter: str = ","
    decimal: str = "."
    encoding: str = "utf-8"
    newline: str = "\n"
    unit: str = "g"
    """What the numbers are in, one of FACTOR; printed without its detector where ``hide_detector`` is set."""
    hide_detector: bool = False
    unit_style: str = "[]"
    """``[]`` ``()`` ``/`` after the name, or ``row``: a row of units under the names."""
    names: tuple[str, str] = ("time", "frequency")
    phase_name: str = "phase"
    seconds: str = "s"
    degrees: str = "deg"
    preamble: tuple[str, ...] = ()
    phases: bool = True
    renamed: tuple[tuple[str, str], ...] = ()
    """Channel id and what the log calls it."""
    trailing_delimiter: bool = False
    time_format: str = "%.2f"
    frequency_format: str = "%.4f"
    amplitude_format: str = "%.5g"
    phase_format: str = "%.2f"


Columns = list[tuple[str, str, str, Floats]]
"""Name, unit, number format and values of each column."""


def sweep_columns(recording: Recording, dialect: Dialect, phase_reference: str | None = None) -> Columns:
    """Time, frequency, control channels, then each response with its phase."""
    factor = FACTOR[dialect.unit]
    unit = dialect.unit.split()[0] if dialect.hide_detector else dialect.unit
    called = dict(dialect.renamed)
    columns: Columns = [
        (dialect.names[0], dialect.seconds, dialect.time_format, recording.time_s),
        (dialect.names[1], "Hz", dialect.frequency_format, recording.frequency_hz),
    ]
    for name, values in recording.control.items():
        columns.append((called.get(name, name), unit, dialect.amplitude_format, np.abs(values) / factor))
    for name, values in recording.response.items():
        columns.append((called.get(name, name), unit, dialect.amplitude_format, np.abs(values) / factor))
        if dialect.phases:
            phase = recording.relative_phase_deg(name, phase_reference)
            columns.append(
                (f"{called.get(name, name)} {dialect.phase_name}", dialect.degrees, dialect.phase_format, phase)
            )
    return columns


def log_bytes(columns: Columns, dialect: Dialect) -> bytes:
    """The log as a file's content."""
    lines = [*dialect.preamble, *_header(columns, dialect)]
    tail = dialect.delimiter if dialect.trailing_delimiter else ""
    for row in range(len(columns[0][3])):
        cells = [_number(form, values[row], dialect.decimal) for _, _, form, values in columns]
        lines.append(dialect.delimiter.join(cells) + tail)
    return (dialect.newline.join(lines) + dialect.newline).encode(dialect.encoding)


def _number(form: str, value: float, decimal: str) -> str:
    text = form % value
    return text if decimal == "." else text.replace(".", decimal)


def _header(columns: Columns, dialect: Dialect) -> Sequence[str]:
    if dialect.unit_style == "row":
        rows = [[name for name, *_ in columns], [unit for _, unit, *_ in columns]]
    else:
        pattern = {"[]": "{} [{}]", "()": "{} ({})", "/": "{} / {}"}[dialect.unit_style]
        rows = [[pattern.format(name, unit) for name, unit, *_ in columns]]
    tail = dialect.delimiter if dialect.trailing_delimiter else ""
    return [dialect.delimiter.join(cells) + tail for cells in rows]


def write_sweep_log(path: Path, recording: Recording, dialect: Dialect | None = None) -> None:
    """Write one sweep log."""
    dialect = dialect or Dialect()
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(log_bytes(sweep_columns(recording, dialect), dialect))
