"""Time histories of every format, told apart by content, with the job's mapping applied: numbers become SI here.

A mapping names a channel of the file and what its numbers mean: ``"A1" = "channel 2 / (50 g)"`` (WAV),
``"A1" = "/run 1/A1 / (m/s^2)"`` or ``"/data[3] / g"`` (HDF5), ``"A1" = "a1 / g"`` (MAT), ``"A1" = "set 2"``,
``"A1" = "node 12+Z"`` or an identification line (dataset 58), ``"A1" = "Ch 3 / g"`` (CSV). A unit in the file holds
where the mapping gives none. The key ``sample rate`` gives the rate where the file does not:
``"sample rate" = "51.2 kHz"``; it says that samples follow each other evenly, whatever times stand beside them. In a
table ``time``, ``sheet`` and ``block`` name the column of time, the sheet, the block that is meant.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from reportgen.errors import ReadError, UnitError
from reportgen.read.formats import hdf5, mat, universal_file, wav
from reportgen.read.formats.recording import SAMPLE_RATE_KEY, Recording, ScaledSamples, StoredChannel
from reportgen.read.formats.table import looks_like_table_history, open_table
from reportgen.read.formats.table_told import told_by
from reportgen.read.table.mapped_column import StoredUnit, parse_stored_unit, split_column
from reportgen.read.table.table import is_table
from reportgen.records.finding import Finding, error, note, warning
from reportgen.records.log import TimeHistory
from reportgen.records.message import Message, Place, as_written, message
from reportgen.units import parse_quantity

SLOWEST_RATE_HZ, FASTEST_RATE_HZ = 0.001, 1e9
"""Outside these, a stated sample rate is a mistake: nothing that vibrates is recorded at one sample in a
quarter of an hour, or at a thousand million a second, and nothing can be computed from either."""
_SAME_RATE = 2e-3
"""Share by which a stated rate may differ from that of times: intervals are written with few digits, and the mean rate
of an uneven clock is made rounder by as much."""
_HDF5_PLACES = (0, 512, 1024, 2048)


_OPENERS: dict[str, Callable[[Path, str, float | None], Recording]] = {
    "WAV": lambda path, name, _: wav.open_wav(path, name),
    "HDF5": hdf5.open_hdf5,
    "MAT": mat.open_mat,
    "UFF": lambda path, name, _: universal_file.open_universal_file(path, name),
}
"""How each is opened; only in HDF5 and MAT files times of the samples give way to a sample rate that is told, Hz."""


def looks_like_time_history(path: Path, columns: Sequence[tuple[str, str]] = (), common: Collection[str] = ()) -> bool:
    """True where the content, whatever the name, is a record of samples against time.

    ``columns`` is the mapping, ``common`` its keys that hold for many files.
    """
    return _binary_kind(path) is not None or looks_like_table_history(path, told_by(columns, common))


def _binary_kind(path: Path) -> str | None:
    """Format by the first bytes; None for text and whatever is not known."""
    try:
        with path.open("rb") as stream:
            head = stream.read(4096)
    except OSError:
        return None
    if head[:4] in wav.MAGIC and (head[8:12] in (b"WAVE", b"AIFF", b"AIFC") or head[:4] == b"riff"):
        return "WAV"
    if any(head[place : place + 8] == hdf5.MAGIC for place in _HDF5_PLACES):
        return "HDF5"
    if mat.looks_like_mat(head[:128]):
        return "MAT"
    return "UFF" if universal_file.looks_like_universal_file(head) else None


def open_recording(
    path: Path, name: str, columns: Sequence[tuple[str, str]] = (), common: Collection[str] = ()
) -> Recording:
    """Open a file of time histories by its content; the mapping as above. Raises ReadError."""
    kind, told = _binary_kind(path), told_by(columns, common)
    if kind is not None:
        return _OPENERS[kind](path, name, told.rate_hz)
    if is_table(path):
        return open_table(path, name, told)
    raise ReadError(Place(name), message("record.not-known"))


@dataclass(frozen=True, slots=True)
class _Chosen:
    """A channel of the file under the job's name."""

    id: str
    place: int
    unit: StoredUnit
    symbol: str


