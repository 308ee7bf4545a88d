"""Tables of numbers, whatever way they are written: recognised by content, read in blocks, no line lost.

The bulk goes through the C parser of pandas, told everything the recognition found. Lines it cannot take are read one
by one, so that each is either a row, a remark, or a rejected line with its number and reason.
"""

from __future__ import annotations

import codecs
import os
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from itertools import chain
from pathlib import Path
from typing import BinaryIO

import numpy as np

from reportgen.errors import ReadError
from reportgen.read.job.nearest import nearest
from reportgen.read.table.spreadsheet import is_spreadsheet, sheets_of
from reportgen.read.table.table_layout import LONGEST_LINE, TableLayout, recognise_cells, recognise_text
from reportgen.read.table.table_parser import BlockParser, line_ends
from reportgen.read.table.table_rows import RowReader, TableBlock, merged
from reportgen.read.table.text_encoding import compression_of, looks_binary
from reportgen.records.message import Message, Place, message

BLOCK_BYTES = 4 << 20
"""Of text, parsed at a time."""


def recognise(path: Path, name: str, sheet: str | None = None) -> TableLayout:
    """Layout of the table in a text file or a spreadsheet; ``name`` stands in messages. Raises ReadError.

    Of a spreadsheet the sheet named is taken, else the one with most rows below a header.
    """
    with path.open("rb") as file:
        head = file.read(65_536)
    if not head.strip(b"\x00 \t\r\n\x1a\xef\xbb\xbf\xff\xfe"):
        raise ReadError(Place(name, 1), message("table.empty"))
    if not is_spreadsheet(head):
        return recognise_text(path, name)
    sheets = sheets_of(path, name)
    if sheet is not None and sheet not in sheets:
        raise ReadError(Place(name, 1), _no_sheet(sheet, tuple(sheets)))
    found = [recognise_cells(rows, each) for each, rows in sheets.items() if sheet in (None, each)]
    tables = [each for each in found if each is not None]
    if not tables:
        looked_at = tuple(sheets) if sheet is None else (sheet,)
        raise ReadError(Place(name, 1), message("table.no-rows-in-sheets", sheets=looked_at))
    return max(tables, key=lambda each: (each.names_line is not None, len(sheets[each.sheet or ""])))


def _no_sheet(sheet: str, there: tuple[str, ...]) -> Message:
    near = nearest(sheet, there)
    if near is None:
        return message("table.no-sheet", sheet=sheet, there=there)
    return message("table.no-sheet-near", sheet=sheet, near=near, there=there)


def is_table(path: Path) -> bool:
    """Whether a file can hold a table at all: text or a spreadsheet."""
    with path.open("rb") as file:
        head = file.read(65_536)
    return is_spreadsheet(head) or not looks_binary(head)


def is_compressed(path: Path) -> bool:
    """Whether a file is a compressed one, of which only what is inside can be read."""
    with path.open("rb") as file:
        return compression_of(file.read(16)) is not None


def table_blocks(
    path: Path,
    layout: TableLayout,
    columns: Sequence[int],
    words: Sequence[int] = (),
    *,
    name: str | None = None,
    block_bytes: int = BLOCK_BYTES,
) -> Iterator[TableBlock]:
    """Rows of the table piece by piece: number columns by their place from 0, and text columns where asked for.

    Every line from the first row on is accounted for: as a row, a remark, a rejected line, or blank.
    """
    if layout.sheet is not None:
        rows = sheets_of(path, name or path.name)[layout.sheet]
        yield RowReader(layout, columns, words).block([list(r) for r in rows[layout.data_line - 1 :]], layout.data_line)
        return
    parser = BlockParser(layout, columns, words)
    waiting: deque[Future[TableBlock]] = deque()
    # The C parser lets other threads run, so a second core takes the next block.
    workers = min(2, os.cpu_count() or 1)
    with ThreadPoolExecutor(workers) as pool:
        for first_line, ends, block in _text_blocks(path, layout, name or path.name, block_bytes):
            waiting.append(pool.submit(parser.parse, block, first_line, ends))
            if len(waiting) > workers:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def _text_blocks(path: Path, layout: TableLayout, name: str, size: int) -> Iterator[tuple[int, int, bytes]]:
    """Pieces of the file from the first row on, cut at line ends: the line each begins with, its line ends, itself."""
    line, to_skip = 1, layout.data_line - 1
    rest = b""
    for chunk in _chunks(path, layout, size):
        piece = rest + chunk
        end = piece.rfind(b"\n") + 1
        if end == 0 and len(piece) > max(LONGEST_LINE, size):
            raise ReadError(Place(name, line), message("table.line-too-long", bytes=len(piece)))
        piece, rest = piece[:end], piece[end:]
        piece, line, to_skip = _skipped(piece, line, to_skip)
        if piece:
            ends = line_ends(piece)
            yield line, ends, piece
            line += ends
    if rest and to_skip <= 0:
        yield line, 0, rest


