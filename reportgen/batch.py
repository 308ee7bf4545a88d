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

if TYPE_CHECKING:
    from reportgen.pipeline import Settings

Say = Callable[[str], object]
BUILT, WRONG, REQUIREMENT_FAILED, NO_PDF = 0, 1, 3, 4
"""Exit codes of the contract, as the command line has them for one job."""

CONNECT_S = 10.0
"""How long to wait for a scheduler to answer."""

LONGEST_LINE = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """What came of one job."""

    job: Path
    exit_code: int
    line: str
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
    say: Say = print,
) -> int:
    """Build every job, say one line a job as it ends, and return the exit code: the first of 1, 4, 3 that occurred."""
    unique = list(dict.fromkeys(path.resolve() for path in jobs))
    done = list(_say_each(run_many(unique, partial(build_one, how=how), workers=workers, scheduler=scheduler), say))
    built = sum(each.exit_code != WRONG for each in done)
    say(f"{built} of {len(done)} jobs built")
    codes = {each.exit_code for each in done}
    if not strict:
        codes.discard(REQUIREMENT_FAILED)
    return next((code for code in (WRONG, NO_PDF, REQUIREMENT_FAILED) if code in codes), BUILT)


def _say_each(results: Iterator[Done], say: Say) -> Iterator[Done]:
    for each in results:
        say(each.line)
        if each.fault:
            say(each.fault)
        yield each


def build_one(job: Path, how: Settings) -> Done:
    """Build one job in this process; never raises."""
    from reportgen.pipeline import build_job

    try:
        built = build_job(job, None, how)
    except ReportError as problem:
        return Done(job=job, exit_code=WRONG, line=_one_line(job, problem))
    except Exception as problem:  # one job's fault must leave the others alone; it is shown whole
        line = f"{job}: not built: a fault in the program: {type(problem).__name__}: {problem}"
        return Done(job=job, exit_code=WRONG, line=line, fault=traceback.format_exc())
    line = f"{job}: {built.outcome}, {built.folder}"
    if built.missing_pdf:
        return Done(job=job, exit_code=NO_PDF, line=f"{line} ({built.missing_pdf})")
    return Done(job=job, exit_code=BUILT if built.conforms else REQUIREMENT_FAILED, line=line)


def _one_line(job: Path, problem: ReportError) -> str:
    """What kept a job from being built, on one line; ``reportgen check`` shows all of it."""
    text = " ".join(str(problem).removeprefix(f"{job}: ").split())
    if len(text) > LONGEST_LINE:
        text = f"{text[:LONGEST_LINE]}… ('reportgen check {job}' shows all)"
    return f"{job}: not built: {text}"


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
        yield again if again.exit_code != _LOST else Done(job=job, exit_code=WRONG, line=_killed(job))


_LOST = -1


def _killed(job: Path) -> str:
    return f"{job}: not built: its process was killed (out of memory?); an earlier report is untouched"


def _collect(executor: Executor, jobs: Sequence[Path], work: Work) -> Iterator[Done]:
    """Submit every job and give out what ends; a job whose worker died comes back as lost."""
    waiting: dict[Future[Done], Path] = {}
    for job in jobs:
        try:
            waiting[executor.submit(work, job)] = job
        except BrokenProcessPool:
            yield Done(job=job, exit_code=_LOST, line="")
    for future in as_completed(waiting):
        yield _result(future, waiting[future])


def _result(future: Future[Done], job: Path) -> Done:
    try:
        return future.result()
    except BrokenProcessPool:
        return Done(job=job, exit_code=_LOST, line="")
    except Exception as problem:  # a worker of a cluster can be lost in ways that only the cluster knows
        reason = " ".join(str(problem).split()) or type(problem).__name__
        return Done(job=job, exit_code=WRONG, line=f"{job}: not built: its worker was lost: {reason}")


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
        raise ReportError(
            "--scheduler needs the package 'distributed', which is not installed; install reportgen[cluster]"
        ) from problem
    try:
        connect: Any = distributed.Client  # it carries no types
        client = connect(address, timeout=CONNECT_S)
    except (OSError, ValueError) as problem:
        reason = " ".join(str(problem).split())
        raise ReportError(
            f"no scheduler answers at {address!r}: {reason}; expected host:port, as it prints"
        ) from problem
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
