"""Decisions of the engineer that stand in the job, as one kind of record whatever their entry is called."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from reportgen.compute.modes.corrections import decision
from reportgen.records.job import Correction, Job
from reportgen.records.message import Place
from reportgen.records.result import ChannelResult, Resonance, RunResult


class Kind(StrEnum):
    """What may be decided; each kind is one form of entry."""

    ACCEPT = "accept"
    REJECT = "reject"
    RENUMBER = "renumber"
    ADD = "add"
    EXCLUDE = "exclude"
    ANNOTATE = "annotate"
    NODES = "nodes"
    DEVIATION = "deviation"
    """Effect of a deviation on the result, and who agreed to it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """One entry that somebody decided, wherever it stands."""

    id: str
    kind: Kind
    place: Place
    run: str | None = None
    channel: str | None = None
    frequency_hz: float | None = None
    band_hz: tuple[float, float] | None = None
    mode: int | None = None
    text: str = ""
    reason: str = ""
    by: str = ""
    when: str = ""


def decisions_of(job: Job) -> tuple[Decision, ...]:
    """Every decision in the job file, in its order."""
    return tuple(_distinct([_of_correction(each) for each in job.corrections]))


def _of_correction(each: Correction) -> Decision:
    return Decision(
        id="",
        kind=Kind(each.action),
        place=each.where,
        run=each.run,
        channel=each.channel,
        frequency_hz=each.frequency_hz,
        mode=each.mode,
        reason=each.reason,
        by=each.by,
    )


def _distinct(found: list[Decision]) -> Iterator[Decision]:
    """With ids of what they say: an entry keeps its id while others come and go; of equals the later are counted."""
    from dataclasses import replace

    seen: dict[str, int] = {}
    for each in found:
        said = repr(replace(each, place=Place("")))
        digest = hashlib.sha256(said.encode("utf-8", "backslashreplace")).hexdigest()[:12]
        seen[digest] = seen.get(digest, 0) + 1
        yield replace(each, id=f"{each.kind}-{digest}" + (f"-{seen[digest]}" if seen[digest] > 1 else ""))


def decision_on(job: Job, run: RunResult, channel: ChannelResult, each: Resonance) -> Decision | None:
    """The last decision that touched a resonance; None where nobody decided on it."""
    pairs = zip(job.corrections, decisions_of(job), strict=True)
    touched = [
        made
        for entry, made in pairs
        if entry.run in (None, run.id) and entry.channel in (None, channel.id) and decision(entry) in each.flags
    ]
    return touched[-1] if touched else None
