"""HDF5 files, MAT v7.3 among them: every numeric data set with samples enough is a channel, or one a column.

The sample rate comes from an attribute (of the data set, of a group above it or of the file), from an evenly spaced
data set called ``time`` or ``t`` beside the channel, or from a scalar data set such as ``fs``. The unit comes from an
attribute ``unit`` or ``units``. Signals may lie along either axis; the longer one is time.
"""

from __future__ import annotations

from functools import partial
from math import prod
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reportgen.errors import ReadError, UnitError
from reportgen.read.formats.evened import evened
from reportgen.read.formats.recording import Fetch, Recording, StoredChannel, even_rate, other_extent, rounded_rate
from reportgen.read.formats.stated_factors import factor_of
from reportgen.read.formats.table_times import Times
from reportgen.records.log import Floats
from reportgen.records.message import Message, Place, message
from reportgen.units import parse_unit

MAGIC = b"\x89HDF\r\n\x1a\n"
RATE_NAMES = (
    "sample_rate", "samplerate", "sample rate", "sampling_rate", "samplingrate", "sampling rate", "fs", "f_s",
    "sampling_frequency", "samplingfrequency", "sampling frequency", "sample_frequency", "sample_rate_hz",
    "fs_hz", "rate", "samplefrequency", "samplingfreq", "sampling_freq", "sample_freq", "samplefreq", "srate", "sfreq",
    "fsamp", "f_sample", "fsample", "sample_rate_hz", "sampling_rate_hz", "samples_per_second",
)  # fmt: skip
INTERVAL_NAMES = (
    "dt",
    "delta_t",
    "increment",
    "sample_interval",
    "sampling_interval",
    "ts",
    "wf_increment",
    "interval",
    "sampleinterval",
    "samplinginterval",
    "sampling_period",
    "samplingperiod",
    "deltat",
    "time_step",
    "timestep",
)
TIME_NAMES = ("time", "t", "times", "time_s", "time [s]")
_PACKED = ("scale_factor", "add_offset")
"""Attributes of packed numbers in files after the CF Conventions."""
FEWEST_SAMPLES = 16
_DEEPEST = 12
_MOST_SETS = 5_000
"""Groups and data sets that are looked at, and cells of one array: a record holds dozens."""
_MOST_CHANNELS = 10_000
"""Columns of one data set."""
_LARGEST_PIECE = 256 << 20
"""Bytes of a data set that the library unpacks at once (its chunk); it writes chunks of 1 MB or less by itself."""
_LONGEST_TEXT = 200
"""Characters of an attribute: a name, a unit, a remark."""


def open_hdf5(path: Path, name: str, told_hz: float | None = None) -> Recording:
    """Open an HDF5 file; a sample rate that is told makes labels of its times. Raises ReadError."""
    import h5py

    try:
        with h5py.File(path, "r") as file:
            walk = _Walk(file, name)
            walk.into(file, "", ())
            return _recording(path, name, file, walk, told_hz)
    except (OSError, RuntimeError, ValueError, TypeError, KeyError, OverflowError) as fault:  # a damaged type, or name
        reason = str(fault).split("(")[-1].rstrip(")")
        raise ReadError(Place(name), message("record.hdf5-not-opened", problem=reason)) from None


class _Walk:
    """Every data set of numbers by its path; elements of a cell array of MAT v7.3 have their number in braces."""

    def __init__(self, file: Any, name: str) -> None:
        self._file, self._name, self._seen = file, name, 0
        self.sets: dict[str, Any] = {}
        self.refused: list[Message] = []

    def into(self, thing: Any, path: str, above: tuple[Any, ...]) -> None:
        """Look at a group, a data set or a cell; ``above``: what it lies in. Raises ReadError."""
        import h5py

        self._seen += 1
        if self._seen > _MOST_SETS:
            raise ReadError(Place(self._name), message("record.many-things", most=_MOST_SETS))
        if len(above) > _DEEPEST:
            self.refused.append(message("record.too-deep", path=path[:_LONGEST_TEXT], most=_DEEPEST))
        elif thing in above:
            self.refused.append(message("record.in-a-circle", path=path[:_LONGEST_TEXT]))
        elif isinstance(thing, h5py.Group):
            for key in thing:
                if not key.startswith("#") and (inner := thing.get(key)) is not None:
                    self.into(inner, f"{path}/{key}", (*above, thing))
        elif isinstance(thing, h5py.Dataset) and thing.shape is not None:
            self._data(thing, path, above)

    def _data(self, thing: Any, path: str, above: tuple[Any, ...]) -> None:
        import h5py

        if h5py.check_ref_dtype(thing.dtype) is h5py.Reference:
            if thing.size > _MOST_SETS:
                raise ReadError(Place(self._name), message("record.many-things", most=_MOST_SETS))
            cells = np.asarray(thing[()]).T.reshape(-1, order="F")
            for number, cell in enumerate(cells, 1):
                if cell:
                    inner = path if len(cells) == 1 else f"{path}{{{number}}}"
                    self.into(self._file[cell], inner, (*above, thing))
        elif thing.dtype.kind in "iuf" and _text(thing.attrs.get("MATLAB_class")) not in ("char", "logical"):
            if fault := _fault(thing, path):
                self.refused.append(fault)
            else:
                self.sets[path] = thing


