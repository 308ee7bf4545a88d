"""Runs as rows: the sweep as really run, control, dwell, exciter, comparison of runs, quality of the data."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from reportgen.errors import UnitError
from reportgen.records.job import Job, Profile, ToleranceBand
from reportgen.records.report import LevelDependence, Pairing, Report, RunShift
from reportgen.records.result import (
    ControlResult,
    CrossAxis,
    DwellResult,
    ExciterUse,
    NotchResult,
    QualityIssue,
    RunCondition,
    RunResult,
    SweepFacts,
)
from reportgen.records.rounding import coverage_factor
from reportgen.render.names import anchor, control_unit
from reportgen.render.rows.language import Fact, Language
from reportgen.render.rows.trusted import spoiled
from reportgen.units import STANDARD_GRAVITY, parse_quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class ProfileRow:
    """A profile, tabulated as the requirement states it."""

    id: str
    anchor: str
    points: tuple[PointRow, ...]
    sloped: bool
    facts: tuple[Fact, ...]
    notches: tuple[NotchPlanned, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PointRow:
    """A breakpoint of a profile."""

    frequency: str
    amplitude: str
    slope: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NotchPlanned:
    """A notch of a profile."""

    channel: str
    band: str
    limit: str
    agreed_by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NotchRow:
    """A notch: how high the response went, and how far the input was lowered for it."""

    channel: str
    band: str
    limit: str
    highest: str
    at: str
    lowered: str
    outside: str


@dataclass(frozen=True, slots=True, kw_only=True)
class QualityRow:
    """Something about the data that weighs on what can be concluded."""

    run: str
    run_anchor: str
    channel: str
    kind: str
    band: str
    message: str
    weight: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ExciterRow:
    """One ability of the exciter: needed, used and rated."""

    run: str
    quantity: str
    needed: str
    used: str
    rated: str
    share: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftRow:
    """One mode in two runs."""

    channel: str
    mode: str
    before: str
    after: str
    frequency: str
    frequency_u: str
    amplification: str
    amplification_u: str
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelRow:
    """One mode at two levels."""

    mode: str
    survey_level: str
    sweep_level: str
    survey: str
    sweep: str
    frequency: str
    frequency_u: str
    survey_q: str
    sweep_q: str
    q: str
    q_u: str
    remarks: tuple[str, ...]


def profile(each: Profile, job: Job, runs: Sequence[RunResult], language: Language) -> ProfileRow:
    """A profile, tabulated as the requirement states it."""
    points = [
        PointRow(
            frequency=point.text[0],
            amplitude=point.text[1],
            slope=f"{language.numbers.signed(point.slope_to_next_db_per_oct, 2)} dB/oct"
            if point.slope_to_next_db_per_oct is not None
            else language.numbers.ABSENT,
        )
        for point in each.breakpoints
    ]
    facts = language.pairs(
        ("Sweep rate", each.sweep_rate.text if each.sweep_rate else None),
        ("Tolerance", _bands(each.tolerance, language)),
        ("Abort", _bands(each.abort, language)),
        ("Duration", str(each.duration) if each.duration else None),
        ("Sweep cycles required along each axis", language.numbers.plain(each.sweep_cycles)),
        ("Sweep cycles done", _sweep_cycles_done(each, job, runs, language)),
        ("Source", each.source),
    )
    notches = [
        NotchPlanned(
            channel=n.channel,
            band=language.band((n.from_hz, n.to_hz)),
            limit=n.text,
            agreed_by=n.agreed_by or "",
        )
        for n in each.notches
    ]
    sloped = any(point.slope_to_next_db_per_oct is not None for point in each.breakpoints)
    return ProfileRow(
        id=each.id,
        anchor=anchor("profile", each.id),
        points=tuple(points),
        sloped=sloped,
        facts=tuple(facts),
        notches=tuple(notches),
    )


def _sweep_cycles_done(each: Profile, job: Job, runs: Sequence[RunResult], language: Language) -> str | None:
    """Along each axis, of the runs with this profile whose sweep covers a known part of the range."""
    done: dict[str, float] = {}
    for run in runs:
        plan = job.run(run.id)
        used = plan is not None and plan.counts and plan.profile == each.id
        if used and run.sweep is not None and run.sweep.sweep_cycles:
            axis = run.axis or language.numbers.ABSENT
            done[axis] = done.get(axis, 0.0) + run.sweep.sweep_cycles
    plain = language.numbers.plain
    return "; ".join(f"{axis}: {plain(cycles, 3)}" for axis, cycles in done.items()) or None


def _bands(bands: tuple[ToleranceBand, ...], language: Language) -> str | None:
    signed, texts = language.numbers.signed, []
    for band in bands:
        text = band.text or f"{signed(band.lower_db, 2)} dB, {signed(band.upper_db, 2)} dB"
        everywhere = band.from_hz <= 0.0 and band.to_hz == float("inf")
        where = "" if everywhere else f" ({_open_band((band.from_hz, band.to_hz), language)})"
        texts.append(text + where)
    return "; ".join(texts) or None


def _open_band(limits: tuple[float, float], language: Language) -> str:
    low, high = limits
    if high == float("inf"):
        return language.say("from %(hz)s Hz", hz=language.numbers.plain(low))
    if low == 0.0:
        return language.say("up to %(hz)s Hz", hz=language.numbers.plain(high))
    return language.band(limits)


def sweep_facts(sweep: SweepFacts, language: Language) -> tuple[Fact, ...]:
    """The sweep as really run."""
    numbers = language.numbers
    rate = f"{numbers.significant(sweep.rate, 4)} {sweep.rate_unit}" if sweep.rate is not None else None
    local = None
    if sweep.rate_from is not None and sweep.rate_to is not None:
        local = f"{numbers.significant(sweep.rate_from, 3)} – {numbers.significant(sweep.rate_to, 3)} {sweep.rate_unit}"
    return language.pairs(
        ("Direction", language.term(sweep.direction)),
        ("Range", f"{numbers.plain(sweep.first_hz, 4)} – {numbers.plain(sweep.last_hz, 4)} Hz"),
        ("Rate", rate or (language.sentence(sweep.rate_reason) if sweep.rate_reason else None)),
        ("Local rate", local),
        ("Duration", numbers.duration(sweep.duration_s)),
        ("Cycles", numbers.count(sweep.cycles)),
        ("Sweep cycles, there and back", numbers.plain(sweep.sweep_cycles, 3)),
        ("Rows in the log", numbers.count(sweep.rows)),
        ("Rate off by more than 10 %", ", ".join(language.band(b) for b in sweep.rate_outside)),
        ("Holds", ", ".join(f"{numbers.significant(f, 4)} Hz ({numbers.duration(s)})" for f, s in sweep.holds)),
        (
            "Level changed",
            ", ".join(f"{numbers.signed(db, 1)} dB @ {numbers.significant(f, 4)} Hz" for f, db in sweep.level_steps),
        ),
    )


def control_facts(control: ControlResult, language: Language) -> tuple[Fact, ...]:
    """Control held against its profile."""
    numbers = language.numbers
    worst = None
    if control.worst_deviation_db is not None:
        worst = f"{numbers.signed(control.worst_deviation_db, 2)} dB @ {numbers.significant(control.at_hz, 4)} Hz"
    spread = None
    if control.spread_db is not None:
        spread = f"{numbers.decimal(control.spread_db, 2)} dB @ {numbers.significant(control.spread_at_hz, 4)} Hz"
    strategy = f" ({language.term(control.strategy)})" if len(control.channels) > 1 else ""
    skipped = [
        f"{language.band(each.band_hz)} ({language.catalogue.format_field(each.cause, '')})"
        for each in control.not_judged_bands
    ]
    share = None if not control.outside_share else numbers.percent(control.outside_share, 2)
    return language.pairs(
        ("Control channels", ", ".join(control.channels) + strategy if control.channels else None),
        ("Spread between the controls", spread),
        ("Largest deviation", worst or (language.sentence(control.reason) if control.reason else None)),
        ("Outside tolerance", ", ".join(language.band(band) for band in control.outside_bands)),
        ("Share outside", share),
        ("Beyond abort limits", ", ".join(language.band(band) for band in control.aborted_bands)),
        ("Not judged", "; ".join(skipped)),
        ("Time at level", numbers.duration(control.time_at_level_s)),
    )


def cross_facts(run: RunResult, language: Language) -> tuple[Fact, ...]:
    """Motion across the axis over the control, channel by channel."""
    return language.pairs(*(("Across the axis", _cross(each, language)) for each in run.cross))


def _cross(each: CrossAxis, language: Language) -> str:
    numbers = language.numbers
    if each.ratio is None:
        return language.sentence(each.reason) if each.reason else numbers.ABSENT
    largest = language.say(
        "%(channel)s at most %(share)s %% of the control, at %(hz)s Hz",
        channel=each.channel, share=numbers.significant(100.0 * each.ratio, 3), hz=numbers.significant(each.at_hz, 4),
    )  # fmt: skip
    if each.limit is None:
        return largest
    return f"{largest} ({language.say('limit %(share)s %%', share=numbers.significant(100.0 * each.limit, 3))})"


def condition_facts(run: RunResult, language: Language) -> tuple[Fact, ...]:
    """Temperatures and humidities that the log of a run holds, from the lowest to the highest reading."""
    return language.pairs(
        *(
            (_CONDITIONS[each.dimension], condition_range([each], language, "" if each.ambient else each.channel))
            for each in run.conditions
        )
    )


_CONDITIONS = {"temperature": "Temperature", "humidity": "Humidity"}
_DECIMALS = {"temperature": 1, "humidity": 0}
"""Thermometers are read to 0.1 K, hygrometers are right within 2 % rh (from memory)."""


def condition_range(several: Sequence[RunCondition], language: Language, channel: str = "") -> str:
    """The lowest and the highest reading of one dimension, with the channel where it is not the room's."""
    first = several[0]
    ends = (min(each.lowest for each in several), max(each.highest for each in several))
    shown = dict.fromkeys(language.numbers.decimal(end, _DECIMALS[first.dimension]) for end in ends)
    text = f"{' – '.join(shown)} {language.say(first.unit)}"
    return f"{channel}: {text}" if channel else text


