"""Metadata of photos: where and with whose camera they were taken, and how they are taken out.

What leaves the laboratory holds the picture as it is, its way up and its colour profile; position, times, owner,
camera and preview pictures stay behind. Only whole segments are left out, the coded picture is not touched: the same
bytes come out of the same bytes, and taking out again changes nothing, so that an archive verifies.
"""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Iterator
from enum import StrEnum

from reportgen.errors import RecordError
from reportgen.records.message import message

_PNG = b"\x89PNG\r\n\x1a\n"
_JPEG = b"\xff\xd8"
_PNG_METADATA = {b"tEXt", b"zTXt", b"iTXt", b"eXIf", b"tIME"}
"""Chunks of PNG (W3C PNG, third edition, 11.3) that say something of the picture and are not part of it."""
_JPEG_KEPT_APP = {0xE0, 0xE2, 0xEE}
"""JFIF (APP0), colour profile (APP2) and the colour transform (APP14); all other APPn segments hold metadata."""
_COMMENT = 0xFE
_SCAN = 0xDA
_ALONE = {0x01, *range(0xD0, 0xD8)}
"""Markers without a length (ITU-T T.81, B.1.1.3)."""
_PROFILE = b"ICC_PROFILE\0"
_ORIENTATION = 0x0112
_GPS, _ARTIST, _COPYRIGHT, _OWNER, _SERIAL = 0x8825, 0x013B, 0x8298, 0xA430, 0xA431
"""Tags of Exif 2.32: position; who took the picture, whose it is, whose the camera is, its number."""
_EXIF = 0x8769


class Told(StrEnum):
    """What a photo tells besides its picture."""

    POSITION = "where it was taken"
    OWNER = "who took it or whose camera it was"


def told_by(content: bytes) -> tuple[Told, ...]:
    """What the metadata of a photo tell; nothing where it cannot be opened, which is said when it is drawn."""
    from PIL import Image

    try:
        with Image.open(io.BytesIO(content)) as opened:
            exif = opened.getexif()
            own, inner = dict(exif), dict(exif.get_ifd(_EXIF))
            position = bool(exif.get_ifd(_GPS))
    except (OSError, ValueError, SyntaxError, KeyError, TypeError, struct.error, Image.DecompressionBombError):
        return ()
    packets = content if b"<x:xmpmeta" in content else b""
    position = position or b"exif:GPS" in packets
    owner = any(own.get(tag) for tag in (_ARTIST, _COPYRIGHT)) or any(inner.get(tag) for tag in (_OWNER, _SERIAL))
    owner = owner or b"dc:creator" in packets
    return (*((Told.POSITION,) if position else ()), *((Told.OWNER,) if owner else ()))


def without_metadata(content: bytes) -> bytes:
    """The photo without metadata, but for its way up. Of what is neither JPEG nor PNG: the same picture as PNG.

    Raises RecordError, ValueError, OSError where the photo is damaged so that its parts cannot be told apart.
    """
    if content.startswith(_JPEG):
        return b"".join(_jpeg(content, _way_up(content)))
    if content.startswith(_PNG):
        return b"".join(_png(content, _way_up(content)))
    return _as_png(content)


def _as_png(content: bytes) -> bytes:
    """Any other format, written anew as a PNG; PNG itself is never written anew."""
    from PIL import Image, ImageOps

    with Image.open(io.BytesIO(content), formats=("WEBP", "TIFF", "BMP")) as opened:
        upright = ImageOps.exif_transpose(opened).convert("RGB")
    plain = Image.new("RGB", upright.size)
    plain.paste(upright)
    out = io.BytesIO()
    plain.save(out, format="PNG")
    return out.getvalue()


def _way_up(content: bytes) -> int:
    """Orientation as Exif has it, 2 to 8; 1, upright, where it says nothing."""
    from PIL import Image

    try:
        with Image.open(io.BytesIO(content), formats=("JPEG", "PNG")) as opened:
            found = opened.getexif().get(_ORIENTATION, 1)
    except (OSError, ValueError, SyntaxError, TypeError, struct.error, Image.DecompressionBombError):
        return 1
    return found if isinstance(found, int) and 2 <= found <= 8 else 1


def _exif(way_up: int) -> bytes:
    """An Exif block of one tag (TIFF 6.0, big-endian: one directory with one short)."""
    return b"MM\0*" + struct.pack(">IHHHIHHI", 8, 1, _ORIENTATION, 3, 1, way_up, 0, 0)


def _jpeg(content: bytes, way_up: int) -> Iterator[bytes]:
    yield _JPEG
    if way_up != 1:
        block = b"Exif\0\0" + _exif(way_up)
        yield b"\xff\xe1" + struct.pack(">H", len(block) + 2) + block
    at = 2
    while True:
        if content[at : at + 1] != b"\xff" or at + 4 > len(content):
            raise RecordError(message("photo.damaged-segments"))
        marker = content[at + 1]
        if marker == 0xFF:
            at += 1
            continue
        if marker == _SCAN:
            end = content.rfind(b"\xff\xd9")
            yield content[at : end + 2 if end > at else len(content)]  # what hangs behind the picture stays behind
            return
        end = at + 2 if marker in _ALONE else at + 2 + int(struct.unpack_from(">H", content, at + 2)[0])
        if not _tells(marker, content[at + 4 : end]):
            yield content[at:end]
        at = end


def _tells(marker: int, body: bytes) -> bool:
    """Whether a segment of a JPEG holds metadata."""
    if marker == 0xE0:
        return not body.startswith(b"JFIF\0")
    if marker == 0xE2:
        return not body.startswith(_PROFILE)
    return marker == _COMMENT or (0xE0 <= marker <= 0xEF and marker not in _JPEG_KEPT_APP)


def _png(content: bytes, way_up: int) -> Iterator[bytes]:
    yield _PNG
    at = len(_PNG)
    while at < len(content):
        if at + 12 > len(content):
            raise RecordError(message("photo.damaged-chunks"))
        length, kind = struct.unpack_from(">I4s", content, at)
        end = at + 12 + length
        if end > len(content):
            raise RecordError(message("photo.damaged-chunks"))
        if kind not in _PNG_METADATA:
            yield content[at:end]
        if kind == b"IHDR" and way_up != 1:
            body = b"eXIf" + _exif(way_up)
            yield struct.pack(">I", len(body) - 4) + body + struct.pack(">I", zlib.crc32(body))
        if kind == b"IEND":
            return
        at = end
