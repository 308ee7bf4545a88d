"""Manifests: which file has which digest, and which software computed it.

The text is that of BagIt 1.0 (RFC 8493, 2.1.3): one line a file, ``digest  path``, paths with ``/``; a carriage return,
a line feed and a percent sign in a path are percent-encoded.
"""

from __future__ import annotations

import ctypes
import functools
import json
import platform
import re
import zlib
from collections.abc import Mapping
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import reportgen
from reportgen.archive.digest import sha256
from reportgen.errors import ArchiveError
from reportgen.records.message import Message, Place, message

MANIFEST = "manifest-sha256.txt"
"""Name of the payload manifest (RFC 8493, 2.1.3)."""
MAX_NAME = 1_000
"""Longest name of a file in an archive."""

_LINE = re.compile(r"^([0-9a-fA-F]{64})[ \t]+\*?(.+)$")
"""A line of a manifest: digest, blanks, path."""
_COMPUTING = ("h5py", "numpy", "pandas", "python-calamine", "scipy", "soundfile")
"""Packages by which numbers are read and computed."""
_PRINTING = (
    "babel", "fonttools", "jinja2", "lxml", "matplotlib", "openpyxl", "pikepdf", "pillow", "pydyf", "weasyprint",
)  # fmt: skip
"""Packages by which pages are printed."""
_LIBRARIES = (
    ("pango", "libpango-1.0.so.0", "pango_version_string"),
    ("harfbuzz", "libharfbuzz.so.0", "hb_version_string"),
)
"""Name, shared library and function that states the version: they set the lines of a PDF."""
BRANDING = "branding"
"""Name in ``versions.json`` of the digest of the laboratory's own templates."""
PRINTING = frozenset({*_PRINTING, "zlib", "pango", "harfbuzz", BRANDING})
"""Names in ``versions()`` that weigh on the pages but not on the numbers."""


def manifest_text(digests: Mapping[str, str]) -> str:
    """One line a file, in the order of the names' code points.

    >>> print(manifest_text({"b%.csv": "0" * 64, "a.csv": "1" * 64}).replace("0" * 60, "…").replace("1" * 60, "…"))
    …1111  a.csv
    …0000  b%25.csv
    <BLANKLINE>
    """
    return "".join(f"{digests[name]}  {_encoded(name)}\n" for name in sorted(digests))


def _encoded(name: str) -> str:
    return name.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def _decoded(name: str) -> str:
    return re.sub("%(0[dD]|0[aA]|25)", lambda match: {"0D": "\r", "0A": "\n", "25": "%"}[match.group(1).upper()], name)


def read_manifest(text: str, where: str) -> dict[str, str]:
    """Name to digest. Raises ArchiveError at a line that is not one of a manifest, or a name that comes twice."""
    found: dict[str, str] = {}
    for number, line in enumerate(text.split("\n"), start=1):
        if not line:
            continue
        match = _LINE.match(line.rstrip("\r"))
        if match is None:
            raise ArchiveError(message("archive.no-manifest-line", where=Place(where, number), found=line[:80]))
        name = _decoded(match.group(2))
        if name in found:
            raise ArchiveError(message("archive.listed-twice", where=Place(where, number), name=name))
        found[name] = match.group(1).lower()
    return found


def safe_name(name: str) -> bool:
    """Whether a name stays inside the folder it is unpacked to, on any system.

    >>> [safe_name(n) for n in ("job/logs/x.csv", "../x", "/etc/x", "a//b", "C:/x", "a\\\\b", "a/./b", "")]
    [True, False, False, False, False, False, False, False]
    """
    parts = name.split("/")
    plain = len(name) <= MAX_NAME and not re.search(r"[\x00-\x1f\x7f\\]", name) and name.isprintable()
    return plain and all(part not in ("", ".", "..") for part in parts) and not re.match(r"^[A-Za-z]:", name)


def other_version(name: str, before: str | None, now: str | None) -> Message:
    """That a version is another one, or is there in one place only."""
    if before is None:
        return message("version.new", name=name, now=now)
    if now is None:
        return message("version.gone", name=name, before=before)
    return message("version.other", name=name, before=before, now=now)


def versions(branding: Path | None = None) -> dict[str, str]:
    """Name to version of everything that a number or a page of the report depends on.

    Nothing about the machine itself stands here: the same inputs and versions give the same bytes elsewhere. Of a
    laboratory's own templates the digest stands for the version; they are no source of a number and do not travel with
    the report.
    """
    found = dict(_versions())
    if branding is not None:
        files = sorted(path for path in branding.rglob("*") if path.is_file())
        digests = {path.relative_to(branding).as_posix(): sha256(path) for path in files}
        found[BRANDING] = sha256(manifest_text(digests).encode())
    return found


@functools.cache
def _versions() -> tuple[tuple[str, str], ...]:
    found = {"reportgen": reportgen.__version__, "python": platform.python_version(), "zlib": zlib.ZLIB_RUNTIME_VERSION}
    for package in (*_COMPUTING, *_PRINTING):
        try:
            found[package] = version(package)
        except PackageNotFoundError:
            continue
    for name, library, function in _LIBRARIES:
        found.update({name: stated} if (stated := _library_version(library, function)) else {})
    return tuple(sorted(found.items()))


def _library_version(library: str, function: str) -> str | None:
    """What a shared library says of its version, or None where there is no such library."""
    try:
        ask = getattr(ctypes.CDLL(library), function)
    except (OSError, AttributeError):
        return None
    ask.restype = ctypes.c_char_p
    answer = ask()
    return answer.decode("ascii", "replace") if isinstance(answer, bytes) else None


def versions_json(branding: Path | None = None) -> bytes:
    """``versions.json`` of this environment, and of the laboratory's own templates where it has some."""
    return (json.dumps(versions(branding), indent=1, sort_keys=True) + "\n").encode()
