"""Whether what the engineer decided about a run lies on its log: the bands and points of exclusions and annotations."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from reportgen.records.finding import Finding, error
from reportgen.records.job import Annotation, Correction, Exclusion, Job, RunKind
from reportgen.records.log import Log, SweepLog
from reportgen.records.message import message

Decided = Exclusion | Annotation | Correction


def decided_findings(job: Job, logs: Mapping[str, Log]) -> tuple[Finding, ...]:
    """An error for each that names a channel its log does not have, or frequencies that its log does not reach.

    A record in time has no frequencies before it is computed; it is told then.
    """
    asked = [each for each in job.corrections if each.action == "add"]
    decided: Sequence[Decided] = (*job.exclusions, *job.annotations, *asked)
    placed = [(each, logs.get(each.run or "")) for each in decided]
    return tuple(found for each, log in placed if log is not None for found in _of_one(job, each, log))


def _of_one(job: Job, each: Decided, log: Log) -> Iterator[Finding]:
    table, run = f"[[{_TABLES[type(each)]}]]", job.run(each.run)
    held = log.channels if not isinstance(log, SweepLog) else tuple(trace.channel for trace in log.traces)
    if each.channel is not None and each.channel not in held:
        yield error(
            each.where,
            message("decided.no-channel", table=table, channel=each.channel, run=each.run, held=tuple(held)),
        )
    if not isinstance(each, Annotation) and run is not None and run.kind is RunKind.DECAY:
        yield error(each.where, message("decided.decay", table=table, run=each.run))
    elif isinstance(log, SweepLog):
        yield from _off_the_log(table, each, log)


_TABLES: dict[type, str] = {Exclusion: "exclusion", Annotation: "annotation", Correction: "correction"}


def _off_the_log(table: str, each: Decided, log: SweepLog) -> Iterator[Finding]:
    """A band without a row, or a point beyond the ends of the log."""
    f = log.frequency_hz
    lowest, highest = float(f.min()), float(f.max())
    if isinstance(each, Exclusion):
        low, high = each.band_hz
        if not ((f >= low) & (f <= high)).any():
            said = message(
                "decided.band-off-log", run=each.run, low_hz=low, high_hz=high, lowest_hz=lowest, highest_hz=highest
            )
            yield error(each.where, said)
    elif isinstance(each, Annotation) and not lowest <= each.frequency_hz <= highest:
        said = message(
            "decided.point-off-log", table=table, run=each.run, frequency_hz=each.frequency_hz, lowest_hz=lowest,
            highest_hz=highest,
        )  # fmt: skip
        yield error(each.where, said)
