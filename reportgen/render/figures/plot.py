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


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A point with a direct label above the panel; taken from full data, never from a reduced curve."""

    x: float
    y: float
    text: str
    kind: str = "resonance"
    """``resonance``, ``rejected`` or ``worst``."""


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
