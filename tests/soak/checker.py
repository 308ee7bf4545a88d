"""Jobs checked in a process of its own that may take so much memory and so long."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]

_CHECKING = """
import json, resource, sys
from pathlib import Path
resource.setrlimit(resource.RLIMIT_AS, (3 << 30, 3 << 30))
from reportgen.pipeline import check_job
from reportgen.render.terminal import finding_line
for line in sys.stdin:
    findings = check_job(Path(json.loads(line))).findings
    print(json.dumps([(each.severity, finding_line(each)) for each in findings]), flush=True)
"""


class Checker:
    """Checks jobs in a process of its own that may take 3 GB; one that dies, or is late, fails the test."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[str] | None = None

    def __call__(self, job: Path, *, seconds: int = 120) -> list[str]:
        """The errors of a job."""
        return [line for severity, line in self.findings(job, seconds=seconds) if severity == "error"]

    def findings(self, job: Path, *, seconds: int = 120) -> list[tuple[str, str]]:
        """Every finding of a job: severity and line."""
        if self._process is not None and self._process.poll() is not None:
            self.end()
        process = self._process = self._process or self._begun()
        assert process.stdin is not None
        assert process.stdout is not None
        late = threading.Timer(seconds, process.kill)
        late.start()
        process.stdin.write(json.dumps(str(job)) + "\n")
        process.stdin.flush()
        answer = process.stdout.readline()
        late.cancel()
        assert answer, f"died (exit code {process.wait(10)}) or took more than {seconds} s"
        found: list[tuple[str, str]] = json.loads(answer)
        return found

    def _begun(self) -> subprocess.Popen[str]:
        environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
        pipe = subprocess.PIPE
        command = [sys.executable, "-c", _CHECKING]
        return subprocess.Popen(command, stdin=pipe, stdout=pipe, text=True, cwd=ROOT, env=environment)

    def end(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.communicate()
            self._process = None


check_within = Checker()
