"""The machine's cores: how many may be used, and the rule that no sum depends on their number."""

from __future__ import annotations

import os
import signal
import sys

ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}
"""Threads inside linear algebra add in an order that depends on their number; work is shared out run by run instead."""


def cores() -> int:
    """Cores this process may run on."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def one_thread() -> None:
    """Hold linear algebra to one thread, here and in every process started from here; before NumPy is imported."""
    os.environ.update(ONE_THREAD)


def end_with_parent() -> None:
    """Let this process end as soon as the one that started it does, however that ends; on Linux.

    A worker waits for its next task, or for somebody to take its answer: without this, those of a killed build would
    wait until the machine is switched off.
    """
    if sys.platform == "linux":
        import ctypes

        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)


_PR_SET_PDEATHSIG = 1
"""Option of prctl(2), as in <linux/prctl.h>."""
