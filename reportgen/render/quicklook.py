"""A quick look at one bare log: a table for the terminal and one HTML page with the curves."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

from reportgen.records.finding import Finding
from reportgen.records.identified_fact import FactCode
from reportgen.records.job import Job, Party, ReportIdentity, Specimen
from reportgen.records.log import Log, SweepLog
from reportgen.records.message import Message, Said
from reportgen.records.result import RunResult
from reportgen.render.catalogue import said
from reportgen.render.document import Document, gallery
from reportgen.render.figures.canvas import blank, finish, sketch
from reportgen.render.figures.drawings import Drawings, backbones
from reportgen.render.fonts import GlyphCheck, characters
from reportgen.render.html import screen_page
from reportgen.render.names import anchor
from reportgen.render.numbers import Numbers
from reportgen.render.rows.input import finding
from reportgen.render.rows.language import Language, Row
from reportgen.render.rows.resonance import (
    height_name,
    nothing_found,
    resonance_rows,
    steady_state_sentence,
    sweep_sentence,
    unexplained_rows,
)
from reportgen.render.rows.run import quality, sweep_facts
from reportgen.render.terminal import finding_lines

CONFIDENCE = 0.95
_COLUMNS = ("channel", "frequency Hz ± 95 %", "Q", "damping %", "amplification", "phase deg", "peak read %")


def quicklook_lines(run: RunResult, controls: Sequence[str], findings: Sequence[Finding]) -> tuple[str, ...]:
    """The resonance table as lines of text, after the findings and what the sweep was."""
    numbers = Numbers("en")
    assumed = steady_state_sentence((run,), Language.of("en", _templates()))
    lines = [*([assumed] if assumed else []), *finding_lines(findings)]
    if run.sweep is not None:
        sweep = run.sweep
        rate = f", {numbers.significant(sweep.rate, 4)} {sweep.rate_unit}" if sweep.rate is not None else ""
        low, high = numbers.plain(sweep.lowest_hz), numbers.plain(sweep.highest_hz)
        lines.append(
            f"control {_named(controls, 'average')}, {sweep.rows} rows, {low} – {high} Hz {sweep.direction}{rate}"
        )
    if run.decay:
        lines.append(f"free decay, {len(run.decay)} channel{'s' * (len(run.decay) != 1)}")
    rows = [
        _terminal_row(channel.id, row)
        for channel in run.channels
        for row in resonance_rows(run, channel, CONFIDENCE, Language.of("en", _templates()))
    ]
    if not rows:
        return (*lines, *_nothing_found(run), *_of_record(run), *_unexplained(run))
    table = [_COLUMNS, *rows]
    widths = [max(len(row[i]) for row in table) for i in range(len(_COLUMNS))]
    lines += ["  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True)) for row in table]
    return (*lines, *_of_modes(run), *_of_record(run), *_unexplained(run))


def _nothing_found(run: RunResult) -> list[str]:
    """What was looked at, channel by channel, and why there is no resonance."""
    language = Language.of("en", _templates())
    told = [nothing_found(channel, language) for channel in run.channels]
    return ["no resonance found", *(told or ["the log has no response beside its control"])]


def _of_record(run: RunResult) -> list[str]:
    """What was found out about a record without a sweep, and about its modes, each said once."""
    if run.sweep is not None:
        return []
    told = [
        f"{each.frequency_hz:.6g} Hz: {said(flag)}"
        for channel in run.channels
        for each in channel.resonances
        for flag in each.flags
    ]
    return list(dict.fromkeys((*told, *map(said, run.flags))))


def _unexplained(run: RunResult) -> list[str]:
    """A line for every peak that nothing explains."""
    language = Language.of("en", _templates())
    return [
        f"unexplained: a peak of {row['channel']} at {row['frequency']} Hz, {row['magnitude']} over control, "
        f"{row['height']} times the noise: {row['why']}"
        for channel in run.channels
        for row in unexplained_rows(channel, language)
    ]


def _of_modes(run: RunResult) -> list[str]:
    """What the run asked for, and which modes follow their level, each said once."""
    asked = (FactCode.COMPLEX_RESIDUES, FactCode.MISFIT_SHARE, FactCode.SEARCH_BROKEN_OFF)
    language = Language.of("en", _templates())
    told = [language.sentence(text) for fact, text in zip(run.facts, run.flags, strict=False) if fact.code in asked]
    for channel in run.channels:
        for each in channel.resonances:
            if each.backbone is not None:
                low, high = each.backbone.q_range
                f_low, f_high = each.backbone.frequency_range_hz
                told.append(
                    f"{each.frequency_hz:.5g} Hz depends on level: {f_low:.5g} to {f_high:.5g} Hz and Q {low:.3g} to "
                    f"{high:.3g} between {each.backbone.levels[0]:.3g} and {each.backbone.levels[-1]:.3g} "
                    f"{each.backbone.unit} at {each.backbone.channel}"
                )
    return list(dict.fromkeys(told))


def _terminal_row(channel: str, row: Row) -> tuple[str, ...]:
    frequency = f"{row['frequency']} ± {row['frequency_u']}" if row["frequency_u"] != "–" else str(row["frequency"])
    frequency += " ?" if row["doubtful"] else ""
    return channel, frequency, row["q"], row["damping"], row["amplification"], row["phase"], row["reduction"]


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
    context = check.all(_context(run, log, controls, findings, spoken, software))
    drawings = gallery([sketch(plot, spoken.numbers) for plot in plots], check)
    document = Document(spoken, "A4", context, drawings, {})
    return screen_page(document, "quicklook.html.j2", templates, None)


def _named(controls: Sequence[str], average: str) -> str:
    return ", ".join(controls) + (f" ({average})" if len(controls) > 1 else "")


def _no_job(path: str) -> Job:
    """A job that states nothing, for a log that stands alone."""
    nobody, nothing = Party(name=""), Specimen(name="")
    identity = ReportIdentity(number=path, title=path, date=date.min)
    return Job(folder=Path(), file=Path(), report=identity, laboratory=nobody, customer=nobody, specimen=nothing)


def _context(
    run: RunResult, log: Log, controls: Sequence[str], findings: Sequence[Finding], language: Language, software: str
) -> Row:
    say = language.say
    keys = {channel.id: anchor("fig", run.id, channel.id) for channel in run.channels if len(channel.magnitude) > 1}
    keys |= {curve.channel: anchor("fig", run.id, "decay", curve.channel) for curve in run.decay}
    layout = language.sentence(log.layout) if log.layout else None
    skipped = log.rows_skipped if isinstance(log, SweepLog) else ()
    has_control = run.control is not None and len(run.control.frequency_hz) > 1
    return {
        "language": language.words.language,
        "paper": "A4",
        "report": {
            "number": log.path,
            "revision": "",
            "title": say("Quick look"),
            "software": software,
            "date_iso": "",
        },
        "laboratory": {"name": software},
        "facts": language.pairs(
            ("File", log.path),
            ("Layout", layout),
            ("Control", _named(controls, say("average"))),
        )
        + (sweep_facts(run.sweep, language) if run.sweep else [])
        + language.pairs(("Lines skipped", ", ".join(map(str, skipped[:40])) if skipped else None)),
        "remarks": [_as_written(each, language) for each in log.remarks],
        "assumed": steady_state_sentence((run,), language),
        "run": {
            "id": run.id,
            "anchor": anchor("run", run.id),
            "is_decay": bool(run.decay),
            "method": language.whole(run.method),
            "sentence": sweep_sentence(run, language),
            "remarks": language.sentences(run.flags),
            "backbones": [anchor("fig", run.id, "backbone", n) for n in range(1, len(backbones(run)) + 1)],
            "unexplained": [row for channel in run.channels for row in unexplained_rows(channel, language)],
        },
        "control_figure": anchor("fig", run.id, "control") if has_control else "",
        "channels": [
            {
                "id": channel.id,
                "figure": keys.get(channel.id, ""),
                "rows": resonance_rows(run, channel, CONFIDENCE, language),
                "height": height_name(channel, language),
                "nothing": nothing_found(channel, language),
                "remarks": language.sentences(channel.flags),
            }
            for channel in run.channels
        ],
        "quality": [quality(issue, run.id, language) for issue in run.quality],
        "findings": [finding(each, language) for each in findings],
    }


def _as_written(text: Said, language: Language) -> str:
    """What the log itself says, letter for letter; what was found of it, in words."""
    return language.sentence(text) if isinstance(text, Message) else text
