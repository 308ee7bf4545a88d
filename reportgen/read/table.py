"""Tables of numbers, whatever way they are written: recognised by content, read in blocks, no line lost.

The bulk goes through the C parser of pandas, told everything the recognition found. Lines it cannot take are read one
by one, so that each is either a row, a remark, or a rejected line with its number and reason.
"""

from __future__ import annotations

import codecs
import csv
import io
import os
import re
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from reportgen.errors import ReadError
from reportgen.read.spreadsheet import is_spreadsheet, sheets_of
from reportgen.read.table_layout import (
    COMMENT,
    DELIMITER_NAMES,
    LONGEST_LINE,
    NO_READING,
    TableLayout,
    is_no_reading,
    is_rule,
    looks_binary,
    number_in,
    recognise_cells,
    recognise_text,
    split_line,
)
from reportgen.records.log import Floats

BLOCK_BYTES = 8 << 20
"""Of text, parsed at a time."""

_COMMENT_LINES = re.compile(
    rb"^[ \t\"]*#(?!N/A|NA\b|NV\b|DIV/0!|VALUE!|WERT!|NUM!|ZAHL!|REF!)[^\n]*", re.MULTILINE | re.IGNORECASE
)
_NO_READING_WORDS = sorted({each for word in NO_READING for each in (word, word.upper(), word.capitalize())} - {""})


@dataclass(frozen=True, slots=True)
class Rejected:
    """A line that is no row, and why."""

    line: int
    text: str
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class TableBlock:
    """Rows of one piece of a table, in the order of the file."""

    values: Floats
    """Shape (rows, columns asked for); NaN where the cell says that there is no reading."""
    lines: NDArray[np.int64]
    """File line of each row, shape (rows,)."""
    words: tuple[tuple[str, ...], ...] = ()
    """Of each text column asked for, one word a row."""
    rejected: tuple[Rejected, ...] = ()
    remarks: tuple[tuple[int, str], ...] = ()
    """Remark lines and repeated headers, with their lines."""
    no_reading: tuple[tuple[int, int, str], ...] = ()
    """(line, column, word) of the first cells without a reading."""


def recognise(path: Path, name: str) -> TableLayout:
    """Layout of the table in a text file or a spreadsheet; ``name`` stands in messages. Raises ReadError."""
    with path.open("rb") as file:
        head = file.read(65_536)
    if not head.strip(b"\x00 \t\r\n\x1a\xef\xbb\xbf\xff\xfe"):
        raise ReadError(
            f"{name}:1",
            "the file is empty; expected a header such as: time [s],frequency [Hz],C1 [g],A1 [g] and rows of numbers",
        )
    if not is_spreadsheet(head):
        return recognise_text(path, name)
    found = [recognise_cells(rows, sheet) for sheet, rows in sheets_of(path, name).items()]
    tables = [each for each in found if each is not None]
    if not tables:
        raise ReadError(f"{name}:1", f"none of the {len(found)} sheets holds rows of numbers")
    return max(tables, key=lambda each: (each.names_line is not None, each.columns))


def is_table(path: Path) -> bool:
    """Whether a file can hold a table at all: text or a spreadsheet."""
    with path.open("rb") as file:
        head = file.read(65_536)
    return is_spreadsheet(head) or not looks_binary(head)


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
        yield _Lines(layout, columns, words).block([list(r) for r in rows[layout.data_line - 1 :]], layout.data_line)
        return
    parser = _BlockParser(layout, columns, words)
    waiting: deque[Future[TableBlock]] = deque()
    # The C parser lets other threads run, so a second core takes the next block.
    workers = min(2, os.cpu_count() or 1)
    with ThreadPoolExecutor(workers) as pool:
        for first_line, block in _text_blocks(path, layout, name or path.name, block_bytes):
            waiting.append(pool.submit(parser.parse, block, first_line))
            if len(waiting) > workers:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def _text_blocks(path: Path, layout: TableLayout, name: str, size: int) -> Iterator[tuple[int, bytes]]:
    """Pieces of the file from the first row on, cut at line ends, with the line each begins with."""
    line, to_skip = 1, layout.data_line - 1
    rest = b""
    for chunk in _chunks(path, layout, size):
        piece = rest + chunk
        end = piece.rfind(b"\n") + 1
        if end == 0 and len(piece) > max(LONGEST_LINE, size):
            raise ReadError(f"{name}:{line}", f"the line has more than {len(piece)} bytes; it is no row of a table")
        piece, rest = piece[:end], piece[end:]
        piece, line, to_skip = _skipped(piece, line, to_skip)
        if piece:
            yield line, piece
            line += _line_ends(piece)
    if rest and to_skip <= 0:
        yield line, rest


