"""One table of modes an axis: what the logs show and what the operator saw, joined, numbered and questioned.

A number comes from a count of nodes or from the engineer, never from theory. Modes seen in the logs alone or in the
notes alone are kept and marked.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from reportgen.compute.comparison.seen_modes import ModeSeen, modes_seen, pair_modes
from reportgen.compute.modes.corrections import apply_corrections, decision
from reportgen.compute.modes.mode_number import Count, Numbering, mode_from_count, nodes_of_mode, number_count
from reportgen.compute.modes.mode_questions import question_modes, stated_tip_mass_ratio
from reportgen.compute.modes.observation import Observation, observations, only_axis
from reportgen.compute.modes.strobe_entries import strobe_findings
from reportgen.records.finding import Finding, warning
from reportgen.records.job import Job, RunKind
from reportgen.records.message import Message, message
from reportgen.records.note import MotionKind, Note
from reportgen.records.result import BeamFit, ChannelResult, Mode, Resonance, RunResult

FARTHEST = 0.08
"""An observation farther than this from every resonance (as ln of the ratio) is a mode seen in the notes alone."""
SAME_OBSERVATION = 0.03
"""Observations without a resonance that lie this close are of one mode."""
TRAP_REACH = 0.15
"""Above a resonance by up to this share, an observation without a resonance of its own may be the trap of base drive;
farther out nothing is taken for a resonance that is not one."""


@dataclass(slots=True)
class Candidate:
    """A mode as it is gathered: by run what the log shows, and what was observed."""

    axis: str | None
    seen: dict[str, ModeSeen] = field(default_factory=dict)
    observed: list[Observation] = field(default_factory=list)
    number: int | None = None
    nodes: int | None = None
    motion: MotionKind | None = None
    contradicted: bool = False
    """True where different kinds of motion were seen at it."""
    positions: tuple[float, ...] | None = None
    """Nodes placed by the observations that gave the number; None: by any."""
    flags: list[Message] = field(default_factory=list)

    @property
    def reference(self) -> Resonance | None:
        """The best known resonance of the first run that shows the mode."""
        first = next(iter(self.seen.values()), None)
        if first is None:
            return None
        return min(first.resonances.values(), key=_relative_uncertainty)

    @property
    def frequency_hz(self) -> float:
        """Of the reference resonance, else of the observations."""
        reference = self.reference
        return reference.frequency_hz if reference is not None else self.observed[0].drive_hz

    def near(self, run: str | None) -> list[Resonance]:
        """Resonances of that run, or of every run where it does not show the mode."""
        chosen = [self.seen[run]] if run in self.seen else list(self.seen.values())
        return [each for seen in chosen for each in seen.resonances.values()]


def _relative_uncertainty(resonance: Resonance) -> tuple[float, float]:
    std = resonance.frequency_std_hz
    share = std / resonance.frequency_hz if std is not None else math.inf
    return share, -(resonance.amplification or 0.0)


def join_modes(
    job: Job, runs: tuple[RunResult, ...], notes: tuple[Note, ...]
) -> tuple[tuple[RunResult, ...], tuple[Mode, ...], tuple[BeamFit, ...], tuple[Finding, ...]]:
    """Join logs and notes: runs with mode numbers on their resonances, the modes, beam theory beside them, findings."""
    seen, findings = observations(job, runs, notes)
    runs, seen, more = apply_corrections(job.corrections, runs, seen)
    found = [*findings, *more]
    candidates = _from_logs(job, runs)
    loose = _meet(candidates, [each for each in seen if each.rejected is None], found)
    candidates += _from_notes(loose)
    for each in candidates:
        _settle_motion(each, found)
        _number(job, each, candidates, runs, found)
    modes, fits, questions = question_modes(job, runs, [_mode(each) for each in _in_order(job, candidates)])
    found += questions
    found += strobe_findings(notes)
    return _numbered_runs(runs, candidates), modes, fits, tuple(dict.fromkeys(found))


# Gathering


def _from_logs(job: Job, runs: Sequence[RunResult]) -> list[Candidate]:
    """Modes of each axis: the first survey leads, every other run is paired with what is known so far."""
    candidates: list[Candidate] = []
    for axis in dict.fromkeys(_axis(job, run) for run in runs):
        known: list[Candidate] = []
        for run in _leading_first(job, [each for each in runs if _axis(job, each) == axis]):
            _add_run(axis, known, run)
        candidates += known
    return candidates


def _axis(job: Job, run: RunResult) -> str | None:
    return run.axis if run.axis is not None else only_axis(job)


def _leading_first(job: Job, runs: list[RunResult]) -> list[RunResult]:
    """Surveys, then sweeps, then the others; each kind in the order of time, as far as it is known."""
    rank = {RunKind.SURVEY: 0, RunKind.SWEEP: 1}

    def key(run: RunResult) -> tuple[int, str]:
        plan = job.run(run.id)
        started = plan.started.isoformat() if plan is not None and plan.started is not None else ""
        return (rank.get(RunKind(run.kind), 2), started)

    return sorted(runs, key=key)


def _add_run(axis: str | None, known: list[Candidate], run: RunResult) -> None:
    new = modes_seen(run)
    partners = pair_modes([_last_seen(each) for each in known], new)
    for i, j in partners.items():
        known[i].seen[run.id] = new[j]
    taken = set(partners.values())
    known.extend(Candidate(axis, seen={run.id: mode}) for j, mode in enumerate(new) if j not in taken)
    known.sort(key=lambda each: each.frequency_hz)


def _last_seen(candidate: Candidate) -> ModeSeen:
    return list(candidate.seen.values())[-1]


def _meet(candidates: Sequence[Candidate], seen: Sequence[Observation], found: list[Finding]) -> list[Observation]:
    """Give each observation to the resonance it belongs to; those that meet none are handed back.

    Those that lie within their own uncertainty of a resonance come first; one farther off joins a resonance only where
    it does not contradict them.
    """
    loose, later = [], []
    for observation in seen:
        near = _by_distance(observation, candidates)
        if near and near[0][0] == 0.0:
            _say_ambiguous(observation, [each for distance, each in near if distance == 0.0], found)
            near[0][1].observed.append(replace(observation, axis=near[0][1].axis))
        else:
            later.append((observation, near))
    for observation, near in later:
        home = next((each for distance, each in near if distance <= FARTHEST and _agrees(observation, each)), None)
        if home is None:
            loose.append(observation)
        else:
            home.observed.append(_taken_aside(observation, home))
    return loose


def _by_distance(observation: Observation, candidates: Sequence[Candidate]) -> list[tuple[float, Candidate]]:
    """Candidates of its axis, nearest first; of those within its uncertainty the one nearest in frequency."""
    reach = [(_distance(observation, each), each) for each in candidates if _axis_fits(observation, each)]
    return sorted(reach, key=lambda pair: (pair[0], abs(math.log(observation.drive_hz / pair[1].frequency_hz))))


def _agrees(observation: Observation, candidate: Candidate) -> bool:
    kinds = {_kind(each) for each in candidate.observed} - {None}
    return not kinds or _kind(observation) in kinds


def _kind(observation: Observation) -> MotionKind | None:
    """Kind of motion; nodes counted without a word of it are nodes of bending."""
    counted = MotionKind.BENDING if observation.nodes is not None else None
    return observation.motion or counted


def _taken_aside(observation: Observation, home: Candidate) -> Observation:
    """The observation with a word on how far from its resonance it was made."""
    own = min(home.near(observation.run), key=lambda r: abs(r.frequency_hz - observation.drive_hz)).frequency_hz
    aside = message(
        "observation.beside-resonance",
        where=observation.where,
        drive_hz=observation.drive_hz,
        away=observation.drive_hz / own - 1,
        resonance_hz=own,
    )
    return replace(observation, axis=home.axis, flags=(*observation.flags, aside))


def _say_ambiguous(observation: Observation, reached: list[Candidate], found: list[Finding]) -> None:
    if len(reached) > 1:
        first, *others = (_named(each) for each in reached)
        ambiguous = message("observation.ambiguous", drive_hz=observation.drive_hz, first=first, others=tuple(others))
        found.append(warning(observation.where, ambiguous))


def _named(candidate: Candidate) -> Message:
    if candidate.axis is None:
        return message("modes.at", frequency_hz=candidate.frequency_hz)
    return message("modes.at-of-axis", frequency_hz=candidate.frequency_hz, axis=candidate.axis)


def _axis_fits(observation: Observation, candidate: Candidate) -> bool:
    return observation.axis is None or candidate.axis is None or observation.axis == candidate.axis


def _distance(observation: Observation, candidate: Candidate) -> float:
    """|ln| of the frequencies, less what the observation's own uncertainty explains."""
    return min(
        max(0.0, abs(math.log(observation.drive_hz / r.frequency_hz)) - _allowance(observation, r) / r.frequency_hz)
        for r in candidate.near(observation.run)
    )


