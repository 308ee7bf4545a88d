"""Moved lines: results name lines of text files; a line put in above moves all those names and changes nothing else."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from typing import Any

LineMap = Mapping[str, Mapping[int, int]]
"""File to old line to new line."""

_MOST_LINES = 2_000
"""Lines, from the first to the last that differ, up to which the equal ones between are looked for: the search takes
time by their square."""
_PLACE = re.compile(r"(?<![\w./-])([^\s:;,()]+):(\d{1,9})\b")
"""A line of a file named in a text, as ``notes.txt:12``."""


class LineMoved(str):
    """Text of an old result in which the lines it names are those of the new file; ``written`` is as it was."""

    written: str

    def __new__(cls, text: str, written: str) -> LineMoved:
        """The text as it is compared, and as it was written."""
        made = super().__new__(cls, text)
        made.written = written
        return made


def moved_lines(old_texts: Mapping[str, str], new_texts: Mapping[str, str]) -> LineMap:
    """Where each line that is in both of two texts, or was changed in its place, stands now.

    >>> moved_lines({"notes.txt": "a\\nb\\nc"}, {"notes.txt": "a\\nnew\\nb\\nC"})
    {'notes.txt': {2: 3, 3: 4}}
    """
    both = old_texts.keys() & new_texts.keys()
    return {name: _moved(old_texts[name].splitlines(), new_texts[name].splitlines()) for name in sorted(both)}


def _moved(old: list[str], new: list[str]) -> dict[int, int]:
    """Old line to new line, from 1; only those that stand elsewhere."""
    found: dict[int, int] = {}
    line, new_line = 0, 0
    for first, last, new_first, new_last in (*changed_blocks(old, new), (len(old), len(old), len(new), len(new))):
        found |= {n + 1: n + 1 + new_line - line for n in range(line, first) if new_line != line}
        if last - first == new_last - new_first and new_first != first:
            found |= {n + 1: n + 1 + new_first - first for n in range(first, last)}
        line, new_line = last, new_last
    return found


Block = tuple[int, int, int, int]
"""Lines of the old text from and to, and of the new one, counted from 0, that took each other's place."""


def changed_blocks(old: Sequence[str], new: Sequence[str]) -> list[Block]:
    """Where two texts differ, in order; between two blocks they are equal.

    >>> changed_blocks(["a", "b", "c"], ["a", "x", "c", "d"])
    [(1, 2, 1, 2), (3, 3, 3, 4)]
    """
    head = _alike(old, new)
    tail = _alike(old[head:][::-1], new[head:][::-1])
    a, b = old[head : len(old) - tail], new[head : len(new) - tail]
    if len(a) > _MOST_LINES or len(b) > _MOST_LINES:
        return [(head, head + len(a), head, head + len(b))]
    codes = difflib.SequenceMatcher(a=a, b=b, autojunk=False).get_opcodes()
    return [(head + i, head + j, head + k, head + m) for tag, i, j, k, m in codes if tag != "equal"]


def _alike(one: Sequence[str], other: Sequence[str]) -> int:
    """Number of lines that are the same from the start."""
    return next((n for n, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), min(len(one), len(other)))


def with_lines_moved(value: Any, lines: LineMap) -> Any:
    """Old results with every line that their texts name moved to where it stands now."""
    if isinstance(value, str):
        text = _PLACE.sub(lambda match: _place(match, lines), value) if ":" in value else value
        return value if text == value else LineMoved(text, value)
    if isinstance(value, dict):
        return {key: with_lines_moved(each, lines) for key, each in value.items()}
    return [with_lines_moved(each, lines) for each in value] if isinstance(value, list) else value


def _place(match: re.Match[str], lines: LineMap) -> str:
    line = lines.get(match[1], {}).get(int(match[2]))
    return match[0] if line is None else f"{match[1]}:{line}"
