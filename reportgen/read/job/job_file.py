"""The job file ``job.toml``: read once, checked whole, every finding with its line."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from reportgen.read.content import content_of
from reportgen.read.job.asked_run_findings import asked_run_findings
from reportgen.read.job.attachments import attachment_fault
from reportgen.read.job.cross_channels import cross_channel_findings
from reportgen.read.job.happenings import place_findings, with_places
from reportgen.read.job.job_folder import LARGEST_NOTES_FILE, LARGEST_PHOTO, LARGEST_REFERENCE, file_fault
from reportgen.read.job.job_references import reference_findings
from reportgen.read.job.job_schema import ARRAYS, TABLES
from reportgen.read.job.job_tables import JobTables, once
from reportgen.read.job.laboratory import Laboratory, read_laboratory
from reportgen.read.job.places import Places, Source
from reportgen.read.job.presets import expand_presets, own_presets, preset_folders
from reportgen.read.job.short_forms import SHORT_FORMS, LongForm, long_form
from reportgen.read.job.specimens import are_several, specimen_findings, split_specimens, with_specimens
from reportgen.read.job.toml_file import LARGEST_JOB_FILE, tables_of
from reportgen.records.check import Check
from reportgen.records.finding import Finding, error, note, warning
from reportgen.records.job import Job, Specimen
from reportgen.records.message import Place, message

_NOTES_NAMES = ("notes.txt", "notes.md", "notes.csv", "notes.xlsx")


def read_job(
    path: Path, checks: tuple[Check, ...], laboratory_file: Path | None = None, *, alone: bool = False
) -> tuple[Job | None, tuple[Finding, ...]]:
    """Read a job folder, or its ``job.toml``; ``checks`` are those a requirement may ask for.

    ``laboratory_file`` is the laboratory file where it is named, else it is looked for; ``alone``: in the job folder
    only.

    Every fault of the file is a finding of its own, with its line. The job is None where the file cannot be
    understood; where only files it names are missing or ids do not match, the job is returned beside the errors, so
    that the logs can be checked in the same pass. A build must not go on while one finding is an error.
    """
    file = path / "job.toml" if path.is_dir() else path
    name = file.name
    content, found = _content_of(file, name)
    if content is None:
        return None, found
    raw, lines, faults = tables_of(content, name)
    if not raw and faults:
        return None, faults
    places = Places(Source(name, lines.line_of))
    findings = [*_bracket_findings(raw, places), *faults]
    laboratory = read_laboratory(file, laboratory_file, alone=alone)
    findings += laboratory.findings
    if laboratory.findings or (findings and raw.keys() & {*SHORT_FORMS}):
        return None, _sorted(findings, name)  # what refers to the laboratory, or stands in rows, cannot be followed
    job: Job | None = None
    if not findings:
        form = long_form(raw, places.own, laboratory)
        raw, further = split_specimens(form.raw, form.places)
        places = form.places
        presets = own_presets(raw, file.parent)
        raw, from_presets = expand_presets(raw, places.at, preset_folders(file.parent))
        tables = JobTables(places.at, checks)
        job = tables.record(Job, raw, folder=file.parent, file=file, preset_files=presets)
        others = [tables.record(Specimen, each, ("specimen", i)) for i, each in enumerate(further, start=1)]
        findings += [*form.findings, *from_presets, *once(tables.findings)]
        job = None if job is None or None in others else with_specimens(job, tuple(filter(None, others)))
        job = job and _with_laboratory(job, laboratory, form)
    findings += _not_told_yet(reference_findings(raw, places, checks), findings)
    if job is None:
        return None, _sorted(findings, name)
    job = with_places(replace(job, notes_files=_notes_files(job)))
    findings += _file_findings(job, places)
    findings += _beam_findings(job)
    findings += specimen_findings(job)
    findings += asked_run_findings(job, checks)
    findings += cross_channel_findings(job)
    findings += place_findings(job)
    return job, _sorted(findings, name)


NO_SUCH = "short.no-such"
"""Code of what refers to nothing, in the job or in its laboratory file."""
_OF_REFERENCE = ("reference.nothing", "reference.control")


def _not_told_yet(found: Iterable[Finding], told: Sequence[Finding]) -> list[Finding]:
    """Findings about references without those that follow from one told already: an id that is nowhere is one fault."""
    nowhere = [each for each in told if each.message.code == NO_SUCH]
    places = {each.where for each in nowhere}
    without_set = any(each.message.value("table") == "channel_set" for each in nowhere)
    return [
        each
        for each in found
        if not (each.where in places and each.message.code in _OF_REFERENCE)
        and not (without_set and each.message.code == "reference.no-control")
    ]


def _sorted(findings: list[Finding], name: str) -> tuple[Finding, ...]:
    """Each once, those of the job file first, in the order of lines."""
    return tuple(
        sorted(dict.fromkeys(findings), key=lambda each: (each.where.path != name, each.where.path, each.line))
    )


def _content_of(file: Path, name: str) -> tuple[bytes | None, tuple[Finding, ...]]:
    place = Place(name, 1)
    if not file.is_file():
        return None, (error(place, message("job.absent", path=str(file))),)
    if file.is_symlink() and not file.resolve().is_relative_to(file.parent.resolve()):
        return None, (error(place, message("job.link-leads-out")),)
    if file.stat().st_size > LARGEST_JOB_FILE:
        return None, (error(place, message("job.too-large", bytes=file.stat().st_size, most=LARGEST_JOB_FILE)),)
    content = content_of(file)
    if not content.strip():
        return None, (error(place, message("job.empty")),)
    return content, ()


def _bracket_findings(raw: dict[str, Any], places: Places) -> Iterator[Finding]:
    """One bracket where two are meant, and the other way round."""
    for key, value in raw.items():
        place = places.at((key,))
        if key in ARRAYS and isinstance(value, dict):
            yield error(place, message("job.one-bracket", key=key))
        elif (key,) in TABLES and key not in ARRAYS and isinstance(value, list) and not are_several({key: value}):
            yield error(place, message("job.two-brackets", key=key))


def _with_laboratory(job: Job, laboratory: Laboratory, form: LongForm) -> Job:
    """The job with what no key of it says: the laboratory's files, and which columns hold for all of its runs."""
    runs = zip(job.runs, form.common_columns, strict=True)
    return replace(
        job,
        laboratory_files=laboratory.files,
        branding=laboratory.branding,
        branding_where=laboratory.branding_where,
        runs=tuple(replace(run, common_columns=keys) for run, keys in runs),
    )


