"""A set of outputs is there whole or not at all: killed at any moment, on a full disk, in a read-only folder."""

from __future__ import annotations

import ctypes
import errno
import os
import random
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import BinaryIO

import pytest

from reportgen.archive import publish as publish_module
from reportgen.archive.folder import Folder
from reportgen.archive.issue import MARKER
from reportgen.archive.manifest import MANIFEST, read_manifest
from reportgen.archive.publish import JOURNAL, publish, write_whole
from reportgen.errors import ArchiveError
from reportgen.records.message import message
from reportgen.render.catalogue import said
from tests.archive.words import telling

OLD = {"report.pdf": b"old pdf" * 100, "results.json": b'{"of": "old"}'}
NEW = {"report.pdf": b"new pdf" * 100, "results.json": b'{"of": "new"}', "figures/one.svg": b"<svg/>"}


def contents(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name not in (MANIFEST, MARKER, JOURNAL)
    }


def beside(target: Path) -> list[str]:
    return sorted(path.name for path in target.parent.iterdir() if path != target)


def test_first_and_second_set(tmp_path):
    target = tmp_path / "deep" / "report"
    publish(OLD, target)
    assert contents(target) == OLD
    publish(NEW, target)
    assert contents(target) == NEW
    assert beside(target) == []


def test_manifest_is_one_that_sha256sum_accepts(tmp_path):
    publish(NEW, tmp_path / "report")
    done = subprocess.run(["sha256sum", "--strict", "-c", MANIFEST], cwd=tmp_path / "report", capture_output=True)
    assert done.returncode == 0, done.stderr


def test_outputs_may_be_files_and_writers(tmp_path):
    source = tmp_path / "source.bin"
    source.write_bytes(b"x" * 3_000_000)

    def write(stream: BinaryIO) -> None:
        stream.write(b"by function")

    publish({"copied": source, "written": write}, tmp_path / "report")
    assert contents(tmp_path / "report") == {"copied": source.read_bytes(), "written": b"by function"}


def test_permissions_follow_the_umask_and_then_the_folder_replaced(tmp_path):
    target = tmp_path / "report"
    publish(OLD, target)
    assert target.stat().st_mode & 0o777 == 0o777 & ~_umask()
    target.chmod(0o750)
    publish(NEW, target)
    assert target.stat().st_mode & 0o777 == 0o750


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def test_what_no_build_wrote_is_carried_over(tmp_path):
    target = tmp_path / "report"
    publish(OLD, target)
    (target / "report-signed.pdf").write_bytes(b"signed")
    (target / "mail").mkdir()
    (target / "mail" / "cover.txt").write_text("with thanks")
    for _ in range(2):
        publish(NEW, target)
        assert contents(target) == {**NEW, "report-signed.pdf": b"signed", "mail/cover.txt": b"with thanks"}
    assert beside(target) == []


@pytest.mark.parametrize("holding", ["thesis.odt", "report.pdf"])
def test_a_folder_of_somebody_else_is_refused(tmp_path, holding):
    (tmp_path / holding).write_text("mine")
    with telling(ArchiveError, match=rf"holds files that no build wrote \({holding}\).*--out"):
        publish(NEW, tmp_path)
    assert contents(tmp_path) == {holding: b"mine"}


def test_a_file_of_somebody_else_is_never_replaced(tmp_path):
    target = tmp_path / "report"
    publish(OLD, target)
    (target / "figures").write_text("mine")
    with telling(ArchiveError, match="figures was not written by a build"):
        publish(NEW, target)
    assert contents(target) == {**OLD, "figures": b"mine"}


def test_a_file_in_the_way_and_an_empty_folder(tmp_path):
    (tmp_path / "file").write_text("")
    with telling(ArchiveError, match="is a file; the outputs need a folder"):
        publish(NEW, tmp_path / "file")
    (tmp_path / "empty").mkdir()
    publish(NEW, tmp_path / "empty")
    assert contents(tmp_path / "empty") == NEW


@pytest.mark.parametrize("name", ["../escaped", "/tmp/escaped", "a/../../escaped", "a\nb", "", MANIFEST])
def test_a_name_that_leads_out_of_the_folder_is_refused(tmp_path, name):
    with telling(ArchiveError, match="cannot be the name of an output"):
        publish({name: b""}, tmp_path / "report")
    assert list(tmp_path.iterdir()) == []


def test_a_link_as_report_replaced_what_it_led_to(tmp_path):
    real = tmp_path / "other job" / "report"
    publish(OLD, real)
    (tmp_path / "report").symlink_to(real)
    with telling(ArchiveError, match="report is a link, which a build does not follow"):
        publish(NEW, tmp_path / "report")
    assert (tmp_path / "report").is_symlink()
    assert contents(real) == OLD


def test_links_above_the_target_are_the_user_s_own(tmp_path):
    (tmp_path / "disk").mkdir()
    (tmp_path / "jobs").symlink_to(tmp_path / "disk")
    publish(NEW, tmp_path / "jobs" / "report")
    assert contents(tmp_path / "disk" / "report") == NEW


