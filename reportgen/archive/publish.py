"""Publish: a set of outputs appears in its folder whole, or not at all, and nothing issued or foreign is lost.

The folder as it is to be is written beside the target and then takes its place in one step of the file system. Whatever
happens before that step, the earlier folder stands untouched; whatever happens after it, the new one stands whole.
Beside a target ``report`` there may stand, while a build is at work or after it was killed:

- ``.report.lock``: held by the build that is writing; the system lets go of it when the build dies;
- ``.report.new``: the folder being written, or the old one just exchanged for it;
- ``.report.old``: the old folder, on file systems that cannot exchange two folders in one step.

The next build clears these away. A folder is taken for a build's own only by its marker (``issue.MARKER``), and a file
in it only where the marker lists it with the digest that it has. All else, at any depth, is carried over as it is. What
bears one of these names and is no build's own, a link above all, is refused by name and neither followed nor removed.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import fcntl
import json
import os
import re
import stat
import time
from collections.abc import Callable, Container, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from reportgen.archive.folder import Folder, Output
from reportgen.archive.issue import (
    MARKER,
    Decision,
    ReportSet,
    Standing,
    decide,
    forbid_early,
    put_aside,
    read_sets,
    sets_json,
)
from reportgen.archive.manifest import MANIFEST, manifest_text, safe_name
from reportgen.errors import ArchiveError
from reportgen.records.message import Message, message

__all__ = ["Output", "Published", "issued_early", "publish", "write_whole"]

WAIT_S = 120.0
"""How long a build waits for another one that is writing to the same folder."""

JOURNAL = ".reportgen-writing"
"""Stands in a folder that is being written, first of all, and lists what is written there."""

_OWN = (MARKER, MANIFEST, JOURNAL)
"""Files that a build writes for itself."""

_MAX_OWN_BYTES = 16 << 20
"""Most of a marker or journal that is read: some 100,000 files; a larger one is no build's."""

_LOCK_POLL_S = 0.05
"""Between two looks at a lock: not noticed by a person, and no load."""

_RENAME_EXCHANGE = 2
"""Flag of renameat2(2): both names are exchanged in one step."""

_NO_EXCHANGE = {errno.ENOSYS, errno.EINVAL, errno.ENOTSUP}
"""Errors by which a system or file system says that it cannot exchange (renameat2(2))."""

UNSTATED = ReportSet()
"""A set that was made by nobody and is not issued."""

Entries = Mapping[str, os.stat_result]


@dataclass(frozen=True, slots=True, kw_only=True)
class Published:
    """What a publication came to."""

    same: bool = False
    """The same content stood there already: no new issue."""
    changed: tuple[str, ...] = ()
    """Files of it that are not what the build wrote, such as a PDF signed in place; they stay as they are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Present:
    """What stands in the target before a build."""

    entries: Entries = field(default_factory=dict)
    sets: tuple[ReportSet, ...] = ()


def publish(
    outputs: Mapping[str, Output], target: Path, stated: ReportSet = UNSTATED, *, wait_s: float = WAIT_S
) -> Published:
    """Put ``outputs`` into the folder ``target`` as the set that ``stated`` says they are, whole or not at all.

    A marker and ``manifest-sha256.txt`` are added. Raises ArchiveError, which says what happened; what stood there
    before then still stands as it was.
    """
    if odd := [name for name in outputs if not safe_name(name) or name.split("/")[0] in _OWN]:
        raise ArchiveError(message("publish.output-name", target=str(target), name=odd[0]))
    try:
        target = _in_real_folder(target)
        target.parent.mkdir(parents=True, exist_ok=True)
        with Folder.at(target.parent) as parent, _locked(parent, target, wait_s):
            _clear_leftovers(parent, target)
            return _replace(parent, target, outputs, stated)
    except OSError as problem:
        raise ArchiveError(_explain(problem, target)) from problem


def issued_early(target: Path, stated: ReportSet) -> None:
    """Refuse before anything is computed what ``publish`` will surely refuse. Raises ArchiveError."""
    try:
        target = _in_real_folder(target)
        if not target.parent.is_dir():
            return
        with Folder.at(target.parent) as parent:
            forbid_early(_survey(parent, target).sets, stated, target)
    except OSError as problem:
        raise ArchiveError(_explain(problem, target)) from problem


def _in_real_folder(target: Path) -> Path:
    """The target by its own name in the folder that really holds it: a link as target itself stays one, to be refused.

    The folders above it are as the user named them.
    """
    named = target if target.name not in ("", "..") else target.resolve()
    return named.parent.resolve() / named.name


def _replace(parent: Folder, target: Path, outputs: Mapping[str, Output], stated: ReportSet) -> Published:
    """Write the new folder beside the target and let it take the target's place."""
    present = _survey(parent, target)
    try:
        with _staging(parent, target, outputs) as staging:
            for name, output in outputs.items():
                staging.write(name, output)
            new = replace(stated, files={name: staging.digest(name) for name in outputs})
            decision = decide(present.sets, new, target)
            if decision.same is not None and not _lacks(decision.same, new, present):
                return _same(parent, target, decision.same, present)
            _complete(staging, parent, target, present, decision, new)
        _swap(parent, target)
        parent.sync()
        return Published() if decision.same is None else _same(parent, target, decision.same, present)
    finally:
        # Whichever folder stands now, it is whole; what is left beside it can wait for the next build.
        with contextlib.suppress(OSError, ArchiveError):
            _clear_leftovers(parent, target)