def _allowance(observation: Observation, resonance: Resonance) -> float:
    """Two standard uncertainties, half a bandwidth, and how far the sweep moved the peak that the operator saw."""
    std = math.hypot(observation.reading_hz, resonance.frequency_std_hz or 0.0)
    moved = 0.0 if resonance.observed.peak_hz is None else abs(resonance.observed.peak_hz - resonance.frequency_hz)
    return 2.0 * std + _half_bandwidth(resonance) + moved


def _half_bandwidth(resonance: Resonance) -> float:
    return resonance.frequency_hz / (2.0 * resonance.q) if resonance.q else 0.0


def _from_notes(loose: Iterable[Observation]) -> list[Candidate]:
    """Modes that no log shows: observations of one axis that lie close together."""
    candidates: list[Candidate] = []
    for each in sorted(loose, key=lambda o: o.drive_hz):
        last = next((c for c in reversed(candidates) if c.axis == each.axis), None)
        if last is not None and math.log(each.drive_hz / last.observed[-1].drive_hz) <= SAME_OBSERVATION:
            last.observed.append(each)
        else:
            candidates.append(Candidate(each.axis, observed=[each]))
    return candidates


# Numbers


def _settle_motion(candidate: Candidate, found: list[Finding]) -> None:
    kinds = {_kind(each): each for each in candidate.observed if _kind(each) is not None}
    if len(kinds) == 1:
        candidate.motion = next(iter(kinds)) if any(each.motion for each in candidate.observed) else None
    elif kinds:
        candidate.contradicted = True
        seen = tuple(message("modes.motion-seen", motion=kind, where=each.where) for kind, each in kinds.items())
        contradiction = message("modes.motion-contradicted", frequency_hz=candidate.frequency_hz, seen=seen)
        candidate.flags.append(contradiction)
        found.append(warning(next(iter(kinds.values())).where, contradiction))


