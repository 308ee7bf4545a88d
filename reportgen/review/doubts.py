"""What speaks against a resonance that the program found, from its numbers and typed facts; the worst comes first.

A doubt's weight is how far its measure lies beyond what makes an engineer look, which is 1; the weights of a resonance
add up, since one of several doubts is enough to be wrong.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from reportgen.records.identified_fact import FactCode, IdentifiedFact
from reportgen.records.message import Message, message
from reportgen.records.report import Report
from reportgen.records.result import ChannelResult, Resonance, RunResult

LOOK = 1.0
"""Weight of what is said without a measure of its own."""
NO_EVIDENCE = 10.0
"""Weight where the numbers carry no verdict whatever they are: before all that are only known badly."""
Q_KNOWN = 0.25
"""Expanded uncertainty of Q over Q that makes one look. IEC 60068-2-6, 4.1.4 (from memory) lets the motion at a check
point differ by as much; an amplification known no better says nothing that its tolerance does not hide."""
PEAK_LEFT_OUT = 0.25
"""Share of the steady peak that the sweep left out which makes one look: beyond it the correction is as large as the
tolerance above, and the resonance rests on the model more than on the record."""
COVERAGE = 2.0
"""Coverage factor of the expanded uncertainty here (JCGM 100:2008, 6.3.3)."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """One reason to look, with its weight."""

    weight: float
    said: Message


def doubts_of(report: Report, run: RunResult, channel: ChannelResult, each: Resonance) -> tuple[Doubt, ...]:
    """Every doubt about a resonance, the heaviest first; none of a run that decides nothing, or of a rejected one."""
    if each.rejected or not report.job.counts(run.id):
        return ()
    found = [*_of_evidence(run, channel, each), *_of_numbers(each), *_of_facts(each), *_alone(report, run, each)]
    return tuple(sorted(found, key=lambda doubt: -doubt.weight))


def weight(doubts: tuple[Doubt, ...]) -> float:
    """All of them together; 0 without any."""
    return sum(each.weight for each in doubts)


def _of_evidence(run: RunResult, channel: ChannelResult, each: Resonance) -> Iterator[Doubt]:
    """Where the record itself is worth nothing there."""
    if each.doubtful:
        yield Doubt(NO_EVIDENCE, message("review.doubt-steady"))
    for issue in run.quality:
        low, high = issue.band_hz or (0.0, float("inf"))
        if issue.spoils and issue.channel in (None, channel.id) and low <= each.frequency_hz <= high:
            yield Doubt(NO_EVIDENCE, issue.message)


def _of_numbers(each: Resonance) -> Iterator[Doubt]:
    if each.q and each.q_std is not None:
        share = COVERAGE * each.q_std / each.q
        if share >= Q_KNOWN:
            yield Doubt(share / Q_KNOWN, message("review.doubt-q", share=share))
    elif not each.doubtful:
        yield Doubt(LOOK, message("review.doubt-no-uncertainty"))
    reduction = each.observed.sweep_reduction
    if reduction is not None and 1.0 - reduction >= PEAK_LEFT_OUT:
        left_out = 1.0 - reduction
        yield Doubt(left_out / PEAK_LEFT_OUT, message("review.doubt-reduced", share=reduction))


def _of_facts(each: Resonance) -> Iterator[Doubt]:
    """What the identification states of it."""
    for fact in each.facts:
        doubt = _of_fact(fact)
        if doubt is not None:
            yield doubt


def _of_fact(fact: IdentifiedFact) -> Doubt | None:
    match fact.code:
        case FactCode.NO_PEAK:
            return Doubt(LOOK, message("review.doubt-no-peak"))
        case FactCode.AT_RANGE_END:
            return Doubt(LOOK, message("review.doubt-range-end"))
        case FactCode.OVERLAPS_NEIGHBOUR:
            return Doubt(LOOK, message("review.doubt-overlap"))
        case FactCode.MISFIT:
            ratio = max(fact.inflation or 1.0, 1.0) ** 0.5
            # Inflation is of the variance; the identification states it from twice the noise on.
            return Doubt(ratio / 2.0, message("review.doubt-misfit", ratio=ratio))
    return None


def _alone(report: Report, run: RunResult, each: Resonance) -> Iterator[Doubt]:
    """A resonance that one channel of one run shows, although others looked there."""
    width = each.frequency_hz / each.q if each.q else 0.0
    others = [
        (other.id, channel.id)
        for other in report.runs
        if other.axis == run.axis and report.job.counts(other.id)
        for channel in other.channels
        if _covers(channel, each.frequency_hz)
    ]
    seen = [
        one
        for other in report.runs
        if other.axis == run.axis and report.job.counts(other.id)
        for channel in other.channels
        for one in channel.resonances
        if not one.rejected and abs(one.frequency_hz - each.frequency_hz) <= max(width, SAME_MODE * each.frequency_hz)
    ]
    if len(others) > 1 and len(seen) == 1:
        yield Doubt(LOOK, message("review.doubt-alone", places=len(others) - 1))


SAME_MODE = 0.05
"""Frequencies of two runs that lie this close are taken for one mode here: the limit that shifts between the surveys
of a qualification are usually held to, so that a mode within it was seen again."""


def _covers(channel: ChannelResult, frequency_hz: float) -> bool:
    f = channel.frequency_hz
    return len(f) > 1 and bool(f.min() <= frequency_hz <= f.max())