def _beside(target: Path, role: str) -> str:
    return f".{target.name}.{role}"


# What stands there ---------------------------------------------------------------------------------------------------


def _survey(parent: Folder, target: Path) -> Present:
    """Everything in the target. Raises ArchiveError where it is not a build's to write to."""
    status = parent.status(target.name)
    if status is None:
        return Present()
    if stat.S_ISLNK(status.st_mode):
        raise ArchiveError(message("publish.target-is-link", target=str(target)))
    if not stat.S_ISDIR(status.st_mode):
        raise ArchiveError(message("publish.target-is-file", target=str(target)))
    with parent.inner(target.name) as folder:
        entries = folder.entries()
        if not entries:
            return Present()
        _refuse_other_disk(status, entries, target)
        sets = _sets(folder, target) if MARKER in entries and stat.S_ISREG(entries[MARKER].st_mode) else ()
        if not any(_is_there(folder, entries, each) for each in sets):
            _refuse_foreign(entries, target)
        return Present(entries=entries, sets=sets)


def _is_there(folder: Folder, entries: Entries, which: ReportSet) -> bool:
    """Whether a set is really there: at least one of its files, looked at from the smallest, is what was written."""
    placed = {place: digest for place, digest in which.placed.items() if place in entries}
    ordered = sorted(placed, key=lambda place: entries[place].st_size)
    return any(_is_that_file(folder, place, entries[place], placed[place]) for place in ordered)


def _sets(folder: Folder, where: Path) -> tuple[ReportSet, ...]:
    text = folder.read(MARKER, _MAX_OWN_BYTES).decode("utf-8", "replace")
    return read_sets(text, str(where / MARKER))


def _refuse_foreign(entries: Entries, target: Path) -> None:
    present = sorted(name for name in entries if "/" not in name)
    names = (*present[:_MOST_NAMED], *(("…",) if len(present) > _MOST_NAMED else ()))
    raise ArchiveError(message("publish.foreign-files", target=str(target), names=names, marker=MARKER))


_MOST_NAMED = 3
"""Files named in a refusal: enough to know the folder by; it can hold thousands."""


def _refuse_other_disk(status: os.stat_result, entries: Entries, target: Path) -> None:
    for path, each in entries.items():
        if each.st_dev != status.st_dev:
            raise ArchiveError(message("publish.other-disk", path=str(target / path)))


def _lacks(which: ReportSet, new: ReportSet, present: Present) -> bool:
    """Whether a file of a set that stands at the fixed names is no longer there, and can be written anew."""
    return not which.folder and any(which.place(name) not in present.entries for name in new.files)


def _same(parent: Folder, target: Path, which: ReportSet, present: Present) -> Published:
    with parent.inner(target.name) as folder:
        there = {place: digest for place, digest in which.placed.items() if place in present.entries}
        changed = [p for p, digest in there.items() if not _is_that_file(folder, p, present.entries[p], digest)]
    return Published(same=True, changed=tuple(changed))


# The new folder ------------------------------------------------------------------------------------------------------


