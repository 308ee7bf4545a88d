"""What the engineer says of a run beside its numbers: annotations, and entries that lie off a run's frequencies."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from reportgen.records.finding import Finding, warning
from reportgen.records.job import Annotation, Exclusion, Job
from reportgen.records.message import message
from reportgen.records.result import RunResult


def annotated(job: Job, run: RunResult) -> RunResult:
    """The run with the annotations of its curves, in the order of frequency."""
    own = sorted((each for each in job.annotations if each.run == run.id), key=lambda each: each.frequency_hz)
    if not own:
        return run
    channels = tuple(
        replace(channel, annotations=tuple(each for each in own if each.channel == channel.id))
        for channel in run.channels
    )
    return replace(run, channels=channels)


def off_the_runs(job: Job, runs: Sequence[RunResult]) -> tuple[Finding, ...]:
    """A warning for each exclusion or annotation off the frequencies of its run, which a record in time tells late."""
    by_id = {run.id: run for run in runs}
    entries: tuple[Exclusion | Annotation, ...] = (*job.exclusions, *job.annotations)
    return tuple(found for each in entries if each.run in by_id for found in _of_one(each, by_id[each.run]))


def _of_one(each: Exclusion | Annotation, run: RunResult) -> Iterator[Finding]:
    if run.sweep is None:
        return
    lowest, highest = run.sweep.lowest_hz, run.sweep.highest_hz
    if isinstance(each, Exclusion):
        low, high = each.band_hz
        if high < lowest or low > highest:
            said = message(
                "decided.band-off-log", run=run.id, low_hz=low, high_hz=high, lowest_hz=lowest, highest_hz=highest
            )
            yield warning(each.where, said)
    elif not lowest <= each.frequency_hz <= highest:
        f = each.frequency_hz
        said = message(
            "decided.point-off-log", table="[[annotation]]", run=run.id, frequency_hz=f, lowest_hz=lowest,
            highest_hz=highest,
        )  # fmt: skip
        yield warning(each.where, said)
