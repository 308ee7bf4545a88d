"""Which runs stand for an axis on its pages: the survey before, the sweep, the survey after."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from reportgen.records.job import Requirement, RunKind
from reportgen.records.log import Floats
from reportgen.records.report import Report, RunShift
from reportgen.records.result import RunResult
from reportgen.records.verdict import Verdict
from reportgen.render.rows.trusted import spoiled


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisRuns:
    """The runs of one axis, and which of them its pages show; None where there was none."""

    axis: str | None
    runs: tuple[RunResult, ...]
    survey: RunResult | None
    sweep: RunResult | None
    after: RunResult | None

    @property
    def lead(self) -> RunResult | None:
        """The run whose responses are shown: the sweep, else a survey, else the first that has a curve."""
        named = [run for run in (self.sweep, self.survey, self.after) if run is not None]
        return next((run for run in (*named, *self.runs) if curves(run)), None)


def sweeps(frequency_hz: Floats) -> bool:
    """Whether there is a curve to draw over frequency: a dwell has none."""
    finite = frequency_hz[np.isfinite(frequency_hz)]
    return len(finite) > 1 and bool(finite.max() > 1.05 * finite.min())


def curves(run: RunResult) -> list[str]:
    """Channels of a run that have a curve over frequency."""
    return [channel.id for channel in run.channels if sweeps(channel.frequency_hz)]


def axis_runs(report: Report) -> list[AxisRuns]:
    """One for each axis, in the order in which the axes were tested."""
    return [_of_axis(report, axis) for axis in dict.fromkeys(run.axis for run in report.runs)]


def _of_axis(report: Report, axis: str | None) -> AxisRuns:
    runs = tuple(run for run in report.runs if run.axis == axis and report.job.counts(run.id))
    by_id = {run.id: run for run in runs}
    surveys = [run for run in runs if run.kind == RunKind.SURVEY]
    pair = next(((s.before, s.after) for s in report.shifts if s.before in by_id and s.after in by_id), None)
    before, after = (by_id[pair[0]], by_id[pair[1]]) if pair else (_end(surveys, 0), _end(surveys[1:], -1))
    return AxisRuns(axis=axis, runs=runs, survey=before, sweep=_sweep(report, runs), after=after)


def _end(runs: list[RunResult], which: int) -> RunResult | None:
    return runs[which] if runs else None


def _sweep(report: Report, runs: Iterable[RunResult]) -> RunResult | None:
    """The sweep that most verdicts rest on; of equals the last, since what is repeated replaces."""
    cited = Counter(item.run for verdict in report.verdicts for item in verdict.evidence)
    found = [run for run in runs if run.kind == RunKind.SWEEP]
    return max(reversed(found), key=lambda run: cited[run.id], default=None)


def requirement_of(report: Report, verdict: Verdict) -> Requirement | None:
    """What the job asks for there."""
    return next((each for each in report.job.requirements if each.id == verdict.requirement), None)


def axis_of(report: Report, verdict: Verdict) -> str | None:
    """The one axis that a verdict is about; None where it is about several, or none."""
    asked, every = requirement_of(report, verdict), {run.axis for run in report.runs}
    written = None if asked is None else asked.axis
    if written is not None and written in every:
        return written
    named = {verdict.run, *(item.run for item in verdict.evidence)}
    named |= {run for part in verdict.parts for run in (part.run, part.before, part.after)}
    if asked is not None:
        named |= {asked.run, *asked.runs, asked.before, asked.after}
    axes = {run.axis for run in report.runs if run.id in named}
    if len(axes) == 1:
        return axes.pop()
    return written if not axes and not verdict.parts else None


def carried(report: Report, shift: RunShift) -> bool:
    """Whether the channel carries evidence in both runs."""
    both = (run for run in report.runs if run.id in (shift.before, shift.after))
    return not any(spoiled(run, shift.channel) for run in both)


def worst_shift(report: Report, of: AxisRuns) -> RunShift | None:
    """The largest shift of frequency between the surveys of an axis, on a channel that carries evidence."""
    if of.survey is None or of.after is None:
        return None
    pair = (of.survey.id, of.after.id)
    shifts = [s for s in report.shifts if (s.before, s.after) == pair and carried(report, s)]
    return max(shifts, key=lambda s: abs(s.frequency_shift or 0.0), default=None)
