"""Logs and records made by somebody who wants the program to fall over, to read without end or to say nothing."""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np

from tests.soak.small_job import sheet_log, universal_log, wave_log

Made = tuple[str, bytes]
"""Name and content of a file."""

_SIGNALS = (np.sin(np.arange(4000) / 9.0), np.cos(np.arange(4000) / 9.0))

# Dataset 58 --------------------------------------------------------------------------------------------------------


def _universal(change: Callable[[str], str]) -> Made:
    return "x.uff", change(universal_log()[1].decode()).encode("latin-1")


def _seventh(words: str) -> Made:
    sound = "         4      4000         1  0.00000E+00  1.00000E-03"
    return _universal(lambda text: text.replace(sound, words))


def _of_sets(count: int) -> Made:
    head = ["    -1", "    58", *["s"] * 5, "    1         1    0         0", f"{2:10d}{0:10d}{1:10d}", *["0"] * 4]
    return "x.uff", ("\n".join([*head, "    -1"]) + "\n").encode() * count


UNIVERSAL: dict[str, Callable[[], Made]] = {
    "values beyond the file": lambda: _seventh("         49999999999         1  0.00000E+00  1.00000E-03"),
    "no number of values": lambda: _seventh("         4       NaN         1  0.00000E+00  1.00000E-03"),
    "values without end": lambda: _seventh("         4       inf         1  0.00000E+00  1.00000E-03"),
    "no kind of data": lambda: _seventh("       NaN      4000         1  0.00000E+00  1.00000E-03"),
    "no spacing": lambda: _seventh("         4      4000       NaN  0.00000E+00  1.00000E-03"),
    "an interval that is no number": lambda: _seventh("         4      4000         1  0.00000E+00          NaN"),
    "an interval without end": lambda: _seventh("         4      4000         1  0.00000E+00          inf"),
    "an interval of nothing": lambda: _seventh("         4      4000         1  0.00000E+00  0.00000E+00"),
    "an interval below all numbers": lambda: _seventh("         4      4000         1  0.00000E+00  4.9406E-324"),
    "a start that is no number": lambda: _seventh("         4      4000         1          NaN  1.00000E-03"),
    "a node that is no number": lambda: _universal(
        lambda text: text.replace(
            "    1         1    0         0  NONE               1",
            "  NaN       NaN  NaN       NaN  NONE             inf",
        )
    ),
    "axes that are no numbers": lambda: _universal(
        lambda text: text.replace("        17    0", "       NaN    0").replace("        12    0", "       inf    0")
    ),
    "values that are no numbers": lambda: _universal(lambda text: text.replace("E-01", "E-xx")),
    "cut in a header": lambda: ("x.uff", universal_log()[1][:300]),
    "cut in a value": lambda: ("x.uff", universal_log()[1][:40_005]),
    "a line without end": lambda: ("x.uff", b"    -1\n    58\n" + b"9" * 100_000_000),
    "a value without end": lambda: _universal(
        lambda text: text.replace("\n   0.0", "\n" + "0" * 50_000_000 + "   0.0", 1)
    ),
    "a million sets": lambda: _of_sets(1_000_000),
    "marks alone": lambda: ("x.uff", b"    -1\n" * 10_000_000),
    "binary, values beyond the file": lambda: (
        "x.uff",
        universal_log()[1].replace(
            b"    58\n", b"    58b     1     2         11    4000000000     0     0           0           0\n"
        ),
    ),
}


