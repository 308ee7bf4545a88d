"""Modes as rows: number, nodes, where it was seen, and beam theory beside it as a witness."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from reportgen.records.result import BeamFit, Mode
from reportgen.records.rounding import coverage_factor
from reportgen.render.names import anchor
from reportgen.render.rows.language import Fact, Language
from reportgen.render.rows.resonance import measured


@dataclass(frozen=True, slots=True, kw_only=True)
class ModeShown:
    """A mode from logs and notes together."""

    number: str
    anchor: str
    nodes: str
    frequency: str
    frequency_u: str
    q: str
    q_u: str
    damping: str
    damping_u: str
    motion: str
    seen: str
    places: str
    expected_places: str
    expected: str
    residual: str
    missing: bool
    notes: tuple[NoteLink, ...]
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteLink:
    """A line of the notes."""

    text: str
    anchor: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BeamFitRow:
    """Beam theory beside the modes of one axis."""

    axis: str
    facts: tuple[Fact, ...]
    remarks: tuple[str, ...]


def modes(
    found: Sequence[Mode], confidence: float, language: Language
) -> tuple[tuple[ModeShown, ...], tuple[str, ...]]:
    """Rows of the modes of one axis, and what is remarked of several of them, once, with their numbers."""
    rows = [mode(each, confidence, language) for each in found]
    remarked = [text for row in rows for text in row.remarks]
    shared = [text for text in dict.fromkeys(remarked) if remarked.count(text) > 1]
    told = [f"{', '.join(_called(row, language) for row in rows if text in row.remarks)}: {text}" for text in shared]
    own = (replace(row, remarks=tuple(text for text in row.remarks if text not in shared)) for row in rows)
    return tuple(own), tuple(told)


def _called(row: ModeShown, language: Language) -> str:
    if row.number != language.numbers.ABSENT:
        return language.say("mode %(n)s", n=row.number)
    return f"{row.frequency} Hz"


def mode(each: Mode, confidence: float, language: Language) -> ModeShown:
    """One mode; a number that was skipped is a row too."""
    numbers = language.numbers
    (frequency, frequency_u), (q, q_u), (damping, damping_u) = measured(each, coverage_factor(confidence), language)
    if "log" not in each.seen_in:
        frequency = numbers.noted(each.frequency_hz, each.resolution_hz)
    label = each.mode if each.mode is not None else numbers.plain(each.frequency_hz)
    residual = None if each.missing else each.residual
    where = " + ".join(language.say(source) for source in each.seen_in)
    return ModeShown(
        number=numbers.ABSENT if each.mode is None else str(each.mode),
        anchor=anchor("mode", each.axis or "all", label),
        nodes=numbers.ABSENT if each.nodes is None else str(each.nodes),
        frequency=frequency,
        frequency_u=frequency_u,
        q=q,
        q_u=q_u,
        damping=damping,
        damping_u=damping_u,
        motion=language.say(str(each.motion)) if each.motion else "",
        seen=language.say("not seen") if each.missing else where or numbers.ABSENT,
        places=", ".join(numbers.decimal(p, 3) for p in each.node_positions) or numbers.ABSENT,
        expected_places=", ".join(numbers.decimal(p, 3) for p in each.expected_positions) or numbers.ABSENT,
        expected=numbers.significant(each.expected_hz, 4),
        residual=numbers.ABSENT if residual is None else f"{numbers.signed(100 * residual, 2)}\u00a0%",
        missing=each.missing,
        notes=tuple([NoteLink(text=str(place), anchor=anchor("note", str(place))) for place in each.notes]),
        remarks=tuple(language.sentences(each.flags)),
    )


def beam_fit(fit: BeamFit, language: Language) -> BeamFitRow:
    """Beam theory held beside the modes of one axis."""
    numbers = language.numbers
    others = "; ".join(f"{language.term(name)} {numbers.percent(rms, 1)}" for name, rms in fit.alternatives)
    return BeamFitRow(
        axis=fit.axis or "",
        facts=tuple(
            language.pairs(
                ("Held as", language.term(fit.boundary)),
                ("Fitted frequency of mode 1", f"{numbers.significant(fit.scale_hz, 4)} Hz"),
                ("Mass at the end over mass of the beam", numbers.significant(fit.tip_mass_ratio, 3)),
                ("Residual, root mean square", numbers.percent(fit.rms_residual, 2)),
                ("Residual, worst", numbers.percent(fit.worst_residual, 2)),
                ("Other ends, residual", others),
            )
        ),
        remarks=tuple(language.sentences(fit.flags)),
    )
