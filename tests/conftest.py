"""What all tests share: linear algebra on one thread, as in the product, and the reports of the examples."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from reportgen.cores import one_thread

one_thread()  # before NumPy: threads that wait for one another took three to seven times the processor time

# ruff: noqa: E402
from reportgen.pipeline import compute_report, read_inputs
from reportgen.records.report import Report
from tests.once import once
from tests.simulator.examples import EXAMPLES


@pytest.fixture(scope="session")
def shared_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One folder of the whole run, whichever process asks (a worker's own folder lies in the run's)."""
    own = tmp_path_factory.getbasetemp()
    folder = (own.parent if own.name.startswith("popen-") else own) / "shared"
    folder.mkdir(exist_ok=True)
    return folder


@pytest.fixture(scope="session")
def example_report(shared_folder: Path) -> Callable[[str], Report]:
    """The computed report of an example by the name of its folder."""

    def report(name: str) -> Report:
        return once(shared_folder, name, lambda: compute_report(read_inputs(EXAMPLES / name)))

    return report