def _line_ends(block: bytes) -> int:
    return int(np.count_nonzero(np.frombuffer(block, dtype=np.uint8) == 10))


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
            if file.read(3) != codecs.BOM_UTF8:
                file.seek(0)
            while chunk := file.read(size):
                if layout.carriage_return:
                    yield chunk.replace(b"\r", b"\n")
                else:
                    yield chunk + file.readline(LONGEST_LINE)  # whole lines, without another copy
            return
        decoder = codecs.getincrementaldecoder(layout.encoding)(errors="replace")
        while chunk := file.read(size):
            text = decoder.decode(chunk).removeprefix("\ufeff")
            yield (text.replace("\r", "\n") if layout.carriage_return else text).encode("utf-8")


def decoded(line: bytes) -> str:
    """A line's text: UTF-8, else Windows-1252."""
    try:
        return line.decode("utf-8")
    except UnicodeDecodeError:
        return line.decode("cp1252", errors="replace")


@dataclass(slots=True)
class _Lines:
    """Lines read one by one: the careful way."""

    layout: TableLayout
    columns: Sequence[int]
    words: Sequence[int] = ()
    headers: frozenset[tuple[str, ...]] = field(init=False)

    def __post_init__(self) -> None:
        both = (self.layout.names, self.layout.units)
        self.headers = frozenset(tuple(c.casefold() for c in row) for row in both if any(row))

    def is_header(self, cells: Sequence[str]) -> bool:
        padded = [*cells, *[""] * (self.layout.columns - len(cells))]
        return tuple(cell.casefold() for cell in padded[: self.layout.columns]) in self.headers

    def row(self, cells: list[str]) -> list[float] | str:
        """Numbers of the columns asked for, or why the cells are no row."""
        columns = self.layout.columns
        while len(cells) > columns and not cells[-1]:
            cells = cells[:-1]
        if len(cells) != columns and not (len(cells) == columns - 1 and not self.layout.filled[-1]):
            return f"has {len(cells)} columns where {columns} are expected"
        numbers = []
        for column in self.columns:
            cell = cells[column] if column < len(cells) else ""
            number = float("nan") if is_no_reading(cell) else number_in(cell, self.layout.decimal)
            if number is None:
                return f"{cell[:40]!r} in column {self.title(column)} is not a number"
            numbers.append(number)
        return numbers

    def title(self, column: int) -> str:
        return repr(self.layout.names[column]) if self.layout.names[column] else str(column + 1)

    def block(self, rows: Sequence[list[str]], first_line: int) -> TableBlock:
        """All rows of a sheet of cells."""
        sink = _Sink(self)
        for line, cells in enumerate(rows, start=first_line):
            if any(cells):
                sink.take(line, cells, "; ".join(cells).rstrip("; "))
        return sink.block()


@dataclass(slots=True)
class _Sink:
    """What single lines turn out to be."""

    lines: _Lines
    numbers: list[list[float]] = field(default_factory=list)
    places: list[int] = field(default_factory=list)
    texts: list[tuple[str, ...]] = field(default_factory=list)
    rejected: list[Rejected] = field(default_factory=list)
    remarks: list[tuple[int, str]] = field(default_factory=list)
    no_reading: list[tuple[int, int, str]] = field(default_factory=list)

    def take(self, line: int, cells: list[str], text: str) -> None:
        if COMMENT.match(text) or self.lines.is_header(cells):
            self.remarks.append((line, text.strip()))
            return
        row = self.lines.row(cells)
        if isinstance(row, str):
            self.rejected.append(Rejected(line, text.strip()[:200], row))
            return
        self.numbers.append(row)
        self.places.append(line)
        self.texts.append(tuple(cells[each] if each < len(cells) else "" for each in self.lines.words))
        self.no_reading += [
            (line, column, cells[column] if column < len(cells) else "")
            for column, number in zip(self.lines.columns, row, strict=True)
            if number != number
        ]

    def block(self) -> TableBlock:
        return TableBlock(
            values=np.array(self.numbers, dtype=np.float64).reshape(len(self.numbers), len(self.lines.columns)),
            lines=np.array(self.places, dtype=np.int64),
            words=tuple(zip(*self.texts, strict=True)) if self.texts else ((),) * len(self.lines.words),
            rejected=tuple(self.rejected),
            remarks=tuple(self.remarks),
            no_reading=tuple(self.no_reading),
        )


