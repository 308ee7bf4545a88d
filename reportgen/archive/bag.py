"""Bag: the archive, one zip in the packaging standard BagIt 1.0 (RFC 8493), the same bytes from the same contents.

Below one folder named after the report: the tag files of the standard, a README in plain words, and ``data/`` with

- ``job/``: the job file, notes, logs and photos, named as in the job folder;
- ``results.json``, ``versions.json`` and whatever was rendered.

The zip's comment ends with the SHA-256 of every byte before that value: a change that touches no file's content (a
header, a gap, a byte at the end) is found too.
"""

from __future__ import annotations

import hashlib
import re
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import BinaryIO

from reportgen.archive.digest import BLOCK, Content, blocks, sha256, size
from reportgen.archive.manifest import MANIFEST, manifest_text
from reportgen.archive.readme import README, archive_words, readme_text
from reportgen.errors import ArchiveError
from reportgen.records.message import message

PAYLOAD = "data/"
"""Folder of the payload (RFC 8493, 2.1.2)."""
JOB = "job/"
"""Folder below it with what the report was made from."""
RESULTS = "results.json"
VERSIONS = "versions.json"
TAG_MANIFEST = "tagmanifest-sha256.txt"
"""Manifest of the tag files (RFC 8493, 2.2.1)."""
DECLARATION = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
"""``bagit.txt`` (RFC 8493, 2.1.1)."""
SEAL = b"Vibration test report with its sources, BagIt 1.0. SHA-256 of all bytes before this value: "
"""Comment of the zip, before the digest that closes it."""
SEAL_DIGITS = 64
"""Of a SHA-256 in hexadecimal (FIPS 180-4)."""

