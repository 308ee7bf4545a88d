"""What the operator wrote, word for word, and the facts understood in it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, time
from enum import StrEnum

from reportgen.records.message import Message, Place


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


def describe_fact(fact: Fact) -> str:
    """What was understood, in a few words: ``312 Hz: 2 nodes at 0.5 L, 0.87 L``.

    >>> describe_fact(NodesSeen(frequency_hz=84.0, count=1, positions=(0.77,)))
    '84 Hz: 1 node at 0.77 L'
    """
    if isinstance(fact, NodesSeen):
        return _describe_nodes(fact)
    if isinstance(fact, StrobeSeen):
        parts = [f"strobe at {fact.flash_hz:g} Hz"]
        parts += [f"drive at {fact.drive_hz:g} Hz"] if fact.drive_hz is not None else []
        parts += [f"appears at {fact.apparent_hz:g} Hz"] if fact.apparent_hz is not None else []
        return ", ".join(parts)
    at = f" at {fact.frequency_hz:g} Hz" if not isinstance(fact, Remark) and fact.frequency_hz is not None else ""
    if isinstance(fact, LevelChanged):
        change = f"by {fact.by_db:+g} dB" if fact.by_db is not None else f"to {fact.to_mps2 or 0.0:.4g} m/s²"
        return f"level changed {change}{at}"
    if isinstance(fact, MotionSeen):
        return f"{fact.motion}{at}"
    return fact.heading


def _describe_nodes(fact: NodesSeen) -> str:
    text = f"{fact.frequency_hz:g} Hz: {fact.count} node{'s' * (fact.count != 1)}"
    if fact.positions:
        text += " at " + ", ".join(f"{position:g} {fact.position_unit}" for position in fact.positions)
    return text + (f", {fact.motion}" if fact.motion is not None else "")
