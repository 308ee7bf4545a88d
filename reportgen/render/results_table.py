"""The table of results.json: where it differs from the records, and what it leaves out.

A record that is not here, and a field that its shape does not name, is written as it stands.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from enum import Enum, auto
from typing import Any

from reportgen.records.deviation import Deviation
from reportgen.records.finding import Finding
from reportgen.records.identified_fact import IdentifiedFact
from reportgen.records.job import Annotation
from reportgen.records.note import LevelChanged, MotionSeen, NodesSeen, Note, Remark, StrobeSeen
from reportgen.records.report import Change, InputFile, ReferenceComparison, Report, RunShift
from reportgen.records.result import (
    BeamFit,
    ChannelResult,
    ControlResult,
    FrequencyBudget,
    Mode,
    Observed,
    QualityIssue,
    Resonance,
    RunCondition,
    RunResult,
    SweepFacts,
)
from reportgen.records.verdict import Evidence, Verdict
from reportgen.render.catalogue import said


class MessageAs(Enum):
    """How a message is written beside its words."""

    BESIDE = auto()
    """``reason`` and ``reason_message``."""
    OWN = auto()
    """``message``, ``code`` and ``values``: the record is about nothing else."""
    WORDS = auto()
    """The words alone."""
    STATED = auto()
    """As ``BESIDE``; where there is none, its words are an empty text, not null."""
    TOGETHER = auto()
    """Several as one text of sentences, with ``reason_messages`` beside it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """What of a record is written otherwise than it stands."""

    kind: str | None = None
    """First member, where records of several kinds stand in one list."""
    named: Mapping[str, str] = field(default_factory=dict)
    """Field to its name in the file."""
    left_out: tuple[str, ...] = ()
    """Fields that are not in the file. Arrays are in none: the curves stand in the files under ``plots``."""
    pairs: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    """Field that holds pairs of numbers to the names of the two."""
    messages: Mapping[str, MessageAs] = field(default_factory=dict)
    """Where a message is not written ``BESIDE`` its words."""
    messages_last: bool = False
    """Codes and values behind all other members."""
    known_only: bool = False
    """Whether what is None is left out."""
    drawn_in: Mapping[str, type] = field(default_factory=dict)
    """Field to the record whose members stand among those of this one; null or empty where there is none."""
    made: Mapping[str, Callable[[Any], dict[str, Any]]] = field(default_factory=dict)
    """Field to the members that stand in its place, made of the record."""


def _identity(report: Report) -> dict[str, Any]:
    """What tells the report from others; all else of the job stands in the job file."""
    known = report.job.report
    names = ("number", "revision", "title", "date", "decision_rule", "confidence")
    draft = {"draft": True} if report.draft else {}
    return {"job": {name: getattr(known, name) for name in names} | draft}


def _superseded(report: Report) -> dict[str, Any]:
    """The report that this one replaces, with the job's reason for it before the changes."""
    if report.amendment is None:
        return {"supersedes": None}
    told = _by_field(report.amendment)
    changes = told.pop("changes")
    return {"supersedes": told | {"reason": report.job.report.amendment_reason, "changes": changes}}


def _reference(report: Report) -> dict[str, Any]:
    """The comparison with an earlier report; nothing where the job names none."""
    return {} if report.reference is None else {"reference": report.reference}


def _cross_axis(run: RunResult) -> dict[str, Any]:
    """Motion across the axis; nothing where the job names no channel for it."""
    return {"cross": run.cross} if run.cross else {}


def _conditions(run: RunResult) -> dict[str, Any]:
    """Temperatures and humidities; nothing where the log holds none."""
    return {"conditions": run.conditions} if run.conditions else {}


def _earlier_survey(comparison: ReferenceComparison) -> dict[str, Any]:
    """The survey of that report by its name; its values stand among the shifts."""
    return {"before": None if comparison.before is None else comparison.before.id}


def _by_field(record: Any) -> dict[str, Any]:
    return {each.name: getattr(record, each.name) for each in fields(record)}


def _reasons(resonance: Resonance) -> dict[str, Any]:
    return {
        "reasons": {name: said(reason) for name, reason in resonance.reasons},
        "reason_messages": dict(resonance.reasons),
    }


def _level_dependent(resonance: Resonance) -> dict[str, Any]:
    """Frequency and damping level by level; null for a mode that does not depend on level."""
    curve = resonance.backbone
    if curve is None:
        return {"level_g": None, "backbone": None}
    at = {"channel": curve.channel, "unit": curve.unit, "level": resonance.level}
    return {"level_g": resonance.level if curve.unit == "g" else None, "backbone": at | _by_field(curve)}


