"""Universal file format, dataset 58 (text) and 58b (binary): time responses, read where they lie in the file.

Layout: records 1–5 identification, 6 function and points, 7 data form, 8–11 axes, then the values in fixed-width fields
that may touch (so never split at blanks). Values are fetched by their place in the file: only the wanted samples are
ever in memory, and a ``    -1`` inside binary numbers is no marker. Dataset 164 gives the units where a label is
missing.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, field, replace
from enum import StrEnum
from itertools import pairwise
from pathlib import Path
from typing import IO

import numpy as np
from numpy.typing import NDArray

from reportgen.errors import ReadError
from reportgen.read.formats.recording import Recording, Rows, Spool, StoredChannel, even_rate, rounded_rate, stacked
from reportgen.records.log import Floats
from reportgen.records.message import Message, Place, message

_MARK = b"-1"
_MOST_SETS = 10_000
"""A record holds dozens of channels."""
_BEHIND_A_LINE = 8
"""Characters that may stand behind the last field of a line: some programs number their lines there."""
_LARGEST_FIELD = 2.0**53
"""Above, a number in a header counts nothing that a file can hold."""
_DIRECTIONS = {1: "+X", -1: "-X", 2: "+Y", -2: "-Y", 3: "+Z", -3: "-Z"}
_KIND_UNITS = {8: ("m", 1, 0), 11: ("m/s", 1, 0), 12: ("m/s^2", 1, 0), 13: ("N", 0, 1), 2: ("strain", 0, 0)}
"""Specific data type to its SI unit and the powers of length and force in it."""


class FunctionType(StrEnum):
    """What a set holds, in the order of the numbers that record 6 gives, from 0."""

    GENERAL = "a general function"
    TIME_RESPONSE = "a time response"
    AUTO_SPECTRUM = "an auto spectrum"
    CROSS_SPECTRUM = "a cross spectrum"
    FREQUENCY_RESPONSE = "a frequency response"
    TRANSMISSIBILITY = "a transmissibility"
    COHERENCE = "a coherence"
    AUTO_CORRELATION = "an auto correlation"
    CROSS_CORRELATION = "a cross correlation"
    POWER_SPECTRAL_DENSITY = "a power spectral density"
    ENERGY_SPECTRAL_DENSITY = "an energy spectral density"
    PROBABILITY_DENSITY = "a probability density"
    SPECTRUM = "a spectrum"


_FUNCTIONS = tuple(FunctionType)
_TIME_RESPONSE, _GENERAL = 1, 0
"""Numbers of function types in record 6."""
RESPONSES = (4, 5)
"""Function types: frequency response and transmissibility."""
_TIME_AXIS = 17
"""Specific data type of an abscissa of time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FunctionSet:
    """One dataset 58 with where its values lie."""

    number: int
    line: int
    ids: tuple[str, ...]
    function: int
    point: str
    entity: str
    complex_values: bool
    double: bool
    values: int
    even: bool
    first: float
    step: float
    axis_kind: int
    ordinate_kind: int
    unit: str
    byte_order: str | None
    """``<`` or ``>`` for 58b; None for text."""
    reference: str = ""
    """Node and direction of what drove it."""
    reference_unit: str = ""
    """Of the ordinate's denominator."""
    offset: int = 0
    held: int = 0
    """Values really in the file."""
    line_bytes: int = 0
    odd: Message | None = None
    """What of its header is no number, or that its end is not marked."""
    spooled: Rows | None = field(default=None, repr=False)
    """Stored numbers one a row, where they could not be fetched by place."""

    @property
    def is_history(self) -> bool:
        """Whether it holds samples against time."""
        return _is_history(self)

    @property
    def why_not(self) -> Message:
        """Why it is no time response."""
        return _why_not(self)

    @property
    def numbers(self) -> int:
        """Stored numbers a value takes."""
        return (2 if self.complex_values else 1) + (0 if self.even else 1)

    @property
    def widths(self) -> tuple[int, ...]:
        """Widths of the text fields of one full line."""
        if not self.double:
            return (13,) * 6
        if self.even:
            return (20,) * 4
        return (13, 20, 20) if self.complex_values else (13, 20, 13, 20)


