"""The job file ``job.toml``: read once, checked whole, every finding with its line."""

from __future__ import annotations

import dataclasses
import os
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from reportgen.read.content import content_of
from reportgen.read.job.job_folder import LARGEST_NOTES_FILE, LARGEST_PHOTO, file_fault, slashed
from reportgen.read.job.job_references import reference_findings
from reportgen.read.job.job_schema import (
    ARRAYS,
    EXAMPLES,
    TABLES,
    BeamTable,
    JobTable,
    NotchTable,
    ProfileTable,
    RunTable,
    Table,
)
from reportgen.read.job.job_values import REFUSED, peak_of, shown
from reportgen.read.job.laboratory import read_laboratory
from reportgen.read.job.nearest import near_or, nearest
from reportgen.read.job.places import Places, Source
from reportgen.read.job.presets import expand_presets, own_presets, preset_folders
from reportgen.read.job.short_forms import SHORT_FORMS, long_form
from reportgen.read.job.toml_file import LARGEST_JOB_FILE, tables_of
from reportgen.read.job.toml_lines import KeyPath
from reportgen.records.check import Check
from reportgen.records.finding import Finding, error, note, warning
from reportgen.records.job import (
    Beam,
    Channel,
    Correction,
    Environment,
    Exciter,
    Inspection,
    Instrument,
    Job,
    Notch,
    Party,
    Person,
    Photo,
    Profile,
    ReportIdentity,
    Requirement,
    RunPlan,
    Specimen,
    StatedDeviation,
)
from reportgen.records.message import Message, Place, message

_NOTES_NAMES = ("notes.txt", "notes.md", "notes.csv", "notes.xlsx")

Record = TypeVar("Record")


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
    table: JobTable | None = None
    laboratory = read_laboratory(file, laboratory_file, alone=alone)
    findings += laboratory.findings
    if laboratory.findings or (findings and raw.keys() & {*SHORT_FORMS}):
        return None, _sorted(findings, name)  # what refers to the laboratory, or stands in rows, cannot be followed
    presets: tuple[Path, ...] = ()
    common: tuple[tuple[str, ...], ...] = ()
    if not findings:
        form = long_form(raw, places.own, laboratory)
        raw, places, common = form.raw, form.places, form.common_columns
        findings += form.findings
        presets = own_presets(raw, file.parent)
        raw, from_presets = expand_presets(raw, places.at, preset_folders(file.parent))
        findings += from_presets
        try:
            table = JobTable.model_validate(raw, context={"checks": checks})
        except ValidationError as failure:
            findings += schema_findings(failure, raw, places)
    findings += reference_findings(raw, places, checks)
    if table is None:
        return None, _sorted(findings, name)
    job = replace(
        _JobMaker(table, places, file).job(),
        preset_files=presets,
        laboratory_files=laboratory.files,
        branding=laboratory.branding,
        branding_where=laboratory.branding_where,
    )
    job = replace(
        job, runs=tuple(replace(run, common_columns=keys) for run, keys in zip(job.runs, common, strict=True))
    )
    findings += _file_findings(job, places)
    findings += _beam_findings(job)
    return job, _sorted(findings, name)


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
        elif (key,) in TABLES and key not in ARRAYS and isinstance(value, list):
            yield error(place, message("job.two-brackets", key=key))


def schema_findings(failure: ValidationError, raw: dict[str, Any], places: Places) -> list[Finding]:
    """What a schema finds wrong with tables, each with its place; what many tables take from one place is said once."""
    found: dict[object, Finding] = {}
    for each in _own_errors(failure, raw):
        finding = _schema_finding(each, places)
        loc = each["loc"]
        found.setdefault((finding.where, loc[-1], each["type"]) if places.is_moved(loc) else loc, finding)
    return list(found.values())


def _own_errors(failure: ValidationError, raw: dict[str, Any]) -> Iterator[ErrorDetails]:
    for each in failure.errors(include_url=False):
        # A faulty run makes pydantic also say that there are too few of them.
        if not (each["type"] == "too_short" and raw.get("run")):
            yield each


