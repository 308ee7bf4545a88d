"""The text of the example reports, as a person reads it.

If a change is meant: ``UPDATE_GOLDEN=1 .venv/bin/python -m pytest tests/examples/test_golden.py``, then read the diff.
"""

from __future__ import annotations

import os
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

from reportgen import __version__

GOLDEN = Path(__file__).resolve().parents[1] / "golden"


class _Text(HTMLParser):
    """Words of a page, one block a line; styles, scripts and drawings left out."""

    SILENT = frozenset({"style", "script", "svg", "head"})
    BLOCKS = frozenset(
        {"p", "tr", "li", "h1", "h2", "h3", "h4", "section", "table", "figure", "figcaption", "div", "dt"}
    )

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self._silent = 0
        self._parts: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._silent += tag in self.SILENT
        between = " | " if tag in ("td", "th", "dd") else " " if tag in ("br", "small", "span") else ""
        self._parts.append("\n" if tag in self.BLOCKS else between)

    def handle_endtag(self, tag: str) -> None:
        self._silent -= tag in self.SILENT
        self._parts.append("\n" if tag in self.BLOCKS else "")

    def handle_data(self, data: str) -> None:
        if not self._silent:
            self._parts.append(data.replace("\n", " "))

    def lines(self) -> list[str]:
        found = (re.sub(r"\s+", " ", line).strip(" |") for line in "".join(self._parts).split("\n"))
        return [line for line in found if line]


def text_of(html: str) -> str:
    reader = _Text()
    reader.feed(html)
    return "\n".join(reader.lines()).replace(f"reportgen {__version__}", "reportgen VERSION") + "\n"


@pytest.mark.parametrize("name", ["sensor_boom", "controller_box", "bolted_bracket"])
def test_the_report_reads_as_before(name, example_words):
    found = text_of(example_words(name))
    golden = GOLDEN / f"{name}.txt"
    if os.environ.get("UPDATE_GOLDEN"):
        golden.parent.mkdir(exist_ok=True)
        golden.write_text(found, encoding="utf-8")
        pytest.skip(f"rewrote {golden.name}; read the difference before committing it")
    assert found == golden.read_text(encoding="utf-8"), "if the change is meant: UPDATE_GOLDEN=1"