def looks_like_universal_file(head: bytes) -> bool:
    """True for the first bytes of a universal file."""
    lines = [line for line in head.splitlines() if line.strip()]
    return len(lines) >= 2 and lines[0].rstrip() == b"    -1" and lines[1][:6].strip().isdigit()


def open_universal_file(path: Path, name: str) -> Recording:
    """Open a universal file. Raises ReadError."""
    sets, factors, damage = scan_sets(path, name)
    histories = [each for each in sets if _is_history(each)]
    refused = [of_set(each, _why_not(each)) for each in sets if not _is_history(each)]
    if not histories:
        held = tuple(refused) or (message("record.no-dataset-58"),)
        raise ReadError(Place(name), message("record.no-time-response", held=held))
    rates = {each.number: _rate(path, each) for each in histories}
    rate = Counter(rates.values()).most_common(1)[0][0]
    chosen, samples, short = _common(histories, rates, rate)
    refused += short
    return Recording(
        sample_rate_hz=rate,
        samples=samples,
        channels=_channels(chosen, factors),
        fetch=stacked(lambda start, stop, place: values_of(path, chosen[place], start, stop)[:, -1]),
        start_s=chosen[0].first,
        remarks=tuple(dict.fromkeys(text for each in chosen for text in each.ids[1:] if text)),
        damage=damage,
        layout=message("layout.dataset-58b", sets=len(chosen))
        if chosen[0].byte_order
        else message("layout.dataset-58", sets=len(chosen)),
        refused=tuple(refused),
    )


def scan_sets(path: Path, name: str) -> tuple[list[FunctionSet], tuple[float, float], Message | None]:
    """Every dataset 58, the factors of length and force of dataset 164, and what is damaged. Raises ReadError."""
    sets: list[FunctionSet] = []
    factors, line = (1.0, 1.0), 0
    damage: Message | None = None
    with path.open("rb") as stream:
        while text := stream.readline():
            line += 1
            if text.strip() != _MARK:
                continue
            kind = stream.readline()
            line += 1
            if kind[:6].strip() == b"58":
                if len(sets) == _MOST_SETS:
                    raise ReadError(Place(name, line), message("record.many-sets", most=_MOST_SETS))
                found, line = _read_set(stream, kind, len(sets) + 1, line, name)
                sets.append(found)
                damage = found.odd or damage
                if found.held < found.values:
                    damage = _breaks_off(found)
            elif kind[:6].strip() == b"164":
                factors, line = _read_units(stream, line)
            elif kind.strip() != b"" and kind.strip() != _MARK:
                line = _skip(stream, line)
    return sets, factors, damage


def of_set(found: FunctionSet, what: Message) -> Message:
    """What is said of one set."""
    return message("record.set", number=found.number, what=what)


def _breaks_off(found: FunctionSet) -> Message:
    number, own = found.number, found.ids[0]
    return message("record.set-breaks-off", number=number, name=own, held=found.held, values=found.values)


def _skip(stream: IO[bytes], line: int) -> int:
    while text := stream.readline():
        line += 1
        if text.strip() == _MARK:
            break
    return line


def _read_units(stream: IO[bytes], line: int) -> tuple[tuple[float, float], int]:
    """Dataset 164: a number in file units divided by the factor is SI."""
    stream.readline()
    text = stream.readline().decode("latin-1").replace("D", "E").replace("d", "e")
    try:
        factors = (float(text[:25]), float(text[25:50]))
    except ValueError:
        factors = (1.0, 1.0)
    return factors, _skip(stream, line + 2)


def _text(raw: bytes) -> str:
    """A line of the header: UTF-8 where it is that, else Windows' or ISO's one byte a character."""
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("latin-1")


def _reference_unit(ten: str) -> str:
    label = ten[47:67].strip()
    kind = int(_field(ten, 0, 10))
    return label if label and label.upper() != "NONE" else _KIND_UNITS[kind][0] if kind in _KIND_UNITS else ""


