"""What the operator wrote, word for word, and the facts understood in it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, time
from enum import StrEnum

from reportgen.records.message import Message, Place, message


class MotionKind(StrEnum):
    """Kind of motion seen."""

    BENDING = "bending"
    TORSION = "torsion"
    AXIAL = "axial"


@dataclass(frozen=True, slots=True, kw_only=True)
class NodesSeen:
    """Nodes counted or placed at a drive frequency."""

    frequency_hz: float
    count: int
    positions: tuple[float, ...] = ()
    """From the clamped (or first named) end, in units of ``position_unit``."""
    position_unit: str = "L"
    """``L``: fraction of the length; ``m``: metres."""
    motion: MotionKind | None = None
    resolution_hz: float | None = field(default=None, compare=False)
    """Step of the last digit the frequency was written with."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StrobeSeen:
    """A strobe rate, and the slow motion seen under it where it was noted."""

    flash_hz: float
    drive_hz: float | None = None
    apparent_hz: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelChanged:
    """The drive was changed by hand: by decibels, or to an acceleration."""

    by_db: float | None = None
    to_mps2: float | None = None
    frequency_hz: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MotionSeen:
    """Kind of motion, at a frequency where one was given."""

    motion: MotionKind
    frequency_hz: float | None = None
    resolution_hz: float | None = field(default=None, compare=False)
    """Step of the last digit the frequency was written with."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    """Text for the report's list of deviations or observations."""

    heading: str
    """``deviation`` or ``observation``."""
    text: str


Fact = NodesSeen | StrobeSeen | LevelChanged | MotionSeen | Remark


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """One line of the operator's notes."""

    source: str
    line: int
    text: str
    """As written."""
    when: datetime | time | None = None
    day: date | None = None
    """A date written without a time of day."""
    run: str | None = None
    facts: tuple[Fact, ...] = ()
    unread: tuple[Message, ...] = ()
    """Words that look like a fact but could not be read, each with what to write instead."""

    @property
    def where(self) -> Place:
        """Place, as findings name it."""
        return Place(self.source, self.line)


def fact_message(fact: Fact) -> Message:
    """What was understood, as in ``312 Hz: 2 nodes at 0.5 L, 0.87 L``."""
    match fact:
        case NodesSeen():
            return _nodes_message(fact)
        case StrobeSeen():
            parts = [message("fact.strobe", flash_hz=fact.flash_hz)]
            parts += [message("fact.drive", drive_hz=fact.drive_hz)] if fact.drive_hz is not None else []
            parts += [message("fact.apparent", apparent_hz=fact.apparent_hz)] if fact.apparent_hz is not None else []
            return message("fact.parts", parts=tuple(parts))
        case LevelChanged() if fact.by_db is not None:
            return _at(message("fact.level-by", by_db=fact.by_db), fact.frequency_hz)
        case LevelChanged():
            return _at(message("fact.level-to", to_mps2=fact.to_mps2 or 0.0), fact.frequency_hz)
        case MotionSeen():
            return _at(message("fact.motion", motion=fact.motion), fact.frequency_hz)
    return message("fact.deviation") if fact.heading == "deviation" else message("fact.observation")


def _at(what: Message, frequency_hz: float | None) -> Message:
    return what if frequency_hz is None else message("fact.at", what=what, frequency_hz=frequency_hz)


def _nodes_message(fact: NodesSeen) -> Message:
    frequency_hz, count = fact.frequency_hz, fact.count
    what = message("fact.nodes", frequency_hz=frequency_hz, count=count)
    if fact.positions:
        unit = fact.position_unit
        positions = tuple(message("fact.position", position=each, unit=unit) for each in fact.positions)
        what = message("fact.nodes-at", frequency_hz=frequency_hz, count=count, positions=positions)
    return what if fact.motion is None else message("fact.parts", parts=(what, fact.motion))
