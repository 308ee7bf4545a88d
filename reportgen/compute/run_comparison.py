"""What only shows between runs: different levels or rates, a sensor that came loose in between."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from reportgen.compute.shift import run_pairs
from reportgen.records.job import Job
from reportgen.records.log import Floats
from reportgen.records.result import ChannelResult, IssueKind, QualityIssue, RunResult

LEVEL_DB = 1.0
"""Two controls within the ±15 % of IEC 60068-2-6 differ by up to 2.6 dB at a row, but by far less in the median."""
RATE_SHARE = 0.1
"""The ±10 % that IEC 60068-2-6 allows a sweep rate."""
GAIN_DB = 2.0
"""Below the resonances a sensor follows the exciter; a gain that differs by 2 dB is the sensor's and not the
structure's."""
BELOW_RESONANCE = 0.5
"""Share of the lowest natural frequency up to which the ratio of two runs is their gain: a shift of 20 % there moves
1/(1−r²) by 1.2 dB at most."""
NOISIER = 6.0
NOISY_DB = 1.0
FEWEST_ROWS = 10


def compare_quality(job: Job, runs: Sequence[RunResult]) -> tuple[RunResult, ...]:
    """The runs with what their comparison shows added to the quality of the later one."""
    by_id = {run.id: run for run in runs}
    for before, after in run_pairs(job):
        if before in by_id and after in by_id:
            found = tuple(_differences(by_id[before], by_id[after]))
            known = {(issue.kind, issue.channel) for issue in by_id[after].quality}
            fresh = tuple(issue for issue in found if (issue.kind, issue.channel) not in known)
            by_id[after] = replace(by_id[after], quality=(*by_id[after].quality, *fresh))
    return tuple(by_id[run.id] for run in runs)


def _differences(before: RunResult, after: RunResult) -> Iterator[QualityIssue]:
    yield from _levels(before, after)
    yield from _rates(before, after)
    yield from _sensors(before, after)


def _levels(before: RunResult, after: RunResult) -> Iterator[QualityIssue]:
    if before.control is None or after.control is None:
        return
    ratio = _ratio_db(
        (before.control.frequency_hz, before.control.level), (after.control.frequency_hz, after.control.level)
    )
    if ratio.size >= FEWEST_ROWS and abs(float(np.median(ratio))) > LEVEL_DB:
        yield QualityIssue(
            kind=IssueKind.LEVEL_DIFFERS,
            message=f"the control was {float(np.median(ratio)):+.1f} dB against run {before.id}: a structure whose "
            "stiffness or damping depends on level shows a difference that is none",
        )


def _rates(before: RunResult, after: RunResult) -> Iterator[QualityIssue]:
    a, b = before.sweep, after.sweep
    if a is None or b is None:
        return
    if {a.direction, b.direction} == {"up", "down"}:
        yield QualityIssue(
            kind=IssueKind.RATE_DIFFERS, message=f"swept {b.direction}, but {a.direction} in run {before.id}"
        )
    if a.rate is None or b.rate is None:
        return
    if a.rate_unit != b.rate_unit or abs(b.rate / a.rate - 1.0) > RATE_SHARE:
        yield QualityIssue(
            kind=IssueKind.RATE_DIFFERS,
            message=f"swept at {b.rate:.3g} {b.rate_unit}, but at {a.rate:.3g} {a.rate_unit} in run {before.id}",
        )


def _sensors(before: RunResult, after: RunResult) -> Iterator[QualityIssue]:
    """A channel whose gain or noise changed where the other channels' did not."""
    old = {channel.id: channel for channel in before.channels}
    pairs = [(old[channel.id], channel) for channel in after.channels if channel.id in old]
    lowest = min((r.frequency_hz for run in (before, after) for c in run.channels for r in c.resonances), default=None)
    gains = {b.id: _gain_db(a, b, lowest) for a, b in pairs}
    for a, b in pairs:
        gain = gains[b.id]
        others = [abs(each) for name, each in gains.items() if name != b.id and each is not None]
        if gain is not None and abs(gain) > GAIN_DB and (not others or min(others) < 0.5 * abs(gain)):
            yield _loose(b, before, f"reads {gain:+.1f} dB against run {before.id} below the resonances")
            continue
        quiet, noisy = _scatter_db(a), _scatter_db(b)
        if quiet is not None and noisy is not None and noisy > NOISY_DB and noisy > NOISIER * quiet:
            yield _loose(b, before, f"scatters by {noisy:.1f} dB, by {quiet:.2g} dB in run {before.id}")


def _loose(channel: ChannelResult, before: RunResult, what: str) -> QualityIssue:
    return QualityIssue(
        kind=IssueKind.LOOSE_SENSOR,
        message=f"{channel.id} {what}: sensor or cable came loose",
        channel=channel.id,
        spoils=True,
    )


def _gain_db(a: ChannelResult, b: ChannelResult, lowest_hz: float | None) -> float | None:
    """Median ratio of two runs of a channel below the resonances, dB; None where nothing was swept there."""
    ratio = _ratio_db((a.frequency_hz, a.magnitude), (b.frequency_hz, b.magnitude), up_to=lowest_hz)
    return float(np.median(ratio)) if ratio.size >= FEWEST_ROWS else None


def _ratio_db(a: tuple[Floats, Floats], b: tuple[Floats, Floats], up_to: float | None = None) -> Floats:
    """Second over first at the frequencies of the first, dB; rows that either lacks are left out."""
    (f, first), (g, second) = a, b
    ok = np.isfinite(second) & (second > 0)
    order = np.argsort(g[ok], kind="stable")
    if order.size < 2:
        return np.empty(0)
    known = np.isfinite(first) & (first > 0) & (f >= g[ok].min()) & (f <= g[ok].max())
    if up_to is not None:
        known &= f <= BELOW_RESONANCE * up_to
    other = np.exp(np.interp(np.log(f[known]), np.log(g[ok][order]), np.log(second[ok][order])))
    return np.asarray(20.0 * np.log10(other / first[known]))


def _scatter_db(channel: ChannelResult) -> float | None:
    """Median scatter of the rows about their neighbours, dB."""
    known = np.isfinite(channel.magnitude) & (channel.magnitude > 0)
    if known.sum() < 4 * FEWEST_ROWS:
        return None
    bend = np.abs(np.diff(20.0 * np.log10(channel.magnitude[known]), 2)) / np.sqrt(6.0)
    return 1.4826 * float(np.median(bend))
