"""Publish: a set of outputs appears in its folder whole, or not at all.

The set is written to a folder beside the target and then takes its place in one step of the file system. Whatever
happens before that step, the earlier set stands untouched; whatever happens after it, the new one stands whole.
Beside a target ``report`` there may stand, while a build is at work or after it was killed:

- ``.report.lock``: held by the build that is writing; the system lets go of it when the build dies;
- ``.report.new``: the set being written, or the old one just exchanged for it;
- ``.report.old``: the old set, on file systems that cannot exchange two folders in one step.

The next build clears these away. Files that no build wrote, such as a signed copy, are carried over into the new set.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import fcntl
import os
import shutil
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import BinaryIO

from reportgen.archive.digest import blocks, sha256
from reportgen.archive.manifest import MANIFEST, manifest_text, read_manifest, safe_name
from reportgen.errors import ArchiveError

Output = bytes | Path | Callable[[BinaryIO], None]
"""An output: its bytes, a file to copy, or a function that writes it to a file open for reading and writing."""

WAIT_S = 120.0
"""How long a build waits for another one that is writing to the same folder."""

_AT_FDCWD = -100
_RENAME_EXCHANGE = 2
_NO_EXCHANGE = {errno.ENOSYS, errno.EINVAL, errno.ENOTSUP}


def publish(outputs: Mapping[str, Output], target: Path, *, wait_s: float = WAIT_S) -> None:
    """Put ``outputs`` into the folder ``target``, in place of what an earlier build put there, whole or not at all.

    A ``manifest-sha256.txt`` is added. Raises ArchiveError, which says what happened; the earlier set then still
    stands as it was.
    """
    if odd := [name for name in outputs if not safe_name(name) or name == MANIFEST]:
        raise ArchiveError(
            f"{target}: {odd[0]!r} cannot be the name of an output: it leads out of this folder or is taken"
        )
    try:
        target = target.resolve()
        target.parent.mkdir(parents=True, exist_ok=True)
        with _locked(target, wait_s):
            _clear_leftovers(target)
            foreign = _foreign(target, outputs)
            _replace(target, outputs, foreign)
    except OSError as problem:
        raise ArchiveError(_explain(problem, target)) from problem


def _replace(target: Path, outputs: Mapping[str, Output], foreign: list[str]) -> None:
    """Write the new set beside the target and let it take the target's place."""
    new = _beside(target, "new")
    try:
        _write_set(new, outputs, target, foreign)
        _swap(new, target)
        _sync_folder(target.parent)
    finally:
        # Whichever set stands now, it is whole; what is left beside it can wait for the next build.
        with contextlib.suppress(OSError, ArchiveError):
            _clear_leftovers(target)


def _beside(target: Path, role: str) -> Path:
    return target.with_name(f".{target.name}.{role}")


def _complete(folder: Path) -> bool:
    """A set is complete once it has its manifest, which is written last."""
    return (folder / MANIFEST).is_file()


@contextlib.contextmanager
def _locked(target: Path, wait_s: float) -> Iterator[None]:
    """Hold the lock of a target; wait for another build that holds it. Raises ArchiveError after ``wait_s``."""
    path = _beside(target, "lock")
    until = time.monotonic() + wait_s
    while (held := _try_lock(path)) is None:
        if time.monotonic() >= until:
            raise ArchiveError(
                f"{target}: another build has been writing here for {wait_s:.0f} s; nothing was written and the "
                f"earlier report is untouched. Wait until it has ended and build again"
            )
        time.sleep(0.05)
    try:
        yield
    finally:
        path.unlink(missing_ok=True)
        os.close(held)


def _try_lock(path: Path) -> int | None:
    """Descriptor of the locked file, or None where another build holds it or has just let go of it."""
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o666)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        # The former holder removes the file as it leaves: a lock on a removed file locks nobody out.
        if os.path.samestat(os.fstat(descriptor), path.stat()):
            return descriptor
    except (BlockingIOError, FileNotFoundError):
        pass
    except BaseException:
        os.close(descriptor)
        raise
    os.close(descriptor)
    return None


def _clear_leftovers(target: Path) -> None:
    """Put right what a killed build left beside the target; the caller holds the lock."""
    old, new = _beside(target, "old"), _beside(target, "new")
    if old.is_dir() and not target.exists():
        old.rename(target)
    for leftover in (old, new):
        if leftover.is_dir():
            if _complete(leftover):
                _discard(leftover, target)
            else:
                shutil.rmtree(leftover)


def _discard(folder: Path, target: Path) -> None:
    """Remove a set that has been replaced, or never took its place; what no build wrote is never removed."""
    written = _written(folder)
    for entry in sorted(folder.iterdir()):
        kept = target / entry.name
        if entry.name not in written and target.is_dir() and not kept.exists():
            entry.rename(kept)
        elif entry.is_dir() and not entry.is_symlink():
            shutil.rmtree(entry)
        elif entry.name != MANIFEST:
            entry.unlink()
    # The manifest goes last: a kill before this line leaves a set that the next build discards by the same rule.
    (folder / MANIFEST).unlink()
    folder.rmdir()


def _written(folder: Path) -> set[str]:
    """First parts of the names that the set's own manifest lists, and the manifest."""
    names = read_manifest((folder / MANIFEST).read_text(encoding="utf-8", errors="replace"), str(folder / MANIFEST))
    return {name.split("/")[0] for name in names} | {MANIFEST}


