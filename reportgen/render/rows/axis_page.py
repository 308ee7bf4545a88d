"""The pages of an axis: what stands for it, and one table of its modes on every channel through all runs."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from reportgen.records.message import Message
from reportgen.records.report import Report, RunShift
from reportgen.records.result import ChannelResult, Resonance, RunResult
from reportgen.render.axis_runs import AxisRuns, axis_runs, worst_shift
from reportgen.render.figures.drawings import backbones
from reportgen.render.names import anchor, control_unit
from reportgen.render.rows.conformity import told_as_deviation
from reportgen.render.rows.dwell_trend import dwell_trend
from reportgen.render.rows.language import Language
from reportgen.render.rows.resonance import (
    height_name,
    resonance,
    slow_enough,
    steady_state_sentence,
    sweep_sentence,
)
from reportgen.render.rows.run import change, unpaired
from reportgen.render.rows.trusted import spoiled

_SAME_MODE = math.log(1.15)
"""A resonance of the sweep that lies further than 15 % from every one of the survey on its channel has a row of its
own: full level lowers the modes of bolted structures by a few percent, seldom by ten."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One resonance in one run."""

    frequency: str
    amplification: str
    anchor: str
    response: str = ""
    """Peak of the response as recorded, with its unit, where the control is an acceleration."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ModeRow:
    """One mode on one channel through survey, sweep and survey after."""

    label: str
    """Number of the mode, else its frequency; empty where the row above says it."""
    channel: str
    survey: Cell
    sweep: Cell
    after: Cell
    shift: str
    shift_u: str
    change: str
    change_u: str
    remark: str
    response: str
    """Highest response as recorded in the run that stands for the axis; empty where there is none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisPage:
    """All that the pages of one axis print."""

    axis: str
    title: str
    anchor: str
    table: str
    survey: str
    sweep: str
    after: str
    """Ids of the runs, empty where there was none."""
    lead: str
    control_figure: str
    control_run: str
    control_compared: bool
    """Whether there was a profile to hold the control against."""
    response_figure: str
    not_used: str
    """Bands that are shaded in it because the engineer does not use them, by channel; empty where there are none."""
    comparison_figure: str
    comparison_channel: str
    other_figures: tuple[OtherFigure, ...]
    rows: tuple[ModeRow, ...]
    height: str
    """What the height of a peak is called, with its unit where it has one."""
    columns: tuple[RunColumn, ...]
    """Runs of which the table gives frequencies, at least one."""
    heights: tuple[RunColumn, ...]
    """Those of which it gives heights of peaks: none where no run has any."""
    shifted: bool
    changed: bool
    """Whether the table has a shift of frequency, and a change of height, to give."""
    response_run: str
    """Run whose recorded responses in the table are; empty where there are none."""
    response_unit: str
    remarks: tuple[str, ...]
    sentence: str
    trend: str
    """How a dwell drifted; empty where none was."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunColumn:
    """A column of the table of modes: which of the cells of a row, and the run it is headed by."""

    cell: str
    """``survey``, ``sweep`` or ``after``."""
    run: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherFigure:
    """A dwell, or what else an axis shows that was not swept."""

    key: str
    kind: str
    """``dwell``, ``decay`` or ``backbone``."""
    run: str


def response_key(axis: str | None) -> str:
    """Key of the figure of all responses of an axis."""
    return anchor("fig-axis", axis or "all")


def table_key(axis: str | None) -> str:
    """Key of the table of an axis."""
    return anchor("table-axis", axis or "all")


def comparison_of(report: Report, of: AxisRuns) -> tuple[str, str, str] | None:
    """Before, after and channel of the one comparison that is shown on an axis' pages: that of the worst shift."""
    worst = worst_shift(report, of)
    return None if worst is None else (worst.before, worst.after, worst.channel)


