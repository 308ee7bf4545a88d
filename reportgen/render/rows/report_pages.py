"""All that the templates of a report print, in records with names: finished strings, ready to be laid out."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

from reportgen.records.job import PhotoMetadata, RunKind
from reportgen.records.report import Report
from reportgen.records.result import ChannelResult, RunResult
from reportgen.records.rounding import coverage_factor
from reportgen.render.axis_runs import axis_runs
from reportgen.render.figures.drawings import backbones
from reportgen.render.names import anchor
from reportgen.render.rows import conformity, identity, input, method, mode, note, resonance, run
from reportgen.render.rows.axis_page import AxisPage, axis_page, slow_enough_sentence
from reportgen.render.rows.budget import Budget, budgets
from reportgen.render.rows.clause import ClauseGroup, clause_groups
from reportgen.render.rows.hazard import hazards
from reportgen.render.rows.language import Fact, Language
from reportgen.render.rows.run_list import RunListed, run_columns, run_list
from reportgen.render.rows.sequence import Happened, sequence
from reportgen.render.rows.trusted import spoiled


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoRow:
    """A picture of the set-up."""

    key: str
    caption: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelShown:
    """One response channel of one run."""

    id: str
    figure: str
    """Key of its figure; empty where there is none, as for every figure here."""
    rows: tuple[resonance.ResonanceRow, ...]
    height: str
    nothing: str
    excluded: str
    """Why it carries no evidence; empty where it does."""
    remarks: tuple[str, ...]
    not_used: str = ""
    """Bands that are shaded because the engineer does not use them."""
    annotations: tuple[str, ...] = ()
    """As numbered on the figure."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRow:
    """One run as it was run, with all that was found in it."""

    id: str
    anchor: str
    kind: str
    axis: str
    title: str
    status: str
    """What became of it where it does not count; empty for any other."""
    log: str
    log_anchor: str
    rows: str
    sweep: tuple[Fact, ...]
    control: tuple[Fact, ...]
    notches: tuple[run.NotchRow, ...]
    dwell_figure: str
    control_figure: str
    control_compared: bool
    dwell: tuple[Fact, ...]
    decays: tuple[str, ...]
    backbones: tuple[str, ...]
    is_decay: bool
    channels: tuple[ChannelShown, ...]
    unexplained: tuple[resonance.UnexplainedRow, ...]
    sentence: str
    method: str
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelCompared:
    """A channel whose figure shows it in two runs."""

    key: str
    channel: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Two runs, mode by mode."""

    before: str
    after: str
    anchor: str
    rows: tuple[run.ShiftRow, ...]
    figures: tuple[ChannelCompared, ...]
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """Survey and sweep at full level, mode by mode."""

    survey: str
    sweep: str
    anchor: str
    rows: tuple[run.LevelRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisModes:
    """Modes along one axis from logs and notes, and beam theory beside them."""

    axis: str
    anchor: str
    numbered: bool
    modes: tuple[mode.ModeShown, ...]
    shared_remarks: tuple[str, ...]
    """Remarks on several modes, each once."""
    fits: tuple[mode.BeamFitRow, ...]
    beam: str
    ladder: str


Contributions = TypeVar("Contributions", resonance.AmplificationBudget, resonance.FrequencyBudgetShown)


@dataclass(frozen=True, slots=True, kw_only=True)
class Uncertain(Generic[Contributions]):
    """Uncertainty of a value of one resonance, and where that stands."""

    run: str
    channel: str
    mode: str
    anchor: str
    frequency: str
    uncertain: Contributions


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportPages:
    """What a template of the report may print, by the names of ``templates/README.md``."""

    groups: tuple[ClauseGroup, ...]
    run_list: tuple[RunListed, ...]
    run_columns: frozenset[str]
    sequence: tuple[Happened, ...]
    eventful: bool
    """Whether there are steps, or runs that do not count."""
    pages: tuple[AxisPage, ...]
    slow_enough: str
    in_body: tuple[str, ...]
    budgets: tuple[Budget, ...]
    annex: str
    language: str
    paper: str
    report: identity.IdentityRow
    amendment: input.AmendmentRow | None
    overall: conformity.Overall
    rule: conformity.RuleShown
    verdicts: tuple[conformity.VerdictRow, ...]
    laboratory: identity.PartyRow
    customer: identity.PartyRow
    specimen: identity.SpecimenRow
    environment: tuple[Fact, ...]
    instruments: tuple[identity.InstrumentRow, ...]
    channels: tuple[identity.ChannelRow, ...]
    inspections: tuple[identity.InspectionRow, ...]
    profiles: tuple[run.ProfileRow, ...]
    plans: tuple[identity.PlannedRun, ...]
    runs: tuple[RunRow, ...]
    swept: bool
    hazards: frozenset[str]
    beamlike: bool
    comparisons: tuple[Comparison, ...]
    levels: tuple[Levels, ...]
    axes: tuple[AxisModes, ...]
    exciter: tuple[run.ExciterRow, ...]
    exciter_name: str
    deviations: tuple[note.DeviationRow, ...]
    observations: tuple[note.RemarkRow, ...]
    opinions: tuple[str, ...]
    notes: tuple[note.NoteRow, ...]
    corrections: tuple[note.CorrectionRow, ...]
    annotations: tuple[str, ...]
    """All of the job's, with their places."""
    quality: tuple[run.QualityRow, ...]
    findings: tuple[input.FindingRow, ...]
    methods: tuple[method.MethodRow, ...]
    inputs: tuple[input.InputRow, ...]
    attachments: tuple[input.AttachmentRow, ...]
    photos: tuple[PhotoRow, ...]
    photos_bare: bool
    budget: tuple[Uncertain[resonance.AmplificationBudget], ...]
    frequency_budget: tuple[Uncertain[resonance.FrequencyBudgetShown], ...]
    assumptions: tuple[str, ...]