def test_a_writer_that_fails_leaves_the_earlier_set(tmp_path):
    target = tmp_path / "report"
    publish(OLD, target)

    def fail(stream):
        stream.write(b"half")
        raise ArchiveError(message("as-written", text="logs/x.csv was changed after it was read"))

    with telling(ArchiveError, match="was changed after it was read"):
        publish({"first": b"1", "second": fail}, target)
    assert contents(target) == OLD
    assert beside(target) == []


@pytest.mark.parametrize(
    "code, words",
    [
        (errno.ENOSPC, "the disk is full"),
        (errno.EROFS, "read-only"),
        (errno.EACCES, "no permission"),
        (errno.EDQUOT, "quota"),
        (errno.EIO, "the disk reported a fault"),
    ],
)
def test_a_fault_of_the_disk_is_said_in_words(tmp_path, code, words):
    target = tmp_path / "report"
    publish(OLD, target)

    def fail(stream):
        raise OSError(code, os.strerror(code))

    with telling(ArchiveError, match=words) as caught:
        publish({"report.pdf": fail}, target)
    assert "what stood there before is untouched" in said(caught.value.said)
    assert contents(target) == OLD
    assert beside(target) == []


def test_file_systems_that_cannot_exchange_folders(tmp_path, monkeypatch):
    monkeypatch.setattr(publish_module, "_exchanged", lambda parent, one, other: False)
    target = tmp_path / "report"
    publish(OLD, target)
    (target / "report-signed.pdf").write_bytes(b"signed")
    publish(NEW, target)
    assert contents(target) == {**NEW, "report-signed.pdf": b"signed"}
    assert beside(target) == []


def test_a_failed_rename_puts_the_earlier_set_back(tmp_path, monkeypatch):
    target = tmp_path / "report"
    publish(OLD, target)
    monkeypatch.setattr(publish_module, "_exchanged", lambda parent, one, other: False)
    move = Folder.move

    def fail_at_the_new_one(folder, path, goal, goal_path):
        if path == ".report.new":
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return move(folder, path, goal, goal_path)

    monkeypatch.setattr(Folder, "move", fail_at_the_new_one)
    with telling(ArchiveError, match="the disk reported a fault"):
        publish(NEW, target)
    assert contents(target) == OLD


def test_two_builds_at_once_both_end_and_one_set_stands_whole(tmp_path):
    target = tmp_path / "report"
    sets = [{name: bytes([65 + n]) * 50_000 for name in ("a", "b", "c")} for n in range(8)]
    threads = [threading.Thread(target=publish, args=(each, target)) for each in sets]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert contents(target) in sets
    assert beside(target) == []


def test_a_build_that_waits_too_long_says_so(tmp_path):
    target = tmp_path / "report"
    publish(OLD, target)
    entered, leave = threading.Event(), threading.Event()

    def slow(stream):
        entered.set()
        leave.wait(10)

    first = threading.Thread(target=publish, args=({"slow": slow}, target))
    first.start()
    assert entered.wait(10)
    with telling(ArchiveError, match="another build has been writing here for 0 s"):
        publish(NEW, target, wait_s=0.0)
    leave.set()
    first.join()
    assert contents(target) == {"slow": b""}


def test_one_file_whole_or_not_at_all(tmp_path):
    path = tmp_path / "quicklook.html"
    write_whole(path, b"one")
    write_whole(path, b"two")
    assert contents(tmp_path) == {"quicklook.html": b"two"}
    with telling(ArchiveError, match="No such file"):
        write_whole(tmp_path / "nowhere" / "x", b"")


# Killed at any moment -------------------------------------------------------------------------------------------

_KILLED = """
import sys
from pathlib import Path
from reportgen.archive.publish import publish
target, number = Path(sys.argv[1]), 1
print("ready", flush=True)
while True:
    fill = str(number).encode() * 20
    publish({f"file{n}": fill * 500 for n in range(6)} | {"number": fill}, target)
    number += 1
"""


def _kill_after(target: Path, seconds: float) -> None:
    process = subprocess.Popen([sys.executable, "-c", _KILLED, str(target)], stdout=subprocess.PIPE)
    assert process.stdout is not None
    process.stdout.readline()
    time.sleep(seconds)
    process.send_signal(signal.SIGKILL)
    process.wait()
    process.stdout.close()


def _assert_whole(target: Path) -> None:
    """Every file of the set is of one build, and is what the manifest says."""
    found = contents(target)
    fill = found.pop("number")
    assert len(found) == 7
    assert found.pop("report-signed.pdf") == b"signed"
    assert set(found.values()) == {fill * 500}


def _survives_kills(target: Path, kills: int) -> None:
    chance = random.Random(20260320)
    publish({f"file{n}": b"0" * 10_000 for n in range(6)} | {"number": b"0" * 20}, target)
    (target / "report-signed.pdf").write_bytes(b"signed")
    for _ in range(kills):
        _kill_after(target, chance.uniform(0.0, 0.15))
        _assert_whole(target)
    publish(OLD, target)
    assert contents(target) == {**OLD, "report-signed.pdf": b"signed"}
    assert beside(target) == []


