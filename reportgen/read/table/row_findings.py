"""Findings about rows: counted, with the first few places, in one sentence each."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from reportgen.read.table.table_rows import Rejected
from reportgen.records.finding import Finding, error, warning

_SHOWN = 4
"""Places named in one finding; the rest is counted."""


def rejected_rows(name: str, rejected: Iterable[Rejected], kept: int) -> Finding | None:
    """What was left out and why; an error where more went than stayed, since the file is then misread."""
    rows = sorted(rejected, key=lambda each: each.line)
    if not rows:
        return None
    examples = [
        f"line {each.line} {each.reason}" + (f" ({each.text[:40]!r})" if each.text else "") for each in rows[:_SHOWN]
    ]
    verb = "is" if len(rows) == 1 else "are"
    message = f"{counted(len(rows), 'row')} of {len(rows) + kept} could not be read and {verb} left out: "
    message += listed_with_rest(examples, len(rows))
    if len(rows) > kept:
        return error(f"{name}:{rows[0].line}", f"{message}; most of the table is not understood, look at the file")
    return warning(f"{name}:{rows[0].line}", message)


def missing_readings(name: str, cells: Sequence[tuple[int, str, str]], total: int) -> Finding | None:
    """Cells (line, header, word) without a reading, of ``total``; they stay as gaps."""
    if not total or not cells:
        return None
    examples = [f"line {line}, {header}: {word!r}" for line, header, word in cells[:_SHOWN]]
    message = f"{counted(total, 'cell')} without a reading, kept as gaps: {listed_with_rest(examples, total)}"
    return warning(f"{name}:{cells[0][0]}", message)


def negative_amplitudes(name: str, cells: Sequence[tuple[int, str]]) -> Finding | None:
    """Amplitudes below zero (line, header), which become gaps."""
    if not cells:
        return None
    ordered = sorted(cells)
    examples = [f"line {line}, {header!r}" for line, header in ordered[:_SHOWN]]
    message = f"{counted(len(cells), 'amplitude')} below zero, impossible and kept as gaps: "
    return warning(f"{name}:{ordered[0][0]}", message + listed_with_rest(examples, len(cells)))


def listed_with_rest(examples: Sequence[str], total: int) -> str:
    """Examples, and how many more there are."""
    more = f"; and {total - len(examples)} more" if total > len(examples) else ""
    return "; ".join(examples) + more


def counted(number: int, word: str) -> str:
    """``1 row``, ``2 rows``."""
    return f"{number} {word}{'' if number == 1 else 's'}"


def line_list(lines: Iterable[int | np.int64]) -> str:
    """``(line 8)``, ``(lines 8, 9, 10, 11, …)``."""
    every = [int(line) for line in lines]
    shown = ", ".join(str(line) for line in every[:_SHOWN])
    return f"(line{'s' if len(every) > 1 else ''} {shown}{', …' if len(every) > _SHOWN else ''})"
