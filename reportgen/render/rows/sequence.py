"""All that happened to the specimen, in order of time: runs, steps, inspections, and when notes were taken."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, time

from reportgen.records.asked_runs import in_order
from reportgen.records.job import Beside, Job, Placed, RunPlan
from reportgen.records.note import Note
from reportgen.records.report import Report
from reportgen.render.names import anchor
from reportgen.render.rows.identity import status
from reportgen.render.rows.language import Language

_FIRST, _LAST = datetime.min, datetime.max
_STAMP = re.compile(r"^\s*(?:\d[\d./-]{5,9},?[ T]\s*)?\d{1,2}:\d{2}(?::\d{2})?(?!\d)[\s,;:–-]*")
"""Date and time of day at the start of a note, in digits."""
_MOST_LETTERS = 72
"""Letters of a note in the table: what one line of its column holds. All of it stands with the notes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Happened:
    """One row of the sequence."""

    when: str
    kind: str
    what: str
    anchor: str
    """Of the run or of the note; empty for what stands nowhere else."""
    remark: str
    placed: bool = True
    """False where nothing tells when it was; such rows stand at the end."""


@dataclass(frozen=True, slots=True)
class _At:
    """Place of a row: moment, side of the run that began then, order in which it was told."""

    moment: datetime
    side: int
    told: int
    row: Happened

    @property
    def key(self) -> tuple[datetime, int, int]:
        return self.moment, self.side, self.told


def sequence(report: Report, language: Language) -> tuple[Happened, ...]:
    """Rows in order of time; what cannot be placed comes last, as it was told. None where there is nothing but runs."""
    job = report.job
    begun = dict(_begun(job))
    beside = [*_steps(job, begun, language), *_inspections(job, begun, language)]
    noted = list(_notes(report, begun, language))
    if not (beside or noted or any(not run.counts for run in job.runs)):
        return ()
    rows = [*_runs(job, begun, language), *beside, *noted]
    return tuple(at.row for at in sorted(rows, key=lambda at: at.key))


def _begun(job: Job) -> Iterator[tuple[str, tuple[datetime, int]]]:
    """(moment, order) of each run; one without a start stands behind the run before it in the job."""
    latest = _FIRST
    for place, run in enumerate(in_order(job.runs)):
        latest = run.started if run.started is not None else latest
        yield run.id, (latest, place)


def _runs(job: Job, begun: dict[str, tuple[datetime, int]], language: Language) -> Iterator[_At]:
    for run in job.runs:
        moment, place = begun[run.id]
        what = ", ".join(filter(None, (run.id, language.say(str(run.kind)), _axis(run, language))))
        row = Happened(
            when=language.numbers.moment(run.started),
            kind=language.say("Run"),
            what=what,
            anchor=anchor("run", run.id),
            remark=" ".join(filter(None, (status(run, language), run.remark))),
        )
        yield _At(moment, 3 * place, 0, row)


def _axis(run: RunPlan, language: Language) -> str:
    return language.say("axis %(axis)s", axis=run.axis) if run.axis else ""


def _steps(job: Job, begun: dict[str, tuple[datetime, int]], language: Language) -> Iterator[_At]:
    for told, step in enumerate(job.steps):
        row = Happened(
            when=_when(step.when, step.placed, language),
            kind=language.say("Step"),
            what=step.what,
            anchor="",
            remark=step.remark or "",
        )
        yield _at(step.placed, told, row, begun)


def _inspections(job: Job, begun: dict[str, tuple[datetime, int]], language: Language) -> Iterator[_At]:
    for told, each in enumerate(job.inspections):
        row = Happened(
            when=_when(each.when, each.placed, language),
            kind=language.say("Inspection"),
            what=f"{each.what}: {language.say(each.result)}",
            anchor="",
            remark=each.remark or "",
        )
        yield _at(each.placed, len(job.steps) + told, row, begun)


def _when(written: str, placed: Placed | None, language: Language) -> str:
    """A moment as the report prints moments; words as written."""
    if placed is None or placed.moment is None or placed.beside is not None:
        return written
    if placed.moment.time() == time():
        return language.numbers.day(placed.moment.date())
    return language.numbers.moment(placed.moment)


def _at(placed: Placed | None, told: int, row: Happened, begun: dict[str, tuple[datetime, int]]) -> _At:
    if placed is None:
        return _At(_LAST, 1, told, replace(row, placed=False))
    if placed.moment is not None:
        late = placed.beside is Beside.AFTER
        return _At(datetime.combine(placed.moment, time.max) if late else placed.moment, -1, told, row)
    if placed.run is None:
        return _At(_FIRST, -2, told, row) if placed.beside is Beside.BEFORE else _At(_LAST, 0, told, row)
    moment, place = begun[placed.run]
    return _At(moment, 3 * place + (-1 if placed.beside is Beside.BEFORE else 1), told, row)


def _notes(report: Report, begun: dict[str, tuple[datetime, int]], language: Language) -> Iterator[_At]:
    """Notes with a time: their first words, and where the rest stands."""
    for told, note in enumerate(report.notes):
        moment = _moment_of(note, report.job, begun)
        if moment is not None:
            row = Happened(
                when=language.numbers.moment(moment),
                kind=language.say("Notes"),
                what=_words(note.text),
                anchor=anchor("note", str(note.where)),
                remark=str(note.where),
            )
            yield _At(moment, 10**6, told, row)


def _words(text: str) -> str:
    """What was noted, without the time before it, cut to what one line holds."""
    told = " ".join((_STAMP.sub("", text, count=1) or text).split())
    return told if len(told) <= _MOST_LETTERS else told[: _MOST_LETTERS - 1].rsplit(" ", 1)[0] + " …"


def _moment_of(note: Note, job: Job, begun: dict[str, tuple[datetime, int]]) -> datetime | None:
    """A time of day is of the day the note names, of its run's, or of the only day on which there were runs."""
    if isinstance(note.when, datetime):
        return note.when.replace(tzinfo=None)
    if note.when is None:
        return None
    days = {run.started.date() for run in job.runs if run.started is not None}
    named = begun.get(note.run or "", (_FIRST, 0))[0]
    day = note.day or (named.date() if named is not _FIRST else None) or (days.pop() if len(days) == 1 else None)
    return None if day is None else datetime.combine(day, note.when.replace(tzinfo=None))
