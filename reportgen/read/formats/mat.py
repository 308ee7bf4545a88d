"""MAT files v4 to v7 (v7.3 is HDF5 and goes there): variables are channels, or their columns are; large ones in pieces.

Structures and cell arrays are walked, what they hold is named by its path. The sample rate is a scalar variable
(``fs``, ``sample_rate`` …; ``dt`` for the interval) or follows from an evenly spaced variable ``t`` or ``time``, in the
same structure or beside all of them; without any of these, from numbers that rise evenly, such as a first column.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from math import prod
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from reportgen.errors import ReadError, ReportError
from reportgen.read.formats.evened import evened
from reportgen.read.formats.hdf5 import FEWEST_SAMPLES
from reportgen.read.formats.mat_bounds import claims_of
from reportgen.read.formats.mat_clock import Clocks, Moments, Variable, named_frequency
from reportgen.read.formats.mat_pieces import samples_of
from reportgen.read.formats.mat_tree import leaf, leaves, parent, units_of
from reportgen.read.formats.recording import (
    Fetch,
    Recording,
    Spool,
    StoredChannel,
    even_rate,
    other_extent,
    rounded_rate,
)
from reportgen.read.formats.stated_factors import factor_of
from reportgen.read.formats.table_times import Times
from reportgen.records.message import Message, Place, message

_UNIT_NAMES = ("units", "unit")
_LABEL_NAMES = ("names", "name", "channels", "channel_names", "channelnames", "labels", "columns", "legend")
_LOOKED_AT = 1 << 18
_LARGEST = 32 << 20
"""Bytes of a variable that is unpacked in one piece; a larger one is read in pieces, where its version allows it."""
_BYTES = {"double": 8, "single": 4, "int64": 8, "uint64": 8, "int32": 4, "uint32": 4, "int16": 2, "uint16": 2}


def looks_like_mat(head: bytes) -> bool:
    """True for the first 128 bytes of a MAT file of v4 to v7.2."""
    if head[:19] == b"MATLAB 5.0 MAT-file":
        return True
    if len(head) < 20:
        return False
    for order in "<>":
        kind, rows, columns, imaginary, length = struct.unpack(order + "5i", head[:20])
        digits = (kind // 1000, kind // 100 % 10, kind // 10 % 10, kind % 10)
        plausible = digits[0] in (0, 1) and digits[1] == 0 and digits[2] <= 5 and digits[3] <= 2
        if kind >= 0 and plausible and rows > 0 and columns > 0 and imaginary in (0, 1) and 1 < length <= 64:
            text = head[20 : 20 + length].rstrip(b"\0")
            return text.isascii() and text.decode("ascii").isidentifier()
    return False


def open_mat(path: Path, name: str, told_hz: float | None = None) -> Recording:
    """Open a MAT file; a sample rate that is told makes labels of its times. Raises ReadError."""
    from scipy.io import whosmat

    claims = claims_of(path, name)
    try:
        found = [(key, tuple(shape), kind) for key, shape, kind in whosmat(path) if key not in claims.refused]
    except Exception as fault:  # scipy raises many kinds for a broken file
        raise ReadError(Place(name), message("record.mat-not-readable", problem=_brief(fault))) from None
    variables, damage, large, complex_ones = _load(path, found)
    nested, texts, broken = ([], {}, ()) if damage else _nested(path, found)
    not_opened: tuple[Message, ...] = (*claims.refused.values(), *large, *broken)
    variables += nested
    clocks = Clocks(variables, texts)
    signals = [each for each in variables if each.samples >= FEWEST_SAMPLES and not each.is_time]
    if not signals:
        raise ReadError(Place(name), next(iter(not_opened), None) or damage or _nothing(variables))
    moments = {each.name: _moments(clocks, each) for each in signals}
    taken = {(each.of.name, each.column) for each in moments.values() if each is not None}
    signals = [each for each in signals if each.columns > 1 or (each.name, 0) not in taken]
    rates = {each.name: _rate(clocks, moments[each.name], each) for each in signals}
    kinds = [(each.samples, rates[each.name]) for each in signals]
    common = max(set(kinds), key=lambda kind: (kind[1] is not None, kinds.count(kind), kind[0]))
    if common[1] is None and (by_frequency := _rows_of_frequency(signals, complex_ones)):
        raise ReadError(Place(name), by_frequency)
    chosen = [each for each, kind in zip(signals, kinds, strict=True) if kind == common]
    places = [(each, column) for each in chosen for column in range(each.columns) if (each.name, column) not in taken]
    times = moments[chosen[0].name]
    channels = _channels(places, _units(path, found, len(places)), texts)
    clock = None if times is None or told_hz is not None else Times(times.seconds, common[0])
    even = evened(_fetch(places), [each.name for each in channels], common[0], common[1] or told_hz, clock, name)
    if not even.kept:
        raise ReadError(Place(name), message("record.nothing-left", what=even.refused[0]))
    return Recording(
        sample_rate_hz=even.rate_hz,
        stated_hz=clocks.stated(chosen[0]),
        by_times_hz=None if clock is None else even.rate_hz,
        samples=even.samples,
        channels=tuple(channels[place] for place in even.kept),
        fetch=even.fetch,
        start_s=0.0 if times is None else float(times.seconds(0, 1)[0]),
        damage=even.damage if damage is None else damage,
        factors=_factors(variables, {key: kind for key, _, kind in found}, chosen),
        layout=_layout(len(even.kept), len(chosen), times),
        refused=(
            *not_opened,
            *even.refused,
            *(
                other_extent(each.name, kind, common)
                for each, kind in zip(signals, kinds, strict=True)
                if kind != common
            ),
        ),
    )


def _factors(variables: list[Variable], kinds: dict[str, str], chosen: list[Variable]) -> tuple[Message, ...]:
    """Single numbers called like a factor: of whole numbers a gain or a sensitivity as well."""
    whole = any(kinds.get(each.name, "").startswith(("int", "uint")) for each in chosen)
    single = [each for each in variables if each.samples == each.columns == 1]
    told = [factor_of(leaf(each.name), float(each.head[0]), whole_numbers=whole) for each in single]
    return tuple(each for each in told if each is not None)


def _layout(channels: int, variables: int, times: Moments | None) -> Message:
    """How the file was understood; numbers that are times without being called so are named."""
    if times is None or times.of.is_time:
        return message("layout.mat", channels=channels, variables=variables)
    clock = _called(times.of, times.column)
    return message("layout.mat-by-times", channels=channels, variables=variables, times=clock)


def _moments(clocks: Clocks, signal: Variable) -> Moments | None:
    """Times of a signal; none where a rate is stated for it and none are named so."""
    named = clocks.times_of(signal)
    return named if named is not None or clocks.stated(signal) is not None else clocks.unnamed_times(signal)


def _rate(clocks: Clocks, times: Moments | None, signal: Variable) -> float | None:
    """Sample rate of a signal: as stated, else as its times go on."""
    stated = clocks.stated(signal)
    if stated is not None or times is None:
        return stated
    seconds = times.seconds(0, signal.samples)
    return even_rate(seconds) or rounded_rate(float(seconds[-1] - seconds[0]) / (len(seconds) - 1), 0.0)


def _nothing(variables: list[Variable]) -> Message:
    if not variables:
        return message("record.mat-empty", fewest=FEWEST_SAMPLES)
    longest = max(variables, key=lambda each: each.samples)
    return message("record.mat-short", fewest=FEWEST_SAMPLES, longest=longest.name, values=longest.samples)


def _rows_of_frequency(signals: list[Variable], complex_ones: Sequence[str]) -> Message | None:
    """What to do with variables that go with a frequency and not with time; None where there is no frequency."""
    by_frequency = [each.name for each in signals if named_frequency(leaf(each.name))]
    if not by_frequency:
        return None
    beside = tuple(
        leaf(each.name)
        for each in signals
        if parent(each.name) == parent(by_frequency[0]) and each.name not in by_frequency
    )
    beside = (*beside, *complex_ones) if not parent(by_frequency[0]) else beside
    return message("record.mat-by-frequency", frequency=by_frequency[0], readings=beside, sets=len(by_frequency))


def _nested(
    path: Path, found: list[tuple[str, tuple[int, ...], str]]
) -> tuple[list[Variable], dict[str, str], tuple[Message, ...]]:
    """Numbers inside structures and cell arrays as variables named by their path, and texts by theirs."""
    from scipy.io import loadmat

    variables: list[Variable] = []
    texts: dict[str, str] = {}
    broken: list[Message] = []
    for key, _, kind in found:
        if kind not in ("struct", "cell", "char"):
            continue
        try:
            value = loadmat(path, variable_names=[key])[key]
        except Exception as fault:  # scipy raises many kinds for a broken variable
            broken.append(message("mat.broken", variable=key, reason=_brief(fault)))
            continue
        for name, each in leaves(key, value):
            if each.dtype.kind == "U":
                texts[name] = ", ".join(str(text).strip() for text in each.reshape(-1))
            elif each.dtype.kind in "iuf" and each.size:
                variables.append(_spooled(name, _along_time(each)))
    return variables, texts, tuple(broken)


def _nested_units(places: Sequence[tuple[Variable, int]], texts: dict[str, str]) -> list[str | None]:
    """The unit of each channel by a text ``unit`` or ``units`` in the structure that it is in, or in one around it."""
    inside: dict[str, list[int]] = {}
    for at, (variable, _) in enumerate(places):
        inside.setdefault(parent(variable.name), []).append(at)
    found: list[str | None] = [None] * len(places)
    for around, mine in inside.items():
        units = units_of(_text_in(around, texts), len(mine), timed=True)
        for at, unit in zip(mine, units, strict=False):
            found[at] = unit
    for at, (variable, column) in enumerate(places):
        listed = _cells(parent(variable.name), texts, _UNIT_NAMES)
        if len(listed) == variable.columns > 1:
            found[at] = listed[column]
    return found


def _cells(around: str, texts: dict[str, str], names: tuple[str, ...]) -> list[str]:
    """Texts of the cells of a cell array of one of some names, in their order: of ``units{1}``, ``units{2}`` …"""
    inside = [(leaf(name).partition("{"), text) for name, text in texts.items() if parent(name) == around]
    return [text for (name, brace, _), text in inside if brace and name.casefold() in names]


def _text_in(around: str, texts: dict[str, str]) -> str:
    """A text of units in a structure, or in one around it."""
    while around:
        inside = [
            text for name, text in texts.items() if parent(name) == around and leaf(name).casefold() in _UNIT_NAMES
        ]
        if inside:
            return inside[0]
        around = parent(around)
    return ""


def _channels(
    places: Sequence[tuple[Variable, int]], units: Sequence[str], texts: dict[str, str]
) -> tuple[StoredChannel, ...]:
    own = list(units) or _nested_units(places, texts)
    return tuple(
        StoredChannel(name=_called(*place), unit=own[at] or None, other_names=_labels(*place, texts))
        for at, place in enumerate(places)
    )


def _called(variable: Variable, column: int) -> str:
    return variable.name if variable.columns == 1 else f"{variable.name}[{column + 1}]"


def _labels(variable: Variable, column: int, texts: dict[str, str]) -> tuple[str, ...]:
    """The name that a cell array of as many names as there are columns gives one of them."""
    listed = _cells(parent(variable.name), texts, _LABEL_NAMES)
    return (listed[column],) if len(listed) == variable.columns > 1 and listed[column] else ()


def _brief(fault: Exception) -> Message | str:
    """What an exception says: a message of our own, or the first line of a library's."""
    if isinstance(fault, ReportError):
        return fault.said
    return str(fault).strip().splitlines()[0] if str(fault).strip() else type(fault).__name__


