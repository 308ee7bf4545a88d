"""What the page shows, as one record in finished strings: results, doubts, what is open, what was decided."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import TypeAlias

from reportgen.compute.asked_for import TriedResonance
from reportgen.compute.identification.asked_mode import REACH
from reportgen.records.deviation import DeviationCode
from reportgen.records.finding import Finding, Severity
from reportgen.records.message import Message, message
from reportgen.records.report import Report
from reportgen.records.result import ChannelResult, Resonance, RunResult
from reportgen.records.verdict import Verdict
from reportgen.render.rows import conformity, note
from reportgen.render.rows.language import Language
from reportgen.render.rows.mode import modes as mode_rows
from reportgen.render.rows.resonance import ResonanceRow, resonance, resonance_rows, unexplained_rows
from reportgen.review.decisions import Decision, Entry, Kind, decision_on, entries_of, said_of
from reportgen.review.doubts import LOOK, NO_EVIDENCE, doubts_of, weight

OWN_DECISIONS = (DeviationCode.CORRECTION, DeviationCode.EXCLUSION)
"""Deviations that are entries of the engineer's with reason and name: told as open, and no issue waits for them."""
STATES = {
    Kind.ACCEPT: "accepted",
    Kind.REJECT: "rejected",
    Kind.RENUMBER: "renumbered",
    Kind.ADD: "added",
}
"""What a resonance is after the last decision on it; without one it is ``open``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingShown:
    """One finding with the place where it is mended."""

    id: str
    severity: str
    word: str
    place: str
    text: str
    remedy: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisShown:
    """An axis with its runs in the order of the job; the id is empty where the job names none."""

    id: str
    runs: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ResonanceShown:
    """A resonance as printed, with what speaks against it and what was decided."""

    id: str
    mode: str
    frequency_hz: float
    bandwidth_hz: float | None
    frequency: str
    q: str
    damping: str
    amplification: str
    observed: str
    remarks: tuple[str, ...]
    doubts: tuple[str, ...]
    doubt: float
    decision: str | None
    state: str


@dataclass(frozen=True, slots=True, kw_only=True)
class UnexplainedShown:
    """A peak that is no mode and has no cause."""

    id: str
    frequency_hz: float
    text: str
    height: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelShown:
    """A channel of a run with what was found on it."""

    id: str
    title: str
    has_figure: bool
    resonances: tuple[ResonanceShown, ...] = ()
    unexplained: tuple[UnexplainedShown, ...] = ()
    annotations: tuple[Decision, ...] = ()
    exclusions: tuple[Decision, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RunShown:
    """A run with its channels."""

    id: str
    kind: str
    axis: str
    title: str
    counts: bool
    channels: tuple[ChannelShown, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ModeShown:
    """A mode of an axis, from logs and notes together."""

    id: str
    axis: str
    mode: str
    frequency: str
    q: str
    nodes: str
    motion: str
    seen: str
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictShown:
    """A clause with its verdict; ``by_decision`` names the decisions without which it would be another one."""

    id: str
    clause: str
    text: str
    outcome: str
    word: str
    css: str
    measured: str
    limit: str
    uncertainty: str
    reason: tuple[str, ...]
    by_decision: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenItem:
    """Something that awaits the engineer. ``blocks``: the issue waits for it; else it is told and may stay."""

    id: str
    kind: str
    doubt: float
    text: str
    blocks: bool
    run: str | None = None
    channel: str | None = None
    frequency_hz: float | None = None
    resonance: str | None = None
    deviation: str | None = None
    place: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviationShown:
    """A deviation with what is said of it."""

    key: str
    text: str
    kind: str
    run: str
    effect: str
    agreed_by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """All that the page shows; the fields beside ``version`` hold nothing where the job is in error."""

    version: int
    language: str
    title: str
    number: str
    revision: str
    folder: str
    by: tuple[str, ...] = ()
    others: tuple[str, ...] = ()
    decided_by: str = ""
    """Who is named on the command line; the page's first choice for ``by``."""
    error: str | None = None
    findings: tuple[FindingShown, ...] = ()
    overall: str = ""
    axes: tuple[AxisShown, ...] = ()
    runs: tuple[RunShown, ...] = ()
    modes: tuple[ModeShown, ...] = ()
    verdicts: tuple[VerdictShown, ...] = ()
    deviations: tuple[DeviationShown, ...] = ()
    open: tuple[OpenItem, ...] = ()
    decisions: tuple[Decision, ...] = ()
    building: bool = False
    """While a report is being built."""
    read_only: bool = False
    """True of one bare log: there is no job that could hold a decision."""
    may_issue: bool = False
    why_not: str = ""
    software: str = field(default="")


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """What the identification finds where a resonance is asked for; nothing is decided by it."""

    found: bool
    rows: tuple[tuple[str, str], ...] = ()
    """Label and value as printed."""
    speaks_for: tuple[str, ...] = ()
    speaks_against: tuple[str, ...] = ()
    why: str = ""
    """Why nothing was found."""


