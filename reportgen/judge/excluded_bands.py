"""What a clause may still say where the engineer does not use a band of a run: nothing passes by what was left out."""

from __future__ import annotations

import math

from reportgen.judge.case import Case
from reportgen.judge.curve import NEAR
from reportgen.records.check import Check
from reportgen.records.job import Exclusion
from reportgen.records.message import message
from reportgen.records.result import RunResult
from reportgen.records.verdict import ProvedBy

_OF_THE_DRIVE = (ProvedBy.CONTROL, ProvedBy.RATE)
"""What is proved by the control alone: a band that is not used on a response channel leaves it whole, unless the
channel is one that a notch is held by."""
_OF_NO_ROW = (ProvedBy.INSTRUMENTS, ProvedBy.INSPECTIONS)


def weigh_excluded_bands(case: Case, check: Check) -> None:
    """A gap for every band, not used, that the clause asks about: the largest, the lowest or the worst may lie there.

    A clause about one numbered mode, found elsewhere, is judged on the rest; so is a lowest frequency by a band above
    its limit and above what was found. That the band was not used is said there, too.
    """
    if check.proved_by in _OF_NO_ROW:
        return
    for run in case.looked_at:
        for each in case.job.excluded_on(run.id):
            if not _concerns(case, check, run, each):
                continue
            low, high = each.band_hz
            said = message(
                "judge.band-not-used", run=run.id, low_hz=low, high_hz=high, place=tuple(filter(None, (each.channel,))),
                by=each.by, reason=each.reason,
            )  # fmt: skip
            (case.remark if _settled_elsewhere(case, check, each) else case.gap)(said)


def _concerns(case: Case, check: Check, run: RunResult, each: Exclusion) -> bool:
    """Whether a clause asks about the band and the channel."""
    low, high = case.requirement.band_hz or (0.0, math.inf)
    if each.band_hz[0] > high or each.band_hz[1] < low:
        return False
    control = run.control.channels if run.control is not None else ()
    if each.channel is None or each.channel in control:
        return True
    if check.proved_by in _OF_THE_DRIVE:
        return run.control is not None and each.channel in {notch.channel for notch in run.control.notches}
    return case.requirement.channel in (None, each.channel) and each.channel not in case.job.monitors


def _settled_elsewhere(case: Case, check: Check, each: Exclusion) -> bool:
    """Whether what lies in the band cannot change the result."""
    low, high = each.band_hz
    limit = case.requirement.limit
    found = [item.frequency_hz for item in case.items if item.frequency_hz is not None]
    if check.proved_by is ProvedBy.NATURAL_FREQUENCY and limit is not None:
        return low > limit.si * (1.0 + NEAR) and any(f < low for f in found)
    return case.requirement.mode is not None and bool(found) and not any(low <= f <= high for f in found)