def _field(text: str, start: int, width: int, default: float = 0.0) -> float:
    """A number of a header; ``default`` where there is none, or one that counts and measures nothing."""
    try:
        number = float(text[start : start + width].replace("D", "E"))
    except ValueError:
        return default
    return number if _counts(number) else default


def _counts(number: float) -> bool:
    return math.isfinite(number) and abs(number) <= _LARGEST_FIELD


_FIELDS = ((5, 0, 5), (5, 41, 10), (5, 51, 4), (6, 30, 13), (6, 43, 13), (7, 0, 10), (8, 0, 10), (9, 0, 10))
"""Record, place and width of the numbers that are used: function, node, direction, start, interval, kinds of axes."""


def _odd_field(header: list[str], number: int, line: int) -> Message | None:
    """The first of them where something stands that is no number; a blank one is left out by many programs."""
    for record, start, width in _FIELDS:
        text = header[record][start : start + width].strip()
        if text and math.isnan(_field(text, 0, width, math.nan)):
            return message("record.odd-field", set=number, line=line + record + 1, text=text)
    return None


def _read_set(stream: IO[bytes], kind: bytes, number: int, line: int, name: str) -> tuple[FunctionSet, int]:
    binary = kind[6:7].lower() == b"b"
    header = [_text(stream.readline()).rstrip("\r\n") for _ in range(11)]
    six, seven, eight, nine, ten = header[5:10]
    data_type, values = int(_field(seven, 0, 10)), int(_field(seven, 10, 10))
    if data_type not in (2, 4, 5, 6) or values < 0:
        raise ReadError(Place(name, line + 7), message("record.data-type", data_type=data_type, values=values))
    direction = _DIRECTIONS.get(int(_field(six, 51, 4)), "")
    node = int(_field(six, 41, 10))
    order = None
    if binary:
        order = ">" if int(_field(kind.decode("latin-1"), 7, 6, 1.0)) == 2 else "<"
    raw = FunctionSet(
        number=number,
        line=line + 1,
        ids=tuple("" if text.strip().upper() == "NONE" else text.strip() for text in header[:5]),
        function=int(_field(six, 0, 5)),
        point=f"{node}{direction}",
        entity="" if six[31:41].strip().upper() == "NONE" else six[31:41].strip(),
        complex_values=data_type in (5, 6),
        double=data_type in (4, 6),
        values=values,
        even=int(_field(seven, 20, 10)) == 1,
        first=_field(seven, 30, 13),
        step=_field(seven, 43, 13),
        axis_kind=int(_field(eight, 0, 10)),
        ordinate_kind=int(_field(nine, 0, 10)),
        unit="" if nine[47:67].strip().upper() in ("NONE", "") else nine[47:67].strip(),
        byte_order=order,
        reference=f"{int(_field(six, 66, 10))}{_DIRECTIONS.get(int(_field(six, 76, 4)), '')}",
        reference_unit=_reference_unit(ten),
        odd=_odd_field(header, number, line),
    )
    return (_place_binary if binary else _place_text)(stream, raw, line + 11)


def _place_binary(stream: IO[bytes], found: FunctionSet, line: int) -> tuple[FunctionSet, int]:
    offset = stream.tell()
    wanted = found.values * found.numbers * (8 if found.double else 4)
    end = stream.seek(0, 2)
    held = max(0, min(wanted, end - offset)) // (found.numbers * (8 if found.double else 4))
    stream.seek(min(end, offset + wanted))
    # the closing mark may stand on the last byte's heels or on a line of its own
    tail = stream.read(16)
    mark = tail.find(b"    -1")
    stream.seek(min(end, offset + wanted) + (mark + 6 if mark >= 0 else 0))
    stream.readline()
    open_ended = message("record.no-end-mark", set=found.number) if mark < 0 and held == found.values else None
    return replace(found, offset=offset, held=held, odd=found.odd or open_ended), line + 1


