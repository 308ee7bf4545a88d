"""Three budgets of uncertainty at their worst case: level, frequency, amplification (JCGM 100:2008, clause 8)."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from reportgen.records.report import Report
from reportgen.records.rounding import budget_texts, coverage_factor
from reportgen.render.rows.language import Language
from reportgen.render.rows.resonance import height_name
from reportgen.render.rows.trusted import Trusted, trusted


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """One line of a budget."""

    source: str
    value: str
    """Relative standard uncertainty in percent, or what is not stated."""
    basis: str
    """How it was had."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """Contributions to one quantity where they are worst."""

    quantity: str
    where: str
    contributions: tuple[Contribution, ...]
    combined: str
    k: str
    expanded: str


def budgets(report: Report, language: Language) -> tuple[Budget, ...]:
    """Those of the three that the report has numbers for."""
    k = coverage_factor(report.job.report.confidence)
    made = (_level(report, k, language), _frequency(report, k, language), _amplification(report, k, language))
    return tuple(each for each in made if each is not None)


def _budget(
    quantity: str,
    where: str,
    parts: tuple[tuple[str, float | None, str], ...],
    k: float,
    language: Language,
    floor: float = 0.0,
) -> Budget:
    """Shares in percent that add up as printed, not below ``floor``; no sum where a contribution is not stated."""
    unknown, localised = language.say("not stated"), language.numbers.localised
    known = [100.0 * share for _, share, _ in parts if share is not None]
    shown, combined, expanded = budget_texts(known, f"{k:.2f}", 100.0 * floor) if known else ([], "", "")
    texts = iter(shown)
    whole = len(known) == len(parts)
    return Budget(
        quantity=quantity,
        where=where,
        contributions=tuple(
            Contribution(
                source=language.say(source),
                value=unknown if share is None else _percent(localised(next(texts))),
                basis=language.say(basis),
            )
            for source, share, basis in parts
        ),
        combined=_percent(localised(combined)) if whole else unknown,
        k=language.numbers.decimal(k, 2),
        expanded=_percent(localised(expanded)) if whole else unknown,
    )


def _percent(number: str) -> str:
    return f"{number}\u00a0%"


def _level(report: Report, k: float, language: Language) -> Budget | None:
    """Of the control level: the control sensor that is known worst."""
    used = {name for run in report.runs if run.control for name in run.control.channels}
    found = [channel for channel in report.job.channels if channel.id in used]
    shares = {each.id: each.relative_standard_uncertainty for each in report.job.instruments}
    known = [(channel.id, shares.get(channel.instrument or "")) for channel in found]
    if not known:
        return None
    name, share = max(known, key=lambda pair: math.inf if pair[1] is None else pair[1])
    return _budget(
        language.say("Level"), name, (("Calibration", share, "calibration certificate, half of U"),), k, language
    )


def _worst(report: Report, share: Callable[[Trusted], float | None]) -> tuple[Trusted, float] | None:
    known = [(each, value) for each in trusted(report) if (value := share(each)) is not None]
    return max(known, key=lambda pair: pair[1], default=None)


def _place(each: Trusted, language: Language) -> str:
    hertz = language.numbers.significant(each.resonance.frequency_hz, 4)
    return f"{each.run.id}, {each.channel.id}, {hertz}\u00a0Hz"


def _frequency(report: Report, k: float, language: Language) -> Budget | None:
    def share(each: Trusted) -> float | None:
        made_of = each.resonance.frequency_budget
        return None if made_of is None else made_of.combined / each.resonance.frequency_hz

    worst = _worst(report, share)
    made_of = None if worst is None else worst[0].resonance.frequency_budget
    if worst is None or made_of is None:
        return None
    hertz = worst[0].resonance.frequency_hz
    clock = "stated for the instrument" if made_of.clock_stated else "assumed, see below"
    causes = (
        ("Fit to the record", made_of.fit / hertz, "scatter of the record about the model"),
        ("Clock", made_of.clock / hertz, clock),
        ("Tracking filter", made_of.filter / hertz, "what the log leaves open of its delay"),
        ("Misfit", made_of.misfit / hertz, "what the model does not follow"),
    )
    parts = tuple(cause for cause in causes if cause[1] > 0.0)
    return _budget(
        language.say("Natural frequency"), _place(worst[0], language), parts, k, language, made_of.floor / hertz
    )


def _amplification(report: Report, k: float, language: Language) -> Budget | None:
    def share(each: Trusted) -> float | None:
        std, value = each.resonance.amplification_std, each.resonance.amplification
        return std / value if std and value else None

    worst = _worst(report, share)
    if worst is None or not worst[0].resonance.amplification:
        return None
    each, value = worst[0].resonance, worst[0].resonance.amplification
    fit, calibration = each.amplification_std_fit, each.amplification_std_calibration
    parts = (
        ("Fit to the record", None if fit is None else fit / value, "scatter of the record about the model"),
        (
            "Calibration",
            None if calibration is None else calibration / value,
            "response and control sensors, calibration certificates",
        ),
    )
    return _budget(height_name(worst[0].channel, language), _place(worst[0], language), parts, k, language)
