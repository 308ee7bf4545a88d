"""Bounded: work on a document that anybody may have made, in a process of its own that may take so long and so much.

Libraries that read PDF are written for documents that mean well: a graph of form fields that share their children, or
a cross-reference stream that unpacks a thousandfold, keeps them busy for years or fills the memory of the machine.
Whatever happens in the other process, this one goes on and says so.
"""

from __future__ import annotations

import os
import pickle
import signal
import sys
import traceback
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from enum import Enum, StrEnum
from multiprocessing import get_context
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any, TypeVar

from reportgen.archive.reason import reason_of
from reportgen.errors import ArchiveError
from reportgen.records.message import Message, message

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """What the work may take."""

    seconds: float
    """By the clock on the wall."""
    memory: int
    """Bytes of address space beyond what this process has at the start."""


class Doing(StrEnum):
    """What is done to a document within bounds."""

    OPENING = "opening it"
    COMPUTING = "computing it again"


class Ended(Enum):
    """How the work ended."""

    DONE = 0
    REFUSED = 1
    """With an ArchiveError."""
    MEMORY = 2
    FAULT = 3


SECONDS = 60.0
"""Both example reports are opened in less than one second, on a busy machine in three."""
SECONDS_A_MEGABYTE = 1.0
"""An archive of 200 MB is unpacked and checked in 2.7 s; this leaves seventy times as long."""
MEMORY = 1 << 30
"""Bytes: the libraries themselves, loaded, take 200 MB."""
MEMORY_A_BYTE = 6
"""The libraries hold a PDF up to four times: as bytes, as a stream over them, and as a copy that is hashed."""

COMPUTING_SECONDS = 3600.0
COMPUTING_SECONDS_A_MEGABYTE = 60.0
"""Both example jobs, of 1 to 2 MB, are computed and printed in two minutes on two busy cores: thirty times as long."""
COMPUTING_MEMORY = 8 << 30
COMPUTING_MEMORY_A_BYTE = 20
"""A log is held as numbers, about the size of its text, with a few copies on the way; address space exceeds use."""


def bounds_of(path: Path) -> Bounds:
    """What opening the document at ``path`` may take; grows with its size. Raises OSError."""
    size = path.stat().st_size
    return Bounds(seconds=SECONDS + SECONDS_A_MEGABYTE * size / 1e6, memory=MEMORY + MEMORY_A_BYTE * size)


class BoundError(ArchiveError):
    """The work came to no end within its bounds: the document is none that a build writes."""


def bounded(work: Callable[..., T], path: Path, *arguments: object) -> T:
    """``work(path, *arguments)``, done in another process within the bounds of that document.

    ``work`` is a function of a module, and arguments and result can be pickled. Raises what ``work`` raises of
    ArchiveError; BoundError where it takes too long or too much memory, or dies.
    """
    try:
        if path.exists() and not path.is_file():
            raise ArchiveError(message("archive.no-file", path=str(path)))
        bounds = bounds_of(path)
    except OSError as problem:
        raise ArchiveError(message("error.at", where=str(path), what=reason_of(problem))) from problem
    return held(work, bounds, path, *arguments)


def bounds_of_computing(folder: Path) -> Bounds:
    """What computing a job again may take; grows with the size of all its files. Raises OSError."""
    size = sum(each.stat().st_size for each in folder.rglob("*") if each.is_file())
    return Bounds(
        seconds=COMPUTING_SECONDS + COMPUTING_SECONDS_A_MEGABYTE * size / 1e6,
        memory=COMPUTING_MEMORY + COMPUTING_MEMORY_A_BYTE * size,
    )


