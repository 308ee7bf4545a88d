"""What ``reportgen inspect`` offers to paste into job.toml: a mapping, or a run for each sweep of a file."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from reportgen.records.message import Message, message


def entries_to_paste(
    name: str, sweeps: Sequence[str], mapping: Sequence[str], say: Callable[[Message], str]
) -> list[str]:
    """A ``[run.columns]`` table; where there are several sweeps, each in words, a ``[[run]]`` for each of them."""
    if len(sweeps) < 2:
        return ["", "[run.columns]", *mapping]
    missing = say(message("inspect.fill-in"))
    return [line for number, said in enumerate(sweeps, 1) for line in _entry(name, number, said, mapping, missing)]


def to_fill_in(line: str, what: str) -> str:
    """A line of TOML with a comment behind it that says what is to be filled in."""
    return f"{line}   # {what}"


def _entry(name: str, number: int, said: str, mapping: Sequence[str], missing: str) -> list[str]:
    return [
        "",
        to_fill_in("[[run]]", said),
        to_fill_in(f'id = "X-{number}"', missing),
        to_fill_in('kind = "sweep"', '"survey"'),
        to_fill_in('axis = "X"', missing),
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
