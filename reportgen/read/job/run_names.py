"""What the name of a log, and the lines above its rows, say of a run: its axis, its part in the test, its start."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from datetime import datetime
from enum import StrEnum
from pathlib import Path

from reportgen.read.log import sweep_layout
from reportgen.read.log_columns import LogWanted, understand_columns
from reportgen.read.table.cells import split_line
from reportgen.read.table.table_layout import TableLayout

_HEAD = 200_000
"""Bytes looked at for the first row; a preamble is shorter."""


class Part(StrEnum):
    """Part of a run in the sequence of a test."""

    BEFORE = "before"
    SURVEY = "survey"
    SWEEP = "sweep"
    DWELL = "dwell"
    AFTER = "after"
    DECAY = "decay"


_WORDS = {
    Part.BEFORE: {"pre", "before", "vor", "vorher", "initial", "anfang", "vorsuche", "vorlauf", "vorversuch"},
    Part.AFTER: {"post", "after", "nach", "nachher", "final", "ende", "nachsuche", "nachlauf", "nachversuch"},
    Part.SURVEY: {
        "survey", "res", "resonance", "search", "scan", "suche", "resonanz", "resonanzsuche", "rs", "low", "signature",
    },
    Part.DWELL: {"dwell", "verweil", "verweilen", "halten", "hold", "endurance", "dauer"},
    Part.DECAY: {"decay", "ausschwingen", "ring", "ringdown", "pluck", "hammer", "tap", "free"},
    Part.SWEEP: {
        "sweep", "qual", "qualification", "qualifikation", "lauf", "durchlauf", "gleitsinus", "beanspruchung", "test",
        "full", "level", "acceptance",
    },
}  # fmt: skip
"""Words of file names, in lower case, in the order in which they count."""
_AXIS_WORDS = {
    form.format(axis): axis.upper() for axis in "xyz" for form in ("{}", "{}axis", "axis{}", "{}achse", "achse{}")
}
_AXIS_SAID = re.compile(r"\b(?:axis|achse) {0,3}[:=]? {0,3}([XYZ])\b|\b([XYZ])[ -]?(?:axis|achse)\b", re.IGNORECASE)
_MOMENT = re.compile(
    r"(?<!\d)(?:(?P<y>\d{4})-(?P<m>\d{2})-(?P<d>\d{2})|(?P<d2>\d{1,2})\.(?P<m2>\d{1,2})\.(?P<y2>\d{4}))[T ,;]{1,3}"
    r"(?P<h>\d{1,2}):(?P<min>\d{2})(?::(?P<s>\d{2}))?(?!\d)"
)
"""Year first, or day first with full stops; other forms leave open which of the numbers is the day."""
_RMS = re.compile(r"\b(?:rms|r\.m\.s\.|effective|effektiv\w*|eff)\b", re.IGNORECASE)


def run_id(path: Path) -> str:
    """The name of a log as the id of its run.

    >>> run_id(Path("logs/x_pre (2).csv"))
    'X-PRE-2'
    """
    return re.sub(r"[^A-Z0-9]+", "-", path.stem.upper()).strip("-") or "RUN"


def _words(path: Path) -> list[str]:
    return [each.casefold() for each in re.split(r"[^A-Za-zÄÖÜäöüß]+|(?<=[a-z])(?=[A-Z])", path.stem) if each]


def part_of(path: Path) -> Part | None:
    """The part in the test that the name of a log tells.

    >>> [part_of(Path(each)) for each in ("xPre.csv", "Y-SWEEP_2.txt", "run7.csv")]
    [<Part.BEFORE: 'before'>, <Part.SWEEP: 'sweep'>, None]
    """
    words = {*_words(path)}
    return next((part for part, known in _WORDS.items() if words & known), None)


def name_without_part(path: Path) -> tuple[str, ...]:
    """What the name of a log says besides the part in the test, digits included.

    >>> name_without_part(Path("s13_y_pre.csv")) == name_without_part(Path("s13_y_post.csv"))
    True
    """
    known = set().union(*_WORDS.values())
    words = re.split(r"[^A-Za-zÄÖÜäöüß0-9]+|(?<=[a-z])(?=[A-Z])", path.stem)
    return tuple(each.casefold() for each in words if each and each.casefold() not in known)


def axis_of(path: Path, remarks: Iterable[str] = ()) -> str | None:
    """The axis that the name of a log tells, else one of its remarks.

    >>> axis_of(Path("x_pre.csv")), axis_of(Path("run7.csv"), ["Axis: Z"]), axis_of(Path("max.csv"))
    ('X', 'Z', None)
    """
    found = {_AXIS_WORDS[each] for each in _words(path) if each in _AXIS_WORDS}
    if not found:
        found = {(a or b).upper() for text in remarks for a, b in _AXIS_SAID.findall(text)}
    return found.pop() if len(found) == 1 else None


def says_rms(remarks: Iterable[str]) -> bool:
    """Whether the lines above a log's rows say that its amplitudes are effective values."""
    return any(_RMS.search(text) for text in remarks)


def moment_in(texts: Iterable[str]) -> datetime | None:
    """The first moment that one of several texts tells with its date.

    >>> moment_in(["operator 3", "recorded 2026-03-12 09:14"]), moment_in(["12.03.2026 09:14:30"]).second
    (datetime.datetime(2026, 3, 12, 9, 14), 30)
    """
    for text in texts:
        for match in _MOMENT.finditer(text):
            part = {key: int(value) for key, value in match.groupdict().items() if value}
            day = part.get("y", part.get("y2", 0)), part.get("m", part.get("m2", 0)), part.get("d", part.get("d2", 0))
            try:
                return datetime(*day, part["h"], part["min"], part.get("s", 0))
            except ValueError:
                continue
    return None


def start_of(path: Path, remarks: Sequence[str]) -> datetime | None:
    """When a run began: as the first row of the log tells it with date and time, else as a remark does."""
    layout = sweep_layout(path, LogWanted(name=path.name))
    return moment_in([*(() if layout is None else (_first_times(path, layout),)), *remarks])


def _first_times(path: Path, layout: TableLayout) -> str:
    """Date and time of the first row as written; empty where the log counts seconds, or is a sheet."""
    columns = understand_columns(layout, LogWanted(name=path.name))
    places = [
        each.place for each in (columns.date, columns.time) if each is not None and not layout.numeric[each.place]
    ]
    if not places or layout.sheet is not None:
        return ""
    with path.open("rb") as stream:
        text = stream.read(_HEAD).decode(layout.encoding, errors="replace").lstrip("\ufeff")
    lines = text.splitlines()
    if len(lines) < layout.data_line:
        return ""
    cells = split_line(lines[layout.data_line - 1], layout.delimiter, layout.quoted)
    return " ".join(cells[place] for place in places if place < len(cells))
