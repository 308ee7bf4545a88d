"""Verdicts: a requirement met by evidence, or not."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from reportgen.records.message import Message, Place


class Outcome(StrEnum):
    """The five results (ILAC-G8:09/2019, 4.2), worst first."""

    FAIL = "fail"
    CONDITIONAL_FAIL = "conditional fail"
    NOT_EVALUATED = "not evaluated"
    CONDITIONAL_PASS = "conditional pass"
    PASS = "pass"


def overall(outcomes: Iterable[Outcome]) -> Outcome:
    """The worst outcome; judging nothing is not passing.

    >>> overall([])
    <Outcome.NOT_EVALUATED: 'not evaluated'>
    """
    found = set(outcomes)
    return next((each for each in Outcome if each in found), Outcome.NOT_EVALUATED)


class ProvedBy(StrEnum):
    """What a check is proved by; tables and figures follow from it."""

    CONTROL = "control of the run over frequency"
    RATE = "rate of the run"
    DWELL = "course of the dwell"
    AMPLIFICATION = "amplification of the responses"
    RESPONSE_LEVEL = "levels of the responses"
    NATURAL_FREQUENCY = "natural frequencies of the responses"
    FREQUENCY_SHIFT = "frequencies before and after"
    AMPLIFICATION_SHIFT = "amplifications before and after"
    INSTRUMENTS = "instruments"
    INSPECTIONS = "inspections"


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What a verdict rests on."""

    text: Message
    """What was measured or seen, and where."""
    run: str | None = None
    channel: str | None = None
    mode: int | None = None
    frequency_hz: float | None = None
    measured: float | None = None
    """In ``unit``."""
    unit: str = ""
    """Of ``measured``; its own, for items of one verdict may differ: a deviation in %, a notched response in g."""
    resolution: float | None = None
    """Step of the last digit of a value noted by hand, in ``unit``; None for one that was computed."""
    expanded_uncertainty: float | None = None
    """In ``unit``; None where none is known."""
    most_digits: int | None = None
    """Most significant digits that may be printed; None where only the uncertainty bounds them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """One requirement, what was measured, and what follows."""

    requirement: str
    check: str
    clause: str | None
    text: str | None
    outcome: Outcome
    measured: float | None = None
    limit: float | None = None
    limit_low: float | None = None
    """Lower limit where the requirement has two sides."""
    at_most: bool = True
    unit: str = ""
    resolution: float | None = None
    """Step of the last digit of a value noted by hand, in ``unit``; None for one that was computed."""
    most_digits: int | None = None
    """Most significant digits that may be printed; None where only the uncertainty bounds them."""
    expanded_uncertainty: float | None = None
    coverage_factor: float | None = None
    false_acceptance: float | None = None
    """Probability that a passed item does not conform, or None."""
    reason: tuple[Message, ...]
    """Why that outcome; each is a sentence where it is printed."""
    bands_hz: tuple[tuple[float, float], ...] = ()
    run: str | None = None
    axis: str | None = None
    """The axis where it is judged as a whole, all its runs together."""
    before: str | None = None
    """The runs compared, where it compares two; so is ``after``."""
    after: str | None = None
    parts: tuple[Verdict, ...] = ()
    """One for each run or pair where the requirement is about several, in the order of the job."""
    where: str = ""
    evidence: tuple[Evidence, ...] = ()
    proved_by: ProvedBy | None = None
    """None where there is no such check."""
    without_decisions: Outcome | None = None
    """What it would be without the engineer's decisions, where that is another outcome; None where it is the same."""
    by_decision: tuple[Place, ...] = ()
    """Where the job has the decisions that bear on it, where they changed it."""
