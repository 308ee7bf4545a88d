"""The laboratory file ``laboratory.toml``: what many jobs of one laboratory share, found beside or above a job.

A job takes from it what it refers to by id, and says otherwise key by key. In an archive the file and its register lie
in the job's folder ``laboratory``, where they are looked for first, so that an archived job needs nothing outside.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from reportgen.errors import ReadError
from reportgen.read.content import content_of
from reportgen.read.job.job_folder import file_fault, slashed
from reportgen.read.job.job_schema import KEYS
from reportgen.read.job.nearest import near_or
from reportgen.read.job.places import Part, Source, Table
from reportgen.read.job.register import read_register
from reportgen.read.job.toml_file import LARGEST_JOB_FILE, tables_of
from reportgen.records.finding import Finding, Severity, error
from reportgen.records.job import LaboratoryFile, Party
from reportgen.records.message import Place, message

NAME = "laboratory.toml"
ARCHIVED = Path("laboratory")
"""Folder, relative to the job, in which an archive keeps the laboratory file and what it names."""
BAG = "bagit.txt"
"""Marks the folder of an archive (RFC 8493), which is whole by itself: from there on nothing is looked for."""
KINDS = ("person", "instrument", "exciter", "channel_set", "profile")
"""Tables of a laboratory file that there can be several of, each with an id."""
TABLES = ("laboratory", *KINDS)
HOUSE_KEYS = ("language", "branding", "instruments")
"""Keys of ``[laboratory]`` that only a laboratory file has."""


@dataclass(frozen=True, slots=True)
class Laboratory:
    """A laboratory file as read: its tables by kind, in their order, the register's instruments behind its own."""

    path: Path | None = None
    """Where it was found; None where there is none."""
    house: Part | None = None
    """``[laboratory]``, without the keys that are not of the laboratory as a party."""
    language: Part | None = None
    """A table with the key ``language``."""
    tables: Mapping[str, tuple[Part, ...]] = field(default_factory=dict)
    branding: Path | None = None
    """Folder of templates; None as well where the file lies in the job folder, as in an archive."""
    branding_where: Place | None = None
    files: tuple[LaboratoryFile, ...] = ()
    findings: tuple[Finding, ...] = ()
    """Errors, for which nothing can be taken from it."""
    remarks: tuple[Finding, ...] = ()
    """What else there is to say of the register."""

    def ids(self, kind: str) -> tuple[str, ...]:
        """Ids of a kind, as written."""
        return tuple(dict.fromkeys(id_of(part) for part in self.tables.get(kind, ()) if id_of(part)))

    def of(self, kind: str, wanted: str) -> tuple[Part, ...]:
        """Every table of a kind with that id: none, one, or by mistake several."""
        return tuple(part for part in self.tables.get(kind, ()) if id_of(part) == wanted.strip())


def id_of(part: Part) -> str:
    """Id of a table; empty where it has none that can be one."""
    value = part.table.get("id")
    return str(value).strip() if isinstance(value, str | int) and not isinstance(value, bool) else ""


def read_laboratory(job_file: Path, named: Path | None = None, *, alone: bool = False) -> Laboratory:
    """The laboratory file of a job: ``named``, else the one found; ``alone``: only one that lies in the job folder.

    What is wrong with it is in its findings; where these hold an error, nothing can be taken from it.
    """
    path, findings = _wanted(job_file, named, alone)
    if path is None or findings:
        return Laboratory(findings=findings)
    laboratory = laboratory_of(path)
    if named is None and path.parent.resolve().is_relative_to(job_file.parent.resolve()):
        return replace(laboratory, branding=None)  # templates print anything: whoever sends a job sends none
    return laboratory


def laboratory_of(path: Path) -> Laboratory:
    """Read one laboratory file with its register."""
    place = Place(path.name, 1)
    try:
        content = content_of(path, LARGEST_JOB_FILE)
    except (OSError, ReadError) as failure:
        problem = failure.what if isinstance(failure, ReadError) else failure.strerror or str(failure)
        return Laboratory(path, findings=(error(place, message("laboratory.not-read", problem=problem)),))
    raw, lines, faults = tables_of(content, path.name)
    if faults or not path.name.isprintable():
        odd = () if path.name.isprintable() else (error(place, message("file.name", most=len(path.name))),)
        return Laboratory(path, findings=(*faults, *odd))
    source = Source(path.name, lines.line_of)
    findings = list(_table_findings(raw, source))
    own = {kind: _parts(raw.get(kind), source, kind) for kind in KINDS}
    house = raw.get("laboratory")
    house = house if isinstance(house, dict) else {}
    files = [LaboratoryFile(ARCHIVED / path.name, path, content)]
    own["instrument"], registers = _with_register(path, house, source, own["instrument"], findings)
    branding = house.get("branding")
    return Laboratory(
        path=path,
        house=Part({key: each for key, each in house.items() if key not in HOUSE_KEYS}, source, ("laboratory",)),
        language=Part({"language": house["language"]}, source, ("laboratory",)) if "language" in house else None,
        tables={kind: tuple(parts) for kind, parts in own.items()},
        branding=path.resolve().parent / slashed(branding) if isinstance(branding, str) else None,
        branding_where=source.at(("laboratory", "branding")) if "branding" in house else None,
        files=(*files, *registers),
        findings=tuple(each for each in findings if each.severity is Severity.ERROR),
        remarks=tuple(each for each in findings if each.severity is not Severity.ERROR),
    )


