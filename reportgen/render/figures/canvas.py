"""Draws a plot with matplotlib: fixed axes, a grid of one artist, direct labels, the same bytes for the same plot.

Automatic layout and minor ticks are what makes figures slow; neither is used (measured: 750 ms against 50 ms a figure).
"""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from reportgen.records.log import Floats
from reportgen.render.figures.plot import Curve, Drawing, Inset, Panel, Plot, Sketch, Wall
from reportgen.render.figures.reduce import corners, points_to_draw
from reportgen.render.figures.svg import clean_svg
from reportgen.render.numbers import Numbers

if TYPE_CHECKING:
    from matplotlib.figure import Figure

WIDTH = 486.0
"""Points; figures are set to the full measure of the page, so this fixes only the size of their letters."""
LEFT, RIGHT = 44.0, 76.0
STRIP, GAP, FOOT, HEAD = 22.0, 12.0, 26.0, 5.0
"""Points: strip of the marks above a panel, room between two panels, below the last and above the first."""
INSET, INSET_GAP, INSET_HEAD = 58.0, 26.0, 13.0
"""Height of an inset, the room between two of them, and that of the words above one, in points."""
FONT = 7.6
_FLOOR_SHOWN = 1.5
"""A logarithmic axis reaches this far below the noise floor: to show the floor, and no decade of noise."""
_LEAST_SHOWN = 0.002
"""Share of a curve's points that may lie below a logarithmic axis: the bottoms of its antiresonances."""
_NEAR_END = 0.035
"""Share of an axis: the number at its end is left out where another stands nearer."""
_TOLERANCE = 0.06
"""Points by which a drawn curve may stray from the data's: a tenth of the thinnest line."""
INK, QUIET, GRID = "#1d2a35", "#5d6b76", "#d5dbdf"
PETROL, RUST = "#0b5d73", "#b0421a"

Dash = tuple[float, tuple[float, ...]] | str
STYLES: dict[str, tuple[str, float, Dash]] = {
    "required": ("#a9b4bc", 2.6, "solid"),
    "tolerance": (INK, 0.7, (0, (4.0, 2.2))),
    "abort": (INK, 0.8, (0, (1.0, 1.8))),
    "control": (PETROL, 1.0, "solid"),
    "recorded": (PETROL, 0.9, "solid"),
    "steady": (RUST, 1.0, (0, (5.0, 2.0))),
    "before": (QUIET, 1.0, (0, (4.0, 1.6))),
    "after": (PETROL, 1.0, "solid"),
    "shape": (INK, 1.2, (0, (4.0, 1.6))),
    "envelope": (RUST, 0.9, (0, (5.0, 2.0))),
    "floor": (QUIET, 0.7, (0, (1.0, 2.0))),
    "limit": (RUST, 1.3, (0, (7.0, 1.8, 1.4, 1.8))),
    "channel-1": (PETROL, 1.1, "solid"),
    "channel-2": ("#7d8a94", 1.5, (0, (10.0, 1.2))),
    "channel-3": (INK, 0.9, (0, (5.0, 1.6))),
    "channel-4": ("#4b7f3f", 1.0, (0, (1.4, 1.2))),
}
"""Role to colour, width, dash. Every pair on one panel differs in dash or weight too, so that grey print reads."""


def sketch(plot: Plot, numbers: Numbers) -> Sketch:
    """``plot`` with its size, to be drawn later."""
    drawn = partial(draw, plot, numbers)
    return Sketch(key=plot.key, alt=plot.alt, width=WIDTH, height=_height(plot), draw=drawn, plot=plot)


def draw(plot: Plot, numbers: Numbers) -> Drawing:
    """Draw ``plot``; ids in the SVG begin with its key, numbers on the axes are in the report's language."""
    height = _height(plot)
    figure = blank(height)
    top, geometry = HEAD, []
    for index, panel in enumerate(plot.panels):
        top += STRIP if panel.marks else 0.0
        axes = _axes(figure, plot, panel, top, height, last=index == len(plot.panels) - 1, numbers=numbers)
        geometry.append(_draw_panel(axes, plot, panel, top))
        top += panel.height + GAP
    _draw_insets(figure, plot, top - GAP + FOOT, height, numbers)
    return finish(figure, plot.key, plot.alt, tuple(geometry))


