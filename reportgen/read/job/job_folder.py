"""Files that a job names: there, inside the job folder, and of a sensible size."""

from __future__ import annotations

import re
from pathlib import Path

from reportgen.read.job.nearest import listed, nearest
from reportgen.records.finding import Finding, error
from reportgen.records.message import Place

LARGEST_NOTES_FILE = 20_000_000
LONGEST_NAME = 500
LARGEST_PHOTO = 60_000_000
"""Bytes; above, the file is a mistake or an attack, and is refused before it is read."""


def slashed(text: str) -> Path:
    """Path as named, with the strokes of either system."""
    return Path(text.replace("\\", "/"))


def file_fault(folder: Path, named: Path, place: Place, what: str, largest: int | None = None) -> tuple[Finding, ...]:
    """An error where a file named in the job is not there, too large, or outside the job folder; else nothing."""
    message = _fault(folder, named, largest)
    return (error(place, f"{what} {named.as_posix()!r} {message}"),) if message else ()


def _fault(folder: Path, named: Path, largest: int | None) -> str | None:
    if named.is_absolute() or ".." in named.parts or re.match(r"^[A-Za-z]:", named.as_posix()):
        return 'leads out of the job folder; put the file into it and name it from there, such as "logs/x_pre.csv"'
    if not named.as_posix().isprintable() or len(named.as_posix()) > LONGEST_NAME:
        return f"has controls in its name, or more than {LONGEST_NAME} characters; an archive cannot keep it: rename it"
    target = folder / named
    try:
        if not target.exists():
            return f"does not exist{_there_instead(folder, named)}"
        if not target.resolve().is_relative_to(folder.resolve()):
            return "is a link that leads out of the job folder; copy the file there instead"
        if not target.is_file():
            return "is not a file"
        size = target.stat().st_size
    except (OSError, ValueError) as failure:
        return f"cannot be opened ({getattr(failure, 'strerror', None) or failure})"
    if largest is not None and size > largest:
        return f"has {size} bytes; at most {largest} are taken"
    return None


def _there_instead(folder: Path, named: Path) -> str:
    parent = folder / named.parent
    where = f"{named.parent.as_posix()}/" if named.parent != Path() else "the job folder"
    if not parent.is_dir():
        return f"; there is no folder {where}"
    there = sorted(each.name for each in parent.iterdir() if each.is_file())
    return nearest(named.name, there) or f"; {where} holds {listed(there[:8])}"
