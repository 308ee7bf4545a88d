"""What a figure shows, before it is drawn: panels of curves over one abscissa, with marks and shaded bands."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from reportgen.records.log import Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curve:
    """A line. Its ``role`` decides dash, weight and colour, so that a meaning always looks the same."""

    key: str
    """Unique in its figure; the drawn line's id ends with it."""
    label: str
    role: str
    x: Floats
    """Shape (n,)."""
    y: Floats
    """Shape (n,); NaN breaks the line."""
    labelled: bool = True
    """False where a twin curve (upper limit, lower limit) already carries the label."""
    sampled: bool = True
    """Whether every point is a row of the log or record: a cursor stops at these, and reads between the others."""
    wraps: bool = False
    """Whether it is an angle: the line is broken where it goes round, and no row is lost by that."""
    column: str = ""
    """Name of its column in the figure's data, where the label does not tell it from its twin."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A point with a direct label above the panel; taken from full data, never from a reduced curve."""

    x: float
    y: float
    text: str
    kind: str = "resonance"
    """``resonance``, ``rejected``, ``worst``, ``evidence``: what a verdict rests on, or ``annotation``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wall:
    """A limit of the abscissa, named on the spot."""

    x: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Inset:
    """A stretch of the abscissa shown again, larger and on linear axes, below the panels."""

    x_range: tuple[float, float]
    label: str
    limits: tuple[float, ...] = ()
    """Where limits lie on the abscissa."""
    evidence: bool = False
    """Whether a verdict rests on what is shown here."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """One pair of axes."""

    y_label: str
    curves: tuple[Curve, ...]
    y_scale: str = "log"
    y_range: tuple[float, float] | None = None
    y_ticks: tuple[float, ...] | None = None
    y_unit: str = ""
    marks: tuple[Mark, ...] = ()
    shaded: tuple[tuple[float, float], ...] = ()
    """Bands of the abscissa that need attention."""
    rules: tuple[float, ...] = ()
    """Horizontal lines of reference."""
    walls: tuple[Wall, ...] = ()
    """Limits of the abscissa."""
    y_floor: float | None = None
    """Noise floor: a logarithmic axis ends a little below it."""
    y_least_top: float | None = None
    """What the axis must reach at least, such as a mark above all curves."""
    height: float = 122.0
    """Of the axes, in points."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """A figure of panels one above another that share their abscissa."""

    key: str
    """Unique in the report."""
    alt: str
    """What the figure shows, in a sentence or two."""
    x_label: str
    x_range: tuple[float, float]
    panels: tuple[Panel, ...]
    x_scale: str = "log"
    x_unit: str = "Hz"
    x_name: str = ""
    """Name of the abscissa in the figure's data."""
    insets: tuple[Inset, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """A figure as drawn: one SVG element with ids that begin with the figure's key, and its geometry."""

    key: str
    alt: str
    svg: str
    geometry: tuple[dict[str, object], ...] = ()
    """Per panel: pixel box, data range, scale and unit of both axes, and the curves' ids and labels."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sketch:
    """A figure yet to be drawn: what a page must know to leave room for it, and how to draw it."""

    key: str
    alt: str
    width: float
    """Points, like ``height``; both are the drawing's own."""
    height: float
    draw: Callable[[], Drawing]
    plot: Plot | None = None
    """What is drawn, where that is a plot."""
