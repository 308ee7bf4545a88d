"""Demo: the example jobs that come with the program, copied and built."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

from reportgen.cores import cores
from reportgen.errors import ReportError
from reportgen.pipeline import Built, Settings, build_job
from reportgen.progress import Progress
from reportgen.records.message import message
from reportgen.resources import data_dir


def demo(out: Path | None, say: Callable[[Built], object]) -> bool:
    """Build copies of the example jobs below ``out`` and say each; whether every PDF could be made."""
    folder = out or Path.cwd() / "example_reports"
    complete = True
    for example in sorted(path.parent for path in data_dir("example_logs").glob("*/job.toml")):
        job = folder / example.name
        try:
            shutil.copytree(example, job, dirs_exist_ok=True, ignore=shutil.ignore_patterns("report"))
        except (OSError, shutil.Error) as problem:
            raise ReportError(message("demo.cannot-copy", folder=str(job), reason=str(problem))) from problem
        progress = Progress()
        built = build_job(job, None, Settings(cores=cores(), example=True), progress)
        progress.done()
        say(built)
        complete = complete and built.missing_pdf is None
    return complete