def _foreign(target: Path, outputs: Mapping[str, Output]) -> list[str]:
    """Names in the target that no build wrote. Raises ArchiveError where the target is not a build's to replace."""
    if not target.exists():
        return []
    if not target.is_dir():
        raise ArchiveError(f"{target} is a file; the outputs need a folder. Name another one with --out")
    present = sorted(entry.name for entry in target.iterdir())
    if not present:
        return []
    shown = ", ".join(present[:3]) + (" …" if len(present) > 3 else "")
    if not _complete(target):
        raise ArchiveError(
            f"{target} holds files that no build wrote ({shown}); nothing was written. Name an empty or a new folder "
            f"with --out"
        )
    foreign = [name for name in present if name not in _written(target)]
    taken = sorted(set(foreign) & {name.split("/")[0] for name in outputs})
    if taken:
        raise ArchiveError(f"{target / taken[0]} was not written by a build and would be replaced; move it away first")
    return foreign


def _write_set(new: Path, outputs: Mapping[str, Output], target: Path, foreign: list[str]) -> None:
    """Write every output, carry over what no build wrote, and write the manifest last; all of it reaches the disk."""
    new.mkdir()
    if target.is_dir():
        shutil.copymode(target, new)
    digests = {}
    for name, output in outputs.items():
        path = new / name
        path.parent.mkdir(parents=True, exist_ok=True)
        _write_file(path, output)
        digests[name] = sha256(path)
    for name in foreign:
        _carry_over(target / name, new / name)
    _write_file(new / MANIFEST, manifest_text(digests).encode())
    for folder, _, _ in os.walk(new):
        _sync_folder(Path(folder))


def _write_file(path: Path, output: Output) -> None:
    with path.open("x+b") as stream:
        if isinstance(output, bytes | Path):
            for block in blocks(output):
                stream.write(block)
        else:
            output(stream)
        stream.flush()
        os.fsync(stream.fileno())


def _carry_over(source: Path, goal: Path) -> None:
    """Let a file, or the files of a folder, stand in the new set too: linked, or copied where links are not had."""

    def link_or_copy(one: str, other: str) -> None:
        try:
            os.link(one, other, follow_symlinks=False)
        except OSError:
            shutil.copy2(one, other, follow_symlinks=False)

    if source.is_dir() and not source.is_symlink():
        shutil.copytree(source, goal, symlinks=True, copy_function=link_or_copy)
    else:
        link_or_copy(str(source), str(goal))


def _sync_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _swap(new: Path, target: Path) -> None:
    """Let ``new`` take the target's place; the old set then lies at ``new``, or beside it as ``old``."""
    if not target.exists() or not any(target.iterdir()):
        new.rename(target)
    elif not _exchanged(new, target):
        target.rename(_beside(target, "old"))
        new.rename(target)


def _exchanged(one: Path, other: Path) -> bool:
    """Exchange two folders in one step; False where system or file system cannot. Raises OSError."""
    rename = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    if rename is None:
        return False
    if rename(_AT_FDCWD, os.fsencode(one), _AT_FDCWD, os.fsencode(other), _RENAME_EXCHANGE) == 0:
        return True
    code = ctypes.get_errno()
    if code in _NO_EXCHANGE:
        return False
    raise OSError(code, os.strerror(code), str(other))


def write_whole(path: Path, content: bytes) -> None:
    """Write one file completely, or leave it as it was. Raises ArchiveError, which says what happened."""
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        try:
            _write_file(part, content)
            part.replace(path)
            _sync_folder(path.parent)
        finally:
            part.unlink(missing_ok=True)
    except OSError as problem:
        raise ArchiveError(_explain(problem, path)) from problem


_UNTOUCHED = "nothing was written and what stood there before is untouched"
_ELSEWHERE = f"{_UNTOUCHED}. Name a folder that can be written with --out"
_REASONS = {
    errno.ENOSPC: f"the disk is full; {_UNTOUCHED}. Free some space and build again",
    errno.EDQUOT: f"your disk quota is used up; {_UNTOUCHED}. Free some space and build again",
    errno.EFBIG: f"a file would grow larger than this file system allows; {_UNTOUCHED}",
    errno.EROFS: f"the file system is read-only; {_ELSEWHERE}",
    errno.EACCES: f"there is no permission to write here; {_ELSEWHERE}",
    errno.EPERM: f"there is no permission to write here; {_ELSEWHERE}",
    errno.EBUSY: f"this is a mount point or in use and cannot be replaced; {_UNTOUCHED}. Name a folder inside it",
    errno.EXDEV: f"this folder cannot be replaced as a whole on this file system; {_ELSEWHERE}",
    errno.ENAMETOOLONG: f"a name is longer than this file system allows; {_UNTOUCHED}",
    errno.EIO: f"the disk reported a fault; {_UNTOUCHED} as far as the disk can be trusted",
}


def _explain(problem: OSError, target: Path) -> str:
    """What stopped the writing, in words; the state of what stood there before."""
    reason = _REASONS.get(problem.errno or 0, f"{problem.strerror or problem}; {_UNTOUCHED}")
    place = f" (at {problem.filename})" if problem.filename and str(problem.filename) != str(target) else ""
    return f"{target}: {reason}{place}"
