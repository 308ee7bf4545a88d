"""A job drafted from logs: what they show in short forms, each guess marked, a blank for what no log can know."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from reportgen.draft.job_text import JobText
from reportgen.draft.seen_runs import Seen, in_order, natural, runs_of, with_ids, with_kinds
from reportgen.draft.shared import shared_of, with_known_names
from reportgen.errors import ReadError
from reportgen.progress import Say, silent
from reportgen.read.job.laboratory import Laboratory
from reportgen.records.message import message


def logs_named(paths: Sequence[Path]) -> dict[str, Path]:
    """Logs by the name that each gets in the job; of a folder, every file in it that is not hidden.

    Raises ReadError where one is not there, or two have one name.
    """
    files: list[Path] = []
    for path in paths:
        files += _inside(path) if path.is_dir() else [path]
    named: dict[str, Path] = {}
    for path in files:
        if not path.is_file():
            raise ReadError(str(path), message("draft.no-log"))
        if path.name in named and not path.samefile(named[path.name]):
            raise ReadError(str(path), message("draft.name-twice", other=str(named[path.name])))
        named[path.name] = path
    if not named:
        raise ReadError(str(paths[0]), message("draft.no-log"))
    return named


def _inside(folder: Path) -> list[Path]:
    """Every file of a folder that is not hidden, in the order of their names."""
    files = [each for each in folder.iterdir() if each.is_file() and not each.name.startswith(".")]
    return sorted(files, key=lambda each: natural(each.name))


def laboratory_for(folder: Path, named: Path | None) -> Laboratory:
    """The laboratory file that a job in a folder will take from, if there is one.

    Raises ReadError where it cannot be read.
    """
    from reportgen.read.job.laboratory import read_laboratory

    laboratory = read_laboratory(folder / "job.toml", named)
    if laboratory.findings:
        raise ReadError(laboratory.findings[0].where, laboratory.findings[0].message)
    return laboratory


def draft_job(
    logs: Sequence[Path], laboratory: Laboratory | None, progress: Say = silent
) -> tuple[str, tuple[Seen, ...]]:
    """The text of a job file for these logs, and what was seen in each; it refers to what the laboratory file holds.

    Nothing is left out in silence: a log that gives no run is named in the text, with the reason.
    """
    seen: list[Seen] = []
    for path in logs:
        progress(message("progress.reading", file=path.name))
        seen += runs_of(path)
    shared = shared_of(laboratory)
    seen = in_order(with_ids(with_kinds(with_known_names(seen, shared))))
    return "\n".join(JobText(seen, shared).lines()) + "\n", tuple(seen)


def blanks_of(text: str) -> int:
    """How many lines of a draft are to be filled in."""
    return len(re.findall(r'(?m)^(?!#)[^#\n]* = "(?:[^"\n]* / \.\.\.)?"', text))
