"""What a test run shares among its processes is computed once, whoever asks, and nobody waits for what failed."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.once import once

ROOT = Path(__file__).resolve().parents[1]
ASK = """
import os, sys, time
from pathlib import Path
from tests.once import once
def compute():
    time.sleep(0.2)
    with open(sys.argv[1] + "/computed", "a") as told:
        told.write("x")
    return os.getpid()
print(once(Path(sys.argv[1]), "value", compute))
"""


def test_three_processes_compute_once(tmp_path):
    asking = [
        subprocess.Popen([sys.executable, "-c", ASK, str(tmp_path)], cwd=ROOT, stdout=subprocess.PIPE, text=True)
        for _ in range(3)
    ]
    told = [each.communicate()[0].strip() for each in asking]
    assert len(set(told)) == 1
    assert told[0] in {str(each.pid) for each in asking}
    assert (tmp_path / "computed").read_text() == "x"


def test_each_has_a_value_of_its_own(tmp_path):
    once(tmp_path, "value", lambda: [1]).append(2)
    assert once(tmp_path, "value", lambda: [3]) == [1]


def test_nobody_waits_for_what_failed(tmp_path):
    def fail() -> int:
        raise ValueError("no such example")

    with pytest.raises(ValueError, match="no such example"):
        once(tmp_path, "value", fail)
    with pytest.raises(RuntimeError, match="value: the process that computed it failed"):
        once(tmp_path, "value", fail)
