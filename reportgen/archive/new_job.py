"""A commented job folder to fill in."""

from __future__ import annotations

from pathlib import Path

from reportgen.errors import ArchiveError
from reportgen.records.message import message


def new_job(template: Path, folder: Path) -> None:
    """Copy the job folder at ``template`` to ``folder``, which is new or empty.

    Raises ArchiveError where the folder cannot be written.
    """
    try:
        for source in sorted(template.rglob("*")):
            target = folder / source.relative_to(template)
            if source.is_dir():
                target.mkdir(parents=True, exist_ok=True)
            elif source.name != ".keep":
                target.parent.mkdir(parents=True, exist_ok=True)
                target.write_bytes(source.read_bytes())
        for name in ("logs", "photos"):
            (folder / name).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ArchiveError(message("new.cannot-make", folder=str(folder), reason=str(error.strerror))) from error
