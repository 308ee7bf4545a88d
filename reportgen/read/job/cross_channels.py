"""Cross channels of a run: responses whose direction lies across its axis."""

from __future__ import annotations

from collections.abc import Iterator

from reportgen.read.job.nearest import near_or
from reportgen.records.finding import Finding, error
from reportgen.records.job import ChannelRole, Job, RunKind, RunPlan
from reportgen.records.message import message

_SIGNS = "+-−"
"""Which way along its direction a sensor looks does not matter here."""


def cross_channel_findings(job: Job) -> Iterator[Finding]:
    """Cross channels that are not there, are no responses, or do not lie across; and a limit for none."""
    for run in job.runs:
        for name in run.cross:
            yield from _of_channel(job, run, name)
        if run.cross and run.kind is RunKind.DECAY:
            yield error(run.where, message("cross.decay", run=run.id))
        if run.cross_axis and not run.cross:
            yield error(run.where, message("cross.limit-alone", run=run.id))


def _of_channel(job: Job, run: RunPlan, name: str) -> Iterator[Finding]:
    channel = job.channel(name)
    if channel is None:
        known = tuple(each.id for each in job.channels)
        hint = near_or(name, known, message("hint.defined", known=known))
        yield error(run.where, message("cross.unknown", run=run.id, channel=name, hint=hint))
    elif channel.role is not ChannelRole.RESPONSE:
        yield error(run.where, message("cross.no-response", run=run.id, channel=name, role=str(channel.role)))
    elif channel.direction is None or run.written_axis is None:
        yield error(run.where, message("cross.direction-unknown", run=run.id, channel=name))
    elif channel.direction.strip(_SIGNS).upper() == run.written_axis.strip(_SIGNS).upper():
        yield error(run.where, message("cross.along", run=run.id, channel=name, axis=run.written_axis))