def notch_row(notch: NotchResult, language: Language) -> NotchRow:
    """A notch: how high the response went, and how far the input was lowered for it."""
    numbers = language.numbers
    unit, size = _notch_unit(notch.text, notch.dimension)
    highest = numbers.ABSENT if notch.highest is None else f"{numbers.significant(notch.highest / size, 4)} {unit}"
    at = numbers.ABSENT if notch.at_hz is None else f"{numbers.significant(notch.at_hz, 4)} Hz"
    lowered = notch.lowest_control_db
    return NotchRow(
        channel=notch.channel,
        band=language.band((notch.from_hz, notch.to_hz)),
        limit=notch.text,
        highest=language.sentence(notch.reason) if notch.reason else highest,
        at=at,
        lowered=numbers.ABSENT if lowered is None else f"{numbers.signed(lowered, 1)} dB",
        outside=", ".join(language.band(band) for band in notch.outside_bands) or numbers.ABSENT,
    )


def _notch_unit(text: str, dimension: str) -> tuple[str, float]:
    """The unit that the limit is written in, else SI."""
    try:
        unit = parse_quantity(text).unit
    except UnitError:
        return {"acceleration": "m/s²", "velocity": "m/s", "displacement": "m"}.get(dimension, ""), 1.0
    return unit.symbol, unit.factor


