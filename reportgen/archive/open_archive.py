"""Open an archive that anybody may have made: nothing in it is believed before it has been checked.

Two forms are read: the zip of ``bag``, and a report.pdf that carries its sources as attachments. The contents are
unpacked to a temporary folder, within limits, under the names they have in the archive; what is wrong with them is
listed and the rest is still given out, so that one damaged file does not hide the state of the others.
"""

from __future__ import annotations

import contextlib
import hashlib
import itertools
import json
import shutil
import stat
import tempfile
import zipfile
import zlib
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path, PurePosixPath
from typing import Any, BinaryIO

from reportgen.archive import bag
from reportgen.archive.bounded import bounded
from reportgen.archive.digest import BLOCK, sha256
from reportgen.archive.manifest import MANIFEST, read_manifest, safe_name
from reportgen.archive.reason import reason_of
from reportgen.errors import ArchiveError
from reportgen.records.message import Message, Value, message

MAX_FILES = 10_000
"""Files of an archive; a job of a hundred runs has some 300."""

MAX_PDF_BYTES = 1 << 30
"""Bytes of a PDF; those of a build carry inputs up to 20 MB (``sources.LARGEST_IN_PDF``)."""

MAX_TEXT_BYTES = 64 << 20
"""Largest manifest or results file that is taken into memory."""

MAX_DEPTH = 30
"""Of lists and tables in a JSON file; results.json has 8."""

HELD_ELSEWHERE = "held-in-archive.txt"
"""Attachment that lists, as a manifest, the files too large to be carried by a PDF; the zip holds them."""


