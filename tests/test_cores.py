"""Processes: none outlives the one that started it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]

POOL = """
import multiprocessing, os, sys, time
from concurrent.futures import ProcessPoolExecutor
from reportgen.cores import end_with_parent
if __name__ == "__main__":
    pool = ProcessPoolExecutor(1, mp_context=multiprocessing.get_context(sys.argv[1]), initializer=end_with_parent)
    print(pool.submit(os.getpid).result(), flush=True)
    time.sleep(60)
"""
BESIDE = """
import os, time
from reportgen.beside import beside
def work(_):
    print(os.getpid(), flush=True)
    return b"x" * 1_000_000  # more than a pipe holds
beside(work, lambda: None, 2)
time.sleep(60)
"""


def gone(pid: int, seconds: float = 20.0) -> bool:
    """Whether a process ends within that time; one that nobody has waited for is gone, too."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        try:
            if Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z":
                return True
        except FileNotFoundError:
            return True
        time.sleep(0.05)
    return False


@pytest.mark.skipif(sys.platform != "linux", reason="prctl is Linux's")
@pytest.mark.parametrize(
    "script, argument", [(POOL, "fork"), (POOL, "spawn"), (BESIDE, "")], ids=["fork", "spawn", "beside"]
)
def test_a_killed_build_leaves_no_worker(tmp_path, script, argument):
    """After fifty killed builds, twenty processes of 190 MB stood waiting for somebody to take their pages."""
    (tmp_path / "script.py").write_text(script)
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    command = [sys.executable, str(tmp_path / "script.py"), argument]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment) as parent:
        assert parent.stdout is not None
        worker = int(parent.stdout.readline())
        time.sleep(0.3)
        parent.send_signal(signal.SIGKILL)
        parent.wait()
        assert gone(worker)