def _place_text(stream: IO[bytes], found: FunctionSet, line: int) -> tuple[FunctionSet, int]:
    """Lines all of one length are fetched by place later; else the set is parsed once and laid down."""
    offset = stream.tell()
    first = stream.readline()
    per_line = len(found.widths)
    lines = -(-found.values * found.numbers // per_line)
    full = found.values * found.numbers // per_line
    stream.seek(offset + len(first) * full)
    last = stream.readline() if lines > full else b""
    closed = stream.readline().strip() == _MARK and len(first.rstrip()) <= sum(found.widths) + _BEHIND_A_LINE
    if closed and full and first.endswith(b"\n") and last.strip() != _MARK and _even_lines(stream, offset, first, full):
        stream.seek(offset + len(first) * full + len(last))
        stream.readline()
        return replace(found, offset=offset, held=found.values, line_bytes=len(first)), line + lines + 1
    stream.seek(offset)
    return _parse_lines(stream, found, line)


def _even_lines(stream: IO[bytes], offset: int, first: bytes, full: int) -> bool:
    """Try line ends at a thousand places across the set."""
    for index in np.unique(np.linspace(1, full, min(full, 1000), dtype=np.int64)):
        stream.seek(offset + len(first) * int(index) - 1)
        if stream.read(1) != b"\n":
            return False
    return True


def _parse_lines(stream: IO[bytes], found: FunctionSet, line: int) -> tuple[FunctionSet, int]:
    """Read line by line up to the closing mark; what is not a number ends the set."""
    spool, pending = Spool(1), []
    edges = np.concatenate([[0], np.cumsum(found.widths)]).tolist()
    while text := stream.readline():
        line += 1
        bare = text.decode("latin-1").rstrip()
        if bare.strip() == "-1" or len(bare) > edges[-1] + _BEHIND_A_LINE:
            break
        try:
            pending += [float(bare[a:b].replace("D", "E")) for a, b in pairwise(edges) if bare[a:b].strip()]
        except ValueError:
            break
        if not text.endswith(b"\n"):
            pending = pending[:-1]
        if len(pending) > 1 << 16:
            spool.append(np.array(pending)[:, None])
            pending = []
    spool.append(np.array(pending, dtype=np.float64).reshape(-1, 1))
    held = min(found.values, spool.rows // found.numbers)
    return replace(found, held=held, spooled=spool.reader()), line


def _is_history(found: FunctionSet) -> bool:
    timed = found.function == _TIME_RESPONSE or (found.function == _GENERAL and found.axis_kind == _TIME_AXIS)
    return timed and not found.complex_values and found.held >= 2


def _why_not(found: FunctionSet) -> Message:
    number = found.function
    if found.held < 2:
        return message("record.set-empty")
    if not 0 <= number < len(_FUNCTIONS):
        return message("record.set-of-unknown-type", number=number)
    kind = _FUNCTIONS[number]
    if number == _TIME_RESPONSE:
        return message("record.set-complex", kind=kind)
    if number in RESPONSES:
        return message("record.set-of-responses", kind=kind, number=number)
    return message("record.set-without-drive", kind=kind, number=number)


def _rate(path: Path, found: FunctionSet) -> float | None:
    if found.even:
        # the increment is written with six digits: take the roundest rate that would have been written so
        digit = 10.0 ** (np.floor(np.log10(found.step)) - 5) if found.step > 0 else 0.0
        return rounded_rate(found.step, 0.51 * digit) if found.step > 0 else None
    times = values_of(path, found, 0, min(found.held, 200_000))[:, 0]
    step = times[-1] / (len(times) - 1) if len(times) > 1 else 0.0
    rounding = 10.0 ** (np.floor(np.log10(abs(times[-1]))) - 5) if times[-1] else 0.0
    even = even_rate(times)
    if even is None or step <= 0:
        return even
    return rounded_rate((times[-1] - times[0]) / (len(times) - 1), rounding / (len(times) - 1))


def _common(
    sets: list[FunctionSet], rates: dict[int, float | None], rate: float | None
) -> tuple[list[FunctionSet], int, list[Message]]:
    """Sets of one rate and their common length; a set that lacks more than a tenth is left out."""
    same = [each for each in sets if rates[each.number] == rate]
    refused = [
        of_set(each, message("record.set-rate", rate_hz=rates[each.number], common_hz=rate))
        for each in sets
        if rates[each.number] != rate
    ]
    longest = max(each.held for each in same)
    chosen = [each for each in same if each.held >= 0.9 * longest]
    refused += [
        of_set(each, message("record.set-short", held=each.held, longest=longest))
        for each in same
        if each.held < 0.9 * longest
    ]
    return chosen, min(each.held for each in chosen), refused


def _channels(sets: list[FunctionSet], factors: tuple[float, float]) -> tuple[StoredChannel, ...]:
    names = [
        tuple(dict.fromkeys(each for each in (*found.ids, found.entity, found.point, f"node {found.point}") if each))
        for found in sets
    ]
    counts = Counter(name.casefold() for group in names for name in group)
    own = [[name for name in group if counts[name.casefold()] == 1] for group in names]
    return tuple(
        StoredChannel(
            name=[*group, f"set {found.number}"][0],
            unit=unit_of(found, factors),
            other_names=(*group[1:], f"set {found.number}"),
            remark=None if found.unit else _unit_remark(found),
        )
        for found, group in zip(sets, own, strict=True)
    )


def unit_of(found: FunctionSet, factors: tuple[float, float]) -> str | None:
    """Unit of the ordinate, as written or as its kind of quantity and dataset 164 say; None where nothing says it."""
    if found.unit:
        return found.unit
    if found.ordinate_kind not in _KIND_UNITS:
        return None
    unit, length, force = _KIND_UNITS[found.ordinate_kind]
    return f"({1.0 / (factors[0] ** length * factors[1] ** force):.12g} {unit})"


def _unit_remark(found: FunctionSet) -> Message | None:
    return message("record.unit-by-kind") if found.ordinate_kind in _KIND_UNITS else None


def values_of(path: Path, found: FunctionSet, start: int, stop: int) -> Floats:
    """Numbers of values ``start`` to ``stop``, shape (n, numbers a value)."""
    stop = min(stop, found.held)
    if found.spooled is not None:
        return found.spooled(start * found.numbers, stop * found.numbers).reshape(-1, found.numbers)
    with path.open("rb") as stream:
        if found.byte_order:
            kind = np.dtype(found.byte_order + ("f8" if found.double else "f4"))
            stream.seek(found.offset + start * found.numbers * kind.itemsize)
            raw = stream.read((stop - start) * found.numbers * kind.itemsize)
            return np.frombuffer(raw, kind).astype(np.float64).reshape(-1, found.numbers)
        try:
            numbers = _fixed_width(stream, found, start * found.numbers, stop * found.numbers)
            return numbers.reshape(-1, found.numbers)
        except ValueError:
            no_numbers = message("record.no-numbers", number=found.number, start=start, stop=stop)
            raise ReadError(Place(path.name), no_numbers) from None


def _fixed_width(stream: IO[bytes], found: FunctionSet, start: int, stop: int) -> Floats:
    """Numbers ``start`` to ``stop`` of a text set; a blank is put between the fields, which may touch."""
    per_line = len(found.widths)
    first, last = start // per_line, -(-stop // per_line)
    stream.seek(found.offset + first * found.line_bytes)
    raw = stream.read((last - first) * found.line_bytes)
    lines = np.frombuffer(raw.ljust((last - first) * found.line_bytes), np.uint8).reshape(-1, found.line_bytes)
    if last * per_line > found.held * found.numbers:
        lines = lines.copy()
        rest = found.held * found.numbers - (last - 1) * per_line
        lines[-1, sum(found.widths[:rest]) :] = ord(" ")
    parts: list[NDArray[np.uint8]] = []
    blank = np.full((len(lines), 1), ord(" "), np.uint8)
    edge = 0
    for width in found.widths:
        parts += [lines[:, edge : edge + width], blank]
        edge += width
    text = np.concatenate(parts, axis=1).tobytes().replace(b"D", b"E").decode("latin-1")
    numbers: Floats = np.fromstring(text, sep=" ")
    return numbers[start - first * per_line : stop - first * per_line]
