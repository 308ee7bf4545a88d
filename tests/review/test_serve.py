"""The server itself: on the loopback address alone, one for each job, and a job file that is whole however it ends."""

from __future__ import annotations

import contextlib
import http.client
import os
import signal
import threading
import urllib.parse

import pytest
from waitress import wasyncore

from reportgen.archive.folder import Folder
from reportgen.archive.publish import clear_parts, only_one
from reportgen.errors import ArchiveError, ReadError
from reportgen.pipeline import Settings
from reportgen.records.message import message
from reportgen.review.asked import asked_of
from reportgen.review.serve import LOCK, Place, review, server_of
from tests.review.small_review_job import JOB, write_job
from tests.review.test_app import REJECT


@pytest.fixture
def served(session):
    """A server that runs, and the address of its page."""
    server, address = server_of(session)
    stop = threading.Event()

    def run():
        while not stop.is_set():
            wasyncore.loop(timeout=0.05, map=server._map, count=1)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    yield server, urllib.parse.urlsplit(address)
    stop.set()
    thread.join(10.0)
    server.close()
    wasyncore.close_all(server._map, ignore_all=True)
    server.task_dispatcher.shutdown()


def test_it_answers_on_the_loopback_address_alone(served, session):
    server, told = served
    assert told.hostname == "127.0.0.1"
    assert server.socket.getsockname()[0] == "127.0.0.1"
    with contextlib.closing(http.client.HTTPConnection("127.0.0.1", told.port, timeout=20)) as line:
        line.request("GET", told.path + "state", headers={"Connection": "close"})
        with line.getresponse() as answer:
            assert answer.status == 200
            assert answer.headers.get("Server") in (None, "waitress")
            answer.read()
    with contextlib.closing(http.client.HTTPConnection("127.0.0.1", told.port, timeout=20)) as line:
        line.request("POST", told.path + "decide", body=b"x" * 200_000, headers={"Connection": "close"})
        with line.getresponse() as answer:
            assert answer.status in (403, 413)
    with pytest.raises(ReadError):
        server_of(session, told.port)


def test_a_fault_of_the_program_tells_no_traceback(served, session, monkeypatch, caplog):
    def broken(*_):
        raise RuntimeError("a secret of the machine")

    monkeypatch.setattr(type(session), "state", broken)
    with contextlib.closing(http.client.HTTPConnection("127.0.0.1", served[1].port, timeout=20)) as line:
        line.request("GET", served[1].path + "state", headers={"Connection": "close"})
        with line.getresponse() as answer:
            told = answer.read().decode()
    assert answer.status == 500
    assert "secret" not in told
    assert "Traceback" not in told
    assert "a secret of the machine" in caplog.text, "who started the server sees it"


def test_a_second_server_on_the_same_job_is_refused_before_it_computes(tmp_path, monkeypatch):
    monkeypatch.setattr("reportgen.review.serve.Session", lambda *_a, **_k: pytest.fail("the second one computes"))
    folder = write_job(tmp_path / "job")
    refused = message("review.other-server", job=str(folder))
    with only_one(folder / LOCK, refused), pytest.raises(ArchiveError) as told:
        review(folder, Settings(), Place(browser=False), print)
    assert told.value.said == refused
    assert not (folder / LOCK).exists()


def test_a_lock_that_a_dead_server_left_holds_nobody_up(tmp_path):
    (tmp_path / LOCK).touch()
    with only_one(tmp_path / LOCK, message("review.other-server", job="x")):
        assert (tmp_path / LOCK).exists()
    assert not (tmp_path / LOCK).exists()


def test_a_lock_that_is_a_file_of_somebody_is_left_alone(tmp_path):
    (tmp_path / LOCK).write_text("mine", encoding="utf-8")
    with pytest.raises(ArchiveError), only_one(tmp_path / LOCK, message("review.other-server", job="x")):
        pytest.fail("it was taken")
    assert (tmp_path / LOCK).read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize("step", ["write", "move", "sync"])
def test_a_killed_server_leaves_the_job_file_whole(session, step):
    """Killed as the new file begins, before it takes its place, and behind that: the job is the old or the new one."""
    pid = os.fork()
    if pid == 0:
        setattr(Folder, step, lambda *_args: os.kill(os.getpid(), signal.SIGKILL))
        session.decide(asked_of(REJECT))
        os._exit(1)
    _, status = os.waitpid(pid, 0)
    assert os.WIFSIGNALED(status)
    text = (session.folder / "job.toml").read_text(encoding="utf-8")
    if step == "sync":
        assert text.count("[[correction]]") == JOB.count("[[correction]]") + 1
    else:
        assert text == JOB
    clear_parts(session.folder / "job.toml")
    assert sorted(each.name for each in session.folder.iterdir()) == ["job.toml", "logs", "notes.txt"]


def test_a_port_is_a_number_of_this_machine(capsys):
    from reportgen.cli import main

    for port in ("0", "65536", "x"):
        with pytest.raises(SystemExit) as told:
            main(["review", "job", "--port", port])
        assert told.value.code == 2
    assert "is no port" in capsys.readouterr().err
