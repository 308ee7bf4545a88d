"""The statement of conformity: verdicts, and where the evidence of each stands (ISO/IEC 17025:2017, 7.8.6)."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from reportgen.records.deviation import DeviationCode
from reportgen.records.job import DecisionRule
from reportgen.records.message import Message, message
from reportgen.records.report import Report
from reportgen.records.rounding import places
from reportgen.records.verdict import Evidence, Outcome, ProvedBy, Verdict
from reportgen.render.names import anchor
from reportgen.render.numbers import COUNTED, SECONDS
from reportgen.render.rows.language import Language
from reportgen.render.rows.resonance import steady_state_sentence


@dataclass(frozen=True, slots=True, kw_only=True)
class OutcomeShown:
    """A verdict as word and as the name of its shape."""

    word: str
    title: str
    css: str
    key: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CountedOutcome(OutcomeShown):
    """How many requirements came out so."""

    count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Overall(OutcomeShown):
    """The verdict on the whole."""

    counts: tuple[CountedOutcome, ...]
    total: int
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleShown:
    """The decision rule in a sentence, and the coverage it holds for."""

    name: str
    text: str
    confidence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictRow:
    """One row of the statement of conformity, with its evidence."""

    id: str
    anchor: str
    clause: str
    text: str
    check: str
    measured: str
    limit: str
    uncertainty: str
    risk: str
    outcome: OutcomeShown
    reason: str
    short_reason: str
    bands: str
    evidence: tuple[EvidenceLink, ...]
    more_evidence: str
    parts: tuple[PartRow, ...] = ()
    """One for each run where the requirement is about several."""
    told_on_cover: bool = True
    """False for a pass that rests on no decision of the engineer's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PartRow:
    """What one run, pair or axis gave for a requirement over several."""

    place: str
    verdict: VerdictRow


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceLink:
    """Where a piece of evidence stands; ``figure`` and ``at`` say where it is seen, empty where nowhere."""

    text: str
    anchor: str
    figure: str
    at: str


_MOST_EVIDENCE = 4
"""Links printed beside a verdict, the deciding one first; all of them stand in results.json."""


def shape(which: str) -> str:
    """Class of the style sheet that draws a verdict's shape.

    >>> shape(Outcome.CONDITIONAL_PASS)
    'is-conditional-pass'
    """
    return "is-" + "-".join(str(which).split())


def outcome(which: Outcome, language: Language) -> OutcomeShown:
    """A verdict as word and as the name of its shape."""
    word = language.say(str(which))
    return OutcomeShown(word=word, title=word[:1].upper() + word[1:], css=shape(which), key=str(which))


def overall(report: Report, language: Language) -> Overall:
    """The verdict on the whole, with how many requirements came out how."""
    counted = Counter(verdict.outcome for verdict in report.verdicts)
    not_met = [v.requirement for v in report.verdicts if v.outcome in (Outcome.FAIL, Outcome.CONDITIONAL_FAIL)]
    valid = tuple(run for run in report.runs if report.job.counts(run.id))
    sentences = (steady_state_sentence(valid, language), _overall_sentence(report, not_met, language))
    shown = outcome(report.overall, language)
    return Overall(
        word=shown.word,
        title=shown.title,
        css=shown.css,
        key=shown.key,
        counts=tuple(_counted(each, counted[each], language) for each in reversed(Outcome) if counted[each]),
        total=len(report.verdicts),
        sentence=" ".join(each for each in sentences if each),
    )


def _counted(which: Outcome, count: int, language: Language) -> CountedOutcome:
    shown = outcome(which, language)
    return CountedOutcome(word=shown.word, title=shown.title, css=shown.css, key=shown.key, count=count)


def _overall_sentence(report: Report, not_met: list[str], language: Language) -> str:
    if not report.verdicts:
        return language.say("No requirement was stated; the report gives results only.")
    listed = ", ".join(not_met)
    if report.overall is Outcome.PASS:
        if len(report.verdicts) == 1:
            return language.say("The requirement is met.")
        return language.say("All %(n)s requirements are met.", n=str(len(report.verdicts)))
    if report.overall is Outcome.CONDITIONAL_PASS:
        return language.say("All requirements are met, at least one by less than its measurement uncertainty.")
    if report.overall is Outcome.NOT_EVALUATED:
        return language.say("At least one requirement could not be evaluated; none was found not to be met.")
    if len(not_met) == 1:
        if len(report.verdicts) == 1:
            return language.say("The requirement is not met: %(list)s.", list=listed)
        return language.say("One requirement of %(n)s is not met: %(list)s.", n=str(len(report.verdicts)), list=listed)
    return language.say(
        "%(bad)s requirements of %(n)s are not met: %(list)s.",
        bad=str(len(not_met)),
        n=str(len(report.verdicts)),
        list=listed,
    )


