"""One file without a job: a quick look at a sweep log, and what a log or record holds."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cache, partial
from pathlib import Path

from reportgen import SOFTWARE
from reportgen.beside import beside
from reportgen.cores import cores
from reportgen.errors import ReadError
from reportgen.processes import compute_runs
from reportgen.progress import Say, silent
from reportgen.records.finding import Finding, Severity, note
from reportgen.records.job import Job, Party, ReportIdentity, RunKind, RunPlan, Specimen
from reportgen.records.log import Log, SweepLog, TimeHistory
from reportgen.records.message import Message, Place, message
from reportgen.records.report import Report
from reportgen.records.result import RunResult
from reportgen.records.verdict import Outcome


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """One bare log with what was found in it."""

    path: Path
    run: RunResult
    log: Log
    controls: tuple[str, ...]
    findings: tuple[Finding, ...]


def quicklook(
    path: Path,
    control: str | None,
    say: Callable[[str], object],
    progress: Say = silent,
    *,
    reading: str | None = None,
    columns: Sequence[tuple[str, str]] = (),
) -> None:
    """One bare log: a table said as soon as it is known, then one page beside the log.

    ``reading`` and ``columns`` as in ``look_at``.
    """
    from reportgen.archive.publish import write_whole
    from reportgen.render.catalogue import said
    from reportgen.resources import data_dir

    templates = data_dir("templates")
    seen = look_at(path, control, progress, reading=reading, columns=columns, meanwhile=partial(_load, templates))
    from reportgen.render.quicklook import quicklook_lines, render_quicklook

    for line in quicklook_lines(seen.run, seen.controls, seen.findings):
        say(line)
    progress(message("progress.drawing"))
    page = path.with_name(path.name + ".quicklook.html")
    html = render_quicklook(seen.run, seen.log, seen.controls, seen.findings, templates=templates, software=SOFTWARE)
    write_whole(page, html.encode("utf-8"))
    say(said(message("quicklook.page", page=str(page))))


def _load(templates: Path) -> None:
    """What draws the page, ahead of it."""
    from reportgen.render.quicklook import load_drawing

    load_drawing(templates)


def look_at(
    path: Path,
    control: str | None,
    progress: Say = silent,
    *,
    reading: str | None = None,
    columns: Sequence[tuple[str, str]] = (),
    meanwhile: Callable[[], object] = lambda: None,
) -> Looked:
    """Read one bare log and find its resonances. Raises ReportError where it shows none that can be had.

    ``reading`` is ``decay``, ``sweep`` or ``steady`` where the log is to be read so, None where it shows itself.
    ``columns`` is a mapping as under ``[run.columns]``, where the log's own header does not say enough. What is to be
    done ``meanwhile`` is done while another process computes.
    """
    from reportgen.read.log import read_bare_log

    progress(message("progress.reading", file=path.name))
    read = cache(partial(read_bare_log, path, control, columns))
    computed = beside(partial(_resonances, path, reading), partial(_if_swept, read, reading), cores())
    log, controls, findings = read()
    if log is None:
        raise _wanting(path, findings, message("quicklook.no-sweep"))
    progress(message("progress.resonances"))
    meanwhile()
    if reading in ("decay", "steady") and isinstance(log, TimeHistory):
        run, controls, findings = _read_as(path, log, reading), (), _without_errors(findings)
    elif reading == "decay":
        raise ReadError(Place(path.name, 1), message("quicklook.no-samples", reading=reading))
    elif controls and (own := _without_drive(path, log, controls, control, reading)) is not None:
        run, controls, findings = own[0], (), (*findings, *own[1])
    elif controls:
        run = computed() or _compute_bare(path, (log, controls), reading, progress, cores())
        findings = (*findings, *_drive_moves(path, log, controls), *_left_out(path, controls, run))
    elif reading is not None:
        raise _wanting(path, findings, message("quicklook.no-sweep"))
    else:
        run, findings = _without_control(path, log, findings)
    return Looked(path=path, run=run, log=log, controls=controls, findings=findings)


def bare_report(seen: Looked) -> Report:
    """A report of one bare log: its run and findings, and nothing that only a job could say."""
    return Report(
        software=SOFTWARE,
        job=_bare_job(seen.path, seen.controls),
        overall=Outcome.NOT_EVALUATED,
        inputs=(),
        runs=(seen.run,),
        modes=(),
        beam_fits=(),
        verdicts=(),
        notes=(),
        findings=seen.findings,
    )


def _left_out(path: Path, controls: tuple[str, ...], run: RunResult) -> tuple[Finding, ...]:
    from reportgen.compute.quality.quality_findings import quality_findings

    return quality_findings(_bare_job(path, controls), (run,))


def inspect_file(path: Path) -> str:
    """What a log or record holds, with a mapping to paste, or a run for each sweep where it holds several."""
    from reportgen.compute.sweep.several_sweeps import sweeps_of_record
    from reportgen.read.inspect_file import describe_file
    from reportgen.render.catalogue import said

    return describe_file(path, said, lambda history, drive: sweeps_of_record(history, drive, workers=cores()))


Bare = tuple[SweepLog, tuple[str, ...]]
"""A sweep log without a job, and its control channels."""


def _if_swept(
    read: Callable[[], tuple[Log | None, tuple[str, ...], tuple[Finding, ...]]], reading: str | None
) -> Bare | None:
    """A sweep log with its control; None where it is none: records are read in pieces, by who computes them."""
    log, controls, _ = read()
    if reading in ("decay", "steady") and isinstance(log, TimeHistory):
        return None
    return (log, controls) if isinstance(log, SweepLog) and controls else None


def _resonances(path: Path, reading: str | None, read: Callable[[], Bare | None]) -> RunResult | None:
    """What a bare sweep log tells; what computes it is loaded while the log is still being read."""
    import reportgen.compute.run  # noqa: F401

    swept = read()
    return None if swept is None else _compute_bare(path, swept, reading, silent, 1)


def _compute_bare(
    path: Path, swept: tuple[Log, tuple[str, ...]], reading: str | None, progress: Say, cores: int
) -> RunResult:
    """A log with its control computed; rows of frequency are of steady vibration where their user says so."""
    log, controls = swept
    job = _bare_job(path, controls)
    job = replace(job, runs=(replace(job.runs[0], steady_state=reading == "steady"),))
    (run,) = compute_runs(job, {job.runs[0].id: log}, progress, cores)
    return run


def _read_as(path: Path, log: TimeHistory, reading: str) -> RunResult:
    """A record read as its user says it is. Raises ComputeError where it cannot be."""
    from reportgen.compute.decay.stationary import steady_run
    from reportgen.compute.frequency_uncertainty import with_uncertainties
    from reportgen.compute.run import decay_run
    from reportgen.records.job import NO_CLOCK_STATED

    plan = _bare_job(path, ()).runs[0]
    return with_uncertainties(decay_run(plan, log) if reading == "decay" else steady_run(plan, log), NO_CLOCK_STATED)


def _without_control(path: Path, log: Log, findings: tuple[Finding, ...]) -> tuple[RunResult, tuple[Finding, ...]]:
    """A record without control as what it shows itself to be: a free decay, or a stationary record.

    Raises ReadError with what was found wanting where it is neither.
    """
    from reportgen.compute.decay.stationary import MOST_SAMPLES, is_steady, moving_line, steady_run
    from reportgen.compute.frequency_uncertainty import with_uncertainties
    from reportgen.compute.run import decay_if_any
    from reportgen.records.job import NO_CLOCK_STATED

    if not isinstance(log, TimeHistory):
        raise _wanting(path, findings, message("quicklook.no-decay"))
    plan, place = _bare_job(path, ()).runs[0], Place(path.name, 1)
    several = len(log.channels) > 1
    kept = _without_errors(findings)
    run = decay_if_any(plan, _motions_of(log))
    if run is not None:
        return with_uncertainties(run, NO_CLOCK_STATED), (*kept, note(place, message("quicklook.read-as-decay")))
    samples = log.read(0, min(log.samples, MOST_SAMPLES))
    if is_steady(samples, log.sample_rate_hz):
        how = message("quicklook.read-as-steady")
        return with_uncertainties(steady_run(plan, log), NO_CLOCK_STATED), (*kept, note(place, how))
    line = next(filter(None, (moving_line(column, log.sample_rate_hz) for column in samples.T)), None)
    if line is not None and several:
        what = message("quicklook.line-moves", first_hz=line.first_hz, last_hz=line.last_hz, channels=log.channels)
        raise ReadError(place, what)
    if line is not None:
        raise ReadError(place, message("quicklook.line-moves-alone", first_hz=line.first_hz, last_hz=line.last_hz))
    raise ReadError(place, message("quicklook.neither"))


def _motions_of(log: TimeHistory) -> TimeHistory:
    """A record without its forces, where it holds motions: a hammer's blow is no part of what it set ringing."""
    moving = tuple(each for each, of in zip(log.channels, log.dimensions, strict=True) if of != "force")
    return log.only(moving) if moving and len(moving) < len(log.channels) else log


