"""Every file that a job reads, with its digest."""

from __future__ import annotations

import hashlib
from pathlib import Path

from reportgen.errors import ReadError
from reportgen.records.job import Job
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
    return tuple(_digest(job.folder, path) for path in input_paths(job))


def _digest(folder: Path, path: Path) -> InputFile:
    try:
        with (folder / path).open("rb") as stream:
            digest = hashlib.file_digest(stream, "sha256").hexdigest()
            return InputFile(path=path.as_posix(), sha256=digest, bytes=stream.tell())
    except OSError as problem:
        raise ReadError(path.as_posix(), f"cannot be read ({problem.strerror}); mend its permissions") from problem
