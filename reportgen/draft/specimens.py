"""Which specimen a run was of, where the names of the logs number several."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from reportgen.draft.seen_runs import Seen

_NUMBERED = re.compile(r"(?<![^\W\d_])([^\W\d_]{1,40})[\s_.-]?(\d{1,8})(?![^\W_])")
"""A word with its number, as names of logs have them: ``s13_y_pre``, ``unit-2_x``, ``Halter02_X_Lauf``."""
FEWEST_PARTS = 2
"""Parts of a test, such as a survey and a sweep, that two specimens have both gone through before a number tells them
apart: with fewer, it may count runs, or pieces of one."""
FIRST = "1"
"""Id of the specimen whose logs carry no number."""


def specimens_of(runs: Sequence[Seen]) -> Mapping[str, str]:
    """Specimen by the id of its run; none where the names number fewer than two."""
    words = {word.casefold() for run in runs for word, _ in _NUMBERED.findall(run.path.stem)}
    numbered = ({run.id: _number(run, word) for run in runs} for word in sorted(words))
    for named in numbered:
        if _told_apart(runs, named):
            first = FIRST if FIRST not in named.values() else f"{FIRST}-0"
            return {run: each or first for run, each in named.items()}
    return {}


def _number(run: Seen, wanted: str) -> str | None:
    found = [number for word, number in _NUMBERED.findall(run.path.stem) if word.casefold() == wanted]
    return found[0] if found else None


def _told_apart(runs: Sequence[Seen], named: Mapping[str, str | None]) -> bool:
    """Whether two of the numbers went through the same parts of a test along one axis."""
    gone: dict[tuple[str | None, str | None], set[object]] = {}
    for run in runs:
        gone.setdefault((named[run.id], run.axis), set()).add(run.part or run.kind)
    return any(
        one[0] != other[0] and one[1] == other[1] and len(parts & gone[other]) >= FEWEST_PARTS
        for one, parts in gone.items()
        for other in gone
    )
