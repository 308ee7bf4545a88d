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

TESTS = Path(__file__).resolve().parent
SLOW = (
    "accuracy",
    "archive/test_forged_pages.py",
    "archive/test_issue.py",
    "archive/test_open_archive.py",
    "archive/test_outputs.py",
    "archive/test_publish.py",
    "archive/test_sign.py",
    "archive/test_verify.py",
    "compute/test_asked_mode.py",
    "compute/test_blows.py",
    "compute/test_cross_check.py",
    "compute/test_decay.py",
    "compute/test_decay_backbone.py",
    "compute/test_demodulated_modes.py",
    "compute/test_demodulation.py",
    "compute/test_equal_level.py",
    "compute/test_identify.py",
    "compute/test_identify_start.py",
    "compute/test_interrupted_sweeps.py",
    "examples",
    "examples/test_draft.py",
    "judge/test_decisions.py",
    "judge/test_excluded_bands.py",
    "judge/test_flips.py",
    "judge/test_monitored_channels.py",
    "read/test_inspect_property.py",
    "read/test_run_history.py",
    "render/test_branding.py",
    "render/test_browser.py",
    "render/test_draft.py",
    "render/test_figures.py",
    "render/test_html.py",
    "render/test_page_text.py",
    "render/test_pdf.py",
    "render/test_summary_and_quicklook.py",
    "render/test_tables.py",
    "review/test_build.py",
    "simulator",
    "soak",
    "test_batch.py",
    "test_cores.py",
)
"""Files and folders of tests that take more than two seconds of a processor: ``make check`` leaves them out."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark as slow what stands in ``SLOW``."""
    slow = {TESTS / each for each in SLOW}
    for item in items:
        if slow.intersection((item.path, *item.path.parents)):
            item.add_marker(pytest.mark.slow)


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


@pytest.fixture(scope="session")
def example_page(shared_folder: Path, example_report: Callable[[str], Report]) -> Callable[[str], str]:
    """The report of an example on screen, by the name of its folder."""
    from reportgen.resources import data_dir
    from tests.printed import render_html

    def page(name: str) -> str:
        report = example_report(name)
        return once(shared_folder, f"{name}.html", lambda: render_html(report, templates=data_dir("templates")))

    return page


@pytest.fixture(scope="session")
def example_words(example_report: Callable[[str], Report]) -> Callable[[str], str]:
    """The same page with its figures left white, for tests that read its words."""
    from reportgen.resources import data_dir
    from tests.printed import page_of_words

    return lambda name: page_of_words(example_report(name), templates=data_dir("templates"))


@pytest.fixture(scope="session")
def example_pdf(shared_folder: Path, example_report: Callable[[str], Report]) -> Callable[[str], bytes]:
    """The report of an example on paper, with one attachment, by the name of its folder."""
    from reportgen.resources import data_dir
    from tests.printed import render_pdf

    def pdf(name: str) -> bytes:
        report, attached = example_report(name), {"results.json": b"{}"}
        return once(
            shared_folder,
            f"{name}.pdf",
            lambda: render_pdf(report, templates=data_dir("templates"), attachments=attached),
        )

    return pdf
