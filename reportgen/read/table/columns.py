"""What the columns of a log are: time, frequency, a channel's amplitude or its phase, each with its unit."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from reportgen.errors import UnitError
from reportgen.read.table.mapped_column import parse_level, parse_stored_unit, split_column
from reportgen.records.message import Message, message
from reportgen.units import CONDITIONS, Detector, Unit, parse_unit


class Meaning(StrEnum):
    """What a column holds."""

    TIME = "time"
    DATE = "date"
    FREQUENCY = "frequency"
    AMPLITUDE = "amplitude"
    PHASE = "phase"
    REAL = "real part"
    IMAGINARY = "imaginary part"
    DEMAND = "demand or limit"
    CONDITION = "condition"
    """A temperature or humidity."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of a log, understood."""

    place: int
    """From 0."""
    header: str
    """As written in the file."""
    meaning: Meaning | None
    """None where the header says nothing that is known."""
    channel: str | None = None
    unit: Unit | None = None
    unit_text: str = ""
    """As written; empty where no unit is written."""
    factor: float = 1.0
    """SI value of a stored 1; negative for a sensor mounted the other way round."""
    in_decibels: bool = False
    """Given as 20·lg of the ratio, or of the quantity over ``factor``."""
    ambient: bool = False
    """Whether it is a condition of the room."""
    response_over_reference: bool = False
    """Whether the header itself says that this is a ratio of two channels."""


@dataclass(frozen=True, slots=True)
class MappingFault:
    """A line of ``[run.columns]`` that cannot be followed."""

    key: str
    message: Message
    absent: bool = False
    """The log has no such column."""