def _number(
    job: Job, candidate: Candidate, candidates: Sequence[Candidate], runs: Sequence[RunResult], found: list[Finding]
) -> None:
    candidate.flags += [flag for each in candidate.observed for flag in each.flags]
    candidate.flags += _decided(job, candidate)
    forced = _forced(candidate, found)
    if forced is not None:
        candidate.number = forced
        beam = job.beam_along(candidate.axis)
        candidate.nodes = nodes_of_mode(beam.boundary, forced) if beam is not None else _counted(candidate)
    elif candidate.motion in (MotionKind.TORSION, MotionKind.AXIAL):
        candidate.nodes = _counted(candidate)
        candidate.flags.append(message("modes.not-bending", motion=candidate.motion))
    elif candidate.contradicted:
        candidate.nodes = _counted(candidate)
    elif job.beam_along(candidate.axis) is None:
        candidate.nodes = _counted(candidate)
        if candidate.nodes is not None and job.specimen.beam is None:
            candidate.flags.append(message("modes.no-boundary"))
    else:
        _number_bending(job, candidate, candidates, runs, found)
    candidate.flags += _without_evidence(candidate, runs)
    if candidate.observed and not candidate.seen:
        candidate.flags.append(message("modes.notes-alone"))


def _without_evidence(candidate: Candidate, runs: Sequence[RunResult]) -> list[Message]:
    """Say it where a mode stands on nothing but channels whose data carry no evidence."""
    spoiled = {(run.id, issue.channel) for run in runs for issue in run.quality if issue.spoils}
    seen = [(run, channel) for run, mode in candidate.seen.items() for channel in mode.resonances]
    if not seen or not all(each in spoiled or (each[0], None) in spoiled for each in seen):
        return []
    places = tuple(message("modes.channel-of-run", channel=channel, run=run) for run, channel in seen)
    return [message("modes.without-evidence", places=places)]


