"""Draws a plot: axes of fixed size, a quiet grid, names beside the lines, marks above them; same plot, same bytes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reportgen.records.log import Floats
from reportgen.render.figures.plot import Curve, Drawing, Mark, Panel, Plot
from reportgen.render.figures.reduce import points_to_draw, stretches, without_straight_points
from reportgen.render.figures.svg import Dash, Svg, coordinate, dashes
from reportgen.render.numbers import Numbers

WIDTH = 486.0
"""Points; figures are set to the full measure of the page, so this fixes only the size of their letters."""
LEFT, RIGHT = 44.0, 76.0
STRIP, GAP, FOOT, HEAD = 22.0, 14.0, 28.0, 6.0
FONT, SMALL = 7.6, 7.2
MIDDLE = 2.65
"""From the middle of a line of text down to its base line: half the height of a capital letter of this font."""
INK, QUIET, GRID = "#1d2a35", "#5d6b76", "#d5dbdf"
PETROL, RUST = "#0b5d73", "#b0421a"
_TOLERANCE = 0.06
"""Points by which a drawn curve may stray from the data's: a tenth of the thinnest line."""

STYLES: dict[str, tuple[str, float, Dash]] = {
    "required": ("#a9b4bc", 2.6, ()),
    "tolerance": (INK, 0.7, (4.0, 2.2)),
    "abort": (INK, 0.8, (1.0, 1.8)),
    "control": (PETROL, 1.0, ()),
    "recorded": (PETROL, 0.9, ()),
    "steady": (RUST, 1.0, (5.0, 2.0)),
    "before": (QUIET, 1.0, (4.0, 1.6)),
    "after": (PETROL, 1.0, ()),
    "shape": (INK, 1.2, (4.0, 1.6)),
    "envelope": (RUST, 0.9, (5.0, 2.0)),
    "floor": (QUIET, 0.7, (1.0, 2.0)),
}
"""Role to colour, width, dash. Every pair on one panel differs in dash or weight too, so that grey print reads."""


@dataclass(frozen=True, slots=True)
class Axis:
    """Data range and scale on one side, points of the page on the other."""

    low: float
    high: float
    scale: str
    start: float
    end: float

    def place(self, values: Floats) -> Floats:
        """Points of ``values``, shape (n,); NaN where a logarithmic axis has no place for them."""
        low, high = self.low, self.high
        if self.scale == "log":
            values = np.log10(np.where(values > 0, values, np.nan))
            low, high = math.log10(low), math.log10(high)
        return self.start + (values - low) / (high - low) * (self.end - self.start)

    def at(self, value: float) -> float:
        """Point of one value."""
        return float(self.place(np.array([value]))[0])

    def within(self, value: float) -> float:
        """Point of one value, moved to the nearer end where it lies outside."""
        first, last = sorted((self.start, self.end))
        place = self.at(value)
        return min(max(place, first), last) if math.isfinite(place) else self.start

    @property
    def ticks(self) -> list[float]:
        """Values to name: at 1, 2, 5 of a logarithmic axis while there is room, at even steps of a linear one."""
        most = max(3, round(abs(self.end - self.start) / (41.0 if self.start < self.end else 20.0)))
        if self.scale == "log" and self.high / self.low > 4.0:
            return _decade_ticks(self.low, self.high, most)
        return _even_ticks(self.low, self.high, most)


def draw(plot: Plot, numbers: Numbers) -> Drawing:
    """Draw ``plot``; ids in the SVG begin with its key, numbers on the axes are in the report's language."""
    strips = sum(STRIP for panel in plot.panels if panel.marks)
    height = HEAD + strips + sum(panel.height for panel in plot.panels) + GAP * (len(plot.panels) - 1) + FOOT
    svg = blank(plot.key, plot.alt, height)
    top, geometry = HEAD, []
    for index, panel in enumerate(plot.panels):
        top += STRIP if panel.marks else 0.0
        x = Axis(*plot.x_range, plot.x_scale, LEFT, WIDTH - RIGHT)
        y = Axis(*_y_range(panel, plot), panel.y_scale, top + panel.height, top)
        _draw_panel(svg, plot, panel, x, y, index, numbers)
        geometry.append(_geometry(plot, panel, x, y))
        top += panel.height + GAP
    return Drawing(key=plot.key, alt=plot.alt, svg=svg.text_of(), geometry=tuple(geometry))


def blank(key: str, alt: str, height: float) -> Svg:
    """An empty figure of the full measure, ``height`` in points."""
    return Svg(key, alt, WIDTH, height, INK, FONT)


def _decade_ticks(low: float, high: float, most: int) -> list[float]:
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    for mantissas in ((1, 2, 5), (1, 3), (1,)):
        ticks = [m * 10.0**d for d in decades for m in mantissas if low * 0.9999 <= m * 10.0**d <= high * 1.0001]
        if len(ticks) <= most:
            break
    return ticks[:: max(1, math.ceil(len(ticks) / most))]


