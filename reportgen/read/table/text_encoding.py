"""Encodings of text files, told by their bytes."""

from __future__ import annotations

import codecs


def encoding_of(head: bytes) -> tuple[str, int]:
    """Encoding and length of the byte order mark; Windows-1252 where it is no Unicode.

    A guess from letter frequencies is wrong for short German and French logs, so none is made.
    """
    for mark, name in (
        (codecs.BOM_UTF8, "utf-8"),
        (codecs.BOM_UTF16_LE, "utf-16-le"),
        (codecs.BOM_UTF16_BE, "utf-16-be"),
    ):
        if head.startswith(mark):
            return name, len(mark)
    even, odd = head[0:4096:2].count(0), head[1:4096:2].count(0)
    half = max(1, len(head[:4096]) // 2)
    if odd > 0.4 * half and even < 0.1 * half:
        return "utf-16-le", 0
    if even > 0.4 * half and odd < 0.1 * half:
        return "utf-16-be", 0
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return "cp1252", 0
    return "utf-8", 0


_COMPRESSED = {
    b"\x1f\x8b": "gzip",
    b"BZh": "bzip2",
    b"\xfd7zXZ": "xz",
    b"7z\xbc\xaf": "7z",
    b"\x28\xb5\x2f\xfd": "zstd",
}


def compression_of(head: bytes) -> str | None:
    """Kind of compression by the first bytes, or None."""
    return next((kind for magic, kind in _COMPRESSED.items() if head.startswith(magic)), None)


def looks_binary(head: bytes) -> bool:
    """Whether the first bytes are no text in any of the encodings."""
    encoding, mark = encoding_of(head)
    text = head[mark : mark + 8192].decode(encoding, errors="replace").rstrip("\x00")  # left by a crash
    controls = sum(1 for c in text if (ord(c) < 32 and c not in "\t\n\r\f\x1a") or ord(c) in (0x7F, 0xFFFD))
    return controls > max(2, 0.02 * len(text))


def decoded(line: bytes) -> str:
    """A line's text: UTF-8, else Windows-1252."""
    try:
        return line.decode("utf-8")
    except UnicodeDecodeError:
        return line.decode("cp1252", errors="replace")