class _BlockParser:
    """Blocks of text through the C parser; only the lines it cannot take one by one."""

    def __init__(self, layout: TableLayout, columns: Sequence[int], words: Sequence[int]) -> None:
        self._layout = layout
        self._columns = list(columns)
        self._words = list(words)
        self._careful = _Lines(layout, columns, words)
        self._every = len({*columns, *words}) == layout.columns
        self._thousands: str | None = None
        other = "," if layout.decimal == "." else "."
        grouped = re.escape(other) + r"\d{3}" + re.escape(layout.decimal)
        # In a table parted by that very sign, a grouped number cannot be told from two cells.
        self._grouped = None if layout.delimiter == other else re.compile(grouped.encode())
        plain = '0-9+\\-.,eE\r\n "' + re.escape(layout.delimiter)
        self._odd = re.compile(f"[^{plain}]".encode())

    def parse(self, block: bytes, first_line: int) -> TableBlock:
        """Rows of one block of whole lines that begins with a line of the file."""
        remarks: list[tuple[int, str]] = []
        if b"#" in block:
            block, remarks = _without_remarks(block, first_line)
        result = self._fast(block, first_line)
        if result is None and self._thousands is None and self._grouped is not None and self._grouped.search(block):
            self._thousands = "," if self._layout.decimal == "." else "."
            result = self._fast(block, first_line)
        if result is None:
            result = self._fast_around_odd_lines(block, first_line)
        if result is None:
            result = self._halved(block, first_line)
        return replace(result, remarks=tuple(sorted([*remarks, *result.remarks])))

    @cached_property
    def _options(self) -> dict[str, object]:
        layout = self._layout
        asked = sorted({*self._columns, *self._words})
        names = list(range(layout.columns))
        if not self._every:
            # One column more than there are: a row that is too long shows in it.
            names, asked = [*names, layout.columns], [*asked, layout.columns]
        return {
            "header": None,
            "names": names,
            "usecols": None if self._every else asked,
            "index_col": False,
            "sep": r"\s+" if layout.delimiter == " " else layout.delimiter,
            "decimal": layout.decimal,
            "quoting": csv.QUOTE_MINIMAL if layout.quoted else csv.QUOTE_NONE,
            "skip_blank_lines": False,
            "na_values": _NO_READING_WORDS,
            "dtype": {i: str if i in self._words else np.float64 for i in asked},
            "engine": "c",
        }

    def _fast(self, block: bytes, first_line: int) -> TableBlock | None:
        """The whole block by the C parser, or None where one of its lines is not as told."""
        import pandas as pd

        count = _line_ends(block) + (not block.endswith(b"\n"))
        if self._too_long(block, count):
            return None
        try:
            frame = pd.read_csv(io.BytesIO(block), thousands=self._thousands, **self._options)  # type: ignore[call-overload]
        except (ValueError, OverflowError, pd.errors.ParserError):
            return None
        if len(frame) != count:
            return None
        return self._checked(frame, block, first_line)

    def _too_long(self, block: bytes, count: int) -> bool:
        """Whether the C parser would drop cells without a word: of a first row, or where columns are picked."""
        layout = self._layout
        first = split_line(decoded(block[: block.find(b"\n") + 1 or len(block)]), layout.delimiter, layout.quoted)
        if len(first) > layout.columns:
            return True
        if self._every or layout.delimiter == " " or layout.quoted:
            return False
        delimiters = np.count_nonzero(np.frombuffer(block, dtype=np.uint8) == ord(layout.delimiter))
        return bool(delimiters > count * (layout.columns - 1))

    def _checked(self, frame: object, block: bytes, first_line: int) -> TableBlock | None:
        """Rows of a parsed block; lines with a gap are looked at again, since a short row shows as one."""
        import pandas as pd

        assert isinstance(frame, pd.DataFrame)
        values = np.empty((len(frame), len(self._columns)), order="F")
        for place, column in enumerate(self._columns):
            values[:, place] = frame[column].to_numpy()
        gaps = np.zeros(len(frame), dtype=bool)
        if not np.isfinite(values.sum()):
            gaps |= ~np.isfinite(values).all(axis=1)
        if not self._every:
            gaps |= frame[self._layout.columns].notna().to_numpy()
        lines = np.arange(first_line, first_line + len(frame), dtype=np.int64)
        words = tuple(tuple(frame[i].fillna("").astype(str)) for i in self._words)
        if not gaps.any():
            return TableBlock(values, lines, words)
        written = block.split(b"\n")
        sink = _Sink(self._careful)
        for place in np.flatnonzero(gaps).tolist():
            self._take(sink, first_line + place, written[place])
        return _merged(TableBlock(values[~gaps], lines[~gaps], _picked(words, ~gaps)), sink.block())

    def _take(self, sink: _Sink, line: int, written: bytes) -> None:
        text = decoded(written).rstrip("\r")
        if not text.strip("\x00 \t\x1a") and "\x00" in text:
            reason = f"holds {len(text)} zero bytes, as after a crash"
            sink.rejected.append(Rejected(line, "", reason))
        elif not is_rule(text):
            sink.take(line, split_line(text, self._layout.delimiter, self._layout.quoted), text)

    def _fast_around_odd_lines(self, block: bytes, first_line: int) -> TableBlock | None:
        """Lines with letters or other signs one by one, the rest by the C parser."""
        written = block.split(b"\n")
        odd = [i for i, line in enumerate(written) if self._odd.search(line)]
        if not odd:
            return None
        sink = _Sink(self._careful)
        for i in odd:
            self._take(sink, first_line + i, written[i])
            written[i] = b""
        rest = self._fast(b"\n".join(written), first_line)
        return None if rest is None else _merged(rest, sink.block())

    def _halved(self, block: bytes, first_line: int) -> TableBlock:
        """Halves of the block, down to a few lines that are read one by one."""
        written = block.split(b"\n")
        if written and not written[-1]:
            written.pop()
        if len(written) <= 32:
            sink = _Sink(self._careful)
            for i, line in enumerate(written):
                self._take(sink, first_line + i, line)
            return sink.block()
        half = len(written) // 2
        pieces = (
            (b"\n".join(written[:half]) + b"\n", first_line),
            (b"\n".join(written[half:]) + b"\n", first_line + half),
        )
        parts = [self._fast(piece, line) or self._halved(piece, line) for piece, line in pieces]
        return _merged(*parts)


