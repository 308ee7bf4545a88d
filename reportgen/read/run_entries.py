"""What ``reportgen inspect`` offers to paste into job.toml: a mapping, or a run for each sweep of a file."""

from __future__ import annotations

from collections.abc import Sequence


def entries_to_paste(name: str, sweeps: Sequence[str], mapping: Sequence[str]) -> list[str]:
    """A ``[run.columns]`` table; where there are several sweeps, each in words, a ``[[run]]`` for each of them."""
    if len(sweeps) < 2:
        return ["", "[run.columns]", *mapping]
    return [line for number, said in enumerate(sweeps, 1) for line in _entry(name, number, said, mapping)]


def _entry(name: str, number: int, said: str, mapping: Sequence[str]) -> list[str]:
    return [
        "",
        f"[[run]]   # {said}",
        f'id = "X-{number}"   # fill in',
        'kind = "sweep"   # or "survey"',
        'axis = "X"   # fill in',
        f"log = {quoted(f'logs/{name}')}",
        f"sweep = {number}",
        "[run.columns]",
        *mapping,
    ]


def quoted(text: str) -> str:
    """Text as a TOML string."""
    if '"' in text and "'" not in text:
        return f"'{text}'"
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
