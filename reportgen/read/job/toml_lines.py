"""Where each key of a TOML text stands, for findings with a line number.

tomllib gives the values but not their places. This scanner walks text that tomllib has already accepted, so it needs
to know where keys and values begin and end, and nothing about what they mean.
"""

from __future__ import annotations

import bisect
import re
import tomllib

KeyPath = tuple[str | int, ...]

_STRINGS = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}|\'\'\'.*?\'{3,5}|"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\'',
    re.DOTALL,
)
_BLANK = re.compile(r"(?:[ \t\r\n]++|#[^\n]*+)*+")
_SPACE = re.compile(r"[ \t]*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR = re.compile(r"[^,\]}\n#]*")


class TomlLines:
    """Line of every table, key and array element, by its path.

    >>> lines = TomlLines('[report]\\nnumber = "1"\\n[[run]]\\nid = "X"\\n[[run]]\\nid = "Y"\\nlog = ["a",\\n "b"]\\n')
    >>> lines.line_of(("run", 1, "id")), lines.line_of(("run", 1, "log", 1)), lines.line_of(("run", 1, "kind"))
    (6, 8, 5)
    """

    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._starts = [0, *(m.end() for m in re.finditer("\n", text))]
        self._lines: dict[KeyPath, int] = {}
        self._ends: dict[KeyPath, int] = {}
        self._counts: dict[KeyPath, int] = {}
        self._scan()

    def line_of(self, path: KeyPath) -> int:
        """Line of the longest known beginning of ``path``; 1 where nothing of it is known."""
        for length in range(len(path), 0, -1):
            line = self._lines.get(path[:length])
            if line is not None:
                return line
        return 1

    def end_of(self, path: KeyPath) -> int | None:
        """Last line of a table or key, with the tables below it; comments behind it are not its own. None: not there.

        >>> TomlLines('[[run]]\\nid = "X"\\nlog = [\\n"a"]\\n\\n# next\\n[[run]]\\nid = "Y"\\n').end_of(("run", 0))
        4
        """
        return self._ends.get(path)

    def _here(self) -> int:
        return bisect.bisect_right(self._starts, self._at)

    def _skip(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self._text, self._at)
        if match is None:
            return ""
        self._at = match.end()
        return match.group()

    def _scan(self) -> None:
        table: KeyPath = ()
        while True:
            self._skip(_BLANK)
            if self._at >= len(self._text):
                return
            if self._text[self._at] == "[":
                table = self._header()
            else:
                self._assignment(table)

    def _header(self) -> KeyPath:
        line = self._here()
        double = self._text.startswith("[[", self._at)
        self._at += 2 if double else 1
        names = self._key()
        self._skip(_SPACE)
        self._at += 2 if double else 1
        path = self._resolved(names[:-1])
        path = (*path, names[-1])
        if double:
            self._lines.setdefault(path, line)
            index = self._counts.get(path, 0)
            self._counts[path] = index + 1
            path = (*path, index)
        else:
            path = self._resolved(path[-1:], path[:-1])
        self._lines.setdefault(path, line)
        self._ended(path)
        return path

    def _ended(self, path: KeyPath) -> None:
        """What was read last ends here, and with it all that it is part of."""
        line = self._here()
        for length in range(1, len(path) + 1):
            self._ends[path[:length]] = line

    def _resolved(self, names: KeyPath, start: KeyPath = ()) -> KeyPath:
        """Path with the index of the latest element put behind every array of tables."""
        path = start
        for name in names:
            path = (*path, name)
            if path in self._counts:
                path = (*path, self._counts[path] - 1)
        return path

    def _assignment(self, table: KeyPath) -> None:
        line = self._here()
        path = table
        for name in self._key():
            path = (*path, name)
            self._lines.setdefault(path, line)
        self._skip(_SPACE)
        self._at += 1  # the equals sign
        self._skip(_SPACE)
        self._value(path)
        self._ended(path)

    def _key(self) -> tuple[str, ...]:
        names = []
        while True:
            self._skip(_SPACE)
            if self._text[self._at] in "\"'":
                names.append(str(tomllib.loads(f"k = {self._skip(_STRINGS)}")["k"]))
            else:
                names.append(self._skip(_BARE_KEY))
            self._skip(_SPACE)
            if not self._text.startswith(".", self._at):
                return tuple(names)
            self._at += 1

    def _value(self, path: KeyPath) -> None:
        first = self._text[self._at : self._at + 1]
        if first == "[":
            self._array(path)
        elif first == "{":
            self._inline_table(path)
        elif first in "\"'" and first:
            self._skip(_STRINGS)
        else:
            self._skip(_SCALAR)

    def _array(self, path: KeyPath) -> None:
        self._at += 1
        index = 0
        while True:
            self._skip(_BLANK)
            if self._text[self._at] == "]":
                self._at += 1
                return
            self._lines.setdefault((*path, index), self._here())
            self._value((*path, index))
            index += 1
            self._skip(_BLANK)
            if self._text[self._at] == ",":
                self._at += 1

    def _inline_table(self, path: KeyPath) -> None:
        self._at += 1
        while True:
            self._skip(_BLANK)
            if self._text[self._at] == "}":
                self._at += 1
                return
            if self._text[self._at] == ",":
                self._at += 1
                continue
            self._assignment(path)
