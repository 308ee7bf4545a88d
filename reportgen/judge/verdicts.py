"""Every requirement gets a verdict; none is skipped."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from reportgen.judge.amplification import amplification
from reportgen.judge.calibration import calibration
from reportgen.judge.case import Case
from reportgen.judge.control_tolerance import control_tolerance
from reportgen.judge.dwell import dwell_cycles, dwell_duration
from reportgen.judge.frequency_range import frequency_range
from reportgen.judge.inspection import inspection
from reportgen.judge.natural_frequency import lowest_natural_frequency
from reportgen.judge.shift import amplification_shift, frequency_shift
from reportgen.judge.sweep_rate import sweep_rate
from reportgen.records.job import Job, Requirement
from reportgen.records.note import Note
from reportgen.records.report import RunShift
from reportgen.records.result import Mode, RunResult
from reportgen.records.verdict import Verdict

CHECKS: Mapping[str, Callable[[Case], None]] = {
    "control tolerance": control_tolerance,
    "frequency range": frequency_range,
    "sweep rate": sweep_rate,
    "lowest natural frequency": lowest_natural_frequency,
    "amplification": amplification,
    "frequency shift": frequency_shift,
    "amplification shift": amplification_shift,
    "dwell duration": dwell_duration,
    "dwell cycles": dwell_cycles,
    "calibration": calibration,
    "inspection": inspection,
}


def judge(
    job: Job,
    runs: Sequence[RunResult],
    modes: Sequence[Mode],
    shifts: Sequence[RunShift],
    notes: Sequence[Note] = (),
) -> tuple[Verdict, ...]:
    """One verdict a requirement, in the order of the job; what cannot be judged is "not evaluated" with the reason.

    Values are compared unrounded. The decision rule and the confidence are the report's.
    """
    by_id = {run.id: run for run in runs}
    return tuple(
        _judge_one(
            Case(
                job=job,
                requirement=requirement,
                runs=by_id,
                modes=tuple(modes),
                shifts=tuple(shifts),
                notes=tuple(notes),
            )
        )
        for requirement in job.requirements
    )


def _judge_one(case: Case) -> Verdict:
    check = CHECKS.get(_name(case.requirement))
    if check is None:
        case.gap(f'there is no check "{case.requirement.check}"; write one of {", ".join(CHECKS)}')
    else:
        check(case)
    return case.verdict()


def _name(requirement: Requirement) -> str:
    return " ".join(requirement.check.split()).casefold()
