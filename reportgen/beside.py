"""A second process for work that stands by itself, on machines with a core to spare."""

from __future__ import annotations

import os
import pickle
import sys
from collections.abc import Callable
from multiprocessing import get_context
from multiprocessing.connection import Connection
from typing import TypeVar

from reportgen.cores import end_with_parent

T = TypeVar("T")


def beside(work: Callable[[], T], cores: int) -> Callable[[], T]:
    """Begin ``work`` in a forked process and go on; calling what is returned waits for its result.

    Whatever goes wrong there – an exception, the kernel ending it for want of memory – ``work`` is then done here, so
    that its own exception comes through; with one core it is done here in any case. ``work`` must give the same every
    time.
    """
    if cores < 2 or sys.platform != "linux":
        return work
    context = get_context("fork")
    receiver, sender = context.Pipe(duplex=False)
    process = context.Process(target=_answer, args=(work, sender), daemon=True)
    process.start()
    sender.close()

    def result() -> T:
        try:
            answer = receiver.recv_bytes()
        except (EOFError, OSError):
            return work()
        finally:
            receiver.close()
            process.join()
        found: T = pickle.loads(answer)
        return found

    return result


def _answer(work: Callable[[], T], sender: Connection) -> None:
    end_with_parent()
    try:
        sender.send_bytes(pickle.dumps(work()))
    except BaseException:
        os._exit(1)  # in silence: whoever waits for the answer does the work again and hears the reason
