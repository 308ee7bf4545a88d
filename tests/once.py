"""What is dear to compute is computed by one process of a test run and read by the others."""

from __future__ import annotations

import os
import pickle
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

T = TypeVar("T")
LONGEST_S = 600.0
"""Longest time a process waits for another's value; the dearest value takes ten seconds of a processor."""
POLL_S = 0.05


def once(folder: Path, name: str, compute: Callable[[], T]) -> T:
    """The value of ``compute()`` by this name, computed by whichever process of the run asks first.

    The name is claimed by creating a file, which the file system grants to one process alone (O_CREAT | O_EXCL). The
    value is kept as a pickle beside it and read anew by each that asks, so nobody can spoil another's. Raises
    RuntimeError where the process that had claimed the name failed or went away.
    """
    kept = folder / f"{name}.pickle"
    if _claimed(folder / f"{name}.claim"):
        _keep(kept, compute)
    return pickle.loads(_waited_for(kept))


def _claimed(claim: Path) -> bool:
    try:
        handle = os.open(claim, os.O_CREAT | os.O_EXCL | os.O_WRONLY)
    except FileExistsError:
        return False
    os.write(handle, str(os.getpid()).encode())
    os.close(handle)
    return True


def _keep(kept: Path, compute: Callable[[], object]) -> None:
    """The value in a file that appears whole or, where computing it fails, not at all."""
    try:
        content = pickle.dumps(compute(), pickle.HIGHEST_PROTOCOL)
    except BaseException:
        kept.with_suffix(".failed").touch()
        raise
    part = kept.with_suffix(".part")
    part.write_bytes(content)
    part.replace(kept)


def _waited_for(kept: Path) -> bytes:
    until = time.monotonic() + LONGEST_S
    while not kept.exists():
        if kept.with_suffix(".failed").exists():
            raise RuntimeError(f"{kept.stem}: the process that computed it failed; its test says why")
        if time.monotonic() > until:
            raise RuntimeError(f"{kept.stem}: not computed within {LONGEST_S:g} s")
        time.sleep(POLL_S)
    return kept.read_bytes()
