"""Blocks of a table's text through the C parser of pandas; only the lines it cannot take are read one by one."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from reportgen.read.table.cells import NO_READING, SPREADSHEET_ERRORS, is_rule, split_line
from reportgen.read.table.table_layout import TableLayout
from reportgen.read.table.table_rows import LineSorter, Rejected, RowReader, TableBlock, merged
from reportgen.read.table.text_encoding import decoded
from reportgen.records.message import message

_EXAMPLES = 50
"""Cells without a reading that are kept word for word, in each block."""

_COUNTED = 1 << 17
"""Bytes in which line ends are counted at a time."""
_COMMENT_LINES = re.compile(rf"^[ \t\"]*#(?!{SPREADSHEET_ERRORS})[^\n]*".encode(), re.MULTILINE | re.IGNORECASE)
_NO_READING_WORDS = sorted({each for word in NO_READING for each in (word, word.upper(), word.capitalize())} - {""})


def line_ends(block: bytes) -> int:
    """Number of line feeds."""
    signs = np.frombuffer(block, dtype=np.uint8)
    # piece by piece, so that what is compared stays in the processor's cache
    return sum(int(np.count_nonzero(signs[at : at + _COUNTED] == 10)) for at in range(0, len(signs), _COUNTED))


class BlockParser:
    """Blocks of text through the C parser; only the lines it cannot take one by one."""

    def __init__(self, layout: TableLayout, columns: Sequence[int], words: Sequence[int]) -> None:
        self._layout = layout
        self._columns = list(columns)
        self._words = list(words)
        self._careful = RowReader(layout, columns, words)
        self._every = len({*columns, *words}) == layout.columns
        self._words_for_gaps = False
        self._thousands: str | None = None
        other = "," if layout.decimal == "." else "."
        grouped = re.escape(other) + r"\d{3}" + re.escape(layout.decimal)
        # In a table parted by that very sign, a grouped number cannot be told from two cells.
        self._grouped = None if layout.delimiter == other else re.compile(grouped.encode())
        plain = '0-9+\\-.,eE\r\n "' + re.escape(layout.delimiter)
        self._odd = re.compile(f"[^{plain}]".encode())

    def parse(self, block: bytes, first_line: int, ends: int | None = None) -> TableBlock:
        """Rows of one block of whole lines that begins with a line of the file; ``ends`` is its count of line feeds."""
        remarks: list[tuple[int, str]] = []
        if b"#" in block:
            block, remarks = _without_remarks(block, first_line)
        result = self._fast(block, first_line, ends)
        if result is None and not self._words_for_gaps:
            # Looking every cell up among the words for no reading costs a sixth of the time, so only where it helps.
            self._words_for_gaps = True
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
            "dtype": {i: str if i in self._words else np.float64 for i in asked},
            "engine": "c",
            "low_memory": False,
        }

    def _fast(self, block: bytes, first_line: int, ends: int | None = None) -> TableBlock | None:
        """The whole block by the C parser, or None where one of its lines is not as told."""
        import pandas as pd

        count = (line_ends(block) if ends is None else ends) + (not block.endswith(b"\n"))
        if self._too_long(block, count):
            return None
        try:
            frame = pd.read_csv(  # type: ignore[call-overload]
                io.BytesIO(block),
                thousands=self._thousands,
                na_values=_NO_READING_WORDS if self._words_for_gaps else None,
                **self._options,
            )
        except (ValueError, OverflowError, IndexError, pd.errors.ParserError):
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
        with np.errstate(over="ignore"):
            total = values.sum()
        if not np.isfinite(total):
            gaps |= ~np.isfinite(values).all(axis=1)
        if not self._every:
            gaps |= frame[self._layout.columns].notna().to_numpy()
        lines = np.arange(first_line, first_line + len(frame), dtype=np.int64)
        words = tuple(tuple(frame[i].fillna("").astype(str)) for i in self._words)
        if not gaps.any():
            return TableBlock(values, lines, words)
        written = block.split(b"\n")
        places = [i for i in np.flatnonzero(gaps).tolist() if not self._is_whole(written[i])]
        careful = {*places, *np.flatnonzero(gaps)[:_EXAMPLES].tolist()}
        sink = LineSorter(self._careful)
        for place in sorted(careful):
            self._take(sink, first_line + place, written[place])
        values[~np.isfinite(values)] = np.nan
        keep = np.ones(len(frame), dtype=bool)
        keep[sorted(careful)] = False
        return merged(TableBlock(values[keep], lines[keep], _picked(words, keep)), sink.block())

    def _is_whole(self, written: bytes) -> bool:
        """Whether a line with a gap has as many cells as the table, and something in them."""
        layout = self._layout
        if layout.delimiter == " " or layout.quoted:
            return False
        delimiter = layout.delimiter.encode()
        return written.count(delimiter) == layout.columns - 1 and bool(written.strip(delimiter + b" \r\t"))

    def _take(self, sink: LineSorter, line: int, written: bytes) -> None:
        text = decoded(written).rstrip("\r")
        if not text.strip("\x00 \t\x1a") and "\x00" in text:
            reason = message("row.zero-bytes", bytes=len(text))
            sink.rejected.append(Rejected(line, "", reason))
        elif not is_rule(text):
            sink.take(line, split_line(text, self._layout.delimiter, self._layout.quoted), text)

    def _fast_around_odd_lines(self, block: bytes, first_line: int) -> TableBlock | None:
        """Lines with letters or other signs one by one, the rest by the C parser."""
        written = block.split(b"\n")
        odd = [i for i, line in enumerate(written) if self._odd.search(line)]
        if not odd:
            return None
        sink = LineSorter(self._careful)
        for i in odd:
            self._take(sink, first_line + i, written[i])
            written[i] = b""
        rest = self._fast(b"\n".join(written), first_line)
        return None if rest is None else merged(rest, sink.block())

    def _halved(self, block: bytes, first_line: int) -> TableBlock:
        """Halves of the block, down to a few lines that are read one by one."""
        written = block.split(b"\n")
        if written and not written[-1]:
            written.pop()
        if len(written) <= 32:
            sink = LineSorter(self._careful)
            for i, line in enumerate(written):
                self._take(sink, first_line + i, line)
            return sink.block()
        half = len(written) // 2
        pieces = (
            (b"\n".join(written[:half]) + b"\n", first_line),
            (b"\n".join(written[half:]) + b"\n", first_line + half),
        )
        parts = [self._fast(piece, line) or self._halved(piece, line) for piece, line in pieces]
        return merged(*parts)


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
