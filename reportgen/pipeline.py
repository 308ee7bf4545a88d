"""The main job, in the order of the work: read → compute → judge → render → archive."""

from __future__ import annotations

import argparse
import shutil
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reportgen import __version__
from reportgen.cores import cores, end_with_parent
from reportgen.errors import PdfUnavailableError, ReadError, ReportError
from reportgen.progress import silent
from reportgen.records.finding import Finding, Severity, note
from reportgen.records.job import Job, Party, ReportIdentity, RunKind, RunPlan, Specimen
from reportgen.records.log import Log, SweepLog, TimeHistory
from reportgen.records.note import Note, describe_fact
from reportgen.records.report import InputFile, Report
from reportgen.records.result import RunResult
from reportgen.records.verdict import Outcome, overall

if TYPE_CHECKING:
    from reportgen.archive.publish import Output
    from reportgen.archive.verify import Verified

Say = Callable[[str], object]
SOFTWARE = f"reportgen {__version__}"


class JobInError(ReportError):
    """Inputs with errors: nothing was built."""

    def __init__(self, path: Path, findings: tuple[Finding, ...]) -> None:
        self.findings = findings
        errors = [finding for finding in findings if finding.severity is Severity.ERROR]
        lines = "\n".join(f"  {finding}" for finding in errors)
        super().__init__(f"{path}: {len(errors)} error{'s' * (len(errors) != 1)}; nothing was written\n{lines}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """How a build is to be done; goes to worker processes as it is."""

    results_only: bool = False
    supersedes: Path | None = None
    branding: Path | None = None
    cores: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Inputs:
    """All that was read of a job."""

    job: Job
    logs: Mapping[str, Log]
    notes: tuple[Note, ...]
    files: tuple[InputFile, ...]
    findings: tuple[Finding, ...]

    @property
    def in_error(self) -> bool:
        """Whether anything read forbids a build."""
        return any(finding.severity is Severity.ERROR for finding in self.findings)


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """What ``reportgen check`` has to say."""

    lines: tuple[str, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Built:
    """What a build left behind."""

    folder: Path
    lines: tuple[str, ...]
    outcome: Outcome
    missing_pdf: str | None = None

    @property
    def conforms(self) -> bool:
        """Whether every requirement was met by evidence."""
        return self.outcome in (Outcome.PASS, Outcome.CONDITIONAL_PASS)


def settings(options: argparse.Namespace) -> Settings:
    """Settings from the command line."""
    return Settings(
        results_only=options.results_only,
        supersedes=options.supersedes and options.supersedes.resolve(),
        branding=options.branding and options.branding.resolve(),
        cores=cores() if len(options.jobs) == 1 else 1,
    )


def build_job(path: Path, out: Path | None = None, how: Settings = Settings(), progress: Say = silent) -> Built:
    """Build the report of the job at ``path`` into ``out`` (default: ``report`` in the job folder).

    Raises JobInError where the inputs have errors; an earlier report is then untouched.
    """
    from reportgen.archive.publish import publish

    inputs = read_inputs(path, progress)
    report = compute_report(inputs, progress, cores=how.cores, meanwhile=None if how.results_only else _load_layout)
    if how.supersedes is not None:
        report = amend(report, how.supersedes)
    outputs, missing_pdf = render_outputs(report, how, progress)
    target = out or inputs.job.folder / "report"
    progress("writing")
    publish(outputs, target)
    lines = [f"{report.job.report.number} rev. {report.job.report.revision}: {report.overall}"]
    lines += [f"  {verdict.requirement}: {verdict.outcome} – {verdict.reason}" for verdict in report.verdicts]
    lines += [f"  {target / name}" for name in sorted(outputs)]
    return Built(folder=target, lines=tuple(lines), outcome=report.overall, missing_pdf=missing_pdf)


def check_job(path: Path, progress: Say = silent) -> Checked:
    """Read everything, compute nothing."""
    from reportgen.read.checklist import report_checklist
    from reportgen.read.job_file import read_job

    job, findings = read_job(path)
    if job is None:
        return Checked(lines=tuple(map(str, findings)), findings=findings)
    inputs = _read_all(job, findings, progress)
    lines = [str(finding) for finding in inputs.findings]
    for each in inputs.notes:
        understood = "; ".join(describe_fact(fact) for fact in each.facts) or "a note"
        lines.append(f"{each.where}: read as {understood}: {each.text.strip()}")
    return Checked(lines=(*lines, *report_checklist(job)), findings=inputs.findings)


def read_inputs(path: Path, progress: Say = silent) -> Inputs:
    """Read a job with everything it names. Raises JobInError where anything forbids a build."""
    from reportgen.read.job_file import read_job

    job, findings = read_job(path)
    if job is None:
        raise JobInError(path, findings)
    inputs = _read_all(job, findings, progress)
    if inputs.in_error:
        raise JobInError(path, inputs.findings)
    return inputs


def _read_all(job: Job, findings: tuple[Finding, ...], progress: Say) -> Inputs:
    from reportgen.read.input_files import input_files
    from reportgen.read.log import read_log, with_channels_of_logs
    from reportgen.read.operator_notes import read_notes

    found = list(findings)
    logs: dict[str, Log] = {}
    for run in job.runs:
        progress(f"reading {run.log.as_posix()}")
        log, more = read_log(job, run)
        found += more
        if log is not None:
            logs[run.id] = log
    job, more = with_channels_of_logs(job, logs.values())
    found += more
    notes, more = read_notes(job)
    found += more
    files = input_files(job)
    return Inputs(job=job, logs=logs, notes=notes, files=files, findings=tuple(dict.fromkeys(found)))


def compute_report(
    inputs: Inputs, progress: Say = silent, *, cores: int = 1, meanwhile: Callable[[], object] | None = None
) -> Report:
    """Compute and judge what was read; the result does not depend on the number of ``cores``.

    What is to be done ``meanwhile`` is done while other processes compute, and not at all where there are none.
    """
    from reportgen.compute.exciter import exciter_check
    from reportgen.compute.level_dependence import level_dependence
    from reportgen.compute.mode_picture import mode_pictures
    from reportgen.compute.modes import join_modes
    from reportgen.compute.run_comparison import compare_quality
    from reportgen.compute.shift import run_shifts
    from reportgen.judge.verdicts import judge

    job = inputs.job
    runs = compare_quality(job, _compute_runs(inputs, progress, cores, meanwhile))
    progress("joining what was logged with what was seen")
    runs, modes, beam_fits, findings = join_modes(job, runs, inputs.notes)
    shifts = run_shifts(job, runs)
    progress("holding results against requirements")
    verdicts = judge(job, runs, modes, shifts, inputs.notes)
    return Report(
        job=job,
        software=SOFTWARE,
        inputs=inputs.files,
        notes=inputs.notes,
        runs=runs,
        modes=modes,
        beam_fits=beam_fits,
        verdicts=verdicts,
        overall=overall(verdict.outcome for verdict in verdicts),
        findings=(*inputs.findings, *findings),
        shifts=shifts,
        level_dependence=level_dependence(job, runs),
        exciter=exciter_check(job, runs),
        pictures=mode_pictures(job, modes, beam_fits),
        opinions=job.report.opinions,
    )


def _load_layout() -> None:
    """What sets pages, loaded ahead of them."""
    from reportgen.render.document import assemble  # noqa: F401
    from reportgen.render.pdf import load_layout
    from reportgen.resources import data_dir

    load_layout(data_dir("templates"))


def _compute_runs(
    inputs: Inputs, progress: Say, cores: int, meanwhile: Callable[[], object] | None
) -> tuple[RunResult, ...]:
    """Every run by itself, on as many cores as there are; the results do not depend on their number."""
    from concurrent.futures.process import BrokenProcessPool

    job, logs = inputs.job, inputs.logs
    shared = [run for run in job.runs if isinstance(logs[run.id], SweepLog)]
    if cores > 1 and len(shared) > 1 and sys.platform == "linux":
        try:
            return _compute_in_processes(inputs, shared, progress, cores, meanwhile)
        except BrokenProcessPool:
            progress("a process died, out of memory perhaps; computing run by run")
    return tuple(_compute_run(inputs, run, progress, cores) for run in job.runs)


def _compute_in_processes(
    inputs: Inputs, shared: Sequence[RunPlan], progress: Say, cores: int, meanwhile: Callable[[], object] | None
) -> tuple[RunResult, ...]:
    """Sweep logs in processes of their own; records, which are read in pieces and share their work out, here."""
    from concurrent.futures import ProcessPoolExecutor, as_completed
    from multiprocessing import get_context

    from reportgen.compute.run import compute_run

    job, logs = inputs.job, inputs.logs
    fork = get_context("fork")
    with ProcessPoolExecutor(min(cores, len(shared)), mp_context=fork, initializer=end_with_parent) as pool:
        begun = {run.id: pool.submit(compute_run, job, run, logs[run.id], silent) for run in shared}
        here = {run.id: _compute_run(inputs, run, progress, cores) for run in job.runs if run.id not in begun}
        if meanwhile is not None:
            meanwhile()
        for number, future in enumerate(as_completed(begun.values()), start=1):
            future.result()
            progress(f"computed {number} of {len(begun)} sweeps")
        return tuple(begun[run.id].result() if run.id in begun else here[run.id] for run in job.runs)


def _compute_run(inputs: Inputs, run: RunPlan, progress: Say, cores: int) -> RunResult:
    from reportgen.compute.run import compute_run

    progress(f"computing {run.id}")
    return compute_run(inputs.job, run, inputs.logs[run.id], progress, workers=cores)


def render_outputs(report: Report, how: Settings, progress: Say = silent) -> tuple[dict[str, Output], str | None]:
    """Every output file by name; and what to do where the PDF could not be made."""
    from reportgen.archive.sources import archive_info, bag_job, pdf_sources
    from reportgen.render.results import results_json

    outputs = {"results.json": results_json(report)}
    if how.results_only:
        return {**outputs}, None
    from reportgen.beside import beside
    from reportgen.render.document import assemble
    from reportgen.render.html import render_html
    from reportgen.render.pdf import load_layout, render_pdf
    from reportgen.render.plots import render_plots
    from reportgen.render.summary import render_summary_pdf
    from reportgen.resources import data_dir

    templates = data_dir("templates")
    document = assemble(report, templates)  # kept for all that follow, in the second process as well
    sources = pdf_sources(report, outputs["results.json"], how.branding)
    load_layout(templates)
    progress("setting the pages of the report, drawing its figures")
    report_pdf = beside(
        lambda drawn: render_pdf(report, templates=templates, branding=how.branding, attachments=sources, drawn=drawn),
        lambda: dict(document.drawings),
        how.cores,
    )
    outputs["report.html"] = render_html(report, templates=templates, branding=how.branding).encode("utf-8")
    outputs |= {f"plots/{name}": content for name, content in render_plots(report).items()}
    missing_pdf = None
    try:
        summary = render_summary_pdf(report, templates=templates, branding=how.branding)
        outputs |= {"report.pdf": report_pdf(), "summary.pdf": summary}
    except PdfUnavailableError as error:
        missing_pdf = str(error)
    progress("packing the archive")
    return {**outputs, f"{archive_info(report).name}.zip": bag_job(report, outputs, how.branding)}, missing_pdf


def amend(report: Report, archive: Path) -> Report:
    """The report as the next revision of what ``archive`` holds, with every change listed."""
    from reportgen.archive.amendment import amended, amendment_of

    return amended(report, amendment_of(archive, report, _as_results(report)))


def verify_archive(path: Path, progress: Say = silent, *, trusted: Sequence[Path] = ()) -> Verified:
    """Check every digest of an archive or report.pdf, recompute every number and compare."""
    from reportgen.archive.amendment import kept_amendment
    from reportgen.archive.verify import verify

    computed: dict[Path, Report] = {}

    def report_of(folder: Path) -> Report:
        if folder not in computed:
            found = compute_report(read_inputs(folder, progress), progress, cores=cores())
            computed[folder] = kept_amendment(found)
        return computed[folder]

    return verify(
        path,
        lambda folder: _as_results(report_of(folder)),
        lambda folder: _pages(report_of(folder), progress),
        trusted=trusted,
    )


def _as_results(report: Report) -> dict[str, Any]:
    """Results as results.json holds them."""
    import json

    from reportgen.render.results import results_json

    results: dict[str, Any] = json.loads(results_json(report))
    return results


def _pages(report: Report, progress: Say) -> dict[str, bytes]:
    """The rendered files of a report, without the archive that holds them."""
    outputs, _ = render_outputs(report, Settings(cores=cores()), progress)
    return {name: content for name, content in outputs.items() if isinstance(content, bytes)}


def quicklook(path: Path, control: str | None, say: Say, progress: Say = silent, *, reading: str | None = None) -> None:
    """One bare log: a table said as soon as it is known, then one page beside the log.

    ``reading`` is ``decay``, ``sweep`` or ``steady`` where the log is to be read so, None where it shows itself.
    """
    from reportgen.archive.publish import write_whole
    from reportgen.beside import beside
    from reportgen.read.log import read_bare_log
    from reportgen.resources import data_dir

    progress(f"reading {path.name}")
    read = cache(partial(read_bare_log, path, control))
    computed = beside(partial(_resonances, path), partial(_if_swept, read, reading), cores())
    log, controls, findings = read()
    if log is None:
        raise ReadError(str(path), "\n".join(str(finding) for finding in findings) or "holds no sweep")
    progress("finding resonances")
    from reportgen.render.quicklook import load_drawing, quicklook_lines, render_quicklook

    templates = data_dir("templates")
    load_drawing(templates)
    if reading in ("decay", "steady"):
        run, controls, findings = _read_as(path, log, findings, reading)
    elif controls:
        run = computed() or _compute_bare(path, log, controls, progress, cores())
    elif reading == "sweep":
        raise ReadError(str(path), "\n".join(str(finding) for finding in findings))
    else:
        run, findings = _without_control(path, log, findings)
    for line in quicklook_lines(run, controls, findings):
        say(line)
    progress("drawing the curves")
    page = path.with_name(path.name + ".quicklook.html")
    html = render_quicklook(run, log, controls, findings, templates=templates, software=SOFTWARE)
    write_whole(page, html.encode("utf-8"))
    say(f"curves: {page}")


Bare = tuple[SweepLog, tuple[str, ...]]
"""A sweep log without a job, and its control channels."""


def _if_swept(
    read: Callable[[], tuple[Log | None, tuple[str, ...], tuple[Finding, ...]]], reading: str | None = None
) -> Bare | None:
    """A sweep log with its control; None where it is none: records are read in pieces, by who computes them."""
    log, controls, _ = read()
    if reading in ("decay", "steady"):
        return None
    return (log, controls) if isinstance(log, SweepLog) and controls else None


def _resonances(path: Path, read: Callable[[], Bare | None]) -> RunResult | None:
    """What a bare sweep log tells; what computes it is loaded while the log is still being read."""
    import reportgen.compute.run  # noqa: F401

    swept = read()
    return None if swept is None else _compute_bare(path, *swept, silent, 1)


def _compute_bare(path: Path, log: Log, controls: tuple[str, ...], progress: Say, cores: int) -> RunResult:
    job = _bare_job(path, controls)
    inputs = Inputs(job=job, logs={job.runs[0].id: log}, notes=(), files=(), findings=())
    return _compute_run(inputs, job.runs[0], progress, cores)


def inspect_file(path: Path) -> str:
    """What a log or record holds, with a mapping to paste, or a run for each sweep where it holds several."""
    from reportgen.compute.several_sweeps import sweeps_of_record
    from reportgen.read.inspect_file import describe_file

    return describe_file(path, lambda history, drive: sweeps_of_record(history, drive, workers=cores()))


def _read_as(
    path: Path, log: Log, findings: tuple[Finding, ...], reading: str
) -> tuple[RunResult, tuple[str, ...], tuple[Finding, ...]]:
    """A record read as its user says it is; raises ReadError for rows of frequency, which are neither."""
    from reportgen.compute.run import decay_run
    from reportgen.compute.stationary import steady_run

    if not isinstance(log, TimeHistory):
        raise ReadError(
            f"{path.name}:1", f"holds rows of frequency, no samples against time; --as {reading} needs these"
        )
    plan = _bare_job(path, ()).runs[0]
    run = decay_run(plan, log) if reading == "decay" else steady_run(plan, log)
    return run, (), tuple(each for each in findings if each.severity is not Severity.ERROR)


def _without_control(path: Path, log: Log, findings: tuple[Finding, ...]) -> tuple[RunResult, tuple[Finding, ...]]:
    """A record without control as what it shows itself to be: a free decay, or a stationary record.

    Raises ReadError with what was found wanting where it is neither.
    """
    from reportgen.compute.run import decay_if_any
    from reportgen.compute.stationary import MOST_SAMPLES, is_steady, steady_run

    plan, place = _bare_job(path, ()).runs[0], f"{path.name}:1"
    kept = tuple(each for each in findings if each.severity is not Severity.ERROR)
    several = isinstance(log, TimeHistory) and len(log.channels) > 1
    other = "; of a sweep name its control: --control NAME" if several else ""
    run = decay_if_any(plan, log)
    if run is not None:
        return run, (*kept, note(place, f"begins with a pluck and dies away: read as a free decay{other}"))
    if isinstance(log, TimeHistory) and is_steady(log.read(0, min(log.samples, MOST_SAMPLES)), log.sample_rate_hz):
        told = "its level stays the same and no line moves: read as a stationary record"
        return steady_run(plan, log), (*kept, note(place, f"{told}{other}"))
    if several or not isinstance(log, TimeHistory):
        raise ReadError(str(path), "\n".join(str(finding) for finding in findings))
    raise ReadError(
        place,
        "shows neither a pluck that dies away nor a steady level, and with one channel there is nothing to hold a "
        "sweep against; say what it is: --as decay or --as steady",
    )


def _bare_job(path: Path, controls: tuple[str, ...]) -> Job:
    """A job that says nothing but its one run."""
    kind = RunKind.SURVEY if controls else RunKind.DECAY
    run = RunPlan(id=path.name, kind=kind, log=Path(path.name), control=controls)
    identity = ReportIdentity(number="quick look", title=path.name, date=date.min)
    nobody = Party(name="not stated")
    return Job(
        folder=path.parent,
        file=path,
        report=identity,
        laboratory=nobody,
        customer=nobody,
        specimen=Specimen(name="not stated"),
        runs=(run,),
    )


def demo(out: Path | None, say: Say) -> int:
    """Build copies of the example jobs; returns 0, or 4 where no PDF could be made."""
    from reportgen.progress import Progress
    from reportgen.resources import data_dir

    folder = out or Path.cwd() / "example_reports"
    exit_code = 0
    for example in sorted(path.parent for path in data_dir("example_logs").glob("*/job.toml")):
        job = folder / example.name
        try:
            shutil.copytree(example, job, dirs_exist_ok=True, ignore=shutil.ignore_patterns("report"))
        except (OSError, shutil.Error) as problem:
            raise ReportError(
                f"{job}: the example cannot be copied there: {problem}; name a folder with --out"
            ) from problem
        progress = Progress()
        built = build_job(job, None, Settings(cores=cores()), progress)
        progress.done()
        for line in built.lines:
            say(line)
        if built.missing_pdf:
            say(f"reportgen: {built.missing_pdf}")
            exit_code = 4
    return exit_code
