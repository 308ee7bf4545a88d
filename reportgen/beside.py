"""A second process for work that stands by itself, on machines with a core to spare."""

from __future__ import annotations

import gc
import os
import pickle
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from functools import cache
from multiprocessing import get_context
from multiprocessing.connection import Connection
from typing import TypeVar

from reportgen.cores import end_with_parent

T = TypeVar("T")
Part = TypeVar("Part")


def beside(work: Callable[[Callable[[], Part]], T], part: Callable[[], Part], cores: int) -> Callable[[], T]:
    """Begin ``work`` in a forked process, make here meanwhile the ``part`` that it will need, and hand that over.

    Calling what is returned waits for the result. Whatever goes wrong there – an exception, the kernel ending it for
    want of memory – ``work`` is then done here, so that its own exception comes through; with one core it is done here
    in any case. ``work`` must give the same every time, and is given a function that waits for the part. Here ``part``
    is called once at least and must keep what it made; where nothing is handed over, it is called there.
    """
    if cores < 2 or sys.platform != "linux":
        return lambda: work(part)
    context = get_context("fork")
    here, there = context.Pipe()
    process = context.Process(target=_answer, args=(work, part, here, there), daemon=True)
    process.start()
    there.close()
    try:
        _send(here, part())
    except BaseException:
        here.close()  # the other process is not left waiting
        raise

    def result() -> T:
        try:
            answer = here.recv_bytes()
        except (EOFError, OSError):
            return work(part)
        finally:
            here.close()
            process.join()
        found: T = pickle.loads(answer)
        return found

    return result


def _send(here: Connection, part: object) -> None:
    with suppress(OSError):  # whoever should take it has ended, which is noticed when its result is asked for
        here.send_bytes(pickle.dumps(part))


def _answer(
    work: Callable[[Callable[[], Part]], T], part: Callable[[], Part], here: Connection, there: Connection
) -> None:
    end_with_parent()
    gc.disable()  # what this process leaves behind goes with it
    here.close()
    try:
        with ThreadPoolExecutor(1) as threads:  # takes the part as soon as it comes, since a pipe holds little of it
            came = threads.submit(there.recv_bytes)
            result = work(cache(lambda: _taken(came.result, part)))
        there.send_bytes(pickle.dumps(result))
    except BaseException:
        os._exit(1)  # in silence: whoever waits for the answer does the work again and hears the reason


def _taken(read: Callable[[], bytes], part: Callable[[], Part]) -> Part:
    try:
        came = read()
    except (EOFError, OSError):
        return part()
    taken: Part = pickle.loads(came)
    return taken