def _fetch(places: list[tuple[Variable, int]]) -> Fetch:
    """Read by variable: one visit gives all its wanted columns."""

    def fetch(start: int, stop: int, wanted: tuple[int, ...]) -> NDArray[np.generic]:
        out = np.empty((stop - start, len(wanted)))
        for variable in dict.fromkeys(places[each][0] for each in wanted):
            mine = [(at, places[each][1]) for at, each in enumerate(wanted) if places[each][0] is variable]
            out[:, [at for at, _ in mine]] = variable.read(start, stop)[:, [column for _, column in mine]]
        return out

    return fetch


def _load(
    path: Path, found: list[tuple[str, tuple[int, ...], str]]
) -> tuple[list[Variable], Message | None, tuple[Message, ...], list[str]]:
    """Variables one after another, what is damaged, what is said of those that cannot be read, and the complex ones.

    No more than one is unpacked in memory at a time, and no large one whole; the rest lies spooled.
    """
    variables: list[Variable] = []
    refused: list[Message] = []
    complex_ones: list[str] = []
    for key, shape, kind in found:
        numeric = kind in ("double", "single") or kind.startswith(("int", "uint"))
        if not numeric or 0 in shape:
            continue
        try:
            variable = _in_pieces(path, key) if _size(shape, kind) > _LARGEST and len(shape) == 2 else _whole(path, key)
        except Exception as fault:  # scipy raises many kinds for a broken variable
            damage = message("record.variable-damaged", variable=key, problem=_brief(fault))
            return variables, damage, tuple(refused), complex_ones
        if variable is not None:
            variables.append(variable)
        elif _size(shape, kind) <= _LARGEST:
            refused.append(message("record.variable-complex", variable=key))
            complex_ones.append(key)
        else:
            size, most = _size(shape, kind) / 1e6, _LARGEST / 1e6
            refused.append(message("record.variable-too-large", variable=key, size_mb=size, most_mb=most))
    return variables, None, tuple(refused), complex_ones


