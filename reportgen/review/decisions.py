"""Decisions of the engineer that stand in the job, as one kind of record whatever their entry is called."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from enum import StrEnum

from reportgen.compute.modes.corrections import decision, touches
from reportgen.records.job import Annotation, Correction, Exclusion, Job, StatedDeviation
from reportgen.records.message import Message, Place, message
from reportgen.records.result import ChannelResult, RunResult


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


TABLES = {
    Kind.ACCEPT: "correction",
    Kind.REJECT: "correction",
    Kind.RENUMBER: "correction",
    Kind.ADD: "correction",
    Kind.EXCLUDE: "exclusion",
    Kind.ANNOTATE: "annotation",
    Kind.DEVIATION: "deviation",
}
"""Table of the job file that holds the entry; nodes stand in the notes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """One entry that somebody decided, wherever it stands."""

    id: str = ""
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
    said: str = ""
    """What was decided, in the words of the report's language."""


def said_of(each: Decision) -> Message:
    """What was decided, and where; by whom and why stand beside it."""
    place = tuple(part for part in (each.run, each.channel) if part is not None)
    f, mode = each.frequency_hz, each.mode
    low, high = each.band_hz or (None, None)
    match each.kind:
        case Kind.ACCEPT:
            return message("review.said-accept", frequency_hz=f, place=place)
        case Kind.REJECT:
            return message("review.said-reject", frequency_hz=f, place=place)
        case Kind.RENUMBER:
            return message("review.said-renumber", frequency_hz=f, place=place, mode=mode)
        case Kind.ADD:
            return message("review.said-add", frequency_hz=f, place=place)
        case Kind.EXCLUDE if each.channel is None:
            return message("review.said-exclude-all", low_hz=low, high_hz=high, run=each.run)
        case Kind.EXCLUDE:
            return message("review.said-exclude", low_hz=low, high_hz=high, place=place)
        case Kind.ANNOTATE:
            return message("review.said-annotate", frequency_hz=f, place=place)
        case Kind.NODES:
            return message("review.said-nodes", line=each.text)
    return message("review.said-deviation", key=each.reason)


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """A decision with the entry of the job file that holds it: its table, and its number there from 0."""

    decision: Decision
    table: str
    index: int


def entries_of(job: Job) -> tuple[Entry, ...]:
    """Every decision in the job file, kind by kind in the order of the file."""
    found = [
        *_entries("correction", map(_of_correction, job.corrections)),
        *_entries("exclusion", map(_of_exclusion, job.exclusions)),
        *_entries("annotation", map(_of_annotation, job.annotations)),
        *_entries("deviation", map(_of_deviation, job.deviations)),
    ]
    made = [each for each in found if each.table != "deviation" or _says_effect(job.deviations[each.index])]
    ids = identified(each.decision for each in made)
    return tuple(replace(each, decision=named) for each, named in zip(made, ids, strict=True))


def _entries(table: str, found: Iterable[Decision]) -> Iterator[Entry]:
    for index, each in enumerate(found):
        yield Entry(decision=each, table=table, index=index)


def _at(kind: Kind, each: Correction | Exclusion | Annotation) -> Decision:
    """Where a decision is about, who made it and when."""
    return Decision(
        kind=kind, place=each.where, run=each.run, channel=each.channel, by=each.by, when=each.when or ""
    )  # fmt: skip


def _of_correction(each: Correction) -> Decision:
    made = _at(Kind(each.action), each)
    return replace(made, frequency_hz=each.frequency_hz, mode=each.mode, reason=each.reason)


def _of_exclusion(each: Exclusion) -> Decision:
    return replace(_at(Kind.EXCLUDE, each), band_hz=each.band_hz, reason=each.reason)


def _of_annotation(each: Annotation) -> Decision:
    return replace(_at(Kind.ANNOTATE, each), frequency_hz=each.frequency_hz, text=each.text)


def _says_effect(each: StatedDeviation) -> bool:
    """Whether the entry says no more than the effect of what the report found; one of its own is no decision."""
    return bool(each.key and each.effect)


def _of_deviation(each: StatedDeviation) -> Decision:
    return Decision(
        kind=Kind.DEVIATION,
        place=each.where,
        text=each.effect or "",
        reason=each.key or each.what or "",
        by=each.agreed_by or "",
        when=each.when or "",
    )


def identified(found: Iterable[Decision]) -> Iterator[Decision]:
    """With ids of what they say: an entry keeps its id while others come and go; of equals the later are counted."""
    seen: dict[str, int] = {}
    for each in found:
        said = repr(replace(each, place=Place("")))
        digest = hashlib.sha256(said.encode("utf-8", "backslashreplace")).hexdigest()[:12]
        seen[digest] = seen.get(digest, 0) + 1
        yield replace(each, id=f"{each.kind}-{digest}" + (f"-{seen[digest]}" if seen[digest] > 1 else ""))


def decision_on(
    job: Job, entries: Iterable[Entry], run: RunResult, channel: ChannelResult, index: int
) -> Decision | None:
    """The last decision that touched resonance number ``index`` of a channel; None where nobody decided on it."""
    made = None
    for entry in entries:
        if entry.table == "correction":
            stated = job.corrections[entry.index]
            here = stated.run in (None, run.id) and touches(stated, channel) == index
            made = entry.decision if here and decision(stated) in channel.resonances[index].flags else made
    return made