_EPOCH = (1980, 1, 1, 0, 0, 0)
"""Time of every file in the zip: the first that the format knows (APPNOTE 4.4.6), so that no clock is in the bytes."""
_LEVEL = 2
"""Of deflate: six times as fast as the usual 6, and logs are only an eighth larger."""
_ALWAYS_ALLOWED = 1 << 30
"""Bytes that any archive may unpack to: they fit on every disk."""
_LARGEST_RATIO = 50
"""Of unpacked to packed bytes beyond that; text of logs is packed to a third or a tenth, a zip bomb a thousandfold."""
_COMPRESSED = (".pdf", ".png", ".jpg", ".jpeg", ".webp", ".xlsx", ".zip", ".gz")
"""Endings of files that are packed already."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ArchiveInfo:
    """What the bag says of itself (RFC 8493, 2.2.2)."""

    number: str
    revision: str
    title: str
    date: date
    laboratory: str
    customer: str
    software: str
    draft: bool = False

    @property
    def name(self) -> str:
        """Name of the folder in the zip, and of the zip without its ending.

        >>> ArchiveInfo(number="VTR/0147", revision="A", title="", date=date(2026, 3, 20), laboratory="", customer="",
        ...             software="").name
        'VTR_0147-A'
        """
        plain = re.sub(r"[^A-Za-z0-9._-]+", "_", f"{self.number}-{self.revision}").strip("._-")
        return (plain[:100] or "report") + ("-draft" if self.draft else "")


def write_archive(
    files: Mapping[str, Content],
    info: ArchiveInfo,
    stream: BinaryIO,
    *,
    expected: Mapping[str, str] | None = None,
) -> None:
    """Write the archive of ``files`` (name below ``data/`` to content) to a stream open for reading and writing.

    ``expected`` holds digests taken when the files were read: ArchiveError where one has changed since, so that the
    archive never holds other inputs than those that were computed.
    """
    digests = {name: sha256(content) for name, content in files.items()}
    _check_unchanged(digests, expected or {})
    total = sum(size(content) for content in files.values())
    contents: dict[str, Content] = {
        info.name + "/" + name: content for name, content in _tag_files(digests, total, info).items()
    }
    contents |= {f"{info.name}/{PAYLOAD}{name}": files[name] for name in sorted(files)}
    written = _write_zip(contents, stream, zipfile.ZIP_DEFLATED)
    if total > unpacked_limit(stream.seek(0, 2)):
        # So even a content (hours of an open input, say) that a reader would take for a zip bomb is never one.
        written = _write_zip(contents, stream, zipfile.ZIP_STORED)
    _check_unchanged({name: written[f"{info.name}/{PAYLOAD}{name}"] for name in files}, digests)
    _seal(stream)


def unpacked_limit(packed: int) -> int:
    """Most bytes that an archive of ``packed`` bytes may hold: what unpacks to more is taken for a zip bomb."""
    return max(_ALWAYS_ALLOWED, _LARGEST_RATIO * packed)


def _write_zip(contents: Mapping[str, Content], stream: BinaryIO, method: int) -> dict[str, str]:
    """Write the zip from the start of the stream; digests as written."""
    stream.seek(0)
    stream.truncate()
    with zipfile.ZipFile(stream, "w") as bag:
        bag.comment = SEAL + b"0" * SEAL_DIGITS
        return {name: _add(bag, name, content, method) for name, content in contents.items()}


def _check_unchanged(digests: Mapping[str, str], expected: Mapping[str, str]) -> None:
    for name, digest in expected.items():
        if digests.get(name) != digest:
            raise ArchiveError(message("archive.input-changed", path=name.removeprefix(JOB)))


def _tag_files(digests: Mapping[str, str], total: int, info: ArchiveInfo) -> dict[str, bytes]:
    """Tag files by name: declaration, information, readme, payload manifest, and the manifest of these four."""
    tags = {
        "bagit.txt": DECLARATION,
        "bag-info.txt": _information(info, total, len(digests)),
        README: readme_text(info, digests).encode(),
        MANIFEST: manifest_text({PAYLOAD + name: digest for name, digest in digests.items()}).encode(),
    }
    tags[TAG_MANIFEST] = manifest_text({name: sha256(content) for name, content in tags.items()}).encode()
    return tags


def _information(info: ArchiveInfo, total: int, count: int) -> bytes:
    """``bag-info.txt``; the date is that of the report, never that of the clock."""
    words = archive_words()
    identifier = words["draft-identifier" if info.draft else "identifier"]
    rows = (
        ("Source-Organization", info.laboratory),
        ("External-Identifier", identifier.format(number=info.number, revision=info.revision)),
        ("External-Description", info.title),
        ("Internal-Sender-Description", words["description"].format(customer=info.customer)),
        ("Bagging-Date", info.date.isoformat()),
        ("Bag-Software-Agent", info.software),
        ("Payload-Oxum", f"{total}.{count}"),
    )
    return "".join(f"{label}: {_one_line(value)}\n" for label, value in rows).encode()


def _one_line(text: str) -> str:
    """The text without line breaks or other control characters: a name must not become a line of its own."""
    return " ".join(re.sub(r"[\x00-\x1f\x7f\x85\u2028\u2029]", " ", text).split())


def _add(bag: zipfile.ZipFile, name: str, content: Content, method: int) -> str:
    """Add one file with neither time, owner nor system; its digest as written."""
    entry = zipfile.ZipInfo(name, _EPOCH)
    entry.create_system = 3
    entry.external_attr = 0o100644 << 16
    entry.compress_type = zipfile.ZIP_STORED if name.lower().endswith(_COMPRESSED) else method
    entry._compresslevel = _LEVEL  # type: ignore[attr-defined]  # the only way to set it for a streamed entry
    entry.file_size = size(content)
    digest = hashlib.sha256()
    with bag.open(entry, "w") as goal:
        for block in blocks(content):
            digest.update(block)
            goal.write(block)
    return digest.hexdigest()


def _seal(stream: BinaryIO) -> None:
    """Put the digest of all bytes before it at the end."""
    end = stream.seek(0, 2) - SEAL_DIGITS
    digest = digest_up_to(stream, end)
    stream.seek(end)
    stream.write(digest.encode())


def digest_up_to(stream: BinaryIO, end: int) -> str:
    """SHA-256 of the first ``end`` bytes."""
    stream.seek(0)
    digest = hashlib.sha256()
    while end > 0 and (block := stream.read(min(BLOCK, end))):
        digest.update(block)
        end -= len(block)
    return digest.hexdigest()


def job_name(path: str) -> str:
    """Name in the archive of a file named in the job folder."""
    return JOB + path
