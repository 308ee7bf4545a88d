"""Every instrument in date on every day of use."""

from __future__ import annotations

from reportgen.judge.case import Case, Item
from reportgen.records.check import Check, JobEvidence
from reportgen.records.job import ChannelRole, Instrument, RunPlan
from reportgen.records.message import message
from reportgen.records.verdict import Outcome, ProvedBy


def calibration(case: Case) -> None:
    """Items: every instrument on every run's day; the day it falls due is still in date."""
    runs = [run for run in case.job.runs if case.requirement.run in (None, run.id) and run.counts]
    if not runs:
        _weigh_no_run(case)
    if not case.job.instruments:
        case.gap(message("judge.no-instrument"))
    _weigh_channels(case)
    case.on_pass = message("judge.all-in-date", instruments=len(case.job.instruments), runs=len(runs))
    for instrument in case.job.instruments:
        for run in runs:
            _lay_use(case, instrument, run)


def _weigh_no_run(case: Case) -> None:
    if case.requirement.run is None or not case.job.runs:
        case.gap(message("judge.no-day-of-use"))
    else:
        case.gap(message("judge.no-such-run", run=case.requirement.run))


def _weigh_channels(case: Case) -> None:
    """A channel that names no instrument was measured with something whose calibration nobody knows.

    So was one that a run used and the job does not name, and a run that the job does not name was used on no day.
    """
    for run in case.runs.values():
        if case.plan(run) is None:
            case.gap(message("judge.day-unknown-not-in-job", run=run.id))
        used = (*(run.control.channels if run.control else ()), *(each.id for each in run.channels))
        for name in used:
            if case.job.channel(name) is None:
                case.gap(message("judge.channel-not-in-job", channel=name, run=run.id))
    for channel in case.job.channels:
        if channel.role is ChannelRole.DRIVE and channel.instrument is None:
            continue
        if channel.instrument is None:
            case.gap(message("judge.channel-without-instrument", channel=channel.id))
        elif case.job.instrument(channel.instrument) is None:
            case.gap(message("judge.instrument-not-in-job", channel=channel.id, instrument=channel.instrument))


def _lay_use(case: Case, instrument: Instrument, run: RunPlan) -> None:
    if run.started is None:
        case.gap(message("judge.day-unknown", run=run.id))
        return
    if instrument.due is None:
        case.gap(message("judge.instrument-without-due", instrument=instrument.id))
    elif instrument.calibrated is None:
        case.gap(message("judge.instrument-without-calibrated", instrument=instrument.id))
    day, due, calibrated = run.started.date(), instrument.due, instrument.calibrated
    used = message("judge.instrument-in-run", instrument=instrument.id, run=run.id)
    outcome = Outcome.FAIL
    if due is not None and day > due:
        text = message("judge.calibration-overdue", used=used, due=due, day=day)
    elif calibrated is not None and day < calibrated:
        text = message("judge.calibrated-after-use", used=used, calibrated=calibrated, day=day)
    elif due is not None and calibrated is not None:
        text, outcome = message("judge.in-date", used=used), Outcome.PASS
    else:
        return
    case.items.append(Item(text=text, outcome=outcome, run=run.id))


CALIBRATION = Check(
    name="calibration",
    judged_by=JobEvidence.INSTRUMENTS,
    proved_by=ProvedBy.INSTRUMENTS,
    compares=message("check.calibration"),
    function=calibration,
)
