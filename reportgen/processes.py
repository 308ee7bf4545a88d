"""Runs computed in processes of their own; the results do not depend on how many there are.

``concurrent.futures`` of the standard library does the work: a pool of forked processes, which share what was read.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping, Sequence

from reportgen.cores import end_with_parent
from reportgen.progress import Say, silent
from reportgen.records.job import Job, RunPlan
from reportgen.records.log import Log, SweepLog
from reportgen.records.message import message
from reportgen.records.result import RunResult

Logs = Mapping[str, Log]
"""Log by the id of its run."""


def compute_runs(
    job: Job, logs: Logs, progress: Say, cores: int, meanwhile: Callable[[], object] | None = None
) -> tuple[RunResult, ...]:
    """Every run by itself, in the order of the job, on as many cores as there are.

    What is to be done ``meanwhile`` is done while other processes compute, and not at all where there are none.
    """
    from concurrent.futures.process import BrokenProcessPool

    shared = [run for run in job.runs if isinstance(logs.get(run.id), SweepLog)]
    if cores > 1 and len(shared) > 1 and sys.platform == "linux":
        try:
            return _in_processes(job, logs, shared, progress, cores, meanwhile)
        except BrokenProcessPool:
            progress(message("progress.process-died"))
    return tuple(_here(job, run, logs, progress, cores) for run in job.runs)


def _in_processes(
    job: Job,
    logs: Logs,
    shared: Sequence[RunPlan],
    progress: Say,
    cores: int,
    meanwhile: Callable[[], object] | None,
) -> tuple[RunResult, ...]:
    """Sweep logs in processes of their own; records, which are read in pieces and share their work out, here."""
    from concurrent.futures import ProcessPoolExecutor, as_completed
    from multiprocessing import get_context

    from reportgen.compute.run import compute_run

    fork = get_context("fork")
    with ProcessPoolExecutor(min(cores, len(shared)), mp_context=fork, initializer=end_with_parent) as pool:
        begun = {run.id: pool.submit(compute_run, job, run, logs[run.id], silent) for run in shared}
        here = {run.id: _here(job, run, logs, progress, cores) for run in job.runs if run.id not in begun}
        if meanwhile is not None:
            meanwhile()
        for number, future in enumerate(as_completed(begun.values()), start=1):
            future.result()
            progress(message("progress.computed", number=number, sweeps=len(begun)))
        return tuple(begun[run.id].result() if run.id in begun else here[run.id] for run in job.runs)


def _here(job: Job, run: RunPlan, logs: Logs, progress: Say, cores: int) -> RunResult:
    from reportgen.compute.run import compute_run, run_without_numbers

    log = logs.get(run.id)
    if log is None:  # only of a run that does not count
        return run_without_numbers(run, message("run.log-not-read"))
    progress(message("progress.computing", run=run.id))
    return compute_run(job, run, log, progress, workers=cores)