@contextlib.contextmanager
def _staging(parent: Folder, target: Path, outputs: Iterable[str]) -> Iterator[Folder]:
    """The folder that is being written, with its journal."""
    name = _beside(target, "new")
    status = parent.status(target.name)
    parent.make(name)
    with parent.inner(name) as staging:
        if status is not None:
            os.fchmod(staging.descriptor, stat.S_IMODE(status.st_mode) | stat.S_IRWXU)
        staging.write(JOURNAL, json.dumps([*outputs, *_OWN]).encode())
        yield staging


def _complete(
    staging: Folder, parent: Folder, target: Path, present: Present, decision: Decision, new: ReportSet
) -> None:
    """Carry over what stays, then write marker and manifest; all of it reaches the disk."""
    if present.entries:
        with parent.inner(target.name) as old:
            _carry_over(staging, old, target, present, decision, new)
    sets = decision.sets(present.sets, new)
    marker = sets_json(sets)
    staging.write(MARKER, marker)
    digests = {place: digest for each in sets for place, digest in each.placed.items()}
    staging.write(MANIFEST, manifest_text({**digests, MARKER: staging.digest(MARKER)}).encode())
    for path, status in staging.entries().items():
        if stat.S_ISDIR(status.st_mode):
            with staging.inner(path) as inner:
                inner.sync()
    staging.sync()


def _carry_over(
    staging: Folder, old: Folder, target: Path, present: Present, decision: Decision, new: ReportSet
) -> None:
    """Let everything of the old folder stand in the new one, but for what gives way."""
    gone = _giving_way(old, present, decision)
    moved = decision.moved.files if decision.moved is not None else {}
    aside = put_aside(decision.moved) if decision.moved is not None else None
    all_folders = {path: status for path, status in present.entries.items() if stat.S_ISDIR(status.st_mode)}
    leaving = gone | moved.keys()
    folders = {path: status for path, status in all_folders.items() if _holds_kept(path, present.entries, leaving)}
    for path, status in folders.items():
        _make_like(staging, path, status, target)
    for path in sorted(present.entries.keys() - all_folders.keys() - gone):
        goal = aside.place(path) if aside is not None and path in moved else path
        _carry_one(staging, old, path, goal, target, new, decision)
    for path, status in reversed(folders.items()):
        staging.age(path, status)


def _giving_way(old: Folder, present: Present, decision: Decision) -> set[str]:
    """Files that are not carried over: a build's own, as their digests show, and replaced; and its own notes."""
    listed = {place: digest for each in decision.replaced for place, digest in each.placed.items()}
    there = {path for path in listed if path in present.entries}
    return {path for path in there if _is_that_file(old, path, present.entries[path], listed[path])} | {
        name for name in _OWN if name in present.entries
    }


def _is_that_file(folder: Folder, path: str, status: os.stat_result, digest: str) -> bool:
    return stat.S_ISREG(status.st_mode) and folder.digest(path) == digest


def _holds_kept(path: str, entries: Entries, leaving: Container[str]) -> bool:
    """Whether a folder is to stand in the new set too: it is empty, or something in it stays where it is."""
    inside = [each for each in entries if each.startswith(f"{path}/") and not stat.S_ISDIR(entries[each].st_mode)]
    return not inside or any(each not in leaving for each in inside)


def _make_like(staging: Folder, path: str, status: os.stat_result, target: Path) -> None:
    there = staging.status(path)
    if there is None:
        staging.make(path, status.st_mode | stat.S_IRWXU)
    elif not stat.S_ISDIR(there.st_mode):
        raise _in_the_way(target / path)


def _carry_one(
    staging: Folder, old: Folder, path: str, goal: str, target: Path, new: ReportSet, decision: Decision
) -> None:
    """Carry one file over. Raises ArchiveError where the new set needs its name for something else."""
    there = staging.status(goal)
    if there is not None:
        if not _same_as_written(path, new, decision):
            raise _in_the_way(target / goal)
        staging.remove(goal)
    try:
        old.carry(path, staging, goal)
    except (FileExistsError, NotADirectoryError) as problem:
        raise _in_the_way(target / goal) from problem


def _same_as_written(path: str, new: ReportSet, decision: Decision) -> bool:
    """Whether a file was written by a build as it would be now, and changed since then: signed in place, say."""
    before = (decision.same,) if decision.same is not None else decision.replaced
    return path in new.files and any(each.placed.get(path) == new.files[path] for each in before)


def _in_the_way(path: Path) -> ArchiveError:
    return ArchiveError(message("publish.in-the-way", path=str(path)))


