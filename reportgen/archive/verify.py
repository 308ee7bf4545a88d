"""Verify: does an archive still hold what was archived, and do its numbers still follow from its logs?"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum, StrEnum
from pathlib import Path
from typing import Any

from reportgen.archive.added import Start, added_behind
from reportgen.archive.bag import JOB, RESULTS, VERSIONS, job_name
from reportgen.archive.bounded import BoundError
from reportgen.archive.compare import Difference, compare_results
from reportgen.archive.digest import sha256
from reportgen.archive.manifest import BRANDING, PRINTING, other_version, versions
from reportgen.archive.open_archive import NoSourcesError, OpenedArchive, Trouble, open_archive, plain_name
from reportgen.archive.reason import all_of
from reportgen.archive.sign import SignatureCheck, certificates, read_signatures
from reportgen.errors import ArchiveError, ReportError
from reportgen.records.message import Message, message

SUPERSEDES = "supersedes.json"
"""As an amendment names what it replaces."""

MAX_SHOWN = 50
"""Differences, or files, printed one by one, as many as a screen or two show; the rest are counted."""

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


_HARMLESS = {Kind.VERSION, Kind.SAME, Kind.NOTE}
"""What differs in nothing that was reported."""


class Sameness(Enum):
    """What a verification comes to; the value is the exit code."""

    SAME = 0
    DIFFERENT = 1
    NOT_VERIFIED = 5
    """Nothing is known to differ, and something could not be checked."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One thing that was checked and what came of it."""

    kind: Kind
    what: Message
    part: Message | str | None = None
    """What of the document is not verified, where that is what the line says."""
    whole: bool = False
    """That part is all of it."""

    @property
    def said(self) -> Message:
        """Kind and content."""
        return message("verify.line", kind=self.kind, what=self.what)


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """Everything that was checked."""

    path: Path
    found: tuple[Line, ...]
    unsigned: bool = False
    """It is a PDF, and nobody signed it."""

    @property
    def outcome(self) -> Sameness:
        """Different where anything differs; the same only where nothing was left out."""
        kinds = {line.kind for line in self.found}
        if kinds - _HARMLESS - {Kind.UNCHECKED}:
            return Sameness.DIFFERENT
        return Sameness.NOT_VERIFIED if Kind.UNCHECKED in kinds else Sameness.SAME

    @property
    def exit_code(self) -> int:
        """0 same, 1 different, 5 not verified."""
        return self.outcome.value

    @property
    def said(self) -> tuple[Message, ...]:
        """Every line; the last is the upshot."""
        return (
            *(line.said for line in self.found),
            message("error.at", where=str(self.path), what=self._upshot()),
        )

    def _upshot(self) -> Message:
        parts = tuple(dict.fromkeys(line.part for line in self.found if line.part is not None))
        match self.outcome:
            case Sameness.DIFFERENT if parts:
                return message("verify.different-and-not-verified", parts=parts)
            case Sameness.DIFFERENT:
                return message("verify.different")
            case Sameness.NOT_VERIFIED if any(line.whole for line in self.found):
                return message("verify.nothing-verified", parts=parts)
            case Sameness.NOT_VERIFIED:
                return message("verify.partly-verified", parts=parts)
        return message("verify.all-the-same-unsigned") if self.unsigned else message("verify.all-the-same")


def verify(
    path: Path,
    recompute: Recompute,
    rebuild: Rebuild | None = None,
    *,
    trusted: Sequence[Path] = (),
    branding: Path | None = None,
) -> Verified:
    """Check an archive zip or a report.pdf with sources: every checksum, every number, pages and signatures.

    ``rebuild`` renders again: by software that is the same to the last version the pages must be the same to the last
    byte, and where other software prints the same bytes they are verified, too. ``trusted`` names certificates (PEM or
    DER) whose signatures are believed; each must have signed. ``branding`` is the folder of the laboratory's own
    templates by which ``rebuild`` prints; whether they are those of then is told by their digest. Never raises for what
    is wrong with the archive: that is what the lines say. Raises ArchiveError where a certificate of ``trusted`` cannot
    be read.
    """
    certificates(trusted)
    try:
        with open_archive(path) as archive:
            return _verified(archive, recompute, rebuild, trusted, versions(branding))
    except (NoSourcesError, BoundError) as problem:
        line = replace(_unchecked(message("verify.whole-document"), problem.said), whole=True)
        return Verified(path=path, found=(line,))
    except ArchiveError as problem:
        return Verified(path=path, found=(Line(kind=Kind.DAMAGED, what=problem.said),))


