"""Logs and records that claim, nest, loop and unpack without end: refused in time and memory, by name."""

from __future__ import annotations

import pytest

from tests.soak.checker import check_within
from tests.soak.hostile_files import COLUMNS, EVERY
from tests.soak.small_job import job_of, write_job

SECONDS = 60
"""On two idle cores the slowest takes 10 s; all cores may be busy."""

SOUND = {
    ("wave", "2^32 bytes promised"),  # how recorders that stream write a length they do not know yet
    ("wave", "1024 channels"),
    ("wave", "extensible"),
    ("wave", "extensible, valid bits of nothing"),  # the width of the container holds
    ("hdf5", "texts without end"),  # the job's mapping goes before them
}
"""Odd and right: nothing is to be said."""


@pytest.fixture(scope="module", autouse=True)
def _end_of_checker():
    yield
    check_within.end()


LONG = ("a date without end", "a sheet elsewhere that unpacks to 600 MB")
"""Cases that take more than a second of a processor: in ``make soak``."""


@pytest.mark.parametrize(
    "kind, case",
    [
        pytest.param(kind, case, marks=[pytest.mark.soak] if case in LONG else [])
        for kind, cases in EVERY.items()
        for case in cases
    ],
    ids=lambda each: each,
)
def test_a_file_made_to_fail_is_refused_by_name(tmp_path, kind, case):
    """Each once ended the process, ran without end, took all memory, was a traceback or was passed over."""
    made = EVERY[kind][case]()
    job = write_job(job_of((*made, COLUMNS[made[0]])), tmp_path / "job")
    about = [line for _, line in check_within.findings(job, seconds=SECONDS) if made[0] in line]
    assert bool(about) != ((kind, case) in SOUND), about
    assert all(len(line) < 2000 for line in about)
