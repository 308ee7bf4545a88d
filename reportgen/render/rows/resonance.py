"""Resonances as rows: corrected and as recorded side by side, and what the sweep did to the reading."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from reportgen.records.result import ChannelResult, Mode, Observed, Quotient, Resonance, RunResult
from reportgen.records.rounding import CLOCK_DIGITS, budget_texts, coverage_factor
from reportgen.render.names import anchor
from reportgen.render.rows.language import Language
from reportgen.render.rows.trusted import spoiled

Pair: TypeAlias = tuple[str, str]
"""A value and its expanded uncertainty, as printed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ResonanceRow:
    """A resonance: corrected, and as recorded."""

    anchor: str
    number: str
    x: str
    channel: str
    mode: str
    frequency: str
    frequency_u: str
    q: str
    q_u: str
    damping: str
    damping_u: str
    amplification: str
    amplification_u: str
    phase: str
    decrement: str
    seen_frequency: str
    seen_amplification: str
    seen_q: str
    reduction: str
    rejected: str
    doubtful: bool
    remarks: tuple[str, ...]
    uncertain: AmplificationBudget | None


@dataclass(frozen=True, slots=True, kw_only=True)
class UnexplainedRow:
    """A peak that nothing explains."""

    channel: str
    frequency: str
    magnitude: str
    height: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FrequencyBudgetShown:
    """Contributions to the uncertainty of a frequency, in parts per million of it."""

    fit: str
    clock: str
    filter: str
    misfit: str
    clock_stated: bool
    combined: str
    expanded: str
    k: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AmplificationBudget:
    """Contributions to the uncertainty of an amplification, in percent of it."""

    fit: str
    calibration: str
    combined: str
    expanded: str
    k: str


_NOT_BUILT_UP = 0.95
"""Share of the steady peak below which the vibration had no time to build up: the loss of 5 % that the stated fastest
rate would have kept to."""

_READ_OFF_DIGITS = 5
"""Significant digits of a frequency that is that of a row of the log."""


def height_name(channel: ChannelResult, language: Language) -> str:
    """What the height of a peak is called: amplification where it is a ratio of motions, else with its unit."""
    if not channel.unit:
        return language.say("Amplification")
    name = language.say("Accelerance") if channel.quotient is Quotient.ACCELERANCE else language.say("Magnitude")
    return f"{name} / ({channel.unit})"


def resonance_rows(run: RunResult, channel: ChannelResult, confidence: float, language: Language) -> list[ResonanceRow]:
    """One row for every resonance of a channel, numbered as listed."""
    return [
        resonance(run, channel, each, number, confidence, language)
        for number, each in enumerate(channel.resonances, start=1)
    ]


def resonance(
    run: RunResult, channel: ChannelResult, each: Resonance, number: int, confidence: float, language: Language
) -> ResonanceRow:
    """Corrected values with expanded uncertainties, and what the log shows as recorded."""
    numbers, k = language.numbers, coverage_factor(confidence)
    (frequency, frequency_u), (q, q_u), (damping, damping_u) = measured(each, k, language)
    amplification, amplification_u = numbers.with_uncertainty(each.amplification, _times(k, each.amplification_std))
    seen = each.observed
    return ResonanceRow(
        anchor=anchor("row", run.id, channel.id, number),
        number=str(number),
        x=f"{each.frequency_hz:.6g}",
        channel=channel.id,
        mode=numbers.ABSENT if each.mode is None else str(each.mode),
        frequency=frequency,
        frequency_u=frequency_u,
        q=q,
        q_u=q_u,
        damping=damping,
        damping_u=damping_u,
        amplification=amplification,
        amplification_u=amplification_u,
        phase=numbers.decimal(each.phase_deg, 1),
        decrement=numbers.significant(each.decrement, 3),
        seen_frequency=numbers.significant(seen.peak_hz, _digits_of(frequency)),
        seen_amplification=numbers.significant(seen.amplification, 3),
        seen_q=numbers.significant(seen.half_power_q, 3),
        reduction=numbers.significant(None if seen.sweep_reduction is None else 100 * seen.sweep_reduction, 3),
        rejected=each.rejected or "",
        doubtful=each.doubtful,
        remarks=tuple(_remarks(each, language)),
        uncertain=_budget(each, k, language),
    )


def _times(k: float, std: float | None) -> float | None:
    return None if std is None else k * std