def test_killed_at_any_moment(tmp_path):
    _survives_kills(tmp_path / "report", kills=5)


@pytest.mark.soak
def test_killed_at_fifty_moments(tmp_path):
    _survives_kills(tmp_path / "report", kills=50)


# Every step of a build is a moment it can die at; the steps are taken one by one -----------------------------------


class _Died(BaseException):
    """The process is gone: no clean-up code of its own may run."""


def _publish_dying_at_step(target: Path, step: int, outputs: dict[str, bytes], *, exchange: bool) -> bool:
    """Publish in a child that dies at its n-th change of the file system; whether it died."""
    pid = os.fork()
    if pid == 0:
        left = [step]

        def audit(event: str, args: tuple[object, ...]) -> None:
            changes = {"os.rename", "os.remove", "os.rmdir", "os.mkdir", "os.link"}
            if event in changes or (event == "open" and isinstance(args[2], int) and args[2] & os.O_CREAT):
                left[0] -= 1
                if left[0] < 0:
                    os._exit(9)

        if not exchange:
            publish_module._exchanged = lambda parent, one, other: False
        sys.addaudithook(audit)
        try:
            publish(outputs, target)
        finally:
            os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) == 9


@pytest.mark.parametrize("exchange", [True, False])
def test_dying_at_each_step(tmp_path, exchange):
    """At each single change of the file system; after it a set stands whole and the next build leaves no trace."""
    for step in range(200):
        target = tmp_path / str(step) / "report"
        publish(OLD, target)
        (target / "report-signed.pdf").write_bytes(b"signed")
        died = _publish_dying_at_step(target, step, NEW, exchange=exchange)
        if exchange or target.exists():
            whole = contents(target)
            assert whole.pop("report-signed.pdf") == b"signed"
            assert whole in (OLD, NEW), step
        publish(NEW, target)
        assert contents(target) == {**NEW, "report-signed.pdf": b"signed"}, step
        assert beside(target) == [], step
        if not died:
            return
    pytest.fail("the build never ended")


# Disks -------------------------------------------------------------------------------------------------------------


def _mount(options: str, folder: Path) -> None:
    libc = ctypes.CDLL(None, use_errno=True)
    if os.geteuid() != 0 or libc.mount(b"tmpfs", os.fsencode(folder), b"tmpfs", 0, options.encode()) != 0:
        pytest.skip("mounting a small disk needs root")


def _unmount(folder: Path) -> None:
    ctypes.CDLL(None).umount2(os.fsencode(folder), 2)


@pytest.fixture
def small_disk(tmp_path):
    folder = tmp_path / "disk"
    folder.mkdir()
    _mount("size=1m", folder)
    yield folder
    _unmount(folder)


def test_a_disk_of_one_megabyte(small_disk):
    target = small_disk / "report"
    publish(OLD, target)
    big = {"results.json": b"{}", "report.pdf": os.urandom(2_000_000)}
    with telling(ArchiveError, match=r"the disk is full.*untouched"):
        publish(big, target)
    assert contents(target) == OLD
    assert beside(target) == []
    publish(NEW, target)
    assert contents(target) == NEW


def test_a_read_only_disk(small_disk):
    target = small_disk / "report"
    publish(OLD, target)
    libc = ctypes.CDLL(None, use_errno=True)
    remount_read_only = 32 | 1
    if libc.mount(b"tmpfs", os.fsencode(small_disk), b"tmpfs", remount_read_only, b"") != 0:
        pytest.skip("this system does not let a disk be made read-only")
    with telling(ArchiveError, match=r"read-only.*--out"):
        publish(NEW, target)
    with telling(ArchiveError, match=r"read-only.*--out"):
        publish(NEW, small_disk / "elsewhere" / "report")
    assert contents(target) == OLD


def test_a_mount_point_is_not_replaced(small_disk):
    with telling(ArchiveError, match=r"mount point.*Name a folder inside it"):
        publish(OLD, small_disk)
    assert list(small_disk.iterdir()) == []
    assert beside(small_disk) == []


def test_a_folder_without_write_permission(tmp_path):
    """As a user who is not root: root may write everywhere."""
    target = tmp_path / "job" / "report"
    publish(OLD, target)
    tmp_path.chmod(0o755)
    target.parent.chmod(0o555)
    pid = os.fork()
    if pid == 0:
        try:
            if os.geteuid() == 0:
                os.setgroups([])
                os.setgid(65534)
                os.setuid(65534)
            publish(NEW, target)
            os._exit(1)
        except ArchiveError as problem:
            os._exit(
                0 if "no permission to write here" in said(problem.said) and "untouched" in said(problem.said) else 2
            )
        except BaseException:
            os._exit(3)
    code = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
    target.parent.chmod(0o755)
    assert code == 0
    assert contents(target) == OLD
    assert set(read_manifest((target / MANIFEST).read_text(), "")) == {*OLD, MARKER}
