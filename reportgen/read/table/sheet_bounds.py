"""What a spreadsheet lays out, counted before it is opened: the library that reads it lays out what is claimed.

Every part is parsed as XML, whatever its name and place: where a sheet lies is told by the file itself. A cell without
a place comes after the one before it (ECMA-376-1, 18.3.1.4 and 18.3.1.73, from memory); a text that many cells share
is written once and read once a cell.
"""

from __future__ import annotations

import re
import zipfile
from array import array
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from xml.parsers import expat

from reportgen.errors import ReadError
from reportgen.records.message import Message, Place, message

LARGEST_UNPACKED = 500_000_000
"""Bytes of all parts, and of all cells' texts written out."""
MOST_CELLS = 6_000_000
"""Of all sheets, empty ones among them: the reader lays out every cell up to the farthest."""
LAST_ROW, LAST_COLUMN = 1_048_576, 16_384
"""Of a sheet; a program that makes spreadsheets knows no further ones."""
_PIECE = 1 << 20
"""Bytes unpacked at once."""
_PLACE = re.compile(r"([A-Z]{1,3})(\d{1,7})")


class _Refusal(Exception):
    def __init__(self, what: Message, line: int = 1) -> None:
        super().__init__()
        self.what, self.line = what, line


def refuse_what_has_no_end(path: Path, name: str) -> None:
    """Raises ReadError, and what ``zipfile`` and ``zlib`` raise where a part is damaged."""
    status = path.stat()
    refusal = _refusal_of(path, (status.st_ino, status.st_size, status.st_mtime_ns, status.st_ctime_ns))
    if refusal is not None:
        raise ReadError(Place(name, refusal.line), refusal.what)


@lru_cache(maxsize=8)
def _refusal_of(path: Path, stamp: tuple[int, ...]) -> _Refusal | None:
    """Looked through once for each state of a file: a log is opened several times while it is understood."""
    with zipfile.ZipFile(path) as packed:
        entries = [each for each in packed.infolist() if not each.is_dir()]
        if "xl/workbook.xml" not in packed.namelist():
            return _Refusal(message("sheet.no-xlsx"))
        try:
            if sum(each.file_size for each in entries) > LARGEST_UNPACKED:
                return _Refusal(message("sheet.unpacks-too-large", most=LARGEST_UNPACKED))
            _Book(packed).look(entries)
        except _Refusal as refusal:
            return refusal.with_traceback(None)
        except expat.ExpatError as fault:
            return _Refusal(message("sheet.damaged", problem=str(fault)))
    return None


class _Book:
    """All parts of one spreadsheet."""

    def __init__(self, packed: zipfile.ZipFile) -> None:
        self._packed = packed
        self._left = LARGEST_UNPACKED
        self.cells = 0
        self.texts = array("Q")
        self.shared = array("Q")

    def look(self, entries: list[zipfile.ZipInfo]) -> None:
        for each in entries:
            pieces = self._pieces(each)
            first = next(pieces, b"")
            if first.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"<"):
                _Part(self).read(first, pieces)
            else:
                for _ in pieces:
                    pass
        length = len(self.texts)
        written = sum(self.texts[each] for each in self.shared if each < length)
        if written > LARGEST_UNPACKED:
            raise _Refusal(message("sheet.texts-too-large", bytes=written, most=LARGEST_UNPACKED))

    def _pieces(self, entry: zipfile.ZipInfo) -> Iterator[bytes]:
        """A part in pieces: what it promises may be less than what it holds."""
        with self._packed.open(entry) as stream:
            while piece := stream.read(_PIECE):
                self._left -= len(piece)
                if self._left < 0:
                    raise _Refusal(message("sheet.unpacks-too-large", most=LARGEST_UNPACKED))
                yield piece


class _Part:
    """One part: rows, cells and texts that it may hold."""

    def __init__(self, book: _Book) -> None:
        self._book = book
        self._row = self._column = self._rows = self._columns = self._laid = 0
        self._text: int | None = None
        self._index: list[str] | None = None
        self._is_shared = False

    def read(self, first: bytes, pieces: Iterator[bytes]) -> None:
        parser = expat.ParserCreate()
        parser.buffer_text = True
        parser.StartElementHandler, parser.EndElementHandler = self._begins, self._ends
        parser.CharacterDataHandler = self._said
        parser.EntityDeclHandler = self._entity
        parser.Parse(first, False)
        for piece in pieces:
            parser.Parse(piece, False)
        parser.Parse(b"", True)

    def _entity(self, *_: object) -> None:
        raise _Refusal(message("sheet.entities"))

    def _begins(self, tag: str, attributes: dict[str, str]) -> None:
        tag = tag.rpartition(":")[2] if ":" in tag else tag
        if tag == "c":
            self._next_cell(attributes.get("r"))
            self._is_shared = attributes.get("t") == "s"
        elif tag == "v":
            self._index = [] if self._is_shared else None
        elif tag == "row":
            self._next_row(attributes.get("r"))
        elif tag == "si":
            self._text = 0

    def _ends(self, tag: str) -> None:
        tag = tag.rpartition(":")[2] if ":" in tag else tag
        if tag == "v" and self._index is not None:
            digits = "".join(self._index).strip()
            self._book.shared.append(int(digits) if digits.isdecimal() and len(digits) < 10 else 0)
            self._index = None
        elif tag == "si":
            self._book.texts.append(self._text or 0)
            self._text = None

    def _said(self, text: str) -> None:
        if self._text is not None:
            self._text += len(text)
        elif self._index is not None and len(self._index) < 10:
            self._index.append(text[:20])

    def _next_row(self, place: str | None) -> None:
        digits = place is not None and place.isdecimal() and len(place) < 10
        self._row, self._column = int(place) if digits and place else self._row + 1, 0
        self._reach(self._row, 0)

    def _next_cell(self, place: str | None) -> None:
        found = _PLACE.fullmatch(place) if place else None
        if place and found is None:
            raise _Refusal(message("sheet.no-place", place=place[:_SHOWN]), max(self._row, 1))
        row, self._column = (int(found[2]), _column(found[1])) if found else (self._row, self._column + 1)
        self._reach(row, self._column)

    def _reach(self, row: int, column: int) -> None:
        if row <= self._rows and column <= self._columns:
            return
        if row > LAST_ROW or column > LAST_COLUMN:
            raise _Refusal(message("sheet.beyond", row=row, column=column, rows=LAST_ROW, columns=LAST_COLUMN), row)
        self._rows, self._columns = max(self._rows, row), max(self._columns, column)
        self._book.cells += self._rows * self._columns - self._laid
        self._laid = self._rows * self._columns
        if self._book.cells > MOST_CELLS:
            raise _Refusal(message("sheet.too-wide", row=self._rows, column=self._columns, most=MOST_CELLS), self._rows)


_SHOWN = 40
"""Characters shown of what is no place."""


def _column(letters: str) -> int:
    number = 0
    for letter in letters:
        number = 26 * number + ord(letter) - 64
    return number