def _skipped(piece: bytes, line: int, to_skip: int) -> tuple[bytes, int, int]:
    """Leave out the lines above the first row."""
    at = 0
    while to_skip > 0:
        end = piece.find(b"\n", at) + 1
        if end == 0:
            break
        at, line, to_skip = end, line + 1, to_skip - 1
    return piece[at:], line, to_skip


def _chunks(path: Path, layout: TableLayout, size: int) -> Iterator[bytes]:
    """Bytes of the file, in an encoding whose digits are those of ASCII, lines ending with a line feed."""
    with path.open("rb") as file:
        if not layout.encoding.startswith("utf-16"):
            start = 3 if file.read(3) == codecs.BOM_UTF8 else 0
            while chunk := _whole_lines(file, start, size):
                start += len(chunk)
                yield chunk.replace(b"\r", b"\n") if layout.carriage_return else chunk
            return
        decoder = codecs.getincrementaldecoder(layout.encoding)(errors="replace")
        while chunk := file.read(size):
            text = decoder.decode(chunk).removeprefix("\ufeff")
            yield (text.replace("\r", "\n") if layout.carriage_return else text).encode("utf-8")


def _whole_lines(file: BinaryIO, start: int, size: int) -> bytes:
    """About ``size`` bytes from ``start`` on, up to the end of a line where it is near."""
    file.seek(start + size)
    end = start + size + len(file.readline(LONGEST_LINE))
    file.seek(start)
    return file.read(end - start)


def read_table(
    path: Path, layout: TableLayout, columns: Sequence[int], words: Sequence[int] = (), *, name: str | None = None
) -> TableBlock:
    """The whole table at once."""
    blocks = table_blocks(path, layout, columns, words, name=name)
    first = next(blocks, None)
    if first is None:
        return TableBlock(np.empty((0, len(columns))), np.empty(0, dtype=np.int64), ((),) * len(words))
    if path.stat().st_size <= BLOCK_BYTES or words:
        return merged(first, *blocks)
    gathered = _Gathered(len(columns), rows=int(1.05 * len(first.values) * path.stat().st_size / BLOCK_BYTES))
    for block in chain([first], blocks):
        gathered.add(block)
    return gathered.block()


_NO_NUMBERS = np.empty((0, 0))


class _Gathered:
    """Blocks put into one table as they come, so that their numbers are not held twice."""

    def __init__(self, columns: int, rows: int) -> None:
        self._values = np.empty((rows, columns), order="F")
        self._rows = 0
        self._rest: list[TableBlock] = []

    def add(self, block: TableBlock) -> None:
        """Take the numbers of a block; the rest of it is small."""
        stop = self._rows + len(block.values)
        if stop > len(self._values):
            longer = np.empty((stop + len(self._values) // 2, self._values.shape[1]), order="F")
            longer[: self._rows] = self._values[: self._rows]
            self._values = longer
        self._values[self._rows : stop] = block.values
        self._rows = stop
        self._rest.append(replace(block, values=_NO_NUMBERS))

    def block(self) -> TableBlock:
        """The whole table."""
        return TableBlock(
            values=self._values[: self._rows],
            lines=np.concatenate([each.lines for each in self._rest]),
            rejected=tuple(r for each in self._rest for r in each.rejected),
            remarks=tuple(r for each in self._rest for r in each.remarks),
            no_reading=tuple(r for each in self._rest for r in each.no_reading),
        )
