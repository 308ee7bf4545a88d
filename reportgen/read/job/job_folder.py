"""Files that a job names: there, inside the job folder, and of a sensible size."""

from __future__ import annotations

import re
from pathlib import Path

from reportgen.read.job.nearest import near_or
from reportgen.records.finding import Finding, error
from reportgen.records.message import Message, Place, message

FILE_FAULT = "file.of-job"
"""Code of what is said of a file that cannot be taken."""
LARGEST_NOTES_FILE = 20_000_000
LONGEST_NAME = 500
LARGEST_PHOTO = 60_000_000
"""Bytes; above, the file is a mistake or an attack, and is refused before it is read."""

LARGEST_REFERENCE = 1 << 30
"""Bytes of an earlier report's archive: those of long records weigh hundreds of megabytes."""


def slashed(text: str) -> Path:
    """Path as named, with the strokes of either system."""
    return Path(text.replace("\\", "/"))


def file_fault(folder: Path, named: Path, place: Place, what: str, largest: int | None = None) -> tuple[Finding, ...]:
    """An error where a file named in the job is not there, too large, or outside the job folder; else nothing.

    ``what`` is the key that names it, as the job has it.
    """
    fault = _fault(folder, named, largest)
    if fault is None:
        return ()
    return (error(place, message("file.of-job", what=what, file=named.as_posix(), fault=fault)),)


def _fault(folder: Path, named: Path, largest: int | None) -> Message | None:
    if named.is_absolute() or ".." in named.parts or re.match(r"^[A-Za-z]:", named.as_posix()):
        return message("file.leads-out")
    if not named.as_posix().isprintable() or len(named.as_posix()) > LONGEST_NAME:
        return message("file.name", most=LONGEST_NAME)
    target = folder / named
    try:
        if not target.exists():
            return message("file.absent", hint=_there_instead(folder, named))
        if not target.resolve().is_relative_to(folder.resolve()):
            return message("file.link-leads-out")
        if not target.is_file():
            return message("file.no-file")
        size = target.stat().st_size
    except (OSError, ValueError) as failure:
        return message("file.not-opened", problem=str(getattr(failure, "strerror", None) or failure))
    if largest is not None and size > largest:
        return message("file.too-large", bytes=size, most=largest)
    return None


def _there_instead(folder: Path, named: Path) -> Message:
    parent = folder / named.parent
    where = f"{named.parent.as_posix()}/" if named.parent != Path() else message("file.job-folder")
    if not parent.is_dir():
        return message("file.no-folder", folder=where)
    there = sorted(each.name for each in parent.iterdir() if each.is_file())
    return near_or(named.name, there, message("file.folder-holds", folder=where, names=tuple(there[:8])))
