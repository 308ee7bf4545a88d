"""A commented job folder to fill in."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType

from reportgen.errors import ArchiveError
from reportgen.records.message import message


def new_job(
    template: Path, folder: Path, job_file: str | None = None, logs: Mapping[str, Path] = MappingProxyType({})
) -> None:
    """Copy the job folder at ``template`` to ``folder``, which is new or empty.

    ``job_file`` is the text of its job file where it is another; ``logs`` are copied into it, by their names there.
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
        for name, source in logs.items():
            shutil.copyfile(source, folder / "logs" / name)
        if job_file is not None:
            (folder / "job.toml").write_text(job_file, encoding="utf-8", newline="\n")
    except OSError as error:
        raise ArchiveError(message("new.cannot-make", folder=str(folder), reason=str(error.strerror))) from error
