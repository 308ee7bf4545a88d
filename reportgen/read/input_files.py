"""Every file that a job reads, with its digest, and whether it stayed as it was while it was read."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType

from reportgen.errors import ReadError, RecordError
from reportgen.read.job.presets import OWN
from reportgen.read.photo_metadata import told_by, without_metadata
from reportgen.records.finding import Finding, note, warning
from reportgen.records.job import Job, PhotoMetadata
from reportgen.records.message import Place, message
from reportgen.records.report import InputFile

Stamp = tuple[int, int, int, int, int]
"""Disk, number of the file, bytes, and the times (ns) at which content and entry were last changed: the last of these
cannot be set back by whoever changes a file and changes it back."""


def input_paths(job: Job) -> tuple[Path, ...]:
    """Files the job reads, relative to its folder, each once, in the order of their names."""
    named = {
        Path(job.file.name),
        *job.notes_files,
        *job.preset_files,
        *(log for run in job.runs for log in run.logs),
        *(photo.file for photo in job.photos),
        *(attachment.file for attachment in job.attachments),
        *((job.reference.archive,) if job.reference is not None else ()),
    }
    return tuple(sorted((path for path in named if _is_own(job.folder, path)), key=lambda path: path.as_posix()))


def _is_own(folder: Path, path: Path) -> bool:
    """Whether a path is that of a file in the job folder; what is wrong with any other is told where it is named."""
    try:
        return (folder / path).is_file() and (folder / path).resolve().is_relative_to(folder.resolve())
    except (OSError, ValueError, RuntimeError):  # a name too long, a link in a circle
        return False


@dataclass(frozen=True, slots=True)
class Watched:
    """Inputs as they were before they were read; ``still_the_same`` afterwards tells that this is what was read."""

    folder: Path
    files: tuple[InputFile, ...]
    stamps: dict[str, Stamp] = field(repr=False)

    def still_the_same(self) -> None:
        """Raises ReadError, which names the file, where one was changed, replaced or touched since."""
        for path, stamp in self.stamps.items():
            if stamp_of(self.folder / path) != stamp:
                raise _changed(path)


def _changed(path: str) -> ReadError:
    return ReadError(Place(path), message("input.changed"))


Stamps = Mapping[str, Stamp | None]
"""By the file's name in the job folder; None where there is none."""


def stamps_of_job_file(path: Path) -> Stamps:
    """State of a job's own file and of its presets before they are read."""
    file = path / "job.toml" if path.is_dir() else path
    presets = sorted((file.parent / OWN).glob("*.toml"))
    return {each.relative_to(file.parent).as_posix(): stamp_of(each) for each in (file, *presets)}


def watch_inputs(job: Job, before: Stamps = MappingProxyType({})) -> Watched:
    """Digest (SHA-256) and size of every input, taken before it is read; ``before``: state of job file and presets.

    Raises ReadError where one cannot be read, or changes meanwhile.
    """
    photos = set() if job.report.photo_metadata is PhotoMetadata.KEEP else {photo.file for photo in job.photos}
    found: dict[str, tuple[InputFile, Stamp | None]] = {
        path.as_posix(): (_photo if path in photos else _digest)(job.folder, path) for path in input_paths(job)
    }
    found |= _laboratory_files(job, found)
    for name, stamp in before.items():
        if stamp is not None and name in found and found[name][1] != stamp:
            raise _changed(name)
    return Watched(
        job.folder,
        tuple(found[path][0] for path in sorted(found)),
        {path: stamp for path, (_, stamp) in found.items() if stamp is not None},
    )


def _laboratory_files(job: Job, others: Collection[str]) -> dict[str, tuple[InputFile, None]]:
    """The laboratory file and its register as they were read, under their names in an archive."""
    found = {}
    for each in job.laboratory_files:
        name = each.name.as_posix()
        if name in others and (job.folder / each.name).resolve() != each.path.resolve():
            raise ReadError(Place(name), message("input.name-taken", path=str(each.path)))
        digest = hashlib.sha256(each.content).hexdigest()
        found[name] = InputFile(path=name, sha256=digest, bytes=len(each.content), kept=each.content), None
    return found


def photo_findings(job: Job) -> tuple[Finding, ...]:
    """What photos tell besides their picture, and what becomes of it."""
    found = []
    for photo in job.photos:
        path = job.folder / photo.file
        told = told_by(path.read_bytes()) if _is_own(job.folder, photo.file) else ()
        if told and job.report.photo_metadata is PhotoMetadata.KEEP:
            found.append(warning(photo.where, message("photo.tells-and-keeps", photo=photo.file.as_posix(), told=told)))
        elif told:
            found.append(note(photo.where, message("photo.tells", photo=photo.file.as_posix(), told=told)))
    return tuple(found)


def _photo(folder: Path, path: Path) -> tuple[InputFile, Stamp]:
    """A photo without its metadata, which is what is kept; one that cannot be taken apart is named."""
    try:
        with (folder / path).open("rb") as stream:
            stamp = _stamp(os.fstat(stream.fileno()))
            content = stream.read()
        kept = without_metadata(content)
    except (OSError, ValueError, RecordError) as problem:
        why = problem.said if isinstance(problem, RecordError) else str(problem)
        what = message("photo.metadata-stays", problem=why)
        raise ReadError(Place(path.as_posix()), what) from problem
    own = None if kept == content else kept
    digest = hashlib.sha256(kept).hexdigest()
    return InputFile(path=path.as_posix(), sha256=digest, bytes=len(kept), kept=own), stamp


def _digest(folder: Path, path: Path) -> tuple[InputFile, Stamp]:
    try:
        with (folder / path).open("rb") as stream:
            stamp = _stamp(os.fstat(stream.fileno()))
            digest = hashlib.file_digest(stream, "sha256").hexdigest()
            if _stamp(os.fstat(stream.fileno())) != stamp:
                raise _changed(path.as_posix())
            return InputFile(path=path.as_posix(), sha256=digest, bytes=stream.tell()), stamp
    except OSError as problem:
        raise ReadError(Place(path.as_posix()), message("input.not-read", problem=problem.strerror)) from problem


def stamp_of(path: Path) -> Stamp | None:
    """State of a file: who changes it changes that. None where there is none."""
    try:
        return _stamp(path.stat())
    except (OSError, ValueError):
        return None


def _stamp(status: os.stat_result) -> Stamp:
    return status.st_dev, status.st_ino, status.st_size, status.st_mtime_ns, status.st_ctime_ns
