"""One list of all runs: rate, duration and the worst deviation of the control as columns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from reportgen.records.report import Report
from reportgen.records.result import RunResult
from reportgen.render.names import anchor
from reportgen.render.rows.identity import status
from reportgen.render.rows.language import Language


@dataclass(frozen=True, slots=True, kw_only=True)
class RunListed:
    """One run as it was run."""

    id: str
    anchor: str
    kind: str
    axis: str
    started: str
    profile: str
    range: str
    rate: str
    duration: str
    worst: str
    worst_at: str
    outside: str
    status: str
    """What became of a run that does not count, and why; empty for any other."""
    remark: str


def run_list(report: Report, language: Language) -> tuple[RunListed, ...]:
    """Runs in the order of the report."""
    rows = [_listed(report, run, language) for run in report.runs]
    return tuple(replace(row, remark=_told_once(row, rows)) for row in rows)


_COLUMNS = ("profile", "range", "rate", "duration", "worst")
"""Those that a test may leave without any value: a free decay has neither profile nor rate."""


def run_columns(rows: Sequence[RunListed], language: Language) -> frozenset[str]:
    """Columns of the list in which at least one run has a value."""
    return frozenset(name for name in _COLUMNS if any(getattr(row, name) != language.numbers.ABSENT for row in rows))


def _told_once(row: RunListed, rows: Sequence[RunListed]) -> str:
    """The remark of a run; where others have the same, under the first of them, with the names of all."""
    alike = [each for each in rows if each.remark == row.remark]
    if not row.remark or len(alike) == 1:
        return row.remark
    return f"{', '.join(each.id for each in alike)}: {row.remark}" if alike[0] is row else ""


def _listed(report: Report, run: RunResult, language: Language) -> RunListed:
    numbers, plan, control = language.numbers, report.job.run(run.id), run.control
    worst = control.worst_deviation_db if control else None
    return RunListed(
        id=run.id,
        anchor=anchor("run", run.id),
        kind=language.say(run.kind),
        axis=run.axis or numbers.ABSENT,
        started=numbers.moment(plan.started if plan else None),
        profile=(plan.profile if plan else None) or numbers.ABSENT,
        range=_range(run, language),
        rate=_rate(run, language),
        duration=numbers.duration(_duration(run)),
        worst=numbers.ABSENT if worst is None else f"{numbers.signed(worst, 2)}\u00a0dB",
        worst_at=numbers.ABSENT
        if worst is None or control is None
        else f"{numbers.significant(control.at_hz, 4)}\u00a0Hz",
        outside=", ".join(language.band(band) for band in control.outside_bands) if control else "",
        status=status(plan, language) if plan else "",
        remark=(plan.remark if plan else None) or "",
    )


def _range(run: RunResult, language: Language) -> str:
    numbers, sweep = language.numbers, run.sweep
    if run.dwell is not None:
        return f"{numbers.significant(run.dwell.frequency_hz, 4)}\u00a0Hz"
    if sweep is None:
        return numbers.ABSENT
    return f"{numbers.plain(sweep.first_hz, 4)} – {numbers.plain(sweep.last_hz, 4)}\u00a0Hz"


def _rate(run: RunResult, language: Language) -> str:
    sweep = run.sweep
    if sweep is None or sweep.rate is None or run.dwell is not None:
        return language.numbers.ABSENT
    return f"{language.numbers.significant(sweep.rate, 4)}\u00a0{sweep.rate_unit}"


def _duration(run: RunResult) -> float | None:
    if run.dwell is not None:
        return run.dwell.duration_s
    return run.sweep.duration_s if run.sweep is not None else None
