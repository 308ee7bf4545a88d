"""What a MAT file of version 5 to 7 claims, looked through before any of it is laid out.

scipy lays a variable out as its header says and goes into cells and structures by recursion in compiled code: a header
that claims 2^60 cells, or cells 10,000 deep, ends the whole process. Here the heads alone are gone through, in pieces
and without recursion ("MAT-File Format", level 5, from memory; checked against files that scipy writes).
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass, field
from math import prod
from pathlib import Path

from reportgen.errors import ReadError, ReportError
from reportgen.read.formats.mat_pieces import BytesOfElement
from reportgen.read.formats.mat_tree import DEEPEST, MOST_LEAVES
from reportgen.records.message import Message, Place, message

_MATRIX, _COMPRESSED = 14, 15
_CELL, _STRUCTURE, _OBJECT, _TEXT = 1, 2, 3, 4
"""Types of data, and classes of arrays, by their numbers in the format."""
_LARGEST_HELD = 256 << 20
"""Bytes of a cell array, structure or text, unpacked: it is held in memory whole, with its parts."""
_LARGEST_HEAD = 1 << 16
"""Bytes of a name, of a list of sides or of names of fields."""
_BOMB_BYTES, _BOMB_RATIO = 256 << 20, 200
"""A variable larger than that, packed more than that many times, is no recording: noise of the last bit alone keeps
samples above a tenth of their size."""
_PIECE = 1 << 20
"""Bytes passed over at once."""


@dataclass(slots=True)
class Claims:
    """Variables that are not opened, by name, with the reason."""

    refused: dict[str, Message] = field(default_factory=dict)


class _Claim(Exception):
    """A claim that the element cannot keep."""

    def __init__(self, what: Message) -> None:
        super().__init__()
        self.what = what


def claims_of(path: Path, name: str) -> Claims:
    """Which variables of a file must not be opened. Raises ReadError where a head itself has no end."""
    found = Claims()
    with path.open("rb") as file:
        head = file.read(128)
        order = {b"IM": "<", b"MI": ">"}.get(head[126:128]) if head[:19] == b"MATLAB 5.0 MAT-file" else None
        while order is not None and len(tag := file.read(8)) == 8:
            kind, length = struct.unpack(order + "II", tag)
            after = file.tell() + length
            if kind in (_MATRIX, _COMPRESSED):
                source = BytesOfElement(file, length, kind == _COMPRESSED)
                try:
                    held = struct.unpack(order + "II", source.read(8))[1] if kind == _COMPRESSED else length
                    _Look(source, order, found).top(held, length)
                except _Claim as claim:
                    raise ReadError(Place(name), claim.what) from None
                except (ReportError, zlib.error, struct.error):
                    return found  # the file ends here, which is told by who reads the variables
            file.seek(after)
    return found


@dataclass(frozen=True, slots=True)
class _Head:
    kind: int
    shape: tuple[int, ...]
    name: str


class _Look:
    """One variable, gone through by its heads."""

    def __init__(self, source: BytesOfElement, order: str, found: Claims) -> None:
        self._source, self._order, self._found, self._at = source, order, found, 0

    def top(self, length: int, stored: int) -> None:
        """A variable of that many bytes, of which so many are stored."""
        head = self._head()
        fault = None
        if length > _BOMB_BYTES and length > _BOMB_RATIO * stored:
            fault = message("mat.unpacks", variable=head.name[:_SHOWN], bytes=length, stored=stored)
        elif head.kind in (_CELL, _STRUCTURE, _OBJECT, _TEXT):
            fault = self._fault_of(head, length)
        if fault is not None:
            self._found.refused[head.name] = fault

    def _fault_of(self, head: _Head, length: int) -> Message | None:
        shown = head.name[:_SHOWN]
        if length > _LARGEST_HELD:
            return message("mat.large-cells", variable=shown, bytes=length, most=_LARGEST_HELD)
        try:
            self._inside(head, length)
        except _Claim as claim:
            return message("mat.claim", variable=shown, what=claim.what)
        return None

    def _inside(self, head: _Head, length: int) -> None:
        """Everything in a cell array or structure. Raises _Claim."""
        ends, seen = [length], 0
        self._room(head, length - self._at)
        while ends:
            if self._at >= ends[-1]:
                ends.pop()
                continue
            seen += 1
            kind, size = self._tag()
            start = self._at
            if seen > MOST_LEAVES:
                raise _Claim(message("mat.many", most=MOST_LEAVES))
            if start + size > ends[-1]:
                raise _Claim(message("mat.beyond", bytes=size))
            inner = self._head() if kind == _MATRIX and size else None
            if inner is not None and inner.kind in (_CELL, _STRUCTURE, _OBJECT):
                if len(ends) > DEEPEST:
                    raise _Claim(message("mat.deep", most=DEEPEST))
                ends.append(start + size)
                self._room(inner, start + size - self._at)
                continue
            if inner is not None and inner.kind == _TEXT:
                self._room(inner, start + size - self._at)
            self._skip(start + size - self._at)
            if kind != _MATRIX:
                self._skip(-size % 8)

    def _room(self, head: _Head, left: int) -> None:
        """Whether so many elements can stand in the bytes that are left: 8 for a cell, 1 for a character."""
        if prod(head.shape) * (1 if head.kind == _TEXT else 8) > left or min(head.shape, default=0) < 0:
            raise _Claim(message("mat.sides", sides=tuple(map(str, head.shape)), bytes=left))

    def _tag(self) -> tuple[int, int]:
        """Type and bytes that follow; none where they stand in the tag itself."""
        kind, length = struct.unpack(self._order + "II", self._read(8))
        return (kind & 0xFFFF, 0) if kind >> 16 else (kind, length)

    def _head(self) -> _Head:
        """Raises _Claim where a part of it has no end."""
        flags, sides, name = (self._small() for _ in range(3))
        kind = struct.unpack(self._order + "I", flags[:4])[0] & 0xFF
        shape = struct.unpack(f"{self._order}{len(sides) // 4}i", sides[: len(sides) // 4 * 4])
        return _Head(kind, shape, name.decode("latin-1"))

    def _small(self) -> bytes:
        tag = self._read(8)
        kind, length = struct.unpack(self._order + "II", tag)
        if kind >> 16:
            return tag[4 : 4 + (kind >> 16)]
        if length > _LARGEST_HEAD:
            raise _Claim(message("mat.head", bytes=length, most=_LARGEST_HEAD))
        return self._read(length + -length % 8)[:length]

    def _read(self, wanted: int) -> bytes:
        self._at += wanted
        return self._source.read(wanted)

    def _skip(self, wanted: int) -> None:
        while wanted > 0:
            wanted -= len(self._read(min(wanted, _PIECE)))


_SHOWN = 63
"""Characters of a name of a variable, as many as one may have."""
