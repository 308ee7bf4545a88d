"""Photos made safe to embed: decoded, turned upright, scaled down and written anew without any metadata."""

from __future__ import annotations

import io
import warnings
from dataclasses import dataclass
from pathlib import Path

from PIL import Image, ImageOps, UnidentifiedImageError

from reportgen.errors import RenderError
from reportgen.records.job import Job, Photo
from reportgen.records.message import message

LARGEST_FILE = 40_000_000
LARGEST_PIXELS = 80_000_000
"""Beyond these a picture is refused, not decoded: a small file can unpack to more than memory holds."""
LONGEST_SIDE = 1600
FORMATS = ("JPEG", "PNG", "WEBP", "TIFF", "BMP")


@dataclass(frozen=True, slots=True)
class Picture:
    """A photo as embedded."""

    key: str
    caption: str
    content: bytes
    mime: str
    width: int
    height: int


def picture(job: Job, photo: Photo, key: str) -> Picture:
    """The photo, re-encoded as JPEG. Raises RenderError where it cannot be read, or is too large."""
    path = job.folder / photo.file
    try:
        content, size = reencode(path)
    except (RenderError, OSError, UnidentifiedImageError, ValueError, Image.DecompressionBombError) as error:
        reason = error.said if isinstance(error, RenderError) else str(error)
        what = message("render.photo", where=photo.where, file=str(photo.file), reason=reason)
        raise RenderError(what) from error
    return Picture(key=key, caption=photo.caption, content=content, mime="image/jpeg", width=size[0], height=size[1])


def reencode(path: Path) -> tuple[bytes, tuple[int, int]]:
    """JPEG bytes of the picture at ``path`` and its size, upright, at most 1600 px long, with no metadata.

    Raises RenderError, OSError or ValueError.
    """
    if path.stat().st_size > LARGEST_FILE:
        raise RenderError(message("render.photo-too-large", most_mb=LARGEST_FILE / 1e6))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", Image.DecompressionBombWarning)
        with Image.open(path, formats=FORMATS) as opened:
            if opened.width * opened.height > LARGEST_PIXELS:
                width, height, most = opened.width, opened.height, LARGEST_PIXELS / 1e6
                raise RenderError(message("render.photo-too-many-pixels", width=width, height=height, most=most))
            upright = ImageOps.exif_transpose(opened).convert("RGB")
    upright.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
    plain = Image.new("RGB", upright.size)
    plain.paste(upright)
    out = io.BytesIO()
    plain.save(out, format="JPEG", quality=84, optimize=False, progressive=False)
    return out.getvalue(), plain.size