# Taking its place ----------------------------------------------------------------------------------------------------


def _swap(parent: Folder, target: Path) -> None:
    """Let the new folder take the target's place; the old one then lies at its name, or beside it as ``old``."""
    new = _beside(target, "new")
    status = parent.status(target.name)
    if status is None or _is_empty(parent, target.name):
        parent.move(new, parent, target.name)
    elif not _exchanged(parent, new, target.name):
        parent.move(target.name, parent, _beside(target, "old"))
        parent.move(new, parent, target.name)


def _is_empty(parent: Folder, name: str) -> bool:
    with parent.inner(name) as folder:
        return not folder.names()


def _exchanged(parent: Folder, one: str, other: str) -> bool:
    """Exchange two folders in one step; False where system or file system cannot. Raises OSError."""
    rename = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    if rename is None:
        return False
    at = parent.descriptor
    if rename(at, os.fsencode(one), at, os.fsencode(other), _RENAME_EXCHANGE) == 0:
        return True
    code = ctypes.get_errno()
    if code in _NO_EXCHANGE:
        return False
    raise OSError(code, os.strerror(code), other)


# What a build left beside the target ---------------------------------------------------------------------------------


def _clear_leftovers(parent: Folder, target: Path) -> None:
    """Put right what a killed build left beside the target; the caller holds the lock.

    Raises ArchiveError at what no build left there, before anything is touched.
    """
    roles = [name for role in ("old", "new") if _is_leftover(parent, target, name := _beside(target, role))]
    old = _beside(target, "old")
    if old in roles and parent.status(target.name) is None and not _is_empty(parent, old):
        with parent.inner(old) as folder:
            _sets_of_own(folder, target.parent / old)
        parent.move(old, parent, target.name)
        roles.remove(old)
    _end_journal(parent, target)
    for name in roles:
        _discard(parent, name, target)


def _sets_of_own(folder: Folder, where: Path) -> tuple[ReportSet, ...]:
    """The sets of a folder beside the target. Raises ArchiveError where no build wrote it."""
    status = folder.status(MARKER)
    if status is None or not stat.S_ISREG(status.st_mode):
        raise ArchiveError(message("publish.leftover-foreign", path=str(where)))
    return _sets(folder, where)


def _is_leftover(parent: Folder, target: Path, name: str) -> bool:
    """Whether there is a folder of that name. Raises ArchiveError where it is a link or a file."""
    status = parent.status(name)
    if status is not None and not stat.S_ISDIR(status.st_mode):
        path = str(target.parent / name)
        if stat.S_ISLNK(status.st_mode):
            raise ArchiveError(message("publish.leftover-is-link", path=path))
        raise ArchiveError(message("publish.leftover-is-file", path=path))
    return status is not None


def _end_journal(parent: Folder, target: Path) -> None:
    """A folder that has taken its place is being written no longer."""
    status = parent.status(target.name)
    if status is None or not stat.S_ISDIR(status.st_mode):
        return
    with parent.inner(target.name) as folder:
        if folder.status(JOURNAL) is not None and folder.status(MARKER) is not None:
            folder.remove(JOURNAL)


def _discard(parent: Folder, name: str, target: Path) -> None:
    """Remove a folder that was replaced, or never took its place; nothing that stands nowhere else goes with it."""
    status = parent.status(target.name)
    there = status is not None and stat.S_ISDIR(status.st_mode)
    with parent.inner(name) as leftover, contextlib.ExitStack() as stack:
        standing = _Standing(stack.enter_context(parent.inner(target.name)) if there else None)
        discard = _Discard(leftover, standing, target.parent / name)
        discard.everything()
    parent.remove_folder(name)


class _Standing:
    """What stands in the target now, to tell that something else may go."""

    def __init__(self, folder: Folder | None) -> None:
        self.folder = folder
        self.entries: Entries = folder.entries() if folder is not None else {}
        self.inodes = {(each.st_dev, each.st_ino) for each in self.entries.values()}

    def holds(self, folder: Folder, path: str, status: os.stat_result) -> bool:
        """Whether this very file stands in the target, or one with the same content."""
        if (status.st_dev, status.st_ino) in self.inodes:
            return True
        alike = [p for p, each in self.entries.items() if _alike(each, status)]
        if stat.S_ISLNK(status.st_mode):
            return any(self._links(p) == folder.link_text(path) for p in alike)
        if not stat.S_ISREG(status.st_mode) or not alike or self.folder is None:
            return False
        digest = folder.digest(path)
        return any(self.folder.digest(p) == digest for p in alike)

    def _links(self, path: str) -> str | None:
        return self.folder.link_text(path) if self.folder is not None else None

    def rescue(self, folder: Folder, path: str) -> bool:
        """Let a file that stands nowhere else stand in the target, where its name is free."""
        if self.folder is None or path in self.entries:
            return False
        try:
            folder.carry(path, self.folder, path)
        except OSError:
            return False
        return True


