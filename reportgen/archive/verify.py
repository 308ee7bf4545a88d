"""Verify: does an archive still hold what was archived, and do its numbers still follow from its logs?"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from reportgen.archive.bag import RESULTS, VERSIONS
from reportgen.archive.compare import Difference, compare_results
from reportgen.archive.digest import sha256
from reportgen.archive.manifest import PRINTING, versions
from reportgen.archive.open_archive import OpenedArchive, Trouble, open_archive
from reportgen.archive.sign import SignatureCheck, certificates, read_signatures
from reportgen.errors import ArchiveError, ReportError

MAX_SHOWN = 50
"""Differences printed one by one; the rest are counted."""

Recompute = Callable[[Path], Mapping[str, Any]]
"""Takes the job folder of the archive, gives the results as in results.json. Raises ReportError."""

Rebuild = Callable[[Path], Mapping[str, bytes]]
"""Takes the job folder of the archive, gives the rendered files by their name in it. Raises ReportError."""


class Kind(StrEnum):
    """What a line of a verification says."""

    ALTERED = "altered file"
    MISSING = "missing file"
    EXTRA = "extra file"
    DAMAGED = "damaged archive"
    NUMBER = "number not reproduced"
    PAGES = "pages not reproduced"
    SIGNATURE = "signature not valid"
    UNCHECKED = "not checked"
    VERSION = "other software version"
    SAME = "same"
    NOTE = "note"


_HARMLESS = {Kind.VERSION, Kind.SAME, Kind.NOTE}


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One thing that was checked and what came of it."""

    kind: Kind
    text: str

    def __str__(self) -> str:
        return f"{self.kind}: {self.text}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """Everything that was checked."""

    path: Path
    found: tuple[Line, ...]
    differences: tuple[Difference, ...] = ()

    @property
    def exit_code(self) -> int:
        """0 where everything is as it was reported, else 1."""
        return 0 if all(line.kind in _HARMLESS for line in self.found) else 1

    @property
    def lines(self) -> tuple[str, ...]:
        """Everything as text, for the terminal; the last line is the upshot."""
        upshot = "everything is as it was reported" if self.exit_code == 0 else "NOT as it was reported"
        return (*map(str, self.found), f"{self.path}: {upshot}")


def verify(
    path: Path, recompute: Recompute, rebuild: Rebuild | None = None, *, trusted: Sequence[Path] = ()
) -> Verified:
    """Check an archive zip or a report.pdf with sources: every checksum, every number, pages and signatures.

    ``rebuild`` renders again and is asked only where the software is the same to the last version, for then the
    pages must be the same to the last byte. ``trusted`` names certificates (PEM or DER) whose signatures are believed.
    Never raises for what is wrong with the archive: that is what the lines say. Raises ArchiveError where a certificate
    of ``trusted`` cannot be read.
    """
    certificates(trusted)
    try:
        with open_archive(path) as archive:
            return _verified(archive, recompute, rebuild, trusted)
    except ArchiveError as problem:
        return Verified(path=path, found=(Line(kind=Kind.DAMAGED, text=str(problem)),))


def _verified(
    archive: OpenedArchive, recompute: Recompute, rebuild: Rebuild | None, trusted: Sequence[Path]
) -> Verified:
    lines = [Line(kind=_KIND[problem.trouble], text=problem.text) for problem in archive.problems]
    if not lines:
        lines.append(_same(f"all {len(archive.found)} files have the checksums they were archived with"))
    changed = _changed_versions(archive, lines)
    differences = _compare_numbers(archive, recompute, lines, changed)
    signatures = read_signatures(archive.path, trusted) if archive.kind == "pdf" else ()
    if rebuild is None or changed is None or changed or archive.held_elsewhere:
        lines.append(_pages_left_out(archive, changed))
    else:
        _compare_pages(archive, rebuild, lines, signed=any(check.valid for check in signatures))
    lines += [_signature_line(check) for check in signatures]
    return Verified(path=archive.path, found=tuple(lines), differences=differences)


_KIND = {
    Trouble.ALTERED: Kind.ALTERED,
    Trouble.MISSING: Kind.MISSING,
    Trouble.EXTRA: Kind.EXTRA,
    Trouble.DAMAGED: Kind.DAMAGED,
}


def _same(text: str) -> Line:
    return Line(kind=Kind.SAME, text=text)


def _changed_versions(archive: OpenedArchive, lines: list[Line]) -> dict[str, tuple[str, str]] | None:
    """Software that is not the one of then, as (then, now); None where the archive does not say."""
    try:
        then = archive.json(VERSIONS)
    except ArchiveError:
        then = None
    if not isinstance(then, dict):
        lines.append(Line(kind=Kind.UNCHECKED, text=f"{VERSIONS} does not say what computed the report"))
        return None
    now = versions()
    names = sorted({*map(str, then), *now})
    changed = {n: (str(then.get(n, "none")), now.get(n, "none")) for n in names if then.get(n) != now.get(n)}
    for name, (before, after) in changed.items():
        weighs = "the pages, not the numbers" if name in PRINTING else "the numbers"
        text = f"{name} was {before}, is {after} here (it can weigh on {weighs})"
        lines.append(Line(kind=Kind.VERSION, text=text))
    return changed


def _compare_numbers(
    archive: OpenedArchive, recompute: Recompute, lines: list[Line], changed: Mapping[str, object] | None
) -> tuple[Difference, ...]:
    """Recompute from the logs inside and list what differs."""
    if archive.held_elsewhere:
        shown = ", ".join(archive.held_elsewhere)
        text = f"the numbers: {shown} is too large for a PDF and lies in the archive zip; verify that"
        lines.append(Line(kind=Kind.UNCHECKED, text=text))
        return ()
    try:
        reported = archive.json(RESULTS)
        recomputed = recompute(archive.job_folder)
    except ReportError as problem:
        lines.append(Line(kind=Kind.UNCHECKED, text=f"the numbers cannot be recomputed: {problem}"))
        return ()
    differences = tuple(each for each in compare_results(reported, recomputed) if each.where != "software")
    if not differences:
        lines.append(_same("every number, verdict and finding follows from the logs inside"))
    why = " (by other software than then)" if changed else ""
    lines += [Line(kind=Kind.NUMBER, text=f"{each}{why}") for each in differences[:MAX_SHOWN]]
    if len(differences) > MAX_SHOWN:
        lines.append(Line(kind=Kind.NUMBER, text=f"and {len(differences) - MAX_SHOWN} more"))
    return differences


def _pages_left_out(archive: OpenedArchive, changed: Mapping[str, object] | None) -> Line:
    """Why the pages were not printed again, and what vouches for them."""
    if archive.kind == "zip":
        return Line(kind=Kind.NOTE, text="the pages are vouched for by their checksums; they were not printed again")
    why = "the software is not the one of then" if changed else "they were not printed again"
    text = f"the pages of a PDF have no checksum in it and {why}: a signature or the archive zip vouches for them"
    return Line(kind=Kind.NOTE, text=text)


def _compare_pages(archive: OpenedArchive, rebuild: Rebuild, lines: list[Line], *, signed: bool) -> None:
    """Render again with the same software and compare byte by byte."""
    try:
        rendered = rebuild(archive.job_folder)
    except ReportError as problem:
        lines.append(Line(kind=Kind.UNCHECKED, text=f"the pages cannot be printed again: {problem}"))
        return
    if archive.kind == "pdf":
        page = rendered.get("report.pdf", b"")
        differ = [] if _is_that_pdf(archive.path, page, signed=signed) else [archive.path.name]
    else:
        differ = [name for name, page in rendered.items() if archive.found.get(name, "") not in ("", sha256(page))]
    lines += [Line(kind=Kind.PAGES, text=f"{name} is not what its sources print today") for name in differ]
    if not differ:
        lines.append(_same("the pages, printed again, are the same to the last byte"))


def _is_that_pdf(path: Path, page: bytes, *, signed: bool) -> bool:
    """Whether the file is that PDF, alone or with valid signatures behind it (ISO 32000-1, 7.5.6)."""
    with path.open("rb") as stream:
        same_start = bool(page) and stream.read(len(page)) == page
        return same_start and (signed or not stream.read(1))


def _signature_line(check: SignatureCheck) -> Line:
    return Line(kind=Kind.NOTE if check.valid else Kind.SIGNATURE, text=str(check))