def read_time_history(
    path: Path,
    name: str,
    columns: Sequence[tuple[str, str]] = (),
    *,
    wanted: Collection[str] | None = None,
    where: Place | None = None,
    common: Collection[str] = (),
) -> tuple[TimeHistory | None, tuple[Finding, ...]]:
    """Open a record; samples are read later, in pieces.

    ``name`` is the file as the job names it, ``columns`` the run's mapping, ``wanted`` the channels of the job (None:
    every channel of the file), ``where`` the place of the mapping in the job, for findings, ``common`` those
    of its keys that hold for the whole job, and so only where the file has such a channel. None with an error where
    the file, the mapping or a unit does not serve.
    """
    try:
        recording = open_recording(path, name, columns, common)
    except ReadError as fault:
        return None, (error(fault.where, fault.what),)
    except OSError as fault:
        return None, (error(Place(name), message("record.not-read", problem=str(fault.strerror or fault))),)
    return history_of(recording, name, columns, wanted=wanted, where=where or Place(name), common=common)


def history_of(
    recording: Recording,
    name: str,
    columns: Sequence[tuple[str, str]] = (),
    *,
    wanted: Collection[str] | None = None,
    where: Place,
    common: Collection[str] = (),
) -> tuple[TimeHistory | None, tuple[Finding, ...]]:
    """Apply a mapping to an open recording; see read_time_history."""
    findings: list[Finding] = []
    rate = _sample_rate(recording, columns, name, where, findings)
    mapping = [(key, text) for key, text in columns if key.strip().casefold() not in recording.no_channels]
    chosen = _mapped(recording, name, mapping, where, findings, common)
    chosen += _by_their_own_names(recording, chosen, name, wanted, bool(mapping), findings)
    if len(chosen) > len(mapping):  # a mapping says the unit of its channels, with whatever factor
        findings += [warning(Place(name), each) for each in recording.factors]
    if recording.damage:
        findings.append(warning(Place(name), message("record.damaged", what=recording.damage)))
    findings += [note(Place(name), message("record.not-used", what=text)) for text in recording.refused]
    if not chosen and not any(each.severity == "error" for each in findings):
        findings.append(error(Place(name), message("record.no-channel-of-job", offer=_offer(recording))))
    if rate is None or any(each.severity == "error" for each in findings):
        return None, tuple(findings)
    return _history(recording, name, rate, chosen), tuple(findings)


def _history(recording: Recording, name: str, rate: float, chosen: list[_Chosen]) -> TimeHistory:
    return TimeHistory(
        path=name,
        sample_rate_hz=rate,
        samples=recording.samples,
        channels=tuple(each.id for each in chosen),
        dimensions=tuple(each.unit.unit.dimension for each in chosen),
        display_units=tuple(each.symbol for each in chosen),
        source=ScaledSamples(
            recording.fetch, tuple(each.place for each in chosen), tuple(each.unit.factor for each in chosen)
        ),
        start_s=recording.start_s,
        remarks=as_written(recording.remarks),
        damage=recording.damage,
        layout=message("layout.record", layout=recording.layout, samples=recording.samples, rate_hz=rate),
    )


def _sample_rate(
    recording: Recording, columns: Sequence[tuple[str, str]], name: str, where: Place, findings: list[Finding]
) -> float | None:
    stated = next((text for key, text in columns if key.casefold() == SAMPLE_RATE_KEY), None)
    if stated is None:
        if recording.sample_rate_hz is None:
            findings.append(error(Place(name), message("record.no-sample-rate")))
        elif not SLOWEST_RATE_HZ <= recording.sample_rate_hz <= FASTEST_RATE_HZ:
            findings.append(error(Place(name), _no_rate(recording.sample_rate_hz)))
        findings += _rates_differ(recording, name)
        return recording.sample_rate_hz
    try:
        rate = parse_quantity(stated, "frequency").si
    except UnitError as fault:
        findings.append(error(where, message("record.sample-rate", what=fault.said)))
        return None
    if not SLOWEST_RATE_HZ <= rate <= FASTEST_RATE_HZ:
        findings.append(error(where, _no_rate(rate)))
        return None
    own = recording.sample_rate_hz
    if own is not None and abs(rate / own - 1.0) > 1e-4:
        differs = message("record.sample-rate-differs", stated=stated, file_hz=own)
        findings.append(warning(where, differs))
    return rate