def _names(loc: KeyPath) -> tuple[str, ...]:
    return tuple(part for part in loc if isinstance(part, str))


def _title(loc: KeyPath) -> str | Message:
    """``[[run]] 2`` or ``[specimen.beam]`` of the table that holds a key."""
    names = _names(loc)
    if not names:
        return message("job.file")
    if names[0] in ARRAYS:
        index = next((part for part in loc if isinstance(part, int)), 0)
        rest = "".join(f", {part}" for part in names[1:])
        return f"[[{names[0]}]] {index + 1}{rest}"
    return f"[{'.'.join(names)}]"


def _schema_finding(failure: ErrorDetails, places: Places) -> Finding:
    loc: KeyPath = tuple(part for part in failure["loc"] if part != "[key]")
    kind = failure["type"]
    table, key = loc[:-1], str(loc[-1])
    place = places.at(loc)
    if kind == "missing":
        return error(place, _missing(table, key))
    if kind == "too_short":
        return error(place, message("job.no-run"))
    if kind == "extra_forbidden":
        return error(place, _unknown(table, key))
    return error(place, _value_fault(failure, loc))


_ONE_OF = ("enum", "literal_error")
"""Types of pydantic's errors where one of several words is wanted."""
_TABLE = ("model_type", "dict_type")
_LIST = "tuple_type"


def _value_fault(failure: ErrorDetails, loc: KeyPath) -> Message:
    """What is wrong with the value of a key that is known."""
    kind, value, context = failure["type"], failure["input"], failure.get("ctx", {})
    title, key = _title(loc[:-1]), str(loc[-1])
    if kind in _ONE_OF:
        allowed = re.findall(r"'([^']*)'", str(context.get("expected", "")))
        near, known = nearest(str(value), allowed), tuple(allowed)
        one_of = message("hint.one-of", known=known)
        hint = one_of if near is None else message("hint.near-one-of", near=near, known=known)
        return message("job.value-not-known", table=title, key=key, found=shown(value), hint=hint)
    if kind in _TABLE:
        return message("job.no-table", table=title, key=key, found=shown(value))
    if kind == _LIST:
        return message("job.no-list", table=title, key=key, found=shown(value))
    what = context["what"] if kind == REFUSED else message("value.library", problem=failure["msg"])
    if isinstance(loc[-1], int):  # an entry of a list
        return message("job.entry", table=_title(loc[:-2]), key=str(loc[-2]), number=loc[-1] + 1, what=what)
    return message("job.value", table=title, key=key, what=what)


def _missing(table: KeyPath, key: str) -> Message:
    if not table:
        sample, example = next(iter(EXAMPLES[key].items()))
        return message("job.table-missing", table=key, key=sample, example=example)
    return message("job.key-missing", table=_title(table), key=key, example=EXAMPLES[".".join(_names(table))][key])


def _unknown(table: KeyPath, key: str) -> Message:
    names = _names(table)
    model = TABLES.get(names)
    known = (*model.model_fields, *(() if names else SHORT_FORMS)) if model else ()
    homes = tuple(
        f"[{'.'.join(path)}]" for path, other in TABLES.items() if path and path != names and key in other.model_fields
    )
    otherwise = message("hint.belongs-in", homes=homes) if homes else message("hint.known", known=known)
    hint = near_or(key, known, otherwise, 0.8 if homes else 0.55)
    if not names:
        return message("job.table-not-known", table=key, hint=hint)
    return message("job.key-not-known", table=_title(table), key=key, hint=hint)


