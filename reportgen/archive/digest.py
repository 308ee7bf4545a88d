"""Digests: SHA-256 of contents that are held in memory or lie in a file, read in pieces."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

BLOCK = 1 << 20
"""Bytes read at a time."""

Content = bytes | Path
"""What a file holds: the bytes themselves, or the file they lie in."""


def blocks(content: Content) -> Iterator[bytes]:
    """The content in pieces of at most ``BLOCK`` bytes. Raises OSError."""
    if isinstance(content, bytes):
        for start in range(0, len(content), BLOCK):
            yield content[start : start + BLOCK]
        return
    with content.open("rb") as stream:
        while block := stream.read(BLOCK):
            yield block


def sha256(content: Content) -> str:
    """SHA-256 as 64 hexadecimal digits (FIPS 180-4). Raises OSError.

    >>> sha256(b"abc")  # the example of FIPS 180-4, one block
    'ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad'
    """
    digest = hashlib.sha256()
    for block in blocks(content):
        digest.update(block)
    return digest.hexdigest()


def size(content: Content) -> int:
    """Length in bytes. Raises OSError."""
    return len(content) if isinstance(content, bytes) else content.stat().st_size