def held(work: Callable[..., T], bounds: Bounds, path: Path, *arguments: object, doing: Doing = Doing.OPENING) -> T:
    """``work(path, *arguments)`` within ``bounds``; see ``bounded``. It may start others, which end with it."""
    context = get_context("fork") if sys.platform == "linux" else get_context("spawn")
    here, there = context.Pipe(duplex=False)
    process = context.Process(target=_answer, args=(there, bounds, os.getpid(), work, path, *arguments), daemon=False)
    sys.stdout.flush()
    process.start()
    there.close()
    try:
        found: T = _result(here, process, path, bounds, doing)
        return found
    finally:
        here.close()
        process.kill()
        process.join()


def _result(here: Connection, process: BaseProcess, path: Path, bounds: Bounds, doing: Doing) -> Any:
    """The answer of the other process. Raises ArchiveError."""
    if not here.poll(bounds.seconds):
        raise _not_read(path, message("bounds.time", doing=doing, seconds=bounds.seconds))
    try:
        outcome, answer = pickle.loads(here.recv_bytes())
    except (EOFError, OSError) as problem:
        process.join(_DYING)
        raise _not_read(path, _why(process.exitcode, bounds, doing)) from problem
    match outcome:
        case Ended.DONE:
            return answer
        case Ended.REFUSED:
            raise answer
        case Ended.MEMORY:
            raise _not_read(path, _out_of_memory(bounds, doing))
    raise RuntimeError(answer)  # a fault of ours, with the traceback it had in the other process


def _not_read(path: Path, reason: Message) -> BoundError:
    return BoundError(message("archive.not-read", path=str(path), reason=reason))


_DYING = 5.0
"""Seconds that a process whose pipe is closed is given to be gone."""


def _why(code: int | None, bounds: Bounds, doing: Doing) -> Message:
    if code is not None and code in (-signal.SIGABRT, -signal.SIGKILL):
        return _out_of_memory(bounds, doing)  # as C++ ends where memory is refused, and the kernel where it is short
    return message("bounds.died", doing=doing, exit_code=code)


def _out_of_memory(bounds: Bounds, doing: Doing) -> Message:
    return message("bounds.memory", doing=doing, megabytes=bounds.memory // 1_000_000)


def _answer(pipe: Connection, bounds: Bounds, parent: int, work: Callable[..., object], *arguments: object) -> None:
    """In the other process: do the work and send what came of it."""
    _end_with(parent)
    _silence()
    _hold(bounds)
    try:
        answer: tuple[Ended, object] = (Ended.DONE, work(*arguments))
    except ArchiveError as problem:
        answer = (Ended.REFUSED, problem)
    except MemoryError:
        answer = (Ended.MEMORY, None)
    except RecursionError as problem:
        reason = message("bounds.nested", reason=str(problem))
        answer = (Ended.REFUSED, ArchiveError(message("archive.not-read", path=str(arguments[0]), reason=reason)))
    except Exception:  # the end of this process: whatever a library raises goes to who waits, as a fault of ours
        answer = (Ended.FAULT, traceback.format_exc())
    pipe.send_bytes(pickle.dumps(answer))
    pipe.close()
    os._exit(0)  # what this process leaves behind goes with it


def _silence() -> None:
    """Let what a library writes on its way down not stand in the terminal: how it ended is said by who waits."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for stream in (1, 2):
        os.dup2(nowhere, stream)


def _hold(bounds: Bounds) -> None:
    """Let this process have so much memory more and no core file; where the system knows such limits."""
    with suppress(ImportError, OSError, ValueError):
        import resource

        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        limit = _address_space() + bounds.memory
        resource.setrlimit(resource.RLIMIT_AS, (limit, limit))


def _address_space() -> int:
    """Bytes of address space that this process has (proc(5), statm)."""
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
    return pages * os.sysconf("SC_PAGE_SIZE")


def _end_with(parent: int) -> None:
    """Let this process end as soon as the one that started it does; on Linux (prctl(2), PR_SET_PDEATHSIG)."""
    if sys.platform == "linux":
        import ctypes

        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
        if os.getppid() != parent:
            os._exit(1)


_PR_SET_PDEATHSIG = 1
"""Option of prctl(2), as in <linux/prctl.h>."""