def _notes_files(job: Job) -> tuple[Path, ...]:
    """Files of notes that the job names, else those in its folder that have one of the usual names."""
    if job.report.notes is not None:
        return job.report.notes
    return tuple(Path(each) for each in _NOTES_NAMES if os.path.lexists(job.folder / each))


def _file_findings(job: Job, places: Places) -> list[Finding]:
    found: list[Finding] = []
    for run in job.runs:
        for log in run.logs:
            found += file_fault(job.folder, log, run.log_where, f"[[run]] {run.id}: log")
    for index, photo in enumerate(job.photos):
        place = places.at(("photo", index, "file"))
        found += file_fault(job.folder, photo.file, place, "[[photo]]: file", LARGEST_PHOTO)
    pictures = {photo.file for photo in job.photos}
    for each in job.attachments:
        found += attachment_fault(job.folder, each.file, each.file_where, photos=pictures)
    if job.reference is not None:
        own = job.reference
        found += file_fault(job.folder, own.archive, own.archive_where, "[reference]: archive", LARGEST_REFERENCE)
    place = places.at(("report", "notes"))
    for notes in job.notes_files:
        found += file_fault(job.folder, notes, place, "[report]: notes", LARGEST_NOTES_FILE)
    return found


def _beam_findings(job: Job) -> Iterator[Finding]:
    beam = job.specimen.beam
    driven = tuple(dict.fromkeys(run.written_axis for run in job.runs if run.written_axis is not None))
    if beam is not None:
        for axis in (each for each in beam.axes if each not in driven):
            yield error(beam.where, message("job.beam-axis-unknown", axis=axis, driven=driven))
    for channel in job.channels:
        position = channel.position
        if position is None:
            continue
        if beam is None:
            yield note(channel.where, message("job.position-without-beam", channel=channel.id))
        elif position.dimension == "displacement" and beam.length is None:
            what = message("job.position-needs-length", channel=channel.id, position=position.text)
            yield warning(channel.where, what)
        elif position.dimension == "displacement" and beam.length is not None and position.si > beam.length.si:
            length = beam.length.text
            what = message("job.position-beyond", channel=channel.id, position=position.text, length=length)
            yield error(channel.where, what)
