"""Drawings of a beam's modes: where it moves and where it does not, and the ladder of its frequencies."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial
from typing import Any

from reportgen.records.result import Mode, ModePicture
from reportgen.render.figures.canvas import FONT, GRID, INK, PETROL, QUIET, RUST, WIDTH, blank, finish, spread
from reportgen.render.figures.plot import Drawing, Sketch
from reportgen.render.names import anchor
from reportgen.render.numbers import Numbers
from reportgen.render.words import Words

_ROW, _KEY, _SIDE = 46.0, 26.0, 104.0
_DASH = (0, (4.0, 1.8))
_LADDER = 128.0
"""Height of the ladder, in points."""


def sketch_beam(axis: str | None, pictures: Sequence[ModePicture], words: Words, numbers: Numbers) -> Sketch:
    """One row a mode: expected shape dashed, its nodes as rings, observed nodes as crosses, sensors as triangles."""
    key, height = anchor("fig-beam", axis or "all"), _ROW * len(pictures) + _KEY + 10.0
    listed = ", ".join(str(picture.mode) for picture in pictures)
    alt = words.say("Expected shapes of modes %(list)s along the beam, with nodes, antinodes and sensors.", list=listed)
    draw = partial(_draw_beam, key, alt, height, pictures, words, numbers)
    return Sketch(key=key, alt=alt, width=WIDTH, height=height, draw=draw)


def _draw_beam(
    key: str, alt: str, height: float, pictures: Sequence[ModePicture], words: Words, numbers: Numbers
) -> Drawing:
    figure = blank(height)
    for index, picture in enumerate(pictures):
        bottom = height - 6.0 - _ROW * (index + 1)
        box = (_SIDE / WIDTH, bottom / height, (WIDTH - _SIDE - 16.0) / WIDTH, (_ROW - 8.0) / height)
        axes = figure.add_axes(box)
        axes.set_axis_off()
        axes.set_xlim(-0.03, 1.03)
        axes.set_ylim(-1.12, 1.55)
        _draw_mode(axes, picture)
        _mode_caption(axes, picture, words, numbers)
    _beam_key(figure, height, words)
    return finish(figure, key, alt)


def _draw_mode(axes: Any, picture: ModePicture) -> None:
    axes.plot([0, 1], [0, 0], color=GRID, linewidth=3.2, solid_capstyle="butt", zorder=1)
    axes.plot(picture.x, picture.shape, color=INK, linewidth=0.9, linestyle=_DASH, zorder=2)
    axes.plot(picture.x, -picture.shape, color=GRID, linewidth=0.6, zorder=1.5)
    for end, place in zip(picture.boundary.split("-"), (0.0, 1.0), strict=True):
        if end == "clamped":
            out = -0.022 if place == 0.0 else 0.022
            axes.fill([place, place + out, place + out, place], [-0.75, -0.75, 0.75, 0.75], color=INK, zorder=3)
        elif end == "pinned":
            axes.plot([place], [-0.28], marker="^", markersize=6, color=INK, zorder=3)
    for place in picture.antinodes:
        axes.plot([place, place], [-0.24, 0.24], color=QUIET, linewidth=0.8, zorder=2.5)
    axes.plot(
        picture.nodes,
        [0.0] * len(picture.nodes),
        "o",
        markersize=5.2,
        markerfacecolor="white",
        markeredgecolor=PETROL,
        markeredgewidth=1.1,
        linestyle="none",
        zorder=4,
    )
    axes.plot(
        picture.observed,
        [0.0] * len(picture.observed),
        "x",
        markersize=5.4,
        markeredgecolor=RUST,
        markeredgewidth=1.5,
        linestyle="none",
        zorder=5,
    )
    for name, place in picture.sensors:
        axes.plot([place], [1.28], marker="v", markersize=4.2, color=INK, zorder=4)
        axes.text(place - 0.012, 1.28, name, fontsize=FONT - 1.4, ha="right", va="center", color=INK, parse_math=False)


def _mode_caption(axes: Any, picture: ModePicture, words: Words, numbers: Numbers) -> None:
    width = WIDTH - _SIDE - 16.0
    left = -(_SIDE - 2.0) / width
    axes.text(
        left,
        0.62,
        words.say("Mode %(n)s", n=str(picture.mode)),
        transform=axes.transAxes,
        fontsize=FONT + 0.8,
        fontweight="bold",
        color=INK,
        va="center",
        parse_math=False,
    )
    hertz = "" if picture.frequency_hz is None else f"{numbers.significant(picture.frequency_hz, 4)} Hz"
    axes.text(left, 0.36, hertz, transform=axes.transAxes, fontsize=FONT, color=INK, va="center", parse_math=False)
    count = len(picture.nodes)
    nodes = words.say("1 node") if count == 1 else words.say("%(n)s nodes", n=str(count))
    axes.text(left, 0.12, nodes, transform=axes.transAxes, fontsize=FONT, color=QUIET, va="center", parse_math=False)


def _beam_key(figure: Any, height: float, words: Words) -> None:
    axes = figure.add_axes((0.0, 0.0, 1.0, _KEY / height))
    axes.set_axis_off()
    axes.set_xlim(0, WIDTH)
    axes.set_ylim(0, _KEY)
    y, x, step = _KEY / 2, 6.0, WIDTH / 5
    axes.plot([x, x + 16], [y, y], color=INK, linewidth=0.9, linestyle=_DASH)
    axes.plot(
        [x + step + 10], [y], "o", markersize=5.2, markerfacecolor="white", markeredgecolor=PETROL, markeredgewidth=1.1
    )
    axes.plot([x + 2 * step + 10], [y], "x", markersize=5.4, markeredgecolor=RUST, markeredgewidth=1.5)
    axes.plot([x + 3 * step + 10] * 2, [y - 4, y + 4], color=QUIET, linewidth=0.8)
    axes.plot([x + 4 * step + 10], [y], "v", markersize=4.2, color=INK)
    named = ("expected shape", "expected node", "node as observed", "antinode", "sensor")
    for index, name in enumerate(named):
        axes.text(
            x + index * step + 21, y, words.say(name), fontsize=FONT - 0.4, va="center", color=INK, parse_math=False
        )


def sketch_ladder(axis: str | None, modes: Sequence[Mode], words: Words, numbers: Numbers) -> Sketch:
    """Modes over frequency: one line for the log, one for the notes, one for beam theory, so that a gap is seen."""
    key = anchor("fig-ladder", axis or "all")
    alt = words.say("Modes along the frequency axis, as seen in the log and the notes and as beam theory expects them.")
    draw = partial(_draw_ladder, key, alt, modes, words, numbers)
    return Sketch(key=key, alt=alt, width=WIDTH, height=_LADDER, draw=draw)


def _draw_ladder(key: str, alt: str, modes: Sequence[Mode], words: Words, numbers: Numbers) -> Drawing:
    height = _LADDER
    figure = blank(height)
    axes = figure.add_axes((_SIDE / WIDTH, 32.0 / height, (WIDTH - _SIDE - 20.0) / WIDTH, (height - 66.0) / height))
    hertz = [mode.place_hz for mode in modes] + [mode.expected_hz for mode in modes if mode.expected_hz]
    low, high = math.log10(min(hertz)) - 0.08, math.log10(max(hertz)) + 0.08
    axes.set_xlim(low, high)
    axes.set_ylim(-0.5, 2.5)
    axes.set_axis_off()
    for name, y in (("log", 2.0), ("notes", 1.0), ("beam theory", 0.0)):
        axes.plot([low, high], [y, y], color=GRID, linewidth=0.8, zorder=0.5)
        axes.text(
            -(_SIDE - 2.0) / (WIDTH - _SIDE - 20.0),
            (y + 0.5) / 3.0,
            words.say(name),
            transform=axes.transAxes,
            fontsize=FONT,
            color=INK,
            va="center",
            parse_math=False,
        )
    for mode in modes:
        _ladder_rung(axes, mode)
    _ladder_labels(axes, modes, words, numbers, low, high)
    return finish(figure, key, alt)


def _ladder_rung(axes: Any, mode: Mode) -> None:
    x = math.log10(mode.place_hz)
    colour = RUST if mode.missing else PETROL
    axes.plot([x, x], [-0.5, 2.5], color=colour, linewidth=0.7, linestyle=_DASH if mode.missing else "solid", zorder=1)
    if "log" in mode.seen_in:
        axes.plot([x], [2.0], "o", markersize=5.2, color=PETROL, zorder=3)
    if "notes" in mode.seen_in:
        axes.plot([x], [1.0], "s", markersize=4.8, color=PETROL, zorder=3)
    if mode.expected_hz:
        axes.plot(
            [math.log10(mode.expected_hz)],
            [0.0],
            "d",
            markersize=5.2,
            markerfacecolor="white",
            markeredgecolor=colour,
            markeredgewidth=1.0,
            zorder=3,
        )


def _ladder_labels(axes: Any, modes: Sequence[Mode], words: Words, numbers: Numbers, low: float, high: float) -> None:
    """Mode numbers above and frequencies below, moved apart where they would meet, each tied to its rung."""
    width = WIDTH - _SIDE - 20.0
    wanted = [(math.log10(mode.place_hz) - low) / (high - low) for mode in modes]
    above, below = (spread(wanted, distance / width, 0.0, 1.02) for distance in (15.0, 29.0))
    for mode, rung, top, foot in zip(modes, wanted, above, below, strict=True):
        colour, weight = (RUST, "normal") if mode.missing else (INK, "bold")
        name = "–" if mode.mode is None else str(mode.mode)
        _tied(axes, (rung, 1.0), (top, 1.07), f"({name})" if mode.missing else name, colour, weight)
        noted = mode.frequency_hz is not None and "log" not in mode.seen_in
        shown = numbers.noted(mode.place_hz, mode.resolution_hz) if noted else numbers.significant(mode.place_hz, 4)
        _tied(axes, (rung, 0.0), (foot, -0.10), f"({shown})" if mode.missing else shown, colour, "normal")
    for text, place, side in ((words.say("Mode"), 1.09, "bottom"), ("f / Hz", -0.12, "top")):
        left = -(_SIDE - 2.0) / width
        axes.text(left, place, text, transform=axes.transAxes, fontsize=FONT, ha="left", va=side, color=QUIET)


def _tied(
    axes: Any, rung: tuple[float, float], label: tuple[float, float], text: str, colour: str, weight: str
) -> None:
    """A label above or below a rung, with a thin line to it; places in axes units."""
    line = ([rung[0], label[0]], [rung[1], label[1]])
    axes.plot(*line, transform=axes.transAxes, color=QUIET, linewidth=0.5, clip_on=False, zorder=0.6)
    side, gap = ("bottom", 0.02) if label[1] > rung[1] else ("top", -0.02)
    style = {"fontsize": FONT, "fontweight": weight, "color": colour, "parse_math": False}
    axes.text(label[0], label[1] + gap, text, transform=axes.transAxes, ha="center", va=side, **style)