def _fault(data: Any, path: str) -> Message | None:
    """Why a data set cannot be read whole; None where it can."""
    shown, bytes_each = path[:_LONGEST_TEXT], data.dtype.itemsize
    if data.ndim == 2 and min(data.shape) > _MOST_CHANNELS:
        return message("record.many-channels", path=shown, channels=min(data.shape), most=_MOST_CHANNELS)
    if data.chunks is None:
        there = data.id.get_storage_size() // bytes_each
        written = data.is_virtual or bool(data.external) or data.size <= there
        return None if written else message("record.not-written", path=shown, declared=data.size, written=there)
    if prod(data.chunks) * bytes_each > _LARGEST_PIECE:
        held = prod(data.chunks) * bytes_each
        return message("record.large-chunk", path=shown, bytes=held, most=_LARGEST_PIECE)
    chunks = prod(-(-side // piece) for side, piece in zip(data.shape, data.chunks, strict=True))
    if (there := data.id.get_num_chunks()) >= chunks:
        return None
    return message("record.not-written", path=shown, declared=data.size, written=there * prod(data.chunks))


def _recording(path: Path, name: str, file: Any, walk: _Walk, told_hz: float | None) -> Recording:
    sets = walk.sets
    signals = {key: data for key, data in sets.items() if _samples(data.shape) >= FEWEST_SAMPLES}
    signals = {key: data for key, data in signals.items() if data.ndim <= 2 and data.size}
    times = {key: data for key, data in signals.items() if _is_time(key, data)}
    signals = {key: data for key, data in signals.items() if key not in times}
    if not signals and walk.refused:
        raise ReadError(Place(name), message("record.nothing-left", what=walk.refused[0]))
    if not signals:
        raise ReadError(Place(name), message("record.hdf5-empty"))
    rates = {key: _rate(file, sets, times, key) for key in signals}
    kinds = {key: (_samples(signals[key].shape), rates[key]) for key in signals}
    common = max(set(kinds.values()), key=lambda kind: (list(kinds.values()).count(kind), kind[0]))
    refused = tuple(other_extent(key[:_LONGEST_TEXT], kind, common) for key, kind in kinds.items() if kind != common)
    chosen = [key for key in signals if kinds[key] == common]
    places = [(key, column) for key in chosen for column in range(_columns(signals[key].shape))]
    fetch = _fetch(path, name, [(signals[key].name, column) for key, column in places])
    channels = [_channel(signals[key], key, column) for key, column in places]
    moments = None if told_hz is not None else _moments(file, sets, times, chosen[0])
    even = evened(fetch, [each.name for each in channels], common[0], common[1] or told_hz, moments, name)
    if not even.kept:
        raise ReadError(Place(name), message("record.nothing-left", what=even.refused[0]))
    return Recording(
        sample_rate_hz=even.rate_hz,
        stated_hz=_stated_rate(file, sets, chosen[0]),
        by_times_hz=_rate_by_times(sets, times, chosen[0]),
        samples=even.samples,
        channels=tuple(channels[place] for place in even.kept),
        fetch=even.fetch,
        start_s=_start(times, chosen[0]),
        remarks=tuple(f"{key} = {_text(value)}" for key, value in file.attrs.items() if _text(value)),
        damage=even.damage,
        factors=tuple(dict.fromkeys(each for key in chosen for each in _factors(signals[key]))),
        layout=message("layout.hdf5", channels=len(even.kept), sets=len(chosen)),
        refused=(*walk.refused[:_REFUSALS_SHOWN], *even.refused, *refused),
    )


def _moments(file: Any, sets: dict[str, Any], times: dict[str, Any], key: str) -> Times | None:
    """Times of a signal's samples where nothing states its rate and they are uneven, or few enough to look through."""
    if _stated_rate(file, sets, key) is not None:
        return None
    for group in map(str, PurePosixPath(key).parents):
        for time_key, data in times.items():
            if str(PurePosixPath(time_key).parent) == group and _samples(data.shape) == _samples(sets[key].shape):
                few = data.size <= _TIMES_LOOKED_THROUGH and not _counts(data)
                return Times(partial(_flat_between, data), data.size) if few else None
    return None


_TIMES_LOOKED_THROUGH = 1 << 22
"""Times that are held against even ones one by one; of longer records their beginning and every so many."""
_REFUSALS_SHOWN = 50
"""As many as a reader goes through; a file that is made to be refused has thousands."""


def _is_time(key: str, data: Any) -> bool:
    """Named like time and rising; a ``T`` that wanders is a temperature."""
    if PurePosixPath(key).name.casefold() not in TIME_NAMES or _columns(data.shape) != 1:
        return False
    return bool(np.all(np.diff(_flat(data, slice(0, 1000))) > 0))


def _flat(data: Any, part: slice) -> Floats:
    """Part of a data set of one column."""
    values = data[part] if data.ndim == 1 else (data[0, part] if data.shape[0] == 1 else data[part, 0])
    return np.asarray(values, dtype=np.float64)


def _flat_between(data: Any, start: int, stop: int) -> Floats:
    return np.asarray(_seconds_for(data) * _flat(data, slice(start, stop)))


def _seconds_for(times: Any) -> float:
    """Seconds for a stored 1 of times: as their attribute of units says, else 1."""
    try:
        unit = parse_unit(_text(_attribute(times, ("unit", "units"))) or "s")
    except UnitError:
        return 1.0
    return unit.factor if unit.dimension == "time" else 1.0


def _counts(times: Any) -> bool:
    """Whether times go on by 1 from a whole number on and nothing says what of: rows, or any unit."""
    head = _flat(times, slice(0, 1000))
    whole = len(head) > 1 and head[0] == round(head[0]) and bool(np.all(np.diff(head) == 1.0))
    return (
        whole
        and _attribute(times, ("unit", "units")) is None
        and PurePosixPath(times.name).name not in ("time_s", "time [s]")
    )


def _samples(shape: tuple[int, ...]) -> int:
    return max(shape) if shape else 0


def _columns(shape: tuple[int, ...]) -> int:
    return 1 if len(shape) == 1 else min(shape)


def _channel(data: Any, key: str, column: int) -> StoredChannel:
    columns = _columns(data.shape)
    units = _texts(_attribute(data, ("unit", "units")), columns)
    labels = _texts(_attribute(data, ("channels", "channel_names", "names", "labels", "columns")), columns)
    label = labels[column] if labels else None
    short = PurePosixPath(key).name
    if columns == 1:
        own = _text(_attribute(data, ("name", "channel", "label")))
        aliases = tuple(dict.fromkeys(each for each in (short, key.lstrip("/"), own) if each))
        return StoredChannel(name=key, unit=units[0] if units else None, other_names=aliases)
    aliases = (f"{short}[{column + 1}]", f"{key.lstrip('/')}[{column + 1}]", *([label] if label else []))
    return StoredChannel(
        name=f"{key}[{column + 1}]",
        unit=units[column if len(units) > 1 else 0] if units else None,
        other_names=aliases,
    )


def _attribute(thing: Any, names: tuple[str, ...]) -> Any:
    for key, value in thing.attrs.items():
        if key.casefold() in names:
            return value
    return None


def _text(value: Any) -> str | None:
    if isinstance(value, bytes):
        value = value.decode("utf-8", "replace")
    if isinstance(value, np.ndarray) and value.size == 1:
        return _text(value.reshape(-1)[0])
    return str(value).strip()[:_LONGEST_TEXT] if isinstance(value, str | int | float | np.generic) else None


def _texts(value: Any, columns: int) -> list[str]:
    """An attribute as one text a column, or one for all, or none."""
    if value is None:
        return []
    if isinstance(value, np.ndarray) and value.size == columns:
        return [_text(each) or "" for each in value.reshape(-1)]
    text = _text(value)
    if not text:
        return []
    parts = [part.strip() for part in text.split(",")]
    return parts if len(parts) == columns else [text] * columns


def _factors(data: Any) -> tuple[Message, ...]:
    """Attributes of a data set that are called like a factor: of whole numbers a gain or a sensitivity as well."""
    numbers = [(key, _any_number(value)) for key, value in data.attrs.items() if key.casefold() not in _PACKED]
    whole = data.dtype.kind in "iu"
    told = [factor_of(key, value, whole_numbers=whole) for key, value in numbers if value is not None]
    return tuple(each for each in told if each is not None)


def _any_number(value: Any) -> float | None:
    """The one number of an attribute; None for texts and for several."""
    if value is None or np.asarray(value).size != 1 or np.asarray(value).dtype.kind not in "iuf":
        return None
    return float(np.asarray(value).reshape(-1)[0])


def _number(value: Any) -> float | None:
    try:
        number = float(np.asarray(value).reshape(-1)[0])
    except (TypeError, ValueError, IndexError):
        return None
    return number if np.isfinite(number) and number > 0 else None


def _rate(file: Any, sets: dict[str, Any], times: dict[str, Any], key: str) -> float | None:
    stated = _stated_rate(file, sets, key)
    return stated if stated is not None else _rate_by_times(sets, times, key)


def _rate_by_times(sets: dict[str, Any], times: dict[str, Any], key: str) -> float | None:
    """Rate of the times that stand nearest to a signal and are as many as its samples."""
    for group in map(str, PurePosixPath(key).parents):
        for time_key, data in times.items():
            if str(PurePosixPath(time_key).parent) == group and _samples(data.shape) == _samples(sets[key].shape):
                rate = None if _counts(data) else _rate_of_times(data)
                return None if rate is None else float(f"{rate / _seconds_for(data):.12g}")
    return None


def _stated_rate(file: Any, sets: dict[str, Any], key: str) -> float | None:
    """Rate that an attribute states, or a number beside a signal or above it."""
    above = [str(each) for each in PurePosixPath(key).parents]
    for thing in (sets[key], *(file[group] for group in above if group in file)):
        if rate := _number(_attribute(thing, RATE_NAMES)):
            return rate
        if interval := _number(_attribute(thing, INTERVAL_NAMES)):
            return 1.0 / interval
    for group in above:
        beside = {PurePosixPath(k).name.casefold(): d for k, d in sets.items() if str(PurePosixPath(k).parent) == group}
        for name, data in beside.items():
            if name in RATE_NAMES and data.size == 1 and (rate := _number(data[()])):
                return rate
            if name in INTERVAL_NAMES and data.size == 1 and (interval := _number(data[()])):
                return 1.0 / interval
    return None


def _rate_of_times(data: Any) -> float | None:
    """Rate from a data set of times, judged on its beginning and its end, so that length does not matter."""
    n = data.size
    beginning = _flat(data, slice(0, 100_000))
    head = even_rate(beginning)
    if head is None and n <= _TIMES_LOOKED_THROUGH and np.all(np.diff(beginning) > 0):
        first, last = beginning[0], _flat(data, slice(n - 1, n))[0]
        return rounded_rate(float(last - first) / (n - 1), 0.0)
    if head is None or n <= 100_000:
        return head
    step = n // 50_000
    thinned = even_rate(_flat(data, slice(0, None, step)))
    return None if thinned is None else thinned * step


def _start(times: dict[str, Any], key: str) -> float:
    for time_key, data in times.items():
        if PurePosixPath(time_key).parent == PurePosixPath(key).parent:
            return _seconds_for(data) * float(np.asarray(data[()] if data.size < 2 else data[(0,) * data.ndim]))
    return 0.0


def _fetch(path: Path, name: str, places: list[tuple[str, int]]) -> Fetch:
    """Read by data set: one visit gives all its wanted columns (chunks hold them side by side)."""

    def fetch(start: int, stop: int, wanted: tuple[int, ...]) -> NDArray[np.generic]:
        import h5py

        out = np.empty((stop - start, len(wanted)))
        try:
            with h5py.File(path, "r") as file:
                for key in dict.fromkeys(places[each][0] for each in wanted):
                    mine = [(at, places[each][1]) for at, each in enumerate(wanted) if places[each][0] == key]
                    out[:, [at for at, _ in mine]] = _slab(file[key], start, stop)[:, [column for _, column in mine]]
        except (OSError, RuntimeError) as fault:
            damaged = message("record.damaged-between", start=start, stop=stop, problem=str(fault))
            raise ReadError(Place(name), damaged) from None
        return out

    return fetch


def _slab(data: Any, start: int, stop: int) -> NDArray[np.generic]:
    """Samples of a data set with time along the first axis, in its unit.

    Packed numbers times ``scale_factor`` plus ``add_offset`` are the readings (CF Conventions, section 8.1, from
    memory).
    """
    packed = [_any_number(_attribute(data, (name,))) for name in _PACKED]
    stored = _stored_slab(data, start, stop)
    if packed == [None, None]:
        return stored
    factor = 1.0 if packed[0] is None else packed[0]
    return np.asarray(stored, dtype=np.float64) * factor + (packed[1] or 0.0)


def _stored_slab(data: Any, start: int, stop: int) -> NDArray[np.generic]:
    if data.ndim == 1:
        return np.asarray(data[start:stop])[:, None]
    if data.shape[0] >= data.shape[1]:
        return np.asarray(data[start:stop, :])
    return np.asarray(data[:, start:stop]).T
