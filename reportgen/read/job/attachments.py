"""Attachments of a job: PDF, pictures and text, told by their content and never by their name."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from pathlib import Path

from reportgen.errors import ReadError
from reportgen.read.content import content_of
from reportgen.read.job.job_folder import file_fault
from reportgen.read.photo_metadata import told_by
from reportgen.read.table.text_encoding import compression_of, encoding_of, looks_binary
from reportgen.records.finding import Finding, error, warning
from reportgen.records.job import Job
from reportgen.records.message import Message, Place, message

LARGEST_ATTACHMENT = 60_000_000
"""Bytes, as of a photo: some hundred scanned pages. Above, it is a mistake or an attack, and is refused unread."""

_HEAD = 8192
"""Bytes by which a file is told."""
_PDF_WITHIN = 1024
"""Bytes within which ``%PDF-`` stands (ISO 32000-1, annex H, implementation note 13; from memory)."""
_PICTURES = (
    b"\xff\xd8\xff",  # JPEG (ITU-T T.81, B.1.1.3)
    b"\x89PNG\r\n\x1a\n",
    b"GIF87a",
    b"GIF89a",
    b"BM",
    b"II*\0",  # TIFF 6.0, section 2; also the raw pictures built on it
    b"MM\0*",
    b"\x00\x00\x00\x0cjP  \r\n\x87\n",  # JPEG 2000 (ITU-T T.800, annex I)
    b"\xff\x4f\xff\x51",
)
"""How pictures begin; WebP, HEIF and AVIF say it behind the length of their first box."""
_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"mif1", b"msf1", b"avif", b"avis")
"""Of ISO/IEC 23008-12 and AVIF, behind ``ftyp``."""


def attachment_fault(folder: Path, named: Path, place: Place, *, photos: Collection[Path] = ()) -> tuple[Finding, ...]:
    """An error where a file cannot be attached: not there, outside, too large, no ordinary file, of another kind.

    Nor can one of the ``photos``: they leave without what cameras write into them, an attachment byte for byte.
    """
    what = "[[attachment]]: file"
    if fault := file_fault(folder, named, place, what, LARGEST_ATTACHMENT):
        return fault
    try:
        content = content_of(folder / named, LARGEST_ATTACHMENT)
    except ReadError as problem:
        return (error(place, message("file.of-job", what=what, file=named.as_posix(), fault=problem.what)),)
    except OSError as problem:
        trouble = message("file.not-opened", problem=problem.strerror or str(problem))
        return (error(place, message("file.of-job", what=what, file=named.as_posix(), fault=trouble)),)
    wrong = message("attachment.is-photo") if named in photos else _wrong_kind(content)
    return (
        () if wrong is None else (error(place, message("file.of-job", what=what, file=named.as_posix(), fault=wrong)),)
    )


def _wrong_kind(content: bytes) -> Message | None:
    head = content[:_HEAD]
    if not content:
        return message("attachment.empty")
    if _is_pdf(head) or is_picture(head):
        return None
    if compression_of(head) or head.startswith(b"PK\x03\x04") or looks_binary(head) or _holds_nul(head):
        return message("attachment.other-kind")
    return None


def _holds_nul(head: bytes) -> bool:
    """Whether a byte is zero that is no half of a character in UTF-16."""
    return b"\0" in head and not encoding_of(head)[0].startswith("utf-16")


def _is_pdf(head: bytes) -> bool:
    return b"%PDF-" in head[:_PDF_WITHIN]


def is_picture(head: bytes) -> bool:
    """Whether the first bytes are those of a picture."""
    webp = head[:4] == b"RIFF" and head[8:12] == b"WEBP"
    return head.startswith(_PICTURES) or webp or (head[4:8] == b"ftyp" and head[8:12] in _BRANDS)


def attachment_findings(job: Job) -> Iterator[Finding]:
    """Pictures among the attachments that tell where or by whom they were taken: they travel byte for byte."""
    for each in job.attachments:
        if attachment_fault(job.folder, each.file, each.where):
            continue
        told = told_by(content_of(job.folder / each.file, LARGEST_ATTACHMENT))
        if told:
            yield warning(each.where, message("attachment.tells", file=each.file.as_posix(), told=told))