_TIME_NAMES = {
    "time", "t", "zeit", "elapsed", "elapsed time", "laufzeit", "time elapsed", "testzeit", "test time", "temps",
    "tiempo", "tempo", "messzeit", "timestamp", "time stamp", "zeitstempel", "uhrzeit", "clock", "date time",
    "datetime", "seconds", "run time", "runtime", "relative time", "sweep time", "datum zeit", "datum uhrzeit",
    "datum und uhrzeit", "date and time", "zeit datum", "uhrzeit datum", "time of day", "absolute time", "abs time",
    "local time", "epoch", "epoch time", "unix time", "unix timestamp", "unixtime", "zeitpunkt", "messzeitpunkt",
    "clock time", "tageszeit", "heure", "hora", "ora", "date heure", "date et heure", "horodatage", "fecha hora",
    "fecha y hora", "data ora", "zeit abs", "zeit rel", "relativzeit", "sekunden", "elapsed seconds", "elapsed s",
    "utc", "utc time", "time utc", "timestamp utc", "zeit utc", "recording time", "aufzeichnungszeit",
}  # fmt: skip
_TIMES_WITH_UNIT = {
    "millis": "ms", "milliseconds": "ms", "millisekunden": "ms", "msec": "ms", "ms": "ms",
    "micros": "us", "microseconds": "us", "mikrosekunden": "us", "usec": "us", "us": "us", "µs": "us", "μs": "us",
    "nanoseconds": "ns", "nanosekunden": "ns", "nanos": "ns", "ns": "ns",
}  # fmt: skip
"""Names of a column of time that are units themselves."""
_DATE_NAMES = {"date", "datum", "day", "tag", "fecha", "data", "messdatum", "test date"}
_CLOCK_FORM = re.compile(
    r"(?<!\s)\s*+[\[(](?:h{1,2}:m{1,2}(?::s{1,2}(?:[.,:][\w]++)?)?|[dtmy]{1,4}[./-].{0,80}|utc|gmt|local|lokal|me[s]?z|ce[s]?t|"
    r"iso(?: ?8601)?|24 ?h)[\])]\s*$",
    re.IGNORECASE,
)
"""What stands behind the name of a column of clock times in place of a unit; no form of a date has 80 characters."""
_FREQUENCY_NAMES = {
    "frequency", "freq", "f", "frequenz", "drive frequency", "drive freq", "sweep frequency", "sweep freq", "fréquence",
    "frequence", "frecuencia", "frequenza", "anregungsfrequenz", "erregerfrequenz", "excitation frequency", "fq", "frq",
    "current frequency", "actual frequency", "istfrequenz", "output frequency", "fdrive", "f drive", "hz",
    "ist frequenz", "prüffrequenz", "momentanfrequenz", "instantaneous frequency",
}  # fmt: skip
_PHASE_WORDS = r"phase|phas|ph|phi|φ|ϕ|arg|angle|winkel|phasenwinkel|phasenlage|phasendifferenz|fase|∠"
_AMPLITUDE_WORDS = (
    r"amplitude|amplitudes|ampl|amp|magnitude|mag|level|pegel|value|wert|abs|betrag|modulus|acceleration|beschleunigung|"
    r"accel|acc|filtered|tracked|fundamental|measured|module|signal"
)
_ROLE_WORDS = re.compile(
    r"^(?:control|ctrl|kontroll\w*|regel\w*|regler|steuer\w*|ref|reference|referenz|response|resp|antwort)[\s_.:\-]+|"
    r"(?<![\s_.:\-])[\s_.:\-]++(?:control|ctrl|regler|reference|ref|response|resp|antwort)$",
    re.IGNORECASE,
)
"""What a header may say of a channel beside its name, as in ``Regler C1``; it counts only beside a declared one."""
_REAL_PART = re.compile(
    r"^(?P<a>.(?:.*[^\s_.\-])?)[\s_.\-]++(?:real|realteil|re)$|^re(?:al)?\s*+\(\s*+(?P<b>[^()]*[^()\s])\s*+\)$",
    re.IGNORECASE,
)
_IMAGINARY_PART = re.compile(
    r"^(?P<a>.(?:.*[^\s_.\-])?)[\s_.\-]++(?:imag|imaginary|imaginärteil|im)$|"
    r"^im(?:ag)?\s*+\(\s*+(?P<b>[^()]*[^()\s])\s*+\)$",
    re.IGNORECASE,
)
_DEMAND = re.compile(
    r"(?:.*[\s_.\-])?(?:demand|target|profile|soll\w*|setpoint|set point|required|alarm\w*|abort\w*|abbruch\w*|"
    r"tolerance|toleranz|limit|warning|upper|lower)(?:[\s_.\-+].*)?",
    re.IGNORECASE | re.DOTALL,
)
_DETECTOR_WORDS = {
    "rms": Detector.RMS, "eff": Detector.RMS, "peak": Detector.PEAK, "pk": Detector.PEAK, "0-pk": Detector.PEAK,
    "0-p": Detector.PEAK, "p-p": Detector.PEAK_TO_PEAK, "pk-pk": Detector.PEAK_TO_PEAK, "pp": Detector.PEAK_TO_PEAK,
    "peak-to-peak": Detector.PEAK_TO_PEAK,
}  # fmt: skip
_AMPLITUDE_DIMENSIONS = {
    "acceleration",
    "velocity",
    "displacement",
    "force",
    "voltage",
    "strain",
    "current",
    "pressure",
    "accelerance",
    "mobility",
    "receptance",
}
_AMBIENT_NAMES = {
    "temperature": {
        "temperature", "temp", "ambient", "ambient temperature", "ambient temp", "room temperature", "room temp",
        "air temperature", "air temp", "lab temperature", "laboratory temperature", "temperatur", "raumtemperatur",
        "umgebungstemperatur", "hallentemperatur", "lufttemperatur", "labortemperatur",
    },
    "humidity": {
        "humidity", "relative humidity", "rel humidity", "rel. humidity", "air humidity", "room humidity", "rh",
        "ambient humidity", "feuchte", "relative feuchte", "rel feuchte", "rel. feuchte", "luftfeuchte", "raumfeuchte",
        "luftfeuchtigkeit", "relative luftfeuchte", "umgebungsfeuchte", "hallenfeuchte", "rf",
    },
}  # fmt: skip
"""Headers that name a condition of the room; a ``T1`` may be a thermocouple on the specimen."""
_RATIO_LEAD = re.compile(
    r"(?:t|tr|h|transmissibility|transm|übertragung|verstärkung|gain|ratio|frf)[ _:(]++", re.IGNORECASE
)
_RATIO_STROKE = re.compile(r"(?P<response>[\w .\-]*[\w.\-])\s*+[/:]\s*+(?P<reference>[\w .\-]++)\)?$")
_RATIO_OVER = re.compile(
    r"(?=[\w .\-]++\)?$)(?P<response>[\w .\-]+?) ?(?:\bvs\.?\b|\bover\b|\bre\b) ?(?P<reference>[\w .\-]++)\)?$",
    re.IGNORECASE,
)
_RATIO_WORD = re.compile(
    r"^(?:transmissibility|transm\.?|transmission|tr|übertragung|übertragungsfaktor|verstärkung|gain|ratio|frf|q|[th](?=\())"
    r"[\s_:(]++(?P<response>[\w .\-]++)\)?$",
    re.IGNORECASE,
)


