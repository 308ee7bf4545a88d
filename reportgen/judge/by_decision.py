"""Verdicts that the engineer's decisions changed: judged once more without them, and said where the outcome differs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from reportgen.judge.case import Case, Item
from reportgen.records.job import Correction, Exclusion, Job
from reportgen.records.message import Message, message
from reportgen.records.result import ChannelResult, RunResult
from reportgen.records.verdict import Outcome, Verdict

Decision = Correction | Exclusion


def decisions_of(job: Job) -> tuple[Decision, ...]:
    """What the engineer decided about the data, in the order of the job."""
    return (*job.corrections, *job.exclusions)


def marked_by_decisions(job: Job, verdicts: Sequence[Verdict], without: Sequence[Verdict]) -> tuple[Verdict, ...]:
    """Verdicts with, where ``without`` the decisions the same requirement comes out otherwise, that outcome and why."""
    other = {each.requirement: each for each in without}
    return tuple(_marked(job, each, other.get(each.requirement)) for each in verdicts)


def without_passes_by_exclusion(
    job: Job, verdicts: Sequence[Verdict], with_all_rows: Sequence[Verdict]
) -> tuple[Verdict, ...]:
    """Verdicts, and their parts, of which none passes better than ``with_all_rows``: leaving rows out proves nothing.

    It also moves what is fitted elsewhere, by little, and a limit may lie between.
    """
    other = {each.requirement: each for each in with_all_rows}
    return tuple(_held_back(job, each, other.get(each.requirement)) for each in verdicts)


_PASSED = (Outcome.PASS, Outcome.CONDITIONAL_PASS)


def _held_back(job: Job, verdict: Verdict, whole: Verdict | None) -> Verdict:
    if whole is None:
        return verdict
    of = {_about(each): each for each in whole.parts}
    verdict = replace(verdict, parts=tuple(_held_back(job, each, of.get(_about(each))) for each in verdict.parts))
    if verdict.outcome not in _PASSED or whole.outcome in (verdict.outcome, Outcome.PASS):
        return verdict
    bands = tuple(decision_named(each) for each in job.exclusions)
    why = message("judge.pass-by-exclusion", outcome=whole.outcome, bands=bands)
    conditional = whole.outcome is Outcome.CONDITIONAL_PASS
    return replace(
        verdict, outcome=whole.outcome if conditional else Outcome.NOT_EVALUATED,
        false_acceptance=whole.false_acceptance if conditional else None, reason=(why, *verdict.reason),
    )  # fmt: skip


def _about(part: Verdict) -> tuple[str | None, ...]:
    """What a part is about; of an axis the run is only the one that decides."""
    return part.axis, part.before, part.after, None if part.axis is not None else part.run


def _marked(job: Job, verdict: Verdict, without: Verdict | None) -> Verdict:
    if without is None or without.outcome is verdict.outcome:
        return verdict
    bearing = _bearing_on(job, verdict, without)
    told = message(
        "judge.without-decisions", outcome=without.outcome, decisions=tuple(decision_named(each) for each in bearing)
    )
    return replace(
        verdict, without_decisions=without.outcome, by_decision=tuple(each.where for each in bearing),
        reason=(*verdict.reason, told),
    )  # fmt: skip


def _bearing_on(job: Job, *verdicts: Verdict) -> list[Decision]:
    """Decisions about the runs and channel that a verdict is about; all of them where none is."""
    runs = {run for each in verdicts for run in _runs(job, each)}
    asked = next((each for each in job.requirements if each.id == verdicts[0].requirement), None)
    channels = (None, asked.channel) if asked is not None and asked.channel is not None else None
    every = decisions_of(job)
    near = [
        each
        for each in every
        if (each.run is None or each.run in runs) and (channels is None or each.channel in channels)
    ]
    return near or list(every)


def _runs(job: Job, verdict: Verdict) -> Iterator[str]:
    named = (verdict.run, verdict.before, verdict.after, *(each.run for each in verdict.evidence))
    yield from (each for each in named if each is not None)
    yield from (run.id for run in job.runs if verdict.axis is not None and run.axis == verdict.axis)
    for part in verdict.parts:
        yield from _runs(job, part)


def decision_named(each: Decision) -> Message:
    """A decision in a few words, with its place."""
    place = tuple(part for part in (each.run, each.channel) if part is not None)
    if isinstance(each, Exclusion):
        low, high = each.band_hz
        return message("decided.band", place=place, low_hz=low, high_hz=high, by=each.by, where=each.where)
    f, by, where = each.frequency_hz, each.by, each.where
    match each.action:
        case "reject":
            return message("decided.rejected", place=place, frequency_hz=f, by=by, where=where)
        case "renumber":
            return message("decided.renumbered", place=place, frequency_hz=f, mode=each.mode, by=by, where=where)
        case "add":
            return message("decided.asked-for", place=place, frequency_hz=f, by=by, where=where)
    return message("decided.accepted", place=place, frequency_hz=f, by=by, where=where)


def rests_on_asked(case: Case) -> None:
    """A remark for each resonance that the engineer asked for and that the clause rests on."""
    by_id = {run.id: run for run in case.runs.values()}
    for item in case.items:
        run = by_id.get(item.run or "")
        for channel in run.channels if run is not None else ():
            if item.channel in (None, channel.id):
                _say_asked(case, item, run, channel)


def _say_asked(case: Case, item: Item, run: RunResult | None, channel: ChannelResult) -> None:
    for each in channel.resonances:
        if run is not None and each.asked is not None and each.frequency_hz == item.frequency_hz:
            where = message("judge.place", frequency_hz=each.frequency_hz, channel=channel.id, run=run.id)
            case.remark(message("judge.asked-for", where=where, by=each.asked.by))
