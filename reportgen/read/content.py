"""The bytes of one whole file, where there is a file: a named pipe or a device is refused and never waited for."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path


def content_of(path: Path) -> bytes:
    """All bytes of an ordinary file. Raises OSError where it cannot be opened, or is a pipe, a device or a folder."""
    descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    with os.fdopen(descriptor, "rb") as stream:
        if not stat.S_ISREG(os.fstat(stream.fileno()).st_mode):
            raise OSError(errno.EINVAL, "not an ordinary file", str(path))
        return stream.read()