def report_pages(
    report: Report, language: Language, drawings: frozenset[str], photos: Iterable[PhotoRow]
) -> ReportPages:
    """All rows of a report; ``drawings`` are the keys of the figures that there are."""
    job = report.job
    pages = [axis_page(report, of, language, drawings) for of in axis_runs(report)]
    pages = [page for page in pages if page.rows or page.control_figure or page.response_figure or page.other_figures]
    in_body, listed = _in_body(pages), run_list(report, language)
    annexed = drawings - frozenset(in_body)
    return ReportPages(
        groups=clause_groups(report, language),
        run_list=listed,
        run_columns=run_columns(listed, language),
        sequence=sequence(report, language),
        eventful=bool(job.steps) or any(not each.counts for each in job.runs),
        pages=tuple(pages),
        slow_enough=slow_enough_sentence(report, language),
        in_body=in_body,
        budgets=budgets(report, language),
        annex=job.report.annex.name.lower(),
        language=language.words.language,
        paper=job.report.paper,
        report=identity.identity(report, language),
        amendment=input.amendment(report, language),
        overall=conformity.overall(report, language),
        rule=conformity.decision_rule(report, language),
        verdicts=tuple(conformity.verdict(report, each, language) for each in report.verdicts),
        laboratory=identity.party(job.laboratory, language),
        customer=identity.party(job.customer, language),
        specimen=identity.specimen(job, language),
        environment=identity.environment(report, language),
        instruments=tuple(identity.instrument(each, language) for each in job.instruments),
        channels=tuple(identity.channel(each, language) for each in job.channels),
        inspections=tuple(identity.inspections(job, language)),
        profiles=tuple(run.profile(each, job, report.runs, language) for each in job.profiles),
        plans=tuple(identity.planned_run(job, each, language) for each in job.runs),
        runs=tuple(_run(report, each, language, annexed) for each in report.runs),
        swept=any(each.sweep is not None and each.dwell is None for each in report.runs),
        hazards=hazards(report),
        beamlike=job.specimen.beam is not None,
        comparisons=(*_comparisons(report, language, annexed), *_earlier(report, language)),
        levels=tuple(_levels(report, language)),
        axes=tuple(_axes(report, language, drawings)),
        exciter=tuple(run.exciter_row(each, language) for each in report.exciter),
        exciter_name=(job.exciter.name if job.exciter else None) or "",
        deviations=tuple(note.deviation(each, language) for each in report.deviations),
        observations=tuple(note.remarks(report, "observation")),
        opinions=tuple(dict.fromkeys((*report.opinions, *job.report.opinions))),
        notes=tuple(note.note(each, language) for each in report.notes),
        corrections=(
            *(note.correction(each, language) for each in job.corrections),
            *(note.exclusion(each, language) for each in job.exclusions),
        ),
        annotations=tuple(note.annotation(each, None, language) for each in job.annotations),
        quality=tuple(run.quality(issue, each.id, language) for each in report.runs for issue in each.quality),
        findings=tuple(input.finding(each, language) for each in report.findings),
        methods=tuple(method.methods(report, language)),
        inputs=tuple(input.input_file(report, each, language) for each in report.inputs),
        attachments=tuple(input.attachment(report, each, language) for each in job.attachments),
        photos=tuple(photos),
        photos_bare=job.report.photo_metadata is PhotoMetadata.REMOVE,
        budget=tuple(_budget(report, language)),
        frequency_budget=tuple(_frequency_budget(report, language)),
        assumptions=tuple(language.sentences(report.assumptions)),
    )