def dwell_facts(dwell: DwellResult, job: Job, run_id: str, language: Language) -> tuple[Fact, ...]:
    """A dwell: how long, how many cycles, how steady."""
    numbers = language.numbers
    plan = job.run(run_id)
    symbol, size = control_unit(job.profile(plan.profile)) if plan and plan.profile else ("g", STANDARD_GRAVITY)
    level = None if dwell.level_mps2 is None else f"{numbers.significant(dwell.level_mps2 / size, 3)} {symbol}"
    around = f"{numbers.significant(dwell.frequency_from_hz, 4)} – {numbers.significant(dwell.frequency_to_hz, 4)} Hz"

    def drift(value: float | None, unit: str) -> str | None:
        return None if value is None else f"{numbers.signed(value, 1)} {unit}"

    return language.pairs(
        ("Frequency", f"{numbers.significant(dwell.frequency_hz, 4)} Hz ({around})"),
        ("Duration", numbers.duration(dwell.duration_s)),
        ("Cycles", numbers.count(dwell.cycles)),
        ("Level (peak)", level),
        ("Drift of level", drift(dwell.level_drift_db, "dB")),
        ("Drift of response", drift(dwell.response_drift_db, "dB")),
        ("Drift of phase", drift(dwell.phase_drift_deg, "°")),
        ("Build-up at the start", None if dwell.build_up is None else numbers.percent(dwell.build_up, 1)),
        ("Channel", dwell.channel),
        ("Remarks", "; ".join(language.sentences(dwell.flags))),
    )


