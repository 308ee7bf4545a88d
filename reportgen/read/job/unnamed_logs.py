"""Logs that lie beside those of a job and that no run names: what was measured and is not told."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from reportgen.read.input_files import input_paths
from reportgen.records.finding import Finding, warning
from reportgen.records.job import Job
from reportgen.records.message import Place, message


def unnamed_logs(job: Job) -> Iterator[Finding]:
    """A warning for each folder of logs that holds files of the logs' kinds which no part of the job names.

    The job's own folder is left out: everything else lies there as well.
    """
    known = {*input_paths(job)}
    named = [log for run in job.runs for log in run.logs if log.parent != Path() and log in known]
    for folder in dict.fromkeys(log.parent for log in named):
        kinds = {log.suffix.casefold() for log in named if log.parent == folder}
        there = sorted(path.name for path in (job.folder / folder).iterdir() if _may_be_a_log(path, kinds))
        left = tuple(name for name in there if folder / name not in known)
        if left:
            place = Place(job.file.name, 1)
            yield warning(place, message("history.unnamed-logs", folder=folder.as_posix(), logs=left))


def _may_be_a_log(path: Path, kinds: set[str]) -> bool:
    return path.is_file() and not path.name.startswith(".") and path.suffix.casefold() in kinds
