"""Deviations: what in a test was not as its method and its requirement ask for."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from reportgen.records.message import Message, Place


class DeviationCode(StrEnum):
    """What kind of deviation it is; decisions hang on this, the message is for people."""

    LEVEL_CHANGE = "level change"
    ABORT = "abort"
    """The control went beyond the abort limit, or the run ended before its profile."""
    INTERRUPTION = "interruption"
    """The sweep was stopped and resumed, or rows are missing within it."""
    OUT_OF_TOLERANCE = "out of tolerance"
    RATE = "sweep rate"
    CROSS_AXIS = "cross-axis motion"
    """More motion across the axis than the job allows."""
    LOST_SENSOR = "lost sensor"
    LOST_RUN = "lost run"
    """The whole run carries no evidence."""
    VOID_RUN = "void run"
    """A run that the laboratory itself takes out, or made once more."""
    NOT_EVALUATED = "not evaluated"
    """A clause that could not be judged."""
    EXCLUSION = "exclusion"
    """A resonance that the engineer took out of the result, or a band that is not used."""
    CORRECTION = "correction"
    NOTED = "noted"
    """By the operator, in the notes."""
    STATED = "stated"
    """In the job alone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Deviation:
    """One deviation, with what the job says about it."""

    code: DeviationCode
    key: str
    """By which the job speaks of it: code, place and first frequency; the same inputs give the same key."""
    message: Message
    """What was not as it should be."""
    run: str | None = None
    channel: str | None = None
    requirement: str | None = None
    bands_hz: tuple[tuple[float, float], ...] = ()
    value: float | None = None
    """How far, in ``unit``; None where there is no measure of it."""
    unit: str = ""
    where: Place | None = None
    """The line of notes or job that tells of it."""
    effect: str | None = None
    """Effect on the result, as the laboratory states it; None until it does."""
    agreed_by: str | None = None
    """Who agreed to it; None until the job says so."""

    @property
    def open(self) -> tuple[str, ...]:
        """Keys of ``[[deviation]]`` that are still empty."""
        return tuple(name for name in ("effect", "agreed_by") if not getattr(self, name))