def folded(text: str) -> str:
    """Text without case, blanks, underscores and dots, for comparison."""
    return re.sub(r"[\s_.\-]+", "", unicodedata.normalize("NFKC", text)).casefold()


def _spaced(text: str) -> str:
    return re.sub(r"[\s_]+", " ", text).strip(" .:-").casefold()


def _says_time(header: str, name: str) -> Meaning | None:
    """Whether a header names time or a date, as a clock or a calendar tells it: ``Datum/Zeit``, ``Time (hh:mm:ss)``."""
    bare = _CLOCK_FORM.sub("", header.strip().strip('"'))
    for text in (name, bare):
        words = re.sub(r"[\s_/&+,.\-]+", " ", text).strip(" :").casefold()
        if words in _TIME_NAMES:
            return Meaning.TIME
        if words in _DATE_NAMES:
            return Meaning.DATE
    return None


def split_unit(header: str) -> tuple[str, str]:
    """Part a header into its name and the text of its unit; the unit is empty where none is written.

    >>> split_unit("A1 phase [deg]"), split_unit("f/Hz"), split_unit("C1 in m/s^2"), split_unit("freq_hz")
    (('A1 phase', 'deg'), ('f', 'Hz'), ('C1', 'm/s^2'), ('freq', 'hz'))
    >>> split_unit("A1/C1")
    ('A1/C1', '')
    """
    text = header.strip().strip('"').strip()
    closing = re.search(r"(?<!\s)\s*+(?:\[([^\[\]]*)\]|\(((?:[^()]|\([^()]*\))*)\)|\{([^{}]*)\}|<([^<>]*)>)\s*$", text)
    if closing and text[: closing.start()].strip():
        unit = next(group for group in closing.groups() if group is not None).strip()
        bracket_is_square = closing.group(1) is not None
        if bracket_is_square or _unit_of(unit) is not None:
            return text[: closing.start()].strip(" /_"), unit
    for cut in (m for m in re.finditer(r"/\s*", text) if m.start()):
        if _unit_of(text[cut.end() :].strip(" ()")) is not None and text[cut.end() :].strip() != "":
            return text[: cut.start()].strip(), text[cut.end() :].strip(" ()")
    for pattern in (r"(?<!\s)\s++in\s+", r"[,:;]\s*", r"\s+", r"_+"):
        for cut in (m for m in re.finditer(pattern, text) if m.start()):
            unit = text[cut.end() :]
            if unit and _plain_unit(unit, spaced=pattern == r"\s+"):
                return text[: cut.start()].rstrip().strip(" ,:;_"), unit
    inner = re.search(r"\[([^\[\]]+)\]", text)
    if inner and _unit_of(inner.group(1)) is not None:
        return re.sub(r"\s+", " ", text[: inner.start()] + text[inner.end() :]).strip(), inner.group(1).strip()
    return text, ""


def _unit_of(text: str) -> Unit | None:
    try:
        return parse_unit(text)
    except UnitError:
        return None


_WORDS_NOT_UNITS = {
    "x",
    "a",
    "f",
    "c",
    "d",
    "h",
    "t",
    "m",
    "n",
    "v",
    "k",
    "in",
    "min",
    "times",
    "ratio",
    "-",
    "1",
    "pa",
    "rh",
}
"""Too short or too common to be taken as a unit without brackets or a stroke before them."""


def _plain_unit(text: str, *, spaced: bool) -> bool:
    unit = _unit_of(text)
    if unit is None or (
        text.casefold() in _WORDS_NOT_UNITS and not (text.casefold() in ("v", "m", "n") and not spaced)
    ):
        return False
    return unit.dimension in _AMPLITUDE_DIMENSIONS | {"frequency", "time", "angle"} or text in ("%", "dB")


