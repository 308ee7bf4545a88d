"""The main job, in the order of the work: read → compute → judge → render → archive."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

from reportgen import SOFTWARE
from reportgen.errors import ReadError, ReportError
from reportgen.processes import compute_runs
from reportgen.progress import Say, silent
from reportgen.records.finding import Finding, Severity, error
from reportgen.records.job import Job, RunPlan
from reportgen.records.log import Log
from reportgen.records.message import Message, Place, message
from reportgen.records.note import Note
from reportgen.records.reference import EarlierReport
from reportgen.records.report import InputFile, LevelDependence, ReferenceResult, Report, RunShift
from reportgen.records.result import BeamFit, Mode, RunResult
from reportgen.records.verdict import Outcome, Verdict, overall

if TYPE_CHECKING:
    from reportgen.archive.issue import Standing
    from reportgen.read.input_files import Stamps, Watched


class JobInError(ReportError):
    """Inputs with errors: nothing was built."""

    def __init__(self, path: Path, findings: tuple[Finding, ...]) -> None:
        self.errors = tuple(finding for finding in findings if finding.severity is Severity.ERROR)
        super().__init__(message("build.job-in-error", path=str(path), errors=len(self.errors)))
        self.listing(self.errors)


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """How a build is to be done; goes to worker processes as it is."""

    results_only: bool = False
    draft: bool = False
    """Marked as a draft everywhere; may be overwritten, cannot be signed."""
    example: bool = False
    """An example of the program's own: built anew by every version, never issued."""
    supersedes: Path | None = None
    branding: Path | None = None
    """A laboratory's own templates; where none are named, those that the laboratory file names."""
    laboratory: Path | None = None
    """The laboratory file; where none is named it is looked for beside and above the job."""
    cores: int = 1

    @property
    def standing(self) -> Standing:
        """What a whole set built so is worth."""
        from reportgen.archive.issue import Standing

        if self.draft:
            return Standing.DRAFT
        return Standing.INTERIM if self.results_only or self.example else Standing.ISSUED