def _wanted(job_file: Path, named: Path | None, alone: bool) -> tuple[Path | None, tuple[Finding, ...]]:
    """The file to read, and what is wrong with where it should be."""
    if named is None:
        return _found(job_file.parent, alone)
    file = named / NAME if named.is_dir() else named
    place = Place(file.name, 1)
    if not file.exists():
        return None, (error(place, message("laboratory.absent", path=str(file))),)
    if job_file.exists() and file.samefile(job_file):
        return None, (error(place, message("laboratory.is-the-job")),)
    return file, ()


def _found(folder: Path, alone: bool) -> tuple[Path | None, tuple[Finding, ...]]:
    inside = sorted((folder / ARCHIVED).glob("*.toml"))
    if len(inside) > 1:
        names = tuple(each.name for each in inside)
        return None, (error(Place(ARCHIVED.as_posix()), message("laboratory.several", names=names)),)
    if inside:
        return _kept_inside(inside[0], folder)
    for each in [folder] if alone else _upwards(folder.resolve()):
        if os.path.lexists(each / NAME):
            return _kept_inside(each / NAME, folder if each in (folder, folder.resolve()) else None)
    return None, ()


def _kept_inside(path: Path, folder: Path | None) -> tuple[Path | None, tuple[Finding, ...]]:
    """A file that is there, and, where it lies in a job folder, no link out of it: who sends a job sends no more.

    Links that lead in a circle, or nowhere, are told and not passed over.
    """
    place = Place(path.name, 1)
    if not path.exists():
        return None, (error(place, message("laboratory.link", path=str(path))),)
    if folder is not None and not path.resolve().is_relative_to(folder.resolve()):
        return None, (error(place, message("job.link-leads-out")),)
    return path, ()


def _upwards(folder: Path) -> Iterator[Path]:
    """A folder and those above it, up to the home folder or the root of the file system.

    An archive's folder is not left, and nothing is taken from a folder to which everybody may write, such as the one
    for temporary files: whoever likes could lay a file there.
    """
    home = _home()
    for each in (folder, *folder.parents):
        if each != folder and ((each / BAG).is_file() or _everybody_writes(each)):
            return
        yield each
        if each == home:
            return


def _home() -> Path | None:
    try:
        return Path.home().resolve()
    except (OSError, RuntimeError):  # nobody's home
        return None


def _everybody_writes(folder: Path) -> bool:
    try:
        return os.name == "posix" and bool(folder.stat().st_mode & stat.S_IWOTH)
    except OSError:  # not made yet
        return False


def _table_findings(raw: Mapping[str, Any], source: Source) -> Iterator[Finding]:
    """Tables that are not known, or have the wrong brackets, so that what jobs refer to would not be found."""
    for key, value in raw.items():
        place = source.at((key,))
        if key in KINDS and not _is_tables(value):
            yield error(place, message("job.one-bracket", key=key))
        elif key == "laboratory" and not isinstance(value, dict):
            yield error(place, message("job.two-brackets", key=key))
        elif key not in TABLES:
            hint = near_or(key, TABLES, message("hint.known", known=TABLES))
            yield error(place, message("laboratory.table-not-known", table=key, hint=hint))
    house = raw.get("laboratory")
    known = (*(key.name for key in KEYS[Party]), *HOUSE_KEYS)
    for key in house if isinstance(house, dict) else ():
        if key not in known:
            hint = near_or(key, known, message("hint.known", known=known))
            yield error(
                source.at(("laboratory", key)), message("job.key-not-known", table="[laboratory]", key=key, hint=hint)
            )


def _is_tables(value: object) -> bool:
    return isinstance(value, list) and all(isinstance(each, dict) for each in value)


def _parts(value: object, source: Source, kind: str) -> list[Part]:
    tables: Sequence[Table] = value if isinstance(value, list) else ()
    return [Part(each, source, (kind, index)) for index, each in enumerate(tables) if isinstance(each, dict)]


def _with_register(
    path: Path, house: Table, source: Source, own: list[Part], findings: list[Finding]
) -> tuple[list[Part], list[LaboratoryFile]]:
    """Instruments of the file and of the register that it names, and the register itself."""
    named, place = house.get("instruments"), source.at(("laboratory", "instruments"))
    if named is None:
        return own, []
    if not isinstance(named, str) or not named.strip():
        findings.append(error(place, message("laboratory.register-no-name")))
        return own, []
    name, folder = slashed(named.strip()), path.resolve().parent
    if file_fault(folder, name, place, ""):
        findings.append(error(place, message("laboratory.no-register", file=name.as_posix())))
        return own, []
    if (folder / name).samefile(path):
        findings.append(error(place, message("laboratory.register-is-itself", file=name.as_posix())))
        return own, []
    try:
        register = read_register(folder / name, name.as_posix())
    except (OSError, ReadError) as failure:
        problem = failure.what if isinstance(failure, ReadError) else failure.strerror or str(failure)
        where = failure.where if isinstance(failure, ReadError) else Place(name.as_posix())
        findings.append(error(where, message("laboratory.not-read", problem=problem)))
        return own, []
    findings += register.findings
    return [*own, *register.instruments], [LaboratoryFile(ARCHIVED / name, folder / name, register.content)]