class _JobMaker:
    """Checked tables become records."""

    def __init__(self, table: JobTable, places: Places, file: Path) -> None:
        self._table = table
        self._where = places.at
        self._file = file

    def job(self) -> Job:
        table = self._table
        return Job(
            folder=self._file.parent,
            file=self._file,
            report=self._made(ReportIdentity, table.report, ("report",)),
            laboratory=self._made(Party, table.laboratory, ("laboratory",)),
            customer=self._made(Party, table.customer, ("customer",)),
            specimen=self._made(
                Specimen,
                table.specimen,
                ("specimen",),
                beam=self._beam(table.specimen.beam),
                axes=tuple((table.specimen.axes or {}).items()),
            ),
            environment=self._made(Environment, table.environment, ("environment",))
            if table.environment
            else Environment(),
            persons=self._all(Person, "person"),
            instruments=self._all(Instrument, "instrument"),
            channels=self._all(Channel, "channel"),
            photos=tuple(
                self._made(
                    Photo, each, ("photo", i), file=slashed(each.file), caption=each.caption or Path(each.file).stem
                )
                for i, each in enumerate(table.photo)
            ),
            inspections=self._all(Inspection, "inspection"),
            profiles=tuple(self._profile(each, i) for i, each in enumerate(table.profile)),
            runs=tuple(self._run(each, i) for i, each in enumerate(table.run)),
            requirements=tuple(
                self._made(Requirement, each, ("requirement", i), band_hz=each.band)
                for i, each in enumerate(table.requirement)
            ),
            corrections=tuple(
                self._made(Correction, each, ("correction", i), run=each.run, frequency_hz=each.frequency.si)
                for i, each in enumerate(table.correction)
            ),
            deviations=self._all(StatedDeviation, "deviation"),
            exciter=self._made(Exciter, table.exciter, ("exciter",)) if table.exciter else None,
            notes_files=self._notes(),
        )

    def _made(self, record: type[Record], table: Table, path: KeyPath, **changes: object) -> Record:
        """A record of the table's values; what the table leaves out keeps the record's own default."""
        names = {each.name for each in dataclasses.fields(record)}  # type: ignore[arg-type]
        values = {key: value for key, value in dict(table).items() if value is not None and key in names}
        if "where" in names:
            values["where"] = self._where(path)
        return record(**{**values, **changes})

    def _all(self, record: type[Record], name: str) -> tuple[Record, ...]:
        return tuple(self._made(record, each, (name, i)) for i, each in enumerate(getattr(self._table, name)))

    def _beam(self, beam: BeamTable | None) -> Beam | None:
        return self._made(Beam, beam, ("specimen", "beam")) if beam else None

    def _profile(self, profile: ProfileTable, index: int) -> Profile:
        notches = tuple(self._notch(each, index, place) for place, each in enumerate(profile.notch or ()))
        return self._made(Profile, profile, ("profile", index), notches=notches)

    def _notch(self, notch: NotchTable, index: int, place: int) -> Notch:
        return Notch(
            channel=notch.channel,
            from_hz=notch.band[0],
            to_hz=notch.band[1],
            limit=peak_of(notch.limit),
            dimension=notch.limit.dimension,
            text=notch.limit.text,
            agreed_by=notch.agreed_by,
            where=self._where(("profile", index, "notch", place)),
        )

    def _run(self, run: RunTable, index: int) -> RunPlan:
        columns = tuple((run.columns or {}).items())
        own, tolerance = run.tracking_filter, run.tracking_filter_tolerance
        return self._made(
            RunPlan,
            run,
            ("run", index),
            tracking_filter=own if own is None or tolerance is None else replace(own, tolerance=tolerance.si),
            log=slashed(run.log),
            columns=columns,
            log_where=self._where(("run", index, "log")),
        )

    def _notes(self) -> tuple[Path, ...]:
        named = self._table.report.notes
        if named is not None:
            return tuple(slashed(each) for each in named)
        return tuple(Path(each) for each in _NOTES_NAMES if os.path.lexists(self._file.parent / each))


def _file_findings(job: Job, places: Places) -> list[Finding]:
    found: list[Finding] = []
    for run in job.runs:
        found += file_fault(job.folder, run.log, run.log_where, f"[[run]] {run.id}: log")
    for index, photo in enumerate(job.photos):
        place = places.at(("photo", index, "file"))
        found += file_fault(job.folder, photo.file, place, "[[photo]]: file", LARGEST_PHOTO)
    place = places.at(("report", "notes"))
    for notes in job.notes_files:
        found += file_fault(job.folder, notes, place, "[report]: notes", LARGEST_NOTES_FILE)
    return found


def _beam_findings(job: Job) -> Iterator[Finding]:
    beam = job.specimen.beam
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