def _size(shape: tuple[int, ...], kind: str) -> int:
    """Bytes of a variable, unpacked."""
    return prod(shape) * _BYTES.get(kind, 1)


def _in_pieces(path: Path, key: str) -> Variable | None:
    laid = samples_of(path, key)
    return None if laid is None else Variable(key, *laid)


def _whole(path: Path, key: str) -> Variable | None:
    from scipy.io import loadmat

    value = loadmat(path, variable_names=[key])[key]
    return None if np.iscomplexobj(value) else _spooled(key, _along_time(value))


def _along_time(value: NDArray[np.generic]) -> NDArray[np.generic]:
    """An array of any shape with its longest side along the rows; of more than two sides the others are columns."""
    whole = np.atleast_2d(np.squeeze(value))
    if whole.ndim > 2:
        time = int(np.argmax(whole.shape))
        return np.moveaxis(whole, time, 0).reshape(whole.shape[time], -1, order="F")
    return whole if whole.shape[0] >= whole.shape[1] else whole.T


def _spooled(key: str, rows: NDArray[np.generic]) -> Variable:
    spool = Spool(rows.shape[1])
    for begin in range(0, len(rows), _LOOKED_AT):
        spool.append(rows[begin : begin + _LOOKED_AT].astype(np.float64))
    return Variable(key, len(rows), rows.shape[1], spool.reader())


def _units(path: Path, found: list[tuple[str, tuple[int, ...], str]], channels: int) -> list[str]:
    """A text variable ``unit`` or ``units``: one text for all channels, or one a channel."""
    from scipy.io import loadmat

    for key, _, kind in found:
        if key.casefold() in _UNIT_NAMES and kind in ("char", "cell"):
            try:
                value = loadmat(path, variable_names=[key], simplify_cells=True)[key]
            except Exception:  # scipy raises many kinds for a broken variable; then the file says no unit
                continue
            texts = [str(each).strip() for each in np.atleast_1d(value)]
            if len(texts) in (1, channels):
                return texts * (channels if len(texts) == 1 else 1)
    return []
