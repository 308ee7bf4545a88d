"""Schematic drawings of the set-ups, where a laboratory would put its photos."""

from __future__ import annotations

from pathlib import Path
from typing import Any

STEEL, LIGHT, DARK, RED = "#9aa3ab", "#d9dee2", "#3c444b", "#b03a2e"


def _sheet() -> tuple[Any, Any]:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(6.4, 4.0), dpi=110)
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0, 16)
    axes.set_ylim(0, 10)
    axes.set_aspect("equal")
    axes.axis("off")
    return figure, axes


def _box(axes: Any, x: float, y: float, w: float, h: float, colour: str) -> None:
    from matplotlib.patches import Rectangle

    axes.add_patch(Rectangle((x, y), w, h, facecolor=colour, edgecolor=DARK, linewidth=1.2))


def _label(axes: Any, text: str, at: tuple[float, float], to: tuple[float, float]) -> None:
    axes.annotate(
        text, xy=to, xytext=at, fontsize=9, color=DARK, ha="center", va="center",
        arrowprops={"arrowstyle": "-", "color": DARK, "linewidth": 0.8},
    )  # fmt: skip


def _arrow(axes: Any, text: str, x: float, y: float, dx: float, dy: float) -> None:
    axes.annotate(
        "",
        xy=(x + dx, y + dy),
        xytext=(x - dx, y - dy),
        arrowprops={"arrowstyle": "<->", "color": RED, "linewidth": 1.8},
    )
    axes.text(
        x + (0.5 if dy else 0.0), y + (0.0 if dy else 0.4), text, color=RED, fontsize=10, ha="center", va="center"
    )


def _exciter(axes: Any, x: float) -> None:
    _box(axes, x, 0.8, 6.0, 2.6, LIGHT)
    _box(axes, x + 1.2, 3.4, 3.6, 0.5, STEEL)
    axes.text(x + 3.0, 2.0, "exciter", fontsize=10, ha="center", va="center", color=DARK)


def _boom(axes: Any, *, flipped: bool) -> None:
    _exciter(axes, 1.0)
    _box(axes, 2.6, 3.9, 1.8, 2.0, STEEL)
    _box(axes, 4.4, 4.7, 9.0, 0.28, LIGHT)
    _box(axes, 13.4, 4.35, 0.9, 1.0, STEEL)
    for x, name in ((3.0, "C1"), (4.0, "C2")):
        _box(axes, x - 0.15, 5.9, 0.3, 0.3, RED)
        _label(axes, name, (x, 7.2), (x, 6.2))
    for x, name in ((13.85, "A1 (head)"), (9.35, "A2 (0.55 L)")):
        top = 5.35 if x > 13 else 4.98
        _box(axes, x - 0.15, top, 0.3, 0.3, RED)
        _label(axes, name, (x, 7.2), (x, top + 0.3))
    if flipped:
        axes.text(9.0, 3.6, "granules strewn on the upper face of the arm", fontsize=9, ha="center", color=DARK)
        for k in range(60):
            axes.plot(4.6 + 8.6 * ((k * 0.381966) % 1.0), 5.05, ".", color=DARK, markersize=2)
    else:
        axes.text(3.5, 4.9, "clamp", fontsize=9, ha="center", color=DARK)
        axes.annotate("", xy=(13.4, 4.1), xytext=(4.4, 4.1), arrowprops={"arrowstyle": "<->", "color": DARK})
        axes.text(9.0, 3.7, "L = 640 mm", fontsize=9, ha="center", color=DARK)
    _arrow(axes, "X", 8.2, 2.1, 0.0, 0.8)


def _controller_box(axes: Any, axis: str) -> None:
    _exciter(axes, 5.0)
    _box(axes, 5.6, 3.9, 4.8, 0.4, STEEL)
    _box(axes, 6.2, 4.3, 3.6, 2.6, LIGHT)
    _box(axes, 6.5, 5.2, 3.0, 0.15, STEEL)
    _box(axes, 9.8, 4.6, 0.7, 1.6, STEEL)
    for x, y, name, at in (
        (5.8, 4.3, "C1", (4.2, 5.2)), (10.2, 4.3, "C2", (12.0, 4.0)), (8.0, 6.9, "A1 (lid)", (8.0, 8.4)),
        (7.4, 5.35, "A2 (board)", (3.6, 6.6)), (10.35, 6.2, "A3 (bracket)", (12.6, 6.8)),
    ):  # fmt: skip
        _box(axes, x - 0.13, y, 0.26, 0.26, RED)
        _label(axes, name, at, (x, y + 0.13))
    if axis == "Z":
        _arrow(axes, "Z", 13.2, 2.1, 0.0, 0.8)
    else:
        _arrow(axes, axis, 13.2, 2.1, 0.9, 0.0)


def _bracket(axes: Any) -> None:
    _box(axes, 2.0, 0.8, 8.0, 1.6, LIGHT)
    axes.text(6.0, 1.6, "seismic block", fontsize=10, ha="center", va="center", color=DARK)
    _box(axes, 3.0, 2.4, 2.4, 0.3, STEEL)
    _box(axes, 5.1, 2.4, 0.3, 3.2, STEEL)
    _box(axes, 5.4, 3.6, 0.3, 3.0, LIGHT)
    _box(axes, 5.4, 6.6, 6.0, 0.3, LIGHT)
    _box(axes, 9.6, 6.9, 1.6, 1.0, STEEL)
    for y in (4.1, 5.0):
        _box(axes, 4.9, y, 1.0, 0.2, DARK)
    _label(axes, "lap joint, M6", (2.6, 5.0), (4.9, 4.7))
    axes.text(10.4, 7.4, "dummy mass", fontsize=7, ha="center", va="center", color=DARK)
    for x, y, name, at in ((10.9, 7.9, "A1", (12.4, 8.8)), (6.6, 6.9, "A2", (6.6, 8.6))):
        _box(axes, x - 0.15, y, 0.3, 0.3, RED)
        _label(axes, name, at, (x, y + 0.3))
    axes.annotate(
        "", xy=(10.0, 8.0), xytext=(10.0, 9.4), arrowprops={"arrowstyle": "->", "color": RED, "linewidth": 1.8}
    )
    axes.text(9.0, 9.3, "blow", color=RED, fontsize=10, ha="center", va="center")
    _arrow(axes, "Z", 13.4, 4.0, 0.0, 0.8)


def write_drawings(root: Path) -> list[Path]:
    """Draw the set-ups of the examples below ``root``; returns the files."""
    drawings = {
        "sensor_boom/photos/set_up_x.png": lambda axes: _boom(axes, flipped=False),
        "sensor_boom/photos/granules.png": lambda axes: _boom(axes, flipped=True),
        "controller_box/photos/set_up_xy.png": lambda axes: _controller_box(axes, "X, Y"),
        "controller_box/photos/set_up_z.png": lambda axes: _controller_box(axes, "Z"),
        "bolted_bracket/photos/set_up_z.png": _bracket,
    }
    for name, draw in drawings.items():
        figure, axes = _sheet()
        draw(axes)
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        figure.savefig(path, metadata={"Software": None})
    return [root / name for name in drawings]