def _decided(job: Job, candidate: Candidate) -> list[Message]:
    """The engineer's decisions on resonances of the mode."""
    decisions = {decision(each) for each in job.corrections}
    return [
        message("modes.decision", run=run, channel=channel, what=flag)
        for run, seen in candidate.seen.items()
        for channel, resonance in seen.resonances.items()
        for flag in resonance.flags
        if flag in decisions
    ]


def _forced(candidate: Candidate, found: list[Finding]) -> int | None:
    """The number the engineer gave; two different ones are a finding and give none."""
    given = [mode.number for mode in candidate.seen.values()] + [each.forced_mode for each in candidate.observed]
    numbers = sorted({number for number in given if number is not None})
    if len(numbers) > 1:
        contradiction = message(
            "modes.corrections-contradict", frequency_hz=candidate.frequency_hz, modes=tuple(numbers)
        )
        candidate.flags.append(contradiction)
        found.append(warning("job.toml", contradiction))
    return numbers[0] if len(numbers) == 1 else None


def _counted(candidate: Candidate) -> int | None:
    counts = {each.nodes for each in candidate.observed if each.nodes is not None}
    return next(iter(counts)) if len(counts) == 1 else None


def _number_bending(
    job: Job, candidate: Candidate, candidates: Sequence[Candidate], runs: Sequence[RunResult], found: list[Finding]
) -> None:
    counts = [each for each in candidate.observed if each.nodes is not None]
    numberings = [(each, _numbering(job, each, candidate, candidates, runs)) for each in counts]
    for each, numbering in numberings:
        candidate.flags += [message("observation.of", where=each.where, what=flag) for flag in numbering.flags]
        found.extend(
            warning(each.where, message("modes.of-frequency", frequency_hz=each.drive_hz, what=flag))
            for flag in numbering.flags
        )
    known = [(each, n) for each, n in numberings if n.mode is not None]
    sure = [(each, n) for each, n in known if not n.flags] or known
    candidate.positions = max((each.positions for each, n in sure if not n.newborn), key=len, default=())
    if len({n.mode for _, n in sure}) == 1:
        candidate.number, candidate.nodes = sure[0][1].mode, sure[0][1].nodes
    elif sure:
        counts_say = tuple(message("modes.count-gives", where=each.where, mode=n.mode) for each, n in sure)
        contradiction = message("modes.counts-contradict", frequency_hz=candidate.frequency_hz, counts=counts_say)
        candidate.flags.append(contradiction)
        found.append(warning(sure[-1][0].where, contradiction))


def _numbering(
    job: Job, observation: Observation, home: Candidate, candidates: Sequence[Candidate], runs: Sequence[RunResult]
) -> Numbering:
    beam = job.beam_along(home.axis)
    assert beam is not None
    assert observation.nodes is not None
    if observation.accepted:
        return mode_from_count(beam.boundary, observation.nodes, supports_counted=beam.supports_counted)
    resonance = _resonance_for(observation, home, candidates)
    count = Count(
        nodes=observation.nodes,
        drive_hz=observation.drive_hz,
        positions=observation.positions,
        resonance_hz=None if resonance is None else _peak(resonance),
        half_bandwidth_hz=0.0 if resonance is None else _half_bandwidth(resonance),
        reading_hz=math.hypot(observation.reading_hz, (resonance.frequency_std_hz or 0.0) if resonance else 0.0),
        phase_turned_deg=None if resonance is None else _phase_turned(observation, resonance, runs),
        resonances_below=_below(home, candidates),
    )
    return number_count(
        beam.boundary,
        count,
        supports_counted=beam.supports_counted,
        tip_mass_ratio=stated_tip_mass_ratio(beam),
    )


def _peak(resonance: Resonance) -> float:
    """Where the operator sees the peak while the sweep passes: the recorded peak, if that is higher."""
    return max(resonance.frequency_hz, resonance.observed.peak_hz or 0.0)


