"""Clauses by axis, each in two lines, with the table and the figure that prove it."""

from __future__ import annotations

from dataclasses import dataclass, replace

from reportgen.records.report import Report
from reportgen.records.verdict import Outcome, ProvedBy, Verdict
from reportgen.render.axis_runs import axis_of, axis_runs, requirement_of
from reportgen.render.names import anchor
from reportgen.render.rows.axis_page import response_key, table_key
from reportgen.render.rows.conformity import OutcomeShown, PartRow
from reportgen.render.rows.conformity import verdict as verdict_row
from reportgen.render.rows.language import Language


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """Keys of the table and of the figure that prove a verdict; empty where there is none."""

    table: str
    figure: str
    at: str = ""
    """Where on the abscissa of the figure the deciding evidence lies, Hz; empty where it lies at no frequency."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClausePart:
    """What one run, or one pair, gave for a requirement over several."""

    place: str
    measured: str
    uncertainty: str
    limit: str
    outcome: OutcomeShown
    proof: Proof


@dataclass(frozen=True, slots=True, kw_only=True)
class Clause:
    """One requirement and what became of it."""

    id: str
    anchor: str
    detail: str
    """Anchor of all its evidence, in the annex."""
    clause: str
    text: str
    measured: str
    uncertainty: str
    limit: str
    outcome: OutcomeShown
    reason: str
    """Empty where it passed: what was measured says it then."""
    risk: str
    proof: Proof
    parts: tuple[ClausePart, ...] = ()
    """One for each run where the requirement is about several; the clause's own row is that of the worst."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClauseGroup:
    """Clauses about one axis, or about the whole."""

    title: str
    clauses: tuple[Clause, ...]


def clause_groups(report: Report, language: Language) -> tuple[ClauseGroup, ...]:
    """Clauses by axis in the order of the test; what is about no single axis comes last."""
    by_axis: dict[str | None, list[Verdict]] = {run.axis: [] for run in report.runs if run.axis is not None}
    for each in report.verdicts:
        by_axis.setdefault(axis_of(report, each), []).append(each)
    last = by_axis.pop(None, [])
    whole = language.say("The test as a whole") if any(by_axis.values()) else ""
    groups = [(language.say("Axis %(axis)s", axis=axis), found) for axis, found in by_axis.items() if axis]
    return tuple(
        ClauseGroup(title=title, clauses=tuple(clause(report, each, language) for each in found))
        for title, found in (*groups, (whole, last))
        if found
    )


def clause(report: Report, each: Verdict, language: Language) -> Clause:
    """One clause."""
    row = verdict_row(report, each, language)
    return Clause(
        id=each.requirement,
        anchor=row.anchor,
        detail=f"{row.anchor}-evidence",
        clause=row.clause,
        text=row.text,
        measured=row.measured,
        uncertainty="" if row.uncertainty == language.numbers.ABSENT else row.uncertainty,
        limit=row.limit,
        outcome=row.outcome,
        reason="" if each.outcome is Outcome.PASS else row.short_reason,
        risk=row.risk,
        proof=proof(report, each),
        parts=tuple(_part(report, part, shown, language) for part, shown in zip(each.parts, row.parts, strict=True)),
    )


def _part(report: Report, part: Verdict, row: PartRow, language: Language) -> ClausePart:
    shown = row.verdict
    return ClausePart(
        place=row.place,
        measured=shown.measured,
        uncertainty="" if shown.uncertainty == language.numbers.ABSENT else shown.uncertainty,
        limit=shown.limit,
        outcome=shown.outcome,
        proof=proof(report, part),
    )


def proof(report: Report, each: Verdict) -> Proof:
    """Where the numbers of a verdict stand and where they are seen."""
    first = next(iter(each.evidence), None)
    at = f"{first.frequency_hz:.9g}" if first is not None and first.frequency_hz else ""
    found = _places(report, each)
    return replace(found, at=at) if found.figure and each.proved_by is not ProvedBy.DWELL else found


def _places(report: Report, each: Verdict) -> Proof:
    """Of several axes those of the one that decides."""
    axis = axis_of(report, each)
    if axis is None and each.parts and each.evidence:
        axis = next((run.axis for run in report.runs if run.id == each.evidence[0].run), None)
    of = next((found for found in axis_runs(report) if found.axis == axis), None)
    run = _run(report, each)
    match each.proved_by:
        case ProvedBy.INSTRUMENTS:
            return Proof(table="table-instruments", figure="")
        case ProvedBy.INSPECTIONS:
            return Proof(table="table-inspections", figure="")
        case ProvedBy.CONTROL:
            return Proof(table=_RUNS, figure=anchor("fig", run, "control") if run else "")
        case ProvedBy.DWELL:
            return Proof(table=_RUNS, figure=anchor("fig", run, "dwell") if run else "")
        case ProvedBy.FREQUENCY_SHIFT | ProvedBy.AMPLIFICATION_SHIFT if of is not None:
            return Proof(table=table_key(of.axis), figure=_compared(report, each))
        case ProvedBy.FREQUENCY_SHIFT | ProvedBy.AMPLIFICATION_SHIFT if each.before and each.after:
            pair = anchor("compare", each.before, each.after)  # of two axes, or two specimens
            return Proof(table=f"table-{pair}", figure=_compared(report, each))
        case ProvedBy.AMPLIFICATION | ProvedBy.RESPONSE_LEVEL | ProvedBy.NATURAL_FREQUENCY if of is not None:
            return Proof(table=table_key(of.axis), figure=response_key(of.axis))
    return Proof(table=_RUNS, figure="")


_RUNS = "table-runs"
"""Key of the list of runs."""


def _run(report: Report, each: Verdict) -> str:
    asked = requirement_of(report, each)
    cited = each.evidence[0].run if each.evidence else None
    return cited or (asked.run if asked else None) or ""


def _compared(report: Report, each: Verdict) -> str:
    """The comparison of the channel that decides."""
    decides = next((part for part in each.parts if part.evidence[:1] == each.evidence[:1]), each)
    before, after = decides.before, decides.after
    channel = each.evidence[0].channel if each.evidence else None
    return anchor("fig", before, after, channel) if before and after and channel else ""