def _in_body(pages: Sequence[AxisPage]) -> tuple[str, ...]:
    """Keys of the figures that stand on the pages of the axes, and so not in the annex."""
    keys = [
        key
        for page in pages
        for key in (
            page.control_figure,
            page.response_figure,
            page.comparison_figure,
            *(other.key for other in page.other_figures),
        )
    ]
    return tuple(key for key in keys if key)


def _run(report: Report, each: RunResult, language: Language, drawings: frozenset[str]) -> RunRow:
    plan, planned = report.job.run(each.id), run.planned(report.job, each)
    decays = (anchor("fig", each.id, "decay", curve.channel) for curve in each.decay)
    spines = (anchor("fig", each.id, "backbone", number) for number in range(1, len(backbones(each)) + 1))
    control = run.control_facts(each.control, language) if each.control else ()
    return RunRow(
        id=each.id,
        anchor=anchor("run", each.id),
        kind=language.say(each.kind),
        axis=each.axis or "",
        title=_run_title(each, language),
        status=identity.status(plan, language) if plan is not None else "",
        log=planned,
        log_anchor=anchor("file", planned),
        rows=language.numbers.count(each.sweep.rows) if each.sweep else "",
        sweep=run.sweep_facts(each.sweep, language) if each.sweep else (),
        control=(*control, *run.cross_facts(each, language), *run.condition_facts(each, language)),
        notches=tuple(run.notch_row(notch, language) for notch in each.control.notches) if each.control else (),
        dwell_figure=_drawn(drawings, anchor("fig", each.id, "dwell")),
        control_figure=_drawn(drawings, anchor("fig", each.id, "control")),
        control_compared=each.control is not None and each.control.deviation_db is not None,
        dwell=run.dwell_facts(each.dwell, report.job, each.id, language) if each.dwell else (),
        decays=tuple(key for key in decays if key in drawings),
        backbones=tuple(key for key in spines if key in drawings),
        is_decay=each.kind == RunKind.DECAY,
        channels=tuple(_channel(report, each, channel, language, drawings) for channel in each.channels),
        unexplained=tuple(row for channel in each.channels for row in resonance.unexplained_rows(channel, language)),
        sentence=resonance.steady_state_sentence((each,), language) or resonance.sweep_sentence(each, language),
        method=language.whole(each.method) if each.method else "",
        remarks=tuple(language.sentences(each.flags)),
    )


def _channel(
    report: Report, each: RunResult, channel: ChannelResult, language: Language, drawings: frozenset[str]
) -> ChannelShown:
    figure = _drawn(drawings, anchor("fig", each.id, channel.id))
    return channel_shown(each, channel, figure, report.job.report.confidence, language)


def channel_shown(
    each: RunResult, channel: ChannelResult, figure: str, confidence: float, language: Language
) -> ChannelShown:
    """One response channel of a run, with the key of its figure."""
    return ChannelShown(
        id=channel.id,
        figure=figure,
        rows=tuple(resonance.resonance_rows(each, channel, confidence, language)),
        height=resonance.height_name(channel, language),
        nothing=resonance.nothing_found(channel, language),
        excluded=_excluded(each, channel.id, language),
        remarks=tuple(language.sentences(channel.flags)),
        not_used=", ".join(language.band(band) for band in channel.excluded_hz),
        annotations=tuple(note.annotation(own, n, language) for n, own in enumerate(channel.annotations, start=1)),
    )


def _excluded(each: RunResult, channel: str, language: Language) -> str:
    """Why a channel carries no evidence in a run; empty where it does."""
    why = [issue.message for issue in each.quality if issue.spoils and issue.channel in (None, channel)]
    return "; ".join(language.sentences(why))


def _run_title(each: RunResult, language: Language) -> str:
    axis = " · " + language.say("axis %(axis)s", axis=each.axis) if each.axis else ""
    return f"{each.id} · {language.say(each.kind)}{axis}"


def _drawn(drawings: frozenset[str], key: str) -> str:
    return key if key in drawings else ""