def decision_rule(report: Report, language: Language) -> RuleShown:
    """The rule by which uncertainty was taken into account, in a sentence, with its risk."""
    own = report.job.report
    confidence = language.numbers.plain(100 * own.confidence, 3)
    if own.decision_rule is DecisionRule.SIMPLE:
        text = language.say(
            "Simple acceptance (ILAC-G8:09/2019, 4.2.1): a result passes where the measured value does not exceed the "
            "limit. Measurement uncertainty is stated and not deducted; for a value at the limit the probability of a "
            "wrong acceptance is up to 50 %%."
        )
    else:
        text = language.say(
            "Guarded acceptance with a guard band as wide as the expanded uncertainty (ILAC-G8:09/2019, 4.2.2 and "
            "4.2.3): pass inside the guard band, conditional pass or conditional fail within it, fail beyond. A pass "
            "is wrong with a probability of at most 2.5 %% where the coverage is 95 %%."
        )
    return RuleShown(name=language.say(str(own.decision_rule)), text=text, confidence=f"{confidence}\u00a0%")


def verdict(report: Report, each: Verdict, language: Language) -> VerdictRow:
    """One row of the conformity table."""
    source = next((r.source for r in report.job.requirements if r.id == each.requirement), None)
    return VerdictRow(
        id=each.requirement,
        anchor=anchor("req", each.requirement),
        clause=" ".join(filter(None, (source, each.clause))) or language.numbers.ABSENT,
        text=each.text or language.say(each.check),
        check=language.say(each.check),
        measured=_measured(each, language),
        limit=_limit(each, language),
        uncertainty=_uncertainty(each, language),
        risk=_risk(each, language),
        outcome=outcome(each.outcome, language),
        told_on_cover=each.outcome is not Outcome.PASS or each.without_decisions is not None,
        reason=language.text(each.reason),
        short_reason=language.text(told_once(report, each.reason)),
        bands=", ".join(language.band(band) for band in each.bands_hz),
        evidence=tuple([_evidence(report, each, item, language) for item in each.evidence[:_MOST_EVIDENCE]]),
        more_evidence=str(max(0, len(each.evidence) - _MOST_EVIDENCE)),
        parts=tuple(
            PartRow(place=place(part, language), verdict=verdict(report, part, language)) for part in each.parts
        ),
    )


def place(part: Verdict, language: Language) -> str:
    """The run, the two runs or the axis that a part of a verdict is about."""
    if part.before is not None and part.after is not None:
        return f"{part.before} → {part.after}"
    if part.axis is not None:
        return language.say("Axis %(axis)s", axis=part.axis)
    return part.run or language.numbers.ABSENT


_WITHOUT_EVIDENCE = ("judge.channel-without-evidence", "judge.run-without-evidence")


def told_once(report: Report, reasons: Sequence[Message]) -> tuple[Message, ...]:
    """Reasons, without the cause of lost evidence where the list of deviations tells it."""
    return tuple(_without_cause(report, each) if each.code in _WITHOUT_EVIDENCE else each for each in reasons)


def _without_cause(report: Report, reason: Message) -> Message:
    run, values = reason.value("run"), dict(reason.values)
    channel = values.get("channel")
    if not told_as_deviation(report, run, channel):
        return reason
    if channel is None:
        return message("render.run-without-evidence", run=run)
    return message("render.channel-without-evidence", channel=channel, run=run)


def told_as_deviation(report: Report, run: object, channel: object) -> bool:
    """Whether the deviations tell why a run, or a channel of it, carries no evidence."""
    lost = (DeviationCode.LOST_SENSOR, DeviationCode.LOST_RUN)
    return any(each.code in lost and each.run == run and each.channel in (None, channel) for each in report.deviations)


def _places(each: Verdict | Evidence) -> int:
    """Decimals of a measured value by the one rule."""
    return places(
        each.measured or 0.0,
        each.expanded_uncertainty,
        resolution=each.resolution,
        most_digits=each.most_digits,
        whole=each.unit in COUNTED,
    )


