"""What is said of runs that do not count: an aborted, a void and a repeated one decide nothing."""

from __future__ import annotations

from reportgen.records.job import RunPlan, RunStatus
from reportgen.records.message import Message, message

NO_REASON = message("judge.reason-unstated")
NO_PROFILE = message("judge.profile-unstated")


def left_out(run: RunPlan, stand_in: RunPlan | None = None, too_late: RunPlan | None = None) -> Message:
    """What became of a run, why, and what is judged in its place, or came too late for that."""
    why: str | Message = run.reason or NO_REASON
    if stand_in is not None and stand_in.profile != run.profile:
        return message("judge.stood-in-at", run=run.id, status=run.status, why=why, other=stand_in.id,
                       profile=run.profile or NO_PROFILE, other_profile=stand_in.profile or NO_PROFILE)  # fmt: skip
    if stand_in is not None:
        return message("judge.stood-in", run=run.id, status=run.status, why=why, other=stand_in.id)
    if too_late is not None:
        return message("judge.repeated-too-late", run=run.id, status=run.status, why=why, other=too_late.id)
    if run.status is RunStatus.ABORTED:
        return message("judge.aborted", run=run.id, why=why)
    if run.status is RunStatus.REPEATED:
        return message("judge.repeated", run=run.id, why=why)
    return message("judge.void", run=run.id, why=why)