def _rates_differ(recording: Recording, name: str) -> Iterator[Finding]:
    stated, by_times, used = recording.stated_hz, recording.by_times_hz, recording.sample_rate_hz
    if None in (stated, by_times, used) or abs(stated / by_times - 1.0) <= _SAME_RATE:  # type: ignore[operator]
        return
    what = message("record.rates-differ", stated_hz=stated, by_times_hz=by_times, used_hz=used)
    yield warning(Place(name), what)


def _no_rate(rate: float) -> Message:
    return message("record.rate-beyond", rate_hz=rate, slowest_hz=SLOWEST_RATE_HZ, fastest_hz=FASTEST_RATE_HZ)


def _offer(recording: Recording) -> Message:
    names = tuple(channel.name for channel in recording.channels)
    if len(names) <= _OFFERED:
        return message("record.holds", names=names)
    return message("record.holds-more", names=names[:_OFFERED], more=len(names) - _OFFERED)


_OFFERED = 12
"""Channels named in one finding; the rest is counted."""


def _mapped(
    recording: Recording,
    name: str,
    mapping: Sequence[tuple[str, str]],
    where: Place,
    findings: list[Finding],
    common: Collection[str],
) -> list[_Chosen]:
    chosen = []
    for key, text in mapping:
        column, unit_text = split_column(text, lambda column: recording.place(column) is not None)
        place = recording.place(column)
        if place is None:
            what = message("record.no-channel", key=key, text=text, column=column, offer=_offer(recording))
            absent = message("mapping.not-here", log=name, key=key, what=what)
            findings.append(note(where, absent) if key in common else error(where, what))
            continue
        if each := _with_unit(recording.channels[place], place, key, unit_text, where, findings, required=True):
            chosen.append(each)
    return chosen


def _by_their_own_names(
    recording: Recording,
    mapped: list[_Chosen],
    name: str,
    wanted: Collection[str] | None,
    has_mapping: bool,
    findings: list[Finding],
) -> list[_Chosen]:
    """Channels that the mapping leaves out and that the file itself names as the job does."""
    taken, ids = {each.place for each in mapped}, {each.id for each in mapped}
    if wanted is None and has_mapping:
        return []
    names = [(channel.name, channel) for channel in recording.channels] if wanted is None else []
    asked = [(each, recording.place(each)) for each in wanted or () if each not in ids]
    found = [(each, place) for each, place in asked if place is not None]
    found += [(spoken, place) for place, (spoken, _) in enumerate(names) if place not in taken]
    chosen = []
    for key, place in found:
        each = _with_unit(
            recording.channels[place], place, key, None, Place(name), findings, required=wanted is not None
        )
        if each:
            chosen.append(each)
    return chosen


def _with_unit(
    stored: StoredChannel,
    place: int,
    key: str,
    unit_text: str | None,
    where: Place,
    findings: list[Finding],
    *,
    required: bool,
) -> _Chosen | None:
    text = unit_text if unit_text is not None else stored.unit
    if text is None:
        what = message("record.no-unit", key=key, name=stored.name)
        findings.append(error(where, what) if required else warning(where, what))
        return None if required else _Chosen(key, place, parse_stored_unit("1"), "1")
    try:
        unit = parse_stored_unit(text)
    except UnitError as fault:
        findings.append(error(where, message("record.channel", key=key, what=fault.said)))
        return None
    if unit_text is None and stored.remark:
        findings.append(note(where, message("record.channel", key=key, what=stored.remark)))
    return _Chosen(key, place, replace(unit, number=unit.number), unit.unit.symbol)
