"""Resonances that may stand for the whole report: of a valid run, not rejected, on a channel that carries evidence."""

from __future__ import annotations

from dataclasses import dataclass

from reportgen.records.report import Report
from reportgen.records.result import ChannelResult, Resonance, RunResult


@dataclass(frozen=True, slots=True)
class Trusted:
    """One such resonance, with its place in the tables."""

    run: RunResult
    channel: ChannelResult
    number: int
    resonance: Resonance


def spoiled(run: RunResult, channel: str) -> bool:
    """Whether an issue of quality takes the weight from this channel or from the whole run."""
    return any(issue.spoils and issue.channel in (None, channel) for issue in run.quality)


def trusted(report: Report) -> list[Trusted]:
    """In the order of the report."""
    return [
        Trusted(run, channel, number, each)
        for run in report.runs
        if report.job.counts(run.id)
        for channel in run.channels
        if not spoiled(run, channel.id)
        for number, each in enumerate(channel.resonances, start=1)
        if not each.rejected
    ]


def largest_amplification(found: list[Trusted]) -> Trusted | None:
    """The resonance of the largest amplification; None where none is known."""
    known = [each for each in found if each.resonance.amplification is not None]
    return max(known, key=lambda each: each.resonance.amplification or 0.0, default=None)
