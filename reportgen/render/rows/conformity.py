"""The statement of conformity: verdicts, and where the evidence of each stands (ISO/IEC 17025:2017, 7.8.6)."""

from __future__ import annotations

import math
from collections import Counter

from reportgen.records.job import DecisionRule
from reportgen.records.report import Report
from reportgen.records.rounding import places
from reportgen.records.verdict import Evidence, Outcome, Verdict
from reportgen.render.names import anchor
from reportgen.render.numbers import COUNTED, SECONDS
from reportgen.render.rows.language import Language, Row
from reportgen.render.rows.resonance import steady_state_sentence

_MOST_EVIDENCE = 4
"""Links printed beside a verdict, the deciding one first; all of them stand in results.json."""


def shape(which: str) -> str:
    """Class of the style sheet that draws a verdict's shape.

    >>> shape(Outcome.CONDITIONAL_PASS)
    'is-conditional-pass'
    """
    return "is-" + "-".join(str(which).split())


def outcome(which: Outcome, language: Language) -> Row:
    """A verdict as word and as the name of its shape."""
    word = language.say(str(which))
    return {"word": word, "title": word[:1].upper() + word[1:], "css": shape(which), "key": str(which)}


def overall(report: Report, language: Language) -> Row:
    """The verdict on the whole, with how many requirements came out how."""
    counted = Counter(verdict.outcome for verdict in report.verdicts)
    counts = [outcome(each, language) | {"count": counted[each]} for each in reversed(Outcome) if counted[each]]
    not_met = [v.requirement for v in report.verdicts if v.outcome in (Outcome.FAIL, Outcome.CONDITIONAL_FAIL)]
    valid = tuple(run for run in report.runs if report.job.counts(run.id))
    return outcome(report.overall, language) | {
        "counts": counts,
        "total": len(report.verdicts),
        "sentence": " ".join(
            each
            for each in (steady_state_sentence(valid, language), _overall_sentence(report, not_met, language))
            if each
        ),
    }


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


def decision_rule(report: Report, language: Language) -> Row:
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
    return {"name": language.say(str(own.decision_rule)), "text": text, "confidence": f"{confidence}\u00a0%"}


def verdict(report: Report, each: Verdict, language: Language) -> Row:
    """One row of the conformity table."""
    source = next((r.source for r in report.job.requirements if r.id == each.requirement), None)
    return {
        "id": each.requirement,
        "anchor": anchor("req", each.requirement),
        "clause": " ".join(filter(None, (source, each.clause))) or language.numbers.ABSENT,
        "text": each.text or language.say(each.check),
        "check": language.say(each.check),
        "measured": _measured(each, language),
        "limit": _limit(each, language),
        "uncertainty": _uncertainty(each, language),
        "risk": _risk(each, language),
        "outcome": outcome(each.outcome, language),
        "reason": language.text(each.reason),
        "bands": ", ".join(language.band(band) for band in each.bands_hz),
        "evidence": [_evidence(report, each, item, language) for item in each.evidence[:_MOST_EVIDENCE]],
        "more_evidence": str(max(0, len(each.evidence) - _MOST_EVIDENCE)),
        "parts": [verdict(report, part, language) | {"place": place(part, language)} for part in each.parts],
    }


def place(part: Verdict, language: Language) -> str:
    """The run, the two runs or the axis that a part of a verdict is about."""
    if part.before is not None and part.after is not None:
        return f"{part.before} → {part.after}"
    if part.axis is not None:
        return language.say("Axis %(axis)s", axis=part.axis)
    return part.run or language.numbers.ABSENT


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


def _evidence(report: Report, verdict: Verdict, item: Evidence, language: Language) -> Row:
    """Where the evidence stands and what was measured there, with the anchor of the most exact place that shows it."""
    place = [part for part in (item.run, item.channel) if part is not None]
    if item.frequency_hz:
        place.append(f"{language.numbers.significant(item.frequency_hz, 4)} Hz")
    text = " · ".join(place) if len(place) > 1 else language.sentence(item.text)
    if item.measured is not None and math.isfinite(item.measured):
        text += f": {_at_evidence(item, item.measured, verdict, language)}"
    return {"text": text, "anchor": _evidence_anchor(report, item)}


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
