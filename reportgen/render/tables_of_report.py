"""Every table of a report: what was asked for and found, what was tested with what, and what was read."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from reportgen.records.job import Breakpoint, Profile, RunPlan, Step, ToleranceBand
from reportgen.records.message import Message
from reportgen.records.note import Remark, fact_message
from reportgen.records.report import Report
from reportgen.records.result import (
    ChannelResult,
    CrossAxis,
    DwellResult,
    FrequencyBudget,
    NotchResult,
    Resonance,
    RunResult,
    Trend,
    UnexplainedPeak,
)
from reportgen.records.verdict import Evidence, Verdict
from reportgen.render.rows.language import Language
from reportgen.render.tables import Column, Table, table


def report_tables(report: Report, templates: Path) -> tuple[Table, ...]:
    """Tables in the order of the report; one without rows is left out, and the first says how many each has."""
    language = Language.of(report.job.report.language, templates).for_customer()
    made = (
        *_of_verdicts(report, language),
        *_of_runs(report, language),
        *_of_modes(report, language),
        *_of_set_up(report, language),
        *_of_inputs(report, language),
    )
    return (_identity(report, made, language), *(each for each in made if each.rows))


def _identity(report: Report, made: tuple[Table, ...], language: Language) -> Table:
    """Which report it is, of what, by whom and for whom; then how many rows each table has."""
    job, own = report.job, report.job.report
    specimens = job.specimens or (job.specimen,)
    stated: list[tuple[str, object]] = [
        ("Number", own.number),
        ("Revision", own.revision),
        ("Standing", language.say("DRAFT – not issued") if report.draft else language.say("issued")),
        ("Title", own.title),
        ("Issued", own.date),
        ("Overall result", language.term(str(report.overall))),
        ("Decision rule", language.term(str(own.decision_rule))),
        ("Coverage of the stated intervals", own.confidence),
        ("Method", own.standard),
        ("Laboratory", job.laboratory.name),
        ("Address of the laboratory", job.laboratory.address),
        ("Accreditation", job.laboratory.accreditation),
        ("Place of the test", job.laboratory.location),
        ("Customer", job.customer.name),
        ("Address of the customer", job.customer.address),
        ("Reference", job.customer.reference),
        ("Specimen", job.specimen.name),
        ("Part number", job.specimen.part_number),
        ("Serial number", ", ".join(each.serial_number for each in specimens if each.serial_number) or None),
        ("Number tested", job.specimen.quantity),
        ("Mass", job.specimen.mass),
        ("Received", job.specimen.received),
        ("Condition on receipt", job.specimen.condition),
        ("Mounting", job.specimen.mounting),
        ("Torque", job.specimen.torque),
        ("Fixture", job.specimen.fixture),
        ("State during vibration", job.specimen.operating_state),
        ("Monitoring during vibration", job.specimen.monitoring),
        ("Temperature", job.environment.temperature),
        ("Humidity", job.environment.humidity),
        ("Air pressure", job.environment.pressure),
        ("Software", report.software),
    ]
    rows = [(language.say(label), value) for label, value in stated if value not in (None, "")]
    rows += [(each.role, each.name) for each in job.persons]
    rows += [(language.say("Rows in table %(table)s", table=each.title), len(each.rows)) for each in made]
    columns: tuple[Column[tuple[str, object]], ...] = (("What", "", lambda r: r[0]), ("Value", "", lambda r: r[1]))
    return table("report", "Report", rows, columns, language)


# What was asked for, and what came of it ------------------------------------------------------------------------------


def _of_verdicts(report: Report, language: Language) -> Iterator[Table]:
    of_clause: tuple[Column[Verdict], ...] = (
        ("Requirement", "", lambda v: v.requirement),
        ("Clause", "", lambda v: v.clause),
        ("Text", "", lambda v: v.text),
        ("Check", "", lambda v: language.term(v.check)),
    )
    of_part: tuple[Column[Verdict], ...] = (
        ("Requirement", "", lambda v: v.requirement),
        ("Run", "", lambda v: None if v.before is not None or v.axis is not None else v.run),
        ("Before", "", lambda v: v.before),
        ("After", "", lambda v: v.after),
        ("Axis", "", lambda v: v.axis),
    )
    result: tuple[Column[Verdict], ...] = (
        ("Result", "", lambda v: v.outcome),
        ("Measured", "", lambda v: v.measured),
        ("Expanded uncertainty", "", lambda v: v.expanded_uncertainty),
        ("Lower limit", "", lambda v: v.limit_low),
        ("Limit", "", lambda v: v.limit),
        ("Unit", "", lambda v: v.unit),
        ("Coverage factor k", "", lambda v: v.coverage_factor),
        ("Probability of a wrong acceptance", "", lambda v: v.false_acceptance),
        ("Reason", "", lambda v: language.text(v.reason)),
    )
    yield table("requirements", "Requirements", report.verdicts, (*of_clause, *result), language)
    parts = [part for verdict in report.verdicts for part in verdict.parts]
    yield table("requirement_runs", "Requirements over several runs, run by run", parts, (*of_part, *result), language)
    yield table("evidence", "Evidence", _evidence(report), _EVIDENCE, language)
    yield table(
        "deviations",
        "Deviations",
        report.deviations,
        (
            ("Key", "", lambda d: d.key),
            ("Kind", "", lambda d: d.code),
            ("What", "", lambda d: d.message),
            ("Run", "", lambda d: d.run),
            ("Channel", "", lambda d: d.channel),
            ("Requirement", "", lambda d: d.requirement),
            ("Value", "", lambda d: d.value),
            ("Unit", "", lambda d: d.unit),
            ("Effect on the result", "", lambda d: d.effect),
            ("Agreed by", "", lambda d: d.agreed_by),
            ("Where", "", lambda d: d.where),
        ),
        language,
    )
    yield table(
        "corrections",
        "Corrections by the engineer",
        report.job.corrections,
        (
            ("Run", "", lambda c: c.run),
            ("Channel", "", lambda c: c.channel),
            ("Frequency", "Hz", lambda c: c.frequency_hz),
            ("What", "", lambda c: language.term(c.action)),
            ("Mode", "", lambda c: c.mode),
            ("Reason", "", lambda c: c.reason),
            ("By", "", lambda c: c.by),
            ("When", "", lambda c: c.when),
        ),
        language,
    )
    yield table(
        "exclusions",
        "Bands that the engineer does not use",
        report.job.exclusions,
        (
            ("Run", "", lambda e: e.run),
            ("Channel", "", lambda e: e.channel),
            ("From", "Hz", lambda e: e.band_hz[0]),
            ("To", "Hz", lambda e: e.band_hz[1]),
            ("Reason", "", lambda e: e.reason),
            ("By", "", lambda e: e.by),
            ("When", "", lambda e: e.when),
        ),
        language,
    )
    yield table(
        "annotations",
        "Annotations by the engineer",
        report.job.annotations,
        (
            ("Run", "", lambda a: a.run),
            ("Channel", "", lambda a: a.channel),
            ("Frequency", "Hz", lambda a: a.frequency_hz),
            ("What", "", lambda a: a.text),
            ("By", "", lambda a: a.by),
            ("When", "", lambda a: a.when),
        ),
        language,
    )
    yield table(
        "observations",
        "Observations",
        [(n, f) for n in report.notes for f in n.facts if isinstance(f, Remark) and f.heading == "observation"],
        (("What", "", lambda o: o[1].text), ("Run", "", lambda o: o[0].run), ("Where", "", lambda o: o[0].where)),
        language,
    )
    opinions = tuple(dict.fromkeys((*report.opinions, *report.job.report.opinions)))
    yield table("opinions", "Opinions", opinions, (("Text", "", lambda o: o),), language)


def _evidence(report: Report) -> list[tuple[str, Evidence]]:
    return [(verdict.requirement, each) for verdict in report.verdicts for each in verdict.evidence]


_EVIDENCE: tuple[Column[tuple[str, Evidence]], ...] = (
    ("Requirement", "", lambda e: e[0]),
    ("Run", "", lambda e: e[1].run),
    ("Channel", "", lambda e: e[1].channel),
    ("Mode", "", lambda e: e[1].mode),
    ("Frequency", "Hz", lambda e: e[1].frequency_hz),
    ("Measured", "", lambda e: e[1].measured),
    ("Expanded uncertainty", "", lambda e: e[1].expanded_uncertainty),
    ("Unit", "", lambda e: e[1].unit),
    ("What was found", "", lambda e: e[1].text),
)


# Runs -----------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Event:
    """A band of frequency of a run that something is to be said of."""

    run: str
    what: str
    from_hz: float
    to_hz: float
    seconds: float | None = None
    db: float | None = None


def _of_runs(report: Report, language: Language) -> Iterator[Table]:
    yield table("runs", "Runs", report.runs, _run_columns(report), language)
    yield table(
        "events",
        "Bands and events",
        [each for run in report.runs for each in _events(run)],
        (
            ("Run", "", lambda e: e.run),
            ("What", "", lambda e: language.say(e.what)),
            ("From", "Hz", lambda e: e.from_hz),
            ("To", "Hz", lambda e: e.to_hz),
            ("Duration", "s", lambda e: e.seconds),
            ("Level changed", "dB", lambda e: e.db),
        ),
        language,
    )
    steps: tuple[Column[Step], ...] = (
        ("When", "", lambda x: x.when),
        ("What", "", lambda x: x.what),
        ("Remark", "", lambda x: x.remark),
    )
    yield table("steps", "Steps", report.job.steps, steps, language)
    notches = [(run.id, notch) for run in report.runs if run.control for notch in run.control.notches]
    yield table("notches", "Notches", notches, _NOTCH, language)
    yield table(
        "dwells",
        "Dwells",
        [(run.id, run.dwell) for run in report.runs if run.dwell is not None],
        (
            ("Run", "", lambda d: d[0]),
            ("Channel", "", lambda d: d[1].channel),
            ("Frequency", "Hz", lambda d: d[1].frequency_hz),
            ("From", "Hz", lambda d: d[1].frequency_from_hz),
            ("To", "Hz", lambda d: d[1].frequency_to_hz),
            ("Duration", "s", lambda d: d[1].duration_s),
            ("Cycles", "", lambda d: d[1].cycles),
            ("Level (peak)", "m/s²", lambda d: d[1].level_mps2),
            ("Drift of level", "dB", lambda d: d[1].level_drift_db),
            ("Drift of phase", "°", lambda d: d[1].phase_drift_deg),
            ("Drift of response", "dB", lambda d: d[1].response_drift_db),
            ("Build-up at the start", "", lambda d: d[1].build_up),
            *_trend("Trend of level", "Standard uncertainty of the level's trend", "dB", lambda d: d.level_trend_db),
            *_trend(
                "Trend of response", "Standard uncertainty of the response's trend", "dB", lambda d: d.response_trend_db
            ),
            *_trend("Trend of phase", "Standard uncertainty of the phase's trend", "°", lambda d: d.phase_trend_deg),
            ("Remarks", "", lambda d: d[1].flags),
        ),
        language,
    )
    yield table(
        "exciter",
        "Exciter",
        report.exciter,
        (
            ("Run", "", lambda x: x.run),
            ("Quantity", "", lambda x: language.term(x.quantity)),
            ("Unit", "", lambda x: x.unit),
            ("Rated", "", lambda x: x.rated),
            ("Needed by the profile", "", lambda x: x.needed),
            ("needed at", "Hz", lambda x: x.needed_at_hz),
            ("Used", "", lambda x: x.used),
            ("used at", "Hz", lambda x: x.used_at_hz),
            ("Reason", "", lambda x: x.reason),
        ),
        language,
    )


def _trend(
    value: str, uncertainty: str, unit: str, of: Callable[[DwellResult], Trend | None]
) -> tuple[Column[tuple[str, DwellResult]], ...]:
    """Columns of a trend and of its standard uncertainty."""
    return (
        (value, f"{unit}/min", lambda d: (found := of(d[1])) and found.per_minute),
        (uncertainty, f"{unit}/min", lambda d: (found := of(d[1])) and found.std),
    )


def _run_columns(report: Report) -> tuple[Column[RunResult], ...]:
    plans = {plan.id: plan for plan in report.job.runs}
    return (
        ("Run", "", lambda r: r.id),
        ("Kind", "", lambda r: plans[r.id].kind if r.id in plans else r.kind),
        ("Axis", "", lambda r: r.axis),
        ("Started", "", lambda r: plans[r.id].started if r.id in plans else None),
        ("Profile", "", lambda r: plans[r.id].profile if r.id in plans else None),
        ("Log", "", lambda r: plans[r.id].log_names if r.id in plans else None),
        ("Specimen", "", lambda r: plans[r.id].specimen if r.id in plans else None),
        ("Status", "", lambda r: plans[r.id].status if r.id in plans else None),
        ("Why it does not count", "", lambda r: plans[r.id].reason if r.id in plans else None),
        ("Repeats", "", lambda r: plans[r.id].repeats if r.id in plans else None),
        ("Direction", "", lambda r: r.sweep and r.sweep.direction),
        ("From", "Hz", lambda r: r.sweep and r.sweep.first_hz),
        ("To", "Hz", lambda r: r.sweep and r.sweep.last_hz),
        ("Rate", "", lambda r: r.sweep and r.sweep.rate),
        ("Unit of the rate", "", lambda r: r.sweep.rate_unit if r.sweep and r.sweep.rate is not None else None),
        ("Duration", "s", lambda r: r.sweep and r.sweep.duration_s),
        ("Cycles", "", lambda r: r.sweep and r.sweep.cycles),
        ("Sweep cycles done", "", lambda r: r.sweep and r.sweep.sweep_cycles),
        ("Rows", "", lambda r: r.sweep and r.sweep.rows),
        ("Tracking filter", "", lambda r: _filter(plans.get(r.id))),
        ("Control channels", "", lambda r: r.control and r.control.channels),
        ("Largest deviation", "dB", lambda r: r.control and r.control.worst_deviation_db),
        ("largest at", "Hz", lambda r: r.control and r.control.at_hz),
        ("Share outside", "1", lambda r: r.control and r.control.outside_share),
        ("Spread between the controls", "dB", lambda r: r.control and r.control.spread_db),
        ("Method", "", lambda r: r.method),
        ("Remark", "", lambda r: plans[r.id].remark if r.id in plans else None),
        ("Remarks", "", lambda r: r.flags),
    )


def _filter(plan: RunPlan | None) -> str | None:
    """The tracking filter as stated."""
    return plan.tracking_filter.text if plan is not None and plan.tracking_filter is not None else None


def _events(run: RunResult) -> Iterator[_Event]:
    if run.sweep is not None:
        pieces = run.sweep.pieces if len(run.sweep.pieces) > 1 else ()
        yield from (_Event(run.id, "piece of the sweep", low, high) for low, high in pieces)
        yield from (_Event(run.id, "no rows", low, high) for low, high in run.sweep.holes)
        yield from (_Event(run.id, "hold", at, at, seconds=length) for at, length in run.sweep.holds)
        yield from (_Event(run.id, "Level changed", at, at, db=step) for at, step in run.sweep.level_steps)
    if run.control is not None:
        yield from (_Event(run.id, "Outside tolerance", low, high) for low, high in run.control.outside_bands)
        yield from (_Event(run.id, "Beyond abort limits", low, high) for low, high in run.control.aborted_bands)


_NOTCH: tuple[Column[tuple[str, NotchResult]], ...] = (
    ("Run", "", lambda n: n[0]),
    ("Channel", "", lambda n: n[1].channel),
    ("From", "Hz", lambda n: n[1].from_hz),
    ("To", "Hz", lambda n: n[1].to_hz),
    ("Limit as stated", "", lambda n: n[1].text),
    ("Limit (peak, SI)", "", lambda n: n[1].limit),
    ("Highest (peak, SI)", "", lambda n: n[1].highest),
    ("highest at", "Hz", lambda n: n[1].at_hz),
    ("Input lowered", "dB", lambda n: n[1].lowest_control_db),
    ("Reason", "", lambda n: n[1].reason),
)


# Resonances, modes, comparisons ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Found:
    """A resonance with its place in the results."""

    run: RunResult
    channel: ChannelResult
    number: int
    resonance: Resonance

    @property
    def budget(self) -> FrequencyBudget | None:
        """Of its frequency."""
        return self.resonance.frequency_budget


def _found(report: Report) -> list[_Found]:
    return [
        _Found(run, channel, number, each)
        for run in report.runs
        for channel in run.channels
        for number, each in enumerate(channel.resonances, start=1)
    ]


def _of_modes(report: Report, language: Language) -> Iterator[Table]:
    found = _found(report)
    yield table("resonances", "Resonances", found, _RESONANCE, language)
    yield table("backbones", "Backbones", [row for each in found for row in _backbone(each)], _BACKBONE, language)
    peaks = [(run.id, ch.id, peak) for run in report.runs for ch in run.channels for peak in ch.unexplained]
    yield table("unexplained", "Unexplained peaks", peaks, _UNEXPLAINED, language)
    yield table(
        "modes",
        "Modes",
        report.modes,
        (
            ("Axis", "", lambda m: m.axis),
            ("Mode", "", lambda m: m.mode),
            ("Nodes", "", lambda m: m.nodes),
            ("Frequency", "Hz", lambda m: m.frequency_hz),
            ("Standard uncertainty", "Hz", lambda m: m.frequency_std_hz),
            ("expected at", "Hz", lambda m: m.expected_hz),
            ("Q", "", lambda m: m.q),
            ("Standard uncertainty of Q", "", lambda m: m.q_std),
            ("Damping ratio ζ", "", lambda m: m.damping_ratio),
            ("Motion", "", lambda m: m.motion),
            ("Seen in", "", lambda m: tuple(language.term(each) for each in m.seen_in)),
            ("Runs", "", lambda m: m.runs),
            ("Channels", "", lambda m: m.channels),
            ("Nodes observed at", "", lambda m: m.node_positions),
            ("Remarks", "", lambda m: m.flags),
        ),
        language,
    )
    crossed = [(run.id, each) for run in report.runs for each in run.cross]
    if crossed:
        yield _cross_axis(crossed, language)
    earlier = report.reference.comparisons if report.reference is not None else ()
    yield table(
        "shifts",
        "Comparison of runs",
        (*report.shifts, *(s for each in earlier for s in each.shifts)),
        (
            ("Before", "", lambda s: s.before),
            ("After", "", lambda s: s.after),
            ("Channel", "", lambda s: s.channel),
            ("Mode", "", lambda s: s.mode),
            ("Frequency before", "Hz", lambda s: s.before_hz),
            ("Frequency after", "Hz", lambda s: s.after_hz),
            ("Shift of frequency", "1", lambda s: s.frequency_shift),
            ("Standard uncertainty of the frequency shift", "1", lambda s: s.frequency_shift_std),
            ("Amplification before", "", lambda s: s.before_amplification),
            ("Amplification after", "", lambda s: s.after_amplification),
            ("Shift of amplification", "1", lambda s: s.amplification_shift),
            ("Standard uncertainty of the amplification shift", "1", lambda s: s.amplification_shift_std),
            ("At level (peak)", "", lambda s: s.level),
            ("Unit of the level", "", lambda s: s.level_unit),
            ("Frequency before at that level", "Hz", lambda s: s.before_at_level_hz),
            ("Frequency after at that level", "Hz", lambda s: s.after_at_level_hz),
            ("Remarks", "", lambda s: s.flags),
        ),
        language,
    )
    yield table(
        "levels",
        "Level dependence",
        report.level_dependence,
        (
            ("Axis", "", lambda d: d.axis),
            ("Mode", "", lambda d: d.mode),
            ("Survey", "", lambda d: d.survey),
            ("Sweep", "", lambda d: d.sweep),
            ("Level of the survey (peak)", "m/s²", lambda d: d.survey_level),
            ("Level of the sweep (peak)", "m/s²", lambda d: d.sweep_level),
            ("Frequency in the survey", "Hz", lambda d: d.survey_hz),
            ("Frequency in the sweep", "Hz", lambda d: d.sweep_hz),
            ("Change of frequency", "1", lambda d: d.frequency_change),
            ("Q in the survey", "", lambda d: d.survey_q),
            ("Q in the sweep", "", lambda d: d.sweep_q),
            ("Change of Q", "1", lambda d: d.q_change),
            ("Reason", "", lambda d: d.reason),
        ),
        language,
    )
    yield table(
        "beams",
        "Beam theory",
        report.beam_fits,
        (
            ("Axis", "", lambda b: b.axis),
            ("Held as", "", lambda b: language.term(b.boundary)),
            ("Mass at the end over mass of the beam", "1", lambda b: b.tip_mass_ratio),
            ("Residual, root mean square", "1", lambda b: b.rms_residual),
            ("Residual, worst", "1", lambda b: b.worst_residual),
            ("Remarks", "", lambda b: b.flags),
        ),
        language,
    )


def _why(each: _Found) -> tuple[Message, ...]:
    return tuple(dict.fromkeys(reason for _, reason in each.resonance.reasons))


_RESONANCE: tuple[Column[_Found], ...] = (
    ("Run", "", lambda f: f.run.id),
    ("Axis", "", lambda f: f.run.axis),
    ("Channel", "", lambda f: f.channel.id),
    ("No.", "", lambda f: f.number),
    ("Mode", "", lambda f: f.resonance.mode),
    ("Frequency", "Hz", lambda f: f.resonance.frequency_hz),
    ("Standard uncertainty", "Hz", lambda f: f.resonance.frequency_std_hz),
    ("of it: fit", "Hz", lambda f: f.budget and f.budget.fit),
    ("of it: clock", "Hz", lambda f: f.budget and f.budget.clock),
    ("of it: tracking filter", "Hz", lambda f: f.budget and f.budget.filter),
    ("of it: misfit", "Hz", lambda f: f.budget and f.budget.misfit),
    ("of it: floor", "Hz", lambda f: f.budget and f.budget.floor),
    ("Q", "", lambda f: f.resonance.q),
    ("Standard uncertainty of Q", "", lambda f: f.resonance.q_std),
    ("Damping ratio ζ", "", lambda f: f.resonance.damping_ratio),
    ("Amplification", "", lambda f: f.resonance.amplification),
    ("Standard uncertainty of the amplification", "", lambda f: f.resonance.amplification_std),
    ("of the amplification: fit", "", lambda f: f.resonance.amplification_std_fit),
    ("of the amplification: calibration", "", lambda f: f.resonance.amplification_std_calibration),
    ("Unit of the amplification", "", lambda f: f.channel.unit or "1"),
    ("Phase", "°", lambda f: f.resonance.phase_deg),
    ("Peak as recorded", "Hz", lambda f: f.resonance.observed.peak_hz),
    ("Height as recorded", "", lambda f: f.resonance.observed.amplification),
    ("Response as recorded (peak)", "m/s²", lambda f: f.resonance.observed.response_mps2),
    ("Half-power Q, as recorded", "", lambda f: f.resonance.observed.half_power_q),
    ("Share reached in the sweep", "1", lambda f: f.resonance.observed.sweep_reduction),
    ("Sweep parameter η", "", lambda f: f.resonance.observed.sweep_parameter),
    ("Level of the mode (peak)", "", lambda f: f.resonance.level),
    ("Unit of the level", "", lambda f: f.resonance.backbone and f.resonance.backbone.unit),
    ("Rejected", "", lambda f: f.resonance.rejected),
    ("Reason", "", _why),
    ("Remarks", "", lambda f: f.resonance.flags),
)
_BACKBONE: tuple[Column[tuple[_Found, float, float, float, float, float]], ...] = (
    ("Run", "", lambda b: b[0].run.id),
    ("Channel", "", lambda b: b[0].channel.id),
    ("No.", "", lambda b: b[0].number),
    ("Mode", "", lambda b: b[0].resonance.mode),
    ("Level (peak)", "", lambda b: b[1]),
    ("Unit of the level", "", lambda b: b[0].resonance.backbone and b[0].resonance.backbone.unit),
    ("Frequency", "Hz", lambda b: b[2]),
    ("Standard uncertainty", "Hz", lambda b: b[3]),
    ("Damping ratio ζ", "", lambda b: b[4]),
    ("Standard uncertainty of the damping ratio", "", lambda b: b[5]),
)
_UNEXPLAINED: tuple[Column[tuple[str, str, UnexplainedPeak]], ...] = (
    ("Run", "", lambda p: p[0]),
    ("Channel", "", lambda p: p[1]),
    ("Frequency", "Hz", lambda p: p[2].frequency_hz),
    ("Over the noise", "", lambda p: p[2].height),
    ("Recorded response over control", "", lambda p: p[2].magnitude),
    ("Why it is no mode", "", lambda p: p[2].why),
)


def _backbone(each: _Found) -> Iterator[tuple[_Found, float, float, float, float, float]]:
    curve = each.resonance.backbone
    if curve is not None:
        frequencies = (curve.frequency_hz, curve.frequency_std_hz)
        points = (curve.levels, *frequencies, curve.damping_ratio, curve.damping_ratio_std)
        yield from ((each, *point) for point in zip(*points, strict=True))


# What was tested, and with what ---------------------------------------------------------------------------------------


def _of_set_up(report: Report, language: Language) -> Iterator[Table]:
    job = report.job
    yield table(
        "channels",
        "Channels",
        job.channels,
        (
            ("Channel", "", lambda c: c.id),
            ("Role", "", lambda c: c.role),
            ("Place", "", lambda c: c.location),
            ("Direction", "", lambda c: c.direction),
            ("Position on the beam", "", lambda c: c.position),
            ("Instrument", "", lambda c: c.instrument),
        ),
        language,
    )
    yield table(
        "instruments",
        "Instruments",
        job.instruments,
        (
            ("Instrument", "", lambda i: i.id),
            ("Kind", "", lambda i: i.kind),
            ("Manufacturer", "", lambda i: i.manufacturer),
            ("Type", "", lambda i: i.model),
            ("Serial number", "", lambda i: i.serial),
            ("Calibrated", "", lambda i: i.calibrated),
            ("Due", "", lambda i: i.due),
            ("U (relative, k = 2)", "1", lambda i: i.expanded_uncertainty and i.expanded_uncertainty.si),
            ("U of the clock (relative, k = 2)", "1", lambda i: i.frequency_uncertainty and i.frequency_uncertainty.si),
            ("Certificate", "", lambda i: i.certificate),
            ("Calibrated by", "", lambda i: i.calibration_laboratory),
        ),
        language,
    )
    points = [(profile, point) for profile in job.profiles for point in profile.breakpoints]
    yield table("profiles", "Profiles", points, _BREAKPOINT, language)
    bands = [(profile.id, "Tolerance", band) for profile in job.profiles for band in profile.tolerance]
    bands += [(profile.id, "Abort", band) for profile in job.profiles for band in profile.abort]
    yield table("tolerances", "Tolerances", bands, _tolerance_columns(language), language)
    yield table(
        "inspections",
        "Examination of the specimen",
        job.inspections,
        (
            ("When", "", lambda i: i.when),
            ("What", "", lambda i: i.what),
            ("Result", "", lambda i: language.term(i.result)),
            ("Remark", "", lambda i: i.remark),
        ),
        language,
    )


_SI = {"displacement": "m", "velocity": "m/s", "acceleration": "m/s²", "force": "N"}
"""Units of ``Breakpoint.amplitude`` by its dimension."""
_BREAKPOINT: tuple[Column[tuple[Profile, Breakpoint]], ...] = (
    ("Profile", "", lambda p: p[0].id),
    ("Frequency", "Hz", lambda p: p[1].frequency_hz),
    ("Amplitude as stated", "", lambda p: p[1].text[1]),
    ("Amplitude (peak)", "", lambda p: p[1].amplitude),
    ("Unit", "", lambda p: _SI[p[1].dimension]),
    ("Slope from here", "dB/oct", lambda p: p[1].slope_to_next_db_per_oct),
    ("Sweep rate", "", lambda p: p[0].sweep_rate and p[0].sweep_rate.value),
    ("Unit of the rate", "", lambda p: p[0].sweep_rate and p[0].sweep_rate.unit),
)


def _tolerance_columns(language: Language) -> tuple[Column[tuple[str, str, ToleranceBand]], ...]:
    return (
        ("Profile", "", lambda t: t[0]),
        ("What", "", lambda t: language.say(t[1])),
        ("From", "Hz", lambda t: t[2].from_hz),
        ("To", "Hz", lambda t: t[2].to_hz),
        ("Lower limit", "dB", lambda t: t[2].lower_db),
        ("Upper limit", "dB", lambda t: t[2].upper_db),
        ("As written", "", lambda t: t[2].text),
    )


# What was read --------------------------------------------------------------------------------------------------------


def _of_inputs(report: Report, language: Language) -> Iterator[Table]:
    yield table(
        "notes",
        "Notes",
        report.notes,
        (
            ("Where", "", lambda n: n.where),
            ("When", "", lambda n: n.when or n.day),
            ("Run", "", lambda n: n.run),
            ("As written", "", lambda n: n.text),
            ("Understood", "", lambda n: tuple(map(fact_message, n.facts))),
            ("Not understood", "", lambda n: n.unread),
        ),
        language,
    )
    yield table(
        "quality",
        "Quality of the data",
        [(run.id, issue) for run in report.runs for issue in run.quality],
        (
            ("Run", "", lambda q: q[0]),
            ("Channel", "", lambda q: q[1].channel),
            ("Kind", "", lambda q: q[1].kind),
            ("From", "Hz", lambda q: q[1].band_hz and q[1].band_hz[0]),
            ("To", "Hz", lambda q: q[1].band_hz and q[1].band_hz[1]),
            ("carries no verdict", "", lambda q: q[1].spoils),
            ("What was found", "", lambda q: q[1].message),
        ),
        language,
    )
    yield table(
        "findings",
        "Findings about the inputs",
        report.findings,
        (
            ("Weight", "", lambda f: f.severity),
            ("Where", "", lambda f: f.where),
            ("What was found", "", lambda f: f.message),
        ),
        language,
    )
    yield table(
        "inputs",
        "Input files",
        report.inputs,
        (
            ("File", "", lambda i: i.path),
            ("SHA-256", "", lambda i: i.sha256),
            ("Size", "B", lambda i: i.bytes),
        ),
        language,
    )
    digests = {file.path: file for file in report.inputs}
    yield table(
        "attachments",
        "Attachments",
        [(each, digests.get(each.file.as_posix())) for each in report.job.attachments],
        (
            ("Title", "", lambda a: a[0].title),
            ("File", "", lambda a: a[0].file.as_posix()),
            ("SHA-256", "", lambda a: a[1] and a[1].sha256),
            ("Size", "B", lambda a: a[1] and a[1].bytes),
        ),
        language,
    )
    changes = report.amendment.changes if report.amendment is not None else ()
    yield table(
        "changes",
        "Changes",
        changes,
        (("What", "", lambda c: c.what), ("Before", "", lambda c: c.before), ("Now", "", lambda c: c.after)),
        language,
    )


def _cross_axis(crossed: Sequence[tuple[str, CrossAxis]], language: Language) -> Table:
    """Motion across the axis, by the id of the run; the table is there where a job names channels for it."""
    return table(
        "cross",
        "Across the axis",
        crossed,
        (
            ("Run", "", lambda c: c[0]),
            ("Channel", "", lambda c: c[1].channel),
            ("Largest ratio to the control", "1", lambda c: c[1].ratio),
            ("Frequency", "Hz", lambda c: c[1].at_hz),
            ("Limit", "1", lambda c: c[1].limit),
            ("Reason", "", lambda c: c[1].reason),
        ),
        language,
    )
