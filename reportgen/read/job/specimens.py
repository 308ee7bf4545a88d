"""Several specimens of one type in one job: ``[[specimen]]`` with an id each, and runs that name theirs.

Runs of one specimen along one axis belong together as the runs of an axis do where there is one specimen; so the axis
of a run then names its specimen as well, and everything that goes by axis keeps the specimens apart.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from reportgen.read.job.nearest import near_or
from reportgen.read.job.places import Places
from reportgen.records.finding import Finding, error, warning
from reportgen.records.job import Job, RunPlan, Specimen
from reportgen.records.message import message

_OWN = ("id", "serial_number", "received", "condition", "mass")
"""What each specimen has for itself; all else it shares with the first where it does not say otherwise."""


def are_several(raw: dict[str, Any]) -> bool:
    """Whether the job has its specimens in double brackets."""
    several = raw.get("specimen")
    return isinstance(several, list) and bool(several) and all(isinstance(each, dict) for each in several)


def split_specimens(raw: dict[str, Any], places: Places) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """The job with its first specimen as the one table, and the further ones with what they share with it."""
    if not are_several(raw):
        return raw, []
    first, *others = raw["specimen"]
    places.moved(("specimen",), places.own, ("specimen", 0))
    for number in range(1, len(others) + 1):
        places.moved(("specimen", number), places.own, ("specimen", number))
    shared = {key: value for key, value in first.items() if key not in _OWN}
    return {**raw, "specimen": first}, [{**shared, **each} for each in others]


def with_specimens(job: Job, further: tuple[Specimen, ...]) -> Job:
    """The job with all its specimens, and with runs whose axis names theirs where there are several."""
    job = replace(job, specimens=(job.specimen, *further))
    if not further:
        return job
    return replace(job, runs=tuple(map(_apart, job.runs)))


def _apart(run: RunPlan) -> RunPlan:
    label = " · ".join(filter(None, (run.axis, run.specimen)))
    return replace(run, axis=label or None, plain_axis=run.axis or "")


def specimen_findings(job: Job) -> Iterator[Finding]:
    """Ids that are missing, taken twice or not known, and repetitions on another specimen."""
    known = tuple(each.id for each in job.specimens if each.id is not None)
    if len(job.specimens) > 1:
        yield from _ids(job)
        for each in job.specimens[1:]:
            yield from _of_further(job, each)
    for run in job.runs:
        if run.specimen is None and len(job.specimens) > 1:
            yield error(run.where, message("specimen.run-names-none", run=run.id, known=known))
        elif run.specimen is not None and run.specimen not in known:
            hint = near_or(run.specimen, known, message("hint.defined", known=known))
            yield error(run.where, message("specimen.unknown-of-run", run=run.id, found=run.specimen, hint=hint))
        repeated = job.run(run.repeats)
        if repeated is not None and repeated.specimen != run.specimen:
            yield error(run.where, message("specimen.repeats-another", run=run.id, other=repeated.id))
    for asked in job.requirements:
        if asked.specimen is not None and asked.specimen not in known:
            hint = near_or(asked.specimen, known, message("hint.defined", known=known))
            said = message("specimen.unknown-of-requirement", requirement=asked.id, found=asked.specimen, hint=hint)
            yield error(asked.where, said)


def _of_further(job: Job, specimen: Specimen) -> Iterator[Finding]:
    """A beam of its own, which would be lost, and runs before it was received."""
    beam, first = specimen.beam, job.specimen.beam
    if beam is not None and (first is None or replace(beam, where=first.where) != first):
        yield error(beam.where, message("specimen.beam-of-its-own", id=specimen.id))
    for run in job.runs:
        day = None if run.started is None or run.specimen != specimen.id else run.started.date()
        if specimen.received is not None and day is not None and day < specimen.received:
            received = specimen.received
            yield warning(specimen.where, message("date.received-after-run", received=received, run=run.id, day=day))
            return


def _ids(job: Job) -> Iterator[Finding]:
    seen: set[str] = set()
    for number, each in enumerate(job.specimens, start=1):
        if each.id is None:
            yield error(each.where, message("specimen.no-id", number=number))
        elif each.id in seen:
            yield error(each.where, message("specimen.id-twice", id=each.id))
        seen.add(each.id or "")
