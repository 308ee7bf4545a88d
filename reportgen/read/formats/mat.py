"""MAT files v4 to v7 (v7.3 is HDF5 and goes there): variables are channels, or their columns are; large ones in pieces.

Structures and cell arrays are walked, what they hold is named by its path. The sample rate is a scalar variable
(``fs``, ``sample_rate`` …; ``dt`` for the interval) or follows from an evenly spaced variable ``t`` or ``time``, in the
same structure or beside all of them.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from math import prod
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from reportgen.errors import ReadError, ReportError
from reportgen.read.formats.hdf5 import FEWEST_SAMPLES, INTERVAL_NAMES, RATE_NAMES, TIME_NAMES
from reportgen.read.formats.mat_bounds import claims_of
from reportgen.read.formats.mat_pieces import samples_of
from reportgen.read.formats.mat_tree import leaf, leaves, parent, units_of
from reportgen.read.formats.recording import Fetch, Recording, Rows, Spool, StoredChannel, even_rate, other_extent
from reportgen.records.log import Floats
from reportgen.records.message import Message, Place, message

_UNIT_NAMES = ("units", "unit")
_FREQUENCY_NAMES = ("frequency", "freq", "f", "frequencies", "hz", "frequency_hz", "freq_hz")
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


@dataclass(frozen=True, slots=True, eq=False)
class _Variable:
    """A numeric variable with its samples along the rows."""

    name: str
    samples: int
    columns: int
    read: Rows

    @property
    def head(self) -> Floats:
        """First values of a variable of one column."""
        return self.read(0, min(self.samples, _LOOKED_AT))[:, 0]

    @property
    def is_time(self) -> bool:
        """Named like time and rising evenly; a ``T`` that wanders is a temperature."""
        return leaf(self.name).casefold() in TIME_NAMES and self.columns == 1 and even_rate(self.head) is not None


def open_mat(path: Path, name: str) -> Recording:
    """Open a MAT file. Raises ReadError."""
    from scipy.io import whosmat

    claims = claims_of(path, name)
    try:
        found = [(key, tuple(shape), kind) for key, shape, kind in whosmat(path) if key not in claims.refused]
    except Exception as fault:  # scipy raises many kinds for a broken file
        raise ReadError(Place(name), message("record.mat-not-readable", problem=_brief(fault))) from None
    variables, damage, large = _load(path, found)
    nested, texts, broken = ([], {}, ()) if damage else _nested(path, found)
    not_opened: tuple[Message, ...] = (*claims.refused.values(), *large, *broken)
    variables += nested
    long = [each for each in variables if each.samples >= FEWEST_SAMPLES]
    times, signals = [each for each in long if each.is_time], [each for each in long if not each.is_time]
    if not signals:
        raise ReadError(Place(name), next(iter(not_opened), None) or damage or _nothing(variables))
    rates = {each.name: _rate(each.name, variables, times) for each in signals}
    kinds = [(each.samples, rates[each.name]) for each in signals]
    common = max(set(kinds), key=lambda kind: (kind[1] is not None, kinds.count(kind), kind[0]))
    if common[1] is None and (by_frequency := _rows_of_frequency(signals)):
        raise ReadError(Place(name), by_frequency)
    chosen = [each for each, kind in zip(signals, kinds, strict=True) if kind == common]
    places = [(each, column) for each in chosen for column in range(each.columns)]
    own_time = next((each for each in times if parent(each.name) == parent(chosen[0].name)), next(iter(times), None))
    return Recording(
        sample_rate_hz=common[1],
        samples=common[0],
        channels=_channels(places, _units(path, found, len(places)) or _nested_units(places, texts, bool(times))),
        fetch=_fetch(places),
        start_s=float(own_time.head[0]) if own_time is not None else 0.0,
        damage=damage,
        layout=message("layout.mat", channels=len(places), variables=len(chosen)),
        refused=(
            *not_opened,
            *(
                other_extent(each.name, kind, common)
                for each, kind in zip(signals, kinds, strict=True)
                if kind != common
            ),
        ),
    )


def _nothing(variables: list[_Variable]) -> Message:
    if not variables:
        return message("record.mat-empty", fewest=FEWEST_SAMPLES)
    longest = max(variables, key=lambda each: each.samples)
    return message("record.mat-short", fewest=FEWEST_SAMPLES, longest=longest.name, values=longest.samples)


def _rows_of_frequency(signals: list[_Variable]) -> Message | None:
    """What to do with variables that go with a frequency and not with time; None where there is no frequency."""
    by_frequency = [each.name for each in signals if leaf(each.name).casefold() in _FREQUENCY_NAMES]
    if not by_frequency:
        return None
    beside = tuple(leaf(each.name) for each in signals if parent(each.name) == parent(by_frequency[0]))
    return message("record.mat-by-frequency", frequency=by_frequency[0], readings=beside, sets=len(by_frequency))


def _nested(
    path: Path, found: list[tuple[str, tuple[int, ...], str]]
) -> tuple[list[_Variable], dict[str, str], tuple[Message, ...]]:
    """Numbers inside structures and cell arrays as variables named by their path, and texts by theirs."""
    from scipy.io import loadmat

    variables: list[_Variable] = []
    texts: dict[str, str] = {}
    broken: list[Message] = []
    for key, _, kind in found:
        if kind not in ("struct", "cell"):
            continue
        try:
            value = loadmat(path, variable_names=[key])[key]
        except Exception as fault:  # scipy raises many kinds for a broken variable
            broken.append(message("mat.broken", variable=key, reason=_brief(fault)))
            continue
        for name, each in leaves(key, value):
            if each.dtype.kind == "U":
                texts[name] = ", ".join(str(text).strip() for text in each.reshape(-1))
            elif each.dtype.kind in "iuf" and each.ndim <= 2 and each.size:
                rows = np.atleast_2d(each)
                variables.append(_spooled(name, rows if rows.shape[0] >= rows.shape[1] else rows.T))
    return variables, texts, tuple(broken)


def _nested_units(places: list[tuple[_Variable, int]], texts: dict[str, str], timed: bool) -> list[str]:
    """Units by a text ``unit`` or ``units`` in the structure that the channels are in."""
    inside = {parent(variable.name) for variable, _ in places}
    found = [text for name, text in texts.items() if leaf(name).casefold() in _UNIT_NAMES and parent(name) in inside]
    return units_of(found[0], len(places), timed) if found and len(set(found)) == 1 else []


def _channels(places: list[tuple[_Variable, int]], units: list[str]) -> tuple[StoredChannel, ...]:
    return tuple(
        StoredChannel(
            name=variable.name if variable.columns == 1 else f"{variable.name}[{column + 1}]",
            unit=units[at] if units else None,
        )
        for at, (variable, column) in enumerate(places)
    )


def _brief(fault: Exception) -> Message | str:
    """What an exception says: a message of our own, or the first line of a library's."""
    if isinstance(fault, ReportError):
        return fault.said
    return str(fault).strip().splitlines()[0] if str(fault).strip() else type(fault).__name__