def _comparisons(report: Report, language: Language, drawings: frozenset[str]) -> Iterable[Comparison]:
    for before, after in dict.fromkeys((shift.before, shift.after) for shift in report.shifts):
        shifts = [shift for shift in report.shifts if (shift.before, shift.after) == (before, after)]
        keys = {channel: anchor("fig", before, after, channel) for channel in dict.fromkeys(s.channel for s in shifts)}
        compared = (ChannelCompared(key=key, channel=channel) for channel, key in keys.items() if key in drawings)
        yield Comparison(
            before=before,
            after=after,
            anchor=anchor("compare", before, after),
            rows=tuple(run.shift_row(report, shift, language) for shift in shifts),
            figures=tuple(compared),
        )


def _earlier(report: Report, language: Language) -> Iterable[Comparison]:
    """First surveys against those of an earlier report; one that cannot be held against any has the reason alone."""
    of = report.reference
    for each in of.comparisons if of is not None else ():
        assert of is not None
        said = (*of.remarks, *((each.reason,) if each.reason is not None else ()))
        yield Comparison(
            before=f"{of.number} {of.revision}" if each.before is None else each.before.id,
            after=each.after,
            anchor=anchor("compare", "reference", each.after),
            rows=tuple(run.shift_row(report, shift, language) for shift in each.shifts),
            figures=(),
            remarks=tuple(language.sentences(said)),
        )


def _levels(report: Report, language: Language) -> Iterable[Levels]:
    """Survey and full level side by side, with a row a mode."""
    for survey, sweep in dict.fromkeys((each.survey, each.sweep) for each in report.level_dependence):
        found = [each for each in report.level_dependence if (each.survey, each.sweep) == (survey, sweep)]
        yield Levels(
            survey=survey,
            sweep=sweep,
            anchor=anchor("levels", survey, sweep),
            rows=tuple(run.level_row(report, each, language) for each in found),
        )


def _axes(report: Report, language: Language, drawings: frozenset[str]) -> Iterable[AxisModes]:
    for axis in dict.fromkeys(each.axis for each in report.modes):
        found = [each for each in report.modes if each.axis == axis]
        modes, remarks = mode.modes(found, report.job.report.confidence, language)
        yield AxisModes(
            axis=axis or "",
            anchor=anchor("modes", axis or "all"),
            numbered=any(each.mode is not None or each.nodes is not None for each in found),
            modes=modes,
            shared_remarks=remarks,
            fits=tuple(mode.beam_fit(fit, language) for fit in report.beam_fits if fit.axis == axis),
            beam=_drawn(drawings, anchor("fig-beam", axis or "all")),
            ladder=_drawn(drawings, anchor("fig-ladder", axis or "all")),
        )


def _budget(report: Report, language: Language) -> Iterable[Uncertain[resonance.AmplificationBudget]]:
    """Uncertainty of the largest amplification of every channel and run."""
    for each in report.runs:
        for channel in each.channels:
            rows = resonance.resonance_rows(each, channel, report.job.report.confidence, language)
            known = [
                (found.amplification or 0.0, row, row.uncertain)
                for found, row in zip(channel.resonances, rows, strict=True)
                if row.uncertain is not None and not found.rejected
            ]
            if known and not spoiled(each, channel.id):
                _, row, uncertain = max(known, key=lambda item: item[0])
                yield _uncertain(each, row, uncertain)


def _frequency_budget(report: Report, language: Language) -> Iterable[Uncertain[resonance.FrequencyBudgetShown]]:
    """Uncertainty of the frequency that is known worst, of every run."""
    k = coverage_factor(report.job.report.confidence)
    for each in report.runs:
        stated = [
            (found.frequency_budget.combined / found.frequency_hz, channel, number, found)
            for channel in each.channels
            if not spoiled(each, channel.id)
            for number, found in enumerate(channel.resonances, start=1)
            if found.frequency_budget is not None and not found.rejected
        ]
        if not stated:
            continue
        _, channel, number, worst = max(stated, key=lambda item: item[0])
        row = resonance.resonance(each, channel, worst, number, report.job.report.confidence, language)
        uncertain = resonance.frequency_budget(worst, k, language)
        if uncertain is not None:
            yield _uncertain(each, row, uncertain)


def _uncertain(run: RunResult, row: resonance.ResonanceRow, found: Contributions) -> Uncertain[Contributions]:
    return Uncertain(
        run=run.id, channel=row.channel, mode=row.mode, anchor=row.anchor, frequency=row.frequency, uncertain=found
    )
