"""The job file ``job.toml``: read once, checked whole, every finding with its line."""

from __future__ import annotations

import dataclasses
import os
import re
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from reportgen.read.content import content_of
from reportgen.read.job.asked_run_findings import asked_run_findings
from reportgen.read.job.happenings import place_findings, with_places
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
    RequirementTable,
    RunTable,
    Table,
)
from reportgen.read.job.job_values import REFUSED, peak_of, shown
from reportgen.read.job.nearest import near_or, nearest
from reportgen.read.job.presets import expand_presets, own_presets, preset_folders
from reportgen.read.job.toml_lines import KeyPath, TomlLines
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
    Step,
)
from reportgen.records.message import Message, Place, message

LARGEST_JOB_FILE = 4_000_000
"""Bytes; above, it is a mistake or an attack."""

_NOTES_NAMES = ("notes.txt", "notes.md", "notes.csv", "notes.xlsx")

Record = TypeVar("Record")


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
    table: JobTable | None = None
    presets = own_presets(raw, file.parent)
    if not findings:
        raw, from_presets = expand_presets(raw, lines.line_of, name, preset_folders(file.parent))
        findings += from_presets
        try:
            table = JobTable.model_validate(raw, context={"checks": checks})
        except ValidationError as failure:
            findings += [_schema_finding(each, raw, lines, name) for each in _own_errors(failure, raw)]
    findings += reference_findings(raw, lines, name, checks)
    if table is None:
        return None, _sorted(findings)
    job = with_places(replace(_JobMaker(table, lines, file).job(), preset_files=presets))
    findings += _file_findings(job, lines, name)
    findings += _beam_findings(job)
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
        elif (key,) in TABLES and key not in ARRAYS and isinstance(value, list):
            yield error(place, message("job.two-brackets", key=key))


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


def _schema_finding(failure: ErrorDetails, raw: dict[str, Any], lines: TomlLines, name: str) -> Finding:
    loc: KeyPath = tuple(part for part in failure["loc"] if part != "[key]")
    kind = failure["type"]
    table, key = loc[:-1], str(loc[-1])
    place = Place(name, lines.line_of(loc))
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
    known = tuple(model.model_fields) if model else ()
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

    def __init__(self, table: JobTable, lines: TomlLines, file: Path) -> None:
        self._table = table
        self._lines = lines
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
            steps=self._all(Step, "step"),
            profiles=tuple(self._profile(each, i) for i, each in enumerate(table.profile)),
            runs=tuple(self._run(each, i) for i, each in enumerate(table.run)),
            requirements=tuple(self._requirement(each, i) for i, each in enumerate(table.requirement)),
            corrections=tuple(
                self._made(Correction, each, ("correction", i), run=each.run, frequency_hz=each.frequency.si)
                for i, each in enumerate(table.correction)
            ),
            deviations=self._all(StatedDeviation, "deviation"),
            exciter=self._made(Exciter, table.exciter, ("exciter",)) if table.exciter else None,
            notes_files=self._notes(),
        )

    def _where(self, path: KeyPath) -> Place:
        return Place(self._file.name, self._lines.line_of(path))

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
            log=slashed(run.log[0]),
            further_logs=tuple(map(slashed, run.log[1:])),
            columns=columns,
            log_where=self._where(("run", index, "log")),
        )

    def _requirement(self, asked: RequirementTable, index: int) -> Requirement:
        named = asked.run or ()
        return self._made(
            Requirement,
            asked,
            ("requirement", index),
            band_hz=asked.band,
            run=named[0] if len(named) == 1 else None,
            runs=named if len(named) > 1 else (),
        )

    def _notes(self) -> tuple[Path, ...]:
        named = self._table.report.notes
        if named is not None:
            return tuple(slashed(each) for each in named)
        return tuple(Path(each) for each in _NOTES_NAMES if os.path.lexists(self._file.parent / each))


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