def quality(issue: QualityIssue, run_id: str, language: Language) -> QualityRow:
    """Something about the data that weighs on what can be concluded."""
    return QualityRow(
        run=run_id,
        run_anchor=anchor("run", run_id),
        channel=issue.channel or language.say("whole run"),
        kind=language.say(issue.kind),
        band=language.band(issue.band_hz) if issue.band_hz else language.numbers.ABSENT,
        message=language.sentence(issue.message),
        weight=language.say("carries no verdict") if issue.spoils else language.say("noted"),
    )


_PRINTED = {"N": ("kN", 1e-3), "m": ("mm", 1e3), "m/s": ("m/s", 1.0), "m/s²": ("m/s²", 1.0)}


def exciter_row(use: ExciterUse, language: Language) -> ExciterRow:
    """One ability of the exciter: needed, used and rated."""
    numbers = language.numbers
    unit, size = _PRINTED.get(use.unit, (use.unit, 1.0))

    def shown(value: float | None, at_hz: float | None = None) -> str:
        if value is None:
            return numbers.ABSENT
        at = f" @ {numbers.significant(at_hz, 4)} Hz" if at_hz is not None else ""
        return f"{numbers.significant(value * size, 3)} {unit}{at}"

    return ExciterRow(
        run=use.run,
        quantity=language.say(use.quantity),
        needed=shown(use.needed, use.needed_at_hz),
        used=shown(use.used, use.used_at_hz),
        rated=shown(use.rated),
        share=numbers.ABSENT if use.share is None else numbers.percent(use.share, 0),
        reason=language.sentence(use.reason) if use.reason else "",
    )


def change(value: float | None, std: float | None, report: Report, language: Language) -> tuple[str, str]:
    """A change with its sign and its expanded uncertainty, both in percent."""
    numbers = language.numbers
    if value is None:
        return numbers.ABSENT, numbers.ABSENT
    wide = None if std is None else 100 * coverage_factor(report.job.report.confidence) * std
    text, uncertainty = numbers.with_uncertainty(100 * value, wide)
    return ("+" + text if value > 0 else text), uncertainty


def shift_row(report: Report, shift: RunShift, language: Language) -> ShiftRow:
    """One mode in two runs."""
    numbers = language.numbers
    frequency, frequency_u = change(shift.frequency_shift, shift.frequency_shift_std, report, language)
    amplification, amplification_u = change(shift.amplification_shift, shift.amplification_shift_std, report, language)
    return ShiftRow(
        channel=shift.channel,
        mode=numbers.ABSENT if shift.mode is None else str(shift.mode),
        before=numbers.significant(shift.before_hz, 5),
        after=numbers.significant(shift.after_hz, 5),
        frequency=frequency,
        frequency_u=frequency_u,
        amplification=amplification,
        amplification_u=amplification_u,
        remarks=tuple(filter(None, (unpaired(report, shift, language), *language.sentences(shift.flags)))),
    )


def level_row(report: Report, each: LevelDependence, language: Language) -> LevelRow:
    """One mode at two levels."""
    numbers = language.numbers
    plan = report.job.run(each.sweep)
    symbol, size = control_unit(report.job.profile(plan.profile if plan else None))
    frequency, frequency_u = change(each.frequency_change, each.frequency_change_std, report, language)
    q, q_u = change(each.q_change, each.q_change_std, report, language)

    def level(value: float | None) -> str:
        return numbers.ABSENT if value is None else f"{numbers.significant(value / size, 3)} {symbol}"

    return LevelRow(
        mode=numbers.ABSENT if each.mode is None else str(each.mode),
        survey_level=level(each.survey_level),
        sweep_level=level(each.sweep_level),
        survey=numbers.significant(each.survey_hz, 5),
        sweep=numbers.significant(each.sweep_hz, 5),
        frequency=frequency,
        frequency_u=frequency_u,
        survey_q=numbers.significant(each.survey_q, 3),
        sweep_q=numbers.significant(each.sweep_q, 3),
        q=q,
        q_u=q_u,
        remarks=tuple([language.sentence(each.reason)] if each.reason else []),
    )


def unpaired(report: Report, shift: RunShift, language: Language) -> str:
    """What became of a mode that was not paired, empty where it was; a sensor that was lost tells nothing of it."""
    if shift.pairing is Pairing.PAIRED:
        return ""
    lost = any(spoiled(run, shift.channel) for run in report.runs if run.id in (shift.before, shift.after))
    return language.say("no evidence") if lost else language.term(shift.pairing)


def planned(job: Job, run: RunResult) -> str:
    """Name of the run's log, of its first part where it has several; empty where the job does not plan the run."""
    plan = job.run(run.id)
    return "" if plan is None else str(plan.log)