def understand(header: str, unit_row: str, place: int, known: Sequence[str] = ()) -> Column:
    """What one column is, from its header, its cell in the row of units, and the channels the job declares.

    >>> understand("Ph 3 [°]", "", 2).channel, understand("A1 rms", "g", 1).unit.symbol
    ('3', 'g rms')
    >>> understand("Drive frequency (Hz)", "", 0).meaning
    <Meaning.FREQUENCY: 'frequency'>
    """
    named = {folded(each): each for each in known}
    name, unit_text = (header.strip(), "") if folded(header) in named else split_unit(header)
    row_unit = unit_row.strip().strip("[](){}").strip()
    unit_text = row_unit or unit_text
    unit = _unit_of(unit_text) if unit_text else None
    spaced = _spaced(name)
    column = Column(place=place, header=header.strip(), meaning=None, unit=unit, unit_text=unit_text,
                    factor=unit.factor if unit else 1.0)  # fmt: skip
    if unit is None and unit_text:
        column = _of_level(column)
        unit = column.unit
    condition = _condition(column, name, named)
    if condition is not None:
        return condition
    if folded(name) in named:
        meaning = Meaning.PHASE if unit is not None and unit.dimension == "angle" else Meaning.AMPLITUDE
        return _as(column, meaning, named[folded(name)])
    if unit is None and spaced in _TIMES_WITH_UNIT:
        implied = parse_unit(_TIMES_WITH_UNIT[spaced])
        return _as(column, Meaning.TIME, unit=implied, unit_text=implied.symbol, factor=implied.factor)
    said = _says_time(header, name)
    if said is not None and (unit is None or unit.dimension == "time"):
        clock = unit is None and _CLOCK_FORM.search(f"[{unit_text}]") is not None
        return _as(column, said, unit_text="" if clock else unit_text)
    if spaced in _FREQUENCY_NAMES and (unit is None or unit.dimension == "frequency"):
        return _as(column, Meaning.FREQUENCY)
    phase = _without_phase_word(name)
    if phase is not None and (unit is None or unit.dimension == "angle"):
        return _as(column, Meaning.PHASE, _channel(phase, named))
    return _amplitude(column, name, named)


def _condition(column: Column, name: str, named: dict[str, str]) -> Column | None:
    """A temperature or humidity, of the room where the header says so, else of a channel that the job declares."""
    unit, spaced = column.unit, _spaced(name)
    of = next((each for each, names in _AMBIENT_NAMES.items() if spaced in names), None)
    if of == "humidity" and unit is not None and unit.dimension == "ratio" and unit.symbol == "%":
        unit = parse_unit("% rh")
    if unit is None or unit.dimension not in CONDITIONS:
        return None
    channel = named.get(folded(_channel(name, named)))
    if channel is None and of != unit.dimension:
        return None
    return _as(column, Meaning.CONDITION, channel or name, unit=unit, factor=unit.factor, ambient=channel is None)


def _of_level(column: Column) -> Column:
    """The column with the reference of its decibels, where its unit says one."""
    try:
        level = parse_level(column.unit_text)
    except UnitError:
        return column
    return column if level is None else replace(column, unit=level.unit, factor=level.factor, in_decibels=True)


def _as(column: Column, meaning: Meaning, channel: str | None = None, **changes: object) -> Column:
    return replace(column, meaning=meaning, channel=channel, **changes)  # type: ignore[arg-type]


def _amplitude(column: Column, name: str, named: dict[str, str]) -> Column:
    unit = column.unit
    if unit is not None and unit.dimension == "angle":
        return _as(column, Meaning.PHASE, _channel(name, named))
    if unit is not None and unit.dimension == "frequency":
        return column if not re.search(r"freq|^f\b", name, re.IGNORECASE) else _as(column, Meaning.FREQUENCY)
    if unit is not None and unit.dimension == "time":
        return column if not re.search(r"time|zeit", name, re.IGNORECASE) else _as(column, Meaning.TIME)
    ratio = _ratio(re.sub(" +", " ", name)) or _RATIO_WORD.match(name)
    if ratio and (unit is None or unit.dimension in ("ratio", "level")):
        if folded(ratio["response"]) not in named and unit is None and not _looks_like_channels(ratio):
            return column
        in_decibels = unit is not None and unit.dimension == "level"
        factor = 1.0 if unit is None or in_decibels else unit.factor
        return _as(column, Meaning.AMPLITUDE, _channel(ratio["response"], named), unit=parse_unit("1"), factor=factor,
                   in_decibels=in_decibels, response_over_reference=True)  # fmt: skip
    for pattern, meaning in ((_REAL_PART, Meaning.REAL), (_IMAGINARY_PART, Meaning.IMAGINARY)):
        part = pattern.match(name)
        if part:
            return _as(column, meaning, _channel(part["a"] or part["b"], named))
    if _DEMAND.fullmatch(name):
        return _as(column, Meaning.DEMAND)
    bare, detector = _without_detector(name)
    if unit is not None and unit.dimension in _AMPLITUDE_DIMENSIONS | {"ratio"}:
        if detector and unit.detector is None:
            unit = parse_unit(f"{unit.symbol} {'p-p' if detector is Detector.PEAK_TO_PEAK else detector.value}")
        return _as(column, Meaning.AMPLITUDE, _channel(bare, named), unit=unit)
    if unit is None:
        return _as(column, Meaning.AMPLITUDE, _channel(bare, named))
    return column


