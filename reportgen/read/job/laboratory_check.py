"""A laboratory file checked by itself: every table, and what runs out of calibration soon."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime
from pathlib import Path
from typing import Any

from reportgen.errors import ReadError
from reportgen.read.content import content_of
from reportgen.read.job.job_tables import JobTables, once
from reportgen.read.job.laboratory import KINDS, NAME, TABLES, Laboratory, id_of, laboratory_of
from reportgen.read.job.places import Part, Places, Source, laid
from reportgen.read.job.presets import expand_presets, preset_folders
from reportgen.read.job.short_forms import LongForm, long_form
from reportgen.read.job.toml_file import LARGEST_JOB_FILE, tables_of
from reportgen.records.finding import Finding, Severity, error, note, warning
from reportgen.records.job import Channel, Exciter, Instrument, Job, Party, Person, Profile, ReportIdentity
from reportgen.records.message import Message, Place, message

SOON = 60
"""Days before an instrument runs out of calibration at which it is named: calibration outside the laboratory takes
weeks (from memory)."""
EXAMPLE_IDS = {"person": "adler", "instrument": "ACC-11", "exciter": "ED-2", "channel_set": "CUBE", "profile": "SURVEY"}


def laboratory_file_at(path: Path) -> Path | None:
    """The laboratory file that is meant by a path: that file, or a folder with one and no job; None for a job."""
    if path.is_dir():
        return None if (path / "job.toml").exists() or not (path / NAME).is_file() else path / NAME
    if path.name == NAME and path.is_file():
        return path
    try:
        raw, _, _ = tables_of(content_of(path, LARGEST_JOB_FILE), path.name)
    except (OSError, ReadError):  # told where it is read as a job
        return None
    return path if raw and raw.keys() <= {*TABLES} else None


def laboratory_used(job: Job) -> tuple[Finding, ...]:
    """Notes of the laboratory file that a job takes from, and of templates that are not taken from it."""
    if not job.laboratory_files:
        return ()
    used = note(Place(job.file.name, 1), message("laboratory.used", path=str(job.laboratory_files[0].path)))
    if job.branding is not None or job.branding_where is None:
        return (used,)
    return used, note(job.branding_where, message("laboratory.branding-not-taken"))


def check_laboratory(path: Path, today: date) -> tuple[Finding, ...]:
    """Everything of a laboratory file that a job could stumble over, and what runs out within ``SOON`` days."""
    laboratory = laboratory_of(path)
    findings = [*laboratory.findings, *laboratory.remarks]
    if laboratory.findings:
        return tuple(findings)
    findings += _without_id(laboratory)
    findings += _as_a_job_takes_it(laboratory)
    if laboratory.branding is not None and not laboratory.branding.is_dir() and laboratory.branding_where is not None:
        folder = str(laboratory.branding)
        findings.append(error(laboratory.branding_where, message("laboratory.no-branding", folder=folder)))
    findings += _running_out(laboratory, today)
    findings.append(note(Place(path.name, 1), _counted(laboratory)))
    return tuple(dict.fromkeys(findings))


def _without_id(laboratory: Laboratory) -> Iterator[Finding]:
    for kind, parts in laboratory.tables.items():
        for number, part in enumerate(parts, 1):
            if not id_of(part):
                what = message("laboratory.no-id", table=kind, number=number, example=EXAMPLE_IDS[kind])
                yield error(part.at(), what)


def profiles_of(laboratory: Laboratory) -> tuple[Profile, ...]:
    """The profiles of a laboratory file as a job takes them, without those that are wrong."""
    form, raw, _ = _long_form(laboratory)
    tables = JobTables(form.places.at, ())
    made = (tables.record(Profile, each, ("profile", index)) for index, each in enumerate(raw.get("profile", [])))
    return tuple(each for each in made if each is not None)


def _long_form(laboratory: Laboratory) -> tuple[LongForm, dict[str, Any], tuple[Finding, ...]]:
    """A job that refers to all there is, its tables with presets, and what was found of these."""
    assert laboratory.path is not None
    runs = [{"id": each, "profile": each} for each in laboratory.ids("profile")]
    ids = {"people": "person", "instruments": "instrument", "channels": "channel_set"}
    test = {key: list(laboratory.ids(kind)) for key, kind in ids.items()}
    job: dict[str, Any] = {"report": {}, "test": test, "run": runs}
    form = long_form(job, Source(laboratory.path.name, lambda _: 1), laboratory)
    raw = {key: value for key, value in form.raw.items() if key != "run"}
    house = raw.get("laboratory", {})
    raw["laboratory"] = {"name": laboratory.path.name, **(house if isinstance(house, dict) else {})}
    raw, from_presets = expand_presets(raw, form.places.at, preset_folders(laboratory.path.parent))
    return form, raw, tuple(from_presets)


def _as_a_job_takes_it(laboratory: Laboratory) -> list[Finding]:
    """Findings of a job that refers to all there is."""
    form, raw, from_presets = _long_form(laboratory)
    tables = JobTables(form.places.at, ())
    tables.record(ReportIdentity, {**_REPORT, **raw["report"]}, ("report",))
    tables.record(Party, raw["laboratory"], ("laboratory",))
    for name, record in _RECORDS.items():
        entries = _exciters(laboratory, form.places) if name == "exciter" else raw.get(name, [])
        for index, each in enumerate(entries):
            tables.record(record, each, (name, index))
    stopping = [each for each in from_presets if each.severity is Severity.ERROR]
    return [*form.findings, *stopping, *once(tables.findings)]


_REPORT = {"number": "1", "title": "-", "date": date(2000, 1, 1)}
"""What a report needs beside what a laboratory file says of it: any job states it."""
_RECORDS: dict[str, type] = {
    "person": Person,
    "instrument": Instrument,
    "exciter": Exciter,
    "channel": Channel,
    "profile": Profile,
}


def _exciters(laboratory: Laboratory, places: Places) -> list[dict[str, Any]]:
    return [
        laid(places, ("exciter", index), part.only({key: each for key, each in part.table.items() if key != "id"}))
        for index, part in enumerate(laboratory.tables["exciter"])
    ]


def _running_out(laboratory: Laboratory, today: date) -> Iterator[Finding]:
    """Instruments whose calibration has run out, soon does, or has no end; those due first before the others."""
    instruments = [laboratory.of("instrument", each)[0] for each in laboratory.ids("instrument")]
    dated = [(due, part) for part in instruments if (due := _due(part)) is not None]
    for due, part in sorted(dated, key=lambda each: (each[0], id_of(each[1]))):
        days = (due - today).days
        if days < 0:
            yield warning(part.at("due"), message("laboratory.overdue", id=id_of(part), due=due))
        elif days <= SOON:
            yield warning(part.at("due"), message("laboratory.runs-out", id=id_of(part), due=due, days=days))
    for part in instruments:
        if "due" not in part.table:
            yield note(part.at(), message("laboratory.no-due", id=id_of(part)))


def _due(part: Part) -> date | None:
    value = part.table.get("due")
    if isinstance(value, datetime):
        return value.date()
    return value if isinstance(value, date) else None


def _counted(laboratory: Laboratory) -> Message:
    counts = {kind: len(laboratory.ids(kind)) for kind in KINDS}
    return message(
        "laboratory.holds",
        path=str(laboratory.path),
        instruments=counts["instrument"],
        persons=counts["person"],
        exciters=counts["exciter"],
        sets=counts["channel_set"],
        profiles=counts["profile"],
    )
