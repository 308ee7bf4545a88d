"""Terminal: text as it can safely be printed, whatever a file or a note brought along."""

from __future__ import annotations

import re
from typing import TextIO

_STEERING = re.compile(
    "[\x00-\x08\x0a-\x1f\x7f-\x9f\u00ad\u061c\u180e\u200b\u200e\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb"
    "\U000e0000-\U000e007f\ud800-\udfff]"
)
"""Controls and line ends of every kind, which move a cursor, colour a terminal, begin a line, turn the direction of
writing or are not seen; and halves of characters."""


def printable(text: object, stream: TextIO) -> str:
    r"""The text as one line: line ends, controls, and what the stream's encoding lacks, as their codes; tabs stay.

    A name in a certificate, a channel, a file cannot so begin a line that looks like one of the program's own.

    >>> import sys
    >>> printable("\x1b[2Jcleared\nR1: pass", sys.stdout)
    '\\x1b[2Jcleared\\nR1: pass'
    """
    plain = _STEERING.sub(lambda found: ascii(found.group())[1:-1], str(text))
    encoding = stream.encoding or "utf-8"
    return plain.encode(encoding, "backslashreplace").decode(encoding)
