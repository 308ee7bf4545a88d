"""Deviations that make themselves known: from runs, verdicts, notes and the engineer's corrections.

ISO/IEC 17025:2017, 7.8.2.1 n asks for additions to, deviations from and exclusions from the method; none may hang on
somebody's remembering it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

import numpy as np

from reportgen.judge.control_tolerance import NOTED_WITHIN_DB
from reportgen.judge.left_out import left_out
from reportgen.records.asked_runs import repetition_of
from reportgen.records.deviation import Deviation, DeviationCode
from reportgen.records.finding import Finding, warning
from reportgen.records.job import Correction, Exclusion, Job, RunPlan, RunStatus, StatedDeviation
from reportgen.records.message import Message, message
from reportgen.records.note import LevelChanged, Note, Remark
from reportgen.records.result import ControlResult, CrossAxis, IssueKind, QualityIssue, RunResult
from reportgen.records.verdict import Outcome, Verdict

BACK_WITHIN_DB = 0.5
"""A level that was turned back to within so much of its profile is on it again: half the tolerance of 1 dB that is
usual for a control (10 %)."""
_OF_ISSUE = {
    IssueKind.SHORT_RUN: DeviationCode.ABORT,
    IssueKind.RESUMED: DeviationCode.INTERRUPTION,
    IssueKind.HOLE: DeviationCode.INTERRUPTION,
    IssueKind.RATE_DIFFERS: DeviationCode.RATE,
}
Band = tuple[float, float]


def find_deviations(
    job: Job, runs: Sequence[RunResult], verdicts: Sequence[Verdict], notes: Sequence[Note] = ()
) -> tuple[tuple[Deviation, ...], tuple[Finding, ...]]:
    """Every deviation with what the job says of its effect and who agreed; and findings on entries that match none."""
    found = [deviation for run in runs for deviation in _of_run_or_plan(job, run, notes)]
    found += [_of_verdict(each) for each in verdicts if each.outcome is Outcome.NOT_EVALUATED]
    found += read_deviations(job, notes, runs)
    found = list(_with_own_keys(found))
    offered = {each.key for each in read_deviations(job, notes)}  # by a check, which has seen no log yet
    known = offered.union(*map(_keys, found))
    lost = [each for each in job.deviations if each.key is not None and each.key not in known]
    keys = tuple(each.key for each in found)
    findings = tuple(warning(each.where, message("deviation.no-such", key=each.key, known=keys)) for each in lost)
    return tuple(answered(job.deviations, found)), findings


def _with_own_keys(found: Iterable[Deviation]) -> Iterator[Deviation]:
    """Each once; another of the same kind, run and place has its number behind the key."""
    told: dict[str, list[Message]] = {}
    for each in found:
        same = told.setdefault(each.key, [])
        if each.message not in same:
            same.append(each.message)
            yield each if len(same) == 1 else replace(each, key=f"{each.key} ({len(same)})")


def read_deviations(job: Job, notes: Sequence[Note], runs: Sequence[RunResult] = ()) -> list[Deviation]:
    """Those that need no computing: noted, corrected, or stated in the job."""
    found = [
        Deviation(
            code=DeviationCode.NOTED,
            key=f"{DeviationCode.NOTED} {each.where}",
            message=message("deviation.as-noted", text=fact.text),
            run=each.run,
            where=each.where,
        )
        for each in notes
        for fact in each.facts
        if isinstance(fact, Remark) and fact.heading == "deviation"
    ]
    found += [_of_level_note(each, fact, looked=bool(runs)) for each, fact in _unseen_levels(notes, runs)]
    found += [_of_correction(each) for each in job.corrections]
    found += [_of_exclusion(each) for each in job.exclusions]
    found += [_of_left_out(job, run) for run in job.runs if not run.counts and not runs]
    return found + [_of_statement(each) for each in job.deviations if each.key is None]


def answered(stated: Sequence[StatedDeviation], found: Iterable[Deviation]) -> Iterator[Deviation]:
    """Deviations with the effect and the agreement that the job states for their key."""
    by_key = {each.key: each for each in stated if each.key is not None}
    for each in found:
        said = next((by_key[key] for key in _keys(each) if key in by_key), None)
        yield each if said is None else replace(each, effect=said.effect, agreed_by=said.agreed_by)


def _keys(each: Deviation) -> tuple[str, ...]:
    """Keys by which the job may call a deviation: its own, and that under which the note beside it is known."""
    return (each.key,) if each.where is None else (each.key, f"{each.code} {each.where}")


def open_items(found: Iterable[Deviation]) -> tuple[Message, ...]:
    """One message for each deviation of which the job states no effect, or nobody who agreed."""
    return tuple(
        message("deviation.open", key=each.key, what=each.message, keys=each.open) for each in found if each.open
    )


def _of_run_or_plan(job: Job, run: RunResult, notes: Sequence[Note]) -> Iterator[Deviation]:
    """Of a run that does not count that it does not, and why; of any other what its log shows."""
    plan = job.run(run.id)
    if plan is not None and not plan.counts:
        return iter((_of_left_out(job, plan),))
    return _of_run(run, notes)


def _of_left_out(job: Job, plan: RunPlan) -> Deviation:
    code = DeviationCode.ABORT if plan.status is RunStatus.ABORTED else DeviationCode.VOID_RUN
    return Deviation(
        code=code,
        key=f"{code} {plan.id}",
        message=left_out(plan, repetition_of(job, plan)),
        run=plan.id,
        where=plan.where,
    )


def _of_run(run: RunResult, notes: Sequence[Note]) -> Iterator[Deviation]:
    changed = list(_level_changes(run, notes))
    yield from changed
    if run.control is not None:
        yield from _of_control(run, run.control, [band for each in changed for band in each.bands_hz])
    for each in run.cross:
        yield from _of_cross_axis(run, each)
    for issue in run.quality:
        yield from _of_issue(run, issue)
    if run.sweep is not None and run.sweep.pieces and not any(i.kind is IssueKind.RESUMED for i in run.quality):
        pieces = len(run.sweep.pieces)
        yield _made(DeviationCode.INTERRUPTION, run, message("deviation.resumed", run=run.id, pieces=pieces), ())


def _made(code: DeviationCode, run: RunResult, what: Message, bands: Sequence[Band], **more: object) -> Deviation:
    at = f" {bands[0][0]:.3g} Hz" if bands and bands[0][0] > 0 else ""
    channel = more.get("channel")
    key = " ".join(filter(None, (code.value, run.id, str(channel or "")))) + at
    return Deviation(code=code, key=key, message=what, run=run.id, bands_hz=tuple(bands), **more)  # type: ignore[arg-type]


def _level_changes(run: RunResult, notes: Sequence[Note]) -> Iterator[Deviation]:
    """From each step of the level to the one that brought it back, or to the end of the sweep."""
    sweep = run.sweep
    if sweep is None:
        return
    if run.control is None or run.control.deviation_db is None:
        yield from (_level_step(run, at_hz, step) for at_hz, step in sweep.level_steps)
        return
    off, began = 0.0, 0.0
    for frequency, step in sweep.level_steps:
        back = abs(off) > BACK_WITHIN_DB and abs(off + step) <= BACK_WITHIN_DB
        if back or abs(off) > BACK_WITHIN_DB:
            yield _level_change(run, notes, off, (began, frequency))
        off, began = (0.0 if back else off + step), frequency
    if abs(off) > BACK_WITHIN_DB:
        yield _level_change(run, notes, off, (began, sweep.last_hz))


def _level_step(run: RunResult, at_hz: float, step_db: float) -> Deviation:
    """A step where no profile says on which side of it the level was the one meant."""
    what = message("deviation.level-step", run=run.id, by_db=step_db, at_hz=at_hz)
    return _made(DeviationCode.LEVEL_CHANGE, run, what, [(at_hz, at_hz)], value=step_db, unit="dB")


def _level_change(run: RunResult, notes: Sequence[Note], off_db: float, band: Band) -> Deviation:
    low, high = min(band), max(band)
    over = {
        float(f"{each.frequency_hz:.4g}")
        for channel in run.channels
        for each in channel.resonances
        if each.rejected is None and low <= each.frequency_hz <= high
    }
    where = next((note.where for note, fact in _level_notes(notes, run.id) if _tells(fact, off_db)), None)
    if over:
        modes = tuple(sorted(over))
        what = message("deviation.level-over-modes", run=run.id, by_db=off_db, low_hz=low, high_hz=high, modes=modes)
    else:
        what = message("deviation.level", run=run.id, by_db=off_db, low_hz=low, high_hz=high)
    return _made(DeviationCode.LEVEL_CHANGE, run, what, [(low, high)], value=off_db, unit="dB", where=where)


def _level_notes(notes: Sequence[Note], run: str | None) -> Iterator[tuple[Note, LevelChanged]]:
    for note in notes:
        for fact in note.facts:
            if isinstance(fact, LevelChanged) and (run is None or note.run in (None, run)):
                yield note, fact


def _tells(fact: LevelChanged, step_db: float) -> bool:
    return fact.by_db is not None and abs(fact.by_db - step_db) <= NOTED_WITHIN_DB


def _unseen_levels(notes: Sequence[Note], runs: Sequence[RunResult]) -> Iterator[tuple[Note, LevelChanged]]:
    """Changes of level that were noted and that no log shows; all of them where no run was computed yet."""
    steps = [(run.id, step) for run in runs if run.sweep is not None for _, step in run.sweep.level_steps]
    for note, fact in _level_notes(notes, None):
        if not any(note.run in (None, run) and _tells(fact, step) for run, step in steps):
            yield note, fact


def _of_level_note(note: Note, fact: LevelChanged, *, looked: bool) -> Deviation:
    """``looked``: whether the logs were looked through for it."""
    text = note.text.strip()
    return Deviation(
        code=DeviationCode.LEVEL_CHANGE,
        key=f"{DeviationCode.LEVEL_CHANGE} {note.where}",
        message=message("deviation.level-unseen", text=text) if looked else message("deviation.level-noted", text=text),
        run=note.run,
        value=fact.by_db,
        unit="" if fact.by_db is None else "dB",
        where=note.where,
    )


def _of_control(run: RunResult, control: ControlResult, excused: Sequence[Band]) -> Iterator[Deviation]:
    """Bands outside tolerance that no change of level explains, and bands beyond the abort limit."""
    outside = [band for band in control.outside_bands if not _within(band, excused)]
    if outside:
        worst = _worst_db(control, outside)
        low, high = outside[0][0], outside[-1][1]
        what = message(
            "deviation.out-of-tolerance", run=run.id, bands=len(outside), low_hz=low, high_hz=high, worst_db=worst
        )
        yield _made(DeviationCode.OUT_OF_TOLERANCE, run, what, outside, value=worst, unit="dB")
    aborted = [band for band in control.aborted_bands if not _within(band, excused)]
    if aborted:
        what = message("deviation.beyond-abort", run=run.id, low_hz=aborted[0][0], high_hz=aborted[-1][1])
        yield _made(DeviationCode.ABORT, run, what, aborted, value=_worst_db(control, aborted), unit="dB")


def _of_cross_axis(run: RunResult, cross: CrossAxis) -> Iterator[Deviation]:
    """Motion across the axis beyond what the job allows."""
    if cross.ratio is None or cross.limit is None or not cross.outside_bands:
        return
    what = message(
        "deviation.cross-axis", run=run.id, channel=cross.channel, percent=100.0 * cross.ratio, at_hz=cross.at_hz,
        limit=100.0 * cross.limit,
    )  # fmt: skip
    yield _made(
        DeviationCode.CROSS_AXIS, run, what, cross.outside_bands, channel=cross.channel, value=100.0 * cross.ratio,
        unit="%",
    )  # fmt: skip


def _within(band: Band, others: Sequence[Band], slack: float = 0.02) -> bool:
    """Whether a band lies in one of ``others``; a controller takes 2 % of the frequency to follow a change."""
    return any(a * (1 - slack) <= band[0] and band[1] <= b * (1 + slack) for a, b in others)


def _worst_db(control: ControlResult, bands: Sequence[Band]) -> float | None:
    if control.deviation_db is None:
        return None
    f, rows = control.frequency_hz, np.zeros(len(control.frequency_hz), dtype=bool)
    for low, high in bands:
        rows |= (f >= low) & (f <= high)
    inside = control.deviation_db[rows & np.isfinite(control.deviation_db)]
    return float(inside[np.argmax(np.abs(inside))]) if len(inside) else None


def _of_issue(run: RunResult, issue: QualityIssue) -> Iterator[Deviation]:
    bands = [issue.band_hz] if issue.band_hz is not None and all(map(math.isfinite, issue.band_hz)) else []
    code = _OF_ISSUE.get(issue.kind)
    if issue.spoils:
        code = DeviationCode.LOST_RUN if issue.channel is None else DeviationCode.LOST_SENSOR
    if code is not None:
        what = message("deviation.issue", run=run.id, what=issue.message)
        yield _made(code, run, what, bands, channel=issue.channel)


def _of_verdict(verdict: Verdict) -> Deviation:
    clause = verdict.clause
    if clause is None:
        what = message("deviation.not-evaluated", requirement=verdict.requirement)
    else:
        what = message("deviation.clause-not-evaluated", requirement=verdict.requirement, clause=clause)
    return Deviation(
        code=DeviationCode.NOT_EVALUATED,
        key=f"{DeviationCode.NOT_EVALUATED} {verdict.requirement}",
        message=what,
        run=verdict.run,
        requirement=verdict.requirement,
    )


def _of_correction(each: Correction) -> Deviation:
    code = DeviationCode.EXCLUSION if each.action == "reject" else DeviationCode.CORRECTION
    place = tuple(filter(None, (each.run, each.channel)))
    f, reason, by = each.frequency_hz, each.reason, each.by
    if each.action == "reject":
        what = message("deviation.excluded", frequency_hz=f, place=place, reason=reason, by=by)
    elif each.action == "renumber":
        what = message("deviation.renumbered", frequency_hz=f, place=place, mode=each.mode, reason=reason, by=by)
    elif each.action == "add":
        what = message("deviation.asked-for", frequency_hz=f, place=place, reason=reason, by=by)
    else:
        what = message("deviation.accepted", frequency_hz=f, place=place, reason=reason, by=by)
    return Deviation(
        code=code,
        key=" ".join((code.value, *place, f"{each.frequency_hz:.4g} Hz")),
        message=what,
        run=each.run,
        channel=each.channel,
        bands_hz=((each.frequency_hz, each.frequency_hz),),
        where=each.where,
    )


def _of_exclusion(each: Exclusion) -> Deviation:
    low, high = each.band_hz
    place = tuple(filter(None, (each.run, each.channel)))
    return Deviation(
        code=DeviationCode.EXCLUSION,
        key=" ".join((DeviationCode.EXCLUSION.value, *place, f"{low:.4g} Hz")),
        message=message(
            "deviation.band-excluded", low_hz=low, high_hz=high, place=place, reason=each.reason, by=each.by
        ),
        run=each.run,
        channel=each.channel,
        bands_hz=(each.band_hz,),
        where=each.where,
    )


def _of_statement(each: StatedDeviation) -> Deviation:
    text = each.what or ""
    stated = message("deviation.stated", text=text)
    return Deviation(
        code=DeviationCode.STATED,
        key=f"{DeviationCode.STATED} {each.where}",
        message=stated if each.when is None else message("deviation.stated-on", text=text, when=each.when),
        where=each.where,
        effect=each.effect,
        agreed_by=each.agreed_by,
    )
