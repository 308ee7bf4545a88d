"""A file of keys (TOML): its tables and the line of each key, or a finding with line and remedy."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from typing import Any

from reportgen.read.job.job_values import shown
from reportgen.read.job.toml_lines import KeyPath, TomlLines
from reportgen.records.finding import Finding, error
from reportgen.records.message import Place, message

LARGEST_JOB_FILE = 4_000_000
"""Bytes; above, it is a mistake or an attack."""


def tables_of(content: bytes, name: str) -> tuple[dict[str, Any], TomlLines, tuple[Finding, ...]]:
    """Tables of a file, the lines of its keys, and what is wrong with it; no tables where it cannot be understood."""
    nothing: dict[str, Any] = {}
    try:
        text = content.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as failure:
        line = content.count(b"\n", 0, failure.start) + 1
        what = message("job.no-utf-8", byte=f"{content[failure.start]:#04x}")
        return nothing, TomlLines(""), (error(Place(name, line), what),)
    try:
        raw, lines = tomllib.loads(text), TomlLines(text)
    except tomllib.TOMLDecodeError as failure:
        return nothing, TomlLines(""), (_syntax_finding(failure, text, name),)
    except ValueError:  # more digits than Python reads (sys.get_int_max_str_digits)
        return nothing, TomlLines(""), (_endless_number(text, name),)
    except RecursionError:
        return nothing, TomlLines(""), (error(Place(name, 1), message("job.nested")),)
    return raw, lines, tuple(_number_findings(raw, lines, name))


_TOML_PLACE = re.compile(r"\(at (?:line (\d+), column (\d+)|end of document)\)")
"""How the standard library's reader of TOML ends its messages: the place of the fault."""


def _syntax_finding(failure: tomllib.TOMLDecodeError, text: str, name: str) -> Finding:
    said = str(failure)
    match = _TOML_PLACE.search(said)
    line = int(match.group(1)) if match and match.group(1) else text.rstrip("\n").count("\n") + 1
    what = said.partition("(at ")[0].rstrip() if said.endswith(")") else said
    written = text.split("\n")[line - 1].strip() if line <= text.count("\n") + 1 else ""
    advice = message("job.toml-one-key-a-line")
    if re.match(r"^[\w.-]+\s*=\s*[^\s\"'\[{]", written) and "value" in what.lower():
        advice = message("job.toml-quotes", key=written.split("=")[0].strip(), value=_bare_value(written))
    return error(Place(name, line), message("job.no-toml", problem=what, text=shown(written), advice=advice))


_DIGITS = re.compile(r"\d[\d_]*+")
_LARGEST_WHOLE = 2**63
"""TOML 1.0: whole numbers of 64 bits are handled, and no quantity of a test needs more."""


def _endless_number(text: str, name: str) -> Finding:
    """The longest run of digits in the file."""
    longest = max(_DIGITS.finditer(text), key=lambda each: each.end() - each.start())
    line = text.count("\n", 0, longest.start()) + 1
    digits = longest.end() - longest.start()
    return error(Place(name, line), message("job.many-digits", digits=digits))


def _number_findings(raw: object, lines: TomlLines, name: str, path: KeyPath = ()) -> Iterator[Finding]:
    """Whole numbers that are beyond what TOML knows."""
    if isinstance(raw, dict | list):
        for key, value in raw.items() if isinstance(raw, dict) else enumerate(raw):
            yield from _number_findings(value, lines, name, (*path, key))
    elif isinstance(raw, int) and not -_LARGEST_WHOLE <= raw < _LARGEST_WHOLE:
        found = message("job.large-number", bits=raw.bit_length(), key=str(path[-1]))
        yield error(Place(name, lines.line_of(path)), found)


def _bare_value(written: str) -> str:
    return written.partition("=")[2].partition("#")[0].strip().strip("\"'")
