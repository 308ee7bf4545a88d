"""What the operator wrote, word for word, and the facts understood in it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, time
from enum import StrEnum

from reportgen.records.message import Amount, Message, message


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
    def where(self) -> str:
        """Place, as findings name it."""
        return f"{self.source}:{self.line}"


def describe_fact(fact: Fact) -> Message:
    """What was understood, in a few words: ``312 Hz: 2 nodes at 0.5 L, 0.87 L``."""
    match fact:
        case NodesSeen():
            return _described_nodes(fact)
        case StrobeSeen():
            return _described_strobe(fact)
        case LevelChanged(by_db=None):
            changed = message("fact.level-to", level_mps2=fact.to_mps2 or 0.0)
        case LevelChanged():
            changed = message("fact.level-by", by_db=fact.by_db)
        case MotionSeen():
            changed = message("fact.motion", motion=fact.motion)
        case Remark(heading="deviation"):
            return message("fact.deviation")
        case Remark():
            return message("fact.observation")
    return changed if fact.frequency_hz is None else message("fact.at", what=changed, frequency_hz=fact.frequency_hz)


def _described_strobe(fact: StrobeSeen) -> Message:
    parts = [message("fact.strobe", flash_hz=fact.flash_hz)]
    if fact.drive_hz is not None:
        parts.append(message("fact.drive", drive_hz=fact.drive_hz))
    if fact.apparent_hz is not None:
        parts.append(message("fact.apparent", apparent_hz=fact.apparent_hz))
    return message("fact.parts", parts=tuple(parts))


def _described_nodes(fact: NodesSeen) -> Message:
    seen = message("fact.nodes", frequency_hz=fact.frequency_hz, count=fact.count)
    if fact.positions:
        places = tuple(Amount(position, fact.position_unit) for position in fact.positions)
        seen = message("fact.nodes-at", frequency_hz=fact.frequency_hz, count=fact.count, places=places)
    return seen if fact.motion is None else message("fact.with-motion", what=seen, motion=fact.motion)