def _even_ticks(low: float, high: float, most: int) -> list[float]:
    """Multiples of 1, 2, 2.5 or 5 times a power of ten.

    >>> _even_ticks(0.0, 2000.0, 9), _even_ticks(-0.4, 0.4, 4)
    ([0.0, 250.0, 500.0, 750.0, 1000.0, 1250.0, 1500.0, 1750.0, 2000.0], [-0.4, -0.2, 0.0, 0.2, 0.4])
    """
    rough = (high - low) / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(m * power for m in (1.0, 2.0, 2.5, 5.0, 10.0) if m * power >= rough * 0.9999)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [float(f"{n * step:.12g}") + 0.0 for n in range(first, last + 1)]


def _y_range(panel: Panel, plot: Plot) -> tuple[float, float]:
    if panel.y_range is not None:
        return panel.y_range
    seen = [_inside(curve, plot.x_range) for curve in panel.curves]
    values = np.concatenate([each[np.isfinite(each)] for each in seen]) if seen else np.array([])
    if panel.y_scale == "log":
        values = values[values > 0]
    if not len(values):
        return (0.1, 10.0) if panel.y_scale == "log" else (-1.0, 1.0)
    low, high = float(values.min()), float(values.max())
    if panel.y_scale == "log":
        low = max(low, high * 1e-5)
        return low / 1.3, max(high, low * 1.5) * 1.4
    room = 0.08 * (high - low) or abs(high) or 1.0
    return low - room, high + room


def _inside(curve: Curve, x_range: tuple[float, float]) -> Floats:
    return curve.y[(curve.x >= x_range[0]) & (curve.x <= x_range[1])]


def _draw_panel(svg: Svg, plot: Plot, panel: Panel, x: Axis, y: Axis, index: int, numbers: Numbers) -> None:
    """From back to front. What a script redraws when it zooms stands in groups of class ``home``."""
    last = index == len(plot.panels) - 1
    y_ticks = list(panel.y_ticks) if panel.y_ticks else y.ticks
    with svg.group(class_="home"):
        for low, high in panel.shaded:
            _shade(svg, x, y, low, high)
        grid = [((x.at(tick), y.start), (x.at(tick), y.end)) for tick in x.ticks]
        grid += [((x.start, y.at(tick)), (x.end, y.at(tick))) for tick in y_ticks]
        svg.segments(grid, fill="none", stroke=GRID, stroke_width="0.5")
        rules = [((x.start, y.at(rule)), (x.end, y.at(rule))) for rule in panel.rules]
        svg.segments(rules, fill="none", stroke=QUIET, stroke_width="0.7")
        _mark_lines(svg, panel, x, y)
    clip = svg.clip(f"box-{index}", x.start, y.end, x.end - x.start, y.start - y.end)
    with svg.group(clip_path=clip, fill="none"):
        for curve in sorted(panel.curves, key=lambda each: each.role != "required"):
            _draw_curve(svg, curve, x, y)
    svg.box(x.start, y.end, x.end - x.start, y.start - y.end, fill="none", stroke=QUIET, stroke_width="0.6")
    with svg.group(class_="home"):
        _name_ticks(svg, x, y, x.ticks if last else (), y_ticks, numbers)
        if last:
            svg.text((x.start + x.end) / 2, y.start + 21.4, plot.x_label, "middle")
        _name_marks(svg, panel, x, y)
    svg.upright(11.0, (y.start + y.end) / 2, panel.y_label)
    _name_curves(svg, plot, panel, y)


def _shade(svg: Svg, x: Axis, y: Axis, low: float, high: float) -> None:
    """A band that needs attention: outlined, so that it shows in grey too; never thinner than a line."""
    left, right = x.within(low), x.within(high)
    if right - left < 2.2:
        left, right = max(x.start, left - 1.1), min(x.end, right + 1.1)
    svg.box(left, y.end, right - left, y.start - y.end, fill="#f1d9cd", stroke=RUST, stroke_width="0.5")


def _name_ticks(
    svg: Svg, x: Axis, y: Axis, x_ticks: Sequence[float], y_ticks: Sequence[float], numbers: Numbers
) -> None:
    for tick in x_ticks:
        svg.text(x.at(tick), y.start + 9.8, numbers.plain(tick), "middle")
    for tick in y_ticks:
        svg.text(x.start - 4.0, y.at(tick) + MIDDLE, numbers.plain(tick), "end")


def _draw_curve(svg: Svg, curve: Curve, x: Axis, y: Axis) -> None:
    colour, width, dash = STYLES[curve.role]
    px, py = x.place(curve.x), y.place(curve.y)
    kept = points_to_draw(px, py)
    px, py = px[kept], py[kept]
    with svg.group(
        id=svg.id(f"curve-{curve.key}"), stroke=colour, stroke_width=coordinate(width), **dashes(dash, width)
    ):
        for part in stretches(px + py):
            drawn = part[without_straight_points(px[part], py[part], _TOLERANCE)]
            svg.line(list(zip(px[drawn].tolist(), py[drawn].tolist(), strict=True)))


