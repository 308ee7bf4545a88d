"""A job under review: computed once, and after each decision only as far as the decision goes."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from reportgen.compute.asked_for import try_resonance
from reportgen.compute.modes.corrections import apply_corrections
from reportgen.compute.run import identify_run
from reportgen.cores import cores
from reportgen.errors import ReportError
from reportgen.pipeline import Built, Inputs, JobInError, Settings, build_job, read_inputs, report_of_runs
from reportgen.progress import Say, silent
from reportgen.read.input_files import stamp_of, stamps_of_job_file
from reportgen.read.job.checklist import report_checklist
from reportgen.records.finding import Finding, Severity
from reportgen.records.job import RunKind
from reportgen.records.message import Message, Place, as_written, message
from reportgen.records.note import NodesSeen
from reportgen.records.report import Report
from reportgen.render.rows.language import Language
from reportgen.review.asked import Asked, Faults
from reportgen.review.decisions import TABLES, Decision, Kind, entries_of, identified
from reportgen.review.entries import removed
from reportgen.review.kept import Kept
from reportgen.review.showing import Answer, Showing
from reportgen.review.state import Tried, changed, in_error, state_of, tried
from reportgen.review.writing import (
    NOTES,
    ChangedOutsideError,
    Files,
    as_correction,
    as_stated,
    faults_of,
    job_change,
    nodes_line,
    notes_of,
    with_line,
    without_line,
)


class NotYetError(ReportError):
    """An issue is asked for while something is open."""


class Session(Showing):
    """One job, one set of results, any number of pages; every call may come from a thread of its own."""

    def __init__(
        self,
        path: Path,
        how: Settings,
        progress: Say = silent,
        *,
        by: str = "",
        ahead: bool = False,
        clock: Callable[[], datetime] = datetime.now,
    ) -> None:
        """``clock`` tells the time that decisions are given, ``by`` who sits there; ``ahead``: runs that are looked at
        are identified while nothing is asked."""
        self._how = replace(how, cores=cores())
        file = path / "job.toml" if path.is_dir() else path
        super().__init__(file.parent.resolve().name, by)
        self.file, self.folder = file, file.parent
        self.inputs: Inputs | None = None
        self._clock = clock
        self._ahead = ahead
        self._busy = threading.Lock()
        """Held by whoever makes something ready."""
        self._noted: dict[str, str] = {}
        """Lines of the notes that were written here, by the id of their decision."""
        self._kept = Kept()
        self._watched: tuple[Path, ...] = ()
        """Files besides the job file of which a change is noticed."""
        self._stamps: dict[str, object] = {}
        self.read_anew(progress)

    # What is decided

    def decide(self, asked: Asked) -> Answer:
        """Write a decision and compute what hangs on it.

        Raises Faults where it cannot be taken, ChangedOutsideError where a file was changed meanwhile (it is read anew,
        nothing is written), ArchiveError where it could not be written (the file is as it was).
        """
        with self._work:
            report, inputs = self._decidable()
            if asked.kind is Kind.NODES:
                return self._note(asked, inputs)
            if TABLES[asked.kind] == "correction":
                self._meets(asked, report)
            return self._write(lambda files: files.change_job(
                job_change(asked, inputs.job, self._clock()), lambda part: self._proved(part, TABLES[asked.kind])
            ))  # fmt: skip

    def look(self, run: str | None, channel: str | None, frequency_hz: float) -> Tried:
        """What the identification finds there; nothing is written. Raises as ``decide`` does."""
        with self._work:
            report, inputs = self._decidable()
            plan, log = inputs.job.run(run), inputs.logs.get(run or "")
            result = next((each for each in report.runs if each.id == run), None)
            if plan is None or log is None or result is None:
                raise Faults(("run", message("review.no-such-run", runs=tuple(inputs.logs))))
            if plan.kind is RunKind.DECAY:
                raise Faults(("run", message("review.no-sweep", run=plan.id)))
            done = self._kept.identified(inputs.job, plan, log, silent, self._how.cores)
            found = try_resonance(inputs.job, done, as_stated(frequency_hz), channel)
            return tried(result, channel, found, report.job.report.confidence, self.language)

    def undo(self, decision: str) -> Answer:
        """Take a decision out of the file in which it stands. Raises as ``decide`` does."""
        with self._work:
            _, inputs = self._decidable()
            line = self._noted.get(decision)
            if line is not None:
                answer = self._write(lambda files: files.change_notes(notes_of(inputs.job), without_line(line)))
                self._noted.pop(decision, None)
                return answer
            entry = next((each for each in entries_of(inputs.job) if each.decision.id == decision), None)
            if entry is None:
                raise Faults(("decision", message("review.entry-gone")))
            return self._write(lambda files: files.change_job(
                lambda text: removed(text, entry.table, entry.index), lambda part: self._proved(part, entry.table)
            ))  # fmt: skip

    def _decidable(self) -> tuple[Report, Inputs]:
        """What decisions are about. Raises ChangedOutsideError where it is of files that have changed, or in error."""
        if self._now() != self._stamps:
            before = self._digests()
            self.read_anew()
            if self._digests() != before:  # not only touched
                raise ChangedOutsideError(message("review.read-anew"))
        if self.report is None or self.inputs is None:
            raise ChangedOutsideError(message("review.in-error"))
        return self.report, self.inputs

    def _digests(self) -> dict[str, str]:
        """Every input as it was read; empty where the job is in error."""
        return {} if self.inputs is None else {each.path: each.sha256 for each in self.inputs.files}

    def _meets(self, asked: Asked, report: Report) -> None:
        """Raises Faults where no resonance is there to decide on."""
        if asked.kind is Kind.ADD:
            assert asked.frequency_hz is not None
            trial = self.look(asked.run, asked.channel, asked.frequency_hz)
            if not trial.found:
                raise Faults(("frequency_hz", as_written([trial.why])[0]))
            return
        _, _, found = apply_corrections((as_correction(asked),), report.runs, ())
        if any(each.severity is Severity.WARNING for each in found):
            raise Faults(*(("frequency_hz", each.message) for each in found))

    def _note(self, asked: Asked, inputs: Inputs) -> Answer:
        line, path = nodes_line(asked, inputs.job, self.language, self._clock()), notes_of(inputs.job)
        made = Decision(
            kind=Kind.NODES, place=Place(path.name), run=asked.run, frequency_hz=asked.frequency_hz,
            text=line, reason=asked.reason or "", by=asked.by or "",
        )  # fmt: skip
        (made,) = identified([made])

        def written(files: Files) -> None:
            files.change_notes(path, with_line(line))
            self._noted[made.id] = line

        return self._write(written)

    def _proved(self, part: Path, table: str) -> None:
        """Raises Faults where the job in ``part`` is in error."""
        try:
            read_inputs(part, laboratory=self._how.laboratory, read_log=self._kept.read_log)
        except JobInError as error:
            raise faults_of(error, part, table) from error

    def _write(self, change: Callable[[Files], None]) -> Answer:
        """Change a file, compute anew, and say what is different."""
        assert self.inputs is not None
        digests, before = self._digests(), self._state
        try:
            change(Files(job_file=self.file, digests=digests))
        except ChangedOutsideError:
            self.read_anew()
            raise
        self.read_anew()
        return Answer(changed=changed(before, self._state), runs=self._kept.computed)

    def build(self, issue: bool, seen: Iterable[str] = ()) -> Built:
        """Build the draft or the issue, as ``reportgen build`` does. Raises NotYetError and ReportError."""
        with self._work:
            self._decidable()
            known = set(seen)
            left = [each for each in self._state.open if each.blocks or each.id not in known]
            if issue and left:
                raise NotYetError(message("review.not-seen", open=len(left)))
            self._tell(replace(self._state, building=True))
            try:
                return build_job(self.file, None, replace(self._how, draft=not issue))
            finally:
                self._tell(replace(self._state, building=False))

    # What is made ready

    def looked_at(self, run: str) -> None:
        """Identify the run ahead, beside all else, where that was asked for and nothing else is being made ready."""
        if self._ahead and not self._busy.locked():
            threading.Thread(target=self.identify_ahead, args=(run,), daemon=True).start()

    def identify_ahead(self, run: str) -> None:
        """Have the identification of a run at hand; it holds up nobody, and what cannot be had is told when asked."""
        with self._busy:
            with self._work:
                inputs = self.inputs
                plan = None if inputs is None else inputs.job.run(run)
                if inputs is None or plan is None or plan.kind is RunKind.DECAY or run not in inputs.logs:
                    return
                key = self._kept.as_identified(inputs.job, plan)
                if self._kept.is_identified(inputs.job, plan) or self._now() != self._stamps:
                    return
            try:
                done = identify_run(inputs.job, plan, inputs.logs[run], silent)
            except ReportError:
                return
            with self._work:
                self._kept.keep_identified(key, done)

    # What changes

    def read_anew(self, progress: Say = silent) -> None:
        """Read and compute what has changed since the last time, and tell the pages."""
        with self._work:
            self._stamps = self._now()
            try:
                inputs = read_inputs(self.file, progress, laboratory=self._how.laboratory, read_log=self._kept.read_log)
                self._computed(inputs, progress)
            except JobInError as error:
                self._failed(message("review.job-in-error", errors=len(error.errors)), error.errors)
            except ReportError as error:
                self._failed(error.said, tuple(each for each in error.more if isinstance(each, Finding)))
            except BaseException:
                self._failed(message("review.fault"), ())
                raise

    def _computed(self, inputs: Inputs, progress: Say) -> None:
        assert inputs.watched is not None
        every = self._kept.compute(inputs.job, inputs.logs, progress, self._how.cores)
        report = report_of_runs(inputs, every, progress)
        self.inputs, self.report = inputs, report
        self.language = Language.of(report.job.report.language, self._templates)
        self._figures.clear()
        self._watched = (
            *(self.folder / name for name in (*inputs.watched.stamps, NOTES)),
            *(each.path for each in inputs.job.laboratory_files),
        )
        # As they were before they were read: what has changed since is to be read again.
        as_read = {str(self.folder / name): stamp for name, stamp in inputs.watched.stamps.items()}
        self._stamps = {**self._now(), **self._stamps, **as_read}
        self._tell(state_of(report, self.language, report_checklist(report.job), self._lines_of(report)))

    def _lines_of(self, report: Report) -> tuple[Decision, ...]:
        """Decisions that stand in the notes, as far as they were made here."""
        ids = {line: id_ for id_, line in self._noted.items()}
        return tuple(
            Decision(
                id=ids[note.text], kind=Kind.NODES, place=note.where, run=note.run, text=note.text,
                frequency_hz=next((each.frequency_hz for each in note.facts if isinstance(each, NodesSeen)), None),
            )
            for note in report.notes
            if note.text in ids
        )  # fmt: skip

    def _failed(self, error: Message, findings: tuple[Finding, ...]) -> None:
        """What was computed before is of other inputs: it is shown no longer, and comes again once they are mended."""
        self.inputs, self.report = None, None
        self._figures.clear()
        there = sorted(self.folder.iterdir()) if self.folder.is_dir() else []
        folders = (self.folder, *(each for each in there if each.is_dir()))
        added = {str(each): stamp_of(each) for each in folders}  # what is missing may come
        self._watched = tuple(dict.fromkeys((*self._watched, *folders)))
        self._stamps = {**added, **self._stamps}
        self._tell(in_error(self.language, self.folder.name, error, findings))

    def look_outside(self) -> None:
        """Read anew where somebody else changed the job file, its notes or a log."""
        if self._now() == self._stamps or not self._work.acquire(blocking=False):
            return
        try:
            if self._now() != self._stamps:
                self.read_anew()
        finally:
            self._work.release()

    def _now(self) -> dict[str, object]:
        """State of every file that the job is known to read."""
        watched: dict[str, object] = {str(path): stamp_of(path) for path in self._watched}
        return {**stamps_of_job_file(self.file), **watched}


def built_messages(built: Built) -> tuple[Message, ...]:
    """What a build has to say to whoever asked for it."""
    own = built.report.job.report
    said = [message("build.verdict", number=own.number, revision=own.revision, outcome=built.outcome)]
    if built.same:
        said.append(message("build.same", folder=built.folder.name))
    if built.missing_pdf is not None:
        said.append(built.missing_pdf)
    return tuple(said)
