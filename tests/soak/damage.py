"""Damage done to files: what disks, editors, spreadsheets and hands do, and what a fuzzer would."""

from __future__ import annotations

import random
import re
from collections.abc import Callable

_NUMBERS = (
    b"1e999", b"-1e999", b"nan", b"inf", b"", b"-", b"0", b"-0.0", b"1e-320", b"9" * 400, b"1.2.3", b"1,2", b"0x10",
    b"#DIV/0!", b"1e", b"true", b"\xef\xbc\x91", b"99999999999999999999", b"=1+1", b"5 g",
)  # fmt: skip
_WORDS = (
    b"", b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"\r", b"\n\n", b"\x1a", b'"', b"'", b'"""', b"[", b"[[", b"]]", b"=",
    b"<script>alert(1)</script>", b"{{ 7*7 }}", b"{% include '/etc/passwd' %}", b"../../etc/passwd", b"\xe2\x80\xae",
    b"%s%n", b";", b"\t", b",,,,,,,,", b"#", b"a" * 5000, b"[" * 3000, b"\xed\xa0\x80", b"NaN", b"\\", b"&#x0;",
)  # fmt: skip


def _place(chance: random.Random, content: bytes) -> int:
    return chance.randrange(len(content) + 1)


def _flip(chance: random.Random, content: bytes) -> bytes:
    damaged = bytearray(content)
    for _ in range(chance.choice((1, 3, 30))):
        if damaged:
            damaged[chance.randrange(len(damaged))] ^= 1 << chance.randrange(8)
    return bytes(damaged)


def _cut(chance: random.Random, content: bytes) -> bytes:
    return content[: _place(chance, content)]


def _lose(chance: random.Random, content: bytes) -> bytes:
    at = _place(chance, content)
    return content[:at] + content[at + chance.choice((1, 10, 400)) :]


def _insert(chance: random.Random, content: bytes) -> bytes:
    at = _place(chance, content)
    return content[:at] + chance.choice(_WORDS) + content[at:]


def _repeat(chance: random.Random, content: bytes) -> bytes:
    first, last = sorted((_place(chance, content), _place(chance, content)))
    return content[:last] + content[first:last] * chance.choice((1, 1, 5)) + content[last:]


def _zero(chance: random.Random, content: bytes) -> bytes:
    at = _place(chance, content)
    length = min(chance.choice((4, 64, 512)), len(content) - at)
    return content[:at] + bytes(length) + content[at + length :]


def _number(chance: random.Random, content: bytes) -> bytes:
    found = list(re.finditer(rb"-?\d+(?:[.,]\d+)?", content[:200_000]))
    if not found:
        return _flip(chance, content)
    for match in sorted(chance.sample(found, min(len(found), chance.choice((1, 1, 5)))), key=lambda m: -m.start()):
        content = content[: match.start()] + chance.choice(_NUMBERS) + content[match.end() :]
    return content


def _lines(chance: random.Random, content: bytes) -> bytes:
    lines = content.split(b"\n")
    what = chance.randrange(4)
    at = chance.randrange(len(lines))
    if what == 0:
        del lines[at]
    elif what == 1:
        lines.insert(at, chance.choice(lines))
    elif what == 2:
        other = chance.randrange(len(lines))
        lines[at], lines[other] = lines[other], lines[at]
    else:
        chance.shuffle(lines)
    return b"\n".join(lines)


def _swap_signs(chance: random.Random, content: bytes) -> bytes:
    one, other = chance.choice(
        ((b",", b"."), (b",", b";"), (b"\n", b"\r"), (b'"', b"'"), (b" ", b"\xa0"), (b"=", b":"))
    )
    return content.replace(one, other)


def _word(chance: random.Random, content: bytes) -> bytes:
    """A word of the file put in another one's place: a key that does not belong, a unit of another kind."""
    found = list(re.finditer(rb"\w+", content[:200_000]))
    if len(found) < 2:
        return _insert(chance, content)
    goal, source = chance.choice(found), chance.choice(found)
    return content[: goal.start()] + source.group() + content[goal.end() :]


def _recode(chance: random.Random, content: bytes) -> bytes:
    try:
        text = content.decode("utf-8")
        return text.encode(chance.choice(("utf-16", "utf-16-be", "utf-32", "utf-8-sig", "cp1252", "cp037")))
    except UnicodeError:
        return _flip(chance, content)


KINDS: tuple[Callable[[random.Random, bytes], bytes], ...] = (
    _flip, _cut, _lose, _insert, _repeat, _zero, _number, _lines, _swap_signs, _word, _recode,
)  # fmt: skip

LARGEST = 2_000_000
"""Bytes that a damaged file may grow to: size has tests of its own."""


def damaged(files: dict[str, bytes], seed: int) -> dict[str, bytes]:
    """The job's files with one of them damaged in one to three ways; the same seed does the same damage."""
    chance = random.Random(seed)
    name = chance.choice(sorted(files))
    content = files[name]
    for _ in range(chance.choice((1, 1, 2, 3))):
        content = chance.choice(KINDS)(chance, content)[:LARGEST]
    return {**files, name: content}
