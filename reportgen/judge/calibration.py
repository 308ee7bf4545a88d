"""Every instrument in date on every day of use."""

from __future__ import annotations

from reportgen.judge.case import Case, Item
from reportgen.records.job import ChannelRole, Instrument, RunPlan
from reportgen.records.verdict import Outcome


def calibration(case: Case) -> None:
    """Items: every instrument on every run's day; the day it falls due is still in date."""
    runs = [run for run in case.job.runs if case.requirement.run in (None, run.id)]
    if not runs:
        case.gap("there is no run, so no day of use" if not case.job.runs else f"no run {case.requirement.run}")
    if not case.job.instruments:
        case.gap("the job names no instrument; write [[instrument]] with id, calibrated and due")
    _weigh_channels(case)
    case.on_pass = f"all {len(case.job.instruments)} instruments in date on the day of each of {len(runs)} runs"
    for instrument in case.job.instruments:
        for run in runs:
            _lay_use(case, instrument, run)


def _weigh_channels(case: Case) -> None:
    """A channel that names no instrument was measured with something whose calibration nobody knows.

    So was one that a run used and the job does not name, and a run that the job does not name was used on no day.
    """
    for run in case.runs.values():
        if case.plan(run) is None:
            case.gap(f"run {run.id} is not in the job, so the day of use is not known")
        used = (*(run.control.channels if run.control else ()), *(each.id for each in run.channels))
        for name in used:
            if case.job.channel(name) is None:
                case.gap(f"channel {name} of run {run.id} is not in the job; write it in [[channel]]")
    for channel in case.job.channels:
        if channel.role is ChannelRole.DRIVE and channel.instrument is None:
            continue
        if channel.instrument is None:
            case.gap(f'channel {channel.id} names no instrument; write instrument = "…" in [[channel]]')
        elif case.job.instrument(channel.instrument) is None:
            case.gap(f'channel {channel.id} names instrument "{channel.instrument}", which is not in the job')


def _lay_use(case: Case, instrument: Instrument, run: RunPlan) -> None:
    if run.started is None:
        case.gap(f"run {run.id} has no started, so the day of use is not known")
        return
    if instrument.due is None or instrument.calibrated is None:
        missing = "due" if instrument.due is None else "calibrated"
        case.gap(f"instrument {instrument.id} has no {missing}")
    day = run.started.date()
    reason, outcome = "in date", Outcome.PASS
    if instrument.due is not None and day > instrument.due:
        reason, outcome = f"calibration fell due on {instrument.due}, before its use on {day}", Outcome.FAIL
    elif instrument.calibrated is not None and day < instrument.calibrated:
        reason, outcome = f"calibrated on {instrument.calibrated} only, after its use on {day}", Outcome.FAIL
    elif instrument.due is None or instrument.calibrated is None:
        return
    text = f"instrument {instrument.id} in run {run.id}"
    case.items.append(Item(text=text, measured=None, outcome=outcome, reason=reason, run=run.id))