def axis_page(report: Report, of: AxisRuns, language: Language, drawn: Iterable[str]) -> AxisPage:
    """The pages of one axis; ``drawn`` are the keys of the figures that there are."""
    figures, absent = frozenset(drawn), language.numbers.ABSENT
    control = next((run for run in (of.sweep, of.lead) if run and anchor("fig", run.id, "control") in figures), None)
    compared = comparison_of(report, of)
    comparison = anchor("fig", *compared) if compared else ""

    def there(key: str) -> str:
        return key if key in figures else ""

    rows = tuple(mode_rows(report, of, language))
    columns = _columns(of, rows, language)
    return AxisPage(
        axis=of.axis or "",
        title=language.say("Axis %(axis)s", axis=of.axis) if of.axis else language.say("All axes"),
        anchor=anchor("axis", of.axis or "all"),
        table=table_key(of.axis),
        survey=of.survey.id if of.survey else "",
        sweep=of.sweep.id if of.sweep else "",
        after=of.after.id if of.after else "",
        lead=of.lead.id if of.lead else "",
        control_figure=anchor("fig", control.id, "control") if control else "",
        control_run=control.id if control else "",
        control_compared=control is not None
        and control.control is not None
        and control.control.deviation_db is not None,
        response_figure=there(response_key(of.axis)),
        not_used=_not_used(of.lead, language),
        comparison_figure=there(comparison),
        comparison_channel=compared[2] if compared else "",
        other_figures=tuple(_others(of, figures)),
        rows=rows,
        height=_height(of, language),
        columns=columns,
        heights=tuple(each for each in columns if any(getattr(row, each.cell).amplification != absent for row in rows)),
        shifted=any(row.shift != absent for row in rows),
        changed=any(row.change != absent for row in rows),
        response_run=of.lead.id if of.lead and any(row.response for row in rows) else "",
        response_unit=control_unit_of(report, of.lead)[0] if of.lead else "",
        remarks=tuple(_remarks(report, of, language)),
        sentence=_sentence(of, language),
        trend=dwell_trend(of.runs, report.job.report.confidence, language),
    )


def _not_used(run: RunResult | None, language: Language) -> str:
    channels = run.channels if run is not None else ()
    return ", ".join(f"{each.id} {language.band(band)}" for each in channels for band in each.excluded_hz)


def _columns(of: AxisRuns, rows: Sequence[ModeRow], language: Language) -> tuple[RunColumn, ...]:
    """Of survey, sweep and survey after those that have a frequency; the first of them where none has."""
    first = of.survey or of.lead or next(iter(of.runs), None)
    pairs = (("survey", first), ("sweep", of.sweep), ("after", of.after))
    there = [RunColumn(cell=cell, run=run.id) for cell, run in pairs if run is not None]
    absent = language.numbers.ABSENT
    kept = [each for each in there if any(getattr(row, each.cell).frequency != absent for row in rows)]
    return tuple(kept or there[:1])


def _lead_name(of: AxisRuns) -> str:
    """Which cell of a row is that of the run that stands for the axis."""
    named = (("sweep", of.sweep), ("survey", of.survey), ("after", of.after))
    return next((name for name, run in named if run is not None and run is of.lead), "survey")


def _sentence(of: AxisRuns, language: Language) -> str:
    """What the sweep did to the readings along this axis; that it was slow enough is said once, for all axes."""
    if of.lead is None:
        return ""
    assumed = steady_state_sentence(of.runs, language)
    return assumed or ("" if slow_enough(of.lead) is not None else sweep_sentence(of.lead, language))


def slow_enough_sentence(report: Report, language: Language) -> str:
    """That the sweeps were slow enough, once for all axes on which they were; empty where none was."""
    found = [(of.axis, slow_enough(of.lead)) for of in axis_runs(report) if of.lead is not None]
    shares = [share for _, share in found if share is not None]
    if not shares:
        return ""
    return language.say(
        "Along %(axes)s the sweep was slow enough: every recorded peak reaches at least %(share)s %% of what the "
        "specimen does in steady vibration.",
        axes=", ".join(axis or language.say("all axes") for axis, share in found if share is not None),
        share=language.numbers.significant(100 * min(shares), 3),
    )


def _height(of: AxisRuns, language: Language) -> str:
    names = dict.fromkeys(height_name(channel, language) for run in of.runs for channel in run.channels)
    return ", ".join(names) or language.say("Amplification")


