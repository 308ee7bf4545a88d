"""Many jobs: each in a process of its own, one line a job, and a failure in one leaves the others alone.

The code is written against ``concurrent.futures.Executor``: a pool of processes on this machine, or a Dask cluster
(optional extra ``cluster``). Every job is computed by one process on one core, so the results are those of a single
build, whatever the number of workers.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import traceback
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reportgen.cores import ONE_THREAD, cores, end_with_parent
from reportgen.errors import ReportError
from reportgen.progress import Say
from reportgen.records.finding import Finding
from reportgen.records.message import Message, message

if TYPE_CHECKING:
    from reportgen.pipeline import JobInError, Settings  # loaded by the processes that build

BUILT, WRONG, REQUIREMENT_FAILED, NO_PDF = 0, 1, 3, 4
"""Exit codes of the contract, as the command line has them for one job."""

CONNECT_S = 10.0
"""Seconds to wait for a scheduler to answer; one on the same network does so in well below one."""

MOST_ERRORS = 5
"""Errors of a job shown on its one line; ``reportgen check`` shows all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """What came of one job."""

    job: Path
    exit_code: int
    said: Message
    fault: str = ""
    """Traceback of what should not have happened; empty for whatever the user can mend."""


Work = Callable[[Path], Done]


def build_many(
    jobs: Sequence[Path],
    how: Settings,
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    strict: bool = False,
    say: Say,
) -> int:
    """Build every job, say one line a job as it ends, and return the exit code: the first of 1, 4, 3 that occurred."""
    unique = list(dict.fromkeys(path.resolve() for path in jobs))
    done = list(_say_each(run_many(unique, partial(build_one, how=how), workers=workers, scheduler=scheduler), say))
    built = sum(each.exit_code != WRONG for each in done)
    say(message("batch.done", built=built, jobs=len(done)))
    codes = {each.exit_code for each in done}
    if not strict:
        codes.discard(REQUIREMENT_FAILED)
    return next((code for code in (WRONG, NO_PDF, REQUIREMENT_FAILED) if code in codes), BUILT)


def _say_each(results: Iterator[Done], say: Say) -> Iterator[Done]:
    for each in results:
        say(each.said)
        if each.fault:
            say(message("as-written", text=each.fault))
        yield each


def build_one(job: Path, how: Settings) -> Done:
    """Build one job in this process; never raises."""
    from reportgen.pipeline import JobInError, build_job

    try:
        built = build_job(job, None, how)
    except JobInError as problem:
        return Done(job=job, exit_code=WRONG, said=_in_error(job, problem))
    except ReportError as problem:
        reasons = (problem.said, *(each.whole if isinstance(each, Finding) else each for each in problem.more))
        return Done(job=job, exit_code=WRONG, said=message("batch.not-built", job=str(job), reasons=reasons))
    except Exception as problem:  # one job's fault must leave the others alone; it is shown whole
        what = message("batch.fault", job=str(job), kind=type(problem).__name__, reason=_on_one_line(problem))
        return Done(job=job, exit_code=WRONG, said=what, fault=traceback.format_exc())
    folder = str(built.folder)
    if built.missing_pdf is not None:
        what = message(
            "batch.built-without-pdf", job=str(job), outcome=built.outcome, folder=folder, why=built.missing_pdf
        )
        return Done(job=job, exit_code=NO_PDF, said=what)
    what = message("batch.built", job=str(job), outcome=built.outcome, folder=folder)
    return Done(job=job, exit_code=BUILT if built.conforms else REQUIREMENT_FAILED, said=what)


def _in_error(job: Path, problem: JobInError) -> Message:
    """The errors of a job on one line, as many as fit."""
    count = len(problem.errors)
    errors = tuple(each.whole for each in problem.errors[:MOST_ERRORS])
    if count > MOST_ERRORS:
        return message("batch.many-errors", job=str(job), count=count, errors=errors)
    return message("batch.errors", job=str(job), count=count, errors=errors)


def _on_one_line(problem: Exception) -> str:
    return " ".join(str(problem).split())


def run_many(
    jobs: Sequence[Path], work: Work, *, workers: int | None = None, scheduler: str | None = None
) -> Iterator[Done]:
    """Do ``work`` for every job, largest first; results in the order in which they end.

    ``work`` is a function of a module, or a ``partial`` of one. Raises ReportError where the scheduler is not there.
    """
    ordered = sorted(jobs, key=lambda job: (-_bytes_of(job), str(job)))
    if scheduler is not None:
        with _cluster(scheduler) as executor:
            yield from _collect(executor, ordered, work)
        return
    count = min(workers or cores(), len(ordered))
    lost: list[Path] = []
    with _pool(count) as executor:
        for each in _collect(executor, ordered, work):
            if each.exit_code == _LOST:
                lost.append(each.job)
            else:
                yield each
    # A worker that dies takes the pool with it: each job that was lost has one more try, alone, to name the culprit.
    for job in lost:
        with _pool(1) as executor:
            (again,) = _collect(executor, [job], work)
        killed = Done(job=job, exit_code=WRONG, said=message("batch.killed", job=str(job)))
        yield killed if again.exit_code == _LOST else again


_LOST = -1
"""In place of an exit code: the process died with the job, which is tried once more."""


def _lost(job: Path) -> Done:
    return Done(job=job, exit_code=_LOST, said=message("batch.killed", job=str(job)))


def _collect(executor: Executor, jobs: Sequence[Path], work: Work) -> Iterator[Done]:
    """Submit every job and give out what ends; a job whose worker died comes back as lost."""
    waiting: dict[Future[Done], Path] = {}
    for job in jobs:
        try:
            waiting[executor.submit(work, job)] = job
        except BrokenProcessPool:
            yield _lost(job)
    for future in as_completed(waiting):
        yield _result(future, waiting[future])


def _result(future: Future[Done], job: Path) -> Done:
    try:
        return future.result()
    except BrokenProcessPool:
        return _lost(job)
    except Exception as problem:  # a worker of a cluster can be lost in ways that only the cluster knows
        reason = _on_one_line(problem) or type(problem).__name__
        return Done(job=job, exit_code=WRONG, said=message("batch.worker-lost", job=str(job), reason=reason))


@contextlib.contextmanager
def _pool(workers: int) -> Iterator[Executor]:
    """Processes started afresh (spawn), with one thread each."""
    before = {name: os.environ.get(name) for name in ONE_THREAD}
    os.environ.update(ONE_THREAD)
    try:
        spawn = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(workers, mp_context=spawn, initializer=end_with_parent) as executor:
            yield executor
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


@contextlib.contextmanager
def _cluster(address: str) -> Iterator[Executor]:
    """An executor over the Dask cluster at an address; the job folders must have the same paths on its machines."""
    try:
        import distributed
    except ImportError as problem:
        raise ReportError(message("batch.no-distributed")) from problem
    try:
        connect: Any = distributed.Client  # it carries no types
        client = connect(address, timeout=CONNECT_S)
    except (OSError, ValueError) as problem:
        what = message("batch.no-scheduler", address=address, reason=_on_one_line(problem))
        raise ReportError(what) from problem
    with client:
        # Dask takes a call for pure and would give back the result of yesterday for a path it has seen.
        yield client.get_executor(pure=False)


def _bytes_of(job: Path) -> int:
    """Size of a job's logs, so that the longest is begun first; 0 where that cannot be told."""
    folder = job if job.is_dir() else job.parent
    try:
        return sum(path.stat().st_size for path in (folder / "logs").iterdir() if path.is_file())
    except OSError:
        return 0
