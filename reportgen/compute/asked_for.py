"""Resonances that the engineer asks for in a run: which there are, who asked, and trying one without deciding."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from reportgen.compute.identification.asked_mode import Asked
from reportgen.records.job import Correction
from reportgen.records.message import Message, message
from reportgen.records.result import ChannelResult, NotAdded, Resonance

if TYPE_CHECKING:
    from reportgen.compute.identification import Identification
    from reportgen.compute.run import IdentifiedRun
    from reportgen.records.job import Job

NotAddeds = tuple[NotAdded, ...]


def with_asked_for(done: IdentifiedRun, corrections: Sequence[Correction]) -> tuple[Identification | None, NotAddeds]:
    """The record of a run with the resonances asked for; and those that cannot be had, each with the reason."""
    if done.end is None:
        why = message("asked.nothing-sought", why=done.not_sought)
        return None, tuple(_not_added(each, why) for each in corrections)
    fit: list[Correction] = []
    strange: list[Correction] = []
    for each in corrections:
        known = each.channel is None or each.channel in done.swept.channels
        (fit if known else strange).append(each)
    asked = [Asked(each.frequency_hz, (each.channel,) if each.channel else done.swept.channels) for each in fit]
    end, refused = done.end.with_asked(asked)
    refusals = {id(each.asked): each.why for each in refused}
    not_added = [_not_added(each, message("asked.no-channel")) for each in strange]
    not_added += [
        _not_added(each, refusals[id(own)]) for each, own in zip(fit, asked, strict=True) if id(own) in refusals
    ]
    return end.identification(), tuple(not_added)


def _not_added(each: Correction, why: Message) -> NotAdded:
    return NotAdded(frequency_hz=each.frequency_hz, channel=each.channel, why=why)


def told_by_whom(
    channels: tuple[ChannelResult, ...], corrections: Sequence[Correction], not_added: NotAddeds
) -> tuple[tuple[ChannelResult, ...], NotAddeds]:
    """Channels whose resonances say who asked for them; and those asked for that no row shows, beside ``not_added``."""
    named = tuple(
        replace(channel, resonances=tuple(_named(each, channel.id, corrections) for each in channel.resonances))
        for channel in channels
    )
    there = {
        (each.asked.frequency_hz, channel.id)
        for channel in named
        for each in channel.resonances
        if each.asked is not None
    }
    told = {(each.frequency_hz, each.channel) for each in not_added}
    lost = [
        _not_added(each, message("asked.no-row"))
        for each in corrections
        if (each.frequency_hz, each.channel) not in told
        and not any(f == each.frequency_hz and each.channel in (None, channel) for f, channel in there)
    ]
    return named, tuple(lost)


def _named(each: Resonance, channel: str, corrections: Sequence[Correction]) -> Resonance:
    """The resonance with who asked for it, and why."""
    asked = each.asked
    if asked is None:
        return each
    own = [c for c in corrections if c.frequency_hz == asked.frequency_hz and c.channel in (None, channel)]
    if not own:
        return each
    return replace(each, asked=replace(asked, by=own[0].by, reason=own[0].reason, when=own[0].when))


@dataclass(frozen=True, slots=True, kw_only=True)
class TriedResonance:
    """What the identification finds where a resonance is asked for; nothing is decided by it."""

    found: bool
    resonances: tuple[tuple[str, Resonance], ...] = ()
    """Each with its channel, as it would stand in the report."""
    speaks_for: tuple[Message, ...] = ()
    """On the channel that shows it best."""
    speaks_against: tuple[Message, ...] = ()
    why: Message | None = None
    """Why nothing was found."""


def try_resonance(job: Job, done: IdentifiedRun, frequency_hz: float, channel: str | None = None) -> TriedResonance:
    """What would be reported if a resonance were asked for at a frequency, Hz, of an identified run.

    Those that the job asks for already are there, too.
    """
    from reportgen.compute.run import finished_run

    trial = Correction(run=done.run.id, channel=channel, frequency_hz=frequency_hz, action="add", reason="", by="")
    result = finished_run(replace(job, corrections=(*job.corrections, trial)), done)
    refused = [each for each in result.not_added if (each.frequency_hz, each.channel) == (frequency_hz, channel)]
    shown = [
        (own.id, each)
        for own in result.channels
        for each in own.resonances
        if each.asked is not None and each.asked.frequency_hz == frequency_hz and channel in (None, own.id)
    ]
    if not shown:
        return TriedResonance(found=False, why=refused[0].why if refused else None)
    best = max((each.asked for _, each in shown if each.asked is not None), key=lambda each: each.over_noise)
    return TriedResonance(
        found=True, resonances=tuple(shown), speaks_for=best.speaks_for, speaks_against=best.speaks_against
    )
