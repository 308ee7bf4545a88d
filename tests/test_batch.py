"""Many jobs: one line each, a failure leaves the others alone, the same results on a pool and on a cluster."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from reportgen import batch
from reportgen.batch import WRONG, Done, run_many
from reportgen.errors import ReportError
from reportgen.records.message import message
from reportgen.render.catalogue import said
from tests.archive.words import telling

ROOT = Path(__file__).resolve().parents[1]


def work(job: Path) -> Done:
    """Stands for a build: counts bytes, or fails as the job's name says."""
    if job.name == "dies":
        os._exit(9)
    if job.name == "raises":
        raise MemoryError("as if")
    reason = f"{(job / 'logs' / 'x.csv').read_text()} {os.environ['OMP_NUM_THREADS']}"
    return Done(job=job, exit_code=0, said=message("batch.not-built", job=job.name, reasons=(reason,)))


@pytest.fixture
def jobs(tmp_path, monkeypatch):
    """Three sound jobs and one whose process dies; workers find this module by its name."""
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    monkeypatch.setattr(sys, "path", [str(ROOT), *sys.path])
    for name, size in (("small", 1), ("large", 3), ("middle", 2), ("dies", 5), ("raises", 1)):
        (tmp_path / name / "logs").mkdir(parents=True)
        (tmp_path / name / "logs" / "x.csv").write_text("x" * size)
    return tmp_path


def importable_work():
    """The function under the name by which another process can import it."""
    from tests import test_batch

    return test_batch.work


def test_every_job_has_one_line_and_one_failure_leaves_the_others(jobs):
    names = ["small", "large", "dies", "middle", "raises"]
    done = {each.job.name: each for each in run_many([jobs / n for n in names], importable_work(), workers=2)}
    assert sorted(done) == sorted(names)
    assert {n: done[n].said.value("reasons") for n in ("small", "middle", "large")} == {
        "small": ("x 1",),
        "middle": ("xx 1",),
        "large": ("xxx 1",),
    }
    assert done["dies"].exit_code == WRONG
    assert "its process was killed" in said(done["dies"].said)
    assert done["raises"].exit_code == WRONG
    assert "as if" in said(done["raises"].said)


def test_largest_first_on_one_worker(jobs):
    done = run_many([jobs / n for n in ("small", "middle", "large")], importable_work(), workers=1)
    assert {each.job.name for each in done} == {"large", "middle", "small"}


def test_threads_of_the_caller_are_put_back(jobs, monkeypatch):
    monkeypatch.setenv("OMP_NUM_THREADS", "2")
    monkeypatch.delenv("OPENBLAS_NUM_THREADS", raising=False)
    list(run_many([jobs / "small"], importable_work(), workers=1))
    assert os.environ["OMP_NUM_THREADS"] == "2"
    assert "OPENBLAS_NUM_THREADS" not in os.environ


def test_no_scheduler_there(monkeypatch):
    pytest.importorskip("distributed")
    monkeypatch.setattr(batch, "CONNECT_S", 0.5)
    with telling(ReportError, match=r"no scheduler answers at 'tcp://127\.0\.0\.1:9'"):
        list(run_many([Path("job")], work, scheduler="tcp://127.0.0.1:9"))


def test_a_cluster_gives_the_same_and_nothing_stale(jobs, monkeypatch):
    distributed = pytest.importorskip("distributed")
    monkeypatch.setenv("OMP_NUM_THREADS", "1")
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, dashboard_address=None, processes=False
    ) as cluster:
        for text in ("first", "second"):
            (jobs / "small" / "logs" / "x.csv").write_text(text)
            (done,) = run_many([jobs / "small"], importable_work(), scheduler=cluster.scheduler_address)
            assert done.said.value("reasons") == (f"{text} 1",)
        (failed,) = run_many([jobs / "raises"], importable_work(), scheduler=cluster.scheduler_address)
        assert failed.exit_code == WRONG
