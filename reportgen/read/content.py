"""The bytes of one whole file, where there is a file: a named pipe or a device is refused and never waited for."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from reportgen.errors import ReadError
from reportgen.records.message import Place, message


def content_of(path: Path, most: int | None = None) -> bytes:
    """All bytes of an ordinary file of at most so many.

    Raises OSError where it cannot be opened, ReadError where it is larger, or a pipe, a device, a socket or a folder.
    """
    descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    with os.fdopen(descriptor, "rb") as stream:
        status = os.fstat(stream.fileno())
        if not stat.S_ISREG(status.st_mode):
            raise ReadError(Place(path.name), message("file.not-ordinary"))
        if most is not None and status.st_size > most:
            raise ReadError(Place(path.name), message("file.too-large", bytes=status.st_size, most=most))
        return stream.read()
