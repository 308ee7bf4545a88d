"""Every file that a job reads, with its digest."""

from __future__ import annotations

import hashlib
from pathlib import Path

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
    return tuple(sorted((path for path in named if (job.folder / path).is_file()), key=lambda path: path.as_posix()))


def input_files(job: Job) -> tuple[InputFile, ...]:
    """Digest (SHA-256) and size of every input."""
    return tuple(_digest(job.folder, path) for path in input_paths(job))


def _digest(folder: Path, path: Path) -> InputFile:
    with (folder / path).open("rb") as stream:
        digest = hashlib.file_digest(stream, "sha256").hexdigest()
        return InputFile(path=path.as_posix(), sha256=digest, bytes=stream.tell())
