"""What the operator saw, one value an observation, with the run it belongs to and how well its frequency is known."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta

from reportgen.compute.modes.mode_number import AT_SUPPORT, SUPPORTED_ENDS
from reportgen.records.finding import Finding, warning
from reportgen.records.job import Job
from reportgen.records.message import Message, Place, message
from reportgen.records.note import MotionKind, MotionSeen, NodesSeen, Note
from reportgen.records.result import RunResult


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """Nodes or a kind of motion seen at a drive frequency."""

    where: Place
    """``notes.txt:12``."""
    drive_hz: float
    reading_hz: float
    """Standard uncertainty of the figure as written, by which it meets resonances: the last digit over √12."""
    resolution_hz: float | None = None
    """Step of that last digit; None where the line does not show it."""
    run: str | None = None
    axis: str | None = None
    nodes: int | None = None
    positions: tuple[float, ...] = ()
    """Fractions of the length."""
    motion: MotionKind | None = None
    flags: tuple[Message, ...] = ()
    forced_mode: int | None = None
    """Number the engineer gave it."""
    accepted: bool = False
    """The engineer takes the count at its word."""
    rejected: str | None = None


def notes_that_count(job: Job, runs: Sequence[RunResult], notes: Iterable[Note]) -> tuple[Note, ...]:
    """Notes but for those of runs that do not count: the run that they name, or the one of ``runs`` by their time."""
    return tuple(note for note in notes if job.counts(_run_of(job, runs, note)[0]))


def observations(
    job: Job, runs: Sequence[RunResult], notes: Iterable[Note]
) -> tuple[tuple[Observation, ...], tuple[Finding, ...]]:
    """Every fact with a drive frequency that tells nodes or motion, and what is wrong with its positions."""
    found: list[Observation] = []
    findings: list[Finding] = []
    for note in notes:
        run, inferred = _run_of(job, runs, note)
        axis = _axis_of(job, run)
        for fact in note.facts:
            if isinstance(fact, NodesSeen):
                positions, trouble = _fractions(job, fact)
                findings.extend(warning(note.where, text) for text in trouble)
                found.append(_observation(note, fact, run, axis, inferred, positions, fact.count))
            elif isinstance(fact, MotionSeen) and fact.frequency_hz is not None:
                found.append(_observation(note, fact, run, axis, inferred, (), None))
    return tuple(found), tuple(findings)


def _observation(
    note: Note, fact: NodesSeen | MotionSeen, run: str | None, axis: str | None, inferred: bool,
    positions: tuple[float, ...], count: int | None,
) -> Observation:  # fmt: skip
    assert fact.frequency_hz is not None
    step = fact.resolution_hz if fact.resolution_hz is not None else 1.0
    return Observation(
        where=note.where,
        drive_hz=fact.frequency_hz,
        reading_hz=step / 12.0**0.5,
        resolution_hz=fact.resolution_hz,
        run=run,
        axis=axis,
        nodes=count,
        positions=positions,
        motion=fact.motion,
        flags=(message("observation.run-by-time", where=note.where, run=run),) if inferred else (),
    )


def _fractions(job: Job, fact: NodesSeen) -> tuple[tuple[float, ...], list[Message]]:
    """Positions as fractions of the length, counted supports left out; those beyond the beam are left out and said."""
    beam = job.specimen.beam
    scale = 1.0
    if fact.position_unit == "m" and fact.positions:
        if beam is None or beam.length is None:
            return (), [message("observation.length-needed")]
        scale = beam.length.si
    fractions = [position / scale for position in fact.positions]
    beyond = [each for each in fractions if not 0.0 <= each <= 1.0]
    trouble = [message("observation.node-beyond-beam", position=each) for each in beyond]
    supports = SUPPORTED_ENDS[beam.boundary] if beam is not None and beam.supports_counted else ()
    inside = [each for each in fractions if 0.0 <= each <= 1.0]
    return tuple(each for each in inside if all(abs(each - end) > AT_SUPPORT for end in supports)), trouble


def _axis_of(job: Job, run: str | None) -> str | None:
    plan = job.run(run)
    if plan is not None and plan.axis is not None:
        return plan.axis
    return only_axis(job)


def only_axis(job: Job) -> str | None:
    """The axis of the test where it has but one, else None."""
    axes = {run.axis for run in job.runs if run.axis is not None}
    return next(iter(axes)) if len(axes) == 1 else None


def _run_of(job: Job, runs: Sequence[RunResult], note: Note) -> tuple[str | None, bool]:
    """The run a note names, else the only one that was running at its time; True where the time tells it."""
    if note.run is not None or note.when is None:
        return note.run, False
    running = [run.id for run in runs if _was_running(job, run, note.when)]
    return (running[0], True) if len(running) == 1 else (None, False)


def _was_running(job: Job, run: RunResult, when: datetime | time) -> bool:
    plan = job.run(run.id)
    duration_s = run.sweep.duration_s if run.sweep is not None else None
    if plan is None or plan.started is None or duration_s is None:
        return False
    started = plan.started.replace(tzinfo=None)
    moment = when.replace(tzinfo=None) if isinstance(when, datetime) else datetime.combine(started.date(), when)
    # A note is written to the minute, within a minute after what it tells of.
    return started - timedelta(minutes=1) < moment <= started + timedelta(seconds=duration_s + 60.0)