def tried(run: RunResult, channel: str | None, found: TriedResonance, confidence: float, language: Language) -> Tried:
    """A resonance that was tried, as the report would print it on the channel asked for, else on the first."""
    why = "" if found.why is None else language.whole(found.why)
    here = [(name, each) for name, each in found.resonances if channel in (None, name)]
    if not here:
        return Tried(found=False, why=why)
    name, each = here[0]
    held = next(own for own in run.channels if own.id == name)
    row, absent = resonance(run, held, each, 1, confidence, language), language.numbers.ABSENT
    values = (
        ("Natural frequency", _beside(row.frequency, row.frequency_u, " Hz", absent)),
        ("Q", _beside(row.q, row.q_u, "", absent)),
        ("Damping ratio ζ", _beside(row.damping, row.damping_u, " %", absent)),
        ("Amplification", _beside(row.amplification, row.amplification_u, "", absent)),
    )
    return Tried(
        found=True,
        rows=tuple((language.say(label), value) for label, value in values if value != absent),
        speaks_for=tuple(map(language.whole, found.speaks_for)),
        speaks_against=tuple(map(language.whole, found.speaks_against)),
        why=why,
    )


def state_of(report: Report, language: Language, items: Iterable[Message], noted: Sequence[Decision] = ()) -> State:
    """The state of a computed job; ``items`` are what the report lacks, ``noted`` decisions that stand in the notes."""
    job = report.job
    made = tuple(replace(each, decision=_said(each.decision, language)) for each in entries_of(job))
    runs = tuple(_run(report, run, made, language) for run in report.runs)
    entries = (*(each.decision for each in made), *(_said(each, language) for each in noted))
    told = _findings(report.findings, language)
    waiting = tuple(
        sorted(_open(report, runs, told, [*items], language), key=lambda each: (-each.doubt, not each.blocks))
    )
    blocking = sum(each.blocks for each in waiting)
    return State(
        version=0,
        language=job.report.language,
        title=job.report.title,
        number=job.report.number,
        revision=job.report.revision,
        folder=job.folder.name,
        by=tuple(dict.fromkeys([*(each.name for each in job.persons), *(each.by for each in entries if each.by)])),
        findings=told,
        overall=conformity.overall(report, language).title,
        axes=tuple(
            AxisShown(id=axis or "", runs=tuple(run.id for run in report.runs if run.axis == axis))
            for axis in dict.fromkeys(run.axis for run in report.runs)
        ),
        runs=runs,
        modes=_modes(report, language),
        verdicts=tuple(_verdict(report, each, made, language) for each in report.verdicts),
        deviations=tuple(_deviation(row) for row in [note.deviation(each, language) for each in report.deviations]),
        open=tuple(waiting),
        decisions=entries,
        may_issue=not blocking,
        why_not=language.whole(message("review.waits", open=blocking)) if blocking else "",
        software=report.software,
    )


def _said(each: Decision, language: Language) -> Decision:
    return replace(each, said=language.sentence(said_of(each)))


def changed(before: State, after: State) -> tuple[str, ...]:
    """Ids in ``after`` of resonances, modes and verdicts that are new or say something else than ``before``."""
    return (
        *_differing(_resonances(before), _resonances(after)),
        *_differing(before.modes, after.modes),
        *_differing(before.verdicts, after.verdicts),
    )


Shown: TypeAlias = ResonanceShown | ModeShown | VerdictShown


def _differing(before: Iterable[Shown], after: Iterable[Shown]) -> Iterator[str]:
    """Numbers within ids count along a channel: what another one's coming or going has renamed has not changed."""
    known = {(_holder(each), replace(each, id="")) for each in before}
    return (each.id for each in after if (_holder(each), replace(each, id="")) not in known)


def _holder(each: Shown) -> str:
    return each.id if isinstance(each, VerdictShown) else each.id.rpartition("/")[0]


def _resonances(state: State) -> Iterator[ResonanceShown]:
    return (each for run in state.runs for channel in run.channels for each in channel.resonances)


def in_error(language: Language, folder: str, error: Message, findings: Iterable[Finding], *, title: str = "") -> State:
    """The state of a job that cannot be computed: what is wrong with it, and where it is mended."""
    return State(
        version=0, language=language.catalogue.language, title=title or folder, number="", revision="", folder=folder,
        error=language.whole(error), findings=_findings(findings, language), why_not=language.whole(error),
    )  # fmt: skip


