"""Deviations of the report that stands beside a job: what its last build found and nobody has answered yet."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from reportgen.records.deviation import Deviation, DeviationCode
from reportgen.records.message import Place, message

_NAMES = ("results.json", "results-draft.json")
_LARGEST = 50_000_000
"""Bytes; what is larger was not written by a build of a job that a person reads through."""


def standing_deviations(folder: Path) -> tuple[Deviation, ...]:
    """Those that the newest results of ``folder`` list; none where there are none that can be read."""
    for path in sorted((folder / name for name in _NAMES), key=_age, reverse=True):
        listed = _listed(path)
        if listed is not None:
            return tuple(each for each in map(_deviation, listed) if each is not None)
    return ()


def _age(path: Path) -> float:
    return path.stat().st_mtime if path.is_file() else 0.0


def _listed(path: Path) -> list[Any] | None:
    if not path.is_file() or path.stat().st_size > _LARGEST:
        return None
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
    listed = found.get("deviations") if isinstance(found, dict) else None
    return listed if isinstance(listed, list) else None


def _deviation(raw: Any) -> Deviation | None:
    """A deviation as it was listed; None for what is none, or stands in job or notes and is read there."""
    if not isinstance(raw, dict) or not isinstance(raw.get("key"), str):
        return None
    kinds = {each.value: each for each in DeviationCode}
    code = kinds.get(str(raw.get("kind")))
    if code is None or (raw.get("where") is not None and code is not DeviationCode.LEVEL_CHANGE):
        return None
    text = str(raw.get("message", ""))
    where = None if raw.get("where") is None else Place(str(raw["where"]))
    return Deviation(code=code, key=raw["key"], message=message("deviation.as-noted", text=text), where=where)