def measured(each: Resonance | Mode, k: float, language: Language) -> tuple[Pair, Pair, Pair]:
    """Frequency in Hz, Q and ζ in percent of a resonance or a mode, each with its uncertainty expanded by ``k``."""
    beside = language.numbers.with_uncertainty
    most = None if each.clock_stated else CLOCK_DIGITS
    frequency = beside(each.frequency_hz, _times(k, each.frequency_std_hz), most)
    q_wide = _times(k, each.q_std)
    return frequency, beside(each.q, q_wide), _damping_percent(each.damping_ratio, each.q, q_wide, language)


def _damping_percent(ratio: float | None, q: float | None, q_wide: float | None, language: Language) -> Pair:
    """ζ in percent with its expanded uncertainty: of ζ = 1/(2Q) the same share as that of Q (JCGM 100:2008, 5.1.6)."""
    if ratio is None:
        return language.numbers.ABSENT, language.numbers.ABSENT
    wide = None if q_wide is None or not q else 100.0 * ratio * q_wide / q
    return language.numbers.with_uncertainty(100.0 * ratio, wide)


def _digits_of(text: str) -> int:
    return max(3, min(5, sum(character.isdigit() for character in text)))


def _remarks(each: Resonance, language: Language) -> list[str]:
    remarks = language.sentences(each.flags)
    remarks += [f"{language.say(name)}: {language.sentence(reason)}" for name, reason in each.reasons]
    if each.observed.half_power_reason:
        remarks.append(f"{language.say('half-power Q')}: {language.sentence(each.observed.half_power_reason)}")
    if each.rejected:
        remarks.insert(0, language.say("Rejected by the engineer: %(why)s", why=each.rejected))
    return remarks


def steady_state_sentence(runs: Sequence[RunResult], language: Language) -> str:
    """What is said before anything else of runs whose logs have no time; empty where all have."""
    assumed = [run for run in runs if run.steady_state_assumed]
    if not assumed:
        return ""
    told = language.say(
        "Steady state is assumed for %(runs)s: the log has no time that could be used, so the effect of the sweep is "
        "not taken out.",
        runs=", ".join(run.id for run in assumed),
    )
    resonances = [each for run in assumed for channel in run.channels for each in channel.resonances]
    doubtful = sum(each.doubtful for each in resonances)
    if not doubtful:
        return told
    return told + " " + language.say(
        "%(doubtful)s of %(all)s resonances are doubtful for it and stand without uncertainty.",
        doubtful=str(doubtful), all=str(len(resonances)),
    )  # fmt: skip


def unexplained_rows(channel: ChannelResult, language: Language) -> list[UnexplainedRow]:
    """One row for every peak of a channel that nothing explains."""
    numbers = language.numbers
    return [
        UnexplainedRow(
            channel=channel.id,
            frequency=numbers.significant(each.frequency_hz, _READ_OFF_DIGITS),
            magnitude=numbers.significant(each.magnitude, 3),
            height=numbers.significant(each.height, 2),
            why=language.say(each.why),
        )
        for each in channel.unexplained
    ]


def nothing_found(channel: ChannelResult, language: Language) -> str:
    """What was looked at on a channel without a resonance, and why there is none; never that alone."""
    count, frequency = language.numbers.count, channel.frequency_hz
    told = language.say("No resonance was found on channel %(channel)s.", channel=channel.id)
    if channel.peaks is None:
        return told
    looked = language.say(
        "%(rows)s rows from %(low)s to %(high)s Hz were searched.",
        rows=count(int(np.isfinite(channel.magnitude).sum())),
        low=language.numbers.significant(float(np.min(frequency)), 4),
        high=language.numbers.significant(float(np.max(frequency)), 4),
    )
    listed = len(channel.unexplained)
    if listed:
        why = language.say(
            "%(listed)s of %(peaks)s peaks that stand out of the noise are explained by nothing.",
            listed=count(listed), peaks=count(channel.peaks),
        )  # fmt: skip
    elif channel.peaks:
        why = language.say(
            "%(peaks)s peaks stand out of the noise; a cause that is no mode of the specimen explains each.",
            peaks=count(channel.peaks),
        )
    else:
        why = language.say("No peak stands out of the noise.")
    return f"{told} {looked} {why}"


def _worst_reading(run: RunResult) -> Resonance | None:
    """Of the resonances that a run rests on the one whose recorded peak the sweep held lowest."""
    told = [
        each
        for channel in run.channels
        if not spoiled(run, channel.id)
        for each in channel.resonances
        if each.observed.sweep_reduction is not None and not each.rejected
    ]
    return min(told, key=lambda each: each.observed.sweep_reduction or 1.0, default=None)