def _deflated(head: bytes, zeros: int) -> bytes:
    """Bytes that unpack to a head and so many zeros: one packed million of them, written again and again."""
    packer = zlib.compressobj(1)
    begun = packer.compress(head) + packer.flush(zlib.Z_FULL_FLUSH)
    million = packer.compress(bytes(1_000_000)) + packer.flush(zlib.Z_FULL_FLUSH)
    return begun + million * (zeros // 1_000_000) + packer.flush()


# HDF5 --------------------------------------------------------------------------------------------------------------


def _hdf5(fill: Callable[..., object]) -> Made:
    import h5py

    stream = io.BytesIO()
    with h5py.File(stream, "w") as file:
        for name, each in zip(("control", "response"), _SIGNALS, strict=True):
            data = file.create_dataset(f"run/{name}", data=each)
            data.attrs["sample_rate"], data.attrs["unit"] = 1000.0, "g"
        fill(file)
    return "x.h5", stream.getvalue()


def _loops(file: object) -> None:
    for group in range(20):
        made = file.create_group(f"g{group}")  # type: ignore[attr-defined]
        for link in range(20):
            made[f"l{link}"] = file["/"]


def _deep(file: object) -> None:
    inner = file
    for _ in range(3000):
        inner = inner.create_group("g")  # type: ignore[attr-defined]
    inner.create_dataset("response", data=np.zeros(4000))  # type: ignore[attr-defined]


def _declared(*shape: int, **how: object) -> Callable[[object], None]:
    def fill(file: object) -> None:
        del file["run"]  # type: ignore[attr-defined]
        for name in ("control", "response"):
            data = file.create_dataset(f"run/{name}", shape, dtype="f8", **how)  # type: ignore[attr-defined]
            data.attrs["sample_rate"] = 1000.0

    return fill


def _many_sets(file: object) -> None:
    for each in range(12_000):
        file.create_dataset(f"many/{each}", data=np.zeros(2))  # type: ignore[attr-defined]


def _chunk_bomb(file: object) -> None:
    del file["run"]  # type: ignore[attr-defined]
    values = 40_000_000
    for name in ("control", "response"):
        data = file.create_dataset(f"run/{name}", (values,), dtype="f8", chunks=(values,), compression="gzip")  # type: ignore[attr-defined]
        data.attrs["sample_rate"] = 1000.0
        data.id.write_direct_chunk((0,), _deflated(b"", 8 * values))


def _names(file: object) -> None:
    data = file.create_dataset("run/\x1b[2J\nR1: pass\r\u202e", data=np.zeros(4000))  # type: ignore[attr-defined]
    data.attrs["sample_rate"], data.attrs["unit"] = 50.0, "\x1b[31mg\nR1: pass"
    file.attrs["\x1b[2J"] = "\nR1: pass"  # type: ignore[attr-defined]


def _references(file: object) -> None:
    import h5py

    cells = file.create_dataset("cells", (5000,), dtype=h5py.ref_dtype)  # type: ignore[attr-defined]
    cells[...] = [cells.ref] * 5000


def _texts_without_end(file: object) -> None:
    file["run/response"].attrs.create("unit", "g" * 60_000)
    file["run/response"].attrs.create("name", "n" * 60_000)


def _odd_rates(file: object) -> None:
    file["run/control"].attrs["sample_rate"] = np.inf
    file["run/response"].attrs["sample_rate"] = 1e-320


def _three_dimensions(file: object) -> None:
    del file["run"]  # type: ignore[attr-defined]
    file.create_dataset("run/response", (0, 1 << 40, 0), dtype="f8", maxshape=(None, None, None))  # type: ignore[attr-defined]
    file.create_dataset("run/t", (4, 1, 40), dtype="f8")  # type: ignore[attr-defined]
    file.create_dataset("run/time", (0, 40), dtype="f8", maxshape=(None, None))  # type: ignore[attr-defined]


HDF5: dict[str, Callable[[], Made]] = {
    "groups in a circle": lambda: _hdf5(_loops),
    "groups 3000 deep": lambda: _hdf5(_deep),
    "a million million samples": lambda: _hdf5(_declared(10**12, chunks=(1 << 20,), compression="gzip")),
    "a million million channels": lambda: _hdf5(_declared(10**12, 10**12, chunks=(16, 16))),
    "sides without end": lambda: _hdf5(_declared(2**40, 2**23 - 1, chunks=(16, 16))),
    "a chunk that unpacks to 320 MB": lambda: _hdf5(_chunk_bomb),
    "twelve thousand sets": lambda: _hdf5(_many_sets),
    "names that steer a terminal": lambda: _hdf5(_names),
    "cells that hold themselves": lambda: _hdf5(_references),
    "texts without end": lambda: _hdf5(_texts_without_end),
    "rates that are none": lambda: _hdf5(_odd_rates),
    "sides of nothing": lambda: _hdf5(_three_dimensions),
    "a head alone": lambda: ("x.h5", b"\x89HDF\r\n\x1a\n" + bytes(3000)),
}

# MAT 5 ("MAT-File Format", level 5, from memory; scipy reads the sound ones) -----------------------------------------


def _tagged(kind: int, content: bytes, length: int | None = None) -> bytes:
    return struct.pack("<II", kind, len(content) if length is None else length) + content + bytes(-len(content) % 8)


def _matrix(cls: int, sides: Iterable[int], name: str, rest: bytes, length: int | None = None) -> bytes:
    shape = b"".join(struct.pack("<i", each) for each in sides)
    inner = _tagged(6, struct.pack("<II", cls, 0)) + _tagged(5, shape) + _tagged(1, name.encode()) + rest
    return _tagged(14, inner, length)


_MAT_HEAD = b"MATLAB 5.0 MAT-file".ljust(124, b" ") + struct.pack("<H", 0x0100) + b"IM"
_SOUND = b"".join(
    _matrix(6, (4000, 1), name, _tagged(9, each.tobytes())) for name, each in zip(("c1", "a1"), _SIGNALS, strict=True)
) + _matrix(6, (1, 1), "fs", _tagged(9, struct.pack("<d", 1000.0)))


def _mat(*parts: bytes) -> Made:
    return "x.mat", _MAT_HEAD + b"".join(parts)


def _cells(depth: int) -> bytes:
    inner = _matrix(6, (1, 1), "", _tagged(9, bytes(8)))
    shell = _tagged(6, struct.pack("<II", 1, 0)) + _tagged(5, struct.pack("<ii", 1, 1)) + _tagged(1, b"")
    heads, length = [], len(inner)
    for _ in range(depth):
        length += len(shell) + 8
        heads.append(struct.pack("<II", 14, length - 8) + shell)
    return _matrix(1, (1, 1), "deep", b"".join(reversed(heads)) + inner)


def _bomb(cls: int, kind: int, count: int) -> bytes:
    shape = struct.pack("<II", count, 1)
    head = _tagged(6, struct.pack("<II", cls, 0)) + _tagged(5, shape) + _tagged(1, b"bomb")
    return _tagged(
        15, _deflated(struct.pack("<II", 14, len(head) + 8 + count) + head + struct.pack("<II", kind, count), count)
    )


def _name_bomb(count: int) -> bytes:
    head = _tagged(6, struct.pack("<II", 6, 0)) + _tagged(5, struct.pack("<II", 1, 1)) + struct.pack("<II", 1, count)
    return _tagged(15, _deflated(struct.pack("<II", 14, len(head) + count) + head, count))


def _in_a_cell(count: int) -> bytes:
    head = _tagged(6, struct.pack("<II", 9, 0)) + _tagged(5, struct.pack("<II", count, 1)) + _tagged(1, b"")
    inner = struct.pack("<II", 14, len(head) + 8 + count) + head + struct.pack("<II", 2, count)
    outer = _tagged(6, struct.pack("<II", 1, 0)) + _tagged(5, struct.pack("<II", 1, 1)) + _tagged(1, b"cell")
    return _tagged(15, _deflated(struct.pack("<II", 14, len(outer) + len(inner) + count) + outer + inner, count))


MAT: dict[str, Callable[[], Made]] = {
    "sides of 2^30": lambda: _mat(_matrix(6, (1 << 30, 1 << 30), "c1", _tagged(9, bytes(80)))),
    "sides below nothing": lambda: _mat(_matrix(6, (-4000, -1), "c1", _tagged(9, bytes(80))), _SOUND),
    "a length of 4 GB": lambda: _mat(_matrix(6, (4000, 1), "c1", _tagged(9, bytes(80), 0xFFFFFFFF), 0xFFFFFFF0)),
    "an element of 4 GB": lambda: _mat(_tagged(14, b"", 0xFFFFFFF8), _SOUND),
    "cells of 2^60": lambda: _mat(_matrix(1, (1 << 30, 1 << 30), "cell", b""), _SOUND),
    "a thousand million cells": lambda: _mat(_matrix(1, (1 << 30, 1), "cell", b""), _SOUND),
    "a structure of a thousand million": lambda: _mat(
        _matrix(2, (1 << 30, 1), "st", _tagged(5, struct.pack("<i", 8)) + _tagged(1, b"a".ljust(8, b"\0"))), _SOUND
    ),
    "cells 200 deep": lambda: _mat(_cells(200), _SOUND),
    "cells 10,000 deep": lambda: _mat(_cells(10_000), _SOUND),
    "cells 300,000 deep": lambda: _mat(_cells(300_000), _SOUND),
    "a variable that unpacks to 4 GB": lambda: _mat(_SOUND, _bomb(9, 2, 4_000_000_000)),
    "a name that unpacks to 4 GB": lambda: _mat(_name_bomb(4_000_000_000), _SOUND),
    "a cell that unpacks to 4 GB": lambda: _mat(_in_a_cell(4_000_000_000), _SOUND),
    "packed bytes that are none": lambda: _mat(_tagged(15, b"x" * 4000), _SOUND),
    "texts of 2^60": lambda: _mat(_matrix(4, (1 << 30, 1 << 30), "units", _tagged(4, b"g\0")), _SOUND),
    "rates that are none": lambda: _mat(
        _SOUND.replace(struct.pack("<d", 1000.0), struct.pack("<d", np.nan)),
        _matrix(6, (1, 1), "dt", _tagged(9, struct.pack("<d", 5e-324))),
    ),
    "a broken structure": lambda: _mat(_matrix(2, (1, 1), "st", _tagged(5, struct.pack("<i", -8)) + b"x" * 16), _SOUND),
    "four thousand variables of nothing": lambda: _mat(
        *[_matrix(6, (0, 0), f"v{n}", _tagged(9, b"")) for n in range(4000)]
    ),
    "version 4, sides of 2^31": lambda: (
        "x.mat",
        struct.pack("<5i", 0, 2**31 - 1, 2**31 - 1, 0, 3) + b"c1\0" + bytes(400),
    ),
}

# WAV ---------------------------------------------------------------------------------------------------------------


def _wave(
    *,
    channels: int = 2,
    rate: int = 1000,
    bits: int = 16,
    data: int | None = None,
    form: bytes | None = None,
    kind: int = 1,
) -> Made:
    samples = (np.sin(np.arange(8000) / 9.0) * 20_000).astype("<i2").tobytes()
    block = min(0xFFFF, channels * bits // 8)
    body = (
        form
        if form is not None
        else struct.pack("<HHIIHH", kind, channels, rate, (rate * block) & 0xFFFFFFFF, block, bits)
    )
    chunks = (
        b"fmt "
        + struct.pack("<I", len(body))
        + body
        + b"data"
        + struct.pack("<I", len(samples) if data is None else data)
        + samples
    )
    return "x.wav", b"RIFF" + struct.pack("<I", 4 + len(chunks)) + b"WAVE" + chunks


def _extensible(bits: int, valid: int, guid: bytes) -> bytes:
    return struct.pack("<HHIIHHHHI", 0xFFFE, 2, 1000, 4000, 4, bits, 22, valid, 3) + guid


def _rf64(frames: int) -> Made:
    body = struct.pack("<HHIIHH", 1, 2, 1000, 4000, 4, 16)
    ds64 = struct.pack("<QQQI", frames * 4 + 100, frames * 4, frames, 0)
    chunks = b"ds64" + struct.pack("<I", len(ds64)) + ds64 + b"fmt " + struct.pack("<I", 16) + body
    return "x.wav", b"RF64" + struct.pack("<I", 0xFFFFFFFF) + b"WAVE" + chunks + b"data" + struct.pack(
        "<I", 0xFFFFFFFF
    ) + bytes(4000)


_PCM = b"\x01\0\0\0\0\0\x10\0\x80\0\0\xaa\0\x38\x9b\x71"

WAVE: dict[str, Callable[[], Made]] = {
    "no samples promised": lambda: _wave(data=0),
    "2^32 bytes promised": lambda: _wave(data=0xFFFFFFFF),
    "twice the samples promised": lambda: _wave(data=32_000),
    "half of a frame": lambda: ("x.wav", _wave()[1][:-1]),
    "2^32 frames": lambda: _rf64(2**32),
    "2^62 frames": lambda: _rf64(2**61),
    "65535 channels": lambda: _wave(channels=65_535),
    "1024 channels": lambda: _wave(channels=1024),
    "no channel": lambda: _wave(channels=0),
    "a rate of nothing": lambda: _wave(rate=0),
    "a rate of 4 GHz": lambda: _wave(rate=0xFFFFFFFF),
    "no bits": lambda: _wave(bits=0),
    "65535 bits": lambda: _wave(bits=65_535),
    "a format of 12 bytes": lambda: _wave(form=struct.pack("<HHII", 1, 2, 1000, 4000)),
    "a format of nothing": lambda: _wave(form=b""),
    "an unknown format": lambda: _wave(kind=0x7777),
    "extensible": lambda: _wave(form=_extensible(16, 16, _PCM)),
    "extensible, valid bits of nothing": lambda: _wave(form=_extensible(16, 0, _PCM)),
    "extensible, unknown format": lambda: _wave(form=_extensible(16, 16, bytes(16))),
    "extensible, cut": lambda: _wave(form=_extensible(16, 16, _PCM)[:26]),
    "chunks without end": lambda: (
        "x.wav",
        b"RIFF" + struct.pack("<I", 0xFFFFFFF0) + b"WAVE" + (b"junk" + bytes(4)) * 2_000_000,
    ),
    "a chunk that leads back": lambda: (
        "x.wav",
        b"RIFF" + struct.pack("<I", 200) + b"WAVE" + b"junk" + struct.pack("<I", 0xFFFFFFF8) + wave_log()[1][12:],
    ),
    "samples that are no numbers": lambda: ("x.wav", wave_log()[1][:100] + struct.pack("<f", np.nan) * 7000),
}

# Sheets of cells -----------------------------------------------------------------------------------------------------


def resheeted(
    change: Callable[[bytes], bytes], more: dict[str, Iterable[bytes]] | None = None, drop: str = "-"
) -> bytes:
    """The small sheet log with its sheet's XML changed, and more parts."""
    source = zipfile.ZipFile(io.BytesIO(sheet_log()[1]))
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as goal:
        for name in source.namelist():
            content = source.read(name)
            if name != drop:
                goal.writestr(name, change(content) if name.endswith("sheet1.xml") else content)
        for name, pieces in (more or {}).items():
            with goal.open(name, "w", force_zip64=True) as part:
                for each in pieces:
                    part.write(each)
    return stream.getvalue()


_END = b"</sheetData>"
_SHEET = b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>'


def _behind(rows: bytes) -> Made:
    return "x.xlsx", resheeted(lambda xml: xml.replace(_END, rows + _END))


def _shared(text: int, cells: int) -> Made:
    """A text that as many cells share."""
    strings = (
        b'<sst xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><si><t>'
        + b"x" * text
        + b"</t></si></sst>"
    )
    rows = (b"<row>" + b'<c t="s"><v>0</v></c>' * 100 + b"</row>") * (cells // 100)
    source = zipfile.ZipFile(io.BytesIO(sheet_log()[1]))
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as goal:
        for name in source.namelist():
            content = source.read(name)
            if name.endswith("sheet1.xml"):
                content = _SHEET + rows + _END + b"</worksheet>"
            goal.writestr(name, strings if name.endswith("sharedStrings.xml") else content)
    return "x.xlsx", stream.getvalue()


def _lying(factor: float) -> Made:
    """Sizes of the directory that are not those of the parts."""
    content = bytearray(resheeted(lambda xml: xml))
    at = content.find(b"PK\x01\x02")
    while at >= 0:
        size = struct.unpack_from("<I", content, at + 24)[0]
        struct.pack_into("<I", content, at + 24, min(0xFFFFFFFE, int(size * factor)))
        at = content.find(b"PK\x01\x02", at + 4)
    return "x.xlsx", bytes(content)


def _lying_64() -> Made:
    """The same by a field of 64 bits that says 2^60 (APPNOTE, 4.5.3, from memory)."""
    stream = io.BytesIO()
    source = zipfile.ZipFile(io.BytesIO(sheet_log()[1]))
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as goal:
        for name in source.namelist():
            goal.writestr(name, source.read(name))
        for info in goal.infolist():
            info.file_size = 2**60
    return "x.xlsx", stream.getvalue()


def _elsewhere() -> Made:
    """The sheet lies where nobody looks for it, and unpacks without end."""
    blanks = (b" " * 1_000_000 for _ in range(600))

    def pieces() -> Iterable[bytes]:
        yield _SHEET + b"<row><c><v>1</v></c></row>"
        yield from blanks
        yield _END + b"</worksheet>"

    made = resheeted(lambda xml: xml, {"elsewhere/sheet.xml": pieces()})
    relations = zipfile.ZipFile(io.BytesIO(made)).read("xl/_rels/workbook.xml.rels")
    changed = relations.replace(b"/xl/worksheets/sheet1.xml", b"/elsewhere/sheet.xml").replace(
        b"worksheets/sheet1.xml", b"../elsewhere/sheet.xml"
    )
    stream = io.BytesIO()
    source = zipfile.ZipFile(io.BytesIO(made))
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as goal:
        for info in source.infolist():
            if info.filename == "xl/_rels/workbook.xml.rels":
                goal.writestr(info.filename, changed)
            else:
                with source.open(info) as part, goal.open(info.filename, "w", force_zip64=True) as copy:
                    while piece := part.read(1 << 20):
                        copy.write(piece)
    return "x.xlsx", stream.getvalue()


def _far_sheets(count: int) -> Made:
    """Many sheets, each of two cells that lie far apart."""
    rels = b"".join(
        b'<Relationship Id="s%d" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/worksheet"'
        b'Target="worksheets/s%d.xml"/>' % (n, n)
        for n in range(count)
    )
    names = b"".join(b'<sheet name="s%d" sheetId="%d" r:id="s%d"/>' % (n, n + 50, n) for n in range(count))
    far = (
        _SHEET
        + b'<row r="1"><c r="A1"><v>1</v></c></row><row r="1000000"><c r="F1000000"><v>1</v></c></row>'
        + _END
        + b"</worksheet>"
    )
    source = zipfile.ZipFile(io.BytesIO(sheet_log()[1]))
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as goal:
        for name in source.namelist():
            content = source.read(name).replace(b"</Relationships>", rels + b"</Relationships>")
            content = content.replace(b"</sheets>", names + b"</sheets>")
            content = content.replace(
                b"<workbook ",
                b'<workbook xmlns:r="http://schemas.openxmlformats.org/officeDocument/2006/relationships" ',
            )
            goal.writestr(name, content)
        for n in range(count):
            goal.writestr(f"xl/worksheets/s{n}.xml", far)
    return "x.xlsx", stream.getvalue()


SHEETS: dict[str, Callable[[], Made]] = {
    "a million columns": lambda: _behind(b"<row>" + b"<c><v>1</v></c>" * 1_000_000 + b"</row>"),
    "a column beyond the last": lambda: _behind(b'<row r="60"><c r="ZZZZZZ60"><v>1</v></c></row>'),
    "a row beyond the last": lambda: _behind(
        b'<row r="99999999999999999999"><c r="A99999999999999999999"><v>1</v></c></row>'
    ),
    "four million rows of nothing": lambda: _behind(b"<row/>" * 4_000_000),
    "rows of nothing before a wide one": lambda: _behind(
        b"<row/>" * 1_000_000 + b"<row>" + b"<c><v>1</v></c>" * 16_384 + b"</row>"
    ),
    "a text that a million cells share": lambda: _shared(100_000, 1_000_000),
    "a text of 100 MB": lambda: _shared(100_000_000, 1000),
    "texts 100,000 deep": lambda: _behind(b"<row><c t='inlineStr'>" + b"<is>" * 100_000 + b"</c></row>"),
    "sizes that are too small": lambda: _lying(0.1),
    "sizes that are too large": lambda: _lying(1e6),
    "sizes of 2^60": _lying_64,
    "a sheet elsewhere that unpacks to 600 MB": _elsewhere,
    "a hundred sheets of far cells": lambda: _far_sheets(100),
    "no sheet at all": lambda: ("x.xlsx", resheeted(lambda xml: xml, drop="xl/worksheets/sheet1.xml")),
    "a number without end": lambda: _behind(b"<row><c><v>" + b"9" * 20_000_000 + b"</v></c></row>"),
    "a date without end": lambda: _behind(
        b"<row><c t='d'><v>999999999-99-99T99:99:99</v></c><c><v>1e308</v></c></row>"
    ),
}

COLUMNS = {
    "x.uff": '[run.columns]\n"C1" = "channel 1 / g"\n"A1" = "channel 2 / g"\n',
    "x.h5": '[run.columns]\n"C1" = "run/control / g"\n"A1" = "run/response / g"\n',
    "x.mat": '[run.columns]\n"C1" = "c1 / g"\n"A1" = "a1 / g"\n',
    "x.wav": '[run.columns]\n"C1" = "channel 1 / (1 g)"\n"A1" = "channel 2 / (1 g)"\n',
    "x.xlsx": "",
}
"""What a job says of the channels of each."""

EVERY = {"universal": UNIVERSAL, "hdf5": HDF5, "mat": MAT, "wave": WAVE, "sheet": SHEETS}


def write_to(folder: Path, made: Made) -> Path:
    """The file in a folder."""
    path = folder / made[0]
    path.write_bytes(made[1])
    return path