def _findings(found: Iterable[Finding], language: Language) -> tuple[FindingShown, ...]:
    return tuple(_finding(number, each, language) for number, each in enumerate(found, start=1))


def _finding(number: int, each: Finding, language: Language) -> FindingShown:
    """What was found, and apart from it what to do, where the sentence says both in this order."""
    whole, found = language.whole(each.message), language.for_customer().whole(each.message).removesuffix(".")
    apart = len(whole) > len(found) + 1 and whole.startswith(f"{found};")
    remedy = whole[len(found) + 1 :].strip()
    return FindingShown(
        id=f"finding/{number}",
        severity=str(each.severity),
        word=language.say(str(each.severity)),
        place=str(each.where),
        text=f"{found}." if apart else whole,
        remedy=remedy[:1].upper() + remedy[1:] if apart else "",
    )


def _run(report: Report, run: RunResult, made: Sequence[Entry], language: Language) -> RunShown:
    title = [run.id, language.say(run.kind)]
    if run.axis is not None:
        title.append(language.say("Axis %(axis)s", axis=run.axis))
    return RunShown(
        id=run.id,
        kind=run.kind,
        axis=run.axis or "",
        title=" · ".join(title),
        counts=report.job.counts(run.id),
        channels=tuple(_channel(report, run, channel, made, language) for channel in run.channels),
    )


def _channel(
    report: Report, run: RunResult, channel: ChannelResult, made: Sequence[Entry], language: Language
) -> ChannelShown:
    plan = report.job.channel(channel.id)
    place = plan.location if plan is not None else None
    rows = resonance_rows(run, channel, report.job.report.confidence, language)
    drawn = len(channel.frequency_hz) > 1 or any(curve.channel == channel.id for curve in run.decay)
    return ChannelShown(
        id=channel.id,
        title=f"{channel.id} · {place}" if place else channel.id,
        has_figure=drawn,
        resonances=tuple(
            _resonance(report, run, channel, each, (row, decision_on(report.job, made, run, channel, index)), language)
            for index, (each, row) in enumerate(zip(channel.resonances, rows, strict=True))
        ),
        unexplained=_unexplained(run, channel, language),
        annotations=tuple(_on(made, Kind.ANNOTATE, run, channel)),
        exclusions=tuple(_on(made, Kind.EXCLUDE, run, channel)),
    )


def _on(made: Iterable[Entry], kind: Kind, run: RunResult, channel: ChannelResult) -> Iterator[Decision]:
    """Decisions of a kind on a channel of a run, or on all of its channels."""
    for entry in made:
        each = entry.decision
        if each.kind is kind and each.run == run.id and each.channel in (None, channel.id):
            yield each


def _resonance(
    report: Report,
    run: RunResult,
    channel: ChannelResult,
    each: Resonance,
    told: tuple[ResonanceRow, Decision | None],
    language: Language,
) -> ResonanceShown:
    row, made = told
    doubts = doubts_of(report, run, channel, each)
    absent = language.numbers.ABSENT
    return ResonanceShown(
        id=f"{run.id}/{channel.id}/{row.number}",
        mode="" if row.mode == absent else row.mode,
        frequency_hz=each.frequency_hz,
        bandwidth_hz=each.frequency_hz / each.q if each.q else None,
        frequency=_beside(row.frequency, row.frequency_u, " Hz", absent),
        q=_beside(row.q, row.q_u, "", absent),
        damping=_beside(row.damping, row.damping_u, " %", absent),
        amplification=_beside(row.amplification, row.amplification_u, "", absent),
        observed="" if row.seen_frequency == absent else f"{row.seen_frequency} Hz · {row.seen_amplification}",
        remarks=row.remarks,
        doubts=tuple(language.whole(doubt.said) for doubt in doubts),
        doubt=round(weight(doubts), 3),
        decision=made.id if made is not None else None,
        state=STATES[made.kind] if made is not None else "open",
    )


def _beside(value: str, uncertainty: str, unit: str, absent: str) -> str:
    """A value as printed, with its expanded uncertainty where it has one."""
    if value == absent:
        return absent
    return f"{value}{unit}" if uncertainty in ("", absent) else f"{value}{unit} ± {uncertainty}{unit}"


def _unexplained(run: RunResult, channel: ChannelResult, language: Language) -> tuple[UnexplainedShown, ...]:
    rows = unexplained_rows(channel, language)
    return tuple(
        UnexplainedShown(
            id=f"{run.id}/{channel.id}/peak-{number}",
            frequency_hz=each.frequency_hz,
            text=f"{row.frequency} Hz: {row.why}",
            height=each.height,
        )
        for number, (each, row) in enumerate(zip(channel.unexplained, rows, strict=True), start=1)
    )


