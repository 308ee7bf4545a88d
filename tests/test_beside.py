"""Work done in a second process: the same result, the work's own exception, and no loss when the process is killed."""

from __future__ import annotations

import os
import signal
import sys

import pytest

from reportgen.beside import beside
from reportgen.errors import PdfUnavailableError

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="processes are forked on Linux alone")


def test_the_result_comes_from_another_process():
    here = os.getpid()
    assert beside(os.getpid, cores=2)() != here
    assert beside(os.getpid, cores=1)() == here


def test_a_result_larger_than_a_pipe_comes_whole():
    assert beside(lambda: bytes(3_000_000), cores=2)() == bytes(3_000_000)


def test_the_exception_of_the_work_comes_through():
    def work():
        raise PdfUnavailableError("no PDF: install it")

    with pytest.raises(PdfUnavailableError, match="install it"):
        beside(work, cores=2)()


def test_work_of_a_killed_process_is_done_here():
    here = os.getpid()

    def work():
        if os.getpid() != here:
            os.kill(os.getpid(), signal.SIGKILL)
        return "done"

    assert beside(work, cores=2)() == "done"
