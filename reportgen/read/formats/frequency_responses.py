"""Frequency responses of dataset 58 as rows of frequency: magnitude and phase of each against its reference.

A file of frequency responses (function types 4 and 5) has no samples against time; what it holds is a sweep in steady
vibration with a drive of 1. Sets of one reference and one frequency axis make one log.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from reportgen.errors import ReadError, UnitError
from reportgen.read.formats.universal_file import (
    RESPONSES,
    FunctionSet,
    looks_like_universal_file,
    of_set,
    scan_sets,
    unit_of,
    values_of,
)
from reportgen.read.table.mapped_column import split_column
from reportgen.records.finding import Finding, error, note
from reportgen.records.log import Floats, SweepLog, Trace
from reportgen.records.message import Message, Place, as_written, message
from reportgen.units import parse_unit


def holds_frequency_responses(path: Path) -> bool:
    """True for a universal file with a frequency response and no time response."""
    with path.open("rb") as stream:
        if not looks_like_universal_file(stream.read(4096)):
            return False
    try:
        sets, _, _ = scan_sets(path, path.name)
    except ReadError:
        return False
    return any(map(_is_response, sets)) and not any(each.is_history for each in sets)


def _is_response(each: FunctionSet) -> bool:
    return each.function in RESPONSES and each.held >= 2


def read_frequency_responses(
    path: Path, name: str, columns: Sequence[tuple[str, str]] = ()
) -> tuple[SweepLog | None, tuple[Finding, ...]]:
    """The responses of the most common reference as a log; ``columns`` names sets by node and direction, or number."""
    sets, factors, damage = scan_sets(path, name)
    responses = [each for each in sets if _is_response(each)]
    kinds = [(each.reference, each.held, each.first, each.step) for each in responses]
    common = Counter(kinds).most_common(1)[0][0]
    chosen = [each for each, kind in zip(responses, kinds, strict=True) if kind == common]
    frequency = _frequency(path, chosen[0])
    keep = frequency > 0
    named, findings = _named(chosen, columns, name)
    place = Place(name)
    left_out = [of_set(each, _why_not(each, common[0])) for each in sets if each not in chosen]
    findings += [note(place, message("record.not-used", what=what)) for what in left_out]
    findings += [note(place, message("record.damaged", what=damage))] if damage else []
    if any(each.severity == "error" for each in findings):
        return None, tuple(findings)
    drive = Trace(
        channel=f"reference {chosen[0].reference}",
        dimension="acceleration",
        amplitude=np.ones(int(keep.sum())),
        phase_deg=np.zeros(int(keep.sum())),
        display_unit="m/s^2",
    )
    traces = [_trace(path, each, label, frequency, factors) for label, each in named]
    findings.append(note(place, _over_reference(chosen[0].reference_unit)))
    return SweepLog(
        path=name,
        frequency_hz=frequency[keep],
        traces=(drive, *traces),
        steady=True,
        unit_reference=drive.channel,
        remarks=as_written(dict.fromkeys(text for each in chosen for text in each.ids[1:] if text)),
        layout=message("layout.frequency-responses", sets=len(chosen), reference=chosen[0].reference),
    ), tuple(findings)


def _over_reference(unit: str) -> Message:
    return message("responses.over-unit", unit=unit) if unit else message("responses.over-reference")


def _why_not(each: FunctionSet, reference: str) -> Message:
    return message("responses.other-reference", reference=reference) if _is_response(each) else each.why_not


def _named(
    chosen: Sequence[FunctionSet], columns: Sequence[tuple[str, str]], name: str
) -> tuple[list[tuple[str, FunctionSet]], list[Finding]]:
    counts = Counter(each.point for each in chosen)
    own = {each.point if counts[each.point] == 1 else f"set {each.number}": each for each in chosen}
    if not columns:
        return list(own.items()), []
    by_name = {**{f"set {each.number}": each for each in chosen}, **own}
    named, findings = [], []
    for key, text in columns:
        column, _ = split_column(text, lambda column: column in by_name)
        if column in by_name:
            named.append((key, by_name[column]))
        else:
            said = message("responses.not-there", key=key, text=text, column=column, there=tuple(own))
            findings.append(error(Place(name), said))
    return named, findings


def _frequency(path: Path, of: FunctionSet) -> Floats:
    if of.even:
        return np.linspace(of.first, of.first + of.step * (of.held - 1), of.held)
    return values_of(path, of, 0, of.held)[:, 0]


def _trace(path: Path, of: FunctionSet, label: str, frequency: Floats, factors: tuple[float, float]) -> Trace:
    """Acceleration over the reference: velocity and displacement are differentiated, other quantities left."""
    numbers = values_of(path, of, 0, of.held)[:, 0 if of.even else 1 :]
    value = numbers[:, 0] + (1j * numbers[:, 1] if of.complex_values else 0.0)
    unit = unit_of(of, factors) or ""
    dimension, size = _dimension(unit), 1.0
    if dimension is not None:
        size = parse_unit(unit.strip("()")).factor if not unit.startswith("(") else float(unit[1:].split()[0])
    value = value * size * (2j * np.pi * frequency) ** {"velocity": 1, "displacement": 2}.get(dimension or "", 0)
    keep = frequency > 0
    return Trace(
        channel=label,
        dimension="ratio",
        amplitude=np.asarray(np.abs(value)[keep], dtype=np.float64),
        phase_deg=np.degrees(np.angle(value))[keep] if of.complex_values else None,
        display_unit="1",
    )


def _dimension(unit: str) -> str | None:
    """Dimension of a unit that is known and stands alone; None for a ratio such as ``g/N`` or none."""
    bare = unit[1:-1].split()[-1] if unit.startswith("(") and unit.endswith(")") and " " in unit else unit
    try:
        return parse_unit(bare).dimension if bare else None
    except UnitError:
        return None


def describe_frequency_responses(path: Path, say: Callable[[Message], str]) -> str:
    """Text about a file of frequency responses, with a column mapping to paste."""
    log, findings = read_frequency_responses(path, path.name)
    assert log is not None
    f = log.frequency_hz
    lines = [
        say(message("inspect.frequency-responses", file=path.name, layout=log.layout)),
        f"  {say(message('inspect.lines', lines=len(f), first_hz=float(f[0]), last_hz=float(f[-1])))}",
        "",
        *(f"  {each.channel}" for each in log.traces[1:]),
        *(f"  {say(each.message)}" for each in findings),
        "",
        "[run.columns]",
        *(f'"A{n}" = "{each.channel}"' for n, each in enumerate(log.traces[1:], 1)),
    ]
    return "\n".join(lines)