def _verified(
    archive: OpenedArchive,
    recompute: Recompute,
    rebuild: Rebuild | None,
    trusted: Sequence[Path],
    now: Mapping[str, str],
) -> Verified:
    lines = [Line(kind=_KIND[problem.trouble], what=problem.what) for problem in archive.problems]
    if not lines:
        lines.append(_same(message("verify.same-checksums", files=len(archive.found))))
    changed = _changed_versions(archive, now, lines)
    _compare_numbers(archive, recompute, lines, changed)
    signatures = read_signatures(archive.path, trusted) if archive.kind == "pdf" else ()
    known = _known_names(archive)
    if known is not None:
        printed = _printed_again(archive, rebuild, lines)
        _compare_pages(archive, printed, signatures, lines, changed)
        lines += _unknown_files(archive, known | set(printed or {}), all_known=printed is not None)
    lines += [_signature_line(check) for check in signatures]
    lines += _without_signature(signatures, trusted, archive.kind)
    unsigned = archive.kind == "pdf" and not signatures
    return Verified(path=archive.path, found=tuple(lines), unsigned=unsigned)


_KIND = {
    Trouble.ALTERED: Kind.ALTERED,
    Trouble.MISSING: Kind.MISSING,
    Trouble.EXTRA: Kind.EXTRA,
    Trouble.DAMAGED: Kind.DAMAGED,
}


def _same(what: Message) -> Line:
    return Line(kind=Kind.SAME, what=what)


def _changed_versions(archive: OpenedArchive, now: Mapping[str, str], lines: list[Line]) -> frozenset[str] | None:
    """Names of software that is not the one of then; None where the archive does not say."""
    try:
        then = archive.json(VERSIONS)
    except ArchiveError:
        then = None
    if not isinstance(then, dict):
        lines.append(_unchecked(message("verify.part-software"), message("verify.no-versions", name=VERSIONS)))
        return None
    changed = [name for name in sorted({*map(str, then), *now}) if then.get(name) != now.get(name)]
    for name in changed:
        before = str(then[name]) if name in then else None
        lines.append(Line(kind=Kind.VERSION, what=_version(name, other_version(name, before, now.get(name)))))
    if BRANDING in changed and BRANDING in then and BRANDING not in now:
        lines.append(Line(kind=Kind.NOTE, what=message("verify.branding-needed")))
    return frozenset(changed)


def _version(name: str, other: Message) -> Message:
    if name in PRINTING:
        return message("verify.version-of-pages", version=other)
    return message("verify.version-of-numbers", version=other)


def _compare_numbers(
    archive: OpenedArchive, recompute: Recompute, lines: list[Line], changed: frozenset[str] | None
) -> None:
    """Recompute from the logs inside and list what differs."""
    if archive.held_elsewhere:
        what = message("verify.held-elsewhere", names=archive.held_elsewhere)
        lines.append(_unchecked(message("verify.part-numbers-and-pages"), what))
        return
    if RESULTS not in archive.found:
        lines.append(_unchecked(message("verify.part-numbers"), message("verify.no-results", name=RESULTS)))
        return
    try:
        reported = archive.json(RESULTS)
    except ArchiveError as problem:
        lines.append(Line(kind=Kind.DAMAGED, what=problem.said))
        return
    try:
        recomputed = recompute(archive.job_folder)
    except ReportError as problem:
        what = message("verify.not-recomputed", reason=all_of(problem))
        lines.append(_unchecked(message("verify.part-numbers-and-pages"), what))
        return
    differences = tuple(each for each in compare_results(reported, recomputed) if each.where != "software")
    if not differences:
        lines.append(_same(message("verify.numbers-follow")))
    lines += [Line(kind=Kind.NUMBER, what=_number(each, changed)) for each in differences[:MAX_SHOWN]]
    if len(differences) > MAX_SHOWN:
        lines.append(Line(kind=Kind.NUMBER, what=message("verify.more-numbers", more=len(differences) - MAX_SHOWN)))


def _number(difference: Difference, changed: frozenset[str] | None) -> Message:
    return message("verify.by-other-software", what=difference.said) if changed else difference.said


def _unchecked(part: Message | str, what: Message) -> Line:
    return Line(kind=Kind.UNCHECKED, what=what, part=part)


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
        lines.append(_unchecked(message("verify.part-pages"), message("verify.not-printed")))
        return None
    try:
        return rebuild(archive.job_folder)
    except ReportError as problem:
        what = message("verify.cannot-print", reason=all_of(problem))
        lines.append(_unchecked(message("verify.part-pages"), what))
        return None


def _compare_pages(
    archive: OpenedArchive,
    printed: Mapping[str, bytes] | None,
    signatures: Sequence[SignatureCheck],
    lines: list[Line],
    changed: frozenset[str] | None,
) -> None:
    """Hold the pages against what their sources print, byte by byte, and a PDF against who signed it."""
    if archive.kind == "pdf":
        _compare_pdf(archive, printed, signatures, lines, changed)
    elif printed is not None:
        _compare_files(archive, printed, lines, changed)


