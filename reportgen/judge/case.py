"""One requirement with all the evidence there is, and how items of evidence become a verdict.

A check lays its findings down as items (values held against limits), gaps (evidence that should be there and is
not) and remarks. The worst item decides. A gap never passes: with one the result is at best "not evaluated".
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from enum import Enum

from reportgen.judge.decision_rule import NO_LIMITS, Decision, Tolerance, decide
from reportgen.records.job import Channel, ChannelRole, DecisionRule, Job, Requirement, RunKind, RunPlan
from reportgen.records.message import Amount, Message, Value, message
from reportgen.records.note import Note
from reportgen.records.report import ReferenceComparison, ReferenceResult, RunShift
from reportgen.records.result import ChannelResult, IssueKind, Mode, Resonance, RunResult
from reportgen.records.verdict import Evidence, Outcome, Verdict
from reportgen.units import Quantity, example

_REMARKED = (IssueKind.SHORT_RUN, IssueKind.LEVEL_DIFFERS, IssueKind.RATE_DIFFERS, IssueKind.RESUMED, IssueKind.JUMP)
"""What the reader of a verdict is told though it spoils nothing."""
_WORST_FIRST = tuple(Outcome)
_SWEPT = (RunKind.SURVEY, RunKind.SWEEP)
END_SHARE = 0.01
"""The rows of a run have to reach the ends of what is asked for within 1 %, the contract's default for a range."""


class Side(Enum):
    """On which side of a requirement's limit lies what conforms."""

    AT_MOST = "at most"
    AT_LEAST = "at least"
    WITHIN = "within"
    """On both, the limit being a deviation."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """A measured value and the limits it is held against, all in ``unit``."""

    measured: float
    std: float | None = None
    """Standard uncertainty; None where it is not known."""
    tolerance: Tolerance = NO_LIMITS
    unit: str = ""
    resolution: float | None = None
    """Step of the last digit of a value noted by hand; None for one that was computed."""
    most_digits: int | None = None
    """Most significant digits that may be printed."""

    def against(self) -> Message:
        """Value against limits, so that what is printed never contradicts the result."""
        low, high = self.tolerance.low, self.tolerance.high
        measured = Amount(self.measured, self.unit, self._nearest(), self.resolution)
        if low is not None and high is not None:
            if low == -high:
                return message("judge.within", measured=measured, limit=Amount(high, self.unit))
            return message("judge.between", measured=measured, low=low, high=high, unit=self.unit)
        if high is not None:
            return message("judge.at-most", measured=measured, limit=Amount(high, self.unit))
        if low is not None:
            return message("judge.at-least", measured=measured, limit=Amount(low, self.unit))
        return message("judge.no-limit", measured=measured)

    def _nearest(self) -> float | None:
        limits = [limit for limit in (self.tolerance.high, self.tolerance.low) if limit is not None]
        return min(limits, key=lambda limit: abs(self.measured - limit), default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One measured value held against its limits, or a fact that decides by itself."""

    text: Message
    """What was measured or seen, and where."""
    said: Message | None = None
    """The sentence of the verdict, with value and limits; None where ``text`` says it all."""
    reading: Reading | None = None
    """None for a fact."""
    run: str | None = None
    channel: str | None = None
    mode: int | None = None
    frequency_hz: float | None = None
    outcome: Outcome | None = None
    """Given for facts, such as a failed inspection."""
    flags: tuple[Message, ...] = ()
    """What the identification says about the resonance; told where the item decides."""

    def evidence(self, decision: Decision) -> Evidence:
        """The item as the verdict cites it."""
        reading = self.reading
        return Evidence(
            text=self.text,
            run=self.run,
            channel=self.channel,
            mode=self.mode,
            frequency_hz=self.frequency_hz,
            measured=reading.measured if reading else None,
            unit=reading.unit if reading else "",
            resolution=reading.resolution if reading else None,
            expanded_uncertainty=decision.expanded_uncertainty,
            most_digits=reading.most_digits if reading else None,
        )