def _ratio(name: str) -> re.Match[str] | None:
    """``A1/C1``, ``T (A1 re C1)``: one channel over another; a word of ratios before them is no part of a name."""
    lead = _RATIO_LEAD.match(name)
    starts = (0,) if lead is None else (lead.end(), 0)
    for start in starts:
        if found := _RATIO_STROKE.match(name, start) or _RATIO_OVER.match(name, start):
            return found
    return None


def _looks_like_channels(ratio: re.Match[str]) -> bool:
    return all(re.search(r"\d", text or "") for text in ratio.groupdict().values())


def _without_phase_word(name: str) -> str | None:
    """The channel's part of a phase header, or None where the header speaks of no phase."""
    call = re.fullmatch(rf"(?:{_PHASE_WORDS})\s*+[(\[](?P<channel>[^()\[\]]++)[)\]]", name, re.IGNORECASE)
    if call:
        return call["channel"].strip()
    joined = re.fullmatch(r"(?:[Pp]hase|[Pp]h|[Pp]hi|[Aa]rg)(?P<channel>[A-Z]+[\s_]?\d\w*)", name)
    if joined:
        return joined["channel"]
    rest, count = re.subn(rf"(?:(?<=[\s_.:\-])|^|(?<=\d))(?:{_PHASE_WORDS})(?=[\s_.:\-]|$|(?<=[∠φϕ]))", " ", name,
                          flags=re.IGNORECASE)  # fmt: skip
    if not count:
        return None
    rest = re.sub(r"\(\s*\)|\[\s*\]", " ", rest)
    rest = re.sub(r"\b(?:vs|re|rel|to|gegen|zu)\b.*$", "", rest, flags=re.IGNORECASE)  # names the reference
    rest = re.sub(r"^\s*(?:of|von)\b", "", rest, flags=re.IGNORECASE)
    return re.sub(r"\s+", " ", rest).strip(" _.:-") or None


def _without_detector(name: str) -> tuple[str, Detector | None]:
    for word, detector in _DETECTOR_WORDS.items():
        pattern = rf"(?<![\s_(\[,])[\s_(\[,]++{re.escape(word)}[)\]]?\s*$"
        if re.search(pattern, name, re.IGNORECASE):
            return re.sub(pattern, "", name, flags=re.IGNORECASE).strip(), detector
    return name, None


def _channel(name: str, named: dict[str, str]) -> str:
    """Channel id of a header's name: the declared one where it fits, else the name without words of quantity."""
    bare = _without_detector(name)[0]
    shorter = re.sub(rf"(?:^|(?<=[\s_.:\-(]))(?:{_AMPLITUDE_WORDS})(?=[\s_.:\-)]|$)", " ", bare, flags=re.IGNORECASE)
    shorter = re.sub(r"\(\s*\)|\[\s*\]", " ", shorter)
    shorter = re.sub(r"\s+", " ", shorter).strip(" _.:-")
    without_role = _ROLE_WORDS.sub("", shorter)
    for candidate in (name, bare, shorter, *_bracketed_parts(name), without_role):
        if folded(candidate) in named:
            return named[folded(candidate)]
    return shorter or bare.strip()


def _bracketed_parts(name: str) -> list[str]:
    """``Control (C1)`` may be declared as C1, or as Control."""
    inside = re.findall(r"[(\[]([^()\[\]]+)[)\]]", name)
    outside = re.sub(r"[(\[][^()\[\]]*[)\]]", " ", name).strip()
    return [*inside, outside] if inside else []


_KEY_PHASE = re.compile(r"^(?P<channel>.(?:.*\S)?)\s++(?:phase|ph)$", re.IGNORECASE)