def _compare_files(
    archive: OpenedArchive, printed: Mapping[str, bytes], lines: list[Line], changed: frozenset[str] | None
) -> None:
    missing = sorted(name for name in printed if name not in archive.found)
    lines += [_unchecked(name, message("verify.page-missing", name=name)) for name in missing]
    differ = [name for name, page in printed.items() if archive.found.get(name, sha256(page)) != sha256(page)]
    lines += [_differs(name, changed) for name in differ]
    if not differ and not missing:
        lines.append(_same(_PRINTED_SAME))


_PRINTED_SAME = message("verify.printed-the-same")
"""Said of a zip and of a PDF alike."""


def _differs(name: str, changed: frozenset[str] | None) -> Line:
    """A page that its sources do not print today: the same software prints another, other software may."""
    if changed or changed is None:
        return _unchecked(name, message("verify.printed-otherwise-by-other-software", name=name))
    return Line(kind=Kind.PAGES, what=message("verify.printed-otherwise", name=name))


def _compare_pdf(
    archive: OpenedArchive,
    printed: Mapping[str, bytes] | None,
    signatures: Sequence[SignatureCheck],
    lines: list[Line],
    changed: frozenset[str] | None,
) -> None:
    """A PDF is what was printed, with signatures behind it and nothing else; or what somebody trusted signed."""
    page = (printed or {}).get("report.pdf", b"")
    content = archive.path.read_bytes()
    if page and content == page:
        lines.append(_same(_PRINTED_SAME))
    elif page and content.startswith(page):
        _compare_behind(archive.path, Start(revision=0, length=len(page)), signatures, lines)
    elif printed is not None and changed == frozenset():
        lines.append(_differs(archive.path.name, changed))  # whoever signed it: its own software prints other pages
    elif vouching := next((check for check in signatures if check.valid and check.trusted), None):
        lines.append(_same(message("verify.signed-by-trusted", signer=vouching.signer)))
        _compare_behind(archive.path, Start(revision=vouching.revision, length=vouching.end), (), lines)
    elif printed is not None:
        lines.append(_differs(archive.path.name, changed))


def _compare_behind(path: Path, start: Start, signatures: Sequence[SignatureCheck], lines: list[Line]) -> None:
    """Hold what stands behind the pages against what signatures need."""
    try:
        added = added_behind(path, start)
    except BoundError as problem:
        lines.append(_unchecked(message("verify.part-added"), problem.said))
        return
    except ArchiveError as problem:
        lines.append(Line(kind=Kind.PAGES, what=problem.said))
        return
    lines += [Line(kind=Kind.PAGES, what=message("verify.added", what=each)) for each in added.changes]
    lines += [_unchecked(message("verify.part-stamps"), _stamp(name)) for name in added.stamps]
    if start.revision == 0 and not signatures:
        lines.append(Line(kind=Kind.PAGES, what=message("verify.added-unsigned")))
    elif not added.changes and start.revision == 0:
        lines.append(_same(message("verify.printed-the-same-signed")))


def _stamp(name: str | None) -> Message:
    return message("verify.unnamed-stamp") if name is None else message("verify.stamp", name=name)


def _unknown_files(archive: OpenedArchive, known: set[str], *, all_known: bool) -> list[Line]:
    """Files that neither belong to the job nor are printed from it; pages are known once they were printed again."""
    left = sorted(name for name in archive.found if name not in known and (all_known or name.startswith(JOB)))
    lines = [_unchecked(plain_name(name), _unknown(name)) for name in left[:MAX_SHOWN]]
    if len(left) > MAX_SHOWN:
        part = message("verify.part-more-files", files=len(left) - MAX_SHOWN)
        lines.append(_unchecked(part, message("verify.more-unknown-files")))
    return lines


def _unknown(name: str) -> Message:
    return message("verify.unknown-file", name=plain_name(name))


def _signature_line(check: SignatureCheck) -> Line:
    if not check.valid:
        return Line(kind=Kind.SIGNATURE, what=check.said)
    if check.trusted:
        return Line(kind=Kind.NOTE, what=check.said)
    return _unchecked(message("verify.part-signer", field=check.field), check.said)


def _without_signature(signatures: Sequence[SignatureCheck], trusted: Sequence[Path], kind: str) -> list[Line]:
    """What is said where a signature is missing: any at all, or one of those that were asked for."""
    if kind != "pdf":
        unsigned = _unchecked(message("verify.part-signatures"), message("verify.zip-unsigned"))
        return [unsigned] if trusted else []
    signed = {each for check in signatures if check.valid for each in check.trusted_by}
    lines = [] if signatures else [Line(kind=Kind.NOTE, what=message("verify.pdf-unsigned"))]
    for number, path in enumerate(trusted):
        if number not in signed:
            part = message("verify.part-signature-by", name=path.name)
            lines.append(_unchecked(part, message("verify.nobody-vouched-for", path=str(path))))
    return lines
