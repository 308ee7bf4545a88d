"""The archive is a bag (RFC 8493): checked by the bagit library, and the same bytes every time."""

from __future__ import annotations

import hashlib
import io
import os
import subprocess
import sys
import tracemalloc
import zipfile
from dataclasses import replace
from pathlib import Path

import bagit
import pytest

from reportgen.archive import bag
from reportgen.archive.bag import write_archive
from reportgen.archive.manifest import manifest_text, read_manifest, versions
from reportgen.archive.open_archive import open_archive
from reportgen.archive.readme import readme_text
from reportgen.errors import ArchiveError
from tests.archive.bags import INFO, JOB_FILE, LOG, archive_bytes, archive_files, small_zip
from tests.archive.words import telling


def unpacked(path: Path, folder: Path) -> Path:
    with zipfile.ZipFile(path) as source:
        source.extractall(folder)
    (base,) = folder.iterdir()
    return base


def test_bagit_finds_the_bag_valid(tmp_path):
    base = unpacked(small_zip(tmp_path), tmp_path / "out")
    found = bagit.Bag(str(base))
    assert found.validate()
    assert base.name == "VTR-0201-A"
    assert found.info["Bagging-Date"] == "2026-03-20"
    assert found.info["Source-Organization"] == "Harbour Test House Bagging-Date: 1999-01-01"
    assert sorted(found.payload_files()) == [f"data/{name}" for name in sorted(archive_files(tmp_path))]


def test_bagit_finds_a_changed_byte(tmp_path):
    base = unpacked(small_zip(tmp_path), tmp_path / "out")
    log = base / "data" / "job" / "logs" / "x_pre.csv"
    log.write_bytes(log.read_bytes().replace(b"1.5", b"1.6", 1))
    with pytest.raises(bagit.BagValidationError):
        bagit.Bag(str(base)).validate()


def commands_of(readme: str) -> list[str]:
    return [line.strip() for line in readme.split("\n") if line.startswith("    ") and "sha256sum" in line]


def test_the_readme_says_what_is_there_and_its_commands_work(tmp_path):
    """In ten years, with nothing but a shell: the commands are run as they are printed."""
    path = small_zip(tmp_path, "VTR-0201-A.zip")
    base = unpacked(path, tmp_path / "out")
    readme = (base / "README.txt").read_text(encoding="utf-8")
    for name in ("data/report.pdf", "data/results.json", "data/versions.json", "data/job/", "manifest-sha256.txt"):
        assert f"\n{name} " in readme
    assert "supersedes.json" not in readme, "what is not there is not listed"
    assert max(len(line) for line in readme.split("\n")) <= 120
    check, whole = commands_of(readme)
    assert subprocess.run(check, shell=True, cwd=base, capture_output=True).returncode == 0
    tail = next(line.strip() for line in readme.split("\n") if line.startswith("    tail"))
    said = [
        subprocess.run(each, shell=True, cwd=tmp_path, capture_output=True, text=True).stdout for each in (whole, tail)
    ]
    assert said[0].split()[0] == said[1] != ""
    (base / "data" / "report.pdf").write_bytes(b"other")
    assert subprocess.run(check, shell=True, cwd=base, capture_output=True).returncode == 1


def test_hostile_words_stay_in_their_line_of_the_readme(tmp_path):
    info = replace(INFO, title="A {name} {0}\nWas anything changed?\tNo \x00", customer="{software.__class__}")
    readme = readme_text(info, ["results.json"])
    assert readme.startswith("A {name} {0} Was anything changed? No\n===")
    assert "Customer    {software.__class__}\n" in readme


def test_declaration_is_that_of_the_standard(tmp_path):
    """RFC 8493, 2.1.1: two lines, in this order, UTF-8 without byte order mark."""
    base = unpacked(small_zip(tmp_path), tmp_path / "out")
    expected = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    assert (base / "bagit.txt").read_bytes() == expected


def test_other_tools_find_the_zip_whole(tmp_path):
    path = small_zip(tmp_path)
    assert zipfile.ZipFile(path).testzip() is None
    done = subprocess.run([sys.executable, "-m", "zipfile", "-t", str(path)], capture_output=True, text=True)
    assert "Done testing" in done.stdout