def _modes(report: Report, language: Language) -> tuple[ModeShown, ...]:
    shown = []
    for axis in dict.fromkeys(mode.axis for mode in report.modes):
        found = [mode for mode in report.modes if mode.axis == axis]
        rows, _ = mode_rows(found, report.job.report.confidence, language)
        absent = language.numbers.ABSENT
        for number, row in enumerate(rows, start=1):
            shown.append(
                ModeShown(
                    id=f"{axis or ''}/{number}",
                    axis=axis or "",
                    mode=row.number,
                    frequency=_beside(row.frequency, row.frequency_u, " Hz", absent),
                    q=_beside(row.q, row.q_u, "", absent),
                    nodes=row.nodes,
                    motion=row.motion,
                    seen=row.seen,
                    remarks=row.remarks,
                )
            )
    return tuple(shown)


def _verdict(report: Report, each: Verdict, made: Sequence[Entry], language: Language) -> VerdictShown:
    row = conformity.verdict(report, each, language)
    return VerdictShown(
        id=row.id,
        clause=row.clause,
        text=row.text,
        outcome=row.outcome.key,
        word=row.outcome.title,
        css=row.outcome.css,
        measured=row.measured,
        limit=row.limit,
        uncertainty=row.uncertainty,
        reason=tuple(language.whole(reason) for reason in each.reason),
        by_decision=tuple(entry.decision.id for entry in made if entry.decision.place in each.by_decision),
    )


def _deviation(row: note.DeviationRow) -> DeviationShown:
    return DeviationShown(
        key=row.key, text=row.text, kind=row.kind, run=row.run, effect=row.effect, agreed_by=row.agreed_by
    )


def _open(
    report: Report, runs: Sequence[RunShown], told: Sequence[FindingShown], items: Sequence[Message], language: Language
) -> list[OpenItem]:
    """What awaits somebody, in no order yet."""
    found = [each for run in runs if run.counts for channel in run.channels for each in _open_on(run, channel)]
    for each in told:
        if each.severity != Severity.NOTE:
            wrong = each.severity == Severity.ERROR
            text = f"{each.text} {each.remedy}".strip()
            found.append(
                OpenItem(
                    id=each.id, kind="finding", doubt=NO_EVIDENCE if wrong else LOOK, text=text,
                    blocks=wrong, place=each.place,
                )
            )  # fmt: skip
    for deviation, row in zip(report.deviations, [note.deviation(d, language) for d in report.deviations], strict=True):
        if deviation.open:
            own = deviation.code in OWN_DECISIONS
            found.append(
                OpenItem(
                    id=f"deviation/{deviation.key}", kind="deviation", doubt=0.0 if own else LOOK, text=row.text,
                    blocks=not own,
                    run=deviation.run, channel=deviation.channel, deviation=deviation.key,
                    frequency_hz=deviation.bands_hz[0][0] if deviation.bands_hz else None,
                )
            )  # fmt: skip
    for number, item in enumerate(items, start=1):
        found.append(OpenItem(id=f"item/{number}", kind="item", doubt=0.0, text=language.whole(item), blocks=False))
    return found


def _open_on(run: RunShown, channel: ChannelShown) -> list[OpenItem]:
    """Resonances in doubt that nobody decided on, and peaks that nothing explains."""
    found = [
        OpenItem(
            id=f"resonance/{each.id}", kind="resonance", doubt=each.doubt, text=" ".join(each.doubts), blocks=True,
            run=run.id, channel=channel.id, frequency_hz=each.frequency_hz, resonance=each.id,
        )
        for each in channel.resonances
        if each.doubt > 0.0 and each.state == "open"
    ]  # fmt: skip
    for peak in channel.unexplained:
        if not _spoken_of(peak.frequency_hz, channel.annotations):
            height = peak.height if math.isfinite(peak.height) else NO_EVIDENCE
            found.append(
                OpenItem(
                    id=peak.id, kind="unexplained", doubt=LOOK + math.log10(max(height, 1.0)),
                    text=peak.text, blocks=True, run=run.id, channel=channel.id, frequency_hz=peak.frequency_hz,
                )
            )  # fmt: skip
    return found


def _spoken_of(frequency_hz: float, annotations: Iterable[Decision]) -> bool:
    """Whether somebody has written what a peak is."""
    return any(
        each.frequency_hz is not None and abs(each.frequency_hz - frequency_hz) <= REACH * frequency_hz
        for each in annotations
    )