def _not_added(run: RunResult) -> dict[str, Any]:
    """What was asked for and could not be fitted; nothing where there is none."""
    return {"not_added": run.not_added} if run.not_added else {}


def _asked(resonance: Resonance) -> dict[str, Any]:
    """Who asked for it, and what the data say; nothing of a resonance that the search gave."""
    return {"asked": resonance.asked} if resonance.asked is not None else {}


def _without_decisions(verdict: Verdict) -> dict[str, Any]:
    """The outcome without the engineer's decisions; nothing where they changed nothing."""
    return {} if verdict.without_decisions is None else {"without_decisions": verdict.without_decisions}


def _by_decision(verdict: Verdict) -> dict[str, Any]:
    """Where the decisions stand that changed the outcome; nothing where none did."""
    return {} if verdict.without_decisions is None else {"by_decision": verdict.by_decision}


def _excluded(channel: ChannelResult) -> dict[str, Any]:
    """Bands that are not used; nothing where there are none."""
    return {"excluded_hz": channel.excluded_hz} if channel.excluded_hz else {}


def _annotated(channel: ChannelResult) -> dict[str, Any]:
    """The engineer's annotations; nothing where there are none."""
    return {"annotations": channel.annotations} if channel.annotations else {}


SHAPES: Mapping[type, Shape] = {
    Report: Shape(
        named={"beam_fits": "beams"},
        messages={"assumptions": MessageAs.OWN},
        left_out=("draft", "exciter", "opinions", "pictures"),
        made={"job": _identity, "amendment": _superseded, "reference": _reference},
    ),
    InputFile: Shape(left_out=("kept",)),
    Finding: Shape(messages={"message": MessageAs.OWN}),
    Change: Shape(messages={"what": MessageAs.OWN, "before": MessageAs.WORDS, "after": MessageAs.WORDS}),
    RunResult: Shape(
        drawn_in={"sweep": SweepFacts},
        messages={"method": MessageAs.STATED, "criterion": MessageAs.STATED},
        left_out=("decay", "undecided"),
        made={"cross": _cross_axis, "not_added": _not_added, "conditions": _conditions},
    ),
    RunCondition: Shape(left_out=("dimension",)),
    SweepFacts: Shape(
        named={"rate": "sweep_rate", "rate_unit": "sweep_rate_unit", "rate_reason": "sweep_rate_reason",
               "holes": "holes_hz"},
        pairs={"holds": ("at_hz", "seconds"), "level_steps": ("at_hz", "db"), "pieces": ("first_hz", "last_hz")},
        left_out=("lowest_hz", "highest_hz", "rate_from", "rate_to", "rate_outside", "rate_std", "local_rate_std",
                  "first_spacing_hz", "last_spacing_hz"),
    ),
    ControlResult: Shape(left_out=("dimension", "not_judged_bands", "notches", "time_at_level_s")),
    ChannelResult: Shape(
        left_out=("quotient", "unit", "dimension"), made={"excluded_hz": _excluded, "annotations": _annotated}
    ),
    Annotation: Shape(left_out=("run", "channel")),
    Resonance: Shape(
        left_out=("level", "residue", "frequency_std_filter_hz"),
        made={"reasons": _reasons, "backbone": _level_dependent, "asked": _asked},
    ),
    FrequencyBudget: Shape(named={name: f"{name}_hz" for name in ("fit", "clock", "filter", "misfit", "floor")}),
    Observed: Shape(messages_last=True),
    IdentifiedFact: Shape(known_only=True),
    QualityIssue: Shape(messages={"message": MessageAs.OWN}),
    Mode: Shape(left_out=("residual",)),
    BeamFit: Shape(pairs={"alternatives": ("boundary", "rms_residual")}, left_out=("scale_hz", "roots")),
    RunShift: Shape(messages_last=True),
    ReferenceComparison: Shape(made={"before": _earlier_survey}),
    Verdict: Shape(
        named={"outcome": "result"},
        messages={"reason": MessageAs.TOGETHER},
        left_out=("text", "at_most", "resolution", "most_digits", "proved_by", "where"),
        made={"without_decisions": _without_decisions, "by_decision": _by_decision},
    ),
    Evidence: Shape(messages={"text": MessageAs.OWN}, messages_last=True),
    Deviation: Shape(named={"code": "kind"}, messages={"message": MessageAs.OWN}),
    Note: Shape(left_out=("line", "day"), made={"source": lambda note: {"where": note.where}}),
    NodesSeen: Shape(kind="nodes"),
    StrobeSeen: Shape(kind="strobe"),
    LevelChanged: Shape(kind="level"),
    MotionSeen: Shape(kind="motion"),
    Remark: Shape(kind="remark"),
}  # fmt: skip
