"""The bytes of one whole file, where there is a file: a named pipe or a device is refused and never waited for."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from reportgen.errors import ReadError
from reportgen.records.message import Place, message


def content_of(path: Path) -> bytes:
    """All bytes of an ordinary file.

    Raises OSError where it cannot be opened, ReadError where it is a pipe, a device or a folder.
    """
    descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    with os.fdopen(descriptor, "rb") as stream:
        if not stat.S_ISREG(os.fstat(stream.fileno()).st_mode):
            raise ReadError(Place(path.name), message("file.not-ordinary"))
        return stream.read()