@dataclass(slots=True)
class Case:
    """A requirement, the evidence, and what a check has laid down so far."""

    job: Job
    requirement: Requirement
    runs: dict[str, RunResult]
    modes: tuple[Mode, ...]
    shifts: tuple[RunShift, ...]
    notes: tuple[Note, ...]
    reference: ReferenceResult | None = None
    items: list[Item] = field(default_factory=list)
    gaps: list[Message] = field(default_factory=list)
    remarks: list[Message] = field(default_factory=list)
    bands_hz: tuple[tuple[float, float], ...] = ()
    side: Side = Side.AT_MOST
    looked_at: list[RunResult] = field(default_factory=list)
    """Runs that the check asked for, in order."""
    on_pass: Message | None = None
    """What a pass rests on, where that is all items together and not the worst of them."""

    def gap(self, reason: Message) -> None:
        """Lay down that evidence is missing or worthless."""
        if reason not in self.gaps:
            self.gaps.append(reason)

    def remark(self, text: Message) -> None:
        """Lay down what the reader should know beside the result."""
        if text not in self.remarks:
            self.remarks.append(text)

    def run(self, run_id: str | None, key: str = "run") -> RunResult | None:
        """The result of a run the requirement names, or None with the gap laid down."""
        if run_id is None:
            self.gap(message("judge.no-run-named", key=key, runs=self._run_names()))
            return None
        if self.job.run(run_id) is None:
            self.gap(message("judge.run-not-in-job", run=run_id, key=key, runs=self._run_names()))
            return None
        result = self.runs.get(run_id)
        if result is None:
            self.gap(message("judge.run-without-result", run=run_id))
            return None
        self._weigh_quality(result)
        if result not in self.looked_at:
            self.looked_at.append(result)
        return result

    def against_reference(self, after: RunResult | None) -> ReferenceComparison | None:
        """The comparison of a run with the earlier report, or None with the gap laid down."""
        if after is None:
            return None
        if self.reference is None:
            self.gap(message("judge.no-reference"))
            return None
        found = next((each for each in self.reference.comparisons if each.after == after.id), None)
        if found is None or found.before is None:
            self.gap((found and found.reason) or message("judge.not-against-reference", run=after.id))
            return None
        self._weigh_quality(found.before)
        return found

    def plan(self, run: RunResult) -> RunPlan | None:
        """The run as the job states it."""
        return self.job.run(run.id)

    def _axis(self, run: RunResult) -> str | None:
        plan = self.plan(run)
        return plan.axis if plan is not None else run.axis

    def _run_names(self) -> Message:
        if not self.job.runs:
            return message("judge.job-without-runs")
        return message("judge.runs-of-job", runs=tuple(run.id for run in self.job.runs))

    def _weigh_quality(self, run: RunResult) -> None:
        for issue in run.quality:
            if issue.spoils and issue.channel is None:
                self.gap(message("judge.run-without-evidence", run=run.id, why=issue.message))
            elif not issue.spoils and issue.kind in _REMARKED:
                self.remark(message("judge.of-run", run=run.id, what=issue.message))

    def weigh_clock(self, run: RunResult) -> bool:
        """Whether durations, rates and counts of cycles can be trusted; a clock that ran backwards leaves none."""
        wrong = [issue for issue in run.quality if issue.kind is IssueKind.CLOCK]
        for issue in wrong:
            self.gap(message("judge.of-run", run=run.id, what=issue.message))
        return not wrong

    def weigh_holes(self, run: RunResult, low_hz: float = 0.0, high_hz: float = math.inf) -> None:
        """Lay down a gap for every band without rows that the requirement, or the band given, covers in part."""
        band = self.requirement.band_hz or (0.0, math.inf)
        low, high = max(low_hz, band[0]), min(high_hz, band[1])
        for issue in run.quality:
            hole = issue.band_hz if issue.kind is IssueKind.HOLE else None
            if hole is not None and hole[0] < high and hole[1] > low:
                self.gap(message("judge.of-run", run=run.id, what=issue.message))

    def weigh_travelled(self, run: RunResult) -> None:
        """Lay down a gap where the rows of a run do not span what the requirement is about, within ``END_SHARE``.

        That is its band, else for a survey or a sweep the profile, unless one mode alone is asked for: what was not
        travelled proves nothing.
        """
        wanted = self.requirement.band_hz or self._profile_range(run)
        if wanted is None or run.control is None or not len(run.control.frequency_hz):
            return
        rows_hz = run.control.frequency_hz
        (low, high), lowest, highest = wanted, float(min(rows_hz)), float(max(rows_hz))
        if not (lowest <= low * (1.0 + END_SHARE) and high * (1.0 - END_SHARE) <= highest):
            self.gap(message("judge.band-not-swept", run=run.id, low_hz=low, high_hz=high, lowest_hz=lowest,
                             highest_hz=highest))  # fmt: skip

    def _profile_range(self, run: RunResult) -> tuple[float, float] | None:
        """Ends of a sweep's profile, Hz; None where it has none, or where the requirement is about one mode."""
        plan = self.plan(run)
        profile = self.job.profile(plan.profile) if plan is not None else None
        if profile is None or self.requirement.mode is not None or plan is None or plan.kind not in _SWEPT:
            return None
        return profile.breakpoints[0].frequency_hz, profile.breakpoints[-1].frequency_hz

    def weigh_steady_state(self, run: RunResult) -> bool:
        """Whether the modes of a run can carry evidence: steady state that was only assumed may have made them up."""
        modes = [each for channel in run.channels for each in channel.resonances if each.rejected is None]
        doubtful = sum(each.doubtful for each in modes)
        if doubtful:
            self.gap(message("judge.steady-state-assumed", run=run.id, doubtful=doubtful, all=len(modes)))
        return not doubtful

    def weigh_channel(self, run: RunResult, channel: str) -> bool:
        """Whether a channel of a run can carry evidence; where not, the gap is laid down."""
        spoiled = [issue for issue in run.quality if issue.spoils and issue.channel == channel]
        for issue in spoiled:
            self.gap(message("judge.channel-without-evidence", channel=channel, run=run.id, why=(issue.message,)))
        return not spoiled

    def responses(self, run: RunResult) -> list[ChannelResult]:
        """Response channels in the requirement's scope that carry evidence in this run; a gap for each that does not.

        In scope is the channel the requirement names, else every response channel that the run should have: those of
        the job but for channels logged only on other axes.
        """
        found, lost = self.sound_and_lost(run)
        for _, why in lost:
            self.gap(why)
        return found

    def sound_and_lost(self, run: RunResult) -> tuple[list[ChannelResult], list[tuple[str, Message]]]:
        """Channels in scope that carry evidence, and (id, reason) of those that do not."""
        wanted = self._wanted_channels(run)
        if not wanted:
            self.gap(message("judge.run-without-response", run=run.id))
        for control in run.control.channels if run.control is not None else ():
            self.weigh_channel(run, control)  # every ratio is one to the control
        by_id = {channel.id: channel for channel in run.channels}
        sound: list[ChannelResult] = []
        lost: list[tuple[str, Message]] = []
        for name in wanted:
            spoiled = [issue for issue in run.quality if issue.spoils and issue.channel == name]
            if name not in by_id:
                lost.append((name, message("judge.channel-without-result", channel=name, run=run.id)))
            elif spoiled:
                why = tuple(issue.message for issue in spoiled)
                lost.append((name, message("judge.channel-without-evidence", channel=name, run=run.id, why=why)))
            else:
                sound.append(by_id[name])
        return sound, lost

    def _wanted_channels(self, run: RunResult) -> list[str]:
        if self.requirement.channel is not None:
            return [self.requirement.channel]
        axis = self._axis(run)
        logged: dict[bool, set[str]] = {True: set(), False: set()}
        for other in self.runs.values():
            if axis is not None and self._axis(other) is not None:
                logged[self._axis(other) == axis] |= self._responding(other)
        expected = [
            channel.id
            for channel in self.job.channels
            if channel.role is ChannelRole.RESPONSE and self._belongs(channel, run, logged[True], logged[False])
        ]
        here = [channel.id for channel in run.channels if channel.id in self._responding(run)]
        return list(dict.fromkeys([*expected, *here, *sorted(logged[True])]))

    def _responding(self, run: RunResult) -> set[str]:
        """Channels of a run but those that were recorded beside."""
        return {channel.id for channel in run.channels} - self.job.monitors

    def _belongs(self, channel: Channel, run: RunResult, here: set[str], elsewhere: set[str]) -> bool:
        plan = self.plan(run)
        if plan is not None and channel.id in dict(plan.columns):
            return True
        axis = (plan.written_axis if plan is not None else run.axis) or ""
        along = channel.direction is not None and channel.direction.strip("+-−").upper() == axis.upper()
        return channel.id in here or along or channel.id not in elsewhere

    def resonances(self, run: RunResult, channel: ChannelResult) -> list[Resonance]:
        """Resonances of a channel that count; rejected ones and those outside the requirement's band are remarked."""
        found = []
        for each in channel.resonances:
            where = message("judge.place", frequency_hz=each.frequency_hz, channel=channel.id, run=run.id)
            if each.rejected is not None:
                self.remark(message("judge.rejected", where=where, why=each.rejected))
            elif self.in_band(each.frequency_hz) and (not each.doubtful or self.weigh_steady_state(run)):
                found.append(each)
        wanted = self.requirement.mode
        if wanted is None:
            return found
        numbered = [each for each in found if each.mode == wanted]
        for each in found if not numbered else ():
            if each.mode is None:
                where = message("judge.place", frequency_hz=each.frequency_hz, channel=channel.id, run=run.id)
                self.gap(message("judge.resonance-unnumbered", where=where, mode=wanted))
        return numbered

    def in_band(self, frequency_hz: float) -> bool:
        """Whether a frequency is in the requirement's band."""
        band = self.requirement.band_hz
        return band is None or band[0] <= frequency_hz <= band[1]

    def limit(self, *dimensions: str) -> Quantity | None:
        """The requirement's limit, or None with the gap laid down where it is missing or of the wrong kind."""
        limit = self.requirement.limit
        wanted = example(dimensions[0])
        if limit is None:
            self.gap(message("judge.limit-missing", example=wanted))
            return None
        if limit.dimension not in dimensions:
            self.gap(message("judge.limit-of-other-kind", limit=limit.text, dimension=limit.dimension, example=wanted))
            return None
        return limit

    def _stated_tolerance(self) -> Tolerance:
        """The requirement's own limit, for a verdict that could measure nothing against it."""
        limit = self.requirement.limit
        if limit is None:
            return NO_LIMITS
        if self.side is Side.WITHIN:
            return Tolerance(low=-abs(limit.value), high=abs(limit.value))
        return Tolerance(low=limit.value) if self.side is Side.AT_LEAST else Tolerance(high=limit.value)

    def _stated_unit(self) -> str:
        limit = self.requirement.limit
        return "" if limit is None or limit.unit.symbol == "1" else limit.unit.symbol

    def verdict(self) -> Verdict:
        """The worst item decides; a gap leaves nothing better than "not evaluated"."""
        rule, confidence = self.job.report.decision_rule, self.job.report.confidence
        judged = [(item, _decision(item, rule, confidence)) for item in self.items]
        if not judged:
            reason = [*(self.gaps or [message("judge.nothing-measured")]), *self.remarks]
            return self._verdict(Outcome.NOT_EVALUATED, reason, None, None, ())
        judged.sort(key=lambda pair: _badness(*pair))
        item, decision = judged[0]
        outcome = decision.outcome
        if self.gaps and _WORST_FIRST.index(outcome) > _WORST_FIRST.index(Outcome.NOT_EVALUATED):
            outcome = Outcome.NOT_EVALUATED
        reason = [self.on_pass if self.on_pass and outcome is Outcome.PASS else _say(item, decision)]
        if item.flags:
            reason.append(message("judge.flagged", flags=item.flags))
        if outcome is Outcome.NOT_EVALUATED:
            reason = [*self.gaps, *reason]
        else:
            reason += [message("judge.not-all-evidence", gap=gap) for gap in self.gaps]
        return self._verdict(outcome, [*reason, *self.remarks], item, decision, [i.evidence(d) for i, d in judged])

    def _verdict(
        self,
        outcome: Outcome,
        reason: Sequence[Message],
        item: Item | None,
        decision: Decision | None,
        evidence: Sequence[Evidence],
    ) -> Verdict:
        reading = item.reading if item else None
        tolerance = self._stated_tolerance() if item is None else reading.tolerance if reading else NO_LIMITS
        unit = self._stated_unit() if item is None else reading.unit if reading else ""
        at_most = tolerance.high is not None
        passed = outcome in (Outcome.PASS, Outcome.CONDITIONAL_PASS)
        return Verdict(
            requirement=self.requirement.id,
            check=self.requirement.check,
            clause=self.requirement.clause,
            text=self.requirement.text,
            outcome=outcome,
            reason=tuple(dict.fromkeys(reason)),
            measured=reading.measured if reading else None,
            limit=tolerance.high if at_most else tolerance.low,
            limit_low=tolerance.low if at_most else None,
            at_most=at_most or tolerance.low is None,
            unit=unit,
            resolution=reading.resolution if reading else None,
            most_digits=reading.most_digits if reading else None,
            expanded_uncertainty=decision.expanded_uncertainty if decision else None,
            coverage_factor=decision.coverage_factor if decision else None,
            false_acceptance=decision.false_acceptance if decision and passed else None,
            evidence=tuple(evidence),
            bands_hz=self.bands_hz,
            run=self.requirement.run or (item.run if item else None),
            axis=None if self.requirement.run or self.requirement.before else self.requirement.axis,
            before=self.requirement.before,
            after=self.requirement.after,
            where=str(self.requirement.where),
        )