def mapped(
    mapping: Iterable[tuple[str, str]], headers: Sequence[str], unit_row: Sequence[str]
) -> tuple[tuple[Column, ...], tuple[MappingFault, ...]]:
    """Columns that ``[run.columns]`` names, and what is wrong with it.

    A key is a channel, a channel with the word phase, ``time``, ``frequency``, or ``temperature`` and ``humidity`` of
    the room; a value is ``column / unit``.
    """
    columns: list[Column] = []
    faults: list[MappingFault] = []
    for key, text in mapping:
        made = _mapped_column(key, text, headers, unit_row)
        if isinstance(made, Column):
            columns.append(made)
        else:
            faults.append(MappingFault(key, made, absent=_column_of(text, headers) is None))
    return tuple(columns), tuple(faults)


def _split(text: str, headers: Sequence[str]) -> tuple[str, str | None]:
    finder = _Finder(headers)
    return split_column(text, lambda each: finder.place(each) is not None)


def _column_of(text: str, headers: Sequence[str]) -> int | None:
    """Place of the column that a value of the mapping names; None where the log has none."""
    return _Finder(headers).place(_split(text, headers)[0])


def _mapped_column(key: str, text: str, headers: Sequence[str], unit_row: Sequence[str]) -> Column | Message:
    name, unit_text = _split(text, headers)
    place = _column_of(text, headers)
    if place is None:
        there = tuple(each for each in headers if each)
        return (
            message("mapping.no-column", column=name, there=there)
            if there
            else message("mapping.no-names", column=name)
        )
    meaning, channel, dimensions = _meaning_of_key(key)
    if unit_text is None:
        own = unit_row[place].strip("[]() ") or split_unit(headers[place])[1]
        unit_text = own or {Meaning.TIME: "s", Meaning.FREQUENCY: "Hz", Meaning.PHASE: "deg"}.get(meaning, "")
    if not unit_text:
        return message("mapping.no-unit", column=headers[place], key=key, name=name)
    try:
        level = parse_level(unit_text) if meaning is Meaning.AMPLITUDE else None
        stored = level or parse_stored_unit(unit_text)
    except UnitError as failure:
        return message("mapping.unit", what=failure.said, key=key, name=name)
    if stored.unit.dimension not in dimensions:
        found, expected = stored.unit.dimension, tuple(sorted(dimensions))
        return message("mapping.dimension", unit=unit_text, found=found, expected=expected)
    if not stored.number or (stored.number < 0 and meaning is not Meaning.AMPLITUDE):
        return message("mapping.not-positive", unit=unit_text)
    ambient = meaning is Meaning.CONDITION
    if ambient or stored.unit.dimension in CONDITIONS:
        meaning = Meaning.CONDITION
    return Column(place=place, header=headers[place], meaning=meaning, channel=channel, unit=stored.unit,
                  ambient=ambient, unit_text=unit_text, factor=stored.factor,
                  in_decibels=level is not None)  # fmt: skip


def _meaning_of_key(key: str) -> tuple[Meaning, str | None, set[str]]:
    if key.strip().casefold() in ("time", "frequency"):
        meaning = Meaning(key.strip().casefold())
        return meaning, None, {meaning.value}
    if key.strip().casefold() in CONDITIONS:
        return Meaning.CONDITION, key.strip().casefold(), {key.strip().casefold()}
    phase = _KEY_PHASE.match(key.strip())
    if phase:
        return Meaning.PHASE, phase["channel"], {"angle"}
    return Meaning.AMPLITUDE, key.strip(), _AMPLITUDE_DIMENSIONS | {"ratio", *CONDITIONS}


class _Finder:
    """Columns by header, by name without unit, or by number (``column 3``)."""

    def __init__(self, headers: Sequence[str]) -> None:
        self._places: dict[str, int] = {}
        for way in (lambda each: each, lambda each: split_unit(each)[0]):
            for place, header in enumerate(headers):
                if header:
                    self._places.setdefault(folded(way(header)), place)
        self._count = len(headers)

    def place(self, name: str) -> int | None:
        if folded(name) in self._places:
            return self._places[folded(name)]
        number = re.fullmatch(r"(?:column|spalte)\s*(\d{1,9})", name.strip(), re.IGNORECASE)
        if number and 1 <= int(number[1]) <= self._count:
            return int(number[1]) - 1
        return None