def _resonance_for(observation: Observation, home: Candidate, candidates: Sequence[Candidate]) -> Resonance | None:
    """The resonance an observation belongs to; without one, the next below within reach of the trap."""
    own = home.near(observation.run)
    if own:
        return min(own, key=lambda r: (abs(r.frequency_hz - observation.drive_hz), _relative_uncertainty(r)))
    below = [
        r
        for each in candidates
        if _axis_fits(observation, each)
        for r in each.near(observation.run)
        if 0.0 < observation.drive_hz / r.frequency_hz - 1.0 <= TRAP_REACH
    ]
    return max(below, key=lambda r: r.frequency_hz, default=None)


def _below(home: Candidate, candidates: Sequence[Candidate]) -> int | None:
    """Resonances of the axis below one that the logs show, known torsion and axial motion left out."""
    if not home.seen:
        return None
    apart = (MotionKind.TORSION, MotionKind.AXIAL)
    below = [each for each in candidates if each.axis == home.axis and each.frequency_hz < home.frequency_hz]
    return sum(bool(each.seen) and not {_kind(o) for o in each.observed} & set(apart) for each in below)


def _phase_turned(observation: Observation, resonance: Resonance, runs: Sequence[RunResult]) -> float | None:
    """How far the response at the drive frequency lags behind what it is at the resonance, degrees."""
    for run in runs:
        for channel in run.channels:
            if observation.run in (None, run.id) and any(each is resonance for each in channel.resonances):
                return _lag(channel, resonance, observation.drive_hz)
    return None


def _lag(channel: ChannelResult, resonance: Resonance, drive_hz: float) -> float | None:
    if channel.phase_deg is None or resonance.phase_deg is None or channel.frequency_hz.size == 0:
        return None
    row = int(np.argmin(np.abs(channel.frequency_hz - drive_hz)))
    there = float(channel.phase_deg[row])
    if not math.isfinite(there) or abs(float(channel.frequency_hz[row]) / drive_hz - 1.0) > 0.01:
        return None
    return (resonance.phase_deg - there + 180.0) % 360.0 - 180.0


# Results


def _in_order(job: Job, candidates: Iterable[Candidate]) -> list[Candidate]:
    axes = list(dict.fromkeys([*(run.axis for run in job.runs), *(each.axis for each in candidates)]))
    return sorted(candidates, key=lambda each: (axes.index(each.axis), each.frequency_hz))


def _mode(candidate: Candidate) -> Mode:
    reference = candidate.reference
    observed = candidate.observed
    channels = dict.fromkeys(channel for seen in candidate.seen.values() for channel in seen.resonances)
    placed = candidate.positions
    if placed is None:
        placed = max((each.positions for each in observed), key=len, default=())
    return Mode(
        axis=candidate.axis,
        mode=candidate.number,
        nodes=candidate.nodes,
        frequency_hz=candidate.frequency_hz,
        frequency_std_hz=None if reference is None else reference.frequency_std_hz,
        clock_stated=reference is not None and reference.clock_stated,
        resolution_hz=observed[0].resolution_hz if reference is None else None,
        q=None if reference is None else reference.q,
        q_std=None if reference is None else reference.q_std,
        damping_ratio=None if reference is None else reference.damping_ratio,
        seen_in=(("log",) if candidate.seen else ()) + (("notes",) if observed else ()),
        motion=candidate.motion,
        runs=tuple(candidate.seen),
        channels=tuple(channels),
        node_positions=placed,
        notes=tuple(dict.fromkeys(each.where for each in observed)),
        flags=tuple(dict.fromkeys(candidate.flags)),
    )


def _numbered_runs(runs: tuple[RunResult, ...], candidates: Iterable[Candidate]) -> tuple[RunResult, ...]:
    """Runs whose resonances carry the number of their mode."""
    numbers = {
        (run, channel, resonance.frequency_hz): each.number
        for each in candidates
        for run, seen in each.seen.items()
        for channel, resonance in seen.resonances.items()
    }
    return tuple(
        replace(run, channels=tuple(_numbered(run.id, channel, numbers) for channel in run.channels)) for run in runs
    )


def _numbered(run: str, channel: ChannelResult, numbers: dict[tuple[str, str, float], int | None]) -> ChannelResult:
    resonances = tuple(
        replace(each, mode=numbers.get((run, channel.id, each.frequency_hz))) for each in channel.resonances
    )
    return replace(channel, resonances=resonances)