def _decision(item: Item, rule: DecisionRule, confidence: float) -> Decision:
    reading = item.reading
    if item.outcome is not None or reading is None:
        return Decision(
            outcome=item.outcome or Outcome.NOT_EVALUATED,
            expanded_uncertainty=None,
            coverage_factor=None,
            false_acceptance=None,
        )
    return decide(rule, reading.measured, reading.std, reading.tolerance, confidence)


def _badness(item: Item, decision: Decision) -> tuple[int, float]:
    """Sorts worst first: by result, then by how much of the tolerance is used; facts before values."""
    use = item.reading.tolerance.use(item.reading.measured) if item.reading is not None else math.inf
    return _WORST_FIRST.index(decision.outcome), -use


def _say(item: Item, decision: Decision) -> Message:
    """What decided, and why where the value alone does not say it."""
    said = item.said or item.text
    if item.reading is not None and decision.expanded_uncertainty is not None:
        said = _stated(said, item.reading, decision.expanded_uncertainty)
    return said if decision.reason is None else message("judge.with-reason", what=said, why=decision.reason)


def _stated(said: Message, reading: Reading, expanded: float) -> Message:
    """The message with the uncertainty at its measured value, so that its digits are those of the verdict's."""

    def one(value: Value) -> Value:
        if isinstance(value, Message):
            return _stated(value, reading, expanded)
        if isinstance(value, Amount) and (value.value, value.unit) == (reading.measured, reading.unit):
            return replace(value, uncertainty=expanded, most_digits=reading.most_digits)
        return value

    return Message(said.code, tuple((name, one(value)) for name, value in said.values))