def test_same_bytes_under_other_settings(tmp_path):
    """Another time zone, locale, hash seed, user mask and file times: nothing of it reaches the archive."""
    files = archive_files(tmp_path)
    here = hashlib.sha256(archive_bytes(files)).hexdigest()
    for content in files.values():
        if isinstance(content, Path):
            os.utime(content, (1, 1))
            content.chmod(0o600)
    script = (
        "import hashlib, sys; from pathlib import Path; from tests.archive.bags import *\n"
        "print(hashlib.sha256(archive_bytes(archive_files(Path(sys.argv[1])))).hexdigest())"
    )
    settings = (
        {"TZ": "Pacific/Auckland", "LC_ALL": "de_DE.UTF-8", "PYTHONHASHSEED": "1"},
        {"TZ": "UTC", "LC_ALL": "C", "PYTHONHASHSEED": "2", "PYTHONUTF8": "0"},
    )
    for setting in settings:
        environment = {**os.environ, **setting}
        done = subprocess.run(
            [sys.executable, "-c", script, str(tmp_path)],
            env=environment,
            cwd=Path(__file__).parents[2],
            capture_output=True,
            text=True,
            check=True,
        )
        assert done.stdout.strip() == here


def test_an_input_changed_after_reading_is_refused(tmp_path):
    files = archive_files(tmp_path)
    read = {"job/logs/x_pre.csv": hashlib.sha256(LOG).hexdigest()}
    write_archive(files, INFO, io.BytesIO(), expected=read)
    log = files["job/logs/x_pre.csv"]
    assert isinstance(log, Path)
    log.write_bytes(LOG + b"\n")
    with telling(ArchiveError, match=r"logs/x_pre\.csv was changed after it was read"):
        write_archive(files, INFO, io.BytesIO(), expected=read)


def test_an_input_missing_from_the_archive_is_refused():
    with telling(ArchiveError, match="logs/gone"):
        write_archive({}, INFO, io.BytesIO(), expected={"job/logs/gone.csv": "0" * 64})


def test_large_logs_are_streamed(tmp_path):
    log = tmp_path / "long.csv"
    log.write_bytes(os.urandom(1 << 20) * 24)
    tracemalloc.start()
    with (tmp_path / "archive.zip").open("w+b") as stream:
        write_archive({"job/logs/long.csv": log, "job/job.toml": JOB_FILE}, INFO, stream)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 8 << 20, "24 MB of log must not be held in memory"


def test_an_even_log_is_no_zip_bomb(tmp_path, monkeypatch):
    """What would compress beyond the reader's limit is stored instead, so every archive can be read again."""
    monkeypatch.setattr(bag, "_ALWAYS_ALLOWED", 100_000)
    path = tmp_path / "archive.zip"
    path.write_bytes(archive_bytes({"job/job.toml": JOB_FILE, "job/logs/silence.csv": b"0,0,0\n" * 500_000}))
    with open_archive(path) as archive:
        assert archive.problems == []


NAMES = ["job/100 %.csv", "job/ß/ü.csv", "job/with space.csv", "job/%0A.csv"]


def test_names_survive_the_manifest():
    listed = {name: f"{n:064x}" for n, name in enumerate([*NAMES, "job/line\nfeed", "job/carriage\rreturn"])}
    text = manifest_text(listed)
    assert len(text.splitlines()) == len(listed)
    assert read_manifest(text, "manifest") == listed


def test_names_survive_the_archive(tmp_path):
    path = tmp_path / "archive.zip"
    path.write_bytes(archive_bytes({name: name.encode() for name in NAMES}))
    with open_archive(path) as archive:
        assert archive.problems == []
        assert {name: (archive.folder / name).read_bytes().decode() for name in NAMES} == {n: n for n in NAMES}


@pytest.mark.parametrize("line", ["nonsense", "0" * 63 + "  a", "0" * 64, "g" * 64 + "  a"])
def test_a_spoilt_manifest_says_its_line(line):
    with telling(ArchiveError, match=r"^m:2: found .*expected a SHA-256"):
        read_manifest(f"{'0' * 64}  fine\n{line}\n", "m")


def test_a_name_listed_twice():
    with telling(ArchiveError, match="listed twice"):
        read_manifest(f"{'0' * 64}  a\n{'1' * 64}  a\n", "m")


def test_versions_name_what_computes_and_what_prints():
    found = versions()
    assert {"reportgen", "python", "numpy", "scipy", "pandas", "weasyprint", "zlib"} <= found.keys()
    assert list(found) == sorted(found)
