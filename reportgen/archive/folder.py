"""Folder: an open folder and what lies below it. Every step is taken from the open folder, and no link is followed.

A name that is exchanged for a link between two steps therefore leads nowhere: at worst the step fails.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import stat
from collections.abc import Callable, Iterator
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self

from reportgen.archive.digest import BLOCK, blocks
from reportgen.errors import ArchiveError
from reportgen.records.message import message

Output = bytes | Path | Callable[[BinaryIO], None]
"""An output: its bytes, a file to copy, or a function that writes it to a file open for reading and writing."""

_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
"""Flags of open(2) for a folder: no link is followed."""
_READ = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
"""For a file to read: no link is followed, no pipe waited for."""
_CREATE = os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
"""For a file that must not be there yet."""


class Folder:
    """An open folder; paths are relative to it, with ``/``. All methods raise OSError."""

    def __init__(self, descriptor: int) -> None:
        self.descriptor = descriptor

    @classmethod
    def at(cls, path: Path) -> Self:
        """The folder at a path that the user named; links above its last part are the user's own."""
        return cls(os.open(path, _FOLDER))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        os.close(self.descriptor)

    def inner(self, path: str) -> Folder:
        """A folder below this one, opened part by part."""
        here = os.dup(self.descriptor)
        for part in path.split("/") if path else ():
            try:
                below = os.open(part, _FOLDER, dir_fd=here)
            finally:
                os.close(here)
            here = below
        return Folder(here)

    @contextlib.contextmanager
    def _around(self, path: str) -> Iterator[tuple[int, str]]:
        """The folder that holds ``path``, open, and its last part."""
        above, _, last = path.rpartition("/")
        with self.inner(above) as holder:
            yield holder.descriptor, last

    def status(self, path: str) -> os.stat_result | None:
        """What stands at ``path`` itself, or None."""
        try:
            with self._around(path) as (holder, last):
                return os.stat(last, dir_fd=holder, follow_symlinks=False)
        except FileNotFoundError:
            return None

    def names(self) -> list[str]:
        """Names in this folder, in order."""
        with os.scandir(self.descriptor) as found:
            return sorted(each.name for each in found)

    def entries(self, below: str = "") -> dict[str, os.stat_result]:
        """Everything at any depth, by path; a folder comes before what is in it."""
        found: dict[str, os.stat_result] = {}
        for name in self.names():
            status = os.stat(name, dir_fd=self.descriptor, follow_symlinks=False)
            found[below + name] = status
            if stat.S_ISDIR(status.st_mode):
                with self.inner(name) as inner:
                    found |= inner.entries(f"{below}{name}/")
        return found

    @contextlib.contextmanager
    def reading(self, path: str) -> Iterator[BinaryIO]:
        """A plain file, open for reading; ArchiveError for anything else, which is not waited for either."""
        with self._around(path) as (holder, last):
            descriptor = os.open(last, _READ, dir_fd=holder)
        with os.fdopen(descriptor, "rb") as stream:
            if not stat.S_ISREG(os.fstat(descriptor).st_mode):
                raise ArchiveError(message("publish.special-file", name=path))
            yield stream

    def read(self, path: str, limit: int) -> bytes:
        """The first ``limit`` bytes of a file."""
        with self.reading(path) as stream:
            return stream.read(limit)

    def digest(self, path: str) -> str:
        """SHA-256 of a file."""
        digest = hashlib.sha256()
        with self.reading(path) as stream:
            while block := stream.read(BLOCK):
                digest.update(block)
        return digest.hexdigest()

    def make(self, path: str, mode: int | None = None) -> None:
        """A new folder."""
        with self._around(path) as (holder, last):
            os.mkdir(last, dir_fd=holder)
        if mode is not None:
            with self.inner(path) as made:
                os.fchmod(made.descriptor, stat.S_IMODE(mode))

    def make_all(self, path: str) -> None:
        """A folder with all above it, where they are not there yet."""
        parts = path.split("/") if path else []
        for count in range(1, len(parts) + 1):
            if self.status("/".join(parts[:count])) is None:
                self.make("/".join(parts[:count]))

    def write(self, path: str, output: Output) -> None:
        """A new file, written to the disk. Raises FileExistsError where the name is taken."""
        self.make_all(path.rpartition("/")[0])
        with self._around(path) as (holder, last):
            descriptor = os.open(last, _CREATE, 0o666, dir_fd=holder)
        with os.fdopen(descriptor, "w+b") as stream:
            write_to(stream, output)

    def carry(self, path: str, goal: Folder, goal_path: str) -> None:
        """Let what stands at ``path`` stand in ``goal`` too: linked, or copied where links are not had."""
        goal.make_all(goal_path.rpartition("/")[0])
        with self._around(path) as (holder, last), goal._around(goal_path) as (other, name):
            try:
                os.link(last, name, src_dir_fd=holder, dst_dir_fd=other, follow_symlinks=False)
            except OSError:
                _copy(holder, last, other, name)

    def remove(self, path: str) -> None:
        """Remove a file, or a link itself."""
        with self._around(path) as (holder, last):
            os.unlink(last, dir_fd=holder)

    def remove_folder(self, path: str) -> None:
        """Remove an empty folder."""
        with self._around(path) as (holder, last):
            os.rmdir(last, dir_fd=holder)

    def move(self, path: str, goal: Folder, goal_path: str) -> None:
        """Move; a file that stands at the goal would be replaced, so the caller sees to it that none does."""
        with self._around(path) as (holder, last), goal._around(goal_path) as (other, name):
            os.rename(last, name, src_dir_fd=holder, dst_dir_fd=other)

    def link_text(self, path: str) -> str:
        """Where a link points, which is not followed."""
        with self._around(path) as (holder, last):
            return os.readlink(last, dir_fd=holder)

    def age(self, path: str, like: os.stat_result) -> None:
        """Give a folder the times of another."""
        with self.inner(path) as aged:
            os.utime(aged.descriptor, ns=(like.st_atime_ns, like.st_mtime_ns))

    def sync(self) -> None:
        """Let the names in this folder reach the disk."""
        os.fsync(self.descriptor)


def write_to(stream: BinaryIO, output: Output) -> None:
    """Write an output to an open file, down to the disk."""
    if isinstance(output, bytes | Path):
        for block in blocks(output):
            stream.write(block)
    else:
        output(stream)
    stream.flush()
    os.fsync(stream.fileno())


def _copy(holder: int, last: str, other: int, name: str) -> None:
    """Copy a file with its mode and times, or a link as a link."""
    status = os.stat(last, dir_fd=holder, follow_symlinks=False)
    if stat.S_ISLNK(status.st_mode):
        os.symlink(os.readlink(last, dir_fd=holder), name, dir_fd=other)
        return
    if not stat.S_ISREG(status.st_mode):
        raise ArchiveError(message("publish.special-file", name=last))
    with (
        os.fdopen(os.open(last, _READ, dir_fd=holder), "rb") as source,
        os.fdopen(os.open(name, _CREATE, 0o600, dir_fd=other), "w+b") as goal,
    ):
        shutil.copyfileobj(source, goal, BLOCK)
        goal.flush()
        os.fchmod(goal.fileno(), stat.S_IMODE(status.st_mode))
        os.utime(goal.fileno(), ns=(status.st_atime_ns, status.st_mtime_ns))
        os.fsync(goal.fileno())
