"""What a page asks for: its fields, read and held against what each kind of decision needs."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from typing import Any

from reportgen.records.message import Message, message
from reportgen.review.decisions import Kind

LONGEST_TEXT = 2000
"""Characters of a reason or remark: a page of print; the notes reader looks at no more of a line."""
NEEDED: Mapping[Kind, tuple[str, ...]] = {
    Kind.ACCEPT: ("run", "frequency_hz", "reason", "by"),
    Kind.REJECT: ("run", "frequency_hz", "reason", "by"),
    Kind.RENUMBER: ("run", "frequency_hz", "mode", "reason", "by"),
    Kind.ADD: ("run", "frequency_hz", "reason", "by"),
    Kind.EXCLUDE: ("run", "band_hz", "reason", "by"),
    Kind.ANNOTATE: ("run", "channel", "frequency_hz", "text", "by"),
    Kind.NODES: ("run", "frequency_hz", "nodes", "by"),
    Kind.DEVIATION: ("deviation", "text", "agreed_by"),
}
"""Fields without which a decision of that kind is none; the reader of the job holds the rest. Without a channel it is
about all of them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A decision as a page sends it; what it leaves out is None."""

    kind: Kind
    run: str | None = None
    channel: str | None = None
    frequency_hz: float | None = None
    band_hz: tuple[float, float] | None = None
    mode: int | None = None
    nodes: int | None = None
    text: str | None = None
    reason: str | None = None
    by: str | None = None
    deviation: str | None = None
    agreed_by: str | None = None


class Faults(Exception):
    """Fields that cannot be taken, each with what is wrong."""

    def __init__(self, *found: tuple[str, Message]) -> None:
        super().__init__(*found)
        self.found = found


def asked_of(told: Mapping[str, Any]) -> Asked:
    """The decision that a page sent. Raises Faults."""
    try:
        kind = Kind(str(told.get("kind")))
    except ValueError:
        raise Faults(("kind", message("review.kind-unknown", kinds=tuple(map(str, Kind))))) from None
    known = {each.name for each in fields(Asked)}
    faults = [(name, message("review.field-unknown")) for name in told if name not in known]
    values: dict[str, Any] = {"kind": kind}
    for name in known - {"kind"}:
        try:
            values[name] = _READERS[name](told.get(name))
        except (TypeError, ValueError, OverflowError):
            faults.append((name, _EXPECTED[name]))
    asked = Asked(**values)
    broken = {name for name, _ in faults}
    faults += [(name, _NEEDS) for name in NEEDED[kind] if getattr(asked, name) is None and name not in broken]
    if faults:
        raise Faults(*sorted(faults, key=lambda fault: fault[0]))
    return asked


def tried_at(told: Mapping[str, Any]) -> tuple[str, str | None, float]:
    """Run, channel and frequency at which a resonance is tried. Raises Faults."""
    trial = {name: told.get(name) for name in ("run", "channel", "frequency_hz")}
    asked = asked_of({"kind": Kind.ADD, **trial, "reason": "-", "by": "-"})
    assert asked.run is not None
    assert asked.frequency_hz is not None
    return asked.run, asked.channel, asked.frequency_hz


def text_of(told: object) -> str | None:
    """A text in one line without blanks at its ends; None where nothing is left. Raises TypeError or ValueError."""
    if told is None:
        return None
    if not isinstance(told, str):
        raise TypeError
    text = " ".join(told.split())
    if len(text) > LONGEST_TEXT or not text.isprintable():
        raise ValueError
    return text or None


def _name_of(told: object) -> str | None:
    """A name as it stands in the job. Raises TypeError or ValueError."""
    if told is None or told == "":
        return None
    if not isinstance(told, str):
        raise TypeError
    if len(told) > LONGEST_TEXT or not told.isprintable():
        raise ValueError
    return told


def number_of(told: object) -> float | None:
    """A positive number. Raises TypeError or ValueError."""
    if told is None:
        return None
    if isinstance(told, bool) or not isinstance(told, int | float):
        raise TypeError
    if not (math.isfinite(told) and told > 0):
        raise ValueError
    return float(told)


def _count_of(told: object) -> int | None:
    """A whole number from 0 on. Raises TypeError or ValueError."""
    if told is None:
        return None
    if isinstance(told, bool) or not isinstance(told, int):
        raise TypeError
    if not 0 <= told < MOST_COUNTED:
        raise ValueError
    return told


MOST_COUNTED = 1000
"""Above, a number of nodes or of a mode is a slip of the key."""


def _band_of(told: object) -> tuple[float, float] | None:
    if told is None:
        return None
    if not isinstance(told, list) or len(told) != 2:
        raise TypeError
    low, high = (number_of(each) for each in told)
    if low is None or high is None or not low < high:
        raise ValueError
    return low, high


_NEEDS = message("review.field-needed")
_TEXT = message("review.field-text", most=LONGEST_TEXT)
_NUMBER = message("review.field-number")
_COUNT = message("review.field-count")
_READERS: Mapping[str, Callable[[object], Any]] = {
    "run": _name_of,
    "channel": _name_of,
    "frequency_hz": number_of,
    "band_hz": _band_of,
    "mode": _count_of,
    "nodes": _count_of,
    "text": text_of,
    "reason": text_of,
    "by": text_of,
    "deviation": _name_of,
    "agreed_by": text_of,
}
_EXPECTED: Mapping[str, Message] = {
    "frequency_hz": _NUMBER,
    "band_hz": message("review.field-band"),
    "mode": _COUNT,
    "nodes": _COUNT,
    **dict.fromkeys(("run", "channel", "text", "reason", "by", "deviation", "agreed_by"), _TEXT),
}
