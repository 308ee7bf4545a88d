"""Which specimen a run was of, where the names of the logs number several."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from reportgen.draft.seen_runs import Seen

_NUMBERED = re.compile(
    r"(?<![A-Za-zÄÖÜäöüß])(?:s|sn|ser|serial|u|unit|sample|specimen|dut|eut|muster|prüfling)[\s_.-]?(\d{1,8})"
    r"(?![A-Za-zÄÖÜäöüß0-9])",
    re.IGNORECASE,
)
"""How names of logs number specimens: ``s13_y_pre``, ``unit-2_x``, ``SN0013``."""
FIRST = "1"
"""Id of the specimen whose logs carry no number."""


def specimens_of(runs: Sequence[Seen]) -> Mapping[str, str]:
    """Specimen by the id of its run; none where the names number fewer than two.

    Two are told apart only where both were run along the same axis in the same part of the test: a number by itself may
    count runs.
    """
    named = {run.id: _number(run) for run in runs}
    ids = [each for each in dict.fromkeys(named.values()) if each is not None]
    if not ids or not _run_alike(runs, named):
        return {}
    first = FIRST if FIRST not in ids else f"{FIRST}-0"
    return {run: each or first for run, each in named.items()}


def _number(run: Seen) -> str | None:
    found = _NUMBERED.search(run.path.stem)
    return found[1] if found else None


def _run_alike(runs: Sequence[Seen], named: Mapping[str, str | None]) -> bool:
    """Whether two specimens have a run of the same axis and part."""
    groups: dict[tuple[object, object], set[str | None]] = {}
    for run in runs:
        if run.part is not None:
            groups.setdefault((run.axis, run.part), set()).add(named[run.id])
    return any(len(each) > 1 for each in groups.values())
