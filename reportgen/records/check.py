"""A check: what a requirement of the job may ask for, and what it needs to be judged."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from reportgen.records.job import RunKind
from reportgen.records.message import Message
from reportgen.records.verdict import ProvedBy


class JobEvidence(StrEnum):
    """What of the job a check is judged by, beside the keys of its requirement."""

    TOLERANCE = "tolerance of the run's profile"
    PROFILE = "profile of the run"
    PROFILE_RATE = "sweep rate of the run's profile"
    INSTRUMENTS = "instruments"
    INSPECTIONS = "inspections"


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One check. Reading, job file, documents and judging all follow from it."""

    name: str
    """As it is written in the job: ``check = "frequency shift"``."""
    needs: tuple[tuple[str, ...], ...] = ()
    """Keys of ``[[requirement]]`` that it cannot do without; where several are grouped, one of them is enough."""
    limit_dimensions: tuple[str, ...] = ()
    """What its limit may measure; empty: the check takes no limit."""
    limit_example: str = ""
    """A limit as it is written; empty where the check takes none."""
    limit_in_percent: bool = True
    """Whether a ratio is written with its percent sign: a shift is, an amplification is not."""
    narrowed_by: tuple[str, ...] = ()
    """Which of the keys ``channel``, ``mode`` and ``band`` narrow it down; it is not asked of the others."""
    run_kinds: tuple[RunKind, ...] = ()
    """Kinds of run that can answer it; empty where it asks for no run."""
    whole_axis: bool = False
    """Whether an axis is judged as one, all its runs together, where the requirement names an axis alone."""
    judged_by: JobEvidence | None = None
    """What the job has to hold for it, where it holds more than runs; reading warns where that is missing."""
    proved_by: ProvedBy
    """What its verdict is proved by."""
    compares: Message
    """What is held against what: the evidence that its verdict rests on."""
    function: Callable[[Any], None]
    """Lays down items, gaps and remarks in the case (``reportgen.judge.case.Case``) it is given."""


def check_named(checks: tuple[Check, ...], name: str) -> Check | None:
    """The check of that name, whatever its spaces and capitals; None where there is none."""
    wanted = " ".join(name.split()).casefold()
    return next((each for each in checks if each.name == wanted), None)