@dataclass(frozen=True, slots=True, kw_only=True)
class Inputs:
    """All that was read of a job."""

    job: Job
    logs: Mapping[str, Log]
    notes: tuple[Note, ...]
    files: tuple[InputFile, ...]
    findings: tuple[Finding, ...]
    earlier: EarlierReport | None = None
    """The report that the job is held against."""
    watched: Watched | None = None
    """The files as they were before they were read."""

    @property
    def in_error(self) -> bool:
        """Whether anything read forbids a build."""
        return any(finding.severity is Severity.ERROR for finding in self.findings)


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """What ``reportgen check`` has to say."""

    findings: tuple[Finding, ...]
    notes: tuple[Note, ...] = ()
    open_items: tuple[Message, ...] = ()
    """Items of the report that the job cannot fill yet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Built:
    """What a build left behind."""

    folder: Path
    report: Report
    files: tuple[str, ...]
    """Names of the outputs that matter."""
    same: bool = False
    """The same content stood there already: no new issue."""
    changed: tuple[str, ...] = ()
    """Outputs that are not what was written, such as a PDF signed in place; they stay as they are."""
    missing_pdf: Message | None = None
    """Why there is no PDF, and what to do."""

    @property
    def outcome(self) -> Outcome:
        """The verdict on the whole."""
        return self.report.overall

    @property
    def conforms(self) -> bool:
        """Whether every requirement was met by evidence."""
        return self.outcome in (Outcome.PASS, Outcome.CONDITIONAL_PASS)


def build_job(path: Path, out: Path | None = None, how: Settings = Settings(), progress: Say = silent) -> Built:
    """Build the report of the job at ``path`` into ``out`` (default: ``report`` in the job folder).

    Raises JobInError where the inputs have errors; an earlier report is then untouched.
    """
    from reportgen.archive.amendment import with_amendment_findings
    from reportgen.archive.publish import issued_early, publish
    from reportgen.archive.report_set import chief_files, finished_set, stated_set
    from reportgen.archive.sources import marked_names
    from reportgen.outputs import load_pages, render_outputs

    inputs = read_inputs(path, progress, laboratory=how.laboratory)
    how = replace(how, branding=how.branding or _branding_of(inputs.job))
    target = out or inputs.job.folder / "report"
    stated = stated_set(inputs.job, inputs.files, how.standing, alone=how.results_only)
    if how.supersedes is None:
        issued_early(target, stated)
    report = compute_report(inputs, progress, cores=how.cores, meanwhile=None if how.results_only else load_pages)
    if how.supersedes is not None:
        report = amend(report, how.supersedes)
    report = replace(with_amendment_findings(report), draft=how.draft)
    outputs, missing_pdf = render_outputs(
        report, progress, results_only=how.results_only, branding=how.branding, cores=how.cores
    )
    if how.draft:
        outputs = marked_names(report, outputs)
    progress(message("progress.writing"))
    if inputs.watched is not None:
        inputs.watched.still_the_same()
    published = publish(outputs, target, finished_set(stated, report, outputs, how.branding))
    return Built(
        folder=target,
        report=report,
        files=chief_files(report, outputs),
        same=published.same,
        changed=published.changed,
        missing_pdf=missing_pdf,
    )


def _branding_of(job: Job) -> Path | None:
    """The folder of templates that the laboratory file names. Raises ReadError where there is none."""
    for fault in _branding_findings(job):
        raise ReadError(fault.where, fault.message)
    return job.branding


def _branding_findings(job: Job) -> tuple[Finding, ...]:
    """An error where the laboratory file names a folder of templates that is not there; an archive does without."""
    if job.branding is None or job.branding.is_dir():
        return ()
    where = job.branding_where or Place(job.file.name)
    return (error(where, message("laboratory.no-branding", folder=str(job.branding))),)


def check_job(
    path: Path, progress: Say = silent, today: date | None = None, *, laboratory: Path | None = None
) -> Checked:
    """Read everything, compute nothing; dates are held against ``today`` as well, by default the machine's.

    ``path`` may be a laboratory file, too.
    """
    from reportgen.judge.checks import CHECKS
    from reportgen.read.input_files import photo_findings, stamps_of_job_file
    from reportgen.read.job.attachments import attachment_findings
    from reportgen.read.job.checklist import report_checklist
    from reportgen.read.job.job_dates import dates_to_come
    from reportgen.read.job.job_file import read_job
    from reportgen.read.job.laboratory_check import check_laboratory, laboratory_file_at, laboratory_used
    from reportgen.read.job.unnamed_logs import unnamed_logs

    own = laboratory_file_at(path)
    if own is not None:
        return Checked(findings=check_laboratory(own, today or date.today()))
    before = stamps_of_job_file(path)
    job, findings = read_job(path, CHECKS, laboratory)
    if job is None:
        return Checked(findings=findings)
    findings = (*findings, *laboratory_used(job), *_branding_findings(job))
    inputs = _read_all(job, (*findings, *dates_to_come(job, today or date.today())), before, progress)
    return Checked(
        findings=(
            *inputs.findings,
            *photo_findings(inputs.job),
            *attachment_findings(inputs.job),
            *unnamed_logs(inputs.job),
        ),
        notes=inputs.notes,
        open_items=(*report_checklist(replace(job, environment=inputs.job.environment)), *_open_deviations(inputs)),
    )


def _open_deviations(inputs: Inputs) -> tuple[Message, ...]:
    """Deviations without effect or agreement: those that reading alone shows, and those of the report that stands."""
    from reportgen.archive.standing_deviations import standing_deviations
    from reportgen.judge.deviations import answered, open_items, read_deviations

    job = inputs.job
    standing = standing_deviations(job.folder / "report")
    found = {each.key: each for each in (*standing, *read_deviations(job, inputs.notes))}
    return open_items(answered(job.deviations, found.values()))


ReadLog: TypeAlias = Callable[[Job, RunPlan], tuple[Log | None, tuple[Finding, ...]]]
"""Reads the log of a run, with what is to be said about it."""


def read_inputs(
    path: Path,
    progress: Say = silent,
    *,
    laboratory: Path | None = None,
    alone: bool = False,
    read_log: ReadLog | None = None,
) -> Inputs:
    """Read a job with everything it names. Raises JobInError where anything forbids a build.

    ``laboratory`` is the laboratory file where it is named; ``alone``: none is looked for outside the job folder.
    ``read_log`` reads a run's log where not every log is to be read anew.
    """
    from reportgen.judge.checks import CHECKS
    from reportgen.read.input_files import stamps_of_job_file
    from reportgen.read.job.job_file import read_job

    before = stamps_of_job_file(path)
    job, findings = read_job(path, CHECKS, laboratory, alone=alone)
    if job is None:
        raise JobInError(path, findings)
    inputs = _read_all(job, findings, before, progress, read_log)
    if inputs.in_error:
        raise JobInError(path, inputs.findings)
    return inputs


def _read_all(
    job: Job, findings: tuple[Finding, ...], before: Stamps, progress: Say, read_log: ReadLog | None = None
) -> Inputs:
    """Everything the job names; digests are taken first, and hold where no file has changed by the end.

    Raises ReadError, which names the file, where one has.
    """
    from reportgen.archive.reference import earlier_report
    from reportgen.read.input_files import input_paths, watch_inputs
    from reportgen.read.job.decided_places import decided_findings
    from reportgen.read.job.same_runs import same_runs
    from reportgen.read.log import with_channels_of_logs
    from reportgen.read.logged_environment import with_environment_of_logs
    from reportgen.read.logged_order import order_findings
    from reportgen.read.notes.note_environment import with_environment_of_notes
    from reportgen.read.notes.operator_notes import read_notes
    from reportgen.read.run_log import read_run, without_used_columns

    watched = watch_inputs(job, before)
    found = list(findings)
    logs: dict[str, Log] = {}
    for run in job.runs:
        progress(message("progress.reading", file=run.log_names))
        log, more = (read_log or read_run)(job, run)
        found += more
        if log is not None:
            logs[run.id] = log
    found = without_used_columns(job, logs.keys(), found)
    found += decided_findings(job, logs)
    found += order_findings(job, logs)
    job, more = with_channels_of_logs(job, logs.values())
    found += more
    as_stated = job.environment
    job, more = with_environment_of_logs(job, logs)
    found += more
    notes, more = read_notes(job)
    found += more
    job, more = with_environment_of_notes(job, notes, as_stated)
    found += more
    try:
        found += same_runs(job, logs, watched.files)
    except ReadError as problem:  # a record that breaks off amid its samples
        found.append(error(problem.where, problem.what))
    earlier = None
    if job.reference is not None and job.reference.archive in input_paths(job):
        progress(message("progress.reading", file=job.reference.archive.as_posix()))
        earlier, more = earlier_report(job)
        found += more
    watched.still_the_same()
    findings = tuple(dict.fromkeys(found))
    return Inputs(
        job=job, logs=logs, notes=notes, files=watched.files, findings=findings, earlier=earlier, watched=watched
    )


def compute_report(
    inputs: Inputs,
    progress: Say = silent,
    *,
    cores: int = 1,
    meanwhile: Callable[[], object] | None = None,
) -> Report:
    """Compute and judge what was read; the result does not depend on the number of ``cores``.

    What is to be done ``meanwhile`` is done while other processes compute, and not at all where there are none.
    """
    return report_of_runs(inputs, compute_runs(inputs.job, inputs.logs, progress, cores, meanwhile), progress)


def report_of_runs(inputs: Inputs, every: Sequence[RunResult], progress: Say = silent) -> Report:
    """The second half of the work, from the runs as ``compute_runs`` gives them: modes, comparison, verdicts.

    It is quick. All that a correction changes is computed here, but for a resonance that is asked for: that, and a band
    that is not used, needs its run alone once more (``compute_run``, which takes what of it is known already).
    """
    from reportgen.compute.decided import annotated, off_the_runs
    from reportgen.compute.frequency_uncertainty import assumptions
    from reportgen.compute.modes.mode_picture import mode_pictures
    from reportgen.compute.quality.quality_findings import quality_findings
    from reportgen.compute.sweep.exciter import exciter_check
    from reportgen.judge.by_decision import marked_by_decisions, without_passes_by_exclusion
    from reportgen.judge.deviations import find_deviations

    job = inputs.job
    found = _conclude(job, inputs, every, progress)
    verdicts = found.verdicts
    if job.exclusions:
        whole = [run.undecided or run if job.excluded_on(run.id) else run for run in every]
        with_all_rows = _conclude(replace(job, exclusions=()), inputs, whole, silent)
        verdicts = without_passes_by_exclusion(job, verdicts, with_all_rows.verdicts)
    if job.corrections:
        bare = _conclude(job.undecided, inputs, [run.undecided or run for run in every], silent)
        verdicts = marked_by_decisions(job, verdicts, bare.verdicts)
    elif job.exclusions:
        verdicts = marked_by_decisions(job, verdicts, with_all_rows.verdicts)
    by_id = {run.id: run for run in (*every, *found.runs)}
    runs = tuple(annotated(job, with_history(job, by_id[run.id])) for run in every)
    deviations, unmatched = find_deviations(job, runs, verdicts, inputs.notes)
    late = off_the_runs(job, runs)
    return Report(
        job=job,
        software=SOFTWARE,
        inputs=inputs.files,
        notes=inputs.notes,
        runs=runs,
        modes=found.modes,
        beam_fits=found.beam_fits,
        verdicts=verdicts,
        overall=overall(verdict.outcome for verdict in verdicts),
        findings=(*inputs.findings, *quality_findings(job, runs), *found.findings, *unmatched, *late),
        deviations=deviations,
        shifts=found.shifts,
        reference=found.reference,
        level_dependence=found.levels,
        exciter=exciter_check(job, runs),
        pictures=mode_pictures(job, found.modes, found.beam_fits),
        opinions=job.report.opinions,
        assumptions=assumptions(job, runs),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Conclusion:
    """What follows from the runs of a job taken together."""

    runs: tuple[RunResult, ...]
    modes: tuple[Mode, ...]
    beam_fits: tuple[BeamFit, ...]
    findings: tuple[Finding, ...]
    shifts: tuple[RunShift, ...]
    levels: tuple[LevelDependence, ...]
    reference: ReferenceResult | None
    verdicts: tuple[Verdict, ...]


def _conclude(job: Job, inputs: Inputs, every: Sequence[RunResult], progress: Say) -> _Conclusion:
    """Modes, comparisons and verdicts of the runs that count."""
    from reportgen.compute.comparison.level_dependence import level_dependence
    from reportgen.compute.comparison.reference import compare_with_reference
    from reportgen.compute.comparison.run_comparison import compare_quality
    from reportgen.compute.comparison.shift import run_shifts
    from reportgen.compute.modes.modes import join_modes
    from reportgen.compute.modes.observation import notes_that_count
    from reportgen.judge.verdicts import judge

    runs = compare_quality(job, [run for run in every if job.counts(run.id)])
    progress(message("progress.modes"))
    notes = notes_that_count(job, every, inputs.notes)
    runs, modes, beam_fits, findings = join_modes(job, runs, notes)
    shifts, levels = run_shifts(job, runs), level_dependence(job, runs)
    reference = compare_with_reference(job, runs, inputs.earlier)
    progress(message("progress.judging"))
    verdicts = judge(job, runs, modes, shifts, notes, reference)
    return _Conclusion(
        runs=runs, modes=modes, beam_fits=beam_fits, findings=findings, shifts=shifts, levels=levels,
        reference=reference, verdicts=verdicts,
    )  # fmt: skip


def with_history(job: Job, run: RunResult) -> RunResult:
    """The run with what the job says became of it."""
    plan = job.run(run.id)
    if plan is None:
        return run
    return replace(
        run, specimen=plan.specimen, status=str(plan.status), status_reason=plan.reason, repeats=plan.repeats,
        logs=tuple(each.as_posix() for each in plan.logs),
    )  # fmt: skip


def amend(report: Report, archive: Path) -> Report:
    """The report as the next revision of what ``archive`` holds, with every change listed."""
    from reportgen.archive.amendment import amended, amendment_of

    return amended(report, amendment_of(archive, report, as_results(report)))


def as_results(report: Report) -> dict[str, Any]:
    """Results as results.json holds them."""
    from reportgen.render.results import results

    return results(report)