def _others(of: AxisRuns, figures: frozenset[str]) -> Iterable[OtherFigure]:
    for run in of.runs:
        key = anchor("fig", run.id, "dwell")
        if key in figures:
            yield OtherFigure(key=key, kind="dwell", run=run.id)
    for run in of.runs if of.lead is None else ():
        for curve in run.decay[:2]:
            yield OtherFigure(key=anchor("fig", run.id, "decay", curve.channel), kind="decay", run=run.id)
    for run in of.runs:
        for number in range(1, len(backbones(run)) + 1):
            key = anchor("fig", run.id, "backbone", number)
            if key in figures:
                yield OtherFigure(key=key, kind="backbone", run=run.id)


def _remarks(report: Report, of: AxisRuns, language: Language) -> Iterable[str]:
    """Channels that carry no evidence in a run that stands for the axis, and why, unless the deviations tell it."""
    shown = [run for run in (of.survey, of.sweep, of.after) if run is not None] or list(of.runs)
    for run in shown:
        for issue in run.quality:
            if issue.spoils and told_as_deviation(report, run.id, issue.channel):
                code = "render.channel-without-evidence" if issue.channel else "render.run-without-evidence"
                values = {"channel": issue.channel} if issue.channel else {}
                yield language.whole(Message(code, tuple({**values, "run": run.id}.items())))
            elif issue.spoils:
                where = f"{run.id}, {issue.channel}" if issue.channel else run.id
                yield f"{where}: {language.whole(issue.message)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Chain:
    """Resonances of one channel that belong together, by run."""

    channel: str
    survey: Resonance | None = None
    sweep: Resonance | None = None
    after: Resonance | None = None
    shift: RunShift | None = None

    @property
    def seen(self) -> Resonance:
        """The first of them that there is."""
        return next(each for each in (self.survey, self.sweep, self.after) if each is not None)


def mode_rows(report: Report, of: AxisRuns, language: Language) -> list[ModeRow]:
    """Modes in order of frequency, each on all its channels in the order of the job."""
    chains = [chain for channel in _channels(of) for chain in _chains(report, of, channel)]
    groups = _groups(report, of, chains)
    rows = []
    for group in groups:
        for first, chain in enumerate(group):
            rows.append(_row(report, of, chain, _label(group, language) if first == 0 else "", language))
    return rows


def _channels(of: AxisRuns) -> list[str]:
    shown = [run for run in (of.survey, of.sweep, of.after) if run is not None] or list(of.runs)
    return list(dict.fromkeys(channel.id for run in shown for channel in run.channels))


def _resonances(run: RunResult | None, channel: str) -> list[Resonance]:
    """Those that the engineer did not reject, on a channel that carries evidence."""
    found = _channel(run, channel)
    if run is None or found is None or spoiled(run, channel):
        return []
    return [each for each in found.resonances if not each.rejected]


def _channel(run: RunResult | None, channel: str) -> ChannelResult | None:
    return next((each for each in run.channels if each.id == channel), None) if run is not None else None


def _chains(report: Report, of: AxisRuns, channel: str) -> Iterable[_Chain]:
    survey, sweep, after = (_resonances(run, channel) for run in (of.survey, of.sweep, of.after))
    if of.survey is None and of.sweep is None:
        survey = [each for run in of.runs for each in _resonances(run, channel)]
    links = _links(survey, sweep)
    shifts = _shifts(report, of, channel)
    told = {id(each) for each in after}
    for each in survey:
        shift = next((s for s in shifts if s.before_hz == each.frequency_hz), None)
        then = next((a for a in after if shift and shift.after_hz == a.frequency_hz), None)
        told.discard(id(then))
        yield _Chain(channel=channel, survey=each, sweep=links.get(id(each)), after=then, shift=shift)
    linked = {id(each) for each in links.values()}
    for each in sweep:
        if id(each) not in linked:
            yield _Chain(channel=channel, sweep=each)
    for each in after:
        if id(each) in told:
            shift = next((s for s in shifts if s.before_hz is None and s.after_hz == each.frequency_hz), None)
            yield _Chain(channel=channel, after=each, shift=shift)