def slow_enough(run: RunResult) -> float | None:
    """Lowest share of the steady peak that a run recorded, where that is near enough to all of it; else None."""
    worst = _worst_reading(run)
    share = 0.0 if worst is None else worst.observed.sweep_reduction or 1.0
    return share if share >= _NOT_BUILT_UP else None


def sweep_sentence(run: RunResult, language: Language) -> str:
    """What a customer should know about the effect of the sweep on the readings of a run; empty without data."""
    numbers = language.numbers
    worst = _worst_reading(run)
    if worst is None:
        return ""
    share = worst.observed.sweep_reduction or 1.0
    if share >= _NOT_BUILT_UP:
        return language.say(
            "The sweep was slow enough: every recorded peak reaches at least %(share)s %% of what the specimen does in "
            "steady vibration.",
            share=numbers.significant(100 * share, 3),
        )
    sentence = language.say(
        "The sweep passed the resonance at %(hz)s Hz before the vibration had fully built up: the log shows "
        "%(share)s %% of the amplification that steady vibration would reach, and its peak at %(peak)s Hz.",
        hz=numbers.significant(worst.frequency_hz, 4),
        share=numbers.significant(100 * share, 3),
        peak=numbers.significant(worst.observed.peak_hz, 4),
    )
    return " ".join((sentence, *_slower(worst.observed, language)))


def _slower(seen: Observed, language: Language) -> Iterator[str]:
    """The rate that would have kept the loss small, and beside it that of the standard with what it costs."""
    numbers, unit = language.numbers, seen.fastest_rate_unit
    if seen.fastest_rate is None and seen.sweep_parameter is not None:
        yield language.say(
            "Not the rate alone did this: a level that changes there, a tracking filter and the distance of the rows "
            "lower a recorded peak as well."
        )
        return
    if seen.fastest_rate is not None:
        yield language.say(
            "A rate of at most %(rate)s %(unit)s would have kept this loss below 5 %%.",
            rate=numbers.significant(seen.fastest_rate, 2),
            unit=unit,
        )
    peak, half_power = seen.iso_7626_2_reduction, seen.iso_7626_2_half_power
    if seen.iso_7626_2_rate is not None and peak is not None and half_power is not None:
        yield language.say(
            "For comparison: ISO 7626-2 would permit %(rate)s %(unit)s, at which the recorded peak is %(peak)s %% and "
            "the half-power Q %(q)s %% too low.",
            rate=numbers.significant(seen.iso_7626_2_rate, 2),
            unit=unit,
            peak=numbers.decimal(100 * (1 - peak), 1),
            q=numbers.decimal(100 * (1 - half_power), 0),
        )


def _budget(each: Resonance, k: float, language: Language) -> AmplificationBudget | None:
    """Contributions to the uncertainty of the amplification, in percent of it; None where it has none.

    No sum where a contribution is not stated.
    """
    if each.amplification is None or not each.amplification_std:
        return None
    of = 100.0 / each.amplification
    fit, calibration = each.amplification_std_fit, each.amplification_std_calibration
    known = [std * of for std in (fit, calibration) if std is not None]
    shown, combined, expanded = budget_texts(known, f"{k:.2f}")
    texts = iter(map(language.numbers.localised, shown))
    unknown, whole = language.say("not stated"), len(known) == 2
    return AmplificationBudget(
        fit=unknown if fit is None else next(texts),
        calibration=unknown if calibration is None else next(texts),
        combined=language.numbers.localised(combined) if whole else unknown,
        expanded=language.numbers.localised(expanded) if whole else unknown,
        k=language.numbers.decimal(k, 2),
    )


def frequency_budget(each: Resonance, k: float, language: Language) -> FrequencyBudgetShown | None:
    """Contributions to the uncertainty of the natural frequency, in parts per million; None where none is stated."""
    budget = each.frequency_budget
    if budget is None:
        return None
    of = 1e6 / each.frequency_hz
    causes = ("fit", "clock", "filter", "misfit")
    parts = [of * getattr(budget, cause) for cause in causes]
    shown, combined, expanded = budget_texts(parts, f"{k:.2f}", of * budget.floor)
    localised = language.numbers.localised
    texts = dict(zip(causes, map(localised, shown), strict=True))
    return FrequencyBudgetShown(
        fit=texts["fit"],
        clock=texts["clock"],
        filter=texts["filter"],
        misfit=texts["misfit"],
        clock_stated=budget.clock_stated,
        combined=localised(combined),
        expanded=localised(expanded),
        k=language.numbers.decimal(k, 2),
    )
