"""Large numeric variables of MAT files of version 5 to 7, unpacked in pieces and laid down once as binary.

A file is a row of elements, each a type and a length; a variable is an element of its own, compressed as a whole or
not at all, and holds its numbers column by column ("MAT-File Format", level 5, from memory; checked against files that
scipy writes). Everything but large plain matrices is left to scipy.
"""

from __future__ import annotations

import os
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import numpy as np

from reportgen.errors import ReportError
from reportgen.read.formats.recording import Rows, Spool, UnnamedFile
from reportgen.records.log import Floats
from reportgen.records.message import message

_MATRIX, _COMPRESSED = 14, 15
_COMPLEX = 0x0800
_NUMBERS = {1: "i1", 2: "u1", 3: "i2", 4: "u2", 5: "i4", 6: "u4", 7: "f4", 9: "f8", 12: "i8", 13: "u8"}
_PIECE = 1 << 20
"""Bytes read, and unpacked, at a time; a multiple of every size of number."""


class BytesOfElement:
    """Bytes of one element, unpacked where it is compressed."""

    def __init__(self, file: IO[bytes], length: int, compressed: bool) -> None:
        self._file, self._left = file, length
        self._unpack = zlib.decompressobj() if compressed else None

    def read(self, wanted: int) -> bytes:
        """So many bytes. Raises ReportError where the element ends before."""
        parts, missing = [], wanted
        while missing:
            part = self._next(missing)
            if not part:
                raise ReportError(message("record.ends-early", bytes=missing))
            parts.append(part)
            missing -= len(part)
        return b"".join(parts)

    def _next(self, most: int) -> bytes:
        if self._unpack is None:
            return self._stored(most)
        while not self._unpack.eof:
            packed = self._unpack.unconsumed_tail or self._stored(1 << 16)
            part = self._unpack.decompress(packed, most)
            if part or not packed:
                return part
        return b""

    def _stored(self, most: int) -> bytes:
        part = self._file.read(min(most, self._left))
        self._left -= len(part)
        return part


@dataclass(frozen=True, slots=True)
class _Matrix:
    """Head of a matrix whose numbers come next in its bytes."""

    name: str
    shape: tuple[int, ...]
    kind: np.dtype[np.generic]
    count: int
    plain: bool


def samples_of(path: Path, key: str) -> tuple[int, int, Rows] | None:
    """Samples, columns and rows of a matrix, time along its longer side; None where it is no plain matrix of numbers.

    Raises ReportError, zlib.error or struct.error where the file is damaged.
    """
    with path.open("rb") as file:
        head = file.read(128)
        order = {b"IM": "<", b"MI": ">"}.get(head[126:128])
        while order is not None and len(tag := file.read(8)) == 8:
            kind, length = struct.unpack(order + "II", tag)
            after = file.tell() + length
            if kind in (_MATRIX, _COMPRESSED):
                numbers = BytesOfElement(file, length, kind == _COMPRESSED)
                if kind == _COMPRESSED:
                    numbers.read(8)
                matrix = _matrix(numbers, order)
                if matrix is not None and matrix.name == key:
                    return _laid_down(matrix, numbers) if matrix.plain else None
            file.seek(after)
    return None


def _element(source: BytesOfElement, order: str) -> tuple[int, bytes]:
    """A small element whole: its type and its bytes."""
    tag = source.read(8)
    kind, length = struct.unpack(order + "II", tag)
    if kind >> 16:  # up to four bytes stand in the tag itself
        return kind & 0xFFFF, tag[4 : 4 + (kind >> 16)]
    return kind, source.read(length + -length % 8)[:length]


def _matrix(source: BytesOfElement, order: str) -> _Matrix | None:
    _, flags = _element(source, order)
    if len(flags) < 4:
        return None
    word = struct.unpack(order + "I", flags[:4])[0]
    _, sides = _element(source, order)
    shape = struct.unpack(f"{order}{len(sides) // 4}i", sides)
    name = _element(source, order)[1].decode("latin-1")
    if not 6 <= word & 0xFF <= 15:  # cells, structures, texts, sparse matrices
        return _Matrix(name, shape, np.dtype("u1"), 0, plain=False)
    kind, length = struct.unpack(order + "II", source.read(8))
    stored = np.dtype(order + _NUMBERS.get(kind, "u1"))
    whole = kind in _NUMBERS and length == int(np.prod(shape)) * stored.itemsize
    return _Matrix(name, shape, stored, length, plain=whole and len(shape) == 2 and not word & _COMPLEX)


def _numbers(matrix: _Matrix, source: BytesOfElement, piece: int) -> Iterator[Floats]:
    """The numbers as they follow each other, so many bytes at a time."""
    for begin in range(0, matrix.count, piece):
        yield np.frombuffer(source.read(min(piece, matrix.count - begin)), matrix.kind).astype(np.float64)


def _laid_down(matrix: _Matrix, source: BytesOfElement) -> tuple[int, int, Rows]:
    rows, columns = matrix.shape
    if rows >= columns:
        return rows, columns, _by_columns(_numbers(matrix, source, _PIECE), rows, columns)
    spool = Spool(rows)
    for piece in _numbers(matrix, source, rows * matrix.kind.itemsize * max(1, _PIECE // (8 * rows))):
        spool.append(piece.reshape(-1, rows))
    return columns, rows, spool.reader()


def _by_columns(pieces: Iterator[Floats], rows: int, columns: int) -> Rows:
    """One column after another in an unnamed file that vanishes with its last reader."""
    file = UnnamedFile()
    for piece in pieces:
        file.write(piece.data)
    file.flush()

    def read(start: int, stop: int) -> Floats:
        count = max(0, min(stop, rows) - start)
        found = np.empty((count, columns), order="F")
        for column in range(columns):
            raw = os.pread(file.fileno(), 8 * count, 8 * (column * rows + start))
            found[:, column] = np.frombuffer(raw, np.float64)
        return found

    return read