def _shifts(report: Report, of: AxisRuns, channel: str) -> list[RunShift]:
    pair = (of.survey.id if of.survey else "", of.after.id if of.after else "")
    return [s for s in report.shifts if (s.before, s.after) == pair and s.channel == channel]


def _links(survey: Sequence[Resonance], sweep: Sequence[Resonance]) -> dict[int, Resonance]:
    """Resonances of the sweep by those of the survey: each the other's nearest, within what level can do."""
    if not survey or not sweep:
        return {}

    def off(a: Resonance, b: Resonance) -> float:
        return abs(math.log(a.frequency_hz / b.frequency_hz))

    found = {}
    for each in survey:
        nearest = min(sweep, key=lambda other: off(each, other))
        back = min(survey, key=lambda other: off(nearest, other))
        if back is each and off(each, nearest) < _SAME_MODE:
            found[id(each)] = nearest
    return found


def _groups(report: Report, of: AxisRuns, chains: list[_Chain]) -> list[list[_Chain]]:
    """Chains of the same mode together: by the nearest mode of the axis."""
    places = sorted(mode.place_hz for mode in report.modes if mode.axis == of.axis and mode.place_hz > 0)

    def key(chain: _Chain) -> float:
        hertz = chain.seen.frequency_hz
        return min(places, key=lambda place: abs(math.log(place / hertz)), default=hertz)

    groups: dict[float, list[_Chain]] = {}
    for chain in sorted(chains, key=key):
        groups.setdefault(key(chain), []).append(chain)
    return list(groups.values())


def _label(group: Sequence[_Chain], language: Language) -> str:
    numbers = {each.mode for chain in group for each in (chain.survey, chain.sweep, chain.after) if each}
    named = next((each for each in numbers if each is not None), None)
    if named is not None:
        return str(named)
    return f"{language.numbers.significant(group[0].seen.frequency_hz, 3)} Hz"


def _row(report: Report, of: AxisRuns, chain: _Chain, label: str, language: Language) -> ModeRow:
    absent, shift = language.numbers.ABSENT, chain.shift
    frequency = amplification = (absent, absent)
    if shift is not None:
        frequency = change(shift.frequency_shift, shift.frequency_shift_std, report, language)
        amplification = change(shift.amplification_shift, shift.amplification_shift_std, report, language)
    cells = {
        "survey": _cell(report, of.survey or of.lead, chain.channel, chain.survey, language),
        "sweep": _cell(report, of.sweep, chain.channel, chain.sweep, language),
        "after": _cell(report, of.after, chain.channel, chain.after, language),
    }
    return ModeRow(
        label=label,
        channel=chain.channel,
        survey=cells["survey"],
        sweep=cells["sweep"],
        after=cells["after"],
        shift=frequency[0],
        shift_u=frequency[1],
        change=amplification[0],
        change_u=amplification[1],
        remark=unpaired(report, shift, language) if shift is not None else "",
        response=cells[_lead_name(of)].response,
    )


def _cell(report: Report, run: RunResult | None, channel: str, each: Resonance | None, language: Language) -> Cell:
    absent, of = language.numbers.ABSENT, _channel(run, channel)
    if run is None or each is None or of is None:
        return Cell(frequency=absent, amplification=absent, anchor="")
    number = 1 + next((n for n, other in enumerate(of.resonances) if other is each), 0)
    row = resonance(run, of, each, number, report.job.report.confidence, language)
    response, size = each.observed.response_mps2, control_unit_of(report, run)[1]
    return Cell(
        frequency=row.frequency,
        amplification=row.amplification,
        anchor=row.anchor,
        response="" if response is None else language.numbers.significant(response / size, 3),
    )


def control_unit_of(report: Report, run: RunResult) -> tuple[str, float]:
    """Unit that the control of a run is printed in, and its size in m/s²."""
    plan = report.job.run(run.id)
    return control_unit(report.job.profile(plan.profile if plan else None))