def _without_remarks(block: bytes, first_line: int) -> tuple[bytes, list[tuple[int, str]]]:
    """The block with its remark lines emptied, and those lines."""
    remarks = []
    line, at = first_line, 0
    for match in _COMMENT_LINES.finditer(block):
        line += block.count(b"\n", at, match.start())
        at = match.start()
        remarks.append((line, decoded(match.group()).strip()))
    return (_COMMENT_LINES.sub(b"", block) if remarks else block), remarks


def _picked(words: tuple[tuple[str, ...], ...], keep: NDArray[np.bool_]) -> tuple[tuple[str, ...], ...]:
    places = np.flatnonzero(keep)
    return tuple(tuple(column[i] for i in places) for column in words)


def _merged(*blocks: TableBlock) -> TableBlock:
    """One block of several, rows in the order of their lines."""
    lines = np.concatenate([each.lines for each in blocks])
    values = np.concatenate([each.values for each in blocks])
    order: NDArray[np.int64] | slice = slice(None)
    if (np.diff(lines) < 0).any():
        order = np.argsort(lines, kind="stable")
    words = [
        tuple(np.array([word for column in columns for word in column], dtype=object)[order])
        for columns in zip(*(each.words for each in blocks), strict=True)
    ]
    return TableBlock(
        values=values[order],
        lines=lines[order],
        words=tuple(words),
        rejected=tuple(sorted((r for each in blocks for r in each.rejected), key=lambda r: r.line)),
        remarks=tuple(sorted(r for each in blocks for r in each.remarks)),
        no_reading=tuple(sorted(r for each in blocks for r in each.no_reading)),
    )


def read_table(
    path: Path, layout: TableLayout, columns: Sequence[int], words: Sequence[int] = (), *, name: str | None = None
) -> TableBlock:
    """The whole table at once."""
    blocks = list(table_blocks(path, layout, columns, words, name=name))
    if not blocks:
        return TableBlock(np.empty((0, len(columns))), np.empty(0, dtype=np.int64), ((),) * len(words))
    return blocks[0] if len(blocks) == 1 else _merged(*blocks)


def delimiter_name(layout: TableLayout) -> str:
    """The delimiter in words."""
    return DELIMITER_NAMES[layout.delimiter]
