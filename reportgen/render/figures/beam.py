"""Drawings of a beam's modes: where it moves and where it does not, and the ladder of its frequencies."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from reportgen.records.result import Mode, ModePicture
from reportgen.render.figures.canvas import (
    FONT,
    GRID,
    INK,
    MIDDLE,
    PETROL,
    QUIET,
    RUST,
    WIDTH,
    Axis,
    blank,
    spread,
)
from reportgen.render.figures.plot import Drawing
from reportgen.render.figures.svg import Svg, coordinate, dashes
from reportgen.render.names import anchor
from reportgen.render.numbers import Numbers
from reportgen.render.words import Words

_ROW, _KEY, _SIDE = 46.0, 26.0, 104.0
_DASH = (4.0, 1.8)
_RING = {"fill": "#ffffff", "stroke": PETROL, "stroke_width": "1.1"}
_CROSS = {"stroke": RUST, "stroke_width": "1.5"}
_EXPECTED = {"fill": "none", "stroke": INK, "stroke_width": "0.9", **dashes(_DASH, 0.9)}
_ALONG = Axis(-0.03, 1.03, "linear", _SIDE, WIDTH - 16.0)


@dataclass(frozen=True, slots=True)
class _Row:
    """One mode's strip: fractions of the beam's length across, deflection from its line up."""

    svg: Svg
    middle: float

    def line(self, points: Sequence[tuple[float, float]], **look: str) -> None:
        self.svg.line([(_ALONG.at(along), self.up(value)) for along, value in points], **look)

    def up(self, value: float) -> float:
        return self.middle - value * (_ROW - 8.0) / 2.67


def draw_beam(axis: str | None, pictures: Sequence[ModePicture], words: Words, numbers: Numbers) -> Drawing:
    """One row a mode: expected shape dashed, its nodes as rings, observed nodes as crosses, sensors as triangles."""
    height = _ROW * len(pictures) + _KEY + 10.0
    listed = ", ".join(str(picture.mode) for picture in pictures)
    alt = words.say("Expected shapes of modes %(list)s along the beam, with nodes, antinodes and sensors.", list=listed)
    key = anchor("fig-beam", axis or "all")
    svg = blank(key, alt, height)
    for index, picture in enumerate(pictures):
        row = _Row(svg, 6.0 + _ROW * index + (_ROW - 8.0) * 0.58)
        _draw_mode(row, picture)
        _mode_caption(row, picture, words, numbers)
    _beam_key(svg, height - _KEY / 2, words)
    return Drawing(key=key, alt=alt, svg=svg.text_of())


def _draw_mode(row: _Row, picture: ModePicture) -> None:
    shape = list(zip(picture.x.tolist(), picture.shape.tolist(), strict=True))
    row.line([(x, -y) for x, y in shape], fill="none", stroke=GRID, stroke_width="0.6")
    row.line([(0.0, 0.0), (1.0, 0.0)], stroke=GRID, stroke_width="3.2")
    row.line(shape, **_EXPECTED)
    for place in picture.antinodes:
        row.line([(place, -0.24), (place, 0.24)], stroke=QUIET, stroke_width="0.8")
    for end, place in zip(picture.boundary.split("-"), (0.0, 1.0), strict=True):
        _draw_end(row, end, place)
    for place in picture.nodes:
        row.svg.symbol("disc", _ALONG.at(place), row.up(0.0), 5.2, **_RING)
    for place in picture.observed:
        row.svg.symbol("cross", _ALONG.at(place), row.up(0.0), 5.4, **_CROSS)
    for name, place in picture.sensors:
        x, y = _ALONG.at(place), row.up(1.28)
        row.svg.symbol("down", x, y, 4.2)
        row.svg.text(x - 4.5, y + 2.2, name, "end", font_size=coordinate(FONT - 1.0))


def _draw_end(row: _Row, kind: str, place: float) -> None:
    """What holds this end: a block where it is clamped, a wedge where it is pinned."""
    x = _ALONG.at(place)
    if kind == "clamped":
        row.svg.box(x - 8.0 if place == 0.0 else x, row.up(0.75), 8.0, row.up(-0.75) - row.up(0.75))
    elif kind == "pinned":
        row.svg.symbol("up", x, row.up(-0.28), 6.0)


def _mode_caption(row: _Row, picture: ModePicture, words: Words, numbers: Numbers) -> None:
    hertz = "" if picture.frequency_hz is None else f"{numbers.significant(picture.frequency_hz, 4)} Hz"
    count = len(picture.nodes)
    nodes = words.say("1 node") if count == 1 else words.say("%(n)s nodes", n=str(count))
    name = words.say("Mode %(n)s", n=str(picture.mode))
    row.svg.text(2.0, row.middle - 6.2, name, font_size=coordinate(FONT + 0.8), font_weight="600")
    row.svg.text(2.0, row.middle + 3.7, hertz)
    row.svg.text(2.0, row.middle + 12.9, nodes, fill=QUIET)


def _beam_key(svg: Svg, y: float, words: Words) -> None:
    x, step = 6.0, WIDTH / 5
    svg.line([(x, y), (x + 16.0, y)], **_EXPECTED)
    svg.symbol("disc", x + step + 10.0, y, 5.2, **_RING)
    svg.symbol("cross", x + 2 * step + 10.0, y, 5.4, **_CROSS)
    svg.line([(x + 3 * step + 10.0, y - 4.0), (x + 3 * step + 10.0, y + 4.0)], stroke=QUIET, stroke_width="0.8")
    svg.symbol("down", x + 4 * step + 10.0, y, 4.2)
    for index, name in enumerate(("expected shape", "expected node", "node as observed", "antinode", "sensor")):
        svg.text(x + index * step + 21.0, y + MIDDLE, words.say(name))


def draw_ladder(axis: str | None, modes: Sequence[Mode], words: Words, numbers: Numbers) -> Drawing:
    """Modes over frequency: one line for the log, one for the notes, one for beam theory, so that a gap is seen."""
    height, top, bottom = 128.0, 34.0, 96.0
    alt = words.say("Modes along the frequency axis, as seen in the log and the notes and as beam theory expects them.")
    key = anchor("fig-ladder", axis or "all")
    svg = blank(key, alt, height)
    hertz = [mode.frequency_hz for mode in modes] + [mode.expected_hz for mode in modes if mode.expected_hz]
    along = Axis(min(hertz) / 1.2, max(hertz) * 1.2, "log", _SIDE, WIDTH - 20.0)
    step = (bottom - top) / 3
    for index, name in enumerate(("log", "notes", "beam theory")):
        y = top + (index + 0.5) * step
        svg.line([(along.start, y), (along.end, y)], stroke=GRID, stroke_width="0.8")
        svg.text(2.0, y + MIDDLE, words.say(name))
    for mode in modes:
        _ladder_rung(svg, mode, along, top, bottom)
    _ladder_names(svg, modes, numbers, along, top, bottom)
    svg.text(2.0, top - 7.0, words.say("Mode"), fill=QUIET)
    svg.text(2.0, bottom + 14.0, "f / Hz", fill=QUIET)
    return Drawing(key=key, alt=alt, svg=svg.text_of())


def _ladder_rung(svg: Svg, mode: Mode, along: Axis, top: float, bottom: float) -> None:
    x, step = along.at(mode.frequency_hz), (bottom - top) / 3
    colour = RUST if mode.missing else PETROL
    dash = dashes(_DASH if mode.missing else (), 0.7)
    svg.line([(x, top), (x, bottom)], stroke=colour, stroke_width="0.7", **dash)
    if "log" in mode.seen_in:
        svg.symbol("disc", x, top + 0.5 * step, 5.2, fill=PETROL)
    if "notes" in mode.seen_in:
        svg.symbol("square", x, top + 1.5 * step, 4.8, fill=PETROL)
    if mode.expected_hz:
        look = {"fill": "#ffffff", "stroke": colour, "stroke_width": "1"}
        svg.symbol("diamond", along.at(mode.expected_hz), top + 2.5 * step, 4.6, **look)


def _ladder_names(svg: Svg, modes: Sequence[Mode], numbers: Numbers, along: Axis, top: float, bottom: float) -> None:
    """Mode numbers above and frequencies below, moved apart where they would meet, each tied to its rung."""
    rungs = [along.at(mode.frequency_hz) for mode in modes]
    above, below = (spread(rungs, distance, along.start, WIDTH - 13.0) for distance in (15.0, 29.0))
    for mode, rung, head, foot in zip(modes, rungs, above, below, strict=True):
        colour, weight = (RUST, "400") if mode.missing else (INK, "600")
        name = "–" if mode.mode is None else str(mode.mode)
        tie = {"fill": "none", "stroke": QUIET, "stroke_width": "0.5"}
        svg.line([(rung, top), (head, top - 4.3)], **tie)
        svg.line([(rung, bottom), (foot, bottom + 6.2)], **tie)
        written = f"({name})" if mode.missing else name
        svg.text(head, top - 7.0, written, "middle", fill=colour, font_weight=weight)
        svg.text(foot, bottom + 14.0, numbers.significant(mode.frequency_hz, 4), "middle", fill=colour)