def spread(wanted: Sequence[float], distance: float, low: float, high: float) -> list[float]:
    """Positions in the order of ``wanted`` that keep ``distance``, stay within bounds and move as little as they can.

    >>> spread([10.0, 11.0, 50.0], 8.0, 0.0, 100.0)
    [6.5, 14.5, 50.0]
    """
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    groups: list[tuple[float, int]] = []
    for i in order:
        centre, size = _bounded(wanted[i], 1, distance, low, high), 1
        while groups and groups[-1][0] + groups[-1][1] * distance / 2 > centre - size * distance / 2 + 1e-12:
            other, many = groups.pop()
            size += many
            centre = _bounded((other * many + centre * (size - many)) / size, size, distance, low, high)
        groups.append((centre, size))
    placed = [centre + (k - (size - 1) / 2) * distance for centre, size in groups for k in range(size)]
    result = [0.0] * len(wanted)
    for i, position in zip(order, placed, strict=True):
        result[i] = position
    return result


def _bounded(centre: float, size: int, distance: float, low: float, high: float) -> float:
    """Centre of a group of labels, moved so that the group lies within the bounds where it can."""
    half = (size - 1) * distance / 2
    return min(max(centre, low + half), max(high - half, low + half))


def _name_curves(svg: Svg, plot: Plot, panel: Panel, y: Axis) -> None:
    """Name every curve at its right end, each name with a short sample of its line."""
    named = [curve for curve in panel.curves if curve.labelled and np.isfinite(curve.y).any()]
    ends = [_right_end(curve, plot.x_range, y) for curve in named]
    left = WIDTH - RIGHT
    for curve, at in zip(named, spread(ends, 10.0, y.end + 5.0, y.start - 5.0), strict=True):
        colour, width, dash = STYLES[curve.role]
        sample = {"stroke": colour, "stroke_width": coordinate(width), **dashes(dash, width)}
        svg.line([(left + 4.0, at), (left + 18.0, at)], id=svg.id(f"sample-{curve.key}"), **sample)
        svg.text(left + 21.0, at + MIDDLE, curve.label, id=svg.id(f"label-{curve.key}"), font_size=coordinate(SMALL))


def _right_end(curve: Curve, x_range: tuple[float, float], y: Axis) -> float:
    """Where a curve leaves the panel: the middle of its last few values."""
    seen = _inside(curve, x_range)
    finite = seen[np.isfinite(seen)]
    return y.within(float(np.median(finite[-5:]))) if len(finite) else y.start


def _mark_places(panel: Panel, x: Axis) -> list[float]:
    """Where the marks' names stand, side by side."""
    widest = max((len(mark.text) for mark in panel.marks), default=0) * 0.55 * SMALL + 4.0
    return spread([x.within(mark.x) for mark in panel.marks], widest, x.start, x.end)


def _mark_lines(svg: Svg, panel: Panel, x: Axis, y: Axis) -> None:
    """A line from every mark's name down to its point, behind the curves."""
    for mark, place in zip(panel.marks, _mark_places(panel, x), strict=True):
        at = x.within(mark.x)
        line = [(at, y.within(mark.y)), (at, y.end), (place, y.end - STRIP + 12.0)]
        svg.line(line, fill="none", stroke=_mark_colour(mark), stroke_width="0.5")


def _name_marks(svg: Svg, panel: Panel, x: Axis, y: Axis) -> None:
    """Every mark on its point and its name in the strip above the panel."""
    for mark, place in zip(panel.marks, _mark_places(panel, x), strict=True):
        colour = _mark_colour(mark)
        face = "#ffffff" if mark.kind == "rejected" else colour
        shape = "diamond" if mark.kind == "worst" else "down"
        look = {"fill": face, "stroke": colour, "stroke_width": "0.8"}
        svg.symbol(shape, x.within(mark.x), y.within(mark.y), 4.0, **look)
        name = {"fill": colour, "font_size": coordinate(SMALL)}
        svg.text(place, y.end - STRIP + 9.2, mark.text, "middle", **name)


def _mark_colour(mark: Mark) -> str:
    return QUIET if mark.kind == "rejected" else RUST


def _geometry(plot: Plot, panel: Panel, x: Axis, y: Axis) -> dict[str, object]:
    return {
        "px": [x.start, x.end],
        "py": [y.start, y.end],
        "x": [x.low, x.high],
        "y": [y.low, y.high],
        "xscale": x.scale,
        "yscale": y.scale,
        "xlabel": plot.x_label,
        "ylabel": panel.y_label,
        "xunit": plot.x_unit,
        "yunit": panel.y_unit,
        "curves": [{"id": f"{plot.key}-curve-{c.key}", "label": c.label, "role": c.role} for c in panel.curves],
        "marks": [{"x": m.x, "y": m.y, "text": m.text, "kind": m.kind} for m in panel.marks],
    }
