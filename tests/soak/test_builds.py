"""Whole builds: the same bytes under any settings of the machine, the earlier report intact whatever happens."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pikepdf
import pytest

from reportgen.archive.manifest import MANIFEST, read_manifest
from reportgen.archive.open_archive import open_archive
from reportgen.cli import main
from tests.archive.test_publish import small_disk  # noqa: F401
from tests.soak.small_job import comma_log, job_of, write_job

ROOT = Path(__file__).resolve().parents[2]
EXAMPLES = sorted(path.parent for path in (ROOT / "example_logs").glob("*/job.toml"))


def reportgen(*arguments: object, **settings: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "reportgen", *map(str, arguments)]
    environment = {**os.environ, **settings}
    return subprocess.run(command, capture_output=True, text=True, cwd=ROOT, env=environment)


def here(capsys, *arguments: object) -> tuple[int, str]:
    """The command in this process, which has its libraries loaded; exit code and what it printed."""
    code = main([str(each) for each in arguments])
    printed = capsys.readouterr()
    return code, printed.out + printed.err


def digests(report: Path) -> dict[str, str]:
    """What the set says of itself, once that has been found true."""
    done = subprocess.run(["sha256sum", "--strict", "--quiet", "-c", MANIFEST], cwd=report, capture_output=True)
    assert done.returncode == 0, done.stderr
    return read_manifest((report / MANIFEST).read_text(), MANIFEST)


PLAN = b"%PDF-1.4\n%\xe2\xe3\xcf\xd3\n1 0 obj <<>> endobj\ntrailer <<>>\n%%EOF\n"
ATTACHMENT = b'\n[[attachment]]\nfile = "attachments/fixture.pdf"\ntitle = "Drawing of the fixture"\n'


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    files = job_of(comma_log())
    files["job.toml"] += ATTACHMENT
    return write_job(files | {"attachments/fixture.pdf": PLAN}, tmp_path_factory.mktemp("build") / "job")


def inputs_of(job: Path) -> dict[str, bytes]:
    """The files of a job without its report, as bytes by name."""
    files = [path for path in job.rglob("*") if path.is_file() and "report" not in path.relative_to(job).parts]
    return {path.relative_to(job).as_posix(): path.read_bytes() for path in files}


def quick(files: dict[str, bytes]) -> dict[str, bytes]:
    """The job without its longest document."""
    chosen = b'[report]\noutputs = ["html", "summary"]\n'
    return files | {"job.toml": files["job.toml"].replace(b"[report]\n", chosen, 1)}


@pytest.fixture(scope="module")
def built(job):
    assert main(["build", str(job)]) == 0
    return job / "report"


def test_nothing_but_the_set_is_left(built):
    assert set(digests(built)) == {str(p.relative_to(built)) for p in built.rglob("*") if p.is_file()} - {MANIFEST}
    names = sorted(path.name for path in built.parent.iterdir())
    assert names == ["attachments", "job.toml", "logs", "notes.txt", "report"]


def test_tables_and_attachments_are_part_of_set_and_archive(built):
    tables = {"tables.xlsx", *(f"tables/{name}.csv" for name in ("resonances", "requirements", "report"))}
    assert tables <= set(digests(built))
    (archive,) = built.glob("*.zip")
    with open_archive(archive) as bag:
        assert tables <= set(bag.found)
        assert (bag.job_folder / "attachments" / "fixture.pdf").read_bytes() == PLAN
    with pikepdf.open(built / "report.pdf") as pdf:
        assert pdf.attachments["job/attachments/fixture.pdf"].get_file().read_bytes() == PLAN


def test_same_bytes_under_other_settings(built, job, tmp_path):
    """Another locale, time zone, hash seed and number of threads; another folder, other times of the files."""
    moved = tmp_path / "another place"
    write_job(inputs_of(job), moved)
    for path in moved.rglob("*"):
        os.utime(path, (86400, 86400))
    settings = {
        "LC_ALL": "de_DE.UTF-8",
        "LANG": "tr_TR.UTF-8",
        "TZ": "Pacific/Auckland",
        "PYTHONHASHSEED": "77",
        "OMP_NUM_THREADS": "2",
        "OPENBLAS_NUM_THREADS": "2",
        "COLUMNS": "40",
        "HOME": str(tmp_path),
    }
    done = reportgen("build", moved, **settings)
    assert done.returncode == 0, done.stderr
    assert digests(moved / "report") == digests(built)


@pytest.mark.soak
def test_same_bytes_on_one_core_from_another_folder_for_nobody_else_to_read(built, job, tmp_path):
    """Pinned to one core, called from inside the job, files readable by their owner alone."""
    moved = write_job(inputs_of(job), tmp_path / "job")
    one = min(os.sched_getaffinity(0))

    def settings() -> None:
        os.umask(0o077)
        os.sched_setaffinity(0, {one})

    command = [sys.executable, "-m", "reportgen", "build", ".."]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(command, cwd=moved / "logs", env=environment, capture_output=True, preexec_fn=settings)
    assert done.returncode == 0, done.stderr
    assert digests(moved / "report") == digests(built)
    assert (moved / "report" / "report.pdf").stat().st_mode & 0o077 == 0


@pytest.mark.soak
def test_a_cluster_gives_what_each_gives_alone(built, job, tmp_path):
    """Over a Dask cluster of two processes; a job that is broken leaves the others alone."""
    distributed = pytest.importorskip("distributed")
    jobs = [write_job(inputs_of(job), tmp_path / name)
            for name in ("one", "two")]  # fmt: skip
    broken = write_job({"job.toml": b"[report"}, tmp_path / "broken")
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as cluster:
        done = reportgen("build", *jobs, broken, "--scheduler", cluster.scheduler_address)
    assert done.returncode == 1, done.stderr
    assert done.stdout.splitlines()[-1] == "2 of 3 jobs built"
    for each in jobs:
        assert digests(each / "report") == digests(built)


@pytest.mark.soak
def test_many_jobs_give_what_each_gives_alone(built, job, tmp_path):
    jobs = [write_job(inputs_of(job), tmp_path / name)
            for name in ("one", "two")]  # fmt: skip
    broken = write_job({"job.toml": b"[report"}, tmp_path / "broken")
    done = reportgen("build", *jobs, broken, "--workers", "2")
    assert done.returncode == 1
    lines = done.stdout.splitlines()
    assert len(lines) == 4, done.stdout
    assert sum("not built" in line for line in lines) == 1
    assert lines[-1] == "2 of 3 jobs built"
    for each in jobs:
        assert digests(each / "report") == digests(built)


def test_the_pdf_verifies(built, capsys):
    """By what it carries; archives are verified below, as an amendment and as a draft."""
    code, printed = here(capsys, "verify", built / "report.pdf")
    assert code == 0, printed
    assert "every number, verdict and finding follows from the logs inside" in printed
    assert "printed again, are the same to the last byte" in printed


@pytest.mark.soak
def test_a_byte_changed_on_a_page_is_found(built, tmp_path, capsys):
    """Not in an attachment: the page itself, which no checksum inside the PDF can cover."""
    whole = (built / "report.pdf").read_bytes()
    with pikepdf.open(built / "report.pdf") as pdf:
        start = whole.index(pdf.pages[0].Contents.read_raw_bytes())
    (tmp_path / "changed.pdf").write_bytes(whole[: start + 40] + bytes([whole[start + 40] ^ 1]) + whole[start + 41 :])
    code, printed = here(capsys, "verify", tmp_path / "changed.pdf")
    assert code == 1
    assert "pages not reproduced" in printed or "damaged" in printed


def test_an_amendment_is_built_lists_its_changes_and_verifies(built, job, tmp_path, capsys):
    second = write_job(quick(inputs_of(job)), tmp_path / "job")
    text = (second / "job.toml").read_text().replace("Quayside Instruments", "Quayside Instruments Ltd")
    (second / "job.toml").write_text(text)
    (archive,) = built.glob("*.zip")
    code, printed = here(capsys, "build", second, "--supersedes", archive)
    assert code == 0, printed
    results = json.loads((second / "report" / "results.json").read_text())
    assert results["job"]["revision"] == "B"
    assert results["supersedes"]["revision"] == "A"
    assert "Quayside Instruments Ltd" in json.dumps(results["supersedes"])
    (amended,) = (second / "report").glob("*.zip")
    code, printed = here(capsys, "verify", amended)
    assert code == 0, printed
    assert "printed again, are the same to the last byte" in printed


def test_a_draft_is_marked_verifies_as_a_draft_and_cannot_be_amended(job, tmp_path, capsys):
    mine = write_job(quick(inputs_of(job)), tmp_path / "job")
    code, printed = here(capsys, "build", mine, "--draft")
    assert code == 0, printed
    names = set(digests(mine / "report"))
    assert all("-draft" in name for name in names - {"reportgen-sets.json"})
    assert {"report-draft.html", "summary-draft.pdf", "results-draft.json"} < names
    code, printed = here(capsys, "verify", mine / "report" / "VTR-0201-A-draft.zip")
    assert code == 0, printed
    assert "this is a DRAFT: no issued report" in printed
    code, printed = here(capsys, "build", mine, "--supersedes", mine / "report" / "VTR-0201-A-draft.zip")
    assert code == 1
    assert "is a draft, which was never issued" in printed


@pytest.mark.parametrize("example", EXAMPLES, ids=[path.name for path in EXAMPLES])
@pytest.mark.soak
def test_the_examples_verify_from_zip_and_from_pdf(example, tmp_path):
    assert reportgen("build", example, "--out", tmp_path / "report").returncode == 0
    for path in (*(tmp_path / "report").glob("*.zip"), tmp_path / "report" / "report.pdf"):
        done = reportgen("verify", path)
        assert done.returncode == 0, done.stdout


# Whatever happens, the earlier report stands ----------------------------------------------------------------------


@pytest.mark.soak
def test_a_disk_too_small_for_the_report(job, small_disk):  # noqa: F811
    done = reportgen("build", job, "--out", small_disk / "report", "--results-only")
    assert done.returncode == 0, done.stderr
    before = digests(small_disk / "report")
    (small_disk / "fill").write_bytes(os.urandom(900_000))
    done = reportgen("build", job, "--out", small_disk / "report")
    assert done.returncode == 1
    assert "the disk is full" in done.stderr
    assert "Traceback" not in done.stderr
    assert digests(small_disk / "report") == before


def test_inputs_in_error_leave_the_earlier_report(built, job):
    before = digests(built)
    text = (job / "job.toml").read_text()
    (job / "job.toml").write_text(text.replace("survey", "servey"))
    try:
        assert reportgen("build", job).returncode == 1
    finally:
        (job / "job.toml").write_text(text)
    assert digests(built) == before


def _kill_builds(job: Path, report: Path, kills: int, *, within_s: float) -> int:
    """Kill whole builds at random moments, so many or for so long; how many were hit while they were at work."""
    chance = random.Random(20260320)
    begun = time.monotonic()
    assert reportgen("build", job).returncode == 0
    lasts = time.monotonic() - begun
    before = digests(report)
    hit = 0
    until = time.monotonic() + within_s
    while hit < kills and time.monotonic() < until:
        process = subprocess.Popen(
            [sys.executable, "-m", "reportgen", "build", str(job)], cwd=ROOT, stdout=subprocess.DEVNULL
        )
        try:
            process.wait(timeout=chance.uniform(0.0, lasts))
        except subprocess.TimeoutExpired:
            process.send_signal(signal.SIGKILL)
            hit += process.wait() == -signal.SIGKILL
        assert digests(report) == before
    assert reportgen("build", job).returncode == 0
    assert digests(report) == before
    assert not list(job.glob(".report*"))
    time.sleep(1.0)
    assert not _at_work_on(job), "a killed build leaves no worker behind"
    return hit


def _at_work_on(job: Path) -> list[str]:
    """Processes that have the job in their command line."""
    lines = subprocess.run(["ps", "-eo", "args"], capture_output=True, text=True, check=True).stdout.split("\n")
    return [line for line in lines if str(job) in line]


@pytest.mark.soak
def test_fifty_killed_builds(built, job):
    """The publishing alone is killed in the ordinary tests, and step by step (test_publish).

    Fifty take a few minutes; a machine that is busy otherwise stops after twenty minutes, with twenty at least.
    """
    assert _kill_builds(job, built, kills=50, within_s=1200.0) >= 20