def _alike(one: os.stat_result, other: os.stat_result) -> bool:
    return stat.S_IFMT(one.st_mode) == stat.S_IFMT(other.st_mode) and one.st_size == other.st_size


class _Discard:
    """Removes a leftover folder, file by file; raises ArchiveError at what it must leave."""

    def __init__(self, leftover: Folder, standing: _Standing, where: Path) -> None:
        self.leftover, self.standing, self.where = leftover, standing, where
        self.entries = leftover.entries()
        self.never_stood = JOURNAL in self.entries
        """It was being written when its build died; else it is the folder that was replaced."""
        self.written = self._journal() if self.never_stood else frozenset()
        self.replaceable = {} if self.never_stood else self._replaceable()

    def everything(self) -> None:
        """Everything but what tells that the folder is a build's own; then that, so that a kill changes nothing."""
        files = [path for path, each in self.entries.items() if not stat.S_ISDIR(each.st_mode) and path not in _OWN]
        for path in files:
            if not self._may_go(path, self.entries[path]):
                raise ArchiveError(
                    message("publish.leftover-only-copy", path=str(self.where / path), folder=self.where.name)
                )
            self.leftover.remove(path)
        for path in reversed([path for path, each in self.entries.items() if stat.S_ISDIR(each.st_mode)]):
            self.leftover.remove_folder(path)
        for path in (MANIFEST, MARKER, JOURNAL):
            if path in self.entries:
                self.leftover.remove(path)

    def _may_go(self, path: str, status: os.stat_result) -> bool:
        if path in self.written or self.standing.holds(self.leftover, path, status):
            return True
        if self.never_stood:
            # A copy of what was being carried over, cut short.
            return path in self.standing.entries or path.partition("/")[2] in self.standing.entries
        digest = self.replaceable.get(path)
        if digest is not None and _is_that_file(self.leftover, path, status, digest):
            return True
        return self.standing.rescue(self.leftover, path)

    def _journal(self) -> frozenset[str]:
        """Names that the build was writing."""
        text = self.leftover.read(JOURNAL, _MAX_OWN_BYTES).decode("utf-8", "replace")
        try:
            return frozenset(map(str, json.loads(text)))
        except (ValueError, TypeError):  # killed while it was written: nothing else was, then
            return frozenset()

    def _replaceable(self) -> dict[str, str]:
        """Files of sets that were not issued. Raises ArchiveError where no build wrote the folder."""
        if not self.entries:
            return {}
        sets = _sets_of_own(self.leftover, self.where)
        return {p: digest for each in sets if each.standing is not Standing.ISSUED for p, digest in each.placed.items()}


# The lock ------------------------------------------------------------------------------------------------------------


@contextlib.contextmanager
def _locked(parent: Folder, target: Path, wait_s: float) -> Iterator[None]:
    """Hold the lock of a target; wait for another build that holds it. Raises ArchiveError after ``wait_s``."""
    name = _beside(target, "lock")
    until = time.monotonic() + wait_s
    while (held := _try_lock(parent, name, target)) is None:
        if time.monotonic() >= until:
            raise ArchiveError(message("publish.other-build", target=str(target), wait_s=wait_s))
        time.sleep(_LOCK_POLL_S)
    with _let_go(parent, name, held):
        yield


def _try_lock(parent: Folder, name: str, target: Path) -> int | None:
    """Descriptor of the locked file, or None where another build holds it or has just let go of it.

    Raises ArchiveError where a link, or anything but an empty file, bears its name.
    """
    status = parent.status(name)
    if status is not None and not (stat.S_ISREG(status.st_mode) and status.st_size == 0):
        raise ArchiveError(message("publish.lock-foreign", path=str(target.parent / name)))
    flags = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK
    descriptor = os.open(name, flags, 0o666, dir_fd=parent.descriptor)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        # The former holder removes the file as it leaves: a lock on a removed file locks nobody out.
        status = parent.status(name)
        if status is not None and os.path.samestat(os.fstat(descriptor), status):
            return descriptor
    except BlockingIOError:
        pass
    except BaseException:
        os.close(descriptor)
        raise
    os.close(descriptor)
    return None


