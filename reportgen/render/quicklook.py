"""A quick look at one bare log: a table for the terminal and one HTML page with the curves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from reportgen.records.finding import Finding
from reportgen.records.identified_fact import FactCode
from reportgen.records.job import ControlStrategy, Job, Party, ReportIdentity, Specimen
from reportgen.records.log import Log, SweepLog
from reportgen.records.message import Message, message
from reportgen.records.result import Backbone, ChannelResult, RunResult, SweepFacts
from reportgen.render.catalogue import said
from reportgen.render.document import Document, gallery
from reportgen.render.figures.canvas import blank, finish, sketch
from reportgen.render.figures.drawings import Drawings, backbones
from reportgen.render.fonts import GlyphCheck, characters
from reportgen.render.html import screen_page
from reportgen.render.names import anchor
from reportgen.render.numbers import Numbers
from reportgen.render.rows.input import FindingRow, finding
from reportgen.render.rows.language import Fact, Language
from reportgen.render.rows.report_pages import ChannelShown, channel_shown
from reportgen.render.rows.resonance import (
    ResonanceRow,
    UnexplainedRow,
    nothing_found,
    resonance_rows,
    steady_state_sentence,
    sweep_sentence,
    unexplained_rows,
)
from reportgen.render.rows.run import QualityRow, quality, sweep_facts
from reportgen.render.terminal import finding_lines

CONFIDENCE = 0.95
_COLUMNS = (
    message("quicklook.column-channel"),
    message("quicklook.column-frequency", confidence=CONFIDENCE),
    message("quicklook.column-q"),
    message("quicklook.column-damping"),
    message("quicklook.column-amplification"),
    message("quicklook.column-phase"),
    message("quicklook.column-peak"),
)


def quicklook_lines(run: RunResult, controls: Sequence[str], findings: Sequence[Finding]) -> tuple[str, ...]:
    """The resonance table as lines of text, after the findings and what the sweep was."""
    assumed = steady_state_sentence((run,), _english())
    lines = [*([assumed] if assumed else []), *finding_lines(findings)]
    if run.sweep is not None:
        lines.append(_sweep_line(run.sweep, controls))
    if run.decay:
        lines.append(said(message("quicklook.decay", channels=len(run.decay))))
    rows = [
        _terminal_row(channel.id, row)
        for channel in run.channels
        for row in resonance_rows(run, channel, CONFIDENCE, _english())
    ]
    if not rows:
        return (*lines, *_nothing_found(run), *_of_record(run), *_unexplained(run))
    table = [tuple(map(said, _COLUMNS)), *rows]
    widths = [max(len(row[i]) for row in table) for i in range(len(_COLUMNS))]
    lines += ["  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True)) for row in table]
    return (*lines, *_of_modes(run), *_of_record(run), *_unexplained(run))


def _sweep_line(sweep: SweepFacts, controls: Sequence[str]) -> str:
    numbers = Numbers("en")
    rate = f", {numbers.significant(sweep.rate, 4)} {sweep.rate_unit}" if sweep.rate is not None else ""
    what = message(
        "quicklook.sweep",
        control=_named(controls, str(ControlStrategy.AVERAGE)),
        rows=sweep.rows,
        lowest_hz=sweep.lowest_hz,
        highest_hz=sweep.highest_hz,
        direction=sweep.direction,
    )
    return said(what) + rate


def _nothing_found(run: RunResult) -> list[str]:
    """What was looked at, channel by channel, and why there is no resonance."""
    told = [nothing_found(channel, _english()) for channel in run.channels]
    return [said(message("quicklook.nothing")), *(told or [said(message("quicklook.no-response"))])]


def _of_record(run: RunResult) -> list[str]:
    """What was found out about a record without a sweep, and about its modes, each said once."""
    if run.sweep is not None:
        return []
    told = [
        message("quicklook.of-mode", frequency_hz=each.frequency_hz, what=flag)
        for channel in run.channels
        for each in channel.resonances
        for flag in each.flags
    ]
    return [said(each) for each in dict.fromkeys((*told, *run.flags))]


def _unexplained(run: RunResult) -> list[str]:
    """A line for every peak that nothing explains."""
    return [
        said(
            message(
                "quicklook.unexplained",
                channel=row.channel,
                frequency=row.frequency,
                magnitude=row.magnitude,
                height=row.height,
                why=row.why,
            )
        )
        for channel in run.channels
        for row in unexplained_rows(channel, _english())
    ]


def _of_modes(run: RunResult) -> list[str]:
    """What the run asked for, and which modes follow their level, each said once."""
    asked = (FactCode.COMPLEX_RESIDUES, FactCode.MISFIT_SHARE, FactCode.SEARCH_BROKEN_OFF)
    told = [text for fact, text in zip(run.facts, run.flags, strict=False) if fact.code in asked]
    told += [
        _of_backbone(each.frequency_hz, each.backbone)
        for channel in run.channels
        for each in channel.resonances
        if each.backbone is not None
    ]
    return [said(each) for each in dict.fromkeys(told)]


def _of_backbone(frequency_hz: float, backbone: Backbone) -> Message:
    (lowest_hz, highest_hz), (lowest_q, highest_q) = backbone.frequency_range_hz, backbone.q_range
    return message(
        "quicklook.backbone",
        frequency_hz=frequency_hz,
        lowest_hz=lowest_hz,
        highest_hz=highest_hz,
        lowest_q=lowest_q,
        highest_q=highest_q,
        lowest=backbone.levels[0],
        highest=backbone.levels[-1],
        unit=backbone.unit,
        channel=backbone.channel,
    )


def _terminal_row(channel: str, row: ResonanceRow) -> tuple[str, ...]:
    frequency = f"{row.frequency} ± {row.frequency_u}" if row.frequency_u != "–" else str(row.frequency)
    frequency += " ?" if row.doubtful else ""
    return channel, frequency, row.q, row.damping, row.amplification, row.phase, row.reduction


def _english() -> Language:
    return Language.of("en", _templates())


def _templates() -> Path:
    from reportgen.resources import data_dir

    return data_dir("templates")


def load_drawing(templates: Path) -> None:
    """Load what drawing needs, while something else is waited for."""
    finish(blank(10.0), "first", "")
    characters(templates / "fonts")
    Language.of("en", templates)


def render_quicklook(
    run: RunResult,
    log: Log,
    controls: Sequence[str],
    findings: Sequence[Finding],
    *,
    templates: Path,
    software: str,
    language: str = "en",
) -> str:
    """One self-contained HTML page: what the log is, its curves, the resonance tables, the findings."""
    spoken = Language.of(language, templates)
    make = Drawings(spoken.words, spoken.numbers)
    plots = [make.response(run, channel) for channel in run.channels if len(channel.magnitude) > 1]
    plots += [make.decay(run, curve) for curve in run.decay]
    plots += [make.backbone(run, number, curve) for number, curve in enumerate(backbones(run), start=1)]
    if run.control is not None and len(run.control.frequency_hz) > 1:
        plots.insert(0, make.control(_no_job(log.path), run, run.control))
    check = GlyphCheck(characters(templates / "fonts"))
    pages: QuicklookPages = check.all(_pages(run, log, controls, findings, spoken, software))
    drawings = gallery([sketch(plot, spoken.numbers) for plot in plots], check)
    document = Document(spoken, "A4", date.min, pages, drawings, {})
    return screen_page(document, "quicklook.html.j2", templates, None, log.path)


def _named(controls: Sequence[str], average: str) -> str:
    return ", ".join(controls) + (f" ({average})" if len(controls) > 1 else "")


def _no_job(path: str) -> Job:
    """A job that states nothing, for a log that stands alone."""
    nobody, nothing = Party(name=""), Specimen(name="")
    identity = ReportIdentity(number=path, title=path, date=date.min)
    return Job(folder=Path(), file=Path(), report=identity, laboratory=nobody, customer=nobody, specimen=nothing)


@dataclass(frozen=True, slots=True, kw_only=True)
class LogIdentity:
    """What stands for the identity of a report: the log's name."""

    number: str
    title: str
    software: str
    revision: str = ""
    date_iso: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Maker:
    """Who made the page: the program."""

    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class QuicklookRun:
    """The one run of the log."""

    id: str
    anchor: str
    is_decay: bool
    method: str
    sentence: str
    remarks: tuple[str, ...]
    backbones: tuple[str, ...]
    unexplained: tuple[UnexplainedRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class QuicklookPages:
    """What the template of a quick look may print."""

    language: str
    paper: str
    report: LogIdentity
    laboratory: Maker
    facts: tuple[Fact, ...]
    remarks: tuple[str, ...]
    assumed: str
    run: QuicklookRun
    control_figure: str
    channels: tuple[ChannelShown, ...]
    quality: tuple[QualityRow, ...]
    findings: tuple[FindingRow, ...]


def _pages(
    run: RunResult, log: Log, controls: Sequence[str], findings: Sequence[Finding], language: Language, software: str
) -> QuicklookPages:
    has_control = run.control is not None and len(run.control.frequency_hz) > 1
    return QuicklookPages(
        language=language.words.language,
        paper="A4",
        report=LogIdentity(number=log.path, title=language.say("Quick look"), software=software),
        laboratory=Maker(name=software),
        facts=_facts(run, log, controls, language),
        remarks=tuple(language.sentences(log.remarks)),
        assumed=steady_state_sentence((run,), language),
        run=QuicklookRun(
            id=run.id,
            anchor=anchor("run", run.id),
            is_decay=bool(run.decay),
            method=language.whole(run.method) if run.method else "",
            sentence=sweep_sentence(run, language),
            remarks=tuple(language.sentences(run.flags)),
            backbones=tuple(anchor("fig", run.id, "backbone", n) for n in range(1, len(backbones(run)) + 1)),
            unexplained=tuple(row for channel in run.channels for row in unexplained_rows(channel, language)),
        ),
        control_figure=anchor("fig", run.id, "control") if has_control else "",
        channels=tuple(_channel(run, channel, language) for channel in run.channels),
        quality=tuple(quality(issue, run.id, language) for issue in run.quality),
        findings=tuple(finding(each, language) for each in findings),
    )


def _facts(run: RunResult, log: Log, controls: Sequence[str], language: Language) -> tuple[Fact, ...]:
    layout = language.sentence(log.layout) if log.layout else None
    skipped = log.rows_skipped if isinstance(log, SweepLog) else ()
    return (
        *language.pairs(
            ("File", log.path),
            ("Layout", layout),
            ("Control", _named(controls, language.term(ControlStrategy.AVERAGE))),
        ),
        *(sweep_facts(run.sweep, language) if run.sweep else ()),
        *language.pairs(("Lines skipped", ", ".join(map(str, skipped[:40])) if skipped else None)),
    )


def _channel(run: RunResult, channel: ChannelResult, language: Language) -> ChannelShown:
    figure = anchor("fig", run.id, channel.id) if len(channel.magnitude) > 1 else ""
    if any(curve.channel == channel.id for curve in run.decay):
        figure = anchor("fig", run.id, "decay", channel.id)
    return channel_shown(run, channel, figure, CONFIDENCE, language)