def _fetch(places: list[tuple[_Variable, int]]) -> Fetch:
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
) -> tuple[list[_Variable], Message | None, tuple[Message, ...]]:
    """Variables one after another, what is damaged, and those too large to be read.

    No more than one is unpacked in memory at a time, and no large one whole; the rest lies spooled.
    """
    variables: list[_Variable] = []
    refused: list[Message] = []
    for key, shape, kind in found:
        numeric = kind in ("double", "single") or kind.startswith(("int", "uint"))
        if not numeric or len(shape) != 2 or 0 in shape:
            continue
        try:
            variable = _in_pieces(path, key) if _size(shape, kind) > _LARGEST else _whole(path, key)
        except Exception as fault:  # scipy raises many kinds for a broken variable
            damage = message("record.variable-damaged", variable=key, problem=_brief(fault))
            return variables, damage, tuple(refused)
        if variable is not None:
            variables.append(variable)
        elif _size(shape, kind) > _LARGEST:
            size, most = _size(shape, kind) / 1e6, _LARGEST / 1e6
            refused.append(message("record.variable-too-large", variable=key, size_mb=size, most_mb=most))
    return variables, None, tuple(refused)


def _size(shape: tuple[int, ...], kind: str) -> int:
    """Bytes of a variable, unpacked."""
    return prod(shape) * _BYTES.get(kind, 1)


def _in_pieces(path: Path, key: str) -> _Variable | None:
    laid = samples_of(path, key)
    return None if laid is None else _Variable(key, *laid)


def _whole(path: Path, key: str) -> _Variable | None:
    from scipy.io import loadmat

    value = np.atleast_2d(loadmat(path, variable_names=[key])[key])
    if np.iscomplexobj(value):
        return None
    return _spooled(key, value if value.shape[0] >= value.shape[1] else value.T)


def _spooled(key: str, rows: NDArray[np.generic]) -> _Variable:
    spool = Spool(rows.shape[1])
    for begin in range(0, len(rows), _LOOKED_AT):
        spool.append(rows[begin : begin + _LOOKED_AT].astype(np.float64))
    return _Variable(key, len(rows), rows.shape[1], spool.reader())


def _rate(of: str, variables: list[_Variable], times: list[_Variable]) -> float | None:
    """Sample rate of a signal: what its own structure says, then those around it, then the file."""
    around = parent(of)
    while True:
        for each in (each for each in variables if parent(each.name) == around and each.samples == each.columns == 1):
            if each.head[0] > 0 and leaf(each.name).casefold() in RATE_NAMES:
                return float(each.head[0])
            if each.head[0] > 0 and leaf(each.name).casefold() in INTERVAL_NAMES:
                return 1.0 / float(each.head[0])
        for each in times:
            if parent(each.name) == around:
                return even_rate(each.head)
        if not around:
            return None
        around = parent(around)


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
