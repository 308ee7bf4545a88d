"""Numbers of sections, tables and figures, in the order in which a template prints them."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Part:
    """A part of a section."""

    id: str
    number: str
    title: str


@dataclass(frozen=True, slots=True)
class Section:
    """A section with its parts so far."""

    id: str
    number: str
    title: str
    annex: bool
    parts: list[Part] = field(default_factory=list)


class Contents:
    """Counts while a template prints. The second printing knows where the first has put everything."""

    def __init__(self) -> None:
        self._known: dict[str, str] = {}
        self._begin()

    def _begin(self) -> None:
        self._sections: list[Section] = []
        self._counts = {"section": 0, "figure": 0, "table": 0}
        self._numbers: dict[str, str] = {}
        self._lettered = False

    def again(self) -> None:
        """Start another printing, with the numbers of this one known from the first line on."""
        self._known = self._numbers
        self._begin()

    def section(self, key: str, title: str) -> str:
        """Number of a section; it also goes to the table of contents."""
        number = self._next("section", key)
        if self._lettered:
            number = self._numbers[key] = _letters(int(number))
        self._sections.append(Section(key, number, title, self._lettered))
        return number

    def annex(self) -> str:
        """Sections from here on are those of the annex: A, B, C …; prints nothing."""
        self._lettered, self._counts["section"] = True, 0
        return ""

    def part(self, key: str, title: str) -> str:
        """Number of a part of the present section."""
        section = self._sections[-1]
        number = f"{section.number}.{len(section.parts) + 1}"
        self._numbers[key] = number
        section.parts.append(Part(key, number, title))
        return number

    def figure(self, key: str) -> str:
        """Number of a figure."""
        return self._next("figure", key)

    def table(self, key: str) -> str:
        """Number of a table."""
        return self._next("table", key)

    def number(self, key: str) -> str:
        """Number that ``key`` was given; empty where nothing of that key is printed."""
        return self._known.get(key, "")

    def listed(self) -> list[Section]:
        """Sections in the order of printing, each with its parts."""
        return self._sections

    def printed(self, key: str) -> bool:
        """Whether this printing has come past a section: what a laboratory put in the body is not in the annex too."""
        return key in self._numbers

    def _next(self, kind: str, key: str) -> str:
        self._counts[kind] += 1
        number = str(self._counts[kind])
        self._numbers[key] = number
        return number


def _letters(number: int) -> str:
    """Letter of a section of the annex.

    >>> [_letters(n) for n in (1, 26, 27)]
    ['A', 'Z', 'AA']
    """
    letters = ""
    while number > 0:
        number, rest = divmod(number - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters
