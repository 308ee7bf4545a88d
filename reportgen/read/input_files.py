"""Every file that a job reads, with its digest."""

from __future__ import annotations

import hashlib
from pathlib import Path

from reportgen.errors import ReadError
from reportgen.read.photo_metadata import Told, told_by, without_metadata
from reportgen.records.finding import Finding, note, warning
from reportgen.records.job import Job, PhotoMetadata
from reportgen.records.report import InputFile


def input_paths(job: Job) -> tuple[Path, ...]:
    """Files the job reads, relative to its folder, each once, in the order of their names."""
    named = {
        Path(job.file.name),
        *job.notes_files,
        *(run.log for run in job.runs),
        *(photo.file for photo in job.photos),
    }
    return tuple(sorted((path for path in named if _is_own(job.folder, path)), key=lambda path: path.as_posix()))


def _is_own(folder: Path, path: Path) -> bool:
    """Whether a path is that of a file in the job folder; what is wrong with any other is told where it is named."""
    try:
        return (folder / path).is_file() and (folder / path).resolve().is_relative_to(folder.resolve())
    except (OSError, ValueError, RuntimeError):  # a name too long, a link in a circle
        return False


def input_files(job: Job) -> tuple[InputFile, ...]:
    """Digest (SHA-256) and size of every input. Raises ReadError where one cannot be read."""
    photos = set() if job.report.photo_metadata is PhotoMetadata.KEEP else {photo.file for photo in job.photos}
    return tuple((_photo if path in photos else _digest)(job.folder, path) for path in input_paths(job))


def photo_findings(job: Job) -> tuple[Finding, ...]:
    """What photos tell besides their picture, and what becomes of it."""
    found = []
    for photo in job.photos:
        path = job.folder / photo.file
        told = told_by(path.read_bytes()) if _is_own(job.folder, photo.file) else ()
        if told and job.report.photo_metadata is PhotoMetadata.KEEP:
            advice = 'leaves the laboratory with it, as photo_metadata = "keep" says; "remove" takes it out'
            found.append(warning(photo.where, f"photo {photo.file.as_posix()} tells {_both(told)}, and {advice}"))
        elif told:
            advice = "report and archive hold it without; the original stays as it is"
            found.append(note(photo.where, f"photo {photo.file.as_posix()} tells {_both(told)}; {advice}"))
    return tuple(found)


def _both(told: tuple[Told, ...]) -> str:
    return " and ".join(told)


def _photo(folder: Path, path: Path) -> InputFile:
    """A photo without its metadata, which is what is kept; one that cannot be taken apart is named."""
    try:
        content = (folder / path).read_bytes()
        kept = without_metadata(content)
    except (OSError, ValueError) as problem:
        text = f"its metadata cannot be taken out ({problem}); save it anew as JPEG or PNG"
        raise ReadError(path.as_posix(), text) from problem
    own = None if kept == content else kept
    return InputFile(path=path.as_posix(), sha256=hashlib.sha256(kept).hexdigest(), bytes=len(kept), kept=own)


def _digest(folder: Path, path: Path) -> InputFile:
    try:
        with (folder / path).open("rb") as stream:
            digest = hashlib.file_digest(stream, "sha256").hexdigest()
            return InputFile(path=path.as_posix(), sha256=digest, bytes=stream.tell())
    except OSError as problem:
        raise ReadError(path.as_posix(), f"cannot be read ({problem.strerror}); mend its permissions") from problem
