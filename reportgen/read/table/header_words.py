"""Whether a line of words is the header of a table, or a damaged row, a message, a remark with as many cells."""

from __future__ import annotations

from collections.abc import Sequence

from reportgen.read.table.columns import Column, Meaning, understand

_QUANTITIES = (Meaning.TIME, Meaning.FREQUENCY)
"""What the first column of every log and of every record is of."""


def names_a_quantity(names: Sequence[str], units: Sequence[str] = ()) -> bool:
    """Whether one cell at least names time or frequency, as every header of a log or a record does.

    >>> names_a_quantity(["oops", "this", "is", "not", "a"]), names_a_quantity(["Zeit [s]", "A1 [g]"])
    (False, True)
    """
    return any(each.meaning in _QUANTITIES for each in _understood(names, units))


def begins_a_table(names: Sequence[str], units: Sequence[str], above: Sequence[str]) -> bool:
    """Whether words between rows head a table of their own, and are not a damaged row of the table ``above``.

    They name a quantity, and besides have a unit, or repeat half of the names above.

    >>> begins_a_table(["Mark", "Freq", "sensor", "touched"], (), ["time [s]", "frequency [Hz]", "C1 [g]", "A1 [g]"])
    False
    """
    columns = _understood(names, units)
    if not any(each.meaning in _QUANTITIES for each in columns):
        return False
    known = {each.casefold() for each in above if each}
    same = sum(each.casefold() in known for each in names if each)
    return any(each.unit is not None for each in columns) or same * 2 >= len(names)


def _understood(names: Sequence[str], units: Sequence[str]) -> list[Column]:
    units = [*units, *[""] * (len(names) - len(units))]
    return [understand(name, unit, i) for i, (name, unit) in enumerate(zip(names, units, strict=False)) if name]
