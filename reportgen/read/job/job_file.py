"""The job file ``job.toml``: read once, checked whole, every finding with its line."""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from reportgen.read.content import content_of
from reportgen.read.job.asked_run_findings import asked_run_findings
from reportgen.read.job.happenings import place_findings, with_places
from reportgen.read.job.job_folder import LARGEST_NOTES_FILE, LARGEST_PHOTO, file_fault
from reportgen.read.job.job_references import reference_findings
from reportgen.read.job.job_schema import ARRAYS, TABLES
from reportgen.read.job.job_tables import JobTables
from reportgen.read.job.job_values import shown
from reportgen.read.job.presets import expand_presets, own_presets, preset_folders
from reportgen.read.job.specimens import (
    are_several,
    first_place,
    specimen_findings,
    split_specimens,
    with_specimens,
)
from reportgen.read.job.toml_lines import KeyPath, TomlLines
from reportgen.records.check import Check
from reportgen.records.finding import Finding, error, note, warning
from reportgen.records.job import Job, Specimen
from reportgen.records.message import Place, message

LARGEST_JOB_FILE = 4_000_000
"""Bytes; above, it is a mistake or an attack."""

_NOTES_NAMES = ("notes.txt", "notes.md", "notes.csv", "notes.xlsx")


def read_job(path: Path, checks: tuple[Check, ...]) -> tuple[Job | None, tuple[Finding, ...]]:
    """Read a job folder, or its ``job.toml``; ``checks`` are those a requirement may ask for.

    Every fault of the file is a finding of its own, with its line. The job is None where the file cannot be
    understood; where only files it names are missing or ids do not match, the job is returned beside the errors, so
    that the logs can be checked in the same pass. A build must not go on while one finding is an error.
    """
    file = path / "job.toml" if path.is_dir() else path
    name = file.name
    text, found = _text_of(file, name)
    if text is None:
        return None, found
    try:
        raw, lines = tomllib.loads(text), TomlLines(text)
    except tomllib.TOMLDecodeError as failure:
        return None, (_syntax_finding(failure, text, name),)
    except ValueError:  # more digits than Python reads (sys.get_int_max_str_digits)
        return None, (_endless_number(text, name),)
    except RecursionError:
        return None, (error(Place(name, 1), message("job.nested")),)
    findings = [*_bracket_findings(raw, lines, name), *_number_findings(raw, lines, name)]
    job: Job | None = None
    presets = own_presets(raw, file.parent)
    if not findings:
        raw, from_presets = expand_presets(raw, lines.line_of, name, preset_folders(file.parent))
        several = are_several(raw)
        raw, others = split_specimens(raw)
        tables = JobTables(lambda path: Place(name, lines.line_of(first_place(path) if several else path)), checks)
        job = tables.record(Job, raw, folder=file.parent, file=file, preset_files=presets)
        further = [tables.record(Specimen, each, ("specimen", i)) for i, each in enumerate(others, start=1)]
        job = None if job is None or None in further else with_specimens(job, tuple(filter(None, further)))
        findings += [*from_presets, *tables.findings]
    findings += reference_findings(raw, lines, name, checks)
    if job is None:
        return None, _sorted(findings)
    job = with_places(replace(job, notes_files=_notes_files(job)))
    findings += _file_findings(job, lines, name)
    findings += _beam_findings(job)
    findings += specimen_findings(job)
    findings += asked_run_findings(job, checks)
    findings += place_findings(job)
    return job, _sorted(findings)


def _sorted(findings: list[Finding]) -> tuple[Finding, ...]:
    return tuple(sorted(dict.fromkeys(findings), key=lambda each: each.line))


def _text_of(file: Path, name: str) -> tuple[str | None, tuple[Finding, ...]]:
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
    try:
        return content.decode("utf-8-sig").replace("\r\n", "\n"), ()
    except UnicodeDecodeError as failure:
        line = content.count(b"\n", 0, failure.start) + 1
        return None, (error(Place(name, line), message("job.no-utf-8", byte=f"{content[failure.start]:#04x}")),)


_TOML_PLACE = re.compile(r"\(at (?:line (\d+), column (\d+)|end of document)\)")
"""How the standard library's reader of TOML ends its messages: the place of the fault."""


def _syntax_finding(failure: tomllib.TOMLDecodeError, text: str, name: str) -> Finding:
    said = str(failure)
    match = _TOML_PLACE.search(said)
    line = int(match.group(1)) if match and match.group(1) else text.rstrip("\n").count("\n") + 1
    what = said.partition("(at ")[0].rstrip() if said.endswith(")") else said
    written = text.split("\n")[line - 1].strip() if line <= text.count("\n") + 1 else ""
    advice = message("job.toml-one-key-a-line")
    if re.match(r"^[\w.-]+\s*=\s*[^\s\"'\[{]", written) and "value" in what.lower():
        advice = message("job.toml-quotes", key=written.split("=")[0].strip(), value=_bare_value(written))
    return error(Place(name, line), message("job.no-toml", problem=what, text=shown(written), advice=advice))


_DIGITS = re.compile(r"\d[\d_]*+")
_LARGEST_WHOLE = 2**63
"""TOML 1.0: whole numbers of 64 bits are handled, and no quantity of a test needs more."""


def _endless_number(text: str, name: str) -> Finding:
    """The longest run of digits in the file."""
    longest = max(_DIGITS.finditer(text), key=lambda each: each.end() - each.start())
    line = text.count("\n", 0, longest.start()) + 1
    digits = longest.end() - longest.start()
    return error(Place(name, line), message("job.many-digits", digits=digits))


def _number_findings(raw: object, lines: TomlLines, name: str, path: KeyPath = ()) -> Iterator[Finding]:
    """Whole numbers that are beyond what TOML knows."""
    if isinstance(raw, dict | list):
        for key, value in raw.items() if isinstance(raw, dict) else enumerate(raw):
            yield from _number_findings(value, lines, name, (*path, key))
    elif isinstance(raw, int) and not -_LARGEST_WHOLE <= raw < _LARGEST_WHOLE:
        found = message("job.large-number", bits=raw.bit_length(), key=str(path[-1]))
        yield error(Place(name, lines.line_of(path)), found)


def _bare_value(written: str) -> str:
    return written.partition("=")[2].partition("#")[0].strip().strip("\"'")


def _bracket_findings(raw: dict[str, Any], lines: TomlLines, name: str) -> Iterator[Finding]:
    """One bracket where two are meant, and the other way round."""
    for key, value in raw.items():
        place = Place(name, lines.line_of((key,)))
        if key in ARRAYS and isinstance(value, dict):
            yield error(place, message("job.one-bracket", key=key))
        elif (key,) in TABLES and key not in ARRAYS and isinstance(value, list) and not are_several({key: value}):
            yield error(place, message("job.two-brackets", key=key))


def _notes_files(job: Job) -> tuple[Path, ...]:
    """Files of notes that the job names, else those in its folder that have one of the usual names."""
    if job.report.notes is not None:
        return job.report.notes
    return tuple(Path(each) for each in _NOTES_NAMES if os.path.lexists(job.folder / each))


def _file_findings(job: Job, lines: TomlLines, name: str) -> list[Finding]:
    found: list[Finding] = []
    for run in job.runs:
        for log in run.logs:
            found += file_fault(job.folder, log, run.log_where, f"[[run]] {run.id}: log")
    for index, photo in enumerate(job.photos):
        place = Place(name, lines.line_of(("photo", index, "file")))
        found += file_fault(job.folder, photo.file, place, "[[photo]]: file", LARGEST_PHOTO)
    place = Place(name, lines.line_of(("report", "notes")))
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