def _without_drive(
    path: Path, log: Log, controls: tuple[str, ...], asked: str | None, reading: str | None
) -> tuple[RunResult, tuple[Finding, ...]] | None:
    """What a record shows itself to be although a channel is named like a control; None where that drives a sweep.

    Who names a control, or says how the record is to be read, is believed.
    """
    from reportgen.compute.decay.stationary import MOST_SAMPLES, moving_line

    if asked is not None or reading is not None or not isinstance(log, TimeHistory):
        return None
    drive = log.only(controls[:1]).read(0, min(log.samples, MOST_SAMPLES))[:, 0]
    if moving_line(drive, log.sample_rate_hz) is not None:
        return None
    try:
        return _without_control(path, log, ())
    except ReadError:
        return None


def _drive_moves(path: Path, log: Log, controls: tuple[str, ...]) -> tuple[Finding, ...]:
    """The evidence for a sweep in a record: how the line of its control moves."""
    from reportgen.compute.decay.stationary import MOST_SAMPLES, moving_line

    if not isinstance(log, TimeHistory):
        return ()
    line = moving_line(log.only(controls[:1]).read(0, min(log.samples, MOST_SAMPLES))[:, 0], log.sample_rate_hz)
    if line is None:
        return ()
    first, last = line.first_hz, line.last_hz
    what = message("quicklook.read-as-sweep", channel=controls[0], first_hz=first, last_hz=last)
    if line.in_steps:
        what = message("quicklook.read-as-steps", channel=controls[0], first_hz=first, last_hz=last)
    return (note(Place(path.name, 1), what),)


def _without_errors(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    return tuple(each for each in findings if each.severity is not Severity.ERROR)


def _wanting(path: Path, findings: tuple[Finding, ...], otherwise: Message) -> ReadError:
    """What was found wanting, or ``otherwise`` where nothing was."""
    return ReadError(str(path), findings[0].whole if findings else otherwise).listing(findings[1:])


def _bare_job(path: Path, controls: tuple[str, ...]) -> Job:
    """A job that says nothing but its one run."""
    kind = RunKind.SURVEY if controls else RunKind.DECAY
    run = RunPlan(id=path.name, kind=kind, log=Path(path.name), control=controls)
    identity = ReportIdentity(number="", title=path.name, date=date.min)
    nobody = Party(name="")
    return Job(
        folder=path.parent,
        file=path,
        report=identity,
        laboratory=nobody,
        customer=nobody,
        specimen=Specimen(name=""),
        runs=(run,),
    )
