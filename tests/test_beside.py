"""Work done in a second process: the same result, the work's own exception, and no loss when the process is killed."""

from __future__ import annotations

import os
import signal
import sys
import time

import pytest

from reportgen.beside import beside
from reportgen.errors import PdfUnavailableError

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="processes are forked on Linux alone")


def nothing():
    """A part that nobody asks for."""


def test_the_result_comes_from_another_process():
    here = os.getpid()
    assert beside(lambda _: os.getpid(), nothing, cores=2)() != here
    assert beside(lambda _: os.getpid(), nothing, cores=1)() == here


def test_a_result_larger_than_a_pipe_comes_whole():
    assert beside(lambda _: bytes(3_000_000), nothing, cores=2)() == bytes(3_000_000)


def test_the_exception_of_the_work_comes_through():
    def work(_):
        raise PdfUnavailableError("no PDF: install it")

    with pytest.raises(PdfUnavailableError, match="install it"):
        beside(work, nothing, cores=2)()


def test_work_of_a_killed_process_is_done_here():
    here = os.getpid()

    def work(_):
        if os.getpid() != here:
            os.kill(os.getpid(), signal.SIGKILL)
        return "done"

    assert beside(work, nothing, cores=2)() == "done"


def test_the_part_is_made_here_and_handed_over():
    here = os.getpid()
    made_by, done_by, size = beside(lambda part: (*part()[:1], os.getpid(), len(part()[1])), made_here, cores=2)()
    assert made_by == here != done_by
    assert size == 3_000_000
    assert beside(lambda part: (part()[0], os.getpid()), made_here, cores=1)() == (here, here)


def made_here():
    return os.getpid(), bytes(3_000_000)  # more than a pipe holds


def test_the_part_is_handed_over_before_anybody_asks_for_it(tmp_path):
    """Nobody here waits until the other process needs it: that asks for the part only when it is told to go on."""
    sign = tmp_path / "go on"

    def work(part):
        for _ in range(600):
            if sign.exists():
                return len(part()[1])
            time.sleep(0.05)
        return "never told to go on"

    result = beside(work, made_here, cores=2)
    sign.touch()
    assert result() == 3_000_000


def test_a_part_that_cannot_be_made_ends_it_here():
    def part():
        raise PdfUnavailableError("no figures")

    with pytest.raises(PdfUnavailableError, match="no figures"):
        beside(lambda take: take(), part, cores=2)


def test_work_with_a_part_is_done_here_where_its_process_is_killed():
    here = os.getpid()

    def work(part):
        if os.getpid() != here:
            os.kill(os.getpid(), signal.SIGKILL)
        return part()[0]

    assert beside(work, made_here, cores=2)() == here