def _unit(each: Verdict | Evidence, language: Language) -> str:
    """A symbol is the same in every language; what is counted has a name."""
    name = language.say("cycles") if each.unit == "cycles" else each.unit
    return f"\u00a0{name}" if name and name != "1" else ""


def _measured(each: Verdict, language: Language) -> str:
    if each.measured is None or not math.isfinite(each.measured):
        return language.numbers.ABSENT
    limits = [limit for limit in (each.limit, each.limit_low) if limit is not None]
    if each.unit in SECONDS:
        size = SECONDS[each.unit]
        return language.numbers.duration_beside(size * each.measured, size * (limits or [0.0])[0])
    shown = language.numbers.decimal(each.measured, _places(each))
    for limit in limits:
        closer = language.numbers.beside_limit(each.measured, limit, _places(each))[0]
        shown = max(shown, closer, key=len)
    return shown + _unit(each, language)


def _limit(each: Verdict, language: Language) -> str:
    numbers, unit = language.numbers, _unit(each, language)
    if each.limit is None:
        return numbers.ABSENT
    if each.limit_low is not None:
        low, high = numbers.plain(each.limit_low, 4), numbers.plain(each.limit, 4)
        return f"{low} … {'+' if each.limit > 0 else ''}{high}{unit}"
    return f"{'≤' if each.at_most else '≥'} {numbers.plain(each.limit)}{unit}"


def _uncertainty(each: Verdict, language: Language) -> str:
    if not each.expanded_uncertainty or each.measured is None:
        return language.numbers.ABSENT
    if each.unit in SECONDS:
        return f"{language.numbers.uncertainty(SECONDS[each.unit] * each.expanded_uncertainty, 0)}\u00a0s"
    return language.numbers.uncertainty(each.expanded_uncertainty, _places(each)) + _unit(each, language)


def _risk(each: Verdict, language: Language) -> str:
    if each.false_acceptance is None:
        return ""
    if each.false_acceptance < 0.0005:
        return f"< {language.numbers.decimal(0.1, 1)}\u00a0%"
    return f"{language.numbers.decimal(100 * each.false_acceptance, 1)}\u00a0%"


def _evidence(report: Report, verdict: Verdict, item: Evidence, language: Language) -> EvidenceLink:
    """Where the evidence stands and what was measured there, with the anchor of the most exact place that shows it."""
    place = [part for part in (item.run, item.channel) if part is not None]
    if item.frequency_hz:
        place.append(f"{language.numbers.significant(item.frequency_hz, 4)} Hz")
    text = " · ".join(place) if len(place) > 1 else language.sentence(item.text)
    if item.measured is not None and math.isfinite(item.measured):
        text += f": {_at_evidence(item, item.measured, verdict, language)}"
    figure = "" if verdict.proved_by is ProvedBy.DWELL or not item.frequency_hz else _evidence_figure(verdict, item)
    at = f"{item.frequency_hz:.9g}" if item.frequency_hz else ""
    return EvidenceLink(text=text, anchor=_evidence_anchor(report, item), figure=figure, at=at)


def _evidence_figure(verdict: Verdict, item: Evidence) -> str:
    """Key of the figure of the run that shows the evidence over frequency; empty where it names neither."""
    if item.run is None:
        return ""
    if verdict.proved_by is ProvedBy.CONTROL:
        return anchor("fig", item.run, "control")
    return anchor("fig", item.run, item.channel) if item.channel else ""


def _at_evidence(item: Evidence, measured: float, verdict: Verdict, language: Language) -> str:
    """Value with its unit and the digits of the one rule; a length of time is in hours, minutes and seconds."""
    numbers, own = language.numbers, item.unit == verdict.unit
    if item.unit in SECONDS:
        size = SECONDS[item.unit]
        return numbers.duration_beside(size * measured, size * (verdict.limit or 0.0) if own else 0.0)
    return numbers.decimal(measured, _places(item)) + _unit(item, language)


def _evidence_anchor(report: Report, item: Evidence) -> str:
    run = next((each for each in report.runs if each.id == item.run), None)
    if run is None:
        return ""
    channel = next((each for each in run.channels if each.id == item.channel), None)
    if channel is not None and item.frequency_hz is not None and channel.resonances:
        number, nearest = min(
            enumerate(channel.resonances), key=lambda pair: abs(pair[1].frequency_hz - (item.frequency_hz or 0.0))
        )
        if abs(nearest.frequency_hz / item.frequency_hz - 1) < 0.02:
            return anchor("row", run.id, channel.id, number + 1)
    return anchor("run", run.id)