@contextlib.contextmanager
def only_one(path: Path, refused: Message) -> Iterator[None]:
    """Hold the lock file at ``path`` as long as the block lasts; the system lets go of it when the process dies.

    Raises ArchiveError with ``refused`` where another process holds it.
    """
    with contextlib.ExitStack() as held:
        try:
            parent = held.enter_context(Folder.at(path.parent.resolve()))
            descriptor = _try_lock(parent, path.name, path)
        except OSError as problem:
            raise ArchiveError(_explain(problem, path)) from problem
        if descriptor is None:
            raise ArchiveError(refused)
        held.enter_context(_let_go(parent, path.name, descriptor))
        yield


@contextlib.contextmanager
def _let_go(parent: Folder, name: str, descriptor: int) -> Iterator[None]:
    """Let go of a lock file when the block ends."""
    try:
        yield
    finally:
        with contextlib.suppress(FileNotFoundError):
            parent.remove(name)
        os.close(descriptor)


# One file ------------------------------------------------------------------------------------------------------------


def write_whole(path: Path, content: bytes, proved: Callable[[Path], object] | None = None) -> None:
    """Write one file completely, or leave it as it was. Raises ArchiveError, which says what happened.

    ``proved`` is given the written file before it takes the place of the old one; what it raises leaves the old one.
    A file that stood there lends its permissions, and one that may not be written to is not replaced either.
    """
    part = _part_of(path)
    try:
        mode = _mode_to_keep(path)
        with Folder.at(path.parent.resolve()) as folder:
            try:
                folder.write(part, content)
                if mode is not None:
                    os.chmod(part, mode, dir_fd=folder.descriptor)
                if proved is not None:
                    proved(path.with_name(part))
                folder.move(part, folder, path.name)
                folder.sync()
            except FileExistsError:  # what bears that name is not ours to remove
                raise
            except BaseException:
                with contextlib.suppress(OSError):
                    folder.remove(part)
                raise
    except OSError as problem:
        raise ArchiveError(_explain(problem, path)) from problem


def _part_of(path: Path) -> str:
    return f".{path.name}.{os.getpid()}.part"


def _mode_to_keep(path: Path) -> int | None:
    """Permissions of the file that is replaced; None where there is none. Raises PermissionError."""
    if not path.exists():
        return None
    if not os.access(path, os.W_OK):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))
    return stat.S_IMODE(path.stat().st_mode)


def clear_parts(path: Path) -> None:
    """Remove what killed processes left of the file while they wrote it; the caller knows that no other is writing."""
    for left in path.parent.glob(f".{path.name}.*.part"):
        if re.fullmatch(rf"\.{re.escape(path.name)}\.\d+\.part", left.name) and not left.is_symlink():
            with contextlib.suppress(OSError):
                left.unlink()


_NO_PERMISSION = message("publish.no-permission")
_REASONS = {
    errno.ENOSPC: message("publish.disk-full"),
    errno.EDQUOT: message("publish.quota-used-up"),
    errno.EFBIG: message("publish.file-too-large"),
    errno.EROFS: message("publish.read-only"),
    errno.EACCES: _NO_PERMISSION,
    errno.EPERM: _NO_PERMISSION,
    errno.EBUSY: message("publish.in-use"),
    errno.EXDEV: message("publish.across-disks"),
    errno.ENAMETOOLONG: message("publish.name-too-long"),
    errno.EIO: message("publish.disk-fault"),
}
"""By number of the error (errno(3)): what stopped the writing, the state of what stood there before, what to do."""


def _explain(problem: OSError, target: Path) -> Message:
    """What stopped the writing, and the state of what stood there before."""
    reason = _REASONS.get(problem.errno or 0) or message("publish.stopped", reason=str(problem.strerror or problem))
    if problem.filename and str(problem.filename) != str(target):
        return message("publish.failed-at", target=str(target), reason=reason, place=os.fsdecode(problem.filename))
    return message("error.at", where=str(target), what=reason)