def _draw_insets(figure: Figure, plot: Plot, top: float, height: float, numbers: Numbers) -> None:
    """Small panels side by side below the others, each a part of the first one over a stretch of its abscissa."""
    if not plot.insets:
        return
    from matplotlib.ticker import MaxNLocator

    each_width = (WIDTH - LEFT - 8.0 - INSET_GAP * (len(plot.insets) - 1)) / len(plot.insets)
    for index, inset in enumerate(plot.insets):
        left = LEFT + index * (each_width + INSET_GAP)
        bottom = height - top - INSET_HEAD - INSET
        axes = figure.add_axes((left / WIDTH, bottom / height, each_width / WIDTH, INSET / height))
        axes.set_xlim(*inset.x_range)
        axes.set_ylim(*_inset_range(plot, inset))
        x_ticks = MaxNLocator(max(2, int(each_width // 42))).tick_values(*inset.x_range)
        y_ticks = MaxNLocator(3).tick_values(*axes.get_ylim())
        x_ticks, y_ticks = (
            [float(t) for t in ticks if low <= t <= high]
            for ticks, (low, high) in ((x_ticks, axes.get_xlim()), (y_ticks, axes.get_ylim()))
        )
        _label_ticks(axes, INSET, x_ticks, y_ticks, numbers, width=each_width)
        _frame(axes)
        _grid(axes, x_ticks, y_ticks)
        for curve in plot.panels[0].curves:
            near = (curve.x >= inset.x_range[0]) & (curve.x <= inset.x_range[1])
            if near.any():
                part = slice(*(np.flatnonzero(near)[[0, -1]] + (-1, 2)).clip(0))
                _draw_curve(axes, replace(curve, x=curve.x[part], y=curve.y[part]), f"inset-{index}-{curve.key}")
        for place in inset.limits:
            if inset.x_range[0] <= place <= inset.x_range[1]:
                _vertical(axes, place)
        style: dict[str, Any] = {"fontsize": FONT - 0.4, "color": RUST if inset.evidence else INK, "parse_math": False}
        axes.text(0.0, 1.0 + 2.5 / INSET, inset.label, transform=axes.transAxes, ha="left", va="bottom", **style)


def _inset_range(plot: Plot, inset: Inset) -> tuple[float, float]:
    """From zero, so that heights can be compared by eye."""
    seen = [_inside(curve, inset.x_range) for curve in plot.panels[0].curves]
    values = np.concatenate([each[np.isfinite(each)] for each in seen]) if seen else np.array([])
    top = float(values.max()) if len(values) else 1.0
    return 0.0, 1.12 * top if top > 0 else 1.0


def _vertical(axes: Any, place: float) -> None:
    colour, width, dash = STYLES["limit"]
    axes.axvline(place, color=colour, linewidth=width, linestyle=dash, zorder=1.8)


def blank(height: float) -> Figure:
    """An empty figure of the full measure, ``height`` in points."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH / 72.0, height / 72.0), frameon=False)
    FigureCanvasSVG(figure)
    return figure


def finish(figure: Figure, key: str, alt: str, geometry: tuple[dict[str, object], ...] = ()) -> Drawing:
    """The figure as a clean drawing; same figure and key, same bytes."""
    import matplotlib

    out = io.BytesIO()
    settings: dict[Any, Any] = {
        "svg.fonttype": "none",
        "svg.hashsalt": key,
        "path.simplify": True,
        "path.simplify_threshold": 0.12,
    }
    with matplotlib.rc_context(settings):
        figure.savefig(
            out, format="svg", transparent=True, metadata=dict.fromkeys(("Creator", "Date", "Format", "Type"))
        )
    return Drawing(key=key, alt=alt, svg=clean_svg(out.getvalue(), key, alt), geometry=geometry)


def _height(plot: Plot) -> float:
    strips = sum(STRIP for panel in plot.panels if panel.marks)
    insets = INSET_HEAD + INSET + 14.0 if plot.insets else 0.0
    return HEAD + strips + sum(panel.height for panel in plot.panels) + GAP * (len(plot.panels) - 1) + FOOT + insets


def _axes(figure: Figure, plot: Plot, panel: Panel, top: float, height: float, *, last: bool, numbers: Numbers) -> Any:
    box = (LEFT / WIDTH, 1.0 - (top + panel.height) / height, (WIDTH - LEFT - RIGHT) / WIDTH, panel.height / height)
    axes = figure.add_axes(box)
    axes.set_xscale(plot.x_scale)
    axes.set_yscale(panel.y_scale)
    axes.set_xlim(*plot.x_range)
    axes.set_ylim(*_y_range(panel, plot))
    x_ticks = _with_ends(_ticks(plot.x_scale, plot.x_range), plot.x_scale, plot.x_range)
    y_ticks = list(panel.y_ticks) if panel.y_ticks else _ticks(panel.y_scale, axes.get_ylim(), most=6)
    _label_ticks(axes, panel.height, x_ticks if last else (), y_ticks, numbers)
    _frame(axes)
    _grid(axes, x_ticks, y_ticks)
    _minor_ticks(axes, plot, panel)
    if last:
        below = -15.0 / panel.height
        axes.text(
            0.5,
            below,
            plot.x_label,
            transform=axes.transAxes,
            ha="center",
            va="top",
            fontsize=FONT,
            color=INK,
            parse_math=False,
        )
    axes.text(
        -(LEFT - 9.0) / (WIDTH - LEFT - RIGHT),
        0.5,
        panel.y_label,
        transform=axes.transAxes,
        rotation=90,
        ha="center",
        va="center",
        fontsize=FONT,
        color=INK,
        parse_math=False,
    )
    return axes


def _with_ends(ticks: list[float], scale: str, limits: tuple[float, float]) -> list[float]:
    """Ticks with both ends of the axis, as whole numbers of at most three digits, where no other tick is near."""

    def place(value: float) -> float:
        low, high = (math.log10(each) if scale == "log" else each for each in limits)
        return ((math.log10(value) if scale == "log" else value) - low) / ((high - low) or 1.0)

    ends = [float(f"{limits[0]:.3g}"), float(f"{limits[1]:.3g}")]
    if scale == "log" and min(ends) <= 0:
        return ticks
    kept = [end for end in ends if all(abs(place(tick) - place(end)) > _NEAR_END for tick in ticks)]
    return sorted([*ticks, *(end for end in kept if -0.01 <= place(end) <= 1.01)])


def _minor_ticks(axes: Any, plot: Plot, panel: Panel) -> None:
    """Short ticks at 1 to 9 of every decade of the logarithmic axes, inside the frame, as one artist."""
    points: list[tuple[float, float]] = []
    (x0, x1), (y0, y1) = axes.get_xlim(), axes.get_ylim()
    width = WIDTH - LEFT - RIGHT
    if plot.x_scale == "log":
        for x in _minor(x0, x1):
            across = math.log(x / x0) / math.log(x1 / x0)
            points += [(across, 0.0), (across, 2.6 / panel.height), (np.nan, np.nan)]
    if panel.y_scale == "log":
        for y in _minor(y0, y1):
            up = math.log(y / y0) / math.log(y1 / y0)
            points += [(0.0, up), (2.6 / width, up), (np.nan, np.nan)]
    if points:
        x_of, y_of = np.array(points).T
        axes.plot(x_of, y_of, transform=axes.transAxes, color=QUIET, linewidth=0.5, solid_capstyle="butt", zorder=2.4)


def _minor(low: float, high: float) -> list[float]:
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    return [m * 10.0**d for d in decades for m in range(1, 10) if low < m * 10.0**d < high]


def _label_ticks(
    axes: Any,
    height: float,
    x_ticks: Sequence[float],
    y_ticks: Sequence[float],
    numbers: Numbers,
    *,
    width: float = WIDTH - LEFT - RIGHT,
) -> None:
    """Numbers beside the axes as plain texts; matplotlib's own tick artists cost more than all curves."""
    style = {"fontsize": FONT, "color": INK, "parse_math": False}
    across, along = axes.get_xaxis_transform(), axes.get_yaxis_transform()
    for tick in x_ticks:
        axes.text(tick, -4.0 / height, numbers.plain(tick), transform=across, ha="center", va="top", **style)
    for tick in y_ticks:
        left = -4.0 / width
        axes.text(left, tick, numbers.plain(tick), transform=along, ha="right", va="center_baseline", **style)


def _ticks(scale: str, limits: tuple[float, float], most: int = 9) -> list[float]:
    """Ticks of an axis; logarithmic ones at 1, 2, 5 while there is room, else at the powers of ten.

    An axis of less than a decade, on which fewer than three of these lie, gets the ticks of a linear one.
    """
    from matplotlib.ticker import MaxNLocator

    low, high = sorted(limits)
    linear = MaxNLocator(most - 1, steps=[1, 2, 2.5, 5, 10])
    if scale != "log":
        return [float(t) for t in linear.tick_values(low, high) if low <= t <= high]
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    for mantissas in ((1, 2, 5), (1, 3), (1,)):
        ticks = [m * 10.0**d for d in decades for m in mantissas if low * 0.9999 <= m * 10.0**d <= high * 1.0001]
        if len(ticks) <= most:
            break
    if len(ticks) < 3:
        return [float(t) for t in linear.tick_values(low, high) if low <= t <= high and t > 0]
    return ticks[:: max(1, math.ceil(len(ticks) / most))]


def _y_range(panel: Panel, plot: Plot) -> tuple[float, float]:
    if panel.y_range is not None:
        return panel.y_range
    seen = [_inside(curve, plot.x_range) for curve in panel.curves]
    values = np.concatenate([each[np.isfinite(each)] for each in seen]) if seen else np.array([])
    if panel.y_scale == "log":
        values = values[values > 0]
    if not len(values):
        return (0.1, 10.0) if panel.y_scale == "log" else (-1.0, 1.0)
    high = max(float(values.max()), panel.y_least_top or 0.0)
    if panel.y_scale == "log":
        low = float(np.quantile(values, _LEAST_SHOWN))
        low = max(low, high * 1e-5, (panel.y_floor or 0.0) / _FLOOR_SHOWN)
        return low / 1.3, max(high, low * 1.5) * 1.4
    low = float(values.min())
    room = 0.08 * (high - low) or abs(high) or 1.0
    return low - room, high + room


def _inside(curve: Curve, x_range: tuple[float, float]) -> Floats:
    return curve.y[(curve.x >= x_range[0]) & (curve.x <= x_range[1])]


def _frame(axes: Any) -> None:
    """One rectangle in place of matplotlib's four spines, its background and its axes."""
    from matplotlib.patches import Rectangle

    axes.set_axis_off()
    box = Rectangle((0.0, 0.0), 1.0, 1.0, transform=axes.transAxes, fill=False, clip_on=False, zorder=2.5)
    box.set(edgecolor=QUIET, linewidth=0.6)
    axes.add_patch(box)


def _grid(axes: Any, x_ticks: Sequence[float], y_ticks: Sequence[float]) -> None:
    """All lines as one, with breaks: every element of a drawing costs the page as much as fifty points."""
    (x0, x1), (y0, y1) = axes.get_xlim(), axes.get_ylim()
    across = [point for x in x_ticks for point in ((x, y0), (x, y1), (np.nan, np.nan))]
    along = [point for y in y_ticks for point in ((x0, y), (x1, y), (np.nan, np.nan))]
    if across or along:
        x, y = np.array(across + along).T
        axes.plot(x, y, color=GRID, linewidth=0.5, solid_capstyle="butt", clip_on=False, zorder=0.5)


def _draw_panel(axes: Any, plot: Plot, panel: Panel, top: float) -> dict[str, object]:
    for low, high in panel.shaded:
        _shade(axes, low, high)
    for rule in panel.rules:
        axes.axhline(rule, color=QUIET, linewidth=0.7, zorder=0.8)
    for wall in panel.walls:
        _draw_wall(axes, wall, plot)
    for curve in panel.curves:
        _draw_curve(axes, curve)
    _label_curves(axes, plot, panel)
    _label_marks(axes, panel)
    return _geometry(axes, plot, panel, top)


def _shade(axes: Any, low: float, high: float) -> None:
    """A band that needs attention: hatched by its edges, so that it shows in grey too; never thinner than a line."""
    from matplotlib.patches import Rectangle

    to_axes = axes.transData + axes.transAxes.inverted()
    x0, x1 = (float(to_axes.transform((x, axes.get_ylim()[0]))[0]) for x in (low, high))
    if x1 - x0 < 0.006:
        x0, x1 = x0 - 0.003, x1 + 0.003
    x0, x1 = max(0.0, x0), min(1.0, x1)
    # axvspan takes no transform: it puts its own in the place of any.
    band = Rectangle((x0, 0.0), x1 - x0, 1.0, transform=axes.transAxes, zorder=0.3)
    band.set(facecolor="#f1d9cd", edgecolor=RUST, linewidth=0.5)
    axes.add_patch(band)


def _draw_wall(axes: Any, wall: Wall, plot: Plot) -> None:
    """A limit of the abscissa, with its name at its foot, on the side of the line that has more room."""
    if not plot.x_range[0] <= wall.x <= plot.x_range[1]:
        return
    _vertical(axes, wall.x)
    at = float((axes.transData + axes.transAxes.inverted()).transform((wall.x, axes.get_ylim()[0]))[0])
    shift, side = (3.0, "left") if at < 0.5 else (-3.0, "right")
    axes.text(
        at + shift / (WIDTH - LEFT - RIGHT),
        0.03,
        wall.text,
        transform=axes.transAxes,
        fontsize=FONT - 0.4,
        color=RUST,
        ha=side,
        va="bottom",
        parse_math=False,
    )


def _draw_curve(axes: Any, curve: Curve, key: str = "") -> None:
    colour, width, dash = STYLES[curve.role]
    x, y = _broken_where_it_wraps(curve) if curve.wraps else (curve.x, curve.y)
    y = y if axes.get_yscale() != "log" else np.where(y > 0, y, np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        pixels = axes.transData.transform(np.column_stack([x, y]))
    kept = points_to_draw(pixels[:, 0], pixels[:, 1])
    kept = kept[corners(pixels[kept, 0], pixels[kept, 1], _TOLERANCE)]
    axes.plot(
        x[kept],
        y[kept],
        color=colour,
        linewidth=width,
        linestyle=dash,
        gid=f"curve-{key or curve.key}",
        solid_joinstyle="round",
        dash_capstyle="butt",
        zorder=1.5 if curve.role == "required" else 2.0,
    )


_HALF_TURN = 180.0
"""Degrees: an angle that changes by more from row to row has gone round."""


def _broken_where_it_wraps(curve: Curve) -> tuple[Floats, Floats]:
    """Both coordinates with a break between the rows where the angle goes round, so that no line crosses the panel."""
    after = np.flatnonzero(np.abs(np.diff(curve.y)) > _HALF_TURN) + 1
    return np.insert(curve.x, after, curve.x[after]), np.insert(curve.y, after, np.nan)


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


def _label_curves(axes: Any, plot: Plot, panel: Panel) -> None:
    """Name every curve at its right end, each name with a short sample of its line."""
    named = [curve for curve in panel.curves if curve.labelled and np.isfinite(curve.y).any()]
    to_axes = axes.transData + axes.transAxes.inverted()
    ends = []
    for curve in named:
        y = _inside(curve, plot.x_range)
        last = y[np.isfinite(y)][-5:] if np.isfinite(y).any() else np.array([axes.get_ylim()[0]])
        ends.append(float(np.clip(to_axes.transform((plot.x_range[1], float(np.median(last))))[1], 0.0, 1.0)))
    line = 10.0 / panel.height
    width = WIDTH - LEFT - RIGHT
    for curve, at in zip(named, spread(ends, line, line / 2, 1.0 - line / 2), strict=True):
        colour, weight, dash = STYLES[curve.role]
        sample = ([1.0 + 4.0 / width, 1.0 + 18.0 / width], [at, at])
        axes.plot(
            *sample,
            transform=axes.transAxes,
            color=colour,
            linewidth=weight,
            linestyle=dash,
            clip_on=False,
            gid=f"sample-{curve.key}",
        )
        axes.text(
            1.0 + 21.0 / width,
            at,
            curve.label,
            transform=axes.transAxes,
            fontsize=FONT - 0.4,
            color=INK,
            va="center",
            ha="left",
            gid=f"label-{curve.key}",
            parse_math=False,
        )


_MARK_COLOURS = {"rejected": QUIET, "resonance": QUIET, "evidence": RUST, "worst": RUST}
_MARKERS = {"worst": "D", "evidence": "D", "annotation": "o"}
"""How a mark looks; by default as a resonance does."""


def _label_marks(axes: Any, panel: Panel) -> None:
    """Write every mark's label into the strip above the panel, with a line down to its point."""
    if not panel.marks:
        return
    to_axes = axes.transData + axes.transAxes.inverted()
    width = WIDTH - LEFT - RIGHT
    marks = sorted(panel.marks, key=lambda mark: mark.x)
    points = [to_axes.transform((mark.x, mark.y)) for mark in marks]
    widest = max(len(mark.text) for mark in marks) * 0.52 * FONT + 4.0
    places = spread([float(p[0]) for p in points], widest / width, 0.0, 1.0)
    for mark, point, place in zip(marks, points, places, strict=True):
        colour = _MARK_COLOURS.get(mark.kind, RUST)
        up = (STRIP - 12.0) / panel.height
        x, y = float(point[0]), float(min(max(point[1], 0.0), 1.0))
        axes.plot(
            [x, x, place],
            [y, 1.0, 1.0 + up],
            transform=axes.transAxes,
            color=colour,
            linewidth=0.5,
            linestyle="solid",
            clip_on=False,
            zorder=1.2,
        )
        face = "none" if mark.kind == "rejected" else colour
        size = 6.0 if mark.kind == "evidence" else 4.0
        axes.plot(
            [x],
            [y],
            transform=axes.transAxes,
            linestyle="none",
            marker=_MARKERS.get(mark.kind, "v"),
            markersize=size,
            markerfacecolor=face,
            markeredgecolor=colour,
            markeredgewidth=0.8,
            clip_on=False,
            zorder=3,
        )
        axes.text(
            place,
            1.0 + up + 1.5 / panel.height,
            mark.text,
            transform=axes.transAxes,
            fontsize=FONT - 0.4,
            color=colour,
            ha="center",
            va="bottom",
            parse_math=False,
        )


def _geometry(axes: Any, plot: Plot, panel: Panel, top: float) -> dict[str, object]:
    return {
        "px": [LEFT, WIDTH - RIGHT],
        "py": [top + panel.height, top],
        "x": [float(v) for v in plot.x_range],
        "y": [float(v) for v in axes.get_ylim()],
        "xscale": plot.x_scale,
        "yscale": panel.y_scale,
        "xlabel": plot.x_label,
        "ylabel": panel.y_label,
        "xname": plot.x_name or plot.x_label,
        "xunit": plot.x_unit,
        "yunit": panel.y_unit,
        "curves": [_curve_geometry(plot, curve) for curve in panel.curves],
        "marks": [{"x": m.x, "y": m.y, "text": m.text, "kind": m.kind} for m in panel.marks],
    }


def _curve_geometry(plot: Plot, curve: Curve) -> dict[str, object]:
    return {
        "id": f"{plot.key}-curve-{curve.key}",
        "label": curve.label,
        "role": curve.role,
        "column": curve.column or curve.label,
        "sampled": curve.sampled,
        "wraps": curve.wraps,
    }