class Trouble(StrEnum):
    """What can be wrong with an archive."""

    ALTERED = "altered file"
    MISSING = "missing file"
    EXTRA = "extra file"
    DAMAGED = "damaged archive"


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One thing that is wrong, and with which file."""

    trouble: Trouble
    what: Message
    name: str | None = None


@dataclass(slots=True, kw_only=True)
class OpenedArchive:
    """An archive unpacked to a folder, with everything that was found wrong with it."""

    path: Path
    kind: str
    """``zip`` or ``pdf``."""
    folder: Path
    """The files, under their names in the archive."""
    found: dict[str, str] = field(default_factory=dict)
    """Name to digest of the files that are there."""
    listed: dict[str, str] = field(default_factory=dict)
    """Name to digest as the manifest has it."""
    held_elsewhere: tuple[str, ...] = ()
    problems: list[Problem] = field(default_factory=list)

    @property
    def job_folder(self) -> Path:
        """The job folder as it was when the report was made."""
        return self.folder / bag.JOB.rstrip("/")

    def text(self, name: str) -> str | None:
        """A text file of the archive, or None where it is not there or too large."""
        path = self.folder / name
        if name not in self.found or path.stat().st_size > MAX_TEXT_BYTES:
            return None
        return path.read_text(encoding="utf-8", errors="replace")

    def json(self, name: str) -> Any:
        """A JSON file of the archive. Raises ArchiveError where it is not there or is no JSON."""
        text = self.text(name)
        if text is None:
            raise ArchiveError(message("archive.missing", path=str(self.path), name=name))
        return read_json(text, f"{self.path}: {name}")

    def report(self, trouble: Trouble, what: Message, name: str | None = None) -> None:
        """Note something that is wrong."""
        self.problems.append(Problem(trouble=trouble, what=what, name=name))


def read_json(text: str, where: str) -> Any:
    """Strict JSON: no NaN, no nesting without end. Raises ArchiveError."""

    def refuse(word: str) -> None:
        raise ArchiveError(message("archive.json-number", where=where, word=word))

    try:
        value = json.loads(text, parse_constant=refuse)
    except (ValueError, RecursionError) as problem:
        raise ArchiveError(message("archive.no-json", where=where, reason=str(problem))) from problem
    if _nested_deeper(value, MAX_DEPTH):
        raise ArchiveError(message("archive.json-nested", where=where, deepest=MAX_DEPTH))
    return value


def _nested_deeper(value: Any, depth: int) -> bool:
    """Whether lists and tables lie in each other deeper than that."""
    level = [value]
    while level and depth >= 0:
        inner = (each.values() if isinstance(each, dict) else each for each in level if isinstance(each, dict | list))
        level = [each for members in inner for each in members]
        depth -= 1
    return bool(level)


class NoSourcesError(ArchiveError):
    """A PDF that carries nothing from which it could be made again."""


def _no_sources(path: Path, title: str) -> NoSourcesError:
    what: Value = message("archive.titled", path=str(path), title=title) if title else str(path)
    if names := _neighbours(path):
        return NoSourcesError(message("archive.no-sources-beside", what=what, names=names))
    return NoSourcesError(message("archive.no-sources", what=what))


def _neighbours(path: Path) -> tuple[str, ...]:
    """What can be verified instead of a summary, and lies beside it."""
    try:
        names = sorted(each.name for each in path.parent.iterdir() if each.suffix == ".zip" or _is_report(each))
    except OSError:
        return ()
    return tuple(names[:_MOST_NEIGHBOURS])


_MOST_NEIGHBOURS = 5
"""Files named as what to verify instead: a folder of reports can hold hundreds."""
_LONGEST_TITLE = 200
"""Characters of a title that are shown; anybody may have written it."""


def _is_report(path: Path) -> bool:
    return path.suffix == ".pdf" and path.stem.startswith("report")


@contextlib.contextmanager
def open_archive(path: Path) -> Iterator[OpenedArchive]:
    """Unpack and check an archive; the temporary folder is removed at the end.

    Raises ArchiveError where the file cannot be read, or is neither of the two forms, or is built to do harm.
    """
    with tempfile.TemporaryDirectory(prefix="reportgen-") as temporary:
        yield bounded(_unpack_file, path, Path(temporary))


def _unpack_file(path: Path, folder: Path) -> OpenedArchive:
    """Unpack and check, in a process that may take so long and so much. Raises ArchiveError."""
    try:
        with path.open("rb") as stream:
            return _unpack(path, stream, folder)
    except OSError as problem:
        raise ArchiveError(message("error.at", where=str(path), what=reason_of(problem))) from problem


def _unpack(path: Path, stream: BinaryIO, folder: Path) -> OpenedArchive:
    start = stream.read(1024)
    stream.seek(0)
    if b"%PDF-" in start:
        archive = OpenedArchive(path=path, kind="pdf", folder=folder)
        _unpack_pdf(archive)
    else:
        archive = OpenedArchive(path=path, kind="zip", folder=folder)
        _unpack_zip(archive, stream)
    _hold_against_manifest(archive)
    return archive


def _unpack_zip(archive: OpenedArchive, stream: BinaryIO) -> None:
    _check_seal(archive, stream)
    try:
        with zipfile.ZipFile(stream) as source:
            entries = source.infolist()
            base = _check_entries(archive, entries, stream.seek(0, 2))
            for entry in entries:
                _unpack_entry(archive, source, entry, base)
    except (zipfile.BadZipFile, NotImplementedError, UnicodeDecodeError, EOFError, ValueError) as problem:
        raise ArchiveError(
            message("archive.no-archive", path=str(archive.path), reason=reason_of(problem))
        ) from problem
    _check_tags(archive)


def _check_seal(archive: OpenedArchive, stream: BinaryIO) -> None:
    """Hold the digest at the end of the zip against all bytes before it."""
    end = stream.seek(0, 2) - bag.SEAL_DIGITS
    tail = b""
    if end > len(bag.SEAL):
        stream.seek(end - len(bag.SEAL))
        tail = stream.read()
    if not tail.startswith(bag.SEAL):
        archive.report(Trouble.ALTERED, message("archive.no-seal"))
    elif tail[len(bag.SEAL) :] != bag.digest_up_to(stream, end).encode():
        archive.report(Trouble.ALTERED, message("archive.broken-seal"))


def _check_entries(archive: OpenedArchive, entries: list[zipfile.ZipInfo], packed: int) -> str:
    """The name of the one folder that holds everything. Raises ArchiveError at whatever no build writes."""
    refuse = _refusal(archive.path)
    if not entries:
        refuse(message("archive.empty"))
    if len(entries) > MAX_FILES:
        refuse(message("archive.many-files", files=len(entries), most=MAX_FILES))
    total = sum(entry.file_size for entry in entries)
    if total > bag.unpacked_limit(packed):
        refuse(message("archive.zip-bomb", packed=packed, total=total))
    if total > shutil.disk_usage(archive.folder).free:
        refuse(message("archive.no-room", total=total, folder=str(archive.folder)))
    bases = {entry.filename.split("/")[0] for entry in entries}
    if len(bases) != 1:
        refuse(message("archive.several-folders", folders=len(bases)))
    if twice := [name for name, count in Counter(entry.filename for entry in entries).items() if count > 1]:
        refuse(message("archive.twice", name=twice[0]))
    for entry in entries:
        _check_entry(entry, refuse)
    _check_overlap(entries, refuse)
    return bases.pop()


def _refusal(path: Path) -> Callable[[Message], None]:
    def refuse(reason: Message) -> None:
        raise ArchiveError(message("archive.not-read", path=str(path), reason=reason))

    return refuse


def _check_entry(entry: zipfile.ZipInfo, refuse: Callable[[Message], None]) -> None:
    name = entry.filename
    if name != entry.orig_filename or not safe_name(name) or "/" not in name:
        refuse(message("archive.odd-name", name=entry.orig_filename[:_LONGEST_TITLE]))
    if entry.flag_bits & _ENCRYPTED:
        refuse(message("archive.entry-encrypted", name=name))
    if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        refuse(message("archive.other-compression", name=name))
    if stat.S_IFMT(entry.external_attr >> 16) not in (0, stat.S_IFREG):
        refuse(message("archive.entry-special", name=name))


_ENCRYPTED = 0x41
"""Flag bits 0 and 6 of an entry: encrypted, and strongly so (APPNOTE 4.4.4)."""
_LOCAL_HEADER = 30
"""Bytes before the name of an entry (APPNOTE 4.3.7)."""


def _check_overlap(entries: list[zipfile.ZipInfo], refuse: Callable[[Message], None]) -> None:
    """Two entries that share bytes are a way to make a small file unpack to a huge one."""
    ordered = sorted(entries, key=lambda entry: entry.header_offset)
    for entry, following in itertools.pairwise(ordered):
        if entry.header_offset + _LOCAL_HEADER + entry.compress_size > following.header_offset:
            refuse(message("archive.overlap", first=entry.filename, second=following.filename))


def _unpack_entry(archive: OpenedArchive, source: zipfile.ZipFile, entry: zipfile.ZipInfo, base: str) -> None:
    def content() -> Iterator[bytes]:
        with source.open(entry) as stream:
            while block := stream.read(BLOCK):
                yield block

    _unpack_one(archive, entry.filename.removeprefix(base + "/"), content(), entry.file_size)


def _unpack_one(archive: OpenedArchive, name: str, content: Iterator[bytes], limit: int) -> None:
    """Unpack one file; one that cannot be is noted as altered, and the others are still unpacked."""
    try:
        _store(archive, name, content, limit)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, ArchiveError) as problem:
        (archive.folder / name).unlink(missing_ok=True)
        what = message("archive.cannot-unpack", name=plain_name(name), reason=reason_of(problem))
        archive.report(Trouble.ALTERED, what, name)


def _store(archive: OpenedArchive, name: str, content: Iterator[bytes], limit: int) -> None:
    """Write a content to its place below the folder, counting; raises ArchiveError past ``limit`` bytes."""
    goal = archive.folder / PurePosixPath(name)
    goal.parent.mkdir(parents=True, exist_ok=True)
    digest = hashlib.sha256()
    with goal.open("xb") as stream:
        for block in content:
            limit -= len(block)
            if limit < 0:
                raise ArchiveError(message("archive.more-bytes"))
            digest.update(block)
            stream.write(block)
    archive.found[name] = digest.hexdigest()


def plain_name(name: str) -> str:
    """The name as the job or the report folder has it."""
    return name.removeprefix(bag.PAYLOAD).removeprefix(bag.JOB)


def _check_tags(archive: OpenedArchive) -> None:
    """Hold the tag files against their manifest, then lay the payload bare: ``data/`` becomes the folder."""
    tags = {name: digest for name, digest in archive.found.items() if not name.startswith(bag.PAYLOAD)}
    listed = _manifest(archive, bag.TAG_MANIFEST)
    _compare(archive, tags, {**listed, bag.TAG_MANIFEST: tags.get(bag.TAG_MANIFEST, "")})
    archive.listed = {name.removeprefix(bag.PAYLOAD): each for name, each in _manifest(archive, MANIFEST).items()}
    if (archive.folder / "bagit.txt").is_file() and archive.text("bagit.txt") != bag.DECLARATION.decode():
        archive.report(Trouble.ALTERED, message("archive.not-declared", name="bagit.txt"), "bagit.txt")
    archive.found = {
        name.removeprefix(bag.PAYLOAD): digest for name, digest in archive.found.items() if name.startswith(bag.PAYLOAD)
    }
    archive.folder /= bag.PAYLOAD.rstrip("/")


def _manifest(archive: OpenedArchive, name: str) -> dict[str, str]:
    """A manifest of the archive; empty, with the problem noted, where it is missing or spoilt."""
    text = archive.text(name)
    if text is None:
        archive.report(Trouble.MISSING, message("archive.no-manifest", name=name), name)
        return {}
    try:
        return read_manifest(text, name)
    except ArchiveError as problem:
        archive.report(Trouble.ALTERED, message("archive.spoilt", reason=reason_of(problem)), name)
        return {}


def _hold_against_manifest(archive: OpenedArchive) -> None:
    _compare(archive, archive.found, archive.listed)


def _compare(archive: OpenedArchive, found: dict[str, str], listed: dict[str, str]) -> None:
    """Note what is altered, missing or extra; what could not even be unpacked has been noted already."""
    noted = {problem.name for problem in archive.problems}
    for name in sorted(listed):
        if name in noted or bag.PAYLOAD + name in noted:
            continue
        if name not in found:
            archive.report(Trouble.MISSING, message("archive.not-there", name=plain_name(name)), name)
        elif found[name] != listed[name]:
            archive.report(Trouble.ALTERED, message("archive.other-file", name=plain_name(name)), name)
    for name in sorted(found.keys() - listed.keys()):
        if name not in noted:
            archive.report(Trouble.EXTRA, message("archive.not-listed", name=plain_name(name)), name)


def _unpack_pdf(archive: OpenedArchive) -> None:
    """Unpack the attachments of a PDF."""
    import pikepdf

    refuse = _refusal(archive.path)
    if archive.path.stat().st_size > MAX_PDF_BYTES:
        refuse(message("archive.large-pdf", most=MAX_PDF_BYTES))
    try:
        with pikepdf.open(archive.path, suppress_warnings=True) as pdf:
            if pdf.is_encrypted:
                refuse(message("archive.encrypted"))
            _note_repairs(archive, pdf)
            title = str(pdf.docinfo.get("/Title", ""))[:_LONGEST_TITLE]
            _unpack_attachments(archive, pdf, refuse)
    except (ArchiveError, OSError, MemoryError, RecursionError):
        raise
    except Exception as problem:  # whatever the PDF library trips over in a file that anybody may have made
        raise ArchiveError(message("archive.no-pdf", path=str(archive.path), reason=reason_of(problem))) from problem
    if MANIFEST not in archive.found:
        raise _no_sources(archive.path, title)
    archive.listed = _manifest(archive, MANIFEST)
    if HELD_ELSEWHERE in archive.found:
        archive.held_elsewhere = tuple(_manifest(archive, HELD_ELSEWHERE))
        archive.listed = {name: each for name, each in archive.listed.items() if name not in archive.held_elsewhere}
    del archive.found[MANIFEST]


def _note_repairs(archive: OpenedArchive, pdf: Any) -> None:
    """What had to be repaired to read the file was not written so."""
    for warning in pdf.get_warnings():
        archive.report(Trouble.DAMAGED, message("archive.repaired", reason=str(warning)))


def _unpack_attachments(archive: OpenedArchive, pdf: Any, refuse: Callable[[Message], None]) -> None:
    # The specification objects die with the Pdf: everything is taken out while it is open.
    keys = list(pdf.attachments)
    if len(keys) > MAX_FILES:
        refuse(message("archive.many-attachments", attachments=len(keys), most=MAX_FILES))
    limit = bag.unpacked_limit(archive.path.stat().st_size)
    for key in keys:
        # Their keys in the PDF are bytes of no stated encoding; the file's own name is text (ISO 32000-1, 7.11.3).
        name = pdf.attachments[key].filename
        if not safe_name(name):
            refuse(message("archive.odd-name", name=name[:_LONGEST_TITLE]))
        if name in archive.found:
            refuse(message("archive.twice", name=name))
        _unpack_one(archive, name, _attached(pdf.attachments[key].obj.EF.F), limit)
        limit -= (archive.folder / name).stat().st_size if name in archive.found else 0


def _attached(stream: Any) -> Iterator[bytes]:
    """An embedded file in pieces. Raises ArchiveError where it is packed as no build packs, or is cut."""
    filters = str(stream.get("/Filter", ""))
    if filters not in ("", "/FlateDecode") or "/DecodeParms" in stream:
        raise ArchiveError(message("archive.other-filter", filters=filters[:_LONGEST_TITLE]))
    raw = stream.read_raw_bytes()
    if not filters:
        yield raw
        return
    packed = zlib.decompressobj()
    while not packed.eof:
        block = packed.decompress(raw, BLOCK)
        raw = packed.unconsumed_tail
        if not block and not raw:
            raise ArchiveError(message("archive.cut-short"))
        yield block
    if packed.unused_data:
        raise ArchiveError(message("archive.bytes-added"))


def digest_of(path: Path) -> str:
    """SHA-256 of the archive itself. Raises ArchiveError."""
    try:
        return sha256(path)
    except OSError as problem:
        raise ArchiveError(message("error.at", where=str(path), what=reason_of(problem))) from problem
