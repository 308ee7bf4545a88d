"""The engineer's own decisions, applied and shown: accept, reject or renumber a resonance or an observation."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from reportgen.compute.identification.asked_mode import REACH
from reportgen.compute.modes.observation import Observation
from reportgen.records.finding import Finding, note, warning
from reportgen.records.job import Correction
from reportgen.records.message import Message, message
from reportgen.records.result import AskedFor, ChannelResult, Resonance, RunResult


def apply_corrections(
    corrections: Sequence[Correction], runs: tuple[RunResult, ...], seen: tuple[Observation, ...]
) -> tuple[tuple[RunResult, ...], tuple[Observation, ...], tuple[Finding, ...]]:
    """Runs and observations with every correction marked on what it touches; a finding for each correction."""
    findings: list[Finding] = []
    for each in corrections:
        if each.action == "renumber" and each.mode is None:
            findings.append(warning(each.where, message("correction.mode-needed")))
            continue
        refused = _refused(each, runs)
        if refused is not None:
            findings.append(warning(each.where, refused))
            continue
        runs, touched = _on_runs(each, runs)
        seen, also = _on_observations(each, seen)
        touched += also
        findings.append(
            note(each.where, message("correction.applied", what=decision(each), to=tuple(touched)))
            if touched
            else warning(each.where, _matches_nothing(each, runs))
        )
    return runs, seen, tuple(findings)


def _refused(each: Correction, runs: tuple[RunResult, ...]) -> Message | None:
    """Why a resonance that is asked for is not there."""
    if each.action != "add":
        return None
    for run in runs:
        for other in run.not_added if run.id == each.run else ():
            if (other.frequency_hz, other.channel) == (each.frequency_hz, each.channel):
                place = tuple(part for part in (each.run, each.channel) if part)
                return message("correction.not-added", names=place, frequency_hz=each.frequency_hz, why=other.why)
    return None


def decision(each: Correction) -> Message:
    """What was decided, by whom and why; stands among the flags of whatever it touched."""
    match each.action:
        case "reject":
            return message("correction.rejected", by=each.by, reason=each.reason)
        case "renumber":
            return message("correction.renumbered", mode=each.mode, by=each.by, reason=each.reason)
        case "add":
            return message("correction.added", by=each.by, reason=each.reason)
    return message("correction.accepted", by=each.by, reason=each.reason)


def _on_runs(each: Correction, runs: tuple[RunResult, ...]) -> tuple[tuple[RunResult, ...], list[Message]]:
    touched: list[Message] = []
    corrected = []
    for run in runs:
        if each.run not in (None, run.id):
            corrected.append(run)
            continue
        channels = []
        for channel in run.channels:
            index = touches(each, channel)
            if index is None:
                channels.append(channel)
            else:
                channels.append(_mark(each, channel, index))
                touched.append(_resonance(run, channel, channel.resonances[index]))
        corrected.append(replace(run, channels=tuple(channels)))
    return tuple(corrected), touched


def touches(each: Correction, channel: ChannelResult) -> int | None:
    """Index of the nearest resonance of the channel within reach."""
    if each.channel not in (None, channel.id):
        return None
    if each.action == "add":
        own = (i for i, r in enumerate(channel.resonances) if r.asked and r.asked.frequency_hz == each.frequency_hz)
        return next(own, None)
    distances = [(_distance(each, r), index) for index, r in enumerate(channel.resonances)]
    near = min(distances, default=None)
    if near is None:
        return None
    resonance = channel.resonances[near[1]]
    bandwidth = resonance.frequency_hz / resonance.q if resonance.q else 0.0
    return near[1] if near[0] <= max(REACH * each.frequency_hz, bandwidth) else None


def _distance(each: Correction, resonance: Resonance) -> float:
    """To the mode, or to the peak as the log shows it, whichever is nearer: the engineer may have read either."""
    shown = [resonance.frequency_hz]
    if resonance.observed.peak_hz is not None:
        shown.append(resonance.observed.peak_hz)
    return min(abs(frequency_hz - each.frequency_hz) for frequency_hz in shown)


def _mark(each: Correction, channel: ChannelResult, index: int) -> ChannelResult:
    resonance = channel.resonances[index]
    marked = replace(resonance, flags=(*resonance.flags, decision(each)))
    if each.action == "reject":
        marked = replace(marked, rejected=f"{each.reason} ({each.by})", mode=None)
    elif each.action == "add" and resonance.asked is not None:
        marked = replace(marked, flags=(*marked.flags, *_what_data_say(resonance.asked)))
    if each.action == "renumber" or (each.action == "add" and each.mode is not None):
        marked = replace(marked, mode=each.mode)
    return replace(channel, resonances=(*channel.resonances[:index], marked, *channel.resonances[index + 1 :]))


def _what_data_say(asked: AskedFor) -> Iterator[Message]:
    """For and against a resonance that was asked for."""
    if asked.speaks_for:
        yield message("correction.speaks-for", what=asked.speaks_for)
    if asked.speaks_against:
        yield message("correction.speaks-against", what=asked.speaks_against)
    if not asked.meets_criterion:
        yield message("correction.criterion-not-met")


def _on_observations(each: Correction, seen: tuple[Observation, ...]) -> tuple[tuple[Observation, ...], list[Message]]:
    if each.channel is not None or each.action == "add":
        return seen, []
    touched = [o for o in seen if _reaches(each, o)]
    marked = tuple(_mark_observation(each, o) if o in touched else o for o in seen)
    return marked, [message("correction.observation", where=o.where) for o in touched]


def _reaches(each: Correction, observation: Observation) -> bool:
    if each.run is not None and observation.run is not None and each.run != observation.run:
        return False
    return abs(observation.drive_hz - each.frequency_hz) <= REACH * each.frequency_hz


def _mark_observation(each: Correction, observation: Observation) -> Observation:
    marked = replace(observation, flags=(*observation.flags, _at(observation, decision(each))))
    if each.action == "reject":
        return replace(marked, rejected=f"{each.reason} ({each.by})")
    if each.action == "renumber":
        return replace(marked, forced_mode=each.mode)
    return replace(marked, accepted=True)


def _at(observation: Observation, what: Message) -> Message:
    return message("observation.of", where=observation.where, what=what)


def _resonance(run: RunResult, channel: ChannelResult, resonance: Resonance) -> Message:
    return message("correction.resonance", run=run.id, channel=channel.id, frequency_hz=resonance.frequency_hz)


def _matches_nothing(each: Correction, runs: tuple[RunResult, ...]) -> Message:
    """What stands nearest, so that the correction can be mended."""
    candidates = [
        (_distance(each, resonance), run.id, channel.id, resonance.frequency_hz, run, channel, resonance)
        for run in runs
        if each.run in (None, run.id)
        for channel in run.channels
        if each.channel in (None, channel.id)
        for resonance in channel.resonances
    ]
    nearest = min(candidates, key=lambda found: found[:4], default=None)
    hint = message("correction.no-resonance")
    if nearest is not None:
        hint = message("correction.nearest", resonance=_resonance(*nearest[4:]))
    names = tuple(part for part in (each.run, each.channel) if part)
    place = message("correction.of", names=names) if names else message("correction.of-any-run")
    return message("correction.matches-nothing", place=place, frequency_hz=each.frequency_hz, hint=hint)
