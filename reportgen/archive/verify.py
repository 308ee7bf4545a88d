"""Verify: does an archive still hold what was archived, and do its numbers still follow from its logs?"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum, StrEnum
from pathlib import Path
from typing import Any

from reportgen.archive.added import Start, added_behind
from reportgen.archive.bag import JOB, RESULTS, VERSIONS, job_name
from reportgen.archive.bounded import BoundError
from reportgen.archive.compare import Difference, compare_results
from reportgen.archive.digest import sha256
from reportgen.archive.manifest import PRINTING, versions
from reportgen.archive.open_archive import NoSourcesError, OpenedArchive, Trouble, open_archive, plain_name
from reportgen.archive.sign import SignatureCheck, certificates, read_signatures
from reportgen.errors import ArchiveError, ReportError

SUPERSEDES = "supersedes.json"
"""As an amendment names what it replaces."""

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
    UNCHECKED = "not verified"
    VERSION = "other software version"
    SAME = "same"
    NOTE = "note"


_WHOLE = "the whole document"
_HARMLESS = {Kind.VERSION, Kind.SAME, Kind.NOTE}


class Outcome(Enum):
    """What a verification comes to; the value is the exit code."""

    SAME = 0
    DIFFERENT = 1
    NOT_VERIFIED = 5
    """Nothing is known to differ, and something could not be checked."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One thing that was checked and what came of it."""

    kind: Kind
    text: str
    part: str | None = None
    """What of the document is not verified, in a few words, where that is what the line says."""

    def __str__(self) -> str:
        return f"{self.kind}: {self.text}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """Everything that was checked."""

    path: Path
    found: tuple[Line, ...]
    differences: tuple[Difference, ...] = ()
    unsigned: bool = False
    """It is a PDF, and nobody signed it."""

    @property
    def outcome(self) -> Outcome:
        """Different where anything differs; the same only where nothing was left out."""
        kinds = {line.kind for line in self.found}
        if kinds - _HARMLESS - {Kind.UNCHECKED}:
            return Outcome.DIFFERENT
        return Outcome.NOT_VERIFIED if Kind.UNCHECKED in kinds else Outcome.SAME

    @property
    def exit_code(self) -> int:
        """0 same, 1 different, 5 not verified."""
        return self.outcome.value

    @property
    def lines(self) -> tuple[str, ...]:
        """Everything as text, for the terminal; the last line is the upshot."""
        return (*map(str, self.found), f"{self.path}: {self._upshot()}")

    def _upshot(self) -> str:
        parts = dict.fromkeys(line.part for line in self.found if line.part is not None)
        left = f"NOT VERIFIED: {'; '.join(parts)}" if parts else ""
        match self.outcome:
            case Outcome.DIFFERENT:
                return f"NOT as it was reported{'. ' if left else ''}{left}"
            case Outcome.NOT_VERIFIED:
                return left if _WHOLE in parts else f"{left}. What else is in it is as it was reported"
        return f"everything is as it was reported{'; it is not signed' if self.unsigned else ''}"


def verify(
    path: Path, recompute: Recompute, rebuild: Rebuild | None = None, *, trusted: Sequence[Path] = ()
) -> Verified:
    """Check an archive zip or a report.pdf with sources: every checksum, every number, pages and signatures.

    ``rebuild`` renders again: by software that is the same to the last version the pages must be the same to the last
    byte, and where other software prints the same bytes they are verified, too. ``trusted`` names certificates (PEM or
    DER) whose signatures are believed; each must have signed. Never raises for what is wrong with the archive: that is
    what the lines say. Raises ArchiveError where a certificate of ``trusted`` cannot be read.
    """
    certificates(trusted)
    try:
        with open_archive(path) as archive:
            return _verified(archive, recompute, rebuild, trusted)
    except (NoSourcesError, BoundError) as problem:
        return Verified(path=path, found=(_unchecked(_WHOLE, str(problem)),))
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
    known = _known_names(archive)
    if known is not None:
        printed = _printed_again(archive, rebuild, lines)
        _compare_pages(archive, printed, signatures, lines, changed)
        lines += _unknown_files(archive, known | set(printed or {}), all_known=printed is not None)
    lines += [_signature_line(check) for check in signatures]
    lines += _without_signature(signatures, trusted, archive.kind)
    unsigned = archive.kind == "pdf" and not signatures
    return Verified(path=archive.path, found=tuple(lines), differences=differences, unsigned=unsigned)


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
        lines.append(_unchecked("the software", f"{VERSIONS} does not say what computed the report"))
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
        lines.append(_unchecked("the numbers and the pages", text))
        return ()
    if RESULTS not in archive.found:
        lines.append(_unchecked("the numbers", f"{RESULTS} is missing, so there is nothing to compare with"))
        return ()
    try:
        reported = archive.json(RESULTS)
    except ArchiveError as problem:
        lines.append(Line(kind=Kind.DAMAGED, text=str(problem)))
        return ()
    try:
        recomputed = recompute(archive.job_folder)
    except ReportError as problem:
        lines.append(_unchecked("the numbers and the pages", f"the numbers cannot be recomputed: {problem}"))
        return ()
    differences = tuple(each for each in compare_results(reported, recomputed) if each.where != "software")
    if not differences:
        lines.append(_same("every number, verdict and finding follows from the logs inside"))
    why = " (by other software than then)" if changed else ""
    lines += [Line(kind=Kind.NUMBER, text=f"{each}{why}") for each in differences[:MAX_SHOWN]]
    if len(differences) > MAX_SHOWN:
        lines.append(Line(kind=Kind.NUMBER, text=f"and {len(differences) - MAX_SHOWN} more"))
    return differences


def _unchecked(part: str, text: str) -> Line:
    return Line(kind=Kind.UNCHECKED, text=text, part=part)


def _known_names(archive: OpenedArchive) -> set[str] | None:
    """What an archive holds besides pages: inputs, as results.json names them, and statements of the build.

    None where its results cannot be read, or inputs lie elsewhere: then nothing was recomputed that could be printed.
    """
    if archive.held_elsewhere:
        return None
    try:
        results = archive.json(RESULTS)
    except ArchiveError:
        return None
    inputs = results.get("inputs") if isinstance(results, dict) else None
    named = [each.get("path") for each in inputs if isinstance(each, dict)] if isinstance(inputs, list) else []
    return {RESULTS, VERSIONS, SUPERSEDES, *(job_name(path) for path in named if isinstance(path, str))}


def _printed_again(archive: OpenedArchive, rebuild: Rebuild | None, lines: list[Line]) -> Mapping[str, bytes] | None:
    """The pages as the sources print them here and now; None, with the reason said, where they cannot be printed."""
    if rebuild is None:
        lines.append(_unchecked("the pages", "the pages were not printed again"))
        return None
    try:
        return rebuild(archive.job_folder)
    except ReportError as problem:
        lines.append(_unchecked("the pages", f"the pages cannot be printed again: {problem}"))
        return None


def _compare_pages(
    archive: OpenedArchive,
    printed: Mapping[str, bytes] | None,
    signatures: Sequence[SignatureCheck],
    lines: list[Line],
    changed: Mapping[str, object] | None,
) -> None:
    """Hold the pages against what their sources print, byte by byte, and a PDF against who signed it."""
    if archive.kind == "pdf":
        _compare_pdf(archive, printed, signatures, lines, changed)
    elif printed is not None:
        _compare_files(archive, printed, lines, changed)


def _compare_files(
    archive: OpenedArchive, printed: Mapping[str, bytes], lines: list[Line], changed: Mapping[str, object] | None
) -> None:
    missing = sorted(name for name in printed if name not in archive.found)
    lines += [_unchecked(name, f"{name}, which its sources print, is not in the archive") for name in missing]
    differ = [name for name, page in printed.items() if archive.found.get(name, sha256(page)) != sha256(page)]
    lines += [_differs(name, changed) for name in differ]
    if not differ and not missing:
        lines.append(_same(_PRINTED_SAME))


_PRINTED_SAME = "the pages, printed again, are the same to the last byte"


def _differs(name: str, changed: Mapping[str, object] | None) -> Line:
    """A page that its sources do not print today: the same software prints another, other software may."""
    if changed or changed is None:
        text = f"{name} is not what its sources print today, which can come of the other software: its own checksum is "
        return _unchecked(name, text + "all that speaks for it, and whoever changes the page changes that, too")
    return Line(kind=Kind.PAGES, text=f"{name} is not what its sources print today")


def _compare_pdf(
    archive: OpenedArchive,
    printed: Mapping[str, bytes] | None,
    signatures: Sequence[SignatureCheck],
    lines: list[Line],
    changed: Mapping[str, object] | None,
) -> None:
    """A PDF is what was printed, with signatures behind it and nothing else; or what somebody trusted signed."""
    page = (printed or {}).get("report.pdf", b"")
    content = archive.path.read_bytes()
    if page and content == page:
        lines.append(_same(_PRINTED_SAME))
    elif page and content.startswith(page):
        _compare_behind(archive.path, Start(revision=0, length=len(page)), signatures, lines)
    elif printed is not None and changed == {}:
        lines.append(_differs(archive.path.name, changed))  # whoever signed it: its own software prints other pages
    elif vouching := next((check for check in signatures if check.valid and check.trusted), None):
        lines.append(_same(f"the pages are those that {vouching.signer}, who is trusted here, signed"))
        _compare_behind(archive.path, Start(revision=vouching.revision, length=vouching.end), (), lines)
    elif printed is not None:
        lines.append(_differs(archive.path.name, changed))


def _compare_behind(path: Path, start: Start, signatures: Sequence[SignatureCheck], lines: list[Line]) -> None:
    """Hold what stands behind the pages against what signatures need."""
    try:
        added = added_behind(path, start)
    except BoundError as problem:
        lines.append(_unchecked("what was added behind the pages", str(problem)))
        return
    except ArchiveError as problem:
        lines.append(Line(kind=Kind.PAGES, text=str(problem)))
        return
    lines += [Line(kind=Kind.PAGES, text=f"behind the pages something was added: {each}") for each in added.changes]
    lines += [_unchecked("what stamps show", _STAMP.format(stamp)) for stamp in added.stamps]
    if start.revision == 0 and not signatures:
        lines.append(Line(kind=Kind.PAGES, text="behind the pages something was added that nobody signed"))
    elif not added.changes and start.revision == 0:
        lines.append(_same(f"{_PRINTED_SAME}; behind them stand signatures only"))


_STAMP = (
    "signature {} paints a stamp on a page: what it shows, and what it covers, is not of the report and was compared "
    "with nothing"
)


def _unknown_files(archive: OpenedArchive, known: set[str], *, all_known: bool) -> list[Line]:
    """Files that neither belong to the job nor are printed from it; pages are known once they were printed again."""
    left = sorted(name for name in archive.found if name not in known and (all_known or name.startswith(JOB)))
    more = [_unchecked(f"{len(left) - MAX_SHOWN} more files", "and more such files")] if len(left) > MAX_SHOWN else []
    return [_unchecked(plain_name(n), _UNKNOWN.format(plain_name(n))) for n in left[:MAX_SHOWN]] + more


_UNKNOWN = "{} is in the archive, but no build reads or writes it: nothing vouches for it"


def _signature_line(check: SignatureCheck) -> Line:
    if not check.valid:
        return Line(kind=Kind.SIGNATURE, text=str(check))
    if check.trusted:
        return Line(kind=Kind.NOTE, text=str(check))
    return _unchecked(f"who made signature {check.field} (name a certificate with --trust)", str(check))


def _without_signature(signatures: Sequence[SignatureCheck], trusted: Sequence[Path], kind: str) -> list[Line]:
    """What is said where a signature is missing: any at all, or one of those that were asked for."""
    if kind != "pdf":
        return [_unchecked("signatures", "an archive zip carries none; verify the signed PDF")] if trusted else []
    signed = {each for check in signatures if check.valid for each in check.trusted_by}
    lines = [] if signatures else [Line(kind=Kind.NOTE, text="the PDF is not signed: nobody vouches for it")]
    for number, path in enumerate(trusted):
        if number not in signed:
            lines.append(_unchecked(f"a signature by {path.name}", f"nobody signed whom {path} vouches for"))
    return lines
